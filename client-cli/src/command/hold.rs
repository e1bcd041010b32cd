//! `pintle hold`: which machines this device holds: all, some, or those of a site.
//!
//! Promises: nothing held is ever thrown away, and this device's own entries always go out; only others' entries about
//! other machines no longer come. Without words it tells how it stands. A machine that this device has never heard of
//! is asked for by its name at the server.

use super::Here;
use crate::asked::quoted;
use crate::names::{self, Match, Names};
use crate::office::Office;
use crate::problem::{Code, Problem};
use crate::store::{Store, SyncRow, Tx};
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::exchange::Wanted;
use pintle_core::fact::check_name;
use pintle_core::fleet::folded;
use pintle_core::ids::MachineId;
use pintle_openapi::endpoint::Nothing;
use pintle_openapi::endpoints::machines::Machines;
use pintle_openapi::list::{PAGE_ITEMS_MAX, PageQuery};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// The word for every machine.
const ALL: &str = "all";

/// Which machines this device holds
#[derive(Debug, clap::Args)]
pub struct Hold {
    /// These machines, or: all. Left out: tell how it stands
    machines: Vec<String>,
    /// Those that work at this site, whichever they are
    #[arg(long, value_name = "SITE")]
    site: Vec<String>,
}

struct Held {
    sync: SyncRow,
    names: BTreeMap<MachineId, String>,
    changed: bool,
}

/// Chooses, or tells.
pub(super) fn run(args: &Hold, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let sync = store.read(|tx| tx.enrolled())?;
    let mut names = store.read(Names::load)?.machines;
    if args.machines.is_empty() && args.site.is_empty() {
        return here.ui.show(&Held { sync, names, changed: false });
    }
    let wanted = wanted(args, here, &mut store, &mut names)?;
    let changed = wanted != sync.wanted;
    let sync = store.write("store", |tx| {
        let mut sync = tx.enrolled()?;
        if changed {
            (sync.wanted, sync.wanted_told) = (wanted, false);
            tx.set_sync(&sync)?;
        }
        Ok(sync)
    })?;
    here.ui.show(&Held { sync, names, changed })
}

fn wanted(
    args: &Hold,
    here: &Here<'_, '_>,
    store: &mut Store,
    names: &mut BTreeMap<MachineId, String>,
) -> Result<Wanted, Problem> {
    let mut sites = BTreeSet::new();
    for site in &args.site {
        check_name(site)?;
        sites.insert(site.trim().to_owned());
    }
    if let ([word], true) = (&args.machines[..], sites.is_empty())
        && folded(word) == ALL
    {
        return Ok(Wanted::default());
    }
    let mut machines = BTreeSet::new();
    let mut unknown = BTreeSet::new();
    for name in &args.machines {
        match store.read(|tx| names::machine_named(tx, name, Match::Beginning))? {
            Some(found) => {
                machines.insert(found.glance.id);
            }
            None => {
                unknown.insert(name.clone());
            }
        }
    }
    if !unknown.is_empty() {
        for (id, name) in asked_for(&unknown, here, store)? {
            machines.insert(id);
            names.insert(id, name);
        }
    }
    let machines = (!machines.is_empty() || sites.is_empty()).then_some(machines);
    Ok(Wanted { machines, sites })
}

/// Machines that only the server knows, by name.
fn asked_for(
    unknown: &BTreeSet<String>,
    here: &Here<'_, '_>,
    store: &mut Store,
) -> Result<BTreeMap<MachineId, String>, Problem> {
    let list = unknown.iter().cloned().collect::<Vec<_>>().join(", ");
    let office = Office::open(&here.home, store, here.ambient).map_err(|problem| match problem.code {
        Code::NoSignal => Problem::new(Code::UnknownMachine, format!("{list}: not known here, and no signal to ask"))
            .hint("with signal, the same again; or all of a site: pintle hold --site \"north pit\""),
        _ => problem,
    })?;
    let wanted: BTreeSet<String> = unknown.iter().map(|name| folded(name)).collect();
    let (mut found, mut after) = (BTreeMap::new(), None);
    loop {
        let query = PageQuery { after, limit: i64::try_from(PAGE_ITEMS_MAX).ok() };
        let page = office.ask::<Machines>(&Nothing {}, &query, &Nothing {})?;
        let named = page.items.into_iter().filter_map(|card| Some((card.id, card.name?)));
        found.extend(named.filter(|(_, name)| wanted.contains(&folded(name))));
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    let known: BTreeSet<String> = found.values().map(|name| folded(name)).collect();
    match unknown.iter().find(|name| !known.contains(&folded(name))) {
        None => Ok(found),
        Some(name) => {
            Err(Problem::new(Code::UnknownMachine, format!("no machine is called {name}, here or at the server"))
                .hint("pintle hold all"))
        }
    }
}

/// A machine that is added here is held here, also where only some are.
pub(super) fn with(tx: &Tx<'_>, machine: MachineId) -> Result<(), Problem> {
    let Some(mut sync) = tx.sync()?.filter(|sync| !sync.wanted.is_all()) else { return Ok(()) };
    sync.wanted.machines.get_or_insert_default().insert(machine);
    sync.wanted_told = false;
    tx.set_sync(&sync)
}

/// Told of a machine whose entries by others no longer come here.
pub(super) fn apart(machine: &str) -> Vec<Line> {
    let sentence = format!("{machine} is not held here: what others wrote since is missing.");
    let hint = Line::toned(Tone::Faint, "> ").plain(format!("pintle hold {} …", quoted(machine)));
    vec![Line::toned(Tone::Odd, sentence), hint]
}

impl Held {
    fn set(&self) -> String {
        let Wanted { machines, sites } = &self.sync.wanted;
        if self.sync.wanted.is_all() {
            return "all machines".to_owned();
        }
        let name = |id: &MachineId| self.names.get(id).cloned().unwrap_or_else(|| format!("machine {id}"));
        let mut parts: Vec<String> = machines.iter().flatten().map(name).collect();
        parts.sort();
        parts.extend(sites.iter().map(|site| format!("all at {site}")));
        if parts.is_empty() { "no machine".to_owned() } else { parts.join(", ") }
    }
}

impl Answer for Held {
    fn lines(&self) -> Vec<Line> {
        let tone = if self.changed { Tone::Strong } else { Tone::Plain };
        let mut lines = vec![Line::toned(tone, format!("This device holds {}.", self.set()))];
        if self.changed && !self.sync.wanted.is_all() {
            lines.push(Line::of("What is here stays. Of others, nothing new comes."));
        }
        if let (false, Some(held)) = (self.sync.wanted.sites.is_empty(), &self.sync.held.machines)
            && self.sync.wanted_told
        {
            let count = words::counted(held.len() as u64, "machine", "machines");
            lines.push(Line::of(format!("At the last sync that was {count}.")));
        }
        if !self.sync.wanted_told {
            lines.push(Line::toned(Tone::Faint, "> ").plain("pintle sync"));
        }
        lines
    }

    fn json(&self) -> Value {
        json!({
            "wanted": self.sync.wanted,
            "told": self.sync.wanted_told,
            "held": self.sync.held.machines,
        })
    }
}
