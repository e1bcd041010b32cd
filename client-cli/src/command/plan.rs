//! `pintle plan`: the service plan of a machine: shown, set from a file or a starter plan, written to a file to edit.
//!
//! Promises: a file that breaks a rule is told with line and column, and nothing is recorded; a file that is there is
//! never written over. A plan says where its values come from. Never sets one that was not asked for: without a plan a
//! machine goes by common practice, and the page says so.

use super::answer::hazards;
use super::{Here, RecordedAnswer, words};
use crate::asked::quoted;
use crate::file;
use crate::glance;
use crate::names::{self, Match, Names, machine_named};
use crate::plan_file::{self, STARTERS, starter};
use crate::problem::{Code, Problem};
use crate::record::{Saying, record};
use crate::store::{Glance, Tx};
use crate::ui::{Answer, Line, Tone, due as shown, words as wording};
use pintle_core::book::{Said, book};
use pintle_core::due::unit;
use pintle_core::fact::Fact;
use pintle_core::plan::{Counting, Plan as Whole, PlanTask, common};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// Largest file that is read as a plan, in bytes: the longest plan an entry holds has 32 KiB.
const FILE_BYTES_MAX: u64 = 256 * 1024;

/// The service plan of a machine: show, set, write
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Shown: pintle plan EX3
Set:   pintle plan EX3 --starter excavator
       pintle plan EX3 my-plan.toml
Edit:  pintle plan EX3 --write my-plan.toml")]
pub struct Plan {
    /// Which machine
    machine: Option<String>,
    /// Set the plan in this file: FILE.toml
    file: Option<String>,
    /// Set this starter plan; with --write, write it
    #[arg(long, value_name = "NAME", conflicts_with = "file")]
    starter: Option<String>,
    /// The starter plans there are
    #[arg(long, conflicts_with_all = ["machine", "file", "starter", "write"])]
    starters: bool,
    /// Write the plan to a new file, to edit
    #[arg(long, value_name = "FILE", conflicts_with = "file")]
    write: Option<PathBuf>,
}

/// Shows, sets or writes it.
pub(super) fn run(args: &Plan, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    if args.starters {
        return here.ui.show(&Starters(STARTERS.iter().map(plans).collect::<Result<_, _>>()?));
    }
    match (&args.starter, &args.write) {
        (Some(name), Some(path)) => {
            let plan = starter(name)?.plan()?;
            // As it stands, with its comments.
            file::write(path, starter(name)?.text.as_bytes())?;
            here.ui.show(&Written { path: path.clone(), plan })
        }
        (Some(name), None) => {
            let plan = starter(name)?.plan()?;
            set(args, here, |_| Ok(plan))
        }
        (None, Some(path)) => {
            let plan = here.store()?.read(|tx| Ok(page(args, tx)?.plan))?;
            file::write(path, plan_file::write(&plan).as_bytes())?;
            here.ui.show(&Written { path: path.clone(), plan })
        }
        (None, None) => match file_of(args, here)? {
            Some(file) => {
                let path = Path::new(&file);
                // The name alone: a problem's line and column must fit a narrow screen.
                let name = path.file_name().map_or(file.clone(), |name| name.to_string_lossy().into_owned());
                set(args, here, |_| plan_file::read(&read_file(path)?, &name))
            }
            None => here.answer(|tx| page(args, tx)),
        },
    }
}

fn plans(starter: &plan_file::Starter) -> Result<(&'static str, Whole), Problem> {
    Ok((starter.name, starter.plan()?))
}

/// The file to set: the second word, or the only one where it ends in `.toml` and no machine has that name.
fn file_of(args: &Plan, here: &Here<'_, '_>) -> Result<Option<String>, Problem> {
    match (&args.machine, &args.file) {
        (_, Some(file)) => Ok(Some(file.clone())),
        (Some(word), None) if word.to_lowercase().ends_with(".toml") => {
            let known = here.store()?.read(|tx| machine_named(tx, word, Match::Exact))?;
            Ok(known.is_none().then(|| word.clone()))
        }
        _ => Ok(None),
    }
}

