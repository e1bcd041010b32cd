//! What an entry says: its kind and body as types.
//!
//! Promises: an entry of an unknown kind or of a later version is [`Fact::Newer`], kept and counted, never an error.
//! Fields this version does not know are left alone. A known kind whose body breaks a rule is a fault with its place.

pub mod administration;
mod amending;
mod terms;
mod texts;

use administration::{
    BillIssued, CodeCancelled, CodeMade, DeviceChanged, DeviceEnrolled, DeviceRevoked, OfficeWritten, ShareEnded,
    ShareMade,
};
pub use amending::{Choice, Corrected, Released, Settled, Struck};
pub use terms::{Condition, MeterChange, MeterKind, Purge, Sign, Urgency};
pub(crate) use texts::deceives;
pub use texts::{check_free_text, check_name};
use texts::{check_texts, check_words};

use crate::decimal::Decimal;
use crate::entry::{ENTRY_VERSION, Entry, EntryRef, Head, Part};
use crate::fault::{Fault, code};
use crate::ids::PersonId;
use crate::limits::MINUTES_MAX;
use crate::moment::Moment;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use std::collections::{BTreeMap, BTreeSet};

/// A reading of a meter, part of many entries.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Reading {
    /// What the meter showed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<Decimal>,
    /// Which meter; absent for the machine's first one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
}

/// Source of a reading that came from the machine's own transmitter; see [`crate::telematics`].
pub const TELEMATICS: &str = "telematics";

/// `meter_read`
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct MeterRead {
    /// Where the reading comes from, if no person read it: [`TELEMATICS`], or a name a later version gives.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// The meter.
    #[serde(flatten)]
    pub reading: Reading,
}

impl From<Reading> for MeterRead {
    fn from(reading: Reading) -> Self {
        Self { source: None, reading }
    }
}

/// `machine_added`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MachineAdded {
    /// What people call it: `EX3`.
    pub name: String,
    /// Other attributes: `make`, `model`, `serial`, `site`, or any the crew needs.
    #[serde(flatten)]
    pub attributes: Attributes,
    /// What its first meter counts.
    #[serde(default = "hours")]
    pub meter_kind: MeterKind,
}

fn hours() -> MeterKind {
    MeterKind::Hours
}

/// Attributes of a machine that people may change.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Attributes {
    /// Who built it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub make: Option<String>,
    /// The maker's model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// The maker's serial number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Where it works.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub site: Option<String>,
    /// Why it is no longer in use: sold, scrapped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub retired: Option<String>,
}

/// `machine_changed`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MachineChanged {
    /// New name, if that changes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The other attributes that change.
    #[serde(flatten)]
    pub attributes: Attributes,
}

/// `meter_changed`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MeterChanged {
    /// Which meter; absent for the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
    /// What the old one showed last.
    pub old_reading: Decimal,
    /// What the new one shows at first.
    pub new_reading: Decimal,
    /// Why.
    pub reason: MeterChange,
}

/// `fuel_filled`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FuelFilled {
    /// How much.
    pub litres: Decimal,
    /// Whether the tank was full afterwards.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub full: Option<bool>,
    /// The meter.
    #[serde(flatten)]
    pub reading: Reading,
}

/// `shift_begun`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShiftBegun {
    /// Who runs the machine; absent for the author.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operator: Option<PersonId>,
    /// The meter.
    #[serde(flatten)]
    pub reading: Reading,
}

/// `shift_ended`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShiftEnded {
    /// Who ran the machine; absent for the author.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operator: Option<PersonId>,
    /// Hours in each condition; the rest was dry.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub conditions: BTreeMap<Condition, Decimal>,
    /// The meter.
    #[serde(flatten)]
    pub reading: Reading,
}

/// A point that was not reached, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Skipped {
    /// The point.
    pub point: String,
    /// Why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// Something used up: grease, oil, a filter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Material {
    /// What: `grease NLGI 2 EP`.
    pub name: String,
    /// How much.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amount: Option<Decimal>,
    /// In what: `g`, `l`, `pieces`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
}

/// `task_done`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TaskDone {
    /// The task: `grease`.
    pub task: String,
    /// Points done; empty for all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub points: Vec<String>,
    /// Points not done; they stay due by themselves.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub skipped: Vec<Skipped>,
    /// What came out, where it was the same everywhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub purge: Option<Purge>,
    /// What came out at single points.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub purge_at: BTreeMap<String, Purge>,
    /// What was used.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub materials: Vec<Material>,
    /// Minutes of work.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<i64>,
    /// The meter.
    #[serde(flatten)]
    pub reading: Reading,
}

