//! Parts of a machine's book as lines: shared by the pages that tell them.
//!
//! Promises: each part says who said it, when, in which entry; what is disputed or doubtful is marked where it stands.
//! Never decides what a page shows.

use crate::ambient::Wall;
use crate::names::Names;
use crate::ui::{Line, NO_BREAK, Tone, due as shown, words};
use pintle_core::book::{
    Book, Finding, Fuel, Keeping, Meter, MeterReading, Note, PurgeSeen, Shift, ShiftPast, SkippedPoint, Stamp,
};
use pintle_core::entry::{EntryRef, Held};
use pintle_core::fact::{Purge, Urgency};
use pintle_core::moment::Moment;
use std::collections::BTreeMap;

/// Two entries of one device with clocks this far apart, in seconds, are told in one line.
const CLOCK_ALIKE_S: i64 = 120;

/// By which names, and seen from which day, things are told.
pub(super) struct Teller<'a> {
    pub names: &'a Names,
    pub now: &'a Wall,
}

impl Teller<'_> {
    /// A moment as short as it can be told: the time where it was this year, the year where it was another.
    pub fn moment(&self, at: &Moment) -> String {
        let text = at.text();
        let date: Option<jiff::civil::Date> = text.get(..10).and_then(|date| date.parse().ok());
        let this_year = self.now.now().text().get(..4) == text.get(..4);
        let form = if this_year { "%-d %b" } else { "%-d %b %Y" };
        let day = date.map(|date| date.strftime(form).to_string()).unwrap_or_default();
        let time = if this_year { format!(" {}", text.get(11..16).unwrap_or_default()) } else { String::new() };
        format!("{day}{time}").replace(' ', &NO_BREAK.to_string())
    }
}

/// When and by whom, short.
pub(super) fn stamp(stamp: &Stamp, told: &Teller<'_>) -> String {
    let Teller { names, .. } = told;
    format!("{}, {}, {}", names.entry(stamp.entry), names.person(stamp.by), told.moment(&stamp.at))
}

fn stamped(line: Line, by: &Stamp, told: &Teller<'_>) -> Line {
    line.with(Tone::Faint, format!(" ({})", stamp(by, told)))
}

/// A finding, the worst so that it is not read over.
pub(super) fn finding(finding: &Finding, told: &Teller<'_>) -> Vec<Line> {
    let tone = if finding.urgency == Urgency::TaggedOut { Tone::Danger } else { Tone::Plain };
    let point = finding.point.as_ref().map(|p| format!(", {p}")).unwrap_or_default();
    let clash = if finding.clash.is_some() { " [disputed]" } else { "" };
    let what = format!("{}: {}{point}", words::urgency(finding.urgency), finding.sign);
    let mut lines = vec![stamped(Line::toned(tone, what), &finding.stamp, told).with(Tone::Odd, clash)];
    lines.extend(finding.text.as_ref().map(|text| Line::of(format!("\"{text}\"")).indented(2)));
    lines
}

/// What each meter shows, and what is doubtful of it.
pub(super) fn meters(meters: &[Meter], told: &Teller<'_>) -> Vec<Line> {
    meters.iter().enumerate().flat_map(|(index, one)| meter(index, one, told)).collect()
}

/// What one meter shows, how much it runs a day, and what is doubtful of it. The first one goes by its unit.
pub(super) fn meter(index: usize, meter: &Meter, told: &Teller<'_>) -> Vec<Line> {
    let unit = if index == 0 { words::unit(meter.kind) } else { &meter.meter };
    let shows = |r: &MeterReading| match &r.source {
        Some(source) => format!("{} {unit} by {source}", r.shown),
        None => format!("{} {unit}", r.shown),
    };
    let mut lines = Vec::new();
    match &meter.reading {
        Some(reading) => {
            let life = match reading.life == reading.shown {
                true => String::new(),
                false => format!(", {} {unit} in its life", reading.life),
            };
            lines.push(stamped(Line::of(format!("Meter {}{life}", shows(reading))), &reading.stamp, told));
        }
        None => lines.push(Line::of(format!("Meter ({unit}): no reading yet"))),
    }
    if let Some(rate) = &meter.rate {
        let short = |value| shown::short(value);
        let band = format!("{} to {}", short(rate.low), short(rate.high));
        let text = format!("{} {unit} a day, {band} ({} readings)", short(rate.per_day), rate.readings);
        lines.push(Line::toned(Tone::Faint, text).indented(2));
    }
    for doubtful in &meter.doubtful {
        let text = format!("doubtful: {} ({})", shows(doubtful), stamp(&doubtful.stamp, told));
        lines.push(Line::toned(Tone::Odd, text).indented(2));
    }
    lines
}

/// A point that was not reached and has not been done since.
pub(super) fn skipped(skip: &SkippedPoint, told: &Teller<'_>) -> Line {
    let why = skip.reason.as_ref().map(|r| format!(": {r}")).unwrap_or_default();
    Line::toned(Tone::Odd, format!("still to do: {}{why} ({})", skip.point, stamp(&skip.stamp, told)))
}

/// What came out when it was greased. Without a point it is of all others, if there are others.
pub(super) fn purges(purges: &[PurgeSeen], told: &Teller<'_>) -> Vec<Line> {
    let others = purges.iter().any(|purge| purge.point.is_some());
    let rest = if others { "everywhere else: " } else { "" };
    purges.iter().map(|seen| purge_of(seen, rest, told)).collect()
}

