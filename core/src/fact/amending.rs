//! What people say about what was recorded: corrections, strikes, releases, settlements.
//!
//! Promises: each names the entries it is about and changes none of them; what follows from it is worked out in
//! `crate::book` and `crate::release`. Never a fact about a machine itself.

use crate::entry::EntryRef;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// `corrected`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Corrected {
    /// The entry that is corrected: never a correction, strike or settlement.
    pub target: EntryRef,
    /// RFC 6901 pointer to the field: `/head/at`, `/head/by`, `/words/text`, or below `/body/`.
    pub field: String,
    /// The value it should have had; null for none.
    pub value: Value,
}

/// `struck`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Struck {
    /// The entry that is struck through. Striking a strike or a correction undoes it.
    pub target: EntryRef,
}

/// `released`: an entry that was set aside counts from now on. Why is in the words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Released {
    /// The entry that counts. Striking the release sets it aside again.
    pub target: EntryRef,
}

/// How a clash or twin is settled.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Choice {
    /// What this entry says stands.
    Entry(EntryRef),
    /// Of a twin: one piece of work, recorded twice. Of two machines: one machine, added twice.
    Same,
    /// Of a twin: both happened. Of two machines: two machines.
    Both,
}

/// `settled`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Settled {
    /// What the disagreement is about; see [`crate::clash`].
    pub matter: String,
    /// The entries that disagree.
    pub over: Vec<EntryRef>,
    /// The decision.
    pub choice: Choice,
}
