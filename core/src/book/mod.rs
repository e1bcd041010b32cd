//! The machine book: the computed state of one machine.
//!
//! Promises: [`book`] is a pure fold; every permutation and every repetition of the same entries gives the same book,
//! to the byte in JSON. Entries are taken in the order (`at`, device, number) after strikes, corrections and
//! settlements are applied. Nothing is dropped: what cannot be computed is counted and shown.
//!
//! Never asks for a right clock: a doubtful time is marked, and stands where its author put it.

pub(crate) mod amend;
mod fold;
mod hands;
pub(crate) mod meters;
pub(crate) mod upkeep;

pub(crate) use fold::work_groups;
pub use fold::{book, keeping_by, kept_works};

use crate::clash::{Clash, Twin};
use crate::decimal::{self, Decimal};
use crate::due::{Kept, Track};
use crate::entry::{EntryRef, Held};
use crate::fact::{Condition, Fact, Material, MeterKind, Purge, Sign, Urgency};
use crate::ids::{ClashId, MachineId, PersonId};
use crate::meter::Rate;
use crate::moment::Moment;
use crate::plan::{self, Plan};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// Who said something, when, in which entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Stamp {
    /// The entry.
    pub entry: EntryRef,
    /// When, as claimed and corrected.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = DateTime))]
    pub at: Moment,
    /// Its author.
    pub by: PersonId,
}

/// A value with who said it, and the clash it depends on, if people disagree.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Said {
    /// The value that counts.
    pub value: Value,
    /// Who said so.
    #[serde(flatten)]
    pub stamp: Stamp,
    /// The open clash it depends on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clash: Option<ClashId>,
}

/// The computed state of one machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Book {
    /// The machine.
    pub machine: MachineId,
    /// Ids of machines that were settled to be this one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<MachineId>,
    /// `name`, `make`, `model`, `serial`, `site`, `retired`, where known.
    pub attributes: BTreeMap<String, Said>,
    /// Whether it must not be run.
    pub tagged_out: bool,
    /// Open findings: tagged out first, then the newest.
    pub findings: Vec<Finding>,
    /// Findings mended or cleared.
    pub findings_ended: u64,
    /// Its meters, the first one first.
    pub meters: Vec<Meter>,
    /// Tasks done, by name.
    pub tasks: Vec<Task>,
    /// What came out last, per point; without a point: everywhere else.
    pub purges: Vec<PurgeSeen>,
    /// Who is running it, if a shift is open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shift: Option<Shift>,
    /// The last shift that ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_shift: Option<ShiftPast>,
    /// Fuel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fuel: Option<Fuel>,
    /// Notes the next operator must know, newest first.
    pub handover: Vec<Note>,
    /// Other notes, newest first; at most [`crate::limits::BOOK_LIST_MAX`].
    pub notes: Vec<Note>,
    /// Repairs, newest first; at most [`crate::limits::BOOK_LIST_MAX`].
    pub repairs: Vec<Repair>,
    /// The service plan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plan: Option<Said>,
    /// The clocks of the plan's tasks, counted up to the newest entry; what [`crate::due`] reckons with.
    pub tracks: Vec<Track>,
    /// How the plan was kept so far, task by task.
    pub keeping: Vec<Keeping>,
    /// Who ran the machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hands: Option<Hands>,
    /// When each person last recorded something here.
    #[cfg_attr(feature = "schema", schema(value_type = std::collections::HashMap<String, Stamp>))]
    pub people: BTreeMap<PersonId, Stamp>,
    /// What people disagree about.
    pub clashes: Vec<Clash>,
    /// What was probably recorded twice.
    pub twins: Vec<Twin>,
    /// What is doubtful.
    pub doubts: Vec<Doubt>,
    /// How many entries there are, of which sort.
    pub counts: Counts,
    /// The newest entry.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<Stamp>,
}

/// A finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Finding {
    /// Who raised it, when, in which entry.
    #[serde(flatten)]
    pub stamp: Stamp,
    /// What was noticed.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub sign: Sign,
    /// Where.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<String>,
    /// How urgent.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub urgency: Urgency,
    /// In the author's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Of a squeak: tasks done there since, by which it may be over though nobody has said so.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub done_since: BTreeSet<String>,
    /// The clash its end depends on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clash: Option<ClashId>,
}

/// A meter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Meter {
    /// Its name; the first one is named after what it counts.
    pub meter: String,
    /// What it counts.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub kind: MeterKind,
    /// The last reading that is believed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<MeterReading>,
    /// Readings that cannot be true together with the believed ones.
    pub doubtful: Vec<MeterReading>,
    /// The newest reading the machine's own transmitter gave, believed or not: it may disagree with what people read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub telematics: Option<MeterReading>,
    /// How often the meter was changed or rolled over.
    pub changes: u64,
    /// Use per day, where readings tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate: Option<Rate>,
}

/// A reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct MeterReading {
    /// What the meter showed.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub shown: Decimal,
    /// What the machine had run in its life.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub life: Decimal,
    /// Where it comes from, if no person read it: `telematics`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Who read it, or recorded what another source gave.
    #[serde(flatten)]
    pub stamp: Stamp,
}

/// A task and when it was done last.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Task {
    /// Its name.
    pub task: String,
    /// How often it was done; a twin counts once.
    pub times: u64,
    /// When last.
    pub last: Stamp,
    /// The meter then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>))]
    pub reading: Option<Decimal>,
    /// Points done last; empty for all.
    pub points: Vec<String>,
    /// Points skipped and not done since.
    pub skipped: Vec<SkippedPoint>,
    /// Open twins its count depends on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub twins: Vec<ClashId>,
}

/// A point that was skipped and has not been done since.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SkippedPoint {
    /// The point.
    pub point: String,
    /// Why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Who skipped it.
    #[serde(flatten)]
    pub stamp: Stamp,
}

