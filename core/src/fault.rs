//! One fault in outside bytes: a stable code, where it is, and what is wrong.
//!
//! Promises: `code` never changes once released; `pointer` is an RFC 6901 JSON pointer into the text that was
//! read, so that a program can show the place. Never holds the offending value itself: faults may be logged.

use serde::{Deserialize, Serialize};

/// What is wrong with an input, and where.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{code} at {pointer:?}: {detail}")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Fault {
    /// Stable code, a slug such as `out-of-range`.
    pub code: String,
    /// RFC 6901 pointer to the place; empty for the whole text.
    pub pointer: String,
    /// One sentence for a developer or the office.
    pub detail: String,
}

/// Codes of faults that make an entry stand aside, and of refused input. Slugs, stable once released.
pub mod code {
    /// Not JSON, too deep, a duplicate key, or not UTF-8.
    pub const MALFORMED_JSON: &str = "malformed-json";
    /// JSON, but a number that is no whole number within ±(2^53−1), so that it has no canonical bytes here.
    pub const NOT_CANONICAL: &str = "not-canonical";
    /// A text holds U+0000 or another character that must not be stored.
    pub const BAD_TEXT: &str = "bad-text";
    /// A required field is missing or has the wrong type.
    pub const MALFORMED_ENTRY: &str = "malformed-entry";
    /// A number or text outside its limits.
    pub const OUT_OF_RANGE: &str = "out-of-range";
    /// A time that is no RFC 3339 time to the second between 1970 and 9998.
    pub const BAD_TIME: &str = "bad-time";
    /// The link before the first entry cannot be that device's.
    pub const CHAIN_MISMATCH: &str = "chain-mismatch";
    /// The entry is larger than an entry may be.
    pub const ENTRY_TOO_LARGE: &str = "entry-too-large";
    /// The device's running count for this machine jumps or repeats.
    pub const MACHINE_SEQUENCE_GAP: &str = "machine-sequence-gap";
    /// The device that made the entry had been revoked before it pushed it.
    pub const DEVICE_REVOKED: &str = "device-revoked";
    /// The author's role may not make an entry of this kind, or only the server may.
    pub const NOT_PERMITTED: &str = "not-permitted";
    /// An outside document is not of the form it should have.
    pub const MALFORMED_DOCUMENT: &str = "malformed-document";
    /// An outside document is larger than one may be.
    pub const PAYLOAD_TOO_LARGE: &str = "payload-too-large";
    /// The name of a file is empty, too long, or holds a control character.
    pub const BAD_FILENAME: &str = "bad-filename";
    /// A file is not of the form of its media type to its very end, or is of none that can be kept.
    pub const BAD_FILE: &str = "bad-file";
    /// The entry names a target that cannot be corrected, struck or settled that way.
    pub const BAD_TARGET: &str = "bad-target";
    /// An amount of money has more digits than a bill may have.
    pub const AMOUNT_OVERFLOW: &str = "amount-overflow";
}

impl Fault {
    /// A fault at `pointer`.
    pub fn new(code: &str, pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        Self { code: code.to_owned(), pointer: pointer.into(), detail: detail.into() }
    }

    /// The same fault seen from one level up: `prefix` is put before the pointer.
    #[must_use]
    pub fn under(mut self, prefix: &str) -> Self {
        self.pointer = format!("{prefix}{}", self.pointer);
        self
    }
}
