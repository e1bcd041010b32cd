//! `pintle done`: any task of the plan, by its name.
//!
//! Promises: whatever can be said about a task (points, skips, purge, materials, minutes) can be said of every task,
//! here and at `grease`. Never asks whether a plan knows the task: the name that was typed is the name that stands.

use super::{Here, words};
use crate::asked;
use crate::names::{Match, machine_named};
use crate::photos::Photos;
use crate::problem::{Code, Problem};
use crate::record::Saying;
use crate::store::Glance;
use pintle_core::fact::{Fact, Reading, TaskDone};

/// A task done: "oil change", "500 h service"
#[derive(Debug, clap::Args)]
pub struct Done {
    /// Which machine
    machine: Option<String>,
    /// Which task
    task: Option<String>,
    /// What the meter shows
    reading: Option<String>,
    #[command(flatten)]
    doing: Doing,
}

/// What can be said about any task.
#[derive(Debug, clap::Args)]
pub(super) struct Doing {
    /// A point done; without any: all of them
    #[arg(long = "point", value_name = "POINT")]
    points: Vec<String>,
    /// A point not done: "boom foot: not reached"
    #[arg(long = "skip", value_name = "POINT: WHY")]
    skipped: Vec<String>,
    /// What came out: clean, dirty, water, metal, nothing
    #[arg(long, value_name = "WHAT")]
    purge: Option<String>,
    /// What came out at one point: "bucket pin=metal"
    #[arg(long = "purge-at", value_name = "POINT=WHAT")]
    purge_at: Vec<String>,
    /// What was used: "grease NLGI 2 EP:120 g"
    #[arg(long = "used", value_name = "WHAT:HOW MUCH")]
    used: Vec<String>,
    /// Minutes of work
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    /// In your own words
    #[arg(long, value_name = "TEXT")]
    pub(super) words: Option<String>,
    #[command(flatten)]
    pub(super) photos: Photos,
}

impl Doing {
    /// The fact of having done `task`.
    pub(super) fn fact(&self, task: String, reading: Option<&str>, machine: &Glance) -> Result<Fact, Problem> {
        let mut purge_at = std::collections::BTreeMap::new();
        for text in &self.purge_at {
            let (point, what) = asked::at_point(text)?;
            purge_at.insert(point, asked::word("purge", &what)?);
        }
        Ok(Fact::TaskDone(TaskDone {
            task,
            points: self.points.clone(),
            skipped: self.skipped.iter().map(|text| asked::skipped(text)).collect(),
            purge: self.purge.as_deref().map(|text| asked::word("purge", text)).transpose()?,
            purge_at,
            materials: self.used.iter().map(|text| asked::material(text)).collect::<Result<_, _>>()?,
            minutes: self.minutes.as_deref().map(asked::minutes).transpose()?,
            reading: read(reading, machine)?,
        }))
    }
}

/// The reading of a word, if there is one.
pub(super) fn read(word: Option<&str>, machine: &Glance) -> Result<Reading, Problem> {
    let reading = word.map(|word| asked::reading(word, &machine.name, machine.reading)).transpose()?;
    Ok(Reading { reading, meter: None })
}

/// Records it.
pub(super) fn run(args: &Done, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record_with(&args.doing.photos, |recording| {
        let mut words = words(&[args.machine.clone(), args.task.clone(), args.reading.clone()]);
        let last_is_reading = words.back().is_some_and(|word| asked::is_reading(word));
        // `done TASK` and `done TASK READING` leave the machine out, unless a machine has that very name.
        let task_first = match (words.len(), words.front()) {
            (0, _) => true,
            (1, _) => true,
            (2, Some(first)) if last_is_reading => machine_named(recording.tx, first, Match::Beginning)?.is_none(),
            _ => false,
        };
        let machine = recording.machine_first(&mut words, |_| task_first)?;
        let task = words.pop_front().ok_or_else(|| {
            Problem::new(Code::UnclearWords, "which task?").hint("pintle done MACHINE \"oil change\"")
        })?;
        let fact = args.doing.fact(task, words.pop_front().as_deref(), &machine)?;
        recording.say(Saying::about(machine.id, fact).with_text(args.doing.words.clone()))
    })
}