impl TaskDone {
    /// Whether a place was done; without a place, whether everything was.
    #[must_use]
    pub fn reached(&self, point: Option<&str>) -> bool {
        let passed_over = || self.skipped.iter().any(|skip| Some(skip.point.as_str()) == point);
        if self.points.is_empty() {
            !passed_over()
        } else {
            self.points.iter().any(|done| Some(done.as_str()) == point)
        }
    }
}

/// `finding_raised`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingRaised {
    /// What was noticed.
    pub sign: Sign,
    /// Where.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<String>,
    /// How urgent.
    pub urgency: Urgency,
    /// The meter.
    #[serde(flatten)]
    pub reading: Reading,
}

/// `repair_done`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RepairDone {
    /// Findings it closes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub closes: Vec<EntryRef>,
    /// Where.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<String>,
    /// What had caused it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<String>,
    /// What was done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remedy: Option<String>,
    /// Parts and materials used.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<Material>,
    /// Minutes of work.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<i64>,
    /// The meter.
    #[serde(flatten)]
    pub reading: Reading,
}

/// `finding_cleared`
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingCleared {
    /// The finding that was no fault.
    pub finding: EntryRef,
}

/// `note_left`
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct NoteLeft {
    /// Whether the next operator must know it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub handover: bool,
}

/// `job_set`: the job itself stands in the office part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct JobSet {
    /// The entries that belong to the job.
    pub targets: Vec<EntryRef>,
}

/// What an entry says.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs, reason = "each variant is named after its kind and documented at its type")]
pub enum Fact {
    MachineAdded(MachineAdded),
    MachineChanged(MachineChanged),
    MeterRead(MeterRead),
    MeterChanged(MeterChanged),
    FuelFilled(FuelFilled),
    ShiftBegun(ShiftBegun),
    ShiftEnded(ShiftEnded),
    TaskDone(TaskDone),
    FindingRaised(FindingRaised),
    RepairDone(RepairDone),
    FindingCleared(FindingCleared),
    NoteLeft(NoteLeft),
    PlanSet(Map<String, Value>),
    Corrected(Corrected),
    Struck(Struck),
    Released(Released),
    Settled(Settled),
    JobSet(JobSet),
    CodeMade(CodeMade),
    CodeCancelled(CodeCancelled),
    DeviceEnrolled(DeviceEnrolled),
    DeviceChanged(DeviceChanged),
    DeviceRevoked(DeviceRevoked),
    ShareMade(ShareMade),
    ShareEnded(ShareEnded),
    OfficeWritten(OfficeWritten),
    BillIssued(BillIssued),
    /// Of a kind or version this program does not know: kept, forwarded, counted, not computed.
    Newer,
    /// The body is withheld from this holder.
    Withheld,
}

impl Fact {
    /// What an entry says.
    ///
    /// # Errors
    /// A fault with its place, for a known kind whose body or words break a rule.
    pub fn read(head: &Head, entry: &Entry) -> Result<Self, Fault> {
        if head.v > ENTRY_VERSION {
            return Ok(Fact::Newer);
        }
        if let Part::Open(words) = entry.part("words") {
            check_words(words)?;
        }
        let body = match entry.part("body") {
            Part::Open(body) => body,
            Part::Withheld(_) => return Ok(Fact::Withheld),
            Part::Absent => return Err(Fault::new(code::MALFORMED_ENTRY, "/body", "an entry has a body")),
        };
        Self::read_body(&head.kind, body).and_then(|fact| fact.check(head)).map_err(|fault| fault.under("/body"))
    }

    /// What an entry says that was read with [`Fact::read`] when it was recorded or admitted: lengths and characters are
    /// not looked at again, which is two thirds of the work.
    ///
    /// # Errors
    /// Where the body does not have the form of its kind at all.
    pub fn of_known(head: &Head, entry: &Entry) -> Result<Self, Fault> {
        if head.v > ENTRY_VERSION {
            return Ok(Fact::Newer);
        }
        match entry.part("body") {
            Part::Open(body) => Self::read_body(&head.kind, body).map_err(|fault| fault.under("/body")),
            Part::Withheld(_) => Ok(Fact::Withheld),
            Part::Absent => Err(Fault::new(code::MALFORMED_ENTRY, "/body", "an entry has a body")),
        }
    }

