//! What a device and a server say to each other in one exchange, `POST /v1/sync`.
//!
//! Promises: every position is a pair (number, hash); a reply answers every part of the request on its own, so that
//! one refused part never hides another's success. Unknown fields of a reply are ignored, unknown fields of a
//! request are refused with their place.

use crate::chain::{LogHead, Seal};
use crate::entry::{Entry, Held};
use crate::ids::MachineId;
use crate::ids::{Baton, DeviceId, Hash, OrganisationId, PersonId, PublicKey, RequestId, Signature, StoreId};
use crate::moment::Moment;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// The protocol number this program speaks.
pub const PROTOCOL: u32 = 1;
/// Header that carries the device's signature over the body (see [`crate::chain::sync_text`]), in base64url.
pub const PROOF_HEADER: &str = "pintle-proof";

/// One exchange, from the device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SyncRequest {
    /// Protocol number: 1.
    #[cfg_attr(feature = "schema", schema(minimum = 1, maximum = 1))]
    pub protocol: u32,
    /// Random; echoed.
    pub request: RequestId,
    /// The organisation the device is enrolled in.
    pub organisation: OrganisationId,
    /// The device.
    pub device: DeviceId,
    /// The server's database and epoch as last seen.
    pub store: StoreId,
    /// Raised by the server when its ledger was restored from an older copy.
    pub epoch: u64,
    /// The baton of the last reply that was applied.
    pub baton: Baton,
    /// What the device's clocks say now.
    pub clock: ClockSample,
    /// Where the device's own log ends; always given, also when nothing is pushed.
    pub log: LogHead,
    /// Entries for the server.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub push: Option<Push>,
    /// Entries of another device, brought by file; see [`crate::carry`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub carried: Option<Carried>,
    /// What the device wants to hear.
    pub pull: PullAsk,
    /// The set of machines wanted, only if it has changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub wanted: Option<Wanted>,
    /// Digest of what the device holds up to its cursor.
    pub digest: Digest,
    /// The checkpoint the device holds of this store and epoch. Left out by one that does not look at checkpoints: it is
    /// shown none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub checkpoint: Option<CheckpointHeld>,
    /// Version of the directory the device holds; 0 for none.
    pub directory: u64,
    /// Names of people this device has given ids to and the server may not know.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub people: Vec<Person>,
}

/// A device's clocks at one moment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ClockSample {
    /// Its wall clock.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = DateTime))]
    pub at: Moment,
    /// Its boot id, as in an entry's clock evidence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub boot: Option<String>,
    /// Seconds since that boot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub up_s: Option<u64>,
}

/// Entries of the device's own log, in order, without a hole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Push {
    /// Number of the first entry.
    pub from: u64,
    /// Link of the entry before it.
    pub previous: Hash,
    /// The entries.
    #[cfg_attr(feature = "schema", schema(value_type = Vec<crate::exchange::EntryDocument>))]
    pub entries: Vec<Entry>,
    /// Signature of the seal over these entries: `from` is the first, `to` the last of them.
    pub signature: Signature,
}

/// A run of another device's entries, under a seal of that device: whoever brings it can change nothing in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Carried {
    /// The device that made the entries.
    pub device: DeviceId,
    /// The run, as that device would push it.
    pub push: Push,
}

/// What became of a run that was carried.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct CarriedAnswer {
    /// The device that made the entries.
    pub device: DeviceId,
    /// What became of them.
    pub answer: PushAnswer,
}

/// The form of an entry on the wire: its parts, and hashes in place of parts that are withheld.
#[cfg(feature = "schema")]
#[derive(Serialize, utoipa::ToSchema)]
pub struct EntryDocument {
    /// What every entry says about itself.
    pub head: crate::entry::Head,
    /// Open facts; which, depends on the kind.
    #[schema(value_type = Option<Object>, nullable = false)]
    pub body: Option<serde_json::Value>,
    /// What the person wrote in their own words: `salt` (22 characters of base64url) and `text`.
    #[schema(value_type = Option<Object>, nullable = false)]
    pub words: Option<serde_json::Value>,
    /// Job, prices, customer, with a `salt`; withheld from crews.
    #[schema(value_type = Option<Object>, nullable = false)]
    pub office: Option<serde_json::Value>,
    /// Hashes of parts that are not shown, by the part's name.
    #[schema(value_type = Option<std::collections::HashMap<String, String>>, nullable = false)]
    pub withheld: Option<std::collections::BTreeMap<String, Hash>>,
}

