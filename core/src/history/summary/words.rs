//! What entries say, in words.
//!
//! Promises: every field of a body is there, with its name and its value as it was written, whatever it is; entries and
//! people are named where the record knows them.
//!
//! Never markup, and nothing that turns the direction of what follows: each value of a person ends in a mark that keeps
//! what comes after it in its place (U+200E).

use super::super::record::Record;
use super::Spoken;
use super::gather::Names;
use crate::entry::{Entry, EntryRef, Part};
use crate::photo::FileRef;
use crate::plan::Every;
use serde_json::{Map, Value};

/// After a text of a person in the middle of a line.
const KEEPS_PLACE: char = '\u{200E}';

/// A length of time.
pub(super) fn span(seconds: i64) -> String {
    let (minutes, hours, days) = (seconds / 60, seconds / 3600, seconds / 86_400);
    match () {
        () if days >= 2 => format!("{days} days"),
        () if hours >= 1 => format!("{hours} h {} min", seconds % 3600 / 60),
        () if minutes >= 1 => format!("{minutes} min"),
        () => format!("{seconds} s"),
    }
}

/// A text of a person inside a line.
pub(super) fn inside(text: &str) -> String {
    format!("{text}{KEEPS_PLACE}")
}

/// The author's words of an entry.
pub(super) fn spoken(entry: &Entry) -> Spoken {
    match (entry.part("words"), entry.text()) {
        (Part::Withheld(_), _) => Spoken::Withheld,
        (_, Some(text)) => Spoken::Words(text.to_owned()),
        _ => Spoken::Nothing,
    }
}

/// A photo or document, in words.
pub(super) fn file(file: &FileRef) -> String {
    format!("photo {}, {} bytes, SHA-256 {}", inside(&file.shown()), file.bytes, file.sha256.hex())
}

/// The body of an entry, field by field; an empty text where it is withheld.
pub(super) fn body(record: &Record, names: &mut Names<'_>, entry: &Entry) -> String {
    match entry.part("body") {
        Part::Open(body) => fields(record, names, body).join(", "),
        Part::Withheld(_) | Part::Absent => String::new(),
    }
}

/// Fields that are read first, in this order; the others follow by their names.
const FIRST: [&str; 12] =
    ["name", "task", "sign", "urgency", "point", "points", "target", "field", "value", "amount", "reading", "meter"];

fn fields(record: &Record, names: &mut Names<'_>, map: &Map<String, Value>) -> Vec<String> {
    let first = FIRST.into_iter().filter_map(|name| map.get_key_value(name));
    let others = map.iter().filter(|(name, _)| !FIRST.contains(&name.as_str()));
    first
        .chain(others)
        .map(|(name, value)| format!("{} {}", name.replace('_', " "), spelled(record, names, value)))
        .collect()
}

/// Any value, in words.
pub(super) fn spelled(record: &Record, names: &mut Names<'_>, value: &Value) -> String {
    match value {
        Value::String(text) => match text.parse() {
            Ok(person) if names.knows(person) => inside(&names.of(person)),
            _ => inside(text),
        },
        Value::Array(items) => items.iter().map(|item| spelled(record, names, item)).collect::<Vec<_>>().join(", "),
        Value::Object(map) => match serde_json::from_value::<EntryRef>(value.clone()) {
            Ok(entry) if map.len() == 2 => record.name(entry),
            _ => fields(record, names, map).join(" "),
        },
        other => other.to_string(),
    }
}

/// How often: `250 hours or 365 days`.
pub(super) fn every(every: &Every) -> String {
    let one = |count: &str, unit: &str| {
        let unit = if count == "1" { unit.trim_end_matches('s') } else { unit };
        format!("{count} {unit}")
    };
    let mut all: Vec<String> = every.meters.iter().map(|(meter, units)| one(&units.to_string(), meter)).collect();
    let counted = [("days", every.days), ("fills", every.fills), ("shifts", every.shifts)];
    all.extend(counted.into_iter().filter_map(|(unit, count)| count.map(|count| one(&count.to_string(), unit))));
    all.join(" or ")
}
