//! What a reader should look at twice.
//!
//! Promises: every entry that is struck, corrected, set aside or released, whose clock or reading is in doubt, that came
//! late or before its time, or that only a newer program understands, each with its reason; and what people disagree about.

use super::super::record::Record;
use super::gather::{Names, field_of};
use super::words::{inside, span, spelled};
use super::{DoubtTale, LATE_S};
use crate::book::amend::Amended;
use crate::book::{Book, Doubt};
use crate::clash::Side;
use crate::entry::{EntryRef, Held};
use crate::fact::Fact;
use crate::moment::Moment;
use std::collections::BTreeMap;

/// The doubtful points, in order of time.
pub(super) fn doubtful(record: &Record, book: &Book, amended: &Amended<'_>, names: &mut Names<'_>) -> Vec<DoubtTale> {
    let by_name: BTreeMap<EntryRef, &Held> = record.entries.iter().map(|held| (held.name(), held)).collect();
    let text = |entry: &EntryRef| by_name.get(entry).and_then(|held| held.entry.text()).map(str::to_owned);
    let mut found: Vec<(EntryRef, &str, String, Option<String>)> = Vec::new();
    for doubt in book.doubts.iter().filter(|doubt| doubt.code != "time-ahead") {
        found.push((doubt.entry, &doubt.code, in_words(doubt), None));
    }
    for (target, strikes) in &amended.struck {
        for strike in strikes {
            found.push((*target, "struck", format!("struck by {}", record.name(*strike)), text(strike)));
        }
    }
    for (target, by) in &amended.corrected {
        if let (Some(of), Some(correction)) = (by_name.get(target), by_name.get(by)) {
            let why = correction_in_words(record, names, of, correction);
            found.push((*target, "corrected", why, text(by)));
        }
    }
    for held in &record.entries {
        if let Some((code, why)) = of_time(held) {
            found.push((held.name(), code, why, None));
        }
        let newer = held.aside.is_none() && held.entry.head().is_ok_and(|head| is_newer(head, held));
        if newer {
            found.push((held.name(), "newer", "only a newer program understands it".to_owned(), None));
        }
    }
    let at = |entry: &EntryRef| by_name.get(entry).and_then(|held| held.entry.head().ok()).map(|head| head.at.clone());
    let order = |entry: &EntryRef| (at(entry).as_ref().map(Moment::second), *entry);
    found.sort_by(|a, b| (order(&a.0), a.1, &a.2).cmp(&(order(&b.0), b.1, &b.2)));
    let tale = |(entry, code, why, text): (EntryRef, &str, String, Option<String>)| DoubtTale {
        entry: record.name(entry),
        at: at(&entry),
        code: code.to_owned(),
        why,
        text,
    };
    found.into_iter().map(tale).collect()
}

fn is_newer(head: &crate::entry::Head, held: &Held) -> bool {
    Fact::of_known(head, &held.entry) == Ok(Fact::Newer)
}

/// What the book's code means to someone who has never seen the program.
fn in_words(doubt: &Doubt) -> String {
    let detail = &doubt.detail;
    match doubt.code.as_str() {
        "set-aside" => format!("set aside by the server ({detail}): kept, not counted"),
        "released" => {
            format!("had been set aside ({}); the office let it count", detail.trim_end_matches(", released"))
        }
        "correction-unusable" => format!("a correction of it cannot be used: {}", inside(detail)),
        _ => inside(detail),
    }
}

fn correction_in_words(record: &Record, names: &mut Names<'_>, of: &Held, correction: &Held) -> String {
    let by = record.name(correction.name());
    let Some((field, value)) = field_of(correction) else { return format!("corrected by {by}") };
    let whole = serde_json::Value::Object(of.entry.as_map().clone());
    let before = whole.pointer(&field).map_or_else(|| "not given".to_owned(), |v| spelled(record, names, v));
    let after = if value.is_null() { "nothing".to_owned() } else { spelled(record, names, &value) };
    let field = field.rsplit('/').next().unwrap_or_default().replace('_', " ");
    format!("{} was {before}; corrected to {after} by {by}", inside(&field))
}

/// What is odd about the time an entry claims.
fn of_time(held: &Held) -> Option<(&'static str, String)> {
    let Ok(head) = held.entry.head() else {
        return Some(("time-unreadable", "its time or another part of its head cannot be read".to_owned()));
    };
    let gap_s = held.received_ms?.div_euclid(1000).saturating_sub(head.at.second());
    if gap_s < 0 {
        return Some(("time-ahead", format!("claims a time {} after the server had it", span(-gap_s))));
    }
    let late = gap_s > LATE_S;
    late.then(|| ("late-to-arrive", format!("the server had it only {} after the time it claims", span(gap_s))))
}

/// What people disagree about, and what was probably recorded twice.
pub(super) fn disputes(record: &Record, book: &Book, names: &mut Names<'_>) -> Vec<String> {
    let mut side = |side: &Side| format!("{} says {}", record.name(side.entry), spelled(record, names, &side.value));
    let mut told = Vec::new();
    for clash in &book.clashes {
        let sides = clash.sides.iter().map(&mut side).collect::<Vec<_>>().join("; ");
        told.push(format!(
            "People disagree about {}: {sides}. Until someone settles it {} counts.",
            matter(record, &clash.matter),
            record.name(clash.used)
        ));
    }
    for twin in &book.twins {
        let sides = twin.sides.iter().map(|side| record.name(side.entry)).collect::<Vec<_>>().join(" and ");
        told.push(format!(
            "{sides} are probably one piece of work, recorded twice ({}).",
            matter(record, &twin.matter)
        ));
    }
    told
}

/// What a disagreement is about; see [`crate::clash`].
fn matter(record: &Record, matter: &str) -> String {
    let mut parts = matter.splitn(4, ':');
    let (kind, rest) = (parts.next().unwrap_or_default(), parts.collect::<Vec<_>>());
    let entry = |device: &str, seq: &str| match (device.parse(), seq.parse()) {
        (Ok(device), Ok(seq)) => record.name(EntryRef { device, seq }),
        _ => format!("{device}-{seq}"),
    };
    match (kind, rest.as_slice()) {
        ("field", [device, seq, field]) => {
            let field = field.rsplit('/').next().unwrap_or_default().replace('_', " ");
            format!("the {} of {}", inside(&field), entry(device, seq))
        }
        ("strike", [device, seq]) => format!("whether {} stands", entry(device, seq)),
        ("finding", [device, seq]) => format!("how the finding {} ended", entry(device, seq)),
        ("attribute", [name]) => format!("the machine's {}", inside(name)),
        ("reading", [meter]) => format!("the meter {}", inside(meter)),
        ("task", [task]) => format!("the task {}", inside(task)),
        ("plan", []) => "the service plan".to_owned(),
        _ => inside(matter),
    }
}
