//! Entries between devices by file: what is given out, and what is taken in.
//!
//! Promises: what is taken in is proven first, all of it, and stored in one transaction or not at all. Entries that are
//! held already are not doubled; those that contradict what is held are kept for the server to judge, and told. What is
//! given out is sealed, and as private as the log itself: it holds what this device holds.
//!
//! Never: a network. The server gets it at the next sync.

use crate::glance;
use crate::problem::{Code, Problem};
use crate::store::{NewEntry, Own, SyncRow, Tx, WaitingRun};
use pintle_core::canonical;
use pintle_core::carry::{self, BAD_SEAL, Believed, Bundle, DAMAGED, NEWER, Proven, WRONG_ORGANISATION, stands_aside};
use pintle_core::chain::{DeviceKey, LogHead, Seal, link};
use pintle_core::entry::{EntryRef, Held};
use pintle_core::exchange::{Carried, DeviceCard, Person, Push};
use pintle_core::fact::Fact;
use pintle_core::fault::{Fault, code};
use pintle_core::ids::{DeviceId, MachineId, PersonId};
use pintle_core::limits::{CARRY_RUN_BYTES, PUSH_ENTRIES_MAX};
use std::collections::{BTreeMap, BTreeSet};

/// What is to be given out.
#[derive(Debug, Clone, Default)]
pub struct Selection {
    /// Everything that is held, not only what the server may not have yet.
    pub whole: bool,
    /// Only runs with an entry from then on, in seconds since 1970.
    pub since_s: Option<i64>,
    /// Only runs with an entry about this machine.
    pub machine: Option<MachineId>,
}

/// What was taken in.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Taken {
    /// Entries that were not held before.
    pub entries: u64,
    /// Entries that were.
    pub known: u64,
    /// The machines that the new ones are about.
    pub machines: BTreeSet<MachineId>,
    /// Runs that contradict what is held, by the first entry that does.
    pub apart: Vec<EntryRef>,
    /// Entries of devices that nobody here has heard of: not taken.
    pub unknown: BTreeMap<DeviceId, u64>,
    /// Entries of this device itself that do not follow its log: not taken.
    pub beyond: u64,
}

/// The bundle of what is selected.
///
/// # Errors
/// `not-enrolled`, and if the log cannot be read.
pub fn give_out(tx: &Tx<'_>, key: &DeviceKey, selection: &Selection) -> Result<Bundle, Problem> {
    let (own, sync) = (tx.own()?, tx.enrolled()?);
    let everything = selection.whole || selection.since_s.is_some() || selection.machine.is_some();
    let first = if everything { Some(1) } else { tx.first_unplaced(own.device)? };
    let mut runs = match first {
        Some(from) => own_runs(tx, key, &own, &sync, from)?,
        None => Vec::new(),
    };
    for waiting in tx.carried_waiting()? {
        runs.extend(tx.carried_run(&waiting)?);
    }
    if everything {
        for device in tx.logs()?.into_iter().filter(|device| *device != own.device) {
            let held: BTreeSet<(u64, u64)> =
                runs.iter().filter(|run| run.device == device).map(|run| (run.push.from, last(&run.push))).collect();
            let sealed = sealed_runs(tx, device)?;
            runs.extend(sealed.into_iter().filter(|run| !held.contains(&(run.push.from, last(&run.push)))));
        }
    }
    runs.retain(|run| run.push.entries.iter().any(|entry| selected(entry, selection)));
    bundle(tx, &sync, runs)
}

