//! What a history says, gathered for people: one page of facts from some thousand entries.
//!
//! Promises: a pure function of a [`Record`]; strikes, corrections and settlements count as they do in the book, whose rules
//! these are. What is doubtful, struck, corrected, late to arrive or withheld is in it, one by one, never only counted. An
//! entry is named as people say it (`K7-412`).
//!
//! Never says that something is proved: that is the verdict's, which stands in the record.

mod doubts;
mod gather;
mod words;

use super::record::Record;
use crate::book::{Book, HandsShare, Keeping, book, kept_works};
use crate::decimal::Decimal;
use crate::due::Kept;
use crate::moment::Moment;
use serde::Serialize;
use std::collections::BTreeMap;

/// An entry received so long after the time it claims is listed as late to arrive: 30 days, a month offline.
pub const LATE_S: i64 = 30 * 86_400;

/// What a history says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    /// What the organisation calls itself.
    pub organisation: String,
    /// `name`, `make`, `model`, `serial`, `site`, `retired`, where known.
    pub machine: BTreeMap<String, String>,
    /// Its meters, the first one first.
    pub meters: Vec<MeterTale>,
    /// The plan that its services are held to.
    pub plan: PlanTale,
    /// How that plan was kept, task by task, as the book has it.
    pub keeping: Vec<Keeping>,
    /// Services that came late, or before which whole intervals passed, in order of time.
    pub late: Vec<LateTale>,
    /// What was past due when the newest entry was made.
    pub overdue: Vec<OverdueTale>,
    /// Points that were skipped and not done since.
    pub skipped: Vec<SkippedTale>,
    /// Services, by task, the most frequent first.
    pub services: Vec<ServiceTale>,
    /// Findings, in order of time.
    pub findings: Vec<FindingTale>,
    /// Repairs, in order of time.
    pub repairs: Vec<RepairTale>,
    /// Who ran the machine how long, where shifts tell.
    pub ran: Option<RanTale>,
    /// Who recorded how much, with what, the most first.
    pub hands: Vec<HandTale>,
    /// Parts, fluids and materials, the most frequent first.
    pub materials: Vec<MaterialTale>,
    /// Fuel: how often, and how much in all.
    pub fuel: Option<(u64, Decimal)>,
    /// Changes of a meter, in order of time.
    pub changes: Vec<ChangeTale>,
    /// Why a reader should look twice at an entry, in order of time.
    pub doubtful: Vec<DoubtTale>,
    /// What people disagree about, or have probably recorded twice.
    pub disputes: Vec<String>,
    /// What is withheld.
    pub withheld: WithheldTale,
    /// The longest time in which nothing was recorded.
    pub silence: Option<SilenceTale>,
    /// Every entry, in order of the time claimed; those whose time cannot be read come first.
    pub entries: Vec<EntryTale>,
}

/// Who said something, when, in which entry.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mention {
    /// The entry: `K7-412`.
    pub entry: String,
    /// When, as claimed and corrected.
    pub at: Moment,
    /// Its author.
    pub by: String,
}

/// A meter, and what it showed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeterTale {
    /// Its name.
    pub meter: String,
    /// Readings, in order of time.
    pub readings: Vec<ReadingTale>,
    /// How often it was changed or rolled over.
    pub changes: u64,
}

/// A reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReadingTale {
    /// Who read it.
    #[serde(flatten)]
    pub said: Mention,
    /// What the meter showed.
    pub shown: Decimal,
    /// What the machine had run in its life.
    pub life: Decimal,
    /// Whether it can be true together with the others.
    pub believed: bool,
    /// Where it comes from, if no person read it.
    pub source: Option<String>,
}

/// A service plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlanTale {
    /// What it is for.
    pub name: String,
    /// Where its values come from.
    pub source: String,
    /// Who set it; none if nobody did, and common practice stands in.
    pub set: Option<Mention>,
    /// Its tasks: name, how often, what is needed.
    pub tasks: Vec<(String, String, Vec<String>)>,
}

/// A service that came late.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LateTale {
    /// Who recorded it.
    #[serde(flatten)]
    pub said: Mention,
    /// The task of the plan.
    pub task: String,
    /// How far past due, in thousandths of the interval.
    pub over_permille: i64,
    /// Whole intervals that had passed without it.
    pub never: u64,
}

/// A task that was past due at the newest entry.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OverdueTale {
    /// The task.
    pub task: String,
    /// Why, in words.
    pub why: String,
}

/// A point that was skipped and not done since.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SkippedTale {
    /// Who skipped it.
    #[serde(flatten)]
    pub said: Mention,
    /// The task.
    pub task: String,
    /// The point.
    pub point: String,
    /// Why.
    pub reason: Option<String>,
}

/// A task with the times it was recorded as done.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ServiceTale {
    /// The task.
    pub task: String,
    /// In order of time.
    pub rows: Vec<ServiceRow>,
}

/// One record of a service.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ServiceRow {
    /// Who recorded it.
    #[serde(flatten)]
    pub said: Mention,
    /// What the meter showed.
    pub reading: Option<Decimal>,
    /// How it stood to the window of its task.
    pub kept: Option<Kept>,
}

