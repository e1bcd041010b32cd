//! `pintle correct`: gives another value for one field of an earlier entry; both stay readable.
//!
//! Promises: says what stood there and what stands there now; refuses a value the entry could not have had, with what
//! would be understood. Never changes the entry itself: the correction is an entry of its own.

use super::{Here, RecordedAnswer};
use crate::ambient::Wall;
use crate::asked::{self, quoted};
use crate::dial::Dial;
use crate::glance;
use crate::names::{self, Names};
use crate::problem::{Code, Problem};
use crate::record::{Recording, Saying, record};
use crate::store::{Glance, Tx};
use crate::ui::words;
use pintle_core::book::counting;
use pintle_core::decimal::Decimal;
use pintle_core::entry::{Entry, Head, Held};
use pintle_core::fact::{Condition, Corrected, Fact, MeterChange, Purge, Sign};
use pintle_core::ids::MachineId;
use serde_json::{Value, json};

/// Give another value for one field of an entry
#[derive(Debug, clap::Args)]
#[command(after_help = FIELDS)]
pub struct Correct {
    /// The entry: K7-412
    entry: String,
    /// Which field
    field: String,
    /// What it should have been; "none" for nothing
    #[arg(required = true, value_name = "VALUE", allow_hyphen_values = true)]
    value: Vec<String>,
}

const FIELDS: &str = "\
Fields of every entry: at, by, text. Others by kind: reading,
meter, litres, full, task, points, skip, purge, used, minutes, sign,
point, urgency, cause, remedy, parts, old, new, why, operator,
submerged, dusty, muddy, frost, dry, handover, name, make,
model, serial, site, retired.";

/// Fields that every entry has.
const COMMON: [&str; 3] = ["at", "by", "text"];

/// Fields by kind, as people call them.
fn fields(kind: &str) -> &'static [&'static str] {
    match kind {
        "machine_added" => &["name", "make", "model", "serial", "site"],
        "machine_changed" => &["name", "make", "model", "serial", "site", "retired"],
        "meter_read" => &["reading", "meter"],
        "meter_changed" => &["old", "new", "why", "meter"],
        "fuel_filled" => &["litres", "full", "reading"],
        "shift_begun" => &["operator", "reading"],
        "shift_ended" => &["operator", "dry", "dusty", "muddy", "submerged", "frost", "reading"],
        "task_done" => &["task", "points", "skip", "purge", "used", "minutes", "reading"],
        "finding_raised" => &["sign", "point", "urgency", "reading"],
        "repair_done" => &["point", "cause", "remedy", "parts", "minutes", "reading"],
        "note_left" => &["handover"],
        _ => &[],
    }
}

/// Records it, and shows old and new.
pub(super) fn run(args: &Correct, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut was = String::new();
    let recorded = record(&mut here.store()?, here.ambient, here.claim(), |recording| {
        let target = names::entry(recording.tx, &args.entry)?;
        let held = recording.tx.entry(target)?.ok_or_else(|| {
            Problem::new(Code::UnknownEntry, format!("no entry {} here", args.entry)).hint("pintle log")
        })?;
        let head = held.entry.head().map_err(|fault| Problem::from(fault.clone()))?.clone();
        let machine = machine_of(recording, &head)?;
        let field = field_named(&args.field, &head.kind, &args.entry)?;
        let now = as_it_counts(recording.tx, &held, head.machine)?;
        let (pointer, value) =
            pointer_and_value(field, &args.value.join(" "), &machine, &recording.wall, recording.tx, &now)?;
        try_on(&held.entry, &pointer, &value)?;
        let before = now.pointer(&pointer).cloned().unwrap_or(Value::Null);
        was = words::corrected(&pointer, &before, &Names::load(recording.tx)?);
        let fact = Fact::Corrected(Corrected { target, field: pointer, value });
        recording.say(Saying { machine: head.machine, fact, text: None })
    })?;
    here.ui.show(&RecordedAnswer::of(recorded).instead_of(was))
}

fn machine_of(recording: &Recording<'_>, head: &Head) -> Result<Glance, Problem> {
    let id = head.machine.unwrap_or(MachineId([0; 16]));
    Ok(recording.tx.machine(id)?.unwrap_or_else(|| Glance::unknown(id)))
}

fn field_named(typed: &str, kind: &str, entry: &str) -> Result<&'static str, Problem> {
    let typed = typed.to_lowercase();
    let typed = match typed.as_str() {
        "time" => "at",
        "author" | "who" => "by",
        "words" => "text",
        "point" if kind == "task_done" => "points",
        "skipped" => "skip",
        "materials" => "used",
        "reason" => "why",
        "liters" | "fuel" => "litres",
        other => other,
    };
    let all = || COMMON.iter().chain(fields(kind));
    if let Some(field) = all().find(|field| **field == typed) {
        return Ok(field);
    }
    if matches!(kind, "corrected" | "struck" | "settled") {
        let sentence = format!("{entry} is itself a change; correct the entry it is about, or strike {entry}");
        return Err(Problem::new(Code::UnknownField, sentence).hint(format!("pintle strike {entry} \"why\"")));
    }
    let list = all().copied().collect::<Vec<_>>().join(", ");
    Err(Problem::new(Code::UnknownField, format!("{entry} has no {}", quoted(typed))).hint(format!("one of: {list}")))
}

