//! The words of administration: who does it, and what there is to do.
//!
//! Promises: every write of these names its [`Actor`] and is written down in the ledger in the same transaction, in the
//! server's own log (see `pintle_core::scribe`), so that none is left unsaid.

use pintle_core::fact::administration::Shown;
use pintle_core::ids::{Baton, CodeId, DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey, ShareId};
use pintle_core::permission::Role;
use std::collections::BTreeSet;

/// Who has something done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Actor {
    /// The organisation it is done in.
    pub organisation: OrganisationId,
    /// The person; [`PersonId::OPERATOR`] at the server's console.
    pub person: PersonId,
}

impl Actor {
    /// Whoever runs the server's program.
    #[must_use]
    pub fn operator(organisation: OrganisationId) -> Self {
        Self { organisation, person: PersonId::OPERATOR }
    }

    /// Whether it is done at the server's console, where there is always a way back in.
    #[must_use]
    pub fn is_operator(self) -> bool {
        self.person == PersonId::OPERATOR
    }
}

/// A code that may still be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenCode {
    /// Which.
    pub code: CodeId,
    /// What it makes of whom it lets in.
    pub role: Role,
    /// When it was made, in milliseconds since 1970.
    pub made_ms: i64,
    /// Until when it may be used.
    pub expires_ms: i64,
}

/// How a person's device stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceStanding {
    /// The device.
    pub device: DeviceId,
    /// Its short name.
    pub mark: String,
    /// Its person.
    pub person: PersonId,
    /// Its role.
    pub role: Role,
    /// Whether it has been revoked.
    pub revoked: bool,
    /// Entries of its log that the ledger holds.
    pub entries: u64,
    /// When it was let in, in milliseconds since 1970.
    pub enrolled_ms: i64,
    /// When it last exchanged something.
    pub last_ms: Option<i64>,
}

/// What is to change about a device.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DeviceChange {
    /// Its new short name.
    pub mark: Option<String>,
    /// Its new role.
    pub role: Option<Role>,
}

/// What became of a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Changed {
    /// It was made.
    Done,
    /// Everything was like that already; nothing was written.
    Already,
    /// The organisation has no such device of a person.
    NoSuchDevice,
    /// Another device has the short name, or had it once.
    MarkTaken,
    /// Nobody would be left who may do everything.
    LastOwner,
}

/// A key that goes on for a device's; both signatures have been verified.
#[derive(Debug, Clone, Copy)]
pub struct Follow {
    /// The organisation.
    pub organisation: OrganisationId,
    /// The device whose key vouches.
    pub old: DeviceId,
    /// The new key.
    pub key: PublicKey,
    /// Whether the old device ends with it: its key is not to be used any more.
    pub ends: bool,
    /// The new device's first baton.
    pub baton: Baton,
    /// Now.
    pub now_ms: i64,
}

/// A link with which an outsider reads one machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Share {
    /// SHA-256 of what the link holds.
    pub hash: Hash,
    /// The organisation.
    pub organisation: OrganisationId,
    /// The machine.
    pub machine: MachineId,
    /// What it shows beside the record.
    pub shows: BTreeSet<Shown>,
    /// Who made it.
    pub made_by: PersonId,
    /// When, in milliseconds since 1970.
    pub made_ms: i64,
    /// Until when it may be used.
    pub until_ms: i64,
    /// When it was ended before that.
    pub ended_ms: Option<i64>,
    /// How often it has been opened.
    pub opened_count: u64,
    /// When last.
    pub opened_ms: Option<i64>,
}

impl Share {
    /// Its id.
    #[must_use]
    pub fn id(&self) -> ShareId {
        ShareId::of_hash(&self.hash)
    }

    /// Whether it may be used at a moment.
    #[must_use]
    pub fn is_open(&self, now_ms: i64) -> bool {
        self.ended_ms.is_none() && now_ms < self.until_ms
    }
}

/// What is wanted of a new link.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewShare {
    /// SHA-256 of what the link holds.
    pub hash: Hash,
    /// The machine.
    pub machine: MachineId,
    /// What it shows beside the record.
    pub shows: BTreeSet<Shown>,
    /// Until when it may be used, in milliseconds since 1970.
    pub until_ms: i64,
}