fn machine(args: &Plan, tx: &Tx<'_>) -> Result<Glance, Problem> {
    match &args.machine {
        Some(name) => names::machine(tx, name),
        None => names::last_machine(tx, &tx.own()?),
    }
}

fn set(
    args: &Plan,
    here: &mut Here<'_, '_>,
    plan: impl FnOnce(&Glance) -> Result<Whole, Problem>,
) -> Result<(), Problem> {
    let only_a_file = args.file.is_none() && args.starter.is_none();
    let recorded = record(&mut here.store()?, here.ambient, here.claim(), |recording| {
        let mut words = words(&[args.machine.clone().filter(|_| !only_a_file)]);
        let machine = recording.machine_first(&mut words, |_| false)?;
        // A plan is a table of texts, numbers and lists: it always has a JSON form, and that form is a map.
        let body = match serde_json::to_value(plan(&machine)?) {
            Ok(Value::Object(body)) => body,
            _ => serde_json::Map::new(),
        };
        recording.say(Saying::about(machine.id, Fact::PlanSet(body)))
    })?;
    here.ui.show(&RecordedAnswer::of(recorded))
}

fn read_file(path: &Path) -> Result<String, Problem> {
    let bytes = file::read(path, "a plan", FILE_BYTES_MAX).map_err(|problem| match path.exists() {
        true => problem,
        false => problem.hint("one to edit: pintle plan EX3 --write FILE.toml"),
    })?;
    String::from_utf8(bytes)
        .map_err(|e| Problem::new(Code::FileFailed, format!("{} is not text in UTF-8", path.display())).detail(e))
}

/// The plan of one machine.
struct Page {
    machine: Glance,
    plan: Whole,
    /// Who set it; none where nobody has.
    said: Option<Said>,
    names: Names,
}

fn page(args: &Plan, tx: &Tx<'_>) -> Result<Page, Problem> {
    let machine = machine(args, tx)?;
    let (chief, entries) = glance::entries(tx, machine.id)?;
    let book = book(chief, &entries);
    Ok(Page { plan: book.plan_in_force(), said: book.plan, machine, names: Names::load(tx)? })
}

/// How often: `every 250 h or 365 days`.
fn every(task: &PlanTask) -> String {
    let every = &task.every;
    let mut clocks: Vec<String> =
        every.meters.iter().map(|(meter, interval)| format!("{interval} {}", unit(meter))).collect();
    let counted = [("days", every.days), ("fills", every.fills), ("shifts", every.shifts)];
    clocks.extend(counted.iter().filter_map(|(clock, n)| n.map(|n| shown::amount(i64::from(n) * 1000, clock))));
    format!("every {}", clocks.join(" or "))
}

fn counting(task: &PlanTask) -> String {
    let from = match task.counting {
        Counting::Window => "from due if on time, else from done",
        Counting::Done => "from done",
        Counting::Due => "on the grid",
        Counting::Earlier => "from due or done, the earlier",
    };
    let hard = if task.weighed { ", hard hours count more" } else { "" };
    format!("window {} %, counted {from}{hard}", task.window_percent)
}

fn task_lines(task: &PlanTask) -> Vec<Line> {
    let mut lines = vec![Line::toned(Tone::Strong, &task.task).plain(" ").plain(every(task))];
    lines.push(Line::toned(Tone::Faint, counting(task)).indented(2));
    for (what, items) in [("covers", &task.covers), ("points", &task.points), ("needs", &task.needs)] {
        if !items.is_empty() {
            lines.push(Line::of(format!("{what}: {}", items.join(", "))).indented(2));
        }
    }
    lines.extend(task.cautions.iter().map(|caution| Line::toned(Tone::Odd, "! ").plain(caution).indented(2)));
    lines
}

