//! What stands after the first page: upkeep, findings, hands, parts, what to look at twice, and every entry.
//!
//! Promises: a list is in order of time; open findings come before those that ended. One that is longer than
//! [`LIST_ROWS_MAX`] keeps its newest rows and says how many are left out; of entries it is [`ENTRIES_PRINTED_MAX`].
//!
//! Texts of people stand in pieces of their own, so that one that is read from the right turns nothing around it.

use super::checks::{cut, nothing};
use super::glance::kept_words;
use super::{ENTRIES_PRINTED_MAX, LIST_ROWS_MAX, block, counted, faint, plain, strong, when, when_utc};
use pintle_core::due::Kept;
use pintle_core::history::record::Record;
use pintle_core::history::summary::{EntryTale, FindingTale, Mention, Spoken, Summary};
use serde_json::{Value, json};

/// Services of one task that are listed, the newest: all of them stand among the entries.
const SERVICES_LISTED_MAX: usize = 40;

/// A row with more bytes of text may go on on the next page: it might be longer than a page.
const WHOLE_BYTES_MAX: usize = 1_500;

/// The parts of the document, in order.
pub(super) fn sections(record: &Record, summary: &Summary) -> Vec<Value> {
    let all = [
        section("Keeping up", keeping(summary)),
        section("Findings and repairs", findings(summary)),
        section("To look at twice", doubtful(summary)),
        section("Withheld", withheld(summary)),
        section("Hands", hands(summary)),
        section("Parts and fluids", parts(summary)),
        section("Meters", meters(summary)),
        section("Services", services(summary)),
        section("All entries", entries(record, summary)),
    ];
    all.into_iter().collect()
}

fn section(title: &str, parts: Vec<Value>) -> Value {
    json!({"title": title, "parts": parts})
}

fn note(piece: Value) -> Value {
    json!({"sort": "note", "pieces": [piece]})
}

/// A table whose first column takes what is left; `right` of its last columns hold numbers.
fn grid(caption: &str, columns: &[&str], right: usize, rows: Vec<Vec<Value>>) -> Value {
    json!({"sort": "grid", "caption": caption, "columns": columns, "right": right, "rows": rows})
}

/// A list of entries: name, time, what; and what became of it where `end` names that.
fn list(caption: &str, end: Option<&str>, rows: Vec<Value>) -> Value {
    json!({"sort": "list", "caption": caption, "end": end, "rows": rows})
}

/// A row that is short enough stays on one page.
fn row(entry: &str, when: Vec<Value>, what: Vec<Value>, end: Vec<Value>) -> Value {
    let chars = what.iter().filter_map(|piece| piece["text"].as_str()).map(str::len).sum::<usize>();
    json!({"entry": entry, "when": when, "what": what, "end": end, "whole": chars <= WHOLE_BYTES_MAX})
}

fn said(mention: &Mention, mut what: Vec<Value>, end: Vec<Value>) -> Value {
    what.push(by(&mention.by));
    row(&mention.entry, vec![plain(when(&mention.at))], what, end)
}

fn by(person: &str) -> Value {
    json!({"style": "by", "text": person})
}

/// Words of a person in a piece of their own.
fn spoken(text: &Spoken) -> Vec<Value> {
    match text {
        Spoken::Nothing => Vec::new(),
        Spoken::Words(words) => vec![block("words", words.as_str())],
        Spoken::Withheld => vec![strong("words withheld")],
    }
}

/// The newest rows of a list, and what is said of the others.
fn newest<T>(all: &[T], most: usize, what: &str) -> (Vec<Value>, usize) {
    let from = all.len().saturating_sub(most);
    (cut(all.len() - from, all.len(), what).map(note).into_iter().collect(), from)
}

