//! Public rules about records: what one of them would miss in a machine's log, and how long it wants each record kept.
//!
//! Promises: pure; the table says for each rule what it wants recorded and for how long, and marks what is from memory.
//! A report names, record by record, the fields that are missing and the day through which it is to be kept. Nothing is
//! ever deleted here or anywhere: the days tell an office what it must still be able to show.
//!
//! Never advice on what the law is: local rules and licensed practice come first.

use crate::book::{Book, Counting, Stamp, counting};
use crate::entry::{EntryRef, Held};
use crate::fact::{Fact, RepairDone, TaskDone, Urgency};
use crate::ids::PersonId;
use crate::moment::Moment;
use crate::plan::Plan;
use jiff::ToSpan as _;
pub use jiff::civil::Date;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::collections::{BTreeMap, BTreeSet};

/// Which entries a rule is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Records {
    /// Findings: defects that someone noticed.
    Findings,
    /// Tasks that are an inspection; which ones, the caller says.
    Inspections,
    /// Tasks and repairs: all upkeep.
    Upkeep,
}

/// What a rule may want of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Field {
    /// The day. Every entry has one.
    Date,
    /// Who did it. Every entry has an author.
    Who,
    /// A signature. The device's seal stands for it once the entry has reached the ledger.
    Signature,
    /// Make and serial number of the machine.
    Identification,
    /// What was wrong, or what was done.
    Description,
    /// What was looked at.
    Items,
    /// What was found.
    Results,
    /// The meter.
    TotalTime,
    /// When the work is due again: a plan that has the task.
    DueDate,
    /// Parts and fluids, by identity and amount.
    Materials,
    /// Where the machine worked.
    Place,
    /// A repair that closes it, or a clearance.
    Correction,
    /// That the machine was not run before it was corrected.
    CorrectedBeforeUse,
    /// That a hazardous one was not run before it was corrected.
    HazardCorrectedBeforeUse,
}

impl Field {
    /// What is missing, in words.
    #[must_use]
    pub fn missing(self) -> &'static str {
        match self {
            Field::Date => "no date",
            Field::Who => "nobody is named",
            Field::Signature => "not sealed yet: the device has not synced since",
            Field::Identification => "the machine has no make or no serial number",
            Field::Description => "it does not say what",
            Field::Items => "it does not say what was looked at",
            Field::Results => "it does not say what was found",
            Field::TotalTime => "no meter reading",
            Field::DueDate => "no plan says when it is due",
            Field::Materials => "parts and fluids are not named with their amounts",
            Field::Place => "the machine has no site",
            Field::Correction => "no repair or clearance is linked",
            Field::CorrectedBeforeUse => "the machine was run before it was corrected",
            Field::HazardCorrectedBeforeUse => "the machine was run before the hazard was corrected",
        }
    }
}

/// How long a rule wants a record kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Keep {
    /// Calendar months from the record's day.
    Months(i32),
    /// From the day recorded until corrected.
    UntilCorrected,
    /// A year, and six months after the machine leaves control.
    YearAndSixMonthsAfterLeaving,
    /// Until the work is repeated or superseded, or for a year.
    YearOrSuperseded,
    /// Nothing is said.
    NotSaid,
}

/// Where a value of the table comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Source {
    /// The rule's text.
    Text,
    /// From memory; look it up before relying on it.
    Memory,
    /// Common practice, no rule.
    Practice,
}

/// One public rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rule {
    /// How it is cited.
    pub id: &'static str,
    /// What it is about.
    pub about: &'static str,
    /// Which entries.
    pub records: Records,
    /// What each record is to show.
    pub fields: &'static [Field],
    /// Where that comes from.
    pub fields_source: Source,
    /// How long it is kept.
    pub keep: Keep,
    /// Where that comes from.
    pub keep_source: Source,
}

const fn rule(id: &'static str, about: &'static str, records: Records, fields: &'static [Field], keep: Keep) -> Rule {
    Rule { id, about, records, fields, fields_source: Source::Text, keep, keep_source: Source::Text }
}

