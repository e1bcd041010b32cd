//! Handover: what the person taking a machine must know, on one screen.
//!
//! Promises: pure; made from the book alone. What must not be run comes first, then what was noticed, skipped and is
//! due in the coming shift, then notes since this person last had the machine.

use crate::book::{Book, Finding, Fuel, Meter, Note, PurgeSeen, Shift, ShiftPast, SkippedPoint, Stamp};
use crate::due::{Due, State, due};
use crate::fact::{Purge, Urgency};
use crate::ids::{MachineId, PersonId};
use serde::{Deserialize, Serialize};

/// How far ahead "this shift" looks, in seconds: ten hours, a long working day.
pub const SHIFT_S: i64 = 10 * 3600;

/// What the person taking a machine must know.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Handover {
    /// The machine.
    pub machine: MachineId,
    /// Its name.
    pub name: String,
    /// Findings for which it must not be run; the machine is tagged out while there is one.
    pub tagged_out: Vec<Finding>,
    /// Other open findings, newest first.
    pub findings: Vec<Finding>,
    /// Points skipped and not done since.
    pub skipped: Vec<SkippedPoint>,
    /// What came out last where it was not clean.
    pub purges: Vec<PurgeSeen>,
    /// What is due now or in this shift.
    pub due: Vec<Due>,
    /// Notes, newest first, that this person has not recorded anything in knowledge of. Whether they knew is told by the
    /// ledger, not by clocks: a note made before their last entry, but on a device they had not synced with, is new.
    pub notes: Vec<Note>,
    /// When this person last recorded something here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<Stamp>,
    /// Who is running it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shift: Option<Shift>,
    /// Who ran it last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_shift: Option<ShiftPast>,
    /// The meters.
    pub meters: Vec<Meter>,
    /// Fuel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fuel: Option<Fuel>,
}

/// The handover of a machine to a person at a moment.
#[must_use]
pub fn handover(book: &Book, to: PersonId, now_s: i64, offset_s: i32) -> Handover {
    let (tagged_out, findings) = book.findings.iter().cloned().partition(|f| f.urgency == Urgency::TaggedOut);
    let mut notes: Vec<Note> =
        book.handover.iter().chain(&book.notes).filter(|note| !note.known_to.contains(&to)).cloned().collect();
    notes.sort_by_key(|note| std::cmp::Reverse((note.stamp.at.second(), note.stamp.entry)));
    let this_shift = |d: &Due| {
        !matches!(d.state, State::Ahead | State::Unknown)
            || d.when.is_some_and(|when| when.earliest_s <= now_s.saturating_add(SHIFT_S))
    };
    Handover {
        machine: book.machine,
        name: book.name().to_owned(),
        tagged_out,
        findings,
        skipped: book.tasks.iter().flat_map(|task| task.skipped.iter().cloned()).collect(),
        purges: book.purges.iter().filter(|p| p.purge != Purge::Clean).cloned().collect(),
        due: due(book, now_s, offset_s).into_iter().filter(this_shift).collect(),
        notes,
        since: book.people.get(&to).cloned(),
        shift: book.shift.clone(),
        last_shift: book.last_shift.clone(),
        meters: book.meters.clone(),
        fuel: book.fuel.clone(),
    }
}