fn keeping(summary: &Summary) -> Vec<Value> {
    let mut parts = Vec::new();
    if summary.keeping.is_empty() {
        parts.push(note(nothing("No task of the plan was ever recorded as done.")));
    } else {
        parts.push(note(plain(format!("{}, over all tasks of the plan.", kept_words(summary.kept_in_all())))));
        let rows = summary.keeping.iter().map(|one| {
            let worst = one.worst_permille;
            let worst = if worst > 0 { format!("{} %", (worst + 5) / 10) } else { "–".to_owned() };
            let numbers = [one.on_time, one.early, one.late, one.never].map(|number| plain(number.to_string()));
            [vec![plain(&one.task)], numbers.to_vec(), vec![plain(worst)]].concat()
        });
        let columns = ["Task", "On time", "Early", "Late", "Left out", "Worst overrun, of the interval"];
        parts.push(grid("How the plan was kept, by task", &columns, 5, rows.collect()));
    }
    if !summary.overdue.is_empty() {
        let rows = summary.overdue.iter().map(|one| vec![strong(&one.task), plain(&one.why)]);
        parts.push(grid("Past due when the newest entry was made", &["Task", "Why"], 0, rows.collect()));
    }
    let (cut, from) = newest(&summary.late, LIST_ROWS_MAX, "late services");
    parts.extend(cut);
    let rows: Vec<Vec<Value>> = summary.late[from..]
        .iter()
        .map(|late| {
            let over = strong(format!("{} %", (late.over_permille + 5) / 10));
            let never = plain(if late.never > 0 { late.never.to_string() } else { "–".to_owned() });
            vec![plain(&late.task), plain(&late.said.entry), plain(when(&late.said.at)), over, never]
        })
        .collect();
    if !rows.is_empty() {
        let columns = ["Task", "Entry", "When", "Past due, of the interval", "Left out before"];
        parts.push(grid("Late services", &columns, 2, rows));
    }
    let rows: Vec<Value> = summary
        .skipped
        .iter()
        .map(|skip| {
            let mut what = vec![strong(&skip.point), plain(&skip.task)];
            what.extend(skip.reason.as_ref().map(|reason| block("words", reason.as_str())));
            said(&skip.said, what, Vec::new())
        })
        .collect();
    if !rows.is_empty() {
        parts.push(list("Points that were skipped and not done since", None, rows));
    }
    parts
}

fn findings(summary: &Summary) -> Vec<Value> {
    let mut parts = Vec::new();
    let (open, ended): (Vec<&FindingTale>, Vec<&FindingTale>) = summary.findings.iter().partition(|one| one.open);
    for (caption, findings) in [("Open findings", open), ("Findings that have ended", ended)] {
        let (cut, from) = newest(&findings, LIST_ROWS_MAX, "findings");
        parts.extend(cut);
        let rows: Vec<Value> = findings[from..].iter().map(|finding| finding_row(finding)).collect();
        if !rows.is_empty() {
            parts.push(list(caption, Some("Ended"), rows));
        }
    }
    if summary.findings.is_empty() {
        parts.push(note(nothing("No findings recorded.")));
    }
    let (cut, from) = newest(&summary.repairs, LIST_ROWS_MAX, "repairs");
    parts.extend(cut);
    let rows: Vec<Value> = summary.repairs[from..]
        .iter()
        .map(|repair| {
            let mut what = vec![plain(repair.what.join("\u{200E}, "))];
            what.extend(repair.minutes.map(|minutes| faint(format!("{minutes} min of work"))));
            what.extend(spoken(&repair.text));
            said(&repair.said, what, Vec::new())
        })
        .collect();
    parts.push(if rows.is_empty() { note(nothing("No repairs recorded.")) } else { list("Repairs", None, rows) });
    parts
}

fn finding_row(finding: &FindingTale) -> Value {
    let style = if finding.tags_out && finding.open { "strong" } else { "plain" };
    let mut what = vec![block(style, finding.what.join("\u{200E}, "))];
    what.extend(spoken(&finding.text));
    let mut end = Vec::new();
    if let Some(by) = &finding.end {
        let how = if by.repaired { "repaired" } else { "cleared: no fault" };
        end.push(plain(format!("{how}, {} ({})", when(&by.said.at), by.said.entry)));
    }
    if finding.open {
        end.push(strong(if finding.end.is_some() { "open: people disagree" } else { "open" }));
    }
    said(&finding.said, what, end)
}

fn doubtful(summary: &Summary) -> Vec<Value> {
    let mut parts = Vec::new();
    let (cut, from) = newest(&summary.doubtful, LIST_ROWS_MAX, "doubtful points");
    parts.extend(cut);
    let rows: Vec<Value> = summary.doubtful[from..]
        .iter()
        .map(|doubt| {
            let at = doubt.at.as_ref().map_or_else(|| strong("no time"), |at| plain(when(at)));
            let mut what = vec![plain(&doubt.why)];
            what.extend(doubt.text.as_ref().map(|text| block("words", text.as_str())));
            row(&doubt.entry, vec![at], what, Vec::new())
        })
        .collect();
    if !rows.is_empty() {
        parts.push(list("Entries, and why", None, rows));
    }
    let (cut, from) = newest(&summary.disputes, LIST_ROWS_MAX, "disagreements");
    parts.extend(cut);
    parts.extend(summary.disputes[from..].iter().map(|dispute| note(plain(dispute))));
    if parts.is_empty() {
        parts.push(note(nothing("Nothing was found that is struck, corrected, out of its time or in doubt.")));
    }
    parts
}

