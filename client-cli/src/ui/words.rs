//! Facts in the words of the crew: short, for a narrow screen.
//!
//! Promises: words stay those of the trade, amounts keep their digits, every name is resolved by the caller's list.
//! Pure: the same fact gives the same words everywhere. Never hides a part of a fact.

use super::{Line, Tone};
use crate::names::Names;
use pintle_core::fact::{Attributes, Fact, Material, MeterKind, Reading, TaskDone, Urgency};
use pintle_core::photo::FileRef;
use pintle_core::plan::GREASING;
use serde_json::Value;

/// What a meter counts, as a unit.
#[must_use]
pub fn unit(kind: MeterKind) -> &'static str {
    match kind {
        MeterKind::Hours | MeterKind::TachHours => "h",
        MeterKind::Kilometres => "km",
        MeterKind::Cycles => "cycles",
    }
}

/// What an entry says.
#[must_use]
pub fn fact(fact: &Fact, kind: MeterKind, names: &Names) -> String {
    let mut parts: Vec<String> = match fact {
        Fact::MachineAdded(f) => {
            let mut parts = vec!["added".to_owned()];
            parts.extend(attributes(&f.attributes));
            parts
        }
        Fact::MachineChanged(f) => {
            let mut parts = vec!["changed".to_owned()];
            parts.extend(f.name.iter().map(|name| format!("name {name}")));
            parts.extend(attributes(&f.attributes));
            parts
        }
        Fact::MeterRead(_) => Vec::new(),
        Fact::MeterChanged(f) => {
            let which = f.meter.as_deref().map(|m| format!("{m} ")).unwrap_or_default();
            let unit = if f.meter.is_some() { "" } else { unit(kind) };
            vec![
                format!("{which}meter {}, {} to {} {unit}", f.reason, f.old_reading, f.new_reading)
                    .trim_end()
                    .to_owned(),
            ]
        }
        Fact::FuelFilled(f) => {
            let full = if f.full == Some(true) { " (full)" } else { "" };
            vec![format!("fuel {} l{full}", f.litres)]
        }
        Fact::ShiftBegun(f) => vec![operator("shift begun", f.operator, names)],
        Fact::ShiftEnded(f) => {
            let mut parts = vec![operator("shift ended", f.operator, names)];
            parts.extend(f.conditions.iter().map(|(condition, hours)| format!("{hours} h {condition}")));
            parts
        }
        Fact::TaskDone(f) => task(f),
        Fact::FindingRaised(f) => {
            let mut parts = vec![format!("found {}", f.sign)];
            parts.extend(f.point.clone());
            parts.push(urgency(f.urgency).to_owned());
            parts
        }
        Fact::RepairDone(f) => {
            let mut parts = vec!["repaired".to_owned()];
            parts.extend(f.point.clone());
            parts.extend(f.cause.iter().map(|c| format!("cause: {c}")));
            parts.extend(f.remedy.iter().map(|r| format!("remedy: {r}")));
            parts.extend(f.parts.iter().map(material));
            parts.extend(f.minutes.map(|m| format!("{m} min")));
            parts.extend(f.closes.iter().map(|e| format!("closes {}", names.entry(*e))));
            parts
        }
        Fact::FindingCleared(f) => vec![format!("{} cleared, no fault", names.entry(f.finding))],
        Fact::NoteLeft(f) if f.handover => vec!["handover noted".to_owned()],
        Fact::NoteLeft(_) => vec!["noted".to_owned()],
        Fact::PlanSet(f) => {
            let name = f.get("name").and_then(Value::as_str).map(|name| format!(" {name}"));
            let tasks = f.get("tasks").and_then(Value::as_array).map_or(0, Vec::len);
            vec![format!("plan set:{}", name.unwrap_or_default()), counted(tasks as u64, "task", "tasks")]
        }
        Fact::Corrected(f) => {
            vec![format!(
                "{} corrected: {} {}",
                names.entry(f.target),
                field(&f.field),
                corrected(&f.field, &f.value, names)
            )]
        }
        Fact::Struck(f) => vec![format!("{} struck", names.entry(f.target))],
        Fact::Released(f) => vec![format!("{} released: it counts", names.entry(f.target))],
        Fact::Settled(f) => {
            let choice = match &f.choice {
                pintle_core::fact::Choice::Entry(e) => format!("{} stands", names.entry(*e)),
                pintle_core::fact::Choice::Same => "the same".to_owned(),
                pintle_core::fact::Choice::Both => "both".to_owned(),
            };
            let over: Vec<String> = f.over.iter().map(|e| names.entry(*e)).collect();
            vec![format!("settled {}: {choice}", over.join(" / "))]
        }
        Fact::JobSet(f) => vec![format!("{} entries put to a job", f.targets.len())],
        Fact::CodeMade(f) => vec![format!("code made for one device ({})", f.role.as_str()), until(&f.until)],
        Fact::CodeCancelled(_) => vec!["code cancelled".to_owned()],
        Fact::DeviceEnrolled(f) => vec![format!("device {} let in ({})", f.mark, f.role.as_str())],
        Fact::DeviceChanged(f) => {
            let mut parts = vec![format!("device {} changed", names.mark(f.device))];
            parts.extend(f.mark.iter().map(|mark| format!("now {mark}")));
            parts.extend(f.role.map(|role| format!("now {}", role.as_str())));
            parts
        }
        Fact::DeviceRevoked(f) => vec![format!("device {} revoked", names.mark(f.device))],
        Fact::ShareMade(f) => vec!["shown to an outsider".to_owned(), names.machine(f.machine), until(&f.until)],
        Fact::ShareEnded(_) => vec!["no longer shown to an outsider".to_owned()],
        Fact::OfficeWritten(_) => vec!["written by the office".to_owned()],
        Fact::BillIssued(_) => vec!["a bill issued".to_owned()],
        Fact::Newer => vec!["needs a newer pintle to be read".to_owned()],
        Fact::Withheld => vec!["withheld".to_owned()],
    };
    if let Some(reading) = fact.reading() {
        let source = fact.source().map(|source| format!(" by {source}")).unwrap_or_default();
        parts.push(format!("{}{source}", self::reading(reading, kind)));
    }
    parts.join(", ")
}

