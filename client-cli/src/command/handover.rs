//! `pintle handover`: what the person taking a machine must know, on one screen.
//!
//! Promises: what must not be run first, then what was noticed, what was not reached, what is due in the coming shift,
//! and the notes they cannot have seen, told by the log and not by clocks. With nothing to tell it says so. Never
//! marks anything as read: somebody who looks has not thereby taken the machine.

use super::telling::{self, Teller};
use super::{Here, hold};
use crate::ambient::Wall;
use crate::glance;
use crate::names::{self, Names};
use crate::problem::Problem;
use crate::ui::{Answer, Line, Tone, due as shown};
use pintle_core::book::book;
use pintle_core::handover::{Handover as Told, handover};
use pintle_core::ids::PersonId;
use serde_json::{Value, json};

/// What the person taking a machine must know
#[derive(Debug, clap::Args)]
pub struct Handover {
    /// Which machine
    machine: Option<String>,
}

struct Page {
    told: Told,
    to: PersonId,
    name: String,
    site: Option<String>,
    names: Names,
    now: Wall,
    /// Whether what others write about it comes here.
    held: bool,
}

/// Shows it, to whoever is recording or to `--as` somebody.
pub(super) fn run(args: &Handover, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let now = here.ambient.wall();
    let by = here.common.by.clone();
    here.answer(|tx| {
        let own = tx.own()?;
        let machine = match &args.machine {
            Some(name) => names::machine(tx, name)?,
            None => names::last_machine(tx, &own)?,
        };
        let to = match by {
            Some(name) => names::person(tx, &name)?,
            None => own.person,
        };
        let (chief, entries) = glance::entries(tx, machine.id)?;
        let told = handover(&book(chief, &entries), to, now.second, now.offset_s(now.second));
        let held = tx.machines_held()?.takes(Some(machine.id));
        Ok(Page { told, to, name: machine.name, site: machine.site, names: Names::load(tx)?, now, held })
    })
}

impl Page {
    fn section(&self, heading: &str, lines: Vec<Line>) -> Vec<Line> {
        let heading = (!lines.is_empty()).then(|| Line::toned(Tone::Strong, heading));
        heading.into_iter().chain(lines.into_iter().map(|line| line.indented(2))).collect()
    }

    fn heading(&self) -> Line {
        let site = self.site.as_ref().map(|site| format!(", {site}")).unwrap_or_default();
        Line::toned(Tone::Strong, &self.name).plain(format!(" to {}{site}", self.names.person(self.to)))
    }

    fn due(&self) -> Vec<Line> {
        let heading = (!self.told.due.is_empty()).then(|| Line::toned(Tone::Strong, "Due this shift"));
        heading.into_iter().chain(self.told.due.iter().map(shown::short_line)).collect()
    }

    fn teller(&self) -> Teller<'_> {
        Teller { names: &self.names, now: &self.now }
    }

    /// Notes, with since when they are new.
    fn notes(&self) -> Vec<Line> {
        let heading = match &self.told.since {
            Some(stamp) => {
                format!("New since you had it, {}", self.teller().moment(&stamp.at))
            }
            None => "Notes, all new to you".to_owned(),
        };
        self.section(&heading, self.told.notes.iter().map(|note| telling::note(note, &self.teller())).collect())
    }
}

impl Answer for Page {
    fn lines(&self) -> Vec<Line> {
        let (told, by) = (&self.told, &self.teller());
        let mut lines = self.warnings();
        lines.push(self.heading());
        lines.extend((!self.held).then(|| hold::apart(&self.name)).into_iter().flatten());
        let mut open: Vec<Line> = told.findings.iter().flat_map(|f| telling::finding(f, by)).collect();
        open.extend(told.skipped.iter().map(|skip| telling::skipped(skip, by)));
        open.extend(told.purges.iter().map(|purge| telling::purge(purge, by)));
        lines.extend(self.section("Noticed, left open", open));
        lines.extend(self.due());
        lines.extend(self.notes());
        if lines.len() == 1 && self.held {
            lines.push(Line::of("Nothing is open, nothing is due this shift."));
        }
        lines.extend(telling::shifts(told.shift.as_ref(), told.last_shift.as_ref(), by));
        lines.extend(telling::meters(&told.meters, by));
        lines.extend(told.fuel.as_ref().map(|fuel| telling::fuel(fuel, by)));
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        self.told.tagged_out.iter().flat_map(|finding| telling::finding(finding, &self.teller())).collect()
    }

    fn json(&self) -> Value {
        let mut answer = json!({"at": self.now.now(), "to": self.to, "handover": self.told});
        if !self.held {
            answer["held"] = json!(false);
        }
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}