/// The bundle of one entry: of one's own it alone, of another's the run it was sealed in.
///
/// # Errors
/// `not-enrolled`, `unknown-entry`, and if the log cannot be read.
pub fn give_one(tx: &Tx<'_>, key: &DeviceKey, entry: EntryRef) -> Result<Bundle, Problem> {
    let (own, sync) = (tx.own()?, tx.enrolled()?);
    let of_it = |run: &Carried| run.device == entry.device && (run.push.from..=last(&run.push)).contains(&entry.seq);
    let run = if entry.device == own.device {
        let held = tx.log_from(own.device, entry.seq, 1, CARRY_RUN_BYTES)?;
        own_run(tx, key, &sync, held)?
    } else {
        let waiting = tx.carried_waiting()?.into_iter().filter(|run| run.device == entry.device);
        let mut runs = Vec::new();
        for waiting in waiting {
            runs.extend(tx.carried_run(&waiting)?);
        }
        runs.extend(sealed_runs(tx, entry.device)?);
        runs.retain(of_it);
        runs.into_iter().min_by_key(|run| run.push.entries.len())
    };
    let run = run.ok_or_else(|| {
        Problem::new(Code::UnknownEntry, "the seal over that entry is not held here, so nobody could believe it")
            .hint("carry it from the device that made it")
    })?;
    Ok(Bundle { organisation: sync.organisation, devices: Vec::new(), people: Vec::new(), runs: vec![run] })
}

fn last(push: &Push) -> u64 {
    push.from.saturating_add(push.entries.len() as u64).saturating_sub(1)
}

fn selected(entry: &pintle_core::Entry, selection: &Selection) -> bool {
    let Ok(head) = entry.head() else { return selection.machine.is_none() };
    selection.since_s.is_none_or(|since_s| head.at.second() >= since_s)
        && selection.machine.is_none_or(|machine| head.machine == Some(machine))
}

fn own_runs(tx: &Tx<'_>, key: &DeviceKey, own: &Own, sync: &SyncRow, from: u64) -> Result<Vec<Carried>, Problem> {
    let mut runs = Vec::new();
    let mut next = from;
    while next <= own.head.seq {
        let held = tx.log_from(own.device, next, PUSH_ENTRIES_MAX, CARRY_RUN_BYTES)?;
        let Some(run) = own_run(tx, key, sync, held)? else { break };
        next = last(&run.push) + 1;
        runs.push(run);
    }
    Ok(runs)
}

/// Own entries, sealed.
fn own_run(tx: &Tx<'_>, key: &DeviceKey, sync: &SyncRow, held: Vec<Held>) -> Result<Option<Carried>, Problem> {
    let Some((first, end)) = held.first().zip(held.last()) else { return Ok(None) };
    let (device, from) = (first.device, first.entry.seq());
    let Some(previous) = before(tx, device, from, || LogHead::empty(&key.public()))? else { return Ok(None) };
    let head = LogHead { seq: end.entry.seq(), link: end.link };
    let signature = key.seal(&sync.organisation, from, &head).signature;
    let entries = held.into_iter().map(|held| held.entry).collect();
    Ok(Some(Carried { device, push: Push { from, previous, entries, signature } }))
}

/// The link before an entry, if it is held.
fn before(
    tx: &Tx<'_>,
    device: DeviceId,
    from: u64,
    empty: impl FnOnce() -> LogHead,
) -> Result<Option<pintle_core::Hash>, Problem> {
    match from {
        1 => Ok(Some(empty().link)),
        _ => tx.link(EntryRef { device, seq: from - 1 }),
    }
}

/// The runs of another device that are held whole under a seal of its own.
fn sealed_runs(tx: &Tx<'_>, device: DeviceId) -> Result<Vec<Carried>, Problem> {
    let Some(card) = tx.devices()?.into_iter().find(|card| card.id == device) else { return Ok(Vec::new()) };
    let mut runs = Vec::new();
    for seal in tx.seals(device)? {
        let count = seal.to.saturating_sub(seal.from).saturating_add(1);
        let entries_max = usize::try_from(count).unwrap_or(usize::MAX);
        if entries_max > PUSH_ENTRIES_MAX {
            continue;
        }
        let held = tx.log_from(device, seal.from, entries_max, u32::MAX)?;
        let previous = before(tx, device, seal.from, || LogHead::empty(&card.key))?;
        runs.extend(previous.and_then(|previous| carry::run_under(&seal, previous, &held)));
    }
    Ok(runs)
}

