//! `pintle due`: what each machine needs now, why, and when the rest comes.
//!
//! Promises: the first line is the thing to do: what must not be run, then what is furthest past due. Read from kept
//! outlooks, so it is quick however long the logs are; what is not up to date is folded first. Never hides a thing
//! that is due: of machines on which nothing is, the next thing is shown.

use super::answer::hazards;
use super::{Here, hold};
use crate::ambient::Wall;
use crate::asked::quoted;
use crate::names::{self, Names};
use crate::outlook::{self, Standing};
use crate::problem::{Code, Problem};
use crate::store::Glance;
use crate::ui::{Answer, Line, Tone, due as shown};
use pintle_core::agenda::{Pressing, Rank};
use pintle_core::due::{Due as Task, State};
use pintle_core::exchange::Wanted;
use pintle_core::fleet::folded;
use pintle_core::ids::MachineId;
use pintle_core::plan;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// What is due, the first thing to do first
#[derive(Debug, clap::Args)]
pub struct Due {
    /// Only this machine, with everything that will be due
    machine: Option<String>,
    /// Only machines of this site
    #[arg(long, value_name = "SITE", conflicts_with = "machine")]
    site: Option<String>,
}

/// One machine and what is due on it.
struct One {
    glance: Glance,
    tasks: Vec<Task>,
    /// What it goes by where nobody has set a plan.
    common: Option<Line>,
    /// Whether what others write about it comes here.
    held: bool,
}

struct List {
    machines: Vec<One>,
    names: Names,
    now: Wall,
    scope: Scope,
}

/// What was asked for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Scope {
    Machine,
    All,
}

/// Shows it.
pub(super) fn run(args: &Due, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let wanted = store.read(|tx| match (&args.machine, &args.site) {
        (Some(name), _) => Ok(BTreeSet::from([names::machine(tx, name)?.id])),
        (None, Some(site)) => at_site(tx.machines()?, site),
        (None, None) => Ok(in_use(tx.machines()?).map(|glance| glance.id).collect()),
    })?;
    let now = here.ambient.wall();
    let held = store.read(|tx| tx.machines_held())?;
    let standing = outlook::standing(&mut store, |glance| wanted.contains(&glance.id))?;
    let mut machines: Vec<One> = standing.into_iter().map(|standing| one(standing, &held, &now)).collect();
    machines.sort_by_key(|one| one.rank(now.second));
    let names = store.read(Names::load)?;
    let scope = if args.machine.is_some() { Scope::Machine } else { Scope::All };
    here.ui.show(&List { machines, names, now, scope })
}

fn in_use(machines: Vec<Glance>) -> impl Iterator<Item = Glance> {
    machines.into_iter().filter(|m| m.stands_for.is_none() && m.retired.is_none() && !m.name.is_empty())
}

fn at_site(machines: Vec<Glance>, site: &str) -> Result<BTreeSet<MachineId>, Problem> {
    let wanted = folded(site);
    let mut sites: BTreeSet<String> = BTreeSet::new();
    let mut found = BTreeSet::new();
    for glance in in_use(machines) {
        if glance.site.as_deref().map(folded).is_some_and(|at| at == wanted) {
            found.insert(glance.id);
        }
        sites.extend(glance.site);
    }
    if found.is_empty() {
        let known: Vec<String> = sites.into_iter().collect();
        let hint = if known.is_empty() {
            "pintle machine change EX3 --site \"north pit\"".to_owned()
        } else {
            format!("sites here: {}", known.join(", "))
        };
        return Err(Problem::new(Code::UnknownMachine, format!("no machine here is at {site}")).hint(hint));
    }
    Ok(found)
}

fn one(Standing { glance, outlook }: Standing, held: &Wanted, now: &Wall) -> One {
    let tasks = outlook::due(&outlook, now);
    let common = (*outlook.plan == plan::common()).then(|| shown::plan_line(&outlook.plan));
    One { held: held.takes(Some(glance.id)), glance, tasks, common }
}

impl One {
    /// Tagged out first, then by the first thing to do.
    fn rank(&self, now_s: i64) -> Rank {
        let first = self.tasks.first().map(|task| task.order(now_s));
        let tagged_out = !self.glance.tagged_out.is_empty();
        let pressing = if tagged_out { Pressing::TaggedOut(first) } else { Pressing::Due(first) };
        Rank::of(pressing, &self.glance.name, self.glance.id)
    }

    fn json(&self) -> Value {
        let mut one = json!({
            "machine": self.glance.id, "name": self.glance.name, "tagged_out": self.glance.tagged_out, "due": self.tasks,
        });
        if let Some(site) = &self.glance.site {
            one["site"] = json!(site);
        }
        if !self.held {
            one["held"] = json!(false);
        }
        one
    }
}

fn is_due(due: &Task) -> bool {
    matches!(due.state, State::PastWindow | State::InWindow)
}

impl List {
    /// What is shown of each machine: all of the one that was asked for, else what is due, else the next thing.
    fn to_do(&self) -> Vec<(&One, &Task)> {
        let mut to_do: Vec<(&One, &Task)> = Vec::new();
        for one in &self.machines {
            let due = one.tasks.iter().enumerate();
            let due = due.filter(|(index, task)| self.scope == Scope::Machine || *index == 0 || is_due(task));
            to_do.extend(due.map(|(_, task)| (one, task)));
        }
        // A stable sort: machines that are alike stay in the order of their names.
        to_do.sort_by_key(|(_, task)| task.order(self.now.second));
        to_do
    }
}

impl Answer for List {
    fn lines(&self) -> Vec<Line> {
        if self.machines.is_empty() {
            return vec![Line::of("No machines yet."), Line::toned(Tone::Faint, "> ").plain("pintle machine add EX3")];
        }
        let mut lines: Vec<Line> = self.machines.iter().flat_map(|one| hazards(&one.glance, &self.names)).collect();
        for (one, task) in self.to_do() {
            lines.extend(shown::lines(Some(&one.glance.name), task, &self.now));
            if self.scope == Scope::Machine && is_due(task) {
                lines.extend(shown::details(task));
            }
        }
        lines.extend(self.machines.iter().filter(|one| !one.held).flat_map(|one| hold::apart(&one.glance.name)));
        if let [One { common: Some(line), glance, .. }] = &self.machines[..] {
            lines.push(line.clone());
            lines.push(Line::toned(Tone::Faint, "> ").plain(format!("pintle plan {} …", quoted(&glance.name))));
        }
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        let mut lines: Vec<Line> = self.machines.iter().flat_map(|one| hazards(&one.glance, &self.names)).collect();
        let past = self.to_do().into_iter().filter(|(_, task)| task.state == State::PastWindow);
        lines.extend(past.map(|(one, task)| {
            Line::toned(Tone::Strong, &one.glance.name).plain(" ").with(shown::tone(task.state), shown::sentence(task))
        }));
        lines
    }

    fn json(&self) -> Value {
        let machines: Vec<Value> = self.machines.iter().map(One::json).collect();
        let mut answer = json!({"at": self.now.now(), "due": machines});
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}
