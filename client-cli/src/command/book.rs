//! `pintle book`: what is known of one machine, the worst first.
//!
//! Promises: a page folded from all entries held, tagged-out findings first; with `--json` the same bytes on every
//! device that holds the same entries and names. Never changes anything, and never hides what is disputed or doubtful.

use super::Here;
use super::clashes::{Open, lines as clash_lines};
use crate::glance;
use crate::names::{self, Names};
use crate::problem::Problem;
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::book::{Book as Folded, Finding, MeterReading, Stamp, Task, book};
use pintle_core::fact::{MeterKind, Urgency};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// What is known of one machine
#[derive(Debug, clap::Args)]
pub struct Book {
    /// Which machine
    machine: Option<String>,
}

struct Page {
    book: Folded,
    name: String,
    names: Names,
}

/// Shows it.
pub(super) fn run(args: &Book, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.answer(|tx| {
        let machine = match &args.machine {
            Some(name) => names::machine(tx, name)?,
            None => names::last_machine(tx, &tx.own()?)?,
        };
        let (chief, entries) = glance::entries(tx, machine.id)?;
        Ok(Page { book: book(chief, &entries), name: machine.name, names: Names::load(tx)? })
    })
}

impl Page {
    fn kind(&self) -> MeterKind {
        self.book.meters.first().map_or(MeterKind::Hours, |m| m.kind)
    }

    /// When and by whom, short.
    fn stamp(&self, stamp: &Stamp) -> String {
        let at = stamp.at.text();
        let (date, time) = (at.get(5..10).unwrap_or_default(), at.get(11..16).unwrap_or_default());
        format!("{}, {}, {date} {time}", self.names.entry(stamp.entry), self.names.person(stamp.by))
    }

    fn finding(&self, finding: &Finding) -> Vec<Line> {
        let tone = if finding.urgency == Urgency::TaggedOut { Tone::Danger } else { Tone::Plain };
        let what = match finding.urgency {
            Urgency::TaggedOut => format!("TAGGED OUT: {}", finding.sign),
            other => format!("{}: {}", words::urgency(other), finding.sign),
        };
        let point = finding.point.as_ref().map(|p| format!(", {p}")).unwrap_or_default();
        let clash = if finding.clash.is_some() { " [disputed]" } else { "" };
        let mut lines = vec![
            Line::toned(tone, format!("{what}{point}"))
                .with(Tone::Faint, format!(" ({})", self.stamp(&finding.stamp)))
                .with(Tone::Odd, clash),
        ];
        lines.extend(finding.text.as_ref().map(|text| Line::of(format!("\"{text}\"")).indented(2)));
        lines
    }

    fn heading(&self) -> Vec<Line> {
        let text = |name: &str| self.book.attributes.get(name).and_then(|said| said.value.as_str());
        let mut about: Vec<String> =
            ["make", "model"].iter().filter_map(|name| text(name)).map(str::to_owned).collect();
        about.extend(text("serial").map(|serial| format!("serial {serial}")));
        about.extend(text("site").map(|site| format!("site {site}")));
        about.extend(text("retired").map(|why| format!("retired: {why}")));
        let mut lines = vec![Line::toned(Tone::Strong, &self.name).plain(" ").plain(about.join(", "))];
        let disputed: Vec<&str> = self
            .book
            .attributes
            .iter()
            .filter(|(_, said)| said.clash.is_some())
            .map(|(name, _)| name.as_str())
            .collect();
        if !disputed.is_empty() {
            lines.push(Line::toned(Tone::Odd, format!("disputed: {}", disputed.join(", "))).indented(2));
        }
        lines
    }

    fn meters(&self) -> Vec<Line> {
        let mut lines = Vec::new();
        for (index, meter) in self.book.meters.iter().enumerate() {
            let unit = if index == 0 { words::unit(meter.kind).to_owned() } else { meter.meter.clone() };
            let shown = |r: &MeterReading| format!("{} {unit}", r.shown);
            match &meter.reading {
                Some(reading) => {
                    let life = if reading.life == reading.shown {
                        String::new()
                    } else {
                        format!(", {} {unit} in its life", reading.life)
                    };
                    lines.push(
                        Line::of(format!("Meter {}{life}", shown(reading)))
                            .with(Tone::Faint, format!(" ({})", self.stamp(&reading.stamp))),
                    );
                }
                None => lines.push(Line::of(format!("Meter ({unit}): no reading yet"))),
            }
            for doubtful in &meter.doubtful {
                let text = format!("doubtful: {} ({})", shown(doubtful), self.stamp(&doubtful.stamp));
                lines.push(Line::toned(Tone::Odd, text).indented(2));
            }
        }
        lines
    }

    fn task(&self, task: &Task) -> Vec<Line> {
        let at = task.reading.map(|r| format!(" at {r} {}", words::unit(self.kind()))).unwrap_or_default();
        let points = if task.points.is_empty() { String::new() } else { format!(": {}", task.points.join(" + ")) };
        let twins = if task.twins.is_empty() { "" } else { " [recorded twice?]" };
        let mut lines = vec![
            Line::of(format!("{}{at}{points}, {}", task.task, words::counted(task.times, "time", "times")))
                .with(Tone::Faint, format!(" ({})", self.stamp(&task.last)))
                .with(Tone::Odd, twins)
                .indented(2),
        ];
        for skip in &task.skipped {
            let why = skip.reason.as_ref().map(|r| format!(": {r}")).unwrap_or_default();
            let text = format!("still to do: {}{why} ({})", skip.point, self.stamp(&skip.stamp));
            lines.push(Line::toned(Tone::Odd, text).indented(4));
        }
        lines
    }