    fn read_body(kind: &str, body: &Map<String, Value>) -> Result<Self, Fault> {
        Ok(match kind {
            "machine_added" => Fact::MachineAdded(typed(body)?),
            "machine_changed" => Fact::MachineChanged(typed(body)?),
            "meter_read" => Fact::MeterRead(typed(body)?),
            "meter_changed" => Fact::MeterChanged(typed(body)?),
            "fuel_filled" => Fact::FuelFilled(typed(body)?),
            "shift_begun" => Fact::ShiftBegun(typed(body)?),
            "shift_ended" => Fact::ShiftEnded(typed(body)?),
            "task_done" => Fact::TaskDone(typed(body)?),
            "finding_raised" => Fact::FindingRaised(typed(body)?),
            "repair_done" => Fact::RepairDone(typed(body)?),
            "finding_cleared" => Fact::FindingCleared(typed(body)?),
            "note_left" => Fact::NoteLeft(typed(body)?),
            "plan_set" => Fact::PlanSet(body.clone()),
            "corrected" => Fact::Corrected(typed(body)?),
            "struck" => Fact::Struck(typed(body)?),
            "released" => Fact::Released(typed(body)?),
            "settled" => Fact::Settled(typed(body)?),
            "job_set" => Fact::JobSet(typed(body)?),
            "code_made" => Fact::CodeMade(typed(body)?),
            "code_cancelled" => Fact::CodeCancelled(typed(body)?),
            "device_enrolled" => Fact::DeviceEnrolled(typed(body)?),
            "device_changed" => Fact::DeviceChanged(typed(body)?),
            "device_revoked" => Fact::DeviceRevoked(typed(body)?),
            "share_made" => Fact::ShareMade(typed(body)?),
            "share_ended" => Fact::ShareEnded(typed(body)?),
            "office_written" => Fact::OfficeWritten(typed(body)?),
            "bill_issued" => Fact::BillIssued(typed(body)?),
            _ => Fact::Newer,
        })
    }

    /// The kind it is written under, and its body.
    #[must_use]
    pub fn write(&self) -> Option<(&'static str, Map<String, Value>)> {
        fn map<T: Serialize>(kind: &'static str, fact: &T) -> Option<(&'static str, Map<String, Value>)> {
            match serde_json::to_value(fact) {
                Ok(Value::Object(map)) => Some((kind, map)),
                _ => None,
            }
        }
        match self {
            Fact::MachineAdded(f) => map("machine_added", f),
            Fact::MachineChanged(f) => map("machine_changed", f),
            Fact::MeterRead(f) => map("meter_read", f),
            Fact::MeterChanged(f) => map("meter_changed", f),
            Fact::FuelFilled(f) => map("fuel_filled", f),
            Fact::ShiftBegun(f) => map("shift_begun", f),
            Fact::ShiftEnded(f) => map("shift_ended", f),
            Fact::TaskDone(f) => map("task_done", f),
            Fact::FindingRaised(f) => map("finding_raised", f),
            Fact::RepairDone(f) => map("repair_done", f),
            Fact::FindingCleared(f) => map("finding_cleared", f),
            Fact::NoteLeft(f) => map("note_left", f),
            Fact::PlanSet(f) => map("plan_set", f),
            Fact::Corrected(f) => map("corrected", f),
            Fact::Struck(f) => map("struck", f),
            Fact::Released(f) => map("released", f),
            Fact::Settled(f) => map("settled", f),
            Fact::JobSet(f) => map("job_set", f),
            Fact::CodeMade(f) => map("code_made", f),
            Fact::CodeCancelled(f) => map("code_cancelled", f),
            Fact::DeviceEnrolled(f) => map("device_enrolled", f),
            Fact::DeviceChanged(f) => map("device_changed", f),
            Fact::DeviceRevoked(f) => map("device_revoked", f),
            Fact::ShareMade(f) => map("share_made", f),
            Fact::ShareEnded(f) => map("share_ended", f),
            Fact::OfficeWritten(f) => map("office_written", f),
            Fact::BillIssued(f) => map("bill_issued", f),
            Fact::Newer | Fact::Withheld => None,
        }
    }

    /// The meter reading that comes with it, if any.
    #[must_use]
    pub fn reading(&self) -> Option<&Reading> {
        match self {
            Fact::MeterRead(f) => Some(&f.reading),
            Fact::FuelFilled(f) => Some(&f.reading),
            Fact::ShiftBegun(f) => Some(&f.reading),
            Fact::ShiftEnded(f) => Some(&f.reading),
            Fact::TaskDone(f) => Some(&f.reading),
            Fact::FindingRaised(f) => Some(&f.reading),
            Fact::RepairDone(f) => Some(&f.reading),
            _ => None,
        }
        .filter(|r| r.reading.is_some())
    }