/// What the device wants to hear.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PullAsk {
    /// The cursor of the last page stored; none to start from the beginning.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub cursor: Option<String>,
    /// Largest page wanted, in bytes of JSON.
    pub bytes_max: u32,
    /// Whether the device's own entries are wanted too: it has lost some, or starts from the beginning.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub own: bool,
}

/// The machines whose entries a device wants.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Wanted {
    /// These machines; left out for all of them. An empty list wants no machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub machines: Option<BTreeSet<MachineId>>,
    /// And those that work at these sites now, whichever they are; left out for no site. With sites but without
    /// `machines` only theirs are wanted.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    #[cfg_attr(feature = "schema", schema(max_items = 20))]
    pub sites: BTreeSet<String>,
}

impl Wanted {
    /// These machines.
    pub fn only(machines: impl IntoIterator<Item = MachineId>) -> Self {
        Self { machines: Some(machines.into_iter().collect()), sites: BTreeSet::new() }
    }

    /// Whether all machines are wanted.
    #[must_use]
    pub fn is_all(&self) -> bool {
        self.machines.is_none() && self.sites.is_empty()
    }

    /// The set with machines in place of its sites.
    #[must_use]
    pub fn with_sites_as(&self, machines: impl IntoIterator<Item = MachineId>) -> Self {
        if self.sites.is_empty() {
            return self.clone();
        }
        Self::only(self.machines.iter().flatten().copied().chain(machines))
    }

    /// Whether entries about a machine belong to a set without sites; those about none always do.
    #[must_use]
    pub fn takes(&self, machine: Option<MachineId>) -> bool {
        match (&self.machines, machine) {
            (Some(machines), Some(machine)) => machines.contains(&machine),
            _ => true,
        }
    }

    /// Eight bytes that change with the set; part of a cursor.
    #[must_use]
    pub fn hash(&self) -> [u8; 8] {
        let mut bytes = b"pintle/wanted/1\n".to_vec();
        match &self.machines {
            None => bytes.push(0),
            Some(machines) => {
                bytes.push(1);
                machines.iter().for_each(|machine| bytes.extend_from_slice(&machine.0));
            }
        }
        for site in &self.sites {
            bytes.push(b'\n');
            bytes.extend_from_slice(site.as_bytes());
        }
        Hash::of(&[&bytes]).prefix().to_be_bytes()
    }
}

/// Count and sum of what is held of a wanted set, so that any mistake in delivery is seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Digest {
    /// Number of entries.
    pub count: u64,
    /// Sum modulo 2^64 of the first eight bytes of their links, as a decimal text.
    #[serde(with = "u64_text")]
    #[cfg_attr(feature = "schema", schema(value_type = String, pattern = "^[0-9]{1,20}$"))]
    pub sum: u64,
}

impl Digest {
    /// The digest with one more entry.
    #[must_use]
    pub fn with(self, link: &Hash) -> Self {
        Self { count: self.count + 1, sum: self.sum.wrapping_add(link.prefix()) }
    }

    /// The digest of two sets that share nothing.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self { count: self.count + other.count, sum: self.sum.wrapping_add(other.sum) }
    }
}

mod u64_text {
    use serde::{Deserialize, Deserializer, Serializer, de};
    pub fn serialize<S: Serializer>(value: &u64, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(value)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<u64, D::Error> {
        let text = String::deserialize(d)?;
        if !text.bytes().all(|c| c.is_ascii_digit()) {
            return Err(de::Error::custom("expected a whole number as a text"));
        }
        text.parse().map_err(de::Error::custom)
    }
}

/// A person's name, outside the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Person {
    /// The id that entries carry.
    pub id: PersonId,
    /// The name, as its owner wants it shown.
    pub name: String,
}

