//! What goes into a sync session and what comes out: the state that is stored, inputs, effects, notices and ends.
//!
//! Promises: plain data; whoever runs a session stores and sends exactly this.

use crate::chain::{LogHead, Seal};
use crate::exchange::{
    Aside, Carried, CarriedAnswer, CheckpointShown, ClockSample, Digest, Directory, Person, Pulled, Push, Receipt,
    SyncReply, SyncRequest, Wanted,
};
use crate::fault::Fault;
use crate::ids::{Baton, DeviceId, MachineId, OrganisationId, RequestId, StoreId};
use crate::proof::watch::{HeldCheckpoint, NotShown};
use std::collections::{BTreeMap, BTreeSet};

/// What a device has stored about sync. Loaded at the start and after every [`Effect::Apply`].
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// The organisation it is enrolled in.
    pub organisation: OrganisationId,
    /// The device.
    pub device: DeviceId,
    /// The server's database as last seen.
    pub store: StoreId,
    /// Its epoch.
    pub epoch: u64,
    /// The baton of the last reply applied.
    pub baton: Baton,
    /// The cursor of the last page stored.
    pub cursor: Option<String>,
    /// The position the cursor stands for.
    pub position: u64,
    /// Digest of the entries held with positions up to `position`.
    pub digest: Digest,
    /// Where the device's own log ends.
    pub log: LogHead,
    /// Number of the first own entry that has no position yet.
    pub first_unplaced: Option<u64>,
    /// The server's end of this device's log is ahead: the tail was lost. Recording waits until it is back.
    pub recover: Option<LogHead>,
    /// Pushing waits for a person: two copies of this device are in use.
    pub copied: bool,
    /// Version of the directory held.
    pub directory: u64,
    /// Page size in bytes that worked last.
    pub bytes_max: u32,
    /// Runs of other devices' entries that came by carry and are not known to be with the server, by device.
    pub carried: BTreeMap<DeviceId, u64>,
    /// The checkpoint held of that database and epoch.
    pub checkpoint: Option<HeldCheckpoint>,
}

/// What the caller loads for one request.
#[derive(Debug, Clone, PartialEq)]
pub struct Outgoing {
    /// Random.
    pub request: RequestId,
    /// The device's clocks now.
    pub clock: ClockSample,
    /// The entries asked for, sealed; none if there are none.
    pub push: Option<Push>,
    /// The run of another device that was asked for, and where it ends; none if there is none.
    pub carried: Option<(Carried, LogHead)>,
    /// People with ids of this device's making that the directory does not have yet.
    pub people: Vec<Person>,
    /// The wanted set, if it has changed since the last exchange.
    pub wanted: Option<Wanted>,
}

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// Start.
    Begin(Standing),
    /// [`Effect::Load`] is done.
    Loaded(Box<Outgoing>),
    /// A reply came.
    Replied(Box<SyncReply>),
    /// No reply of ours came.
    Failed(NetworkFailure),
    /// The server refused the whole request.
    Refused(Refusal),
    /// [`Effect::Apply`] is stored.
    Applied(Standing),
    /// [`super::check_page`] found that the page cannot be true; nothing was stored.
    Distrusted(Fault),
    /// [`Effect::Wait`] is over.
    Waited,
}

/// How the network failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NetworkFailure {
    /// No connection: no signal.
    Unreachable,
    /// A connection, but no whole reply in time.
    TimedOut,
    /// A reply, but not from our server: a portal, a proxy, a cache.
    NotOurs,
    /// A server whose certificate this device does not believe: a portal, somebody in between, or a root of one's own
    /// that the device was not given.
    Untrusted,
}

/// A refusal of the whole request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// Stable problem code.
    pub code: String,
    /// Sentence for the person.
    pub detail: String,
    /// Seconds to wait, if the server says that waiting helps.
    pub retry_after_s: Option<u32>,
}

/// What the caller is to do.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// Load a request: own entries from `from` on, at most `bytes_max` of canonical bytes (at least one entry) and
    /// `entries_max`; sealed. Then [`Input::Loaded`].
    Load {
        /// First own entry to push; none to push nothing.
        from: Option<u64>,
        /// Budget in bytes.
        bytes_max: u32,
        /// Budget in entries.
        entries_max: usize,
        /// The other device whose first waiting run is to go along; none if nothing is to be carried.
        carried: Option<DeviceId>,
    },
    /// Sign the body with the device key and send it. Then [`Input::Replied`], [`Input::Failed`] or [`Input::Refused`].
    Send(Box<SyncRequest>),
    /// Store all of it in one transaction, after [`super::check_page`]. Then [`Input::Applied`] or [`Input::Distrusted`].
    Apply(Box<Apply>),
    /// Show a notice and keep it.
    Tell(Notice),
    /// Wait. Then [`Input::Waited`].
    Wait {
        /// Milliseconds.
        ms: u64,
    },
    /// The session is over.
    Stop(Stop),
}