fn until(until: &pintle_core::moment::Moment) -> String {
    format!("until {}", moment(until.text()))
}

fn operator(what: &str, operator: Option<pintle_core::ids::PersonId>, names: &Names) -> String {
    operator.map_or_else(|| what.to_owned(), |id| format!("{what} by {}", names.person(id)))
}

/// A reading with its unit.
#[must_use]
pub fn reading(reading: &Reading, kind: MeterKind) -> String {
    let shown = reading.reading.unwrap_or_default();
    match &reading.meter {
        Some(meter) => format!("{shown} {meter}"),
        None => format!("{shown} {}", unit(kind)),
    }
}

fn attributes(attributes: &Attributes) -> Vec<String> {
    let Attributes { make, model, serial, site, retired } = attributes;
    [
        make.clone(),
        model.clone(),
        serial.as_ref().map(|s| format!("serial {s}")),
        site.as_ref().map(|s| format!("site {s}")),
        retired.as_ref().map(|r| format!("retired: {r}")),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn task(done: &TaskDone) -> Vec<String> {
    let grease = done.task == GREASING;
    let mut parts = vec![if grease { "greased".to_owned() } else { format!("{} done", done.task) }];
    if !done.points.is_empty() {
        parts.push(done.points.join(" + "));
    } else if done.skipped.is_empty() && grease {
        parts.push("all points".to_owned());
    }
    parts.extend(done.skipped.iter().map(|skip| match &skip.reason {
        Some(reason) => format!("not {} ({reason})", skip.point),
        None => format!("not {}", skip.point),
    }));
    parts.extend(done.purge.map(|purge| format!("purge {purge}")));
    parts.extend(done.purge_at.iter().map(|(point, purge)| format!("{point} purge {purge}")));
    parts.extend(done.materials.iter().map(material));
    parts.extend(done.minutes.map(|m| format!("{m} min")));
    parts
}

/// Something used up.
#[must_use]
pub fn material(material: &Material) -> String {
    let unit = material.unit.as_deref().unwrap_or_default();
    match material.amount {
        Some(amount) => format!("{amount} {unit} {}", material.name).replace("  ", " "),
        None => material.name.clone(),
    }
}

/// How urgent, so that the worst is not read over.
#[must_use]
pub fn urgency(urgency: Urgency) -> &'static str {
    match urgency {
        Urgency::Watch => "watch",
        Urgency::Soon => "soon",
        Urgency::TaggedOut => "TAGGED OUT",
    }
}

/// A field of an entry, as people call it.
#[must_use]
pub fn field(pointer: &str) -> String {
    match pointer {
        "/head/at" => "time".to_owned(),
        "/head/by" => "author".to_owned(),
        "/words/text" => "words".to_owned(),
        other => other.trim_start_matches("/body/").replace(['/', '_'], " ").replace("~1", "/").replace("~0", "~"),
    }
}

/// A value of a corrected field, as people read it.
#[must_use]
pub fn corrected(pointer: &str, value: &Value, names: &Names) -> String {
    match (pointer, value.as_str()) {
        ("/head/at", Some(text)) => moment(text),
        _ => self::value(value, names),
    }
}

/// A moment to the minute, as its author had it: `2026-05-04 07:12`.
#[must_use]
pub fn moment(text: &str) -> String {
    text.replace('T', " ").get(..16).unwrap_or(text).to_owned()
}

/// A value of a field, as people read it.
#[must_use]
pub fn value(value: &Value, names: &Names) -> String {
    match value {
        Value::Null => "none".to_owned(),
        Value::String(text) => match text.parse() {
            Ok(person) if names.people.contains_key(&person) => names.person(person),
            _ => text.clone(),
        },
        Value::Array(items) => items.iter().map(|item| self::value(item, names)).collect::<Vec<_>>().join(", "),
        Value::Object(map) => map
            .iter()
            .map(|(k, v)| format!("{} {}", k.replace('_', " "), self::value(v, names)))
            .collect::<Vec<_>>()
            .join(", "),
        other => other.to_string(),
    }
}

/// A span of time in its largest unit, cut off: `3 d`, `5 h`, `12 min`.
#[must_use]
pub fn span(seconds: i64) -> String {
    match seconds {
        s if s >= 2 * 86_400 => format!("{} d", s / 86_400),
        s if s >= 2 * 3_600 => format!("{} h", s / 3_600),
        s => format!("{} min", s / 60),
    }
}

/// A number with what it counts.
#[must_use]
pub fn counted(number: u64, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

/// A file, as an entry names it.
#[must_use]
pub fn file(file: &FileRef) -> Line {
    Line::toned(Tone::Faint, "photo ").plain(file.shown()).with(Tone::Faint, format!(", {}", size(file.bytes)))
}

/// A length in bytes, as people say it.
#[must_use]
pub fn size(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{} KB", bytes.div_ceil(1000)),
        _ => format!("{}.{} MB", bytes / 1_000_000, bytes % 1_000_000 / 100_000),
    }
}