impl Answer for Page {
    fn lines(&self) -> Vec<Line> {
        let tasks = wording::counted(self.plan.tasks.len() as u64, "task", "tasks");
        let mut lines = self.warnings();
        lines.extend([
            Line::toned(Tone::Strong, &self.machine.name).plain(format!(" goes by {}, {tasks}", self.plan.name)),
            Line::of(&self.plan.source).indented(2),
        ]);
        match &self.said {
            Some(Said { stamp, clash, .. }) => {
                let (entry, by) = (self.names.entry(stamp.entry), self.names.person(stamp.by));
                let at = wording::moment(stamp.at.text());
                let clash = if clash.is_some() { " [disputed]" } else { "" };
                lines.push(
                    Line::toned(Tone::Faint, format!("set in {entry} by {by}, {at}"))
                        .with(Tone::Odd, clash)
                        .indented(2),
                );
                if self.plan == common() {
                    let text = "that plan cannot be read by this program; this is common practice";
                    lines.push(Line::toned(Tone::Odd, text).indented(2));
                }
            }
            None => {
                lines.push(Line::toned(Tone::Odd, "nobody has set a plan").indented(2));
                let hint = format!("pintle plan {} --starter NAME", quoted(&self.machine.name));
                lines.push(Line::toned(Tone::Faint, "> ").plain(hint));
                lines.push(Line::toned(Tone::Faint, "> ").plain("pintle plan --starters"));
            }
        }
        lines.extend(self.plan.use_per_day.map(|day| Line::of(format!("{day} a day until readings tell")).indented(2)));
        let weights: Vec<String> = self.plan.weights.iter().map(|(c, weight)| format!("{c} {weight}")).collect();
        if !weights.is_empty() && self.plan.tasks.iter().any(|task| task.weighed) {
            lines.push(Line::of(format!("an hour counts: {}", weights.join(", "))).indented(2));
        }
        lines.extend(self.plan.tasks.iter().flat_map(task_lines));
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        hazards(&self.machine, &self.names)
    }

    fn json(&self) -> Value {
        let mut answer = json!({
            "machine": {"id": self.machine.id, "name": self.machine.name}, "plan": self.plan, "set": self.said.is_some(),
        });
        if let Some(Said { stamp, clash, .. }) = &self.said {
            answer["said"] = json!({"entry": stamp.entry, "at": stamp.at, "by": stamp.by, "clash": clash});
        }
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}

/// A file that was written.
struct Written {
    path: PathBuf,
    plan: Whole,
}

impl Answer for Written {
    fn lines(&self) -> Vec<Line> {
        let tasks = wording::counted(self.plan.tasks.len() as u64, "task", "tasks");
        let path = self.path.display().to_string();
        vec![
            Line::of(format!("{} written to {path}, {tasks}", self.plan.name)),
            Line::toned(Tone::Faint, "> ").plain(format!("pintle plan MACHINE {}", quoted(&path))),
        ]
    }

    fn json(&self) -> Value {
        json!({"written": self.path.display().to_string(), "plan": self.plan})
    }
}

/// The starter plans.
struct Starters(Vec<(&'static str, Whole)>);

impl Answer for Starters {
    fn lines(&self) -> Vec<Line> {
        let mut lines: Vec<Line> = self
            .0
            .iter()
            .map(|(name, plan)| {
                let tasks = wording::counted(plan.tasks.len() as u64, "task", "tasks");
                Line::toned(Tone::Strong, name).plain(format!(": {}, {tasks}", plan.name))
            })
            .collect();
        lines.extend(self.0.first().map(|(_, plan)| Line::toned(Tone::Odd, &plan.source)));
        lines.push(Line::toned(Tone::Faint, "> ").plain("pintle plan EX3 --starter excavator"));
        lines
    }

    fn json(&self) -> Value {
        let starters: Vec<Value> = self.0.iter().map(|(name, plan)| json!({"name": name, "plan": plan})).collect();
        json!({"starters": starters})
    }
}