/// What came out when a point was greased.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PurgeSeen {
    /// The point; none for all the others.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<String>,
    /// What came out.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub purge: Purge,
    /// Who saw it.
    #[serde(flatten)]
    pub stamp: Stamp,
}

/// An open shift.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Shift {
    /// Who runs the machine.
    pub operator: PersonId,
    /// Since when.
    #[serde(flatten)]
    pub begun: Stamp,
}

/// A shift that has ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ShiftPast {
    /// Who ran the machine.
    pub operator: PersonId,
    /// Until when.
    #[serde(flatten)]
    pub ended: Stamp,
    /// Hours in each condition.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    #[cfg_attr(feature = "schema", schema(value_type = std::collections::HashMap<String, String>))]
    pub conditions: BTreeMap<Condition, Decimal>,
}

/// Fuel filled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Fuel {
    /// How often.
    pub fills: u64,
    /// How much in all.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub litres: Decimal,
    /// How much last.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub last_litres: Decimal,
    /// When last.
    #[serde(flatten)]
    pub last: Stamp,
}

/// A note.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Note {
    /// Who left it.
    #[serde(flatten)]
    pub stamp: Stamp,
    /// What it says; none if withheld.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// People who have recorded something here in knowledge of it, its author included: they need not be told again.
    pub known_to: BTreeSet<PersonId>,
}

/// A repair.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Repair {
    /// Who did it.
    #[serde(flatten)]
    pub stamp: Stamp,
    /// Where.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<String>,
    /// What had caused it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<String>,
    /// What was done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remedy: Option<String>,
    /// Findings it closed.
    pub closes: Vec<EntryRef>,
    /// Parts and materials.
    #[cfg_attr(feature = "schema", schema(value_type = Vec<Object>))]
    pub parts: Vec<Material>,
    /// Minutes of work.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<i64>,
    /// In the author's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
}

/// Something doubtful about one entry.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Doubt {
    /// The entry.
    pub entry: EntryRef,
    /// `clock-off`, `time-ahead`, `set-aside`, `released` (it counts, and had been set aside for what `detail` says),
    /// `release-unusable`, `reading-doubtful`, `rollover-doubtful`, `correction-unusable`, `target-unknown`.
    pub code: String,
    /// In words.
    pub detail: String,
}

/// How many entries a book was made from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Counts {
    /// All of them.
    pub entries: u64,
    /// Struck through.
    pub struck: u64,
    /// Corrected.
    pub corrected: u64,
    /// Set aside: not counted until a person has judged them.
    pub aside: u64,
    /// Of a kind or version that needs a newer program.
    pub newer: u64,
    /// With facts withheld from this holder.
    pub withheld: u64,
}

/// How one task was kept over all its past intervals.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Keeping {
    /// The task.
    pub task: String,
    /// Done before the window opened.
    pub early: u64,
    /// Done in the window.
    pub on_time: u64,
    /// Done after it closed.
    pub late: u64,
    /// Intervals that passed altogether without it.
    pub never: u64,
    /// The worst overrun past due, in thousandths of the interval.
    pub worst_permille: i64,
}

/// One piece of work, and how it stood to the window of a task that it does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptWork {
    /// The task of the plan.
    pub task: String,
    /// The entry that records the work; of a twin the first one.
    pub entry: EntryRef,
    /// How it stood; none for a first one that cannot be called early, and where no clock can be read.
    pub kept: Option<Kept>,
    /// Whole intervals that had passed without it.
    pub never: u64,
    /// How far past due, in thousandths of the interval.
    pub worst_permille: i64,
}

/// Who ran the machine, by share.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Hands {
    /// Over the machine's recorded life.
    pub life: HandsShare,
    /// Over the last 500 hours.
    pub recent: HandsShare,
}

/// Shares of people, largest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct HandsShare {
    /// `hours` from shifts with readings, or `entries` where there are none.
    pub by: String,
    /// What it was counted from, in that unit.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub total: Decimal,
    /// Effective number of hands, 1/Σp² (Simpson; Hill number of order 2).
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub effective: Decimal,
    /// Each person's part.
    pub people: Vec<HandsPart>,
}

/// One person's part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct HandsPart {
    /// Who.
    pub person: PersonId,
    /// How much.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub amount: Decimal,
}

impl Book {
    /// What people call the machine; empty if nobody has said so yet.
    #[must_use]
    pub fn name(&self) -> &str {
        self.attributes.get("name").and_then(|said| said.value.as_str()).unwrap_or_default()
    }

    /// The plan it goes by: the one that was set, or the common one where none was set or it cannot be read.
    #[must_use]
    pub fn plan_in_force(&self) -> Plan {
        in_force(self.plan.as_ref())
    }
}

fn in_force(set: Option<&Said>) -> Plan {
    let set = set.and_then(|said| said.value.as_object());
    set.and_then(|body| plan::read(body).ok()).unwrap_or_else(plan::common)
}

/// An entry as it counts: after strikes, corrections and settlements.
#[derive(Debug, Clone, PartialEq)]
pub struct Counting {
    /// The entry, with its time and author as corrected.
    pub stamp: Stamp,
    /// What it says, as corrected.
    pub fact: Fact,
    /// In its author's words, as corrected.
    pub text: Option<String>,
    /// The open clash its values depend on.
    pub clash: Option<ClashId>,
}

/// The entries of a machine that count, in order: not the struck, not those set aside, not what amends others.
#[must_use]
pub fn counting(entries: &[Held]) -> Vec<Counting> {
    let items = amend::amend(entries).items.into_iter();
    items.map(|i| Counting { stamp: i.stamp(), fact: i.fact, text: i.text, clash: i.clash }).collect()
}