    /// Where its reading comes from, if no person read it.
    #[must_use]
    pub fn source(&self) -> Option<&str> {
        match self {
            Fact::MeterRead(f) => f.source.as_deref(),
            _ => None,
        }
    }

    /// What serde cannot know: texts, lengths, ranges, and what may be corrected.
    fn check(self, head: &Head) -> Result<Self, Fault> {
        let machine_needed = !matches!(
            self,
            Fact::NoteLeft(_)
                | Fact::Corrected(_)
                | Fact::Struck(_)
                | Fact::Released(_)
                | Fact::Settled(_)
                | Fact::JobSet(_)
                | Fact::Newer
        );
        let machine_needed = machine_needed && !self.is_administration();
        if machine_needed && head.machine.is_none() {
            return Err(Fault::new(code::MALFORMED_ENTRY, "", "an entry of this kind names a machine in its head"));
        }
        if let Some((_, body)) = self.write().filter(|_| !matches!(self, Fact::PlanSet(_) | Fact::Corrected(_))) {
            check_texts(&Value::Object(body), "")?;
        }
        match &self {
            Fact::MeterRead(f) if f.reading.reading.is_none() => {
                Err(Fault::new(code::MALFORMED_ENTRY, "/reading", "a reading is missing"))
            }
            Fact::TaskDone(f) => check_minutes(f.minutes),
            Fact::RepairDone(f) => check_minutes(f.minutes),
            Fact::Corrected(f) if !may_correct(&f.field) => {
                let detail = "a correction is of /head/at, /head/by, /words/text or a field below /body/";
                Err(Fault::new(code::BAD_TARGET, "/field", detail))
            }
            Fact::Corrected(f) if f.field == "/head/at" => {
                let text = f.value.as_str().unwrap_or_default();
                text.parse::<Moment>().map(|_| ()).map_err(|fault| fault.under("/value"))
            }
            Fact::Corrected(f) => check_texts(&f.value, "/value"),
            Fact::Settled(f) if f.over.len() < 2 || f.over.iter().collect::<BTreeSet<_>>().len() != f.over.len() => {
                Err(Fault::new(code::BAD_TARGET, "/over", "a settlement names the two or more entries that disagree"))
            }
            _ => Ok(()),
        }?;
        Ok(self)
    }
}

fn typed<T: DeserializeOwned>(body: &Map<String, Value>) -> Result<T, Fault> {
    T::deserialize(body).map_err(|error| {
        let text = error.to_string();
        // serde names a missing or odd field in backquotes; that is as near to a place as it gets.
        let field = text.split('`').nth(1).filter(|f| body.contains_key(*f) || text.starts_with("missing field"));
        Fault::new(code::MALFORMED_ENTRY, field.map(|f| format!("/{f}")).unwrap_or_default(), text.clone())
    })
}

fn may_correct(field: &str) -> bool {
    matches!(field, "/head/at" | "/head/by" | "/words/text") || (field.starts_with("/body/") && field.len() > 6)
}

