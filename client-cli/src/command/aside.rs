//! `pintle aside`: what is kept and not counted, waiting for a person.
//!
//! Promises: everything this device holds that was set aside is listed, what was let in again too, with the code why and
//! the name of who let it in. Changes nothing.

use super::Here;
use crate::names::Names;
use crate::problem::Problem;
use crate::store::Tx;
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::entry::{EntryRef, Held};
use pintle_core::fact::{Fact, MeterKind};
use pintle_core::release::{Releasable, releasable, released};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// What is set aside: kept, not counted
#[derive(Debug, clap::Args)]
pub struct Aside {}

struct List {
    asides: Vec<One>,
    names: Names,
}

struct One {
    held: Held,
    code: String,
    releases: Vec<EntryRef>,
}

/// Shows it.
pub(super) fn run(_: &Aside, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.answer(list)
}

fn list(tx: &Tx<'_>) -> Result<List, Problem> {
    let asides = tx.asides()?;
    let rulings = tx.releases_and_strikes()?;
    let all: Vec<&Held> = asides.iter().chain(&rulings).collect();
    let released: BTreeMap<EntryRef, Vec<EntryRef>> =
        released(&all).into_iter().map(|(name, by)| (name, by.iter().map(|held| held.name()).collect())).collect();
    let one = |held: Held| {
        let releases = released.get(&held.name()).cloned().unwrap_or_default();
        One { code: held.aside.clone().unwrap_or_default(), releases, held }
    };
    Ok(List { asides: asides.into_iter().map(one).collect(), names: Names::load(tx)? })
}

impl One {
    fn line(&self, names: &Names) -> Line {
        let mut line = Line::toned(Tone::Strong, names.entry(self.held.name())).plain(" ");
        if let Ok(head) = self.held.entry.head() {
            line = line.with(Tone::Faint, words::moment(head.at.text())).plain(" ");
            line = head.machine.iter().fold(line, |line, machine| line.plain(names.machine(*machine)).plain(" "));
            let fact = Fact::read(head, &self.held.entry).unwrap_or(Fact::Newer);
            line = line.plain(words::fact(&fact, MeterKind::Hours, names));
            line = line.with(Tone::Faint, format!(", {}", names.person(head.by)));
        }
        let line = line.with(Tone::Odd, format!(" [{}]", self.code));
        self.releases.iter().fold(line, |line, by| line.plain(format!(", counts by {}", names.entry(*by))))
    }
}

impl Answer for List {
    fn lines(&self) -> Vec<Line> {
        if self.asides.is_empty() {
            return vec![Line::of("Nothing is set aside.")];
        }
        let mut lines: Vec<Line> = self.asides.iter().map(|one| one.line(&self.names)).collect();
        let waiting = |one: &&One| one.releases.is_empty() && releasable(&one.held) == Releasable::Yes;
        if let Some(first) = self.asides.iter().find(waiting) {
            let name = self.names.entry(first.held.name());
            lines.push(Line::toned(Tone::Faint, format!("The office lets one count: pintle release {name} \"why\"")));
        }
        lines
    }

    fn json(&self) -> Value {
        let one = |one: &One| {
            let can_count = releasable(&one.held) == Releasable::Yes;
            json!({
                "device": one.held.device, "seq": one.held.entry.seq(), "code": one.code, "can_count": can_count,
                "released_by": one.releases, "entry": one.held.entry,
            })
        };
        let mut answer = json!({"asides": self.asides.iter().map(one).collect::<Vec<_>>()});
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}