/// What came out, told by itself.
pub(super) fn purge(seen: &PurgeSeen, told: &Teller<'_>) -> Line {
    purge_of(seen, "", told)
}

fn purge_of(seen: &PurgeSeen, rest: &str, told: &Teller<'_>) -> Line {
    let point = seen.point.as_ref().map_or_else(|| rest.to_owned(), |point| format!("{point}: "));
    // What should not come out must not be read over.
    let tone = if matches!(seen.purge, Purge::Metal | Purge::Water) { Tone::Odd } else { Tone::Plain };
    stamped(Line::toned(tone, format!("purge {point}{}", seen.purge)), &seen.stamp, told)
}

/// Who is running it, and who did last.
pub(super) fn shifts(now: Option<&Shift>, last: Option<&ShiftPast>, told: &Teller<'_>) -> Vec<Line> {
    let running = now.map(|shift| {
        stamped(Line::of(format!("{} is running it", told.names.person(shift.operator))), &shift.begun, told)
    });
    let ran = last.map(|shift| {
        let conditions: Vec<String> = shift.conditions.iter().map(|(c, h)| format!(", {h} h {c}")).collect();
        let text = format!("Last shift {}{}", told.names.person(shift.operator), conditions.concat());
        stamped(Line::of(text), &shift.ended, told)
    });
    running.into_iter().chain(ran).collect()
}

/// Fuel.
pub(super) fn fuel(fuel: &Fuel, told: &Teller<'_>) -> Line {
    let fills = words::counted(fuel.fills, "fill", "fills");
    let text = format!("Fuel {} l last, {} l in {fills}", fuel.last_litres, fuel.litres);
    stamped(Line::of(text), &fuel.last, told)
}

/// How the tasks of a plan were kept: the share on time, and what was not.
pub(super) fn kept(keeping: &[Keeping]) -> Vec<Line> {
    let one = |kept: &Keeping| {
        let all = kept.early + kept.on_time + kept.late + kept.never;
        let share = shown::permille(kept.on_time, all);
        let line = shown::gauged(share, Tone::Plain, &format!("{}, {} of {all}", kept.task, kept.on_time));
        let numbers = [(kept.late, "late"), (kept.early, "early"), (kept.never, "left out")];
        let mut rest: Vec<String> =
            numbers.iter().filter(|(number, _)| *number > 0).map(|(number, what)| format!("{number} {what}")).collect();
        if kept.worst_permille > 0 {
            rest.push(format!("worst {} over", shown::percent(kept.worst_permille)));
        }
        let rest = (!rest.is_empty()).then(|| shown::beside_gauge(Tone::Odd, &rest.join(", ")));
        [Some(line), rest]
    };
    keeping.iter().flat_map(one).flatten().collect()
}

/// A note.
pub(super) fn note(note: &Note, told: &Teller<'_>) -> Line {
    stamped(Line::of(note.text.as_deref().unwrap_or("(withheld)")), &note.stamp, told)
}

/// Doubts about entries, those with the same one together; what clocks were off is told once for a run of entries.
pub(super) fn doubts(book: &Book, entries: &[Held], told: &Teller<'_>) -> Vec<Line> {
    let mut alike: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    let apart = ["reading-doubtful", "clock-off"];
    for doubt in book.doubts.iter().filter(|d| !apart.contains(&d.code.as_str())) {
        alike.entry(&doubt.detail).or_default().push(told.names.entry(doubt.entry));
    }
    let mut lines: Vec<Line> = alike
        .iter()
        .map(|(detail, names)| Line::toned(Tone::Odd, names.join(", ")).plain(format!(": {detail}")))
        .collect();
    let off: BTreeMap<EntryRef, i64> = entries.iter().filter_map(|held| Some((held.name(), held.off_s?))).collect();
    let marked = book.doubts.iter().filter(|d| d.code == "clock-off");
    lines.extend(clocks(marked.filter_map(|d| Some((d.entry, *off.get(&d.entry)?))).collect(), told));
    lines
}

/// Clocks that were off: `R9-42 … R9-54: clock 3 h 12 min behind`.
fn clocks(mut marked: Vec<(EntryRef, i64)>, told: &Teller<'_>) -> Vec<Line> {
    marked.sort();
    let mut runs: Vec<Vec<(EntryRef, i64)>> = Vec::new();
    for (entry, off_s) in marked {
        match runs.last_mut() {
            Some(run) if run[0].0.device == entry.device && (run[0].1 - off_s).abs() <= CLOCK_ALIKE_S => {
                run.push((entry, off_s));
            }
            _ => runs.push(vec![(entry, off_s)]),
        }
    }
    let line = |run: &Vec<(EntryRef, i64)>| {
        let (first, last) =
            (told.names.entry(run[0].0), run.last().map_or_else(String::new, |(entry, _)| told.names.entry(*entry)));
        let which = match run.len() {
            1 => first,
            2 => format!("{first}, {last}"),
            _ => format!("{first} … {last}"),
        };
        let minutes = run[0].1.abs() / 60;
        let way = if run[0].1 > 0 { "ahead" } else { "behind" };
        Line::toned(Tone::Odd, which).plain(format!(": clock {} h {:02} min {way}", minutes / 60, minutes % 60))
    };
    runs.iter().map(line).collect()
}