/// The rules that can be reported against.
pub const RULES: [Rule; 10] = [
    rule(
        "30 CFR 56.14100",
        "mines: the operator's check before each shift; a hazardous defect puts the machine out of service",
        Records::Findings,
        &[Field::Date, Field::Description, Field::HazardCorrectedBeforeUse],
        Keep::UntilCorrected,
    ),
    rule(
        "30 CFR 77.1606",
        "surface coal mines: defects of loading and haulage machines",
        Records::Findings,
        &[Field::Date, Field::Description, Field::CorrectedBeforeUse],
        Keep::NotSaid,
    ),
    rule(
        "29 CFR 1910.178(q)(7)",
        "industrial trucks: examined daily or after each shift; nothing in writing is required",
        Records::Inspections,
        &[],
        Keep::NotSaid,
    ),
    rule(
        "29 CFR 1926.1412(e)",
        "cranes: monthly inspection",
        Records::Inspections,
        &[Field::Items, Field::Results, Field::Who, Field::Signature, Field::Date],
        Keep::Months(3),
    ),
    Rule {
        keep_source: Source::Memory,
        ..rule(
            "29 CFR 1926.1412(f)",
            "cranes: inspection at least every twelve months",
            Records::Inspections,
            &[Field::Items, Field::Results, Field::Who, Field::Signature, Field::Date],
            Keep::Months(12),
        )
    },
    rule(
        "49 CFR 396.3",
        "commercial vehicles: inspection, repair and maintenance",
        Records::Upkeep,
        &[Field::Identification, Field::Description, Field::Date, Field::DueDate],
        Keep::YearAndSixMonthsAfterLeaving,
    ),
    rule(
        "49 CFR 396.11",
        "commercial vehicles: the driver's daily report of defects",
        Records::Findings,
        &[Field::Date, Field::Description, Field::Correction, Field::CorrectedBeforeUse],
        Keep::Months(3),
    ),
    Rule {
        fields_source: Source::Memory,
        ..rule(
            "49 CFR 396.21",
            "commercial vehicles: periodic inspection",
            Records::Inspections,
            &[Field::Who, Field::Identification, Field::Date, Field::Items, Field::Results],
            Keep::Months(14),
        )
    },
    rule(
        "14 CFR 91.417",
        "aircraft: maintenance; passes to the buyer at sale",
        Records::Upkeep,
        &[Field::Description, Field::Date, Field::Who, Field::Signature, Field::TotalTime],
        Keep::YearOrSuperseded,
    ),
    Rule {
        fields_source: Source::Practice,
        keep_source: Source::Practice,
        ..rule(
            "worth showing",
            "what a buyer or a warranty adjuster wants to see (compare 16 CFR 700.10)",
            Records::Upkeep,
            &[
                Field::Identification,
                Field::Date,
                Field::TotalTime,
                Field::Description,
                Field::Materials,
                Field::Who,
                Field::Signature,
                Field::Place,
                Field::DueDate,
            ],
            Keep::NotSaid,
        )
    },
];

/// The rule that is cited, whatever the spaces and case: `30cfr56.14100`.
#[must_use]
pub fn find(cited: &str) -> Option<&'static Rule> {
    let plain = |text: &str| text.chars().filter(|c| c.is_alphanumeric()).collect::<String>().to_lowercase();
    RULES.iter().find(|rule| plain(rule.id) == plain(cited))
}

/// Until when a record is to be kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum KeepUntil {
    /// Through this day.
    Through(#[serde(serialize_with = "date_text", deserialize_with = "text_date")] Date),
    /// At least through this day, and six months after the machine leaves control, which it has not.
    AtLeast(#[serde(serialize_with = "date_text", deserialize_with = "text_date")] Date),
    /// Until it is corrected, which it is not.
    Corrected,
    /// The rule says nothing.
    NotSaid,
}

// The form serde asks for takes a reference.
#[allow(clippy::trivially_copy_pass_by_ref, reason = "the form serde asks for")]
fn date_text<S: Serializer>(date: &Date, s: S) -> Result<S::Ok, S::Error> {
    s.collect_str(date)
}

fn text_date<'de, D: Deserializer<'de>>(d: D) -> Result<Date, D::Error> {
    String::deserialize(d)?.parse().map_err(|_| de::Error::custom("expected a day like 2026-05-04"))
}

/// Days that decide how long a record is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Days {
    /// When what it tells of was corrected.
    pub corrected: Option<Date>,
    /// When the machine left control: sold, scrapped.
    pub left: Option<Date>,
    /// When the work was done again.
    pub superseded: Option<Date>,
}

/// Until when a record of a day is to be kept. Calendar months: the same day of the month, or its last.
#[must_use]
pub fn keep_until(keep: Keep, recorded: Date, days: Days) -> KeepUntil {
    // Beyond the calendar's end is its end.
    let after = |day: Date, months: i32| day.saturating_add(months.months());
    match keep {
        Keep::Months(months) => KeepUntil::Through(after(recorded, months)),
        Keep::UntilCorrected => days.corrected.map_or(KeepUntil::Corrected, KeepUntil::Through),
        Keep::YearAndSixMonthsAfterLeaving => match days.left {
            Some(left) => KeepUntil::Through(after(recorded, 12).max(after(left, 6))),
            None => KeepUntil::AtLeast(after(recorded, 12)),
        },
        Keep::YearOrSuperseded => {
            let year = after(recorded, 12);
            KeepUntil::Through(days.superseded.map_or(year, |again| again.min(year)))
        }
        Keep::NotSaid => KeepUntil::NotSaid,
    }
}

