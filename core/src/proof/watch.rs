//! What a device makes of the checkpoint that a server shows it, beside the last one that it holds.
//!
//! Promises: a checkpoint takes the place of the one held only where it is signed by the key that signed that one, is not
//! smaller, and is shown to have it as its beginning; the first of a ledger is believed, as nothing stands against it.
//! So a ledger that was rewritten anywhere below a checkpoint that a device holds cannot be shown to that device.
//!
//! Never: I/O, a clock. What to do about a checkpoint that is not shown is for the caller.

use super::checkpoint::Checkpoint;
use super::merkle::{empty_root, verify_consistency};
use super::note::{NOTE_BYTES_MAX, Note};
use crate::exchange::{CheckpointHeld, CheckpointShown};
use crate::ids::{Hash, PublicKey};

/// A checkpoint that a device holds of a ledger in an epoch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeldCheckpoint {
    /// The key that signed it, and has to sign all that follow in the epoch.
    pub key: PublicKey,
    /// The note as it came.
    pub note: String,
    /// Leaves of the tree.
    pub size: u64,
    /// Root over them.
    pub root: Hash,
}

impl HeldCheckpoint {
    /// Reads a note that is signed by `key` for `origin`; none if it is not.
    #[must_use]
    pub fn open(origin: &str, key: PublicKey, note: &str) -> Option<Self> {
        let Checkpoint { size, root, .. } = Checkpoint::open(note, origin, &key)?;
        // Of a tree without leaves there is one root, and nothing could ever be compared with it.
        (size > 0 && root != empty_root()).then(|| Self { key, note: note.to_owned(), size, root })
    }

    /// As an exchange names it.
    #[must_use]
    pub fn named(&self) -> CheckpointHeld {
        CheckpointHeld { size: self.size, root: Some(self.root) }
    }
}

/// Why a checkpoint does not show that the ledger has only grown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotShown {
    /// It is no checkpoint of this ledger and epoch.
    Unreadable,
    /// Another key is said to sign than the one before.
    OtherKey,
    /// The key has not signed it.
    Unsigned,
    /// It is smaller than the one held.
    Smaller,
    /// It has as many leaves, and another root.
    OtherRoot,
    /// What came as proof does not lead from the one held to it.
    FalseProof,
}

impl NotShown {
    /// Every reason.
    pub const ALL: [Self; 6] =
        [Self::Unreadable, Self::OtherKey, Self::Unsigned, Self::Smaller, Self::OtherRoot, Self::FalseProof];

    /// The stable name.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Unreadable => "unreadable",
            Self::OtherKey => "other-key",
            Self::Unsigned => "unsigned",
            Self::Smaller => "smaller",
            Self::OtherRoot => "other-root",
            Self::FalseProof => "false-proof",
        }
    }

    /// The reason with a name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|why| why.as_str() == name)
    }
}

/// What a device makes of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Watched {
    /// The first of this ledger and epoch: it is believed and held.
    First(HeldCheckpoint),
    /// The one held already.
    Unchanged,
    /// It has the one held as its beginning, and is held from now on.
    Grown(HeldCheckpoint),
    /// That it has only grown is not shown: the one held stays.
    NotShown(NotShown),
}

/// Judges what a server shows of the ledger named `origin`, of which `held` is held.
#[must_use]
pub fn watch(origin: &str, held: Option<&HeldCheckpoint>, shown: &CheckpointShown) -> Watched {
    if let Some(held) = held
        && held.key != shown.key
    {
        return Watched::NotShown(NotShown::OtherKey);
    }
    let read = (shown.note.len() <= NOTE_BYTES_MAX).then(|| Note::read(&shown.note)).flatten();
    let of_this = read.and_then(|note| Checkpoint::read(&note.text)).is_some_and(|read| read.origin == origin);
    if !of_this {
        return Watched::NotShown(NotShown::Unreadable);
    }
    let Some(newer) = HeldCheckpoint::open(origin, shown.key, &shown.note) else {
        return Watched::NotShown(NotShown::Unsigned);
    };
    let Some(held) = held else { return Watched::First(newer) };
    match newer.size.cmp(&held.size) {
        std::cmp::Ordering::Less => Watched::NotShown(NotShown::Smaller),
        std::cmp::Ordering::Equal if newer.root == held.root => Watched::Unchanged,
        std::cmp::Ordering::Equal => Watched::NotShown(NotShown::OtherRoot),
        std::cmp::Ordering::Greater => {
            match verify_consistency(held.size, newer.size, &shown.proof, &held.root, &newer.root) {
                true => Watched::Grown(newer),
                false => Watched::NotShown(NotShown::FalseProof),
            }
        }
    }
}
