//! `pintle book`: what is known of one machine, the worst first.
//!
//! Promises: a page folded from all entries held, tagged-out findings first; with `--json` the same bytes on every
//! device that holds the same entries and names. Never changes anything, and never hides what is disputed or doubtful.

use super::clashes::{Open, lines as clash_lines};
use super::telling::{self, Teller};
use super::{Here, hold};
use crate::ambient::Wall;
use crate::glance;
use crate::names::{self, Names};
use crate::problem::Problem;
use crate::ui::{Answer, Line, Tone, due as shown, words};
use pintle_core::book::{Book as Folded, HandsShare, Task, book};
use pintle_core::decimal::Decimal;
use pintle_core::due::due;
use pintle_core::entry::Held;
use pintle_core::fact::{MeterKind, Urgency};
use serde_json::{Value, json};

/// People whose share is shown; the rest are counted. More hands than that are told by their number.
const HANDS_MAX: usize = 6;

/// What is known of one machine
#[derive(Debug, clap::Args)]
pub struct Book {
    /// Which machine
    machine: Option<String>,
}

struct Page {
    book: Folded,
    entries: Vec<Held>,
    name: String,
    names: Names,
    now: Wall,
    /// Entries that came by carry and are not known to be with the server.
    carried: u64,
    /// Whether what others write about it comes here.
    held: bool,
}

/// Shows it.
pub(super) fn run(args: &Book, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let now = here.ambient.wall();
    here.answer(|tx| {
        let machine = match &args.machine {
            Some(name) => names::machine(tx, name)?,
            None => names::last_machine(tx, &tx.own()?)?,
        };
        let (chief, entries) = glance::entries(tx, machine.id)?;
        let waiting = tx.carried_waiting()?;
        let came = |held: &&Held| {
            let at = held.name();
            held.position.is_none()
                && waiting.iter().any(|run| run.device == at.device && (run.from..=run.end.seq).contains(&at.seq))
        };
        let carried = entries.iter().filter(came).count() as u64;
        let held = tx.machines_held()?.takes(Some(machine.id));
        let (book, names) = (book(chief, &entries), Names::load(tx)?);
        Ok(Page { book, entries, name: machine.name, names, now, carried, held })
    })
}

impl Page {
    fn kind(&self) -> MeterKind {
        self.book.meters.first().map_or(MeterKind::Hours, |m| m.kind)
    }

    fn teller(&self) -> Teller<'_> {
        Teller { names: &self.names, now: &self.now }
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
        if self.carried > 0 {
            let told = words::counted(self.carried, "entry", "entries");
            lines.push(Line::toned(Tone::Odd, format!("{told} came by carry, not yet on the server")).indented(2));
        }
        lines
    }

    fn task(&self, task: &Task) -> Vec<Line> {
        let at = task.reading.map(|r| format!(" at {r} {}", words::unit(self.kind()))).unwrap_or_default();
        let points = if task.points.is_empty() { String::new() } else { format!(": {}", task.points.join(" + ")) };
        let twins = if task.twins.is_empty() { "" } else { " [recorded twice?]" };
        let mut lines = vec![
            Line::of(format!("{}{at}{points}, {}", task.task, words::counted(task.times, "time", "times")))
                .with(Tone::Faint, format!(" ({})", telling::stamp(&task.last, &self.teller())))
                .with(Tone::Odd, twins)
                .indented(2),
        ];
        lines.extend(task.skipped.iter().map(|skip| telling::skipped(skip, &self.teller()).indented(4)));
        lines
    }

    /// What is due, one line each: how much of the interval is used, and how far it is off.
    fn due(&self) -> Vec<Line> {
        let due = due(&self.book, self.now.second, self.now.offset_s(self.now.second));
        [Line::toned(Tone::Strong, "Due")].into_iter().chain(due.iter().map(shown::short_line)).collect()
    }

    /// How the plan was kept: the share on time, and what was not.
    fn keeping(&self) -> Vec<Line> {
        let heading = (!self.book.keeping.is_empty()).then(|| Line::toned(Tone::Strong, "Kept up, on time"));
        heading.into_iter().chain(telling::kept(&self.book.keeping)).collect()
    }

    /// Who ran it, by share.
    fn hands(&self) -> Vec<Line> {
        let Some(hands) = &self.book.hands else { return Vec::new() };
        let HandsShare { by, total, effective, people } = &hands.life;
        let lately = if hands.recent.effective == *effective {
            String::new()
        } else {
            format!(", {} in the last 500 h", shown::short(hands.recent.effective))
        };
        let text = format!("Hands {} by {by}{lately}", shown::short(*effective));
        let mut lines = vec![Line::toned(Tone::Strong, text)];
        let milli = |d: Decimal| u64::try_from(d.milli).unwrap_or(0);
        for part in people.iter().take(HANDS_MAX) {
            let share = shown::permille(milli(part.amount), milli(*total));
            let unit = if by == "hours" { " h" } else { "" };
            let name = self.names.person(part.person);
            let text = format!("{name} {}, {}{unit}", shown::percent(share), part.amount);
            lines.push(shown::gauged(share, Tone::Plain, &text));
        }
        if people.len() > HANDS_MAX {
            lines.push(Line::toned(Tone::Faint, format!("and {} more", people.len() - HANDS_MAX)).indented(2));
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
            lines.extend(notes.iter().map(|note| telling::note(note, &self.teller()).indented(2)));
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
            lines.push(
                Line::of(what)
                    .with(Tone::Faint, format!(" ({})", telling::stamp(&repair.stamp, &self.teller())))
                    .indented(2),
            );
        }
        lines
    }

    fn disputes(&self) -> Vec<Line> {
        let machine = self.book.machine;
        let clashes = self.book.clashes.iter().map(|clash| Open::Clash(machine, clash.clone()));
        let twins = self.book.twins.iter().map(|twin| Open::Twin(machine, twin.clone()));
        clashes.chain(twins).flat_map(|one| clash_lines(&one, &self.names)).collect()
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
        lines.extend((!self.held).then(|| hold::apart(&self.name)).into_iter().flatten());
        let others = self.book.findings.iter().filter(|f| f.urgency != Urgency::TaggedOut);
        lines.extend(others.flat_map(|finding| telling::finding(finding, &self.teller())));
        lines.extend(telling::meters(&self.book.meters, &self.teller()));
        lines.extend(self.due());
        if !self.book.tasks.is_empty() {
            lines.push(Line::toned(Tone::Strong, "Done last"));
            lines.extend(self.book.tasks.iter().flat_map(|task| self.task(task)));
        }
        lines.extend(telling::purges(&self.book.purges, &self.teller()).into_iter().map(|line| line.indented(2)));
        lines.extend(self.keeping());
        lines.extend(telling::shifts(self.book.shift.as_ref(), self.book.last_shift.as_ref(), &self.teller()));
        lines.extend(self.book.fuel.as_ref().map(|fuel| telling::fuel(fuel, &self.teller())));
        lines.extend(self.hands());
        lines.extend(self.told());
        if !self.book.clashes.is_empty() || !self.book.twins.is_empty() {
            lines.push(Line::toned(Tone::Strong, "Disputed"));
            lines.extend(self.disputes());
        }
        lines.extend(telling::doubts(&self.book, &self.entries, &self.teller()));
        lines.push(self.counts());
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        let out = self.book.findings.iter().filter(|f| f.urgency == Urgency::TaggedOut);
        out.flat_map(|finding| telling::finding(finding, &self.teller())).collect()
    }

    fn json(&self) -> Value {
        let mut answer = json!({"book": self.book});
        if !self.held {
            answer["held"] = json!(false);
        }
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}