/// A finding.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FindingTale {
    /// Who raised it.
    #[serde(flatten)]
    pub said: Mention,
    /// How urgent, what, where.
    pub what: Vec<String>,
    /// Whether it must not be run until that is ended.
    pub tags_out: bool,
    /// In their words.
    pub text: Spoken,
    /// What ended it.
    pub end: Option<EndTale>,
    /// Whether it is open: not ended, or people disagree whether it is.
    pub open: bool,
}

/// What ended a finding.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EndTale {
    /// Who ended it.
    #[serde(flatten)]
    pub said: Mention,
    /// By a repair, or because it was none.
    pub repaired: bool,
}

/// A repair.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RepairTale {
    /// Who did it.
    #[serde(flatten)]
    pub said: Mention,
    /// Where, why, what was done.
    pub what: Vec<String>,
    /// Minutes of work.
    pub minutes: Option<i64>,
    /// In their words.
    pub text: Spoken,
}

/// An author's own words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Spoken {
    /// None.
    Nothing,
    /// These.
    Words(String),
    /// Some that are withheld.
    Withheld,
}

/// Who ran the machine.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RanTale {
    /// The share, as the book has it.
    pub share: HandsShare,
    /// Names of its people, in its order.
    pub names: Vec<String>,
}

/// Who recorded how much, with which device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct HandTale {
    /// The person.
    pub person: String,
    /// With which devices, each with how many entries.
    pub devices: Vec<(String, u64)>,
    /// Entries in all: those that are neither struck nor set aside.
    pub entries: u64,
}

/// Something used up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MaterialTale {
    /// What.
    pub name: String,
    /// Counted in what; empty where nobody said.
    pub unit: String,
    /// How often it was used.
    pub times: u64,
    /// How often without saying how much.
    pub unsaid: u64,
    /// How much in all, where it was said.
    pub total: Decimal,
    /// In which entries last, three at most, the newest last.
    pub last_in: Vec<String>,
}

/// A meter that was changed or rolled over.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangeTale {
    /// Who recorded it.
    #[serde(flatten)]
    pub said: Mention,
    /// Which meter.
    pub meter: String,
    /// What the old one showed last.
    pub old: Decimal,
    /// What the new one showed first.
    pub new: Decimal,
    /// Why.
    pub reason: String,
}

/// Why a reader should look twice at an entry.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DoubtTale {
    /// The entry.
    pub entry: String,
    /// When, as claimed; none if that cannot be read.
    pub at: Option<Moment>,
    /// Its kind: `struck`, `corrected`, `late-to-arrive`, or a code of [`crate::book::Doubt`].
    pub code: String,
    /// In words.
    pub why: String,
    /// What a person wrote about it.
    pub text: Option<String>,
}

/// What is withheld.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct WithheldTale {
    /// What the file says is withheld.
    pub said: Vec<String>,
    /// Parts, each with the number of entries in which it is.
    pub parts: BTreeMap<String, u64>,
    /// Entries with a part that is withheld.
    pub entries: u64,
}

/// A time in which nothing was recorded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SilenceTale {
    /// From the time of this entry.
    pub from: Mention,
    /// To the time of this one.
    pub to: Mention,
    /// How long, in seconds.
    pub length_s: i64,
}

/// An entry as it was made.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EntryTale {
    /// Its name.
    pub entry: String,
    /// When, as its author first claimed; none if that cannot be read.
    pub at: Option<Moment>,
    /// When the server received it, in milliseconds since 1970.
    pub received_ms: i64,
    /// Its kind, in words.
    pub kind: String,
    /// What it says, field by field.
    pub said: String,
    /// Its author's own words.
    pub text: Spoken,
    /// The photos and documents that it names: name, length, and the hash that shows one to be the original.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<String>,
    /// Who.
    pub by: String,
    /// How it stands, if not simply so: struck, corrected, set aside, withheld.
    pub marks: Vec<String>,
}

impl Summary {
    /// What a record says.
    #[must_use]
    pub fn of(record: &Record) -> Self {
        gather::summary(record)
    }

    /// Services recorded, of all tasks.
    #[must_use]
    pub fn services_count(&self) -> u64 {
        self.services.iter().map(|task| task.rows.len() as u64).sum()
    }

    /// Findings that are open, and how many of them tag the machine out.
    #[must_use]
    pub fn open_findings(&self) -> (u64, u64) {
        let open = self.findings.iter().filter(|finding| finding.open);
        open.fold((0, 0), |(all, out), finding| (all + 1, out + u64::from(finding.tags_out)))
    }

    /// How the plan was kept over all tasks: on time, early, late, left out.
    #[must_use]
    pub fn kept_in_all(&self) -> [u64; 4] {
        self.keeping.iter().fold([0; 4], |[on_time, early, late, never], one| {
            [on_time + one.on_time, early + one.early, late + one.late, never + one.never]
        })
    }

    /// How many doubtful points there are of each kind, the most frequent first.
    #[must_use]
    pub fn doubtful_by_kind(&self) -> Vec<(&str, u64)> {
        let mut kinds: BTreeMap<&str, u64> = BTreeMap::new();
        for doubt in &self.doubtful {
            *kinds.entry(&doubt.code).or_default() += 1;
        }
        let mut kinds: Vec<(&str, u64)> = kinds.into_iter().collect();
        kinds.sort_by_key(|(kind, count)| (std::cmp::Reverse(*count), *kind));
        kinds
    }
}
