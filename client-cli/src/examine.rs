//! Looking through a device's log for anything that is not as it must be; `pintle doctor` shows what is found.
//!
//! Promises: each fault has a stable code, its place, and a sentence. Damage is a fault, never an end and never a panic:
//! where a batch of rows cannot be read, they are read one by one. Glances, which can be computed again, are put right;
//! an entry is never changed.
//!
//! Never: the network.

use crate::glance;
use crate::home::Home;
use crate::names::Names;
use crate::photos;
use crate::problem::{Code, Problem};
use crate::store::{BareRow, Own, OwnFile, Store, Tx};
use pintle_core::PublicKey;
use pintle_core::chain::{LogHead, link, verify_seal};
use pintle_core::entry::{Entry, EntryRef};
use pintle_core::ids::{DeviceId, Hash};
use std::collections::BTreeSet;

/// Rows read at once: some 2 MB at most.
const BATCH_ROWS: u32 = 500;

macro_rules! wrongs {
    ($($(#[doc = $doc:literal])+ $name:ident = $slug:literal;)+) => {
        /// What can be wrong.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Wrong {
            $($(#[doc = $doc])+ $name,)+
        }

        impl Wrong {
            /// All of them.
            pub const ALL: &[Self] = &[$(Self::$name),+];

            /// The stable code.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(Self::$name => $slug,)+ }
            }
        }
    };
}

wrongs! {
    /// The database itself finds its file damaged.
    FileDamaged = "file-damaged";
    /// Rows cannot be read.
    RowUnreadable = "row-unreadable";
    /// The bytes of an entry are none.
    EntryUnreadable = "entry-unreadable";
    /// An entry is not the one that was linked, or is spelled otherwise.
    EntryAltered = "entry-altered";
    /// A column says something else than the entry beside it.
    ColumnAltered = "column-altered";
    /// Numbers of this device's log are missing.
    NumberMissing = "number-missing";
    /// This device's log does not end where it should.
    HeadWrong = "head-wrong";
    /// A device's id is not that of its key.
    DeviceAltered = "device-altered";
    /// A seal is not its device's.
    SealAltered = "seal-altered";
    /// The private key is missing or another one.
    KeyLost = "key-lost";
    /// The digest of what is held does not add up.
    DigestWrong = "digest-wrong";
    /// An entry of a branch that was given up is recorded again nowhere.
    BranchBroken = "branch-broken";
    /// A photo of this device is gone or another, and no server is known to have it.
    FileLost = "file-lost";
    /// A glance was not true.
    GlanceWrong = "glance-wrong";
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// What.
    pub wrong: Wrong,
    /// Where: an entry by its mark, or a table.
    pub place: String,
    /// In words.
    pub sentence: String,
}

/// What was looked at and what was found.
#[derive(Debug, Clone, Default)]
pub struct Report {
    /// Entries that were read.
    pub entries: u64,
    /// Logs.
    pub logs: usize,
    /// Seals.
    pub seals: u64,
    /// What is wrong.
    pub faults: Vec<Fault>,
}

impl Report {
    fn add(&mut self, wrong: Wrong, place: impl Into<String>, sentence: impl Into<String>) {
        self.faults.push(Fault { wrong, place: place.into(), sentence: sentence.into() });
    }

    /// What was read; damage on the way is a fault at `place`.
    fn read<T>(&mut self, place: &str, read: Result<T, Problem>) -> Result<Option<T>, Problem> {
        match read {
            Ok(value) => Ok(Some(value)),
            Err(problem) if is_damage(&problem) => {
                let why = problem.detail.map(|detail| format!(": {detail}")).unwrap_or_default();
                self.add(Wrong::RowUnreadable, place, format!("rows of table {place} cannot be read{why}"));
                Ok(None)
            }
            Err(problem) => Err(problem),
        }
    }
}

/// Whether a problem means damage, and not that the file is away, busy or on a full disk.
fn is_damage(problem: &Problem) -> bool {
    matches!(problem.code, Code::Damaged | Code::DatabaseFailed)
}

/// Looks through everything.
///
/// # Errors
/// If the database is busy or cannot be read for a reason that is no damage.
pub fn examine(store: &mut Store, home: &Home) -> Result<Report, Problem> {
    let mut report = Report::default();
    let lines = store.check_file();
    for line in report.read("", lines)?.into_iter().flatten() {
        report.add(Wrong::FileDamaged, "", line);
    }
    let own = store.read(|tx| tx.own());
    let own = report.read("own", own)?;
    if let Some(own) = &own
        && let Err(problem) = home.key(&own.public_key)
    {
        report.add(Wrong::KeyLost, "device.key", problem.sentence);
    }
    store.read(|tx| Looker { tx, own: own.as_ref(), names: names(tx, own.as_ref()), report: &mut report }.all())?;
    let files = store.read(|tx| tx.files_not_there());
    for OwnFile { file, entry } in report.read("file", files)?.into_iter().flatten() {
        // One that cannot be read is as good as none.
        if photos::read(home, &file).ok().flatten().is_none() {
            let name = store.read(|tx| Ok(names(tx, own.as_ref()).entry(entry)))?;
            let sentence = format!(
                "{} of {name} is not on this device any more, or another; no server is known to have it",
                file.shown()
            );
            report.add(Wrong::FileLost, name, sentence);
        }
    }
    let glances = put_glances_right(store, &mut report);
    report.read("machine", glances)?;
    Ok(report)
}

/// Names as far as they can be read.
fn names(tx: &Tx<'_>, own: Option<&Own>) -> Names {
    let mut names = Names::load(tx).unwrap_or_default();
    names.marks.extend(own.map(|own| (own.device, own.mark.clone())));
    names
}

struct Looker<'a, 'tx> {
    tx: &'a Tx<'tx>,
    own: Option<&'a Own>,
    names: Names,
    report: &'a mut Report,
}

/// How far a log has been walked.
struct Walk {
    device: DeviceId,
    /// Where the last row stands; none where nothing is known before the next.
    before: Option<LogHead>,
    seq: u64,
}

impl Looker<'_, '_> {
    fn all(mut self) -> Result<(), Problem> {
        let devices = self.report.read("device", self.tx.devices())?.unwrap_or_default();
        for device in &devices {
            if DeviceId::of_key(&device.key) != device.id {
                let sentence = format!("the id of device {} is not that of its key", device.mark);
                self.report.add(Wrong::DeviceAltered, device.mark.clone(), sentence);
            }
        }
        let known = devices.iter().map(|device| device.id).chain(self.own.map(|own| own.device));
        let known: BTreeSet<DeviceId> = known.collect();
        let logs = match self.report.read("entry", self.tx.logs())? {
            // Those that have at least one entry.
            Some(logs) => logs,
            None => known.into_iter().collect(),
        };
        for device in logs {
            let own = self.own.filter(|own| own.device == device);
            let key = own.map(|own| own.public_key);
            let key = key.or_else(|| devices.iter().find(|d| d.id == device).map(|d| d.key));
            self.log(device, key)?;
        }
        self.digest()?;
        for (device, seq) in self.report.read("branch", self.tx.branch_not_recorded_again())?.unwrap_or_default() {
            let name = self.names.entry(EntryRef { device, seq });
            let sentence = format!("{name} was given up for another entry, and that is not there");
            self.report.add(Wrong::BranchBroken, name, sentence);
        }
        Ok(())
    }

    fn name(&self, device: DeviceId, seq: u64) -> String {
        self.names.entry(EntryRef { device, seq })
    }

    /// Every link must follow from the entry before, and this device's log must end where it says.
    fn log(&mut self, device: DeviceId, key: Option<PublicKey>) -> Result<(), Problem> {
        self.report.logs += 1;
        let seals = self.report.read("seal", self.tx.seals(device))?.unwrap_or_default();
        let own = self.own.filter(|own| own.device == device);
        let sealed_to = seals.last().map_or(0, |seal| seal.to);
        let end = own.map_or(sealed_to, |own| own.head.seq);
        let mut walk = Walk { device, before: key.as_ref().map(LogHead::empty), seq: 0 };
        self.walk(&mut walk, end)?;
        if let Some(own) = own
            && (walk.seq, walk.before.map(|head| head.link)) != (own.head.seq, Some(own.head.link))
        {
            let name = self.name(device, own.head.seq);
            self.report.add(Wrong::HeadWrong, name.clone(), format!("the log does not end at {name}"));
        }
        let Some(sync) = self.report.read("sync", self.tx.sync())?.flatten() else { return Ok(()) };
        for seal in seals {
            self.report.seals += 1;
            let entry = EntryRef { device, seq: seal.to };
            let linked = self.report.read("entry", self.tx.link(entry))?.flatten().is_none_or(|link| link == seal.link);
            if !linked || key.is_some_and(|key| !verify_seal(&key, &sync.organisation, &seal)) {
                let name = self.names.entry(entry);
                self.report.add(Wrong::SealAltered, name.clone(), format!("the seal up to {name} is not its device's"));
            }
        }
        Ok(())
    }

    fn walk(&mut self, walk: &mut Walk, end: u64) -> Result<(), Problem> {
        let mut from = 1;
        loop {
            match self.tx.bare_from(walk.device, from, BATCH_ROWS) {
                Ok(rows) => {
                    let Some(last) = rows.last() else { break };
                    from = last.seq.saturating_add(1);
                    rows.iter().for_each(|row| self.row(walk, row));
                }
                Err(problem) if is_damage(&problem) => {
                    let last = end.max(from).min(from + u64::from(BATCH_ROWS));
                    for seq in from..=last {
                        self.single(walk, seq)?;
                    }
                    if last >= end {
                        break;
                    }
                    from = last + 1;
                }
                Err(problem) => return Err(problem),
            }
        }
        if self.own.is_some_and(|own| own.device == walk.device) && walk.seq < end {
            self.missing(walk.device, walk.seq + 1, end);
            (walk.seq, walk.before) = (end, None);
        }
        Ok(())
    }

    fn single(&mut self, walk: &mut Walk, seq: u64) -> Result<(), Problem> {
        match self.tx.bare(walk.device, seq) {
            Ok(Some(row)) => self.row(walk, &row),
            Ok(None) => {}
            Err(problem) if is_damage(&problem) => {
                let name = self.name(walk.device, seq);
                self.report.add(
                    Wrong::RowUnreadable,
                    name.clone(),
                    format!("{name} cannot be read: its page is damaged"),
                );
                (walk.seq, walk.before) = (seq, None);
            }
            Err(problem) => return Err(problem),
        }
        Ok(())
    }

    fn missing(&mut self, device: DeviceId, from: u64, to: u64) {
        let name = self.name(device, from);
        let sentence = if from == to { format!("{name} is missing") } else { format!("{name} to {to} are missing") };
        self.report.add(Wrong::NumberMissing, name, sentence);
    }

    fn row(&mut self, walk: &mut Walk, row: &BareRow) {
        self.report.entries += 1;
        let name = self.name(walk.device, row.seq);
        let follows = row.seq == walk.seq + 1;
        // Of others' logs a device may want only some machines: there, holes are as they should be.
        if !follows && self.own.is_some_and(|own| own.device == walk.device) {
            self.missing(walk.device, walk.seq + 1, row.seq - 1);
        }
        let previous: Option<Hash> = walk.before.filter(|_| follows).map(|head| head.link);
        (walk.seq, walk.before) = (row.seq, Some(LogHead { seq: row.seq, link: row.link }));
        let entry = match Entry::from_bytes(&row.bytes) {
            Ok(entry) => entry,
            Err(fault) => {
                return self.report.add(Wrong::EntryUnreadable, name.clone(), format!("{name} is no entry: {fault}"));
            }
        };
        let linked = previous.is_none_or(|previous| link(&previous, &entry) == row.link);
        if !linked || entry.canonical() != row.bytes {
            let sentence = format!("{name} is not the entry that was linked");
            self.report.add(Wrong::EntryAltered, name.clone(), sentence);
        }
        let head = entry.head().ok();
        let said = (
            entry.seq(),
            head.and_then(|head| head.machine),
            head.map_or(0, |head| head.at.second()),
            head.map_or("", |head| head.kind.as_str()),
        );
        if said != (row.seq, row.machine, row.at_s, row.kind.as_str()) {
            let sentence = format!("what stands beside {name} is not what it says");
            self.report.add(Wrong::ColumnAltered, name, sentence);
        }
    }

    fn digest(&mut self) -> Result<(), Problem> {
        let (Some(own), Some(sync)) = (self.own, self.report.read("sync", self.tx.sync())?.flatten()) else {
            return Ok(());
        };
        if self
            .report
            .read("entry", self.tx.digest(&sync.held, 0, own.seen))?
            .is_some_and(|digest| digest != sync.digest)
        {
            let sentence = "the digest of what is held does not add up; the next sync repairs it";
            self.report.add(Wrong::DigestWrong, "sync", sentence);
        }
        Ok(())
    }
}

/// Folds every machine anew and compares; what differs is put right.
fn put_glances_right(store: &mut Store, report: &mut Report) -> Result<(), Problem> {
    let mut wrong = Vec::new();
    store.write("check", |tx| {
        for before in tx.machines()? {
            glance::refold(tx, before.id)?;
            if tx.machine(before.id)?.as_ref() != Some(&before) {
                wrong.push(before.name);
            }
        }
        for machine in tx.machines_without_glance()? {
            glance::refold(tx, machine)?;
            wrong.push(tx.machine(machine)?.map(|glance| glance.name).unwrap_or_default());
        }
        Ok(())
    })?;
    for name in wrong {
        let sentence = format!("what was known of {name} at a glance was not true; put right");
        report.add(Wrong::GlanceWrong, name, sentence);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_slugs_and_stand_once() {
        let codes: BTreeSet<_> = Wrong::ALL.iter().map(|wrong| wrong.code()).collect();
        assert_eq!(codes.len(), Wrong::ALL.len());
        assert!(codes.iter().all(|code| code.bytes().all(|c| c.is_ascii_lowercase() || c == b'-')), "{codes:?}");
    }
}