/// The day of a moment at its place.
#[must_use]
pub fn date(at: &Moment) -> Date {
    let local = jiff::Timestamp::from_second(at.second().saturating_add(i64::from(at.offset_s())));
    // A moment lies between 1970 and 9998, well within the calendar.
    jiff::tz::Offset::UTC.to_datetime(local.unwrap_or(jiff::Timestamp::MAX)).date()
}

/// One record against a rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Record {
    /// The entry.
    #[serde(flatten)]
    pub stamp: Stamp,
    /// What it is about: the task, the sign, the remedy.
    pub what: String,
    /// What the rule would miss.
    pub missing: Vec<Field>,
    /// Until when it is to be kept: `{"through": DAY}`, `{"at_least": DAY}` and six months after the machine leaves,
    /// `"corrected"` or `"not_said"`.
    #[cfg_attr(feature = "schema", schema(value_type = serde_json::Value))]
    pub keep: KeepUntil,
}

/// A machine's records against a rule, oldest first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "schema", schema(as = RuleReport))]
pub struct Report {
    /// The rule.
    pub rule: String,
    /// Where its fields come from.
    pub fields_source: Source,
    /// Where the time to keep comes from.
    pub keep_source: Source,
    /// Its records.
    pub records: Vec<Record>,
}

/// What a rule would miss in the records of a machine. `inspections` names the tasks that are inspections; it matters
/// only to rules about those.
#[must_use]
pub fn report(book: &Book, entries: &[Held], rule: &Rule, inspections: &BTreeSet<String>) -> Report {
    let past = Past::of(book, entries);
    let about = |one: &&Counting| match (&one.fact, rule.records) {
        (Fact::FindingRaised(_), Records::Findings) => true,
        (Fact::TaskDone(done), Records::Inspections) => inspections.contains(&done.task),
        (Fact::TaskDone(_) | Fact::RepairDone(_), Records::Upkeep) => true,
        _ => false,
    };
    let records = past.counting.iter().filter(about).map(|one| Record {
        stamp: one.stamp.clone(),
        what: what(one),
        missing: rule.fields.iter().copied().filter(|field| past.lacks(one, *field)).collect(),
        keep: keep_until(rule.keep, date(&one.stamp.at), past.days(one)),
    });
    Report {
        rule: rule.id.to_owned(),
        fields_source: rule.fields_source,
        keep_source: rule.keep_source,
        records: records.collect(),
    }
}

fn what(one: &Counting) -> String {
    match &one.fact {
        Fact::TaskDone(done) => done.task.clone(),
        Fact::FindingRaised(raised) => match &raised.point {
            Some(point) => format!("{}, {point}", raised.sign),
            None => raised.sign.to_string(),
        },
        Fact::RepairDone(repair) => repair.remedy.clone().or(repair.point.clone()).unwrap_or_else(|| "repair".into()),
        _ => String::new(),
    }
}

/// What the records of a machine are judged by.
struct Past<'a> {
    book: &'a Book,
    counting: Vec<Counting>,
    in_ledger: BTreeSet<EntryRef>,
    /// The first end of each finding that has one and is not in dispute.
    ends: BTreeMap<EntryRef, Stamp>,
    /// When each piece of work was done again.
    again: BTreeMap<EntryRef, Date>,
    /// Who raised findings on which day.
    raised: BTreeSet<(PersonId, Date)>,
    /// When the machine was taken into use, in seconds since 1970, in order.
    begun: Vec<i64>,
    plan: Plan,
    left: Option<Date>,
}

impl<'a> Past<'a> {
    fn of(book: &'a Book, entries: &[Held]) -> Self {
        let counting = counting(entries);
        let open: BTreeSet<EntryRef> = book.findings.iter().map(|finding| finding.stamp.entry).collect();
        let mut ends = BTreeMap::new();
        for one in &counting {
            let closed: &[EntryRef] = match &one.fact {
                Fact::RepairDone(repair) => &repair.closes,
                Fact::FindingCleared(cleared) => std::slice::from_ref(&cleared.finding),
                _ => &[],
            };
            for finding in closed.iter().filter(|finding| !open.contains(finding)) {
                ends.entry(*finding).or_insert_with(|| one.stamp.clone());
            }
        }
        let begun = counting.iter().filter(|one| matches!(one.fact, Fact::ShiftBegun(_)));
        let begun = begun.map(|one| one.stamp.at.second()).collect();
        let raised = counting.iter().filter(|one| matches!(one.fact, Fact::FindingRaised(_)));
        let raised = raised.map(|one| (one.stamp.by, date(&one.stamp.at))).collect();
        let left = book.attributes.get("retired").filter(|said| !said.value.is_null());
        let left = left.map(|said| date(&said.stamp.at));
        let in_ledger = entries.iter().filter(|held| held.position.is_some()).map(Held::name).collect();
        let (again, plan) = (done_again(&counting), book.plan_in_force());
        Self { book, counting, in_ledger, ends, again, raised, begun, plan, left }
    }