    fn running(&self) -> Vec<Line> {
        let mut lines = Vec::new();
        if let Some(shift) = &self.book.shift {
            let who = self.names.person(shift.operator);
            lines.push(
                Line::of(format!("{who} is running it")).with(Tone::Faint, format!(" ({})", self.stamp(&shift.begun))),
            );
        }
        if let Some(shift) = &self.book.last_shift {
            let conditions: Vec<String> = shift.conditions.iter().map(|(c, h)| format!(", {h} h {c}")).collect();
            lines.push(
                Line::of(format!("Last shift {}{}", self.names.person(shift.operator), conditions.concat()))
                    .with(Tone::Faint, format!(" ({})", self.stamp(&shift.ended))),
            );
        }
        if let Some(fuel) = &self.book.fuel {
            lines.push(
                Line::of(format!(
                    "Fuel {} l last, {} l in {}",
                    fuel.last_litres,
                    fuel.litres,
                    words::counted(fuel.fills, "fill", "fills")
                ))
                .with(Tone::Faint, format!(" ({})", self.stamp(&fuel.last))),
            );
        }
        lines
    }

    fn told(&self) -> Vec<Line> {
        let mut lines = Vec::new();
        for (heading, notes) in [("Handover", &self.book.handover), ("Notes", &self.book.notes)] {
            if notes.is_empty() {
                continue;
            }
            lines.push(Line::toned(Tone::Strong, heading));
            lines.extend(notes.iter().map(|note| {
                let text = note.text.as_deref().unwrap_or("(withheld)");
                Line::of(text).with(Tone::Faint, format!(" ({})", self.stamp(&note.stamp))).indented(2)
            }));
        }
        if !self.book.repairs.is_empty() {
            lines.push(Line::toned(Tone::Strong, "Repairs"));
        }
        for repair in &self.book.repairs {
            let mut parts: Vec<String> = repair.point.iter().cloned().collect();
            parts.extend(repair.cause.iter().map(|c| format!("cause: {c}")));
            parts.extend(repair.remedy.iter().map(|r| format!("remedy: {r}")));
            parts.extend(repair.text.iter().map(|t| format!("\"{t}\"")));
            parts.extend(repair.closes.iter().map(|e| format!("closes {}", self.names.entry(*e))));
            let what = if parts.is_empty() { "repaired".to_owned() } else { parts.join(", ") };
            lines.push(Line::of(what).with(Tone::Faint, format!(" ({})", self.stamp(&repair.stamp))).indented(2));
        }
        lines
    }

    fn disputes(&self) -> Vec<Line> {
        let machine = self.book.machine;
        let clashes = self.book.clashes.iter().map(|clash| Open::Clash(machine, clash.clone()));
        let twins = self.book.twins.iter().map(|twin| Open::Twin(machine, twin.clone()));
        clashes.chain(twins).flat_map(|one| clash_lines(&one, &self.names)).collect()
    }

    /// Doubts, entries with the same one together.
    fn doubts(&self) -> Vec<Line> {
        let mut told: BTreeMap<&str, Vec<String>> = BTreeMap::new();
        for doubt in self.book.doubts.iter().filter(|d| d.code != "reading-doubtful") {
            told.entry(&doubt.detail).or_default().push(self.names.entry(doubt.entry));
        }
        told.iter()
            .map(|(detail, names)| Line::toned(Tone::Odd, names.join(", ")).plain(format!(": {detail}")))
            .collect()
    }

    fn counts(&self) -> Line {
        let counts = &self.book.counts;
        let mut parts = vec![words::counted(counts.entries, "entry", "entries")];
        let more = [
            (counts.corrected, "corrected"),
            (counts.struck, "struck"),
            (counts.aside, "set aside"),
            (counts.newer, "need a newer pintle"),
            (counts.withheld, "withheld"),
        ];
        parts.extend(more.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what}")));
        Line::toned(Tone::Faint, parts.join(", "))
    }
}

impl Answer for Page {
    fn lines(&self) -> Vec<Line> {
        let mut lines = self.warnings();
        lines.extend(self.heading());
        let others = self.book.findings.iter().filter(|f| f.urgency != Urgency::TaggedOut);
        lines.extend(others.flat_map(|finding| self.finding(finding)));
        lines.extend(self.meters());
        if !self.book.tasks.is_empty() {
            lines.push(Line::toned(Tone::Strong, "Done last"));
            lines.extend(self.book.tasks.iter().flat_map(|task| self.task(task)));
        }
        for purge in &self.book.purges {
            let point = purge.point.as_deref().unwrap_or("everywhere else");
            let text = format!("purge {point}: {}", purge.purge);
            lines.push(Line::of(text).with(Tone::Faint, format!(" ({})", self.stamp(&purge.stamp))).indented(2));
        }
        lines.extend(self.running());
        lines.extend(self.told());
        if !self.book.clashes.is_empty() || !self.book.twins.is_empty() {
            lines.push(Line::toned(Tone::Strong, "Disputed"));
            lines.extend(self.disputes());
        }
        lines.extend(self.doubts());
        lines.push(self.counts());
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        let out = self.book.findings.iter().filter(|f| f.urgency == Urgency::TaggedOut);
        out.flat_map(|finding| self.finding(finding)).collect()
    }

    fn json(&self) -> Value {
        let mut answer = json!({"book": self.book});
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}
