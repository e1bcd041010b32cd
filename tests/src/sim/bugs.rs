//! Mistakes that can be built in on purpose, so that the simulator shows that it would see them.
//!
//! Promises: each is a mistake somebody could make; each names the oracle that must catch it. Never on by default.

use super::oracles::Oracle;

/// A mistake built in on purpose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bug {
    /// The server answers a push before it is committed, and the commit does not come.
    AcknowledgesBeforeCommit,
    /// The server takes a fork for something it holds: "on conflict do nothing".
    HidesForks,
    /// The server takes every baton for the current one.
    TrustsEveryBaton,
    /// The server's page skips the row it ends at.
    SkipsRowAtPageEnd,
    /// The device counts an entry as placed once it has been sent.
    PlacesWhatItSent,
    /// The device stores the cursor of a page without its entries.
    MovesCursorWithoutPage,
    /// The device stores a page in one transaction and its cursor in another that is lost at times.
    StoresCursorApart,
    /// The device gives the entries of a page their places in the wrong order.
    MixesUpPlaces,
    /// The device forgets to start over when it is told to.
    ForgetsRewind,
    /// The device keeps old places when the ledger went back.
    ForgetsVoid,
    /// A device that goes on under a new key leaves behind what had no place yet.
    LeavesWorkBehind,
    /// A device that goes on under a new key records once more what has a place already.
    CarriesWorkTwice,
    /// The device throws away the seals of others.
    LosesSeals,
    /// The device forgets which entries stand aside.
    ForgetsAside,
    /// An entry about a machine that is not wanted says it was made in the knowledge of all that the cursor has passed.
    SeesWhatItDoesNotWant,
    /// The device goes on with the machines that a site had when it was told of them first.
    KeepsMachinesOfSite,
    /// A person is not told when copies of a device are in use.
    KeepsQuiet,
    /// What came by carry is shown, and never brought to the server.
    CarriesNothingOn,
}

impl Bug {
    /// All of them, each with the oracle that must catch it.
    pub const ALL: [(Bug, Oracle); 18] = [
        // Devices offer again what a ledger has lost, so nothing is; but a ledger that goes on is told of as one that changed.
        (Bug::AcknowledgesBeforeCommit, Oracle::Told),
        (Bug::HidesForks, Oracle::NothingLost),
        (Bug::TrustsEveryBaton, Oracle::Told),
        (Bug::SkipsRowAtPageEnd, Oracle::Liveness),
        (Bug::PlacesWhatItSent, Oracle::NothingLost),
        (Bug::MovesCursorWithoutPage, Oracle::Liveness),
        (Bug::StoresCursorApart, Oracle::SameDigests),
        (Bug::MixesUpPlaces, Oracle::SameAsServer),
        (Bug::ForgetsRewind, Oracle::Liveness),
        (Bug::ForgetsVoid, Oracle::NothingLost),
        (Bug::LeavesWorkBehind, Oracle::NothingLost),
        (Bug::CarriesWorkTwice, Oracle::NothingTwice),
        (Bug::LosesSeals, Oracle::Proofs),
        (Bug::ForgetsAside, Oracle::AnyOrder),
        (Bug::SeesWhatItDoesNotWant, Oracle::SameAsServer),
        (Bug::KeepsMachinesOfSite, Oracle::Liveness),
        (Bug::KeepsQuiet, Oracle::Told),
        (Bug::CarriesNothingOn, Oracle::NothingLost),
    ];
}