fn withheld(summary: &Summary) -> Vec<Value> {
    let tale = &summary.withheld;
    if tale.said.is_empty() && tale.entries == 0 {
        return vec![note(nothing("Nothing is said to be withheld."))];
    }
    let told = format!(
        "Withheld, as the file says: {}. Of what is withheld the hash is in the chain: it was not changed since.",
        if tale.said.is_empty() { "nothing".to_owned() } else { tale.said.join(", ") }
    );
    let rows = tale.parts.iter().map(|(part, count)| vec![plain(part), plain(count.to_string())]).collect::<Vec<_>>();
    let mut parts = vec![note(plain(told))];
    if !rows.is_empty() {
        parts.push(grid("Entries in which a part is withheld", &["Part", "Entries"], 1, rows));
    }
    parts
}

fn hands(summary: &Summary) -> Vec<Value> {
    let mut parts = Vec::new();
    if let Some(ran) = summary.ran.as_ref().filter(|ran| ran.share.by == "hours") {
        let share = &ran.share;
        parts.push(note(plain(format!(
            "Ran by {} hands in effect, over {} hours of shifts with readings; one regular operator is 1.",
            share.effective, share.total
        ))));
        let people = share.people.iter().zip(&ran.names);
        let rows = people.map(|(part, name)| vec![plain(name), plain(part.amount.to_string())]).collect();
        parts.push(grid("Who ran it", &["Person", "Hours"], 1, rows));
    }
    let rows = summary.hands.iter().map(|hand| {
        let devices: Vec<String> = hand.devices.iter().map(|(mark, count)| format!("{mark} {count}")).collect();
        vec![plain(&hand.person), plain(devices.join(", ")), plain(hand.entries.to_string())]
    });
    let rows: Vec<Vec<Value>> = rows.collect();
    parts.push(if rows.is_empty() {
        note(nothing("Nobody recorded anything."))
    } else {
        grid("Who recorded how much, with which device", &["Person", "Devices", "Entries"], 1, rows)
    });
    parts
}

fn parts(summary: &Summary) -> Vec<Value> {
    let mut parts = Vec::new();
    let rows = summary.materials.iter().take(LIST_ROWS_MAX).map(|used| {
        let all = match (used.unsaid == used.times, used.unsaid) {
            (true, _) => "not said".to_owned(),
            (_, 0) => format!("{} {}", used.total, used.unit),
            (_, unsaid) => {
                format!("{} {}\u{200E} and {} not said", used.total, used.unit, counted(unsaid, "time", "times"))
            }
        };
        vec![plain(&used.name), plain(used.last_in.join(", ")), plain(used.times.to_string()), plain(all)]
    });
    let rows: Vec<Vec<Value>> = rows.collect();
    parts.extend(cut(rows.len(), summary.materials.len(), "sorts of parts and fluids").map(note));
    parts.push(if rows.is_empty() {
        note(nothing("No parts or fluids recorded."))
    } else {
        grid("What was used", &["What", "Last in", "Times", "In all"], 2, rows)
    });
    let needs = summary.plan.tasks.iter().filter(|(_, _, needs)| !needs.is_empty());
    let rows: Vec<Vec<Value>> =
        needs.map(|(task, every, needs)| vec![plain(task), plain(every), plain(needs.join("; "))]).collect();
    if !rows.is_empty() {
        let caption = if summary.plan.set.is_some() {
            "What the plan asks for"
        } else {
            "What the plan of common practice asks for"
        };
        parts.push(grid(caption, &["Task", "Every", "Specification"], 0, rows));
    }
    parts.push(note(match &summary.fuel {
        Some((fills, litres)) => plain(format!("Fuel: {litres} l in {}.", counted(*fills, "fill", "fills"))),
        None => nothing("No fuel recorded."),
    }));
    parts
}

