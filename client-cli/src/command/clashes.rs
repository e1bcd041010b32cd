//! `pintle clashes`: what people disagree about, and what was probably recorded twice.
//!
//! Promises: every disagreement is listed with all its sides, their authors, and what to type to settle it; in order of
//! id, the same on every device that holds the same entries. Never says which side is right.

use super::Here;
use crate::asked::quoted;
use crate::glance;
use crate::names::Names;
use crate::problem::Problem;
use crate::store::Tx;
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::book::book;
use pintle_core::clash::{Clash, Side, Twin};
use pintle_core::entry::EntryRef;
use pintle_core::fact::{Fact, MeterKind, TaskDone};
use pintle_core::ids::MachineId;
use serde_json::{Value, json};

/// What people disagree about, or recorded twice
#[derive(Debug, clap::Args)]
pub struct Clashes {
    /// Only this machine's
    machine: Option<String>,
}

/// A disagreement that is open.
#[derive(Debug, Clone)]
pub(super) enum Open {
    Clash(MachineId, Clash),
    Twin(MachineId, Twin),
}

impl Open {
    pub fn machine(&self) -> MachineId {
        match self {
            Open::Clash(machine, _) | Open::Twin(machine, _) => *machine,
        }
    }

    pub fn short(&self) -> &str {
        match self {
            Open::Clash(_, clash) => &clash.short,
            Open::Twin(_, twin) => &twin.short,
        }
    }

    pub fn id(&self) -> pintle_core::ids::ClashId {
        match self {
            Open::Clash(_, clash) => clash.id,
            Open::Twin(_, twin) => twin.id,
        }
    }

    pub fn matter(&self) -> &str {
        match self {
            Open::Clash(_, clash) => &clash.matter,
            Open::Twin(_, twin) => &twin.matter,
        }
    }

    pub fn sides(&self) -> &[Side] {
        match self {
            Open::Clash(_, clash) => &clash.sides,
            Open::Twin(_, twin) => &twin.sides,
        }
    }
}

struct List {
    open: Vec<Open>,
    names: Names,
}

/// Shows them.
pub(super) fn run(args: &Clashes, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.answer(|tx| {
        let mut open = open(tx)?;
        if let Some(name) = &args.machine {
            let machine = crate::names::machine(tx, name)?.id;
            open.retain(|one| one.machine() == machine);
        }
        Ok(List { open, names: Names::load(tx)? })
    })
}

/// Everything that is open, in order of id.
pub(super) fn open(tx: &Tx<'_>) -> Result<Vec<Open>, Problem> {
    let mut open = Vec::new();
    for machine in tx.machines()? {
        if machine.stands_for.is_some() {
            continue;
        }
        let folded = book(machine.id, &glance::entries(tx, machine.id)?.1);
        open.extend(folded.clashes.into_iter().map(|clash| Open::Clash(machine.id, clash)));
        open.extend(folded.twins.into_iter().map(|twin| Open::Twin(machine.id, twin)));
    }
    let (cards, fleet) = glance::whole_fleet(tx)?;
    let of = |sides: &[Side]| {
        let added = |entry: EntryRef| cards.iter().find(|card| card.added.name() == entry).map(|card| card.machine);
        sides.iter().find_map(|side| added(side.entry)).unwrap_or(MachineId([0; 16]))
    };
    open.extend(fleet.twins.into_iter().map(|twin| Open::Twin(of(&twin.sides), twin)));
    open.extend(fleet.clashes.into_iter().map(|clash| Open::Clash(of(&clash.sides), clash)));
    open.sort_by_key(|one| (one.id(), one.machine()));
    open.dedup_by_key(|one| one.id());
    Ok(open)
}