/// Runs, with what proves their devices and with the names they need.
fn bundle(tx: &Tx<'_>, sync: &SyncRow, mut runs: Vec<Carried>) -> Result<Bundle, Problem> {
    let authors: BTreeSet<DeviceId> = runs.iter().map(|run| run.device).collect();
    let heads = runs.iter().flat_map(|run| &run.push.entries).filter_map(|entry| entry.head().ok());
    let mut mentioned: BTreeSet<PersonId> = heads.map(|head| head.by).collect();
    let mut devices = Vec::new();
    for row in tx.devices()? {
        if row.person == PersonId::OPERATOR {
            let lets_in = |run: &Carried| run.push.entries.iter().any(|entry| lets_in_one_of(entry, &authors));
            runs.extend(sealed_runs(tx, row.id)?.into_iter().filter(|run| !authors.contains(&row.id) && lets_in(run)));
        } else if authors.contains(&row.id) {
            mentioned.insert(row.person);
            let (id, mark, key, person, revoked) = (row.id, row.mark, row.key, row.person, row.revoked);
            devices.push(DeviceCard { id, mark, key, person, revoked });
        }
    }
    let people = tx.people()?.into_iter().filter(|person| mentioned.contains(&person.id));
    let people = people.map(|person| Person { id: person.id, name: person.name }).collect();
    Ok(Bundle { organisation: sync.organisation, devices, people, runs })
}

fn lets_in_one_of(entry: &pintle_core::Entry, authors: &BTreeSet<DeviceId>) -> bool {
    let fact = entry.head().ok().and_then(|head| Fact::read(head, entry).ok());
    matches!(fact, Some(Fact::DeviceEnrolled(enrolled)) if authors.contains(&enrolled.device))
}

/// What is wrong with a file, in the words of the person who has it.
#[must_use]
pub fn refused(fault: &Fault) -> Problem {
    let whole = "nothing of it was taken";
    let problem = match fault.code.as_str() {
        WRONG_ORGANISATION => {
            Problem::new(Code::CarryRefused, format!("it is of another organisation's machines; {whole}"))
        }
        NEWER => Problem::new(Code::CarryRefused, format!("it was written by a newer pintle; {whole}"))
            .hint("install that version, then again"),
        BAD_SEAL => Problem::new(Code::CarryRefused, format!("it was changed since its devices sealed it; {whole}"))
            .hint("ask for it once more from the device that made it"),
        code::PAYLOAD_TOO_LARGE => Problem::new(Code::CarryRefused, format!("it is too large; {whole}"))
            .hint("less at once: pintle carry out FILE --since 2026-05-04"),
        DAMAGED => Problem::new(Code::CarryRefused, format!("it is not whole: {}; {whole}", fault.detail))
            .hint("copy it once more, or: pintle carry out FILE"),
        _ => Problem::new(Code::CarryRefused, format!("it is not what a device writes; {whole}"))
            .hint("ask for it once more from the device that made it"),
    };
    problem.detail(fault)
}

/// Takes a bundle in, in the transaction of the caller.
///
/// # Errors
/// `not-enrolled`; `carry-refused` where anything in it is not as its devices sealed it.
pub fn take_in(tx: &Tx<'_>, bundle: &Bundle, now_s: i64) -> Result<Taken, Problem> {
    let (mut own, sync) = (tx.own()?, tx.enrolled()?);
    let mut known: BTreeMap<DeviceId, Believed> = BTreeMap::new();
    for row in tx.devices()? {
        let is_server = row.person == PersonId::OPERATOR;
        known.insert(row.id, Believed { key: row.key, is_server, revoked: row.revoked });
    }
    known.entry(own.device).or_insert(Believed { key: own.public_key, is_server: false, revoked: false });
    let proof = carry::prove(bundle, &sync.organisation, &known).map_err(|fault| refused(&fault))?;
    proof.let_in.values().try_for_each(|card| tx.set_device(card))?;
    let mut taken = Taken { unknown: proof.unknown, ..Taken::default() };
    let mut decides = false;
    for run in &proof.runs {
        let revoked = known.get(&run.device).is_some_and(|known| known.revoked);
        decides |= take_run(tx, &mut own, run, revoked, now_s, &mut taken)?;
    }
    name_people(tx, bundle, &proof.runs)?;
    tx.set_own(&own)?;
    taken.machines.iter().try_for_each(|machine| glance::refold(tx, *machine))?;
    if decides {
        glance::regroup(tx)?;
    }
    Ok(taken)
}