fn meters(summary: &Summary) -> Vec<Value> {
    let rows = summary.meters.iter().map(|meter| {
        let believed: Vec<_> = meter.readings.iter().filter(|reading| reading.believed).collect();
        let end = |reading: Option<&&pintle_core::history::summary::ReadingTale>| {
            reading.map_or_else(|| "–".to_owned(), |reading| format!("{}, {}", reading.life, when(&reading.said.at)))
        };
        let numbers = [meter.readings.len(), meter.readings.len() - believed.len()].map(|n| plain(n.to_string()));
        let ends = [end(believed.first()), end(believed.last())].map(plain);
        [vec![plain(&meter.meter)], ends.to_vec(), numbers.to_vec(), vec![plain(meter.changes.to_string())]].concat()
    });
    let columns = ["Meter", "First, as run in all", "Last, as run in all", "Readings", "In doubt", "Changes"];
    let mut parts = vec![grid("Readings", &columns, 3, rows.collect())];
    let changes: Vec<Value> = summary
        .changes
        .iter()
        .map(|change| {
            let what = vec![plain(&change.meter), plain(format!("{} → {}, {}", change.old, change.new, change.reason))];
            said(&change.said, what, Vec::new())
        })
        .collect();
    parts.push(if changes.is_empty() {
        note(nothing("No meter was changed."))
    } else {
        list("Meter changes", None, changes)
    });
    parts
}

fn services(summary: &Summary) -> Vec<Value> {
    let mut parts = Vec::new();
    for task in summary.services.iter().take(LIST_ROWS_MAX) {
        let from = task.rows.len().saturating_sub(SERVICES_LISTED_MAX);
        let every = summary.plan.tasks.iter().find(|(name, _, _)| *name == task.task);
        let planned = every.map(|(_, every, _)| format!(" Planned every {every}\u{200E}.")).unwrap_or_default();
        let newest = if from > 0 {
            format!(" The newest {SERVICES_LISTED_MAX} of them; all stand among the entries.")
        } else {
            String::new()
        };
        let rows = task.rows[from..].iter().map(|row| {
            let reading = row.reading.map_or_else(|| "–".to_owned(), |reading| reading.to_string());
            let kept = match row.kept {
                Some(Kept::OnTime) => plain("on time"),
                Some(Kept::Early) => plain("early"),
                Some(Kept::Late) => strong("late"),
                None => plain("–"),
            };
            vec![plain(&row.said.by), plain(&row.said.entry), plain(when(&row.said.at)), kept, plain(reading)]
        });
        let rows: Vec<Vec<Value>> = rows.collect();
        parts.push(json!({"sort": "task", "task": task.task, "told": format!("{}.{planned}{newest}", counted(task.rows.len() as u64, "time", "times"))}));
        parts.push(grid("", &["By", "Entry", "When", "To its window", "Meter"], 1, rows));
    }
    parts.extend(cut(summary.services.len().min(LIST_ROWS_MAX), summary.services.len(), "tasks").map(note));
    if parts.is_empty() {
        parts.push(note(nothing("None recorded.")));
    }
    parts
}

fn entries(record: &Record, summary: &Summary) -> Vec<Value> {
    let (cut, from) = newest(&summary.entries, ENTRIES_PRINTED_MAX, "older entries");
    let told = "In order of the time said, as they were made; the time in the second line is the server's receipt. What is struck is struck through, and stays readable.";
    let mut parts = vec![note(faint(told))];
    parts.extend(cut);
    let damaged = record.entries.is_empty();
    let rows: Vec<Value> = summary.entries[from..].iter().map(entry_row).collect();
    parts.push(if damaged { note(nothing("None.")) } else { list("", None, rows) });
    parts
}

fn entry_row(entry: &EntryTale) -> Value {
    let at = entry.at.as_ref().map_or_else(|| strong("no time"), |at| plain(when(at)));
    let received = faint(format!("received {}", when_utc(entry.received_ms)));
    let struck = entry.marks.iter().any(|mark| mark.starts_with("struck"));
    let mut what: Vec<Value> = Vec::new();
    if !entry.marks.is_empty() {
        what.push(strong(entry.marks.join("; ")));
    }
    let told = if entry.said.is_empty() { entry.kind.clone() } else { format!("{}: {}", entry.kind, entry.said) };
    what.push(block(if struck { "struck" } else { "plain" }, told));
    what.extend(spoken(&entry.text));
    what.extend(entry.files.iter().map(|file| faint(file.as_str())));
    what.push(by(&entry.by));
    row(&entry.entry, vec![at, received], what, Vec::new())
}
