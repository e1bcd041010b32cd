//! `pintle me`: who is recording on this device.
//!
//! Promises: people who share a device each record under their own id; a new name makes a new person. Never renames
//! anyone: that is `setup`.

use super::Here;
use crate::ambient::{Ambient, random};
use crate::names;
use crate::problem::{Code, Problem};
use crate::store::Tx;
use crate::ui::{Answer, Line, Tone};
use pintle_core::PersonId;
use serde_json::{Value, json};

/// Who is recording; several people may share a device
#[derive(Debug, clap::Args)]
pub struct Me {
    /// Who it is from now on
    name: Option<String>,
}

/// Who is recording, to be shown.
pub(super) struct Recorder {
    pub id: PersonId,
    pub name: String,
    pub mark: String,
    pub others: Vec<String>,
    pub fresh: Freshness,
}

/// Whether the person was known before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Freshness {
    /// Known.
    Known,
    /// Added now.
    Added,
}

/// Says or changes it.
pub(super) fn run(args: &Me, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let ambient = here.ambient;
    let recorder = match &args.name {
        None => store.read(|tx| recorder(tx, Freshness::Known))?,
        Some(name) => store.write("record", |tx| {
            let fresh = hand_to(tx, ambient, name)?;
            recorder(tx, fresh)
        })?,
    };
    here.ui.show(&recorder)
}

/// Makes someone the one who records, known already or new.
pub(super) fn hand_to(tx: &Tx<'_>, ambient: &dyn Ambient, name: &str) -> Result<Freshness, Problem> {
    let mut own = tx.own()?;
    let (person, fresh) = match names::person(tx, name) {
        Ok(person) => (person, Freshness::Known),
        Err(problem) if problem.code == Code::UnknownPerson => {
            pintle_core::fact::check_name(name)?;
            let person = PersonId(random(ambient)?);
            tx.add_person(person, name.trim())?;
            (person, Freshness::Added)
        }
        Err(problem) => return Err(problem),
    };
    own.person = person;
    tx.set_own(&own)?;
    Ok(fresh)
}

/// Who is recording now.
pub(super) fn recorder(tx: &Tx<'_>, fresh: Freshness) -> Result<Recorder, Problem> {
    let own = tx.own()?;
    let people = tx.people()?;
    let name = people.iter().find(|p| p.id == own.person).map(|p| p.name.clone()).unwrap_or_default();
    // The server stands among the people for what it writes down itself, and nobody takes a machine from it.
    let others = people.into_iter().filter(|p| p.id != own.person && p.id != PersonId::OPERATOR);
    let others = others.map(|p| p.name).collect();
    Ok(Recorder { id: own.person, name, mark: own.mark, others, fresh })
}

impl Answer for Recorder {
    fn lines(&self) -> Vec<Line> {
        let fresh = if self.fresh == Freshness::Added { ", new here" } else { "" };
        let line = Line::toned(Tone::Strong, &self.name).plain(format!(" is recording on {}{fresh}", self.mark));
        let mut lines = vec![line];
        if !self.others.is_empty() {
            lines.push(Line::toned(Tone::Faint, format!("Also here: {}", self.others.join(", "))));
        }
        lines
    }

    fn json(&self) -> Value {
        json!({
            "person": {"id": self.id, "name": self.name},
            "mark": self.mark,
            "others": self.others,
            "added": self.fresh == Freshness::Added,
        })
    }
}