/// A device of the organisation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct DeviceCard {
    /// The device.
    pub id: DeviceId,
    /// Its short name: `K7` in `K7-412`.
    pub mark: String,
    /// Its public key, so that anyone can check its seals.
    pub key: PublicKey,
    /// Whose it is.
    pub person: PersonId,
    /// Whether it has been revoked.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub revoked: bool,
}

/// Names of people and devices, whole; sent when it has changed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Default)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Directory {
    /// Grows with every change.
    pub version: u64,
    /// Everyone.
    pub people: Vec<Person>,
    /// Every device.
    pub devices: Vec<DeviceCard>,
}

/// One exchange, from the server. Status 200 even when a part was refused.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SyncReply {
    /// Protocol number: 1.
    pub protocol: u32,
    /// The request's random id. A reply without it is not ours.
    pub request: RequestId,
    /// The organisation.
    pub organisation: OrganisationId,
    /// The server's database.
    pub store: StoreId,
    /// Its epoch. If it differs from what the device sent, positions are void: see PROTOCOL.
    pub epoch: u64,
    /// The server's clock, in milliseconds since 1970.
    pub now_ms: i64,
    /// The baton for the next exchange.
    pub baton: Baton,
    /// Where this device's log ends on the server.
    pub log: LogHead,
    /// What became of the push.
    pub push: PushAnswer,
    /// What became of what was carried, if anything was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub carried: Option<CarriedAnswer>,
    /// What there is to hear.
    pub pull: PullAnswer,
    /// Names, if they have changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub directory: Option<Directory>,
    /// Newest checkpoint of the ledger, where the device said which one it holds and this is another.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub checkpoint: Option<CheckpointShown>,
    /// Photos and documents the server still lacks, by hash.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub blobs_wanted: Vec<Hash>,
    /// The least version of a client that should still be used.
    pub client_min: String,
}

/// The checkpoint that a device holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct CheckpointHeld {
    /// Leaves of its tree; 0 if it holds none yet.
    pub size: u64,
    /// The root over these; left out if it holds none yet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub root: Option<Hash>,
}

/// A checkpoint, and what shows that the ledger has only grown since the one that the device holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct CheckpointShown {
    /// The signed note, in the open form (C2SP tlog-checkpoint).
    pub note: String,
    /// The key that signs in this epoch.
    pub key: PublicKey,
    /// The consistency proof (RFC 9162 section 2.1.4) from the size held to this one; empty where none is held, and where
    /// the ledger has no more leaves than that.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub proof: Vec<Hash>,
}

/// What became of a push.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PushAnswer {
    /// The outcome.
    pub outcome: PushOutcome,
    /// Where the pushed entries that the server holds stand in the ledger.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub held: Vec<Receipt>,
    /// Entries set aside: kept, shown, not counted.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub aside: Vec<Aside>,
    /// With `gap`: the number expected next. With `fork`: the first number that differs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub seq: Option<u64>,
    /// With `busy`: seconds to wait before trying again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub retry_after_s: Option<u32>,
}

impl PushAnswer {
    /// An answer that is only an outcome.
    #[must_use]
    pub fn only(outcome: PushOutcome) -> Self {
        Self { outcome, held: Vec::new(), aside: Vec::new(), seq: None, retry_after_s: None }
    }
}

/// The outcomes of a push.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum PushOutcome {
    /// Nothing was pushed.
    None,
    /// All of it is in the ledger now; some of it may have been set aside.
    Accepted,
    /// The server held all of it already.
    AlreadyHeld,
    /// The server lacks entries before these: push from `seq`.
    Gap,
    /// The server holds another entry under a number that was pushed. Both are kept.
    Fork,
    /// The baton is older than the last two: another copy of this device has synced since. What was pushed is kept.
    Copy,
    /// The seal is not this device's over these entries. Nothing was taken.
    BadSeal,
    /// The device has been revoked; what was pushed is set aside for the office to judge.
    Revoked,
    /// The server could not take it now.
    Busy,
    /// Of what was carried only: no device of the organisation made it that the server knows. Nothing was taken.
    UnknownDevice,
    /// Of what was carried only: a part of an entry is withheld that the server does not hold; only a device that has it
    /// can bring it. Nothing was taken.
    Withheld,
}

