//! Disagreements as lasting values: clashes, twins, and their ids.
//!
//! Promises: an id is computed from what disagrees, so that every device gives one disagreement one id; nothing here
//! decides which side is right. What disagrees is named by a *matter*, a text:
//!
//! | matter | the entries that disagree |
//! |---|---|
//! | `field:DEVICE:SEQ:POINTER` | corrections of one field of one entry |
//! | `strike:DEVICE:SEQ` | a strike and corrections of one entry |
//! | `attribute:NAME` | values of a machine's attribute |
//! | `finding:DEVICE:SEQ` | ends of one finding: mended, or no fault |
//! | `plan` | plans of one machine |
//! | `reading:METER` | two readings that cannot both be true |
//! | `task:TASK` | a twin: two records of one task at one time |
//! | `machine` | a twin: two machines that are probably one |
//! | `settlement:ID` | settlements of one clash |

use crate::canonical;
use crate::entry::EntryRef;
use crate::ids::{ClashId, Hash, PersonId};
use crate::moment::Moment;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

/// One side of a disagreement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Side {
    /// The entry that says so.
    pub entry: EntryRef,
    /// When, as its author claims.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = DateTime))]
    pub at: Moment,
    /// Its author.
    pub by: PersonId,
    /// What it says.
    pub value: Value,
}

/// Two or more entries, none of whose authors had seen the others', that say different things about one matter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Clash {
    /// Computed from `matter` and the entries.
    pub id: ClashId,
    /// The id's first 30 bits, for people.
    pub short: String,
    /// What it is about.
    pub matter: String,
    /// The sides, in order of entry.
    pub sides: Vec<Side>,
    /// The entry whose value is used until someone settles it: the one with the latest time.
    pub used: EntryRef,
}

/// Two entries that probably record the same thing once. Counted once until settled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Twin {
    /// Computed from `matter` and the entries.
    pub id: ClashId,
    /// The id's first 30 bits, for people.
    pub short: String,
    /// What it is about.
    pub matter: String,
    /// The two records, in order of entry.
    pub sides: Vec<Side>,
}

/// The id of a disagreement between these entries about this matter. Their order does not matter.
#[must_use]
pub fn id(matter: &str, over: &[EntryRef]) -> ClashId {
    let mut over = over.to_vec();
    over.sort_unstable();
    let text = canonical::bytes(&json!({"matter": matter, "over": over}));
    let hash = Hash::of(&[b"pintle/clash/1\n", &text]);
    let mut id = [0; 16];
    id.copy_from_slice(&hash.0[..16]);
    ClashId(id)
}

/// Makes a clash of its sides.
#[must_use]
pub fn clash(matter: &str, mut sides: Vec<Side>, used: EntryRef) -> Clash {
    sides.sort_by_key(|side| side.entry);
    let id = id(matter, &sides.iter().map(|s| s.entry).collect::<Vec<_>>());
    Clash { id, short: id.short(), matter: matter.to_owned(), sides, used }
}

/// Makes a twin of its sides.
#[must_use]
pub fn twin(matter: &str, mut sides: Vec<Side>) -> Twin {
    sides.sort_by_key(|side| side.entry);
    let id = id(matter, &sides.iter().map(|s| s.entry).collect::<Vec<_>>());
    Twin { id, short: id.short(), matter: matter.to_owned(), sides }
}
