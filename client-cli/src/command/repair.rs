//! `pintle repair`: work that mends something, and the findings it closes.
//!
//! Promises: closes the findings it names, whichever device raised them; the machine may be left out where a finding
//! tells it. Never closes a finding that was not named.

use super::Here;
use super::done::read;
use crate::asked;
use crate::names;
use crate::photos::Photos;
use crate::problem::{Code, Problem};
use crate::record::{Recording, Saying};
use crate::store::Glance;
use pintle_core::entry::EntryRef;
use pintle_core::fact::{Fact, RepairDone};
use std::collections::VecDeque;

/// Something was mended
#[derive(Debug, clap::Args)]
#[command(override_usage = "pintle repair [MACHINE] [WORDS]... [OPTIONS]")]
pub struct Repair {
    /// Machine, and what was done
    #[arg(value_name = "WORDS")]
    words: Vec<String>,
    /// A finding it closes: K7-12
    #[arg(long = "closes", value_name = "ENTRY")]
    closes: Vec<String>,
    /// Where
    #[arg(long)]
    point: Option<String>,
    /// What had caused it
    #[arg(long)]
    cause: Option<String>,
    /// What was done about it
    #[arg(long)]
    remedy: Option<String>,
    /// A part or material: "fitting M10x1:1 pieces"
    #[arg(long = "part", value_name = "WHAT:HOW MUCH")]
    parts: Vec<String>,
    /// Minutes of work
    #[arg(long, value_name = "MINUTES")]
    minutes: Option<String>,
    /// What the meter shows
    #[arg(long)]
    reading: Option<String>,
    #[command(flatten)]
    photos: Photos,
}

/// Records it.
pub(super) fn run(args: &Repair, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let parts = args.parts.iter().map(|text| asked::material(text)).collect::<Result<_, _>>()?;
    here.record_with(&args.photos, |recording| {
        let mut closes = Vec::new();
        for name in &args.closes {
            closes.push(finding(recording, name)?);
        }
        let mut words: VecDeque<String> = args.words.iter().cloned().collect();
        let machine = match closes.first() {
            Some((_, machine)) if !names_machine(recording, &words)? => machine.clone(),
            _ => recording.machine_first(&mut words, is_sentence)?,
        };
        let fact = Fact::RepairDone(RepairDone {
            closes: closes.into_iter().map(|(entry, _)| entry).collect(),
            point: args.point.clone(),
            cause: args.cause.clone(),
            remedy: args.remedy.clone(),
            parts,
            minutes: args.minutes.as_deref().map(asked::minutes).transpose()?,
            reading: read(args.reading.as_deref(), &machine)?,
        });
        let text = words.into_iter().collect::<Vec<_>>().join(" ");
        recording.say(Saying::about(machine.id, fact).with_text(Some(text)))
    })
}

/// Whether one argument is several words: then it is what was said, not a machine's name.
pub(super) fn is_sentence(argument: &str) -> bool {
    argument.trim().contains(' ')
}

fn names_machine(recording: &Recording<'_>, words: &VecDeque<String>) -> Result<bool, Problem> {
    let Some(first) = words.front() else { return Ok(false) };
    Ok(names::machine_named(recording.tx, first, names::Match::Exact)?.is_some())
}

/// A finding by its name, and its machine.
pub(super) fn finding(recording: &Recording<'_>, name: &str) -> Result<(EntryRef, Glance), Problem> {
    let entry = names::entry(recording.tx, name)?;
    let held = recording.tx.entry(entry)?;
    let head = held.as_ref().and_then(|held| held.entry.head().ok());
    let machine = match head {
        Some(head) if head.kind == "finding_raised" => head.machine,
        _ => None,
    };
    let machine = machine.ok_or_else(|| {
        Problem::new(Code::NotAFinding, format!("{name} is not a finding")).hint("open findings stand in: pintle book")
    })?;
    let glance = recording.tx.machine(machine)?.unwrap_or_else(|| Glance::unknown(machine));
    Ok((entry, glance))
}