/// A run of entries of the device and their places in the ledger: entry `from + i` has position `position + i`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Receipt {
    /// First entry.
    pub from: u64,
    /// Last entry.
    pub to: u64,
    /// Position of the first.
    pub position: u64,
    /// When the server received them.
    pub received_ms: i64,
    /// How far the device's clock was off when they were made, where that is marked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub off_s: Option<i64>,
}

/// Why one entry was set aside.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Aside {
    /// Its number in the device's log.
    pub seq: u64,
    /// Stable code.
    pub code: String,
    /// Pointer into the request.
    pub pointer: String,
    /// What is wrong.
    pub detail: String,
}

/// What there is to hear.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PullAnswer {
    /// The outcome.
    pub outcome: PullOutcome,
    /// Entries in order of position.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub entries: Vec<Pulled>,
    /// Seals whose last entry lies in this page.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub seals: Vec<Seal>,
    /// Where to go on; store it together with the page.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub cursor: Option<String>,
    /// The ledger position the cursor stands for: what `seen` is to be from now on.
    pub position: u64,
    /// Whether there is more.
    pub more: bool,
    /// Digest of the wanted set up to `position`.
    pub digest: Digest,
    /// The machines that are wanted now, where sites are: with every page that was asked for without a cursor. A machine
    /// that comes to a site or leaves it makes the cursor void.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub machines: Option<BTreeSet<MachineId>>,
    /// With `refused`: a stable code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub code: Option<String>,
}

/// The outcomes of a pull.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum PullOutcome {
    /// A page, possibly without entries.
    Page,
    /// The cursor is not this ledger's (`code` says why): ask again without one. Nothing is lost by that.
    Refused,
    /// The device may push but not read: it has been revoked.
    Closed,
}

/// One entry of the ledger, on its way to a device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Pulled {
    /// Its position in the ledger.
    pub position: u64,
    /// The device whose log holds it.
    pub device: DeviceId,
    /// Its link in that log.
    pub link: Hash,
    /// When the server received it.
    pub received_ms: i64,
    /// How far the device's clock was off when it was made, where that is marked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub off_s: Option<i64>,
    /// Why it is set aside, if it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub aside: Option<String>,
    /// The entry.
    #[cfg_attr(feature = "schema", schema(value_type = crate::exchange::EntryDocument))]
    pub entry: Entry,
}

impl From<Pulled> for Held {
    fn from(p: Pulled) -> Self {
        Held {
            device: p.device,
            link: p.link,
            position: Some(p.position),
            received_ms: Some(p.received_ms),
            off_s: p.off_s,
            aside: p.aside,
            entry: p.entry,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_digest_adds_up_in_any_order_and_wraps() {
        let links: Vec<Hash> = (0..5u8).map(|i| Hash([0xf0 + i; 32])).collect();
        let forward = links.iter().fold(Digest::default(), |d, l| d.with(l));
        let backward = links.iter().rev().fold(Digest::default(), |d, l| d.with(l));
        assert_eq!(forward, backward);
        assert_eq!(forward.count, 5);
        let text = serde_json::to_string(&forward).expect("JSON");
        assert_eq!(serde_json::from_str::<Digest>(&text).expect("reads back"), forward);
        assert!(serde_json::from_str::<Digest>(r#"{"count":1,"sum":"+5"}"#).is_err());
        assert!(serde_json::from_str::<Digest>(r#"{"count":1,"sum":5}"#).is_err());
    }

    #[test]
    fn a_wanted_set_changes_its_hash() {
        let all = Wanted::default();
        let none = Wanted::only([]);
        let one = Wanted::only([MachineId([1; 16])]);
        let site = Wanted { machines: None, sites: ["north".to_owned()].into() };
        let sets = [all, none, one.clone(), site.clone(), Wanted { sites: site.sites, ..one }];
        let hashes: BTreeSet<_> = sets.iter().map(Wanted::hash).collect();
        assert_eq!(hashes.len(), sets.len());
    }
}