/// Takes one run; says whether an entry came that decides which machines are one.
fn take_run(
    tx: &Tx<'_>,
    own: &mut Own,
    run: &Proven,
    revoked: bool,
    now_s: i64,
    taken: &mut Taken,
) -> Result<bool, Problem> {
    let is_own = run.device == own.device;
    let contradiction = contradiction(tx, run)?;
    if is_own && contradiction.is_none() && run.checked.from > own.head.seq + 1 {
        taken.beyond += run.checked.entries.len() as u64;
        return Ok(false);
    }
    if !is_own {
        keep(tx, run, now_s)?;
    }
    if let Some(seq) = contradiction {
        taken.apart.push(EntryRef { device: run.device, seq });
        return Ok(false);
    }
    let mut decides = false;
    for checked in &run.checked.entries {
        let name = EntryRef { device: run.device, seq: checked.entry.seq() };
        if tx.link(name)?.is_some() {
            taken.known += 1;
            continue;
        }
        tx.add_entry(&NewEntry { device: name.device, link: &checked.link, entry: &checked.entry, placed: None })?;
        if let Some(code) = stands_aside(checked, revoked).filter(|_| !is_own) {
            tx.set_aside(name, &code)?;
        }
        taken.entries += 1;
        if let Ok(head) = checked.entry.head() {
            taken.machines.extend(head.machine);
            decides |= Fact::read(head, &checked.entry).is_ok_and(|fact| glance::decides(&fact));
        }
    }
    if is_own {
        own.head = tx.end_of_log(own.device, own.head)?;
        own.recover = own.recover.filter(|there| there.seq > own.head.seq);
    } else {
        tx.add_seal(&run.checked.seal)?;
    }
    Ok(decides)
}

/// The first entry of a run that does not go together with what is held.
fn contradiction(tx: &Tx<'_>, run: &Proven) -> Result<Option<u64>, Problem> {
    let at = |seq| EntryRef { device: run.device, seq };
    if run.checked.from > 1 && tx.link(at(run.checked.from - 1))?.is_some_and(|held| held != run.checked.previous) {
        return Ok(Some(run.checked.from));
    }
    for checked in &run.checked.entries {
        if tx.link(at(checked.entry.seq()))?.is_some_and(|held| held != checked.link) {
            return Ok(Some(checked.entry.seq()));
        }
    }
    let Seal { to, link: end, .. } = run.checked.seal;
    let after = tx.entry(at(to + 1))?;
    Ok(after.filter(|after| link(&end, &after.entry) != after.link).map(|_| to))
}

/// Keeps a run for the server, unless the ledger is known to hold it.
fn keep(tx: &Tx<'_>, run: &Proven, came_at_s: i64) -> Result<(), Problem> {
    let Seal { device, to, link: end, .. } = run.checked.seal;
    let name = EntryRef { device, seq: to };
    if tx.link(name)? == Some(end) && tx.position(name)?.is_some() {
        return Ok(());
    }
    let whole = Carried { device, push: run.push.clone() };
    let value = serde_json::to_value(&whole).map_err(|e| refused(&Fault::new(DAMAGED, "", e.to_string())))?;
    let end = LogHead { seq: to, link: end };
    let waiting = WaitingRun { device, from: run.checked.from, end, came_at_s, said: None };
    tx.carried_add(&waiting, &canonical::bytes(&value))
}

/// Names of people who made what came, where nobody here had given them one. A name is no proof of anything.
fn name_people(tx: &Tx<'_>, bundle: &Bundle, runs: &[Proven]) -> Result<(), Problem> {
    let heads = runs.iter().flat_map(|run| &run.checked.entries).filter_map(|checked| checked.entry.head().ok());
    let by: BTreeSet<PersonId> = heads.map(|head| head.by).collect();
    let usable = |person: &&Person| {
        by.contains(&person.id)
            && person.id != PersonId::OPERATOR
            && pintle_core::fact::check_name(&person.name).is_ok()
    };
    for person in bundle.people.iter().filter(usable) {
        if tx.person_name(person.id)?.is_none() {
            tx.add_person(person.id, &person.name)?;
        }
    }
    Ok(())
}