/// What a disagreement is about, in words.
pub(super) fn about(matter: &str, names: &Names) -> String {
    let parts: Vec<&str> = matter.splitn(4, ':').collect();
    let entry = |device: &str, seq: &str| match (device.parse(), seq.parse()) {
        (Ok(device), Ok(seq)) => names.entry(EntryRef { device, seq }),
        _ => format!("{device}-{seq}"),
    };
    match parts[..] {
        ["field", device, seq, pointer] => format!("{} of {}", words::field(pointer), entry(device, seq)),
        ["strike", device, seq] => format!("whether {} is struck", entry(device, seq)),
        ["attribute", name] => format!("the {name}"),
        ["finding", device, seq] => format!("how {} ended", entry(device, seq)),
        ["plan"] => "the plan".to_owned(),
        ["reading", meter] => format!("the {meter} meter"),
        ["task", task] => task.to_owned(),
        ["machine"] => "one machine or two".to_owned(),
        ["settlement", ..] => "how it was settled".to_owned(),
        _ => matter.to_owned(),
    }
}

fn side_line(side: &Side, matter: &str, mark: &str, names: &Names) -> Line {
    let done: Option<TaskDone> =
        serde_json::from_value(side.value.clone()).ok().filter(|_| matter.starts_with("task:"));
    let told = match done {
        Some(done) => words::fact(&Fact::TaskDone(done), MeterKind::Hours, names),
        None if matter == "machine" => {
            let text = |key: &str| side.value.get(key).and_then(Value::as_str);
            let mut parts: Vec<String> = text("name").map(str::to_owned).into_iter().collect();
            parts.extend(text("serial").map(|serial| format!("serial {serial}")));
            parts.extend(text("site").map(|site| format!("site {site}")));
            parts.join(", ")
        }
        None => words::value(&side.value, names),
    };
    let line = Line::toned(Tone::Strong, names.entry(side.entry)).plain(" ").plain(told);
    line.with(Tone::Faint, format!(", {}, {}{mark}", names.person(side.by), words::moment(side.at.text()))).indented(2)
}

/// A disagreement as it is shown in lists and in the book.
pub(super) fn lines(one: &Open, names: &Names) -> Vec<Line> {
    let machine = names.machine(one.machine());
    let (heading, choices) = match one {
        Open::Clash(_, _) => {
            let sides: Vec<String> = one.sides().iter().map(|side| names.entry(side.entry)).collect();
            ("clash", sides.join("|"))
        }
        Open::Twin(..) => ("twin", "same|both".to_owned()),
    };
    let mut lines = vec![
        Line::toned(Tone::Odd, one.short()).plain(format!(" {machine}, {heading}: {}", about(one.matter(), names))),
    ];
    for side in one.sides() {
        let used = matches!(one, Open::Clash(_, clash) if clash.used == side.entry);
        lines.push(side_line(side, one.matter(), if used { ", used" } else { "" }, names));
    }
    lines.push(Line::toned(Tone::Faint, "> ").plain(format!("pintle settle {} {choices}", one.short())).indented(2));
    lines
}

impl Answer for List {
    fn lines(&self) -> Vec<Line> {
        if self.open.is_empty() {
            return vec![Line::of("Nothing is disputed.")];
        }
        self.open.iter().flat_map(|one| lines(one, &self.names)).collect()
    }

    fn json(&self) -> Value {
        let mut clashes = Vec::new();
        let mut twins = Vec::new();
        for one in &self.open {
            match one {
                Open::Clash(machine, clash) => clashes.push(json!({"machine": machine, "clash": clash})),
                Open::Twin(machine, twin) => twins.push(json!({"machine": machine, "twin": twin})),
            }
        }
        let mut answer = json!({"clashes": clashes, "twins": twins});
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}

/// What can be typed to choose a side.
pub(super) fn choices(one: &Open, names: &Names) -> String {
    match one {
        Open::Clash(..) => one.sides().iter().map(|s| quoted(&names.entry(s.entry))).collect::<Vec<_>>().join(", or "),
        Open::Twin(..) => "same, or both".to_owned(),
    }
}