/// The entry as JSON with all corrections so far, so that the old value can be shown.
fn as_it_counts(tx: &Tx<'_>, held: &Held, machine: Option<MachineId>) -> Result<Value, Problem> {
    let entries = match machine {
        Some(machine) => glance::entries(tx, machine)?.1,
        None => tx.entries_of_none()?,
    };
    let mut now = Value::Object(held.entry.as_map().clone());
    if let Some(item) = counting(&entries).into_iter().find(|item| item.stamp.entry == held.name()) {
        now["head"]["at"] = json!(item.stamp.at);
        now["head"]["by"] = json!(item.stamp.by);
        if let Some((_, body)) = item.fact.write() {
            now["body"] = Value::Object(body);
        }
        if let Some(text) = item.text {
            now["words"] = json!({"text": text});
        }
    }
    Ok(now)
}

fn pointer_and_value(
    field: &str,
    text: &str,
    machine: &Glance,
    wall: &Wall,
    tx: &Tx<'_>,
    now: &Value,
) -> Result<(String, Value), Problem> {
    let body = |name: &str| format!("/body/{name}");
    if text == "none" && !matches!(field, "at" | "by") {
        let name = match field {
            "text" => return Ok(("/words/text".into(), Value::Null)),
            "skip" => "skipped",
            "used" => "materials",
            other => other,
        };
        return Ok((body(name), Value::Null));
    }
    let list = |text: &str| text.split(',').map(|item| item.trim().to_owned()).collect::<Vec<_>>();
    let materials = |text: &str| list(text).iter().map(|item| asked::material(item)).collect::<Result<Vec<_>, _>>();
    Ok(match field {
        "at" => ("/head/at".into(), json!(asked::moment(text, wall)?.at)),
        "by" => ("/head/by".into(), json!(names::person(tx, text)?)),
        "text" => ("/words/text".into(), json!(text)),
        "reading" => (body(field), json!(whole(text, machine)?)),
        "litres" => (body(field), json!(asked::decimal("litres", text)?)),
        "old" => (body("old_reading"), json!(whole(text, machine)?)),
        "new" => (body("new_reading"), json!(whole(text, machine)?)),
        "meter" => (body(field), json!(Dial::of(tx, machine, Some(text))?.meter)),
        "why" => (body("reason"), json!(asked::word::<MeterChange>("reason", text)?)),
        "minutes" => (body(field), json!(asked::minutes(text)?)),
        "full" | "handover" => (body(field), json!(yes(text)?)),
        "operator" => (body(field), json!(names::person(tx, text)?)),
        "purge" => (body(field), json!(asked::word::<Purge>("purge", text)?)),
        "sign" => (body(field), json!(asked::word::<Sign>("sign", text)?)),
        "urgency" => (body(field), json!(asked::urgency(text)?)),
        "points" => (body(field), json!(list(text))),
        "skip" => (body("skipped"), json!(list(text).iter().map(|item| asked::skipped(item)).collect::<Vec<_>>())),
        "used" => (body("materials"), json!(materials(text)?)),
        "parts" => (body(field), json!(materials(text)?)),
        "dry" | "dusty" | "muddy" | "submerged" | "frost" => condition(field, text, now)?,
        other => (body(other), json!(text)),
    })
}

/// A whole reading: the one it would be added to may be the very one that is wrong.
fn whole(text: &str, machine: &Glance) -> Result<Decimal, Problem> {
    if text.starts_with('+') {
        return Err(Problem::new(Code::UnclearReading, "a correction gives the whole reading").hint("like 4127.5"));
    }
    asked::reading(text, &machine.name, None)
}

/// Hours in one condition; where the entry tells of none yet, the whole set is given.
fn condition(field: &str, text: &str, now: &Value) -> Result<(String, Value), Problem> {
    let condition: Condition = asked::word("condition", field)?;
    let hours = asked::decimal("hours", text)?;
    if now.pointer("/body/conditions").is_some() {
        return Ok((format!("/body/conditions/{condition}"), json!(hours)));
    }
    Ok(("/body/conditions".into(), json!({condition.as_str(): hours})))
}

fn yes(text: &str) -> Result<bool, Problem> {
    match text {
        "yes" | "true" => Ok(true),
        "no" | "false" => Ok(false),
        _ => Err(Problem::new(Code::UnclearWords, format!("{text:?} is neither yes nor no")).hint("yes, or no")),
    }
}

/// Whether the entry would still be one with the new value.
fn try_on(entry: &Entry, pointer: &str, value: &Value) -> Result<(), Problem> {
    let mut whole = Value::Object(entry.as_map().clone());
    if let Some((parent, field)) = pointer.rsplit_once('/') {
        match whole.pointer_mut(parent) {
            Some(Value::Object(map)) if value.is_null() => map.remove(field).map(|_| ()).unwrap_or_default(),
            Some(Value::Object(map)) => map.insert(field.to_owned(), value.clone()).map(|_| ()).unwrap_or_default(),
            _ if parent == "/words" => whole["words"] = json!({field: value}),
            _ => {}
        }
    }
    let tried = Entry::from_value(whole)?;
    let head = tried.head().map_err(|fault| Problem::from(fault.clone()))?;
    Fact::read(head, &tried)?;
    Ok(())
}