fn check_minutes(minutes: Option<i64>) -> Result<(), Fault> {
    match minutes {
        Some(m) if !(0..=MINUTES_MAX).contains(&m) => {
            Err(Fault::new(code::OUT_OF_RANGE, "/minutes", format!("0 to {MINUTES_MAX} minutes")))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn read(kind: &str, body: Value) -> Result<Fact, Fault> {
        let entry = json!({"head":{"v":1,"seq":1,"machine":"BwcHBwcHBwcHBwcHBwcHBw","mseq":1,"seen":0,
            "at":"2026-05-04T07:12:33+02:00","by":"AQEBAQEBAQEBAQEBAQEBAQ","kind":kind},"body":body});
        let entry = Entry::from_value(entry).expect("an entry");
        Fact::read(entry.head().expect("a head"), &entry)
    }

    #[test]
    fn every_kind_reads_back_what_it_writes() {
        let at = json!({"device":"AgICAgICAgICAgICAgICAg","seq":4});
        for (kind, body) in [
            (
                "machine_added",
                json!({"name":"EX3","model":"22 t tracked","serial":"A1","site":"north","meter_kind":"hours"}),
            ),
            ("machine_changed", json!({"site":"south"})),
            ("meter_read", json!({"reading":"4127.5"})),
            ("meter_read", json!({"reading":"4127.5","meter":"km","source":"telematics"})),
            ("meter_changed", json!({"old_reading":"4321","new_reading":"0","reason":"replaced"})),
            ("fuel_filled", json!({"litres":"120","full":true,"reading":"4127.5"})),
            ("shift_begun", json!({"operator":"AQEBAQEBAQEBAQEBAQEBAQ"})),
            ("shift_ended", json!({"conditions":{"submerged":"6"}})),
            (
                "task_done",
                json!({"task":"grease","skipped":[{"point":"boom foot","reason":"not reached"}],"purge":"clean","purge_at":{"bucket pin":"metal"},"minutes":12}),
            ),
            ("finding_raised", json!({"sign":"missing fitting","point":"bucket pin","urgency":"soon"})),
            (
                "repair_done",
                json!({"closes":[at],"remedy":"new fitting","parts":[{"name":"fitting M10x1","amount":"1","unit":"pieces"}]}),
            ),
            ("finding_cleared", json!({"finding":at})),
            ("note_left", json!({"handover":true})),
            ("plan_set", json!({"tasks":[]})),
            ("corrected", json!({"target":at,"field":"/body/reading","value":"4127.5"})),
            ("struck", json!({"target":at})),
            ("released", json!({"target":at})),
            (
                "settled",
                json!({"matter":"twin","over":[at,{"device":"AwMDAwMDAwMDAwMDAwMDAw","seq":4}],"choice":"both"}),
            ),
            ("job_set", json!({"targets":[at]})),
            ("code_made", json!({"code":"AwMDAwMDAwMDAwMDAwMDAw","role":"crew","until":"2026-05-07T07:12:33Z"})),
            ("code_cancelled", json!({"code":"AwMDAwMDAwMDAwMDAwMDAw"})),
            (
                "device_enrolled",
                json!({"device":"AgICAgICAgICAgICAgICAg","key":"AwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwM","mark":"K7",
                    "role":"mechanic","code":"AwMDAwMDAwMDAwMDAwMDAw","follows":"BAQEBAQEBAQEBAQEBAQEBA"}),
            ),
            ("device_changed", json!({"device":"AgICAgICAgICAgICAgICAg","mark":"K8","role":"office"})),
            ("device_revoked", json!({"device":"AgICAgICAgICAgICAgICAg"})),
            (
                "share_made",
                json!({"share":"AwMDAwMDAwMDAwMDAwMDAw","machine":"BwcHBwcHBwcHBwcHBwcHBw","until":"2026-05-07T07:12:33Z","shows":["names"]}),
            ),
            ("share_ended", json!({"share":"AwMDAwMDAwMDAwMDAwMDAw"})),
            ("office_written", json!({})),
            ("bill_issued", json!({"bill":"AwMDAwMDAwMDAwMDAwMDAw"})),
        ] {
            let fact = read(kind, body.clone()).expect(kind);
            assert_eq!(fact.write().expect(kind), (kind, body.as_object().expect("object").clone()), "{kind}");
        }
        assert_eq!(read("weighed", json!({"anything":1})), Ok(Fact::Newer));
    }

    #[test]
    fn a_body_that_breaks_a_rule_is_named_with_its_place() {
        for (kind, body, code, pointer) in [
            ("meter_read", json!({}), code::MALFORMED_ENTRY, "/body/reading"),
            ("meter_read", json!({"reading":"-1"}), code::MALFORMED_ENTRY, "/body"),
            ("meter_read", json!({"reading":5}), code::MALFORMED_ENTRY, "/body"),
            ("meter_read", json!({"reading":"5","source":"a\u{202e}b"}), code::BAD_TEXT, "/body/source"),
            ("task_done", json!({"task":"x","minutes":-1}), code::OUT_OF_RANGE, "/body/minutes"),
            ("task_done", json!({"task":""}), code::OUT_OF_RANGE, "/body/task"),
            ("task_done", json!({"task":"a\u{202e}b"}), code::BAD_TEXT, "/body/task"),
            ("finding_raised", json!({"sign":"wobble","urgency":"soon"}), code::MALFORMED_ENTRY, "/body"),
            (
                "corrected",
                json!({"target":{"device":"AgICAgICAgICAgICAgICAg","seq":4},"field":"/head/machine","value":1}),
                code::BAD_TARGET,
                "/body/field",
            ),
            ("settled", json!({"matter":"twin","over":[],"choice":"both"}), code::BAD_TARGET, "/body/over"),
        ] {
            let fault = read(kind, body).expect_err(kind);
            assert_eq!((fault.code.as_str(), fault.pointer.as_str()), (code, pointer), "{kind}: {fault}");
        }
    }
}
