//! `pintle status`: where this device stands: what waits for signal, when the last sync was, what must be heard.
//!
//! Promises: says how many entries wait here, so that nobody wonders whether something was lost; what must not be run
//! stands first. Never asks the network: it tells what the last sync left.

use super::Here;
use super::answer::hazards;
use crate::engine::rewritten;
use crate::names::Names;
use crate::problem::Problem;
use crate::store::{Evidence, Glance, Own, SyncRow};
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::moment::Moment;
use serde_json::{Value, json};

/// Notices shown: what has happened lately.
const NOTICES_MAX: u32 = 5;

/// Where this device stands
#[derive(Debug, clap::Args)]
pub struct Status {}

struct Standing {
    own: Own,
    person: String,
    held: u64,
    waiting: u64,
    carried: u64,
    photos: u64,
    sync: Option<SyncRow>,
    evidence: Option<Evidence>,
    notices: Vec<(i64, String, String)>,
    hazards: Vec<Glance>,
    machines: usize,
    names: Names,
    folder: String,
    offset_s: i32,
}

/// Shows it.
pub(super) fn run(_: &Status, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let folder = here.home.folder().display().to_string();
    let wall = here.ambient.wall();
    let offset_s = wall.offset_s(wall.second);
    here.answer(|tx| {
        let own = tx.own()?;
        let names = Names::load(tx)?;
        let sync = tx.sync()?;
        let mut machines = tx.machines()?;
        machines.retain(|m| m.stands_for.is_none() && !m.name.is_empty());
        Ok(Standing {
            person: names.person(own.person),
            held: tx.entries_held()?,
            waiting: tx.unplaced(own.device)?,
            carried: tx.carried_waiting()?.iter().map(|run| run.end.seq - run.from + 1).sum(),
            photos: tx.files_not_there()?.len() as u64,
            evidence: match &sync {
                Some(sync) => tx.evidence(sync.store, sync.epoch)?,
                None => None,
            },
            sync,
            notices: tx.notices(NOTICES_MAX)?,
            machines: machines.len(),
            hazards: machines.into_iter().filter(|m| !m.tagged_out.is_empty()).collect(),
            own,
            names,
            folder,
            offset_s,
        })
    })
}

impl Standing {
    fn when(&self, at_s: i64) -> String {
        let moment = Moment::at(at_s, self.offset_s).ok();
        moment.and_then(|m| m.text().replace('T', " ").get(..16).map(str::to_owned)).unwrap_or_default()
    }

    fn server_lines(&self) -> Vec<Line> {
        let Some(sync) = &self.sync else {
            return vec![
                Line::of("Not enrolled: works alone."),
                Line::toned(Tone::Faint, "> ").plain("pintle enrol URL CODE"),
            ];
        };
        let mut lines = vec![Line::of(format!("{} at {}", sync.organisation_name, sync.server))];
        lines.push(match &sync.last {
            Some(last) if last.code == "done" => Line::of(format!("Last sync {}", self.when(last.at_s))),
            Some(last) => Line::of(format!("Last sync {}: {}", self.when(last.at_s), last.code)),
            None => Line::of("Never synced."),
        });
        if let Some(recover) = self.own.recover {
            let sentence = format!("Entries up to {} are on the server only: pintle sync", recover.seq);
            lines.push(Line::toned(Tone::Danger, sentence));
        }
        if let Some(evidence) = &self.evidence {
            lines.push(Line::toned(Tone::Danger, rewritten(evidence.why)));
            lines.push(Line::toned(Tone::Faint, "> ").plain("pintle doctor --evidence FILE"));
        }
        if sync.copied {
            lines.push(Line::toned(Tone::Danger, "Two copies of this device are in use: pintle enrol URL CODE --anew"));
        }
        lines
    }
}

impl Answer for Standing {
    fn lines(&self) -> Vec<Line> {
        let mut lines = self.warnings();
        let role = self.sync.as_ref().and_then(|sync| sync.role);
        let role = role.map(|role| format!(", as {}", role.as_str())).unwrap_or_default();
        lines.push(Line::toned(Tone::Strong, &self.own.mark).plain(format!(", {} is recording{role}", self.person)));
        let waiting = match self.waiting {
            _ if self.sync.is_none() => "on this device only".to_owned(),
            0 => "all with the server".to_owned(),
            n => format!("{n} waiting for signal"),
        };
        let entries = words::counted(self.held, "entry", "entries");
        let machines = words::counted(self.machines as u64, "machine", "machines");
        lines.push(Line::of(format!("{entries}, {waiting}; {machines}")));
        if self.carried > 0 {
            let told = words::counted(self.carried, "entry", "entries");
            lines.push(Line::of(format!("{told} came by carry, not yet on the server")));
        }
        if self.photos > 0 {
            let told = words::counted(self.photos, "photo", "photos");
            lines.push(Line::of(format!("{told} not known to be on the server")));
        }
        lines.extend(self.server_lines());
        for (at_s, _, sentence) in &self.notices {
            lines.push(Line::toned(Tone::Odd, self.when(*at_s)).plain(" ").plain(sentence));
        }
        lines.push(Line::toned(Tone::Faint, &self.folder));
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        self.hazards.iter().flat_map(|machine| hazards(machine, &self.names)).collect()
    }

    fn json(&self) -> Value {
        let sync = self.sync.as_ref().map(|sync| {
            json!({
                "server": sync.server,
                "organisation": {"id": sync.organisation, "name": sync.organisation_name},
                "epoch": sync.epoch,
                "position": self.own.seen,
                "copied": sync.copied,
                "rewritten": self.evidence.as_ref().map(|evidence| evidence.why.as_str()),
                "role": sync.role,
                "last": sync.last.as_ref().map(|l| json!({"at": Moment::at(l.at_s, 0).ok(), "outcome": l.code})),
            })
        });
        let notices: Vec<Value> = self
            .notices
            .iter()
            .map(|(at_s, code, sentence)| json!({"at": Moment::at(*at_s, 0).ok(), "code": code, "sentence": sentence}))
            .collect();
        json!({
            "device": self.own.device,
            "mark": self.own.mark,
            "person": {"id": self.own.person, "name": self.person},
            "log": self.own.head,
            "recover": self.own.recover,
            "held": self.held,
            "waiting": self.waiting,
            "carried": self.carried,
            "photos": self.photos,
            "machines": self.machines,
            "tagged_out": self.hazards.iter().map(|m| json!({"machine": m.id, "findings": m.tagged_out})).collect::<Vec<_>>(),
            "sync": sync,
            "notices": notices,
            "home": self.folder,
        })
    }
}