/// What one reply changes on the device. In this order: void, receipts, entries, cursor.
#[derive(Debug, Clone, PartialEq)]
pub struct Apply {
    /// Forget all positions, received times and the cursor first: the ledger is another one than it was.
    pub void: bool,
    /// Start over with the cursor: forget it and set position and digest to nothing, but keep what is held.
    pub rewind: bool,
    /// Server's database.
    pub store: StoreId,
    /// Its epoch.
    pub epoch: u64,
    /// Baton for the next exchange.
    pub baton: Baton,
    /// Own entries that now have positions.
    pub receipts: Vec<Receipt>,
    /// Own entries that stand aside.
    pub asides: Vec<Aside>,
    /// What became of a run that was carried, and where that run ends.
    pub carried: Option<(CarriedAnswer, LogHead)>,
    /// Entries of the ledger. Those already held only gain position, times and standing.
    pub entries: Vec<Pulled>,
    /// Seals of other devices.
    pub seals: Vec<Seal>,
    /// The new cursor and the position it stands for; none to leave it.
    pub cursor: Option<(String, u64)>,
    /// The machines that the sites wanted come to, from this page on.
    pub machines: Option<BTreeSet<MachineId>>,
    /// Names.
    pub directory: Option<Directory>,
    /// New value of [`Standing::recover`]; the caller stores none once its own log reaches that number.
    pub recover: Option<LogHead>,
    /// New value of [`Standing::copied`].
    pub copied: bool,
    /// The checkpoint to hold from now on, in place of the one of that database and epoch.
    pub checkpoint: Option<HeldCheckpoint>,
    /// What was shown in its place and does not follow from it, to be kept beside it.
    pub evidence: Option<(NotShown, CheckpointShown)>,
    /// Page size that worked.
    pub bytes_max: u32,
    /// The server's clock, in milliseconds since 1970.
    pub now_ms: i64,
}

/// What a person must hear.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// The server's ledger was restored or replaced; everything this device holds is offered again.
    LedgerChanged,
    /// This device's log on the server is longer than here: entries are pulled back.
    TailLost {
        /// Last own entry held here.
        here: u64,
        /// Last own entry on the server.
        there: u64,
    },
    /// Another entry stands on the server under a number of this log; both are kept.
    Forked {
        /// The first number that differs.
        seq: u64,
    },
    /// Another copy of this device has synced since; what was pushed is kept by the server beside the ledger.
    Copied,
    /// What came by carry from another device contradicts the ledger; the server keeps it beside the ledger.
    CarriedForked {
        /// The device that made it.
        device: DeviceId,
        /// The first number that differs.
        seq: u64,
    },
    /// This copy of the device goes on as a device of its own, under a key that the old one vouched for. The caller
    /// tells it, for it is the caller that makes the key.
    GoesOn {
        /// Its short name from now on.
        mark: String,
    },
    /// The device has been revoked; its entries are set aside for the office to judge.
    Revoked,
    /// Entries of this device were set aside.
    SetAside(Vec<Aside>),
    /// What was delivered did not add up; everything is pulled again.
    Repairing,
    /// The server's checkpoint cannot be what it says, and none is held that it could be put beside: it is not held.
    CheckpointRefused(NotShown),
    /// The server wants a newer program.
    UpdateWanted {
        /// Least version.
        client_min: String,
    },
}

/// How a session ended. Nothing recorded is lost in any of them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stop {
    /// All is out and all is in.
    Done,
    /// So it is; but the ledger's checkpoint does not follow from the one that this device holds: what it had seen of the
    /// ledger is gone or another. Both are kept.
    Rewritten(NotShown),
    /// No signal.
    NoSignal(NetworkFailure),
    /// The server refused the request.
    Refused(Refusal),
    /// Three exchanges brought nothing forward although work remains.
    Stalled,
    /// The device may push, not read.
    Closed,
    /// The server delivered what cannot be true; the device keeps its own.
    Distrusted(Fault),
    /// What is pulled is in; pushing waits for a person because two copies of the device are in use.
    Held,
}

/// Counts of a session, for the person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Own entries placed in the ledger.
    pub sent: u64,
    /// Entries of others, brought by carry, placed in the ledger.
    pub carried: u64,
    /// Entries of others received.
    pub received: u64,
    /// Exchanges made.
    pub exchanges: u64,
}