    fn days(&self, one: &Counting) -> Days {
        Days {
            corrected: self.ends.get(&one.stamp.entry).map(|end| date(&end.at)),
            left: self.left,
            superseded: self.again.get(&one.stamp.entry).copied(),
        }
    }

    fn lacks(&self, one: &Counting, field: Field) -> bool {
        let attribute = |name: &str| self.book.attributes.get(name).is_some_and(|said| !said.value.is_null());
        match field {
            Field::Date | Field::Who => false,
            Field::Signature => !self.in_ledger.contains(&one.stamp.entry),
            Field::Identification => !(attribute("make") && attribute("serial")),
            Field::Description => !describes(one),
            Field::Items => !self.names_items(one),
            Field::Results => !self.tells_results(one),
            Field::TotalTime => one.fact.reading().is_none(),
            Field::DueDate => !self.is_planned(one),
            Field::Materials => !names_materials(one),
            Field::Place => !attribute("site"),
            Field::Correction => !self.ends.contains_key(&one.stamp.entry),
            Field::CorrectedBeforeUse => self.run_before_corrected(one),
            Field::HazardCorrectedBeforeUse => {
                let hazard = matches!(&one.fact, Fact::FindingRaised(raised) if raised.urgency == Urgency::TaggedOut);
                hazard && self.run_before_corrected(one)
            }
        }
    }

    fn run_before_corrected(&self, one: &Counting) -> bool {
        let from = one.stamp.at.second();
        let until = self.ends.get(&one.stamp.entry).map_or(i64::MAX, |end| end.at.second());
        self.begun.iter().any(|begun| *begun > from && *begun < until)
    }

    fn names_items(&self, one: &Counting) -> bool {
        let Fact::TaskDone(done) = &one.fact else { return one.text.is_some() };
        let planned = self.plan.task(&done.task).is_some_and(|task| !task.points.is_empty());
        planned || !done.points.is_empty() || one.text.is_some()
    }

    /// What was found: in words, as purge, or as findings its author raised on that day.
    fn tells_results(&self, one: &Counting) -> bool {
        let purge = matches!(&one.fact, Fact::TaskDone(done) if done.purge.is_some() || !done.purge_at.is_empty());
        purge || one.text.is_some() || self.raised.contains(&(one.stamp.by, date(&one.stamp.at)))
    }

    /// A task of the plan comes again by itself; a repair is done once.
    fn is_planned(&self, one: &Counting) -> bool {
        match &one.fact {
            Fact::TaskDone(done) => self.plan.task(&done.task).is_some(),
            _ => true,
        }
    }
}

/// The day on which each task was done the next time.
fn done_again(counting: &[Counting]) -> BTreeMap<EntryRef, Date> {
    let mut next: BTreeMap<&str, Date> = BTreeMap::new();
    let mut again = BTreeMap::new();
    for one in counting.iter().rev() {
        let Fact::TaskDone(done) = &one.fact else { continue };
        if let Some(later) = next.insert(&done.task, date(&one.stamp.at)) {
            again.insert(one.stamp.entry, later);
        }
    }
    again
}

fn describes(one: &Counting) -> bool {
    match &one.fact {
        Fact::FindingRaised(raised) => raised.sign != crate::fact::Sign::Other || one.text.is_some(),
        Fact::RepairDone(RepairDone { remedy, cause, .. }) => remedy.is_some() || cause.is_some() || one.text.is_some(),
        _ => true,
    }
}

fn names_materials(one: &Counting) -> bool {
    let materials = match &one.fact {
        Fact::TaskDone(TaskDone { materials, .. }) => materials,
        Fact::RepairDone(RepairDone { parts, .. }) => parts,
        _ => return true,
    };
    !materials.is_empty() && materials.iter().all(|m| m.amount.is_some() && m.unit.is_some())
}

/// Whether an entry may be struck: not where it is the only record of an open hazardous finding, which stays until a
/// correction is linked to it (30 CFR 56.14100). Another open record of the same sign at the same point is one more.
#[must_use]
pub fn may_strike(book: &Book, entry: EntryRef) -> bool {
    let hazards = || book.findings.iter().filter(|finding| finding.urgency == Urgency::TaggedOut);
    let Some(struck) = hazards().find(|finding| finding.stamp.entry == entry) else { return true };
    hazards().any(|other| other.stamp.entry != entry && (other.sign, &other.point) == (struck.sign, &struck.point))
}
