//! What the server itself writes down: who was let in, changed, revoked, what was shown to outsiders, and what the
//! office wrote and billed.
//!
//! Promises: these kinds count only in the server's own log; from any other device such an entry stands aside. They
//! name codes and links by ids that let nobody in, and from which no code can be found by trying.

use super::Fact;
use crate::ids::{CodeId, DeviceId, MachineId, OfficeId, PublicKey, ShareId};
use crate::moment::Moment;
use crate::permission::{Right, Role};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// `code_made`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CodeMade {
    /// Which code.
    pub code: CodeId,
    /// What it makes of whom it lets in.
    pub role: Role,
    /// Until when it may be used.
    pub until: Moment,
}

/// `code_cancelled`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CodeCancelled {
    /// Which code.
    pub code: CodeId,
}

/// `device_enrolled`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceEnrolled {
    /// The device.
    pub device: DeviceId,
    /// Its public key: from here on it vouches for the device's entries.
    pub key: PublicKey,
    /// Its short name.
    pub mark: String,
    /// Its role.
    pub role: Role,
    /// The code that let it in; none where the key of another device vouched for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeId>,
    /// The device that goes on in this one, if a device's key was changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follows: Option<DeviceId>,
}

/// `device_changed`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceChanged {
    /// The device.
    pub device: DeviceId,
    /// Its new short name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<String>,
    /// Its new role.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
}

/// `device_revoked`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviceRevoked {
    /// The device.
    pub device: DeviceId,
}

/// What an outsider may see beside the machine's record itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Shown {
    /// Names of people.
    Names,
    /// What people wrote in their own words.
    Words,
}

/// `share_made`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShareMade {
    /// Which link.
    pub share: ShareId,
    /// The machine it shows.
    pub machine: MachineId,
    /// Until when it may be used.
    pub until: Moment,
    /// What it shows beside the record.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub shows: BTreeSet<Shown>,
}

/// `share_ended`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShareEnded {
    /// Which link.
    pub share: ShareId,
}

/// `office_written`: what was written stands in the office part, see [`crate::bill::written`].
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct OfficeWritten {}

/// `bill_issued`: number, digest and sums stand in the office part, see [`crate::bill::written`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BillIssued {
    /// Which invoice or credit note.
    pub bill: OfficeId,
}

/// What an author must be for an entry of a kind to count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Someone with this right.
    Right(Right),
    /// The server itself.
    Server,
}

/// What an entry of this kind needs of its author.
#[must_use]
pub fn need(kind: &str) -> Need {
    match kind {
        "code_made" | "code_cancelled" | "device_enrolled" | "device_changed" | "device_revoked" | "share_made"
        | "share_ended" | "office_written" | "bill_issued" => Need::Server,
        "released" => Need::Right(Right::Release),
        _ => Need::Right(Right::Record),
    }
}

impl Fact {
    /// Whether it is something the server writes down about itself, and about no machine.
    #[must_use]
    pub fn is_administration(&self) -> bool {
        matches!(
            self,
            Fact::CodeMade(_)
                | Fact::CodeCancelled(_)
                | Fact::DeviceEnrolled(_)
                | Fact::DeviceChanged(_)
                | Fact::DeviceRevoked(_)
                | Fact::ShareMade(_)
                | Fact::ShareEnded(_)
                | Fact::OfficeWritten(_)
                | Fact::BillIssued(_)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_server_alone_may_write_is_what_administration_is() {
        let device = DeviceId([1; 16]);
        let fact = Fact::DeviceRevoked(DeviceRevoked { device });
        let (kind, _) = fact.write().expect("it is written");
        assert!(fact.is_administration());
        assert_eq!(need(kind), Need::Server);
        let note = Fact::NoteLeft(crate::fact::NoteLeft::default());
        assert!(!note.is_administration());
        assert_eq!(need("note_left"), Need::Right(Right::Record));
        assert_eq!(need("finding_cleared"), Need::Right(Right::Record), "which findings it may clear, the device asks");
        assert_eq!(need("released"), Need::Right(Right::Release));
        assert_eq!(need("a_kind_of_later"), Need::Right(Right::Record));
    }
}
