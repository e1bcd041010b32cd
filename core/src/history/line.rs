//! The lines of a service-history file, as types that writer and verifier share.
//!
//! Promises: a line has the fields of docs/HISTORY-FORMAT.md and no others.
//! Never says whether what is in it is true.

use crate::entry::Entry;
use crate::ids::{DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey, Signature};
use crate::proof::leaf::RollLeaf;
use serde::{Deserialize, Serialize};

/// A line of one kind, written as `{"KIND": {...}}`.
macro_rules! line {
    ($(#[$doc:meta])* $line:ident { $field:ident: $content:ty }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        #[serde(deny_unknown_fields)]
        pub struct $line {
            pub $field: $content,
        }
    };
}

line!(HistoryLine { history: History });
line!(KeysLine { keys: Vec<EpochKey> });
line!(CheckpointLine { checkpoint: Shown });
line!(StampLine { stamp: StampShown });
line!(DeviceLine { device: Device });
line!(PersonLine { person: Person });
line!(BatchLine { batch: Batch });
line!(
    /// Hashes of the parts of an entry about something else, in the order of the chain.
    OtherLine { other: [Hash; 4] }
);
line!(EndLine { end: End });

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct History {
    pub v: u64,
    pub organisation: Organisation,
    pub machine: MachineId,
    pub made_ms: i64,
    pub withheld: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Organisation {
    pub id: OrganisationId,
    pub name: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EpochKey {
    pub epoch: u64,
    pub key: PublicKey,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proof: Option<Signature>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shown {
    pub note: String,
    pub witnesses: Vec<String>,
    pub roll: RollLeaf,
    pub inclusion: Vec<Hash>,
    pub count: u64,
    pub root: Hash,
    pub proof: Vec<Hash>,
}

/// A stamp of a checkpoint, and where the machine's last entry under it has its leaf.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StampShown {
    pub epoch: u64,
    pub size: u64,
    pub root: Hash,
    pub count: u64,
    pub position: u64,
    pub index: u64,
    pub inclusion: Vec<Hash>,
    pub authority: String,
    pub at_s: i64,
    /// In base64url; whether it is any is judged with the token.
    pub token: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Device {
    pub id: DeviceId,
    pub mark: String,
    pub key: PublicKey,
    pub person: PersonId,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Person {
    pub id: PersonId,
    pub name: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Batch {
    pub device: usize,
    pub from: u64,
    pub to: u64,
    pub first: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub previous: Option<Hash>,
    pub received_ms: i64,
    pub signature: Signature,
    pub root: Hash,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EntryLine {
    pub entry: Entry,
    pub link: Hash,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aside: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub off_s: Option<i64>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct End {
    pub entries: u64,
    pub lines: u64,
}
