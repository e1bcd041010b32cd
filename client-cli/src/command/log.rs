//! `pintle log`: the entries as a paper log shows them, struck ones too.
//!
//! Promises: nothing that is held is left out: struck, corrected, set aside and unreadable entries stand where they
//! were made, with a mark beside them; in the order of the time people claim. Never shows a correction without the
//! original.

use super::Here;
use super::answer::hazards;
use crate::glance;
use crate::names::{self, Names};
use crate::problem::Problem;
use crate::store::{Glance, Tx};
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::book::{Counting, counting};
use pintle_core::entry::{EntryRef, Held};
use pintle_core::fact::{Fact, MeterKind};
use pintle_core::ids::MachineId;
use pintle_core::moment::Moment;
use pintle_core::photo::FileRef;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Entries shown of all machines together, unless asked for otherwise: some three screens of a phone.
const NEWEST_DEFAULT: u32 = 40;

/// The log of a machine, or the newest entries of all
#[derive(Debug, clap::Args)]
pub struct Log {
    /// Which machine; without one: all of them
    machine: Option<String>,
    /// Only so many, the newest
    #[arg(long, short = 'n', value_name = "NUMBER")]
    last: Option<u32>,
}

/// How an entry stands.
#[derive(Debug, Clone, PartialEq)]
enum Standing {
    Counts(Box<Counting>),
    Amends,
    Struck,
    Aside(String),
    Unread,
}

struct Written {
    held: Held,
    standing: Standing,
    kind: MeterKind,
    carried: bool,
}

struct Pages {
    machine: Option<(MachineId, Glance)>,
    written: Vec<Written>,
    names: Names,
}

/// Shows it.
pub(super) fn run(args: &Log, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.answer(|tx| match &args.machine {
        Some(name) => of_machine(tx, name, args.last),
        None => of_all(tx, args.last.unwrap_or(NEWEST_DEFAULT)),
    })
}

fn of_machine(tx: &Tx<'_>, name: &str, last: Option<u32>) -> Result<Pages, Problem> {
    let machine = names::machine(tx, name)?;
    let (chief, mut entries) = glance::entries(tx, machine.id)?;
    entries.sort_by_key(order);
    let mut written = written(&entries, machine.meter_kind);
    if let Some(last) = last {
        written.drain(..written.len().saturating_sub(last as usize));
    }
    note_carried(tx, &mut written)?;
    Ok(Pages { machine: Some((chief, machine)), written, names: Names::load(tx)? })
}

fn of_all(tx: &Tx<'_>, most: u32) -> Result<Pages, Problem> {
    let newest = tx.newest_entries(most)?;
    // How an entry stands depends on all entries of its machine, also on those not shown.
    let mut standing: BTreeMap<EntryRef, Written> = BTreeMap::new();
    let mut done: Vec<Option<MachineId>> = Vec::new();
    for held in &newest {
        let machine = held.entry.head().ok().and_then(|head| head.machine);
        if done.contains(&machine) {
            continue;
        }
        let (entries, kind) = match machine {
            Some(id) => {
                let kind = tx.machine(id)?.map_or(MeterKind::Hours, |glance| glance.meter_kind);
                (glance::entries(tx, id)?.1, kind)
            }
            None => (tx.entries_of_none()?, MeterKind::Hours),
        };
        standing.extend(written(&entries, kind).into_iter().map(|w| (w.held.name(), w)));
        done.push(machine);
    }
    let mut written: Vec<Written> = newest.iter().filter_map(|held| standing.remove(&held.name())).collect();
    note_carried(tx, &mut written)?;
    Ok(Pages { machine: None, written, names: Names::load(tx)? })
}

fn order(held: &Held) -> (i64, EntryRef) {
    (held.entry.head().map_or(0, |head| head.at.second()), held.name())
}

fn written(entries: &[Held], kind: MeterKind) -> Vec<Written> {
    let mut counted: BTreeMap<EntryRef, Counting> =
        counting(entries).into_iter().map(|item| (item.stamp.entry, item)).collect();
    let stand = |held: &Held| {
        if let Some(item) = counted.remove(&held.name()) {
            return Standing::Counts(Box::new(item));
        }
        if let Some(code) = &held.aside {
            return Standing::Aside(code.clone());
        }
        match held.entry.head().map(|head| Fact::read(head, &held.entry)) {
            Ok(Ok(Fact::Corrected(_) | Fact::Struck(_) | Fact::Released(_) | Fact::Settled(_))) => Standing::Amends,
            Ok(Ok(Fact::Newer | Fact::Withheld)) => Standing::Unread,
            Ok(Ok(_)) => Standing::Struck,
            Ok(Err(fault)) => Standing::Aside(fault.code),
            Err(fault) => Standing::Aside(fault.code.clone()),
        }
    };
    let standing: Vec<Standing> = entries.iter().map(stand).collect();
    let one = |(held, standing): (&Held, Standing)| Written { held: held.clone(), standing, kind, carried: false };
    entries.iter().zip(standing).map(one).collect()
}

/// Notes what came by carry and is not known to be with the server.
fn note_carried(tx: &Tx<'_>, written: &mut [Written]) -> Result<(), Problem> {
    let waiting = tx.carried_waiting()?;
    for one in written.iter_mut().filter(|one| one.held.position.is_none()) {
        let EntryRef { device, seq } = one.held.name();
        one.carried = waiting.iter().any(|run| run.device == device && (run.from..=run.end.seq).contains(&seq));
    }
    Ok(())
}

