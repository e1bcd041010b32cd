//! `pintle doctor`: checks the database's file, every chain, the seals, the digest, the glances and the key.
//!
//! Promises: names each fault with its place and ends with exit code 1 if there is one; glances, which can be computed
//! again, are put right. Never changes an entry, never asks the network.

use super::Here;
use crate::glance;
use crate::names::Names;
use crate::problem::{Code, Problem};
use crate::store::{Store, Tx};
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::chain::{LogHead, link, verify_seal};
use pintle_core::entry::EntryRef;
use pintle_core::ids::{DeviceId, Hash};
use serde_json::{Value, json};

/// Entries read at once while a chain is checked, and their bytes: bounds memory, not the check.
const BATCH_ENTRIES: usize = 500;
const BATCH_BYTES: u32 = 4 * 1024 * 1024;

/// Check that the log is sound
#[derive(Debug, clap::Args)]
pub struct Doctor {}

struct Report {
    entries: u64,
    logs: usize,
    seals: u64,
    faults: Vec<String>,
}

/// Checks and shows what was found.
pub(super) fn run(_: &Doctor, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store().map_err(beyond_repair)?;
    let mut report = Report { entries: 0, logs: 0, seals: 0, faults: store.check_file().map_err(beyond_repair)? };
    check_key(here, &mut store, &mut report)?;
    store.read(|tx| {
        let names = Names::load(tx)?;
        for device in tx.logs()? {
            report.logs += 1;
            check_log(tx, device, &names, &mut report)?;
        }
        check_digest(tx, &mut report)
    })?;
    check_glances(&mut store, &mut report)?;
    here.ui.show(&report)?;
    if report.faults.is_empty() {
        return Ok(());
    }
    let sentence =
        format!("{} in {}", words::counted(report.faults.len() as u64, "fault", "faults"), store.path().display());
    Err(Problem::new(Code::Damaged, sentence).hint("keep a copy of the folder; what was synced is on the server too"))
}

/// Where the file cannot even be opened, the way on is a new one beside it.
fn beyond_repair(problem: Problem) -> Problem {
    match problem.code {
        Code::Damaged => problem.hint(
            "keep a copy of the folder; go on elsewhere: pintle --home DIR …; what was synced comes back with pintle enrol",
        ),
        _ => problem,
    }
}

fn check_key(here: &Here<'_, '_>, store: &mut Store, report: &mut Report) -> Result<(), Problem> {
    let public = store.read(|tx| tx.own())?.public_key;
    if let Err(problem) = here.home.key(&public) {
        report.faults.push(problem.sentence);
    }
    Ok(())
}

/// Every link must follow from the entry before, and this device's log must end where it says.
fn check_log(tx: &Tx<'_>, device: DeviceId, names: &Names, report: &mut Report) -> Result<(), Problem> {
    let own = tx.own()?;
    let key = if device == own.device {
        Some(own.public_key)
    } else {
        tx.devices()?.into_iter().find(|d| d.id == device).map(|d| d.key)
    };
    let mut before: Option<LogHead> = key.as_ref().map(LogHead::empty);
    let mut from = 1;
    loop {
        let batch = tx.log_from(device, from, BATCH_ENTRIES, BATCH_BYTES)?;
        for held in &batch {
            report.entries += 1;
            let seq = held.entry.seq();
            let previous: Option<Hash> = before.filter(|head| head.seq + 1 == seq).map(|head| head.link);
            if previous.is_some_and(|previous| link(&previous, &held.entry) != held.link) {
                report.faults.push(format!("{} is not the entry that was linked", names.entry(held.name())));
            }
            before = Some(LogHead { seq, link: held.link });
        }
        let Some(last) = batch.last() else { break };
        from = last.entry.seq() + 1;
    }
    if device == own.device && before != Some(own.head) {
        report.faults.push(format!("the log does not end at {}", names.entry(EntryRef { device, seq: own.head.seq })));
    }
    check_seals(tx, device, key, names, report)
}

fn check_seals(
    tx: &Tx<'_>,
    device: DeviceId,
    key: Option<pintle_core::PublicKey>,
    names: &Names,
    report: &mut Report,
) -> Result<(), Problem> {
    let (Some(key), Some(sync)) = (key, tx.sync()?) else { return Ok(()) };
    for seal in tx.seals(device)? {
        report.seals += 1;
        let entry = EntryRef { device, seq: seal.to };
        let linked = tx.link(entry)?.is_none_or(|link| link == seal.link);
        if !linked || !verify_seal(&key, &sync.organisation, &seal) {
            report.faults.push(format!("the seal up to {} is not its device's", names.entry(entry)));
        }
    }
    Ok(())
}

fn check_digest(tx: &Tx<'_>, report: &mut Report) -> Result<(), Problem> {
    let Some(sync) = tx.sync()? else { return Ok(()) };
    let own = tx.own()?;
    if tx.digest(0, own.seen)? != sync.digest {
        report.faults.push("the digest of what is held does not add up; the next sync repairs it".to_owned());
    }
    Ok(())
}

/// Folds every machine anew and compares; what differs is put right.
fn check_glances(store: &mut Store, report: &mut Report) -> Result<(), Problem> {
    store.write("check", |tx| {
        for before in tx.machines()? {
            glance::refold(tx, before.id)?;
            if tx.machine(before.id)?.as_ref() != Some(&before) {
                report.faults.push(format!("what was known of {} at a glance was not true; put right", before.name));
            }
        }
        Ok(())
    })
}

impl Answer for Report {
    fn lines(&self) -> Vec<Line> {
        let entries = words::counted(self.entries, "entry", "entries");
        let logs = words::counted(self.logs as u64, "log", "logs");
        let counted = format!("{entries} in {logs}, {}", words::counted(self.seals, "seal", "seals"));
        let mut lines = vec![Line::of(counted)];
        lines.extend(self.faults.iter().map(|fault| Line::toned(Tone::Danger, fault)));
        if self.faults.is_empty() {
            lines.push(Line::of("All sound."));
        }
        lines
    }

    fn json(&self) -> Value {
        json!({"entries": self.entries, "logs": self.logs, "seals": self.seals, "faults": self.faults})
    }
}
