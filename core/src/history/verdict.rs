//! What a verifier found, in words.
//!
//! Promises: a failure names its place as people say it (`K7-412`), and what is wrong there; its code is stable. The
//! list of what no file can prove is part of every verdict.

use super::stamped::Tally;
use crate::proof::note::Signer;
use std::fmt;

/// What nobody should read into a file, however well it verifies.
pub const NOT_PROVED: [&str; 9] = [
    "that the work was done, or done well",
    "who held the device",
    "what was never recorded",
    "the exact moment of an entry made offline: only that the server had it by the time of receipt it claims",
    "that a reading is true",
    "that names of people and of the organisation are right: they are as the file says them",
    "anything but what time stamps show, if one party holds the server, all devices and all who co-signed",
    "that the machine was not recorded under a second name: compare the serial number",
    "anything after the checkpoint of this file",
];

/// The outcome.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// All of it is there, and nothing was changed; signed by the key that was asked for.
    Valid,
    /// Nothing is wrong with it, but it was not said which key must have signed it: anyone can make such a file.
    CannotJudge,
    /// What is there was not changed, but something is missing.
    Incomplete,
    /// Something was changed, or is not signed by whom it should be.
    Invalid,
}

impl Standing {
    /// The exit code of a program that says so.
    #[must_use]
    pub fn exit_code(self) -> u8 {
        match self {
            Self::Valid => 0,
            Self::Invalid => 1,
            Self::Incomplete => 2,
            Self::CannotJudge => 3,
        }
    }

    /// One word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Valid => "valid",
            Self::Invalid => "invalid",
            Self::Incomplete => "incomplete",
            Self::CannotJudge => "cannot judge",
        }
    }
}

/// The kinds of failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Code {
    /// A line is not of the form that it must have.
    DamagedLine,
    /// The file is of a version that this program does not know.
    UnknownVersion,
    /// A key is not vouched for by the one before it.
    KeyNotVouched,
    /// None of the file's keys is the one that was asked for.
    UnknownSigner,
    /// The checkpoint is not signed by the file's newest key.
    CheckpointNotSigned,
    /// A co-signature is not the witness's.
    WitnessFalse,
    /// A time stamp is not of these entries, or not the authority's that it should be of.
    StampFalse,
    /// The roll is not under the checkpoint.
    RollNotProved,
    /// The roll does not say that of this machine.
    CountNotProved,
    /// A device's id is not that of its key.
    DeviceNotOfKey,
    /// An entry does not lead to its link.
    EntryAltered,
    /// An entry is of another machine, or has another number than its place.
    EntryMisplaced,
    /// The seal is not the device's.
    SealFalse,
    /// A batch does not lead to the machine's root as it was then.
    BatchAltered,
    /// Entries of a device come twice or out of order.
    OutOfOrder,
    /// Entries are missing.
    EntriesMissing,
    /// There are more entries than the roll counts.
    EntriesAdded,
    /// The file ends before its end.
    FileCut,
}

impl Code {
    /// As it is written.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::DamagedLine => "damaged-line",
            Self::UnknownVersion => "unknown-version",
            Self::KeyNotVouched => "key-not-vouched",
            Self::UnknownSigner => "unknown-signer",
            Self::CheckpointNotSigned => "checkpoint-not-signed",
            Self::WitnessFalse => "witness-false",
            Self::StampFalse => "stamp-false",
            Self::RollNotProved => "roll-not-proved",
            Self::CountNotProved => "count-not-proved",
            Self::DeviceNotOfKey => "device-not-of-key",
            Self::EntryAltered => "entry-altered",
            Self::EntryMisplaced => "entry-misplaced",
            Self::SealFalse => "seal-false",
            Self::BatchAltered => "batch-altered",
            Self::OutOfOrder => "out-of-order",
            Self::EntriesMissing => "entries-missing",
            Self::EntriesAdded => "entries-added",
            Self::FileCut => "file-cut",
        }
    }

    /// What a file is with such a failure.
    #[must_use]
    pub fn standing(self) -> Standing {
        match self {
            Self::EntriesMissing | Self::FileCut => Standing::Incomplete,
            Self::UnknownVersion => Standing::CannotJudge,
            _ => Standing::Invalid,
        }
    }
}

/// Something that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// The kind.
    pub code: Code,
    /// Number of the line, from 1; after the last one if something is missing at the end.
    pub line: u64,
    /// What is wrong, and where.
    pub told: String,
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} (line {}, {})", self.told, self.line, self.code.as_str())
    }
}

/// Someone who has signed the checkpoint beside the server: whoever that is, the file itself brings the key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Witness {
    /// The name and the key. A stranger's until the reader knows it another way.
    pub signer: Signer,
    /// When, by its own clock, in seconds since 1970.
    pub time_s: u64,
}

/// What the file is of, as far as it could be read.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct About {
    /// What the organisation calls itself.
    pub organisation: String,
    /// The machine's id.
    pub machine: String,
    /// What is withheld.
    pub withheld: Vec<String>,
    /// Entries about the machine.
    pub entries: u64,
    /// Of these, entries that stand aside.
    pub aside: u64,
    /// Of these, entries with a part that is withheld.
    pub with_withheld: u64,
    /// Devices.
    pub devices: u64,
    /// The earliest and the latest claimed time, as written.
    pub claimed: Option<(String, String)>,
    /// The longest time between a claimed time and the receipt, in seconds, and the entry.
    pub longest_gap: Option<(i64, String)>,
    /// Entries that claim a time after their receipt.
    pub ahead: u64,
    /// When the checkpoint was made, by the server's clock, in milliseconds since 1970.
    pub checkpoint_ms: Option<i64>,
    /// Who else has signed it.
    pub witnesses: Vec<Witness>,
    /// What outside clocks say.
    pub stamps: Tally,
    /// The key that signed it, in base64url, if it did.
    pub signer: Option<String>,
}

/// The verdict.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verdict {
    /// The outcome.
    pub standing: Standing,
    /// What is wrong, in order of place; the first hundred.
    pub failures: Vec<Failure>,
    /// How many more there are.
    pub failures_more: u64,
    /// What the file is of.
    pub about: About,
}