impl Written {
    fn lines(&self, names: &Names, machine: Option<String>) -> Vec<Line> {
        let Ok(head) = self.held.entry.head() else {
            let line = Line::toned(Tone::Strong, names.entry(self.held.name())).plain(" cannot be read");
            return vec![line.with(Tone::Odd, self.marks())];
        };
        let fact = Fact::read(head, &self.held.entry).unwrap_or(Fact::Newer);
        let told = words::fact(&fact, self.kind, names);
        let tone = if matches!(self.standing, Standing::Struck) { Tone::Struck } else { Tone::Plain };
        let mut line = Line::toned(Tone::Faint, clock(&head.at)).plain(" ");
        line = line.with(Tone::Strong, names.entry(self.held.name())).plain(" ");
        if let Some(machine) = machine {
            line = line.plain(machine).plain(" ");
        }
        line = line.with(tone, &told).with(Tone::Faint, format!(", {}", names.person(head.by)));
        let mut lines = vec![line.with(Tone::Odd, self.marks())];
        if let Some(text) = self.held.entry.text() {
            lines.push(Line::new().with(tone, format!("\"{text}\"")).indented(6));
        }
        lines.extend(FileRef::of(&self.held.entry).iter().map(|file| words::file(file).indented(6)));
        if let Standing::Counts(item) = &self.standing {
            lines.extend(corrected(item, &fact, head.at.text(), self.held.entry.text(), self.kind, names));
        }
        lines
    }

    /// What stands in the margin.
    fn marks(&self) -> String {
        let mut marks = String::new();
        if let (Standing::Counts(_), Some(code)) = (&self.standing, &self.held.aside) {
            marks.push_str(&format!(" [released, was set aside: {code}]"));
        }
        match &self.standing {
            Standing::Struck => marks.push_str(" [struck]"),
            Standing::Aside(code) => marks.push_str(&format!(" [set aside: {code}]")),
            _ => {}
        }
        if self.carried {
            marks.push_str(" [came by carry, not yet on the server]");
        }
        if let Some(off_s) = self.held.off_s {
            let minutes = off_s.abs() / 60;
            let way = if off_s > 0 { "ahead" } else { "behind" };
            marks.push_str(&format!(" [clock {} h {:02} {way}]", minutes / 60, minutes % 60));
        }
        marks
    }

    fn json(&self) -> Value {
        let Held { device, link, position, off_s, aside, entry, .. } = &self.held;
        let standing = match &self.standing {
            Standing::Counts(_) => "counts",
            Standing::Amends => "amends",
            Standing::Struck => "struck",
            Standing::Aside(_) => "aside",
            Standing::Unread => "unread",
        };
        let mut one = json!({"device": device, "seq": entry.seq(), "link": link, "standing": standing, "entry": entry});
        if let Some(position) = position {
            one["position"] = json!(position);
        }
        if let Some(off_s) = off_s {
            one["off_s"] = json!(off_s);
        }
        if let Some(aside) = aside {
            one["aside"] = json!(aside);
        }
        one
    }
}

/// What counts instead of what was written.
fn corrected(item: &Counting, fact: &Fact, at: &str, text: Option<&str>, kind: MeterKind, names: &Names) -> Vec<Line> {
    let mut now = Vec::new();
    if item.fact != *fact {
        now.push(words::fact(&item.fact, kind, names));
    }
    if item.stamp.at.text() != at {
        now.push(format!("at {}", words::moment(item.stamp.at.text())));
    }
    if item.text.as_deref() != text {
        now.push(item.text.as_ref().map_or_else(|| "no words".to_owned(), |text| format!("\"{text}\"")));
    }
    if now.is_empty() {
        return Vec::new();
    }
    vec![Line::toned(Tone::Faint, "corrected: ").plain(now.join(", ")).indented(6)]
}

/// The day a moment falls on, as its author had it.
fn day(at: &Moment) -> String {
    let date: Option<jiff::civil::Date> = at.text().get(..10).and_then(|text| text.parse().ok());
    date.map(|date| date.strftime("%a %-d %b %Y").to_string()).unwrap_or_default()
}

/// The time of day, as its author had it.
fn clock(at: &Moment) -> &str {
    at.text().get(11..16).unwrap_or_default()
}

impl Answer for Pages {
    fn lines(&self) -> Vec<Line> {
        let mut lines = self.warnings();
        lines.extend(self.machine.as_ref().map(|(_, machine)| Line::toned(Tone::Strong, &machine.name)));
        let mut last_day = String::new();
        for one in &self.written {
            let head = one.held.entry.head().ok();
            let today = head.map(|head| day(&head.at)).unwrap_or_default();
            if today != last_day {
                lines.push(Line::toned(Tone::Strong, &today));
                last_day = today;
            }
            let machine = head.and_then(|head| head.machine).filter(|_| self.machine.is_none());
            lines.extend(one.lines(&self.names, machine.map(|id| self.names.machine(id))));
        }
        if self.written.is_empty() {
            lines.push(Line::of("Nothing recorded yet."));
        }
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        self.machine.iter().flat_map(|(_, machine)| hazards(machine, &self.names)).collect()
    }

    fn json(&self) -> Value {
        let entries: Vec<Value> = self.written.iter().map(Written::json).collect();
        let mut answer = json!({"entries": entries});
        if let Some((id, machine)) = &self.machine {
            answer["machine"] = json!({"id": id, "name": machine.name});
        }
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}
