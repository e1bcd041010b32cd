//! Judging one ledger, row by row in order of position.
//!
//! Promises: memory grows with devices and machines, never with entries. A row that is missing or cannot be read costs
//! one finding; sums and chains go on from the next row that is there. Where an entry and its link do not belong
//! together, the running sum beside them says which of the two was changed.
//!
//! Never: SQL.

use super::tree::TreeJudge;
use super::{Finder, Wrong, hex};
use crate::ledger::LedgerRow;
use pintle_core::chain::{LogHead, Seal, link, verify_seal};
use pintle_core::entry::Entry;
use pintle_core::exchange::Digest;
use pintle_core::fact::Fact;
use pintle_core::ids::{DeviceId, Hash, MachineId, OrganisationId, PublicKey};
use std::collections::{BTreeMap, BTreeSet};

/// A device as its row says; what could not be read is none.
#[derive(Debug, Clone)]
pub(crate) struct DeviceFacts {
    pub key: Option<PublicKey>,
    pub mark: String,
    pub head: Option<LogHead>,
    /// The epoch, if it is the server's own log.
    pub server_epoch: Option<u64>,
}

/// Numbers of a device's log that were not met where they should have been.
#[derive(Debug, Clone, Copy)]
struct Gap {
    from: u64,
    to: u64,
    after: u64,
    before: u64,
}

/// Positions that say nothing: without a row, or with one that cannot be read.
#[derive(Debug)]
struct Dark {
    from: u64,
    to: u64,
    wrong: Wrong,
    detail: String,
}

/// How far a device's log has been walked.
#[derive(Debug, Default)]
struct Walk {
    seq: u64,
    /// Link of entry `seq`; none if it is not known.
    link: Option<Hash>,
    position: u64,
    sealed_to: u64,
    counts: BTreeMap<MachineId, u64>,
    gaps: Vec<Gap>,
}

/// A sum that runs through rows.
#[derive(Debug, Clone, Copy)]
struct Running {
    /// What it must be; none after rows that are not there.
    due: Option<Digest>,
    /// What stood in the last row.
    stood: Digest,
}

/// What is said of a position that is not there.
const NO_ROW: &str = "there is no such row";

/// What a row of heads says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Head {
    pub digest: Digest,
    pub position: u64,
}

/// Where a ledger ends, as it was walked.
#[derive(Debug)]
pub(crate) struct Walked {
    pub finder: Finder,
    pub entries: u64,
    pub seals: u64,
    /// What the server itself wrote down, with positions.
    pub administration: Vec<(u64, i64, Fact)>,
    pub counts: BTreeMap<(DeviceId, MachineId), u64>,
}

/// Walks through a ledger.
pub(crate) struct LedgerJudge<'a> {
    organisation: OrganisationId,
    devices: &'a BTreeMap<DeviceId, DeviceFacts>,
    /// Whether the table of devices was read whole: only then is a device that is not in it unknown.
    devices_whole: bool,
    walks: BTreeMap<DeviceId, Walk>,
    position: u64,
    whole: Running,
    machines: BTreeMap<Option<MachineId>, (Running, u64)>,
    /// Machines whose sums are sure again after the last row that was not there.
    sure: Option<BTreeSet<Option<MachineId>>>,
    dark: Vec<Dark>,
    unknown: BTreeSet<DeviceId>,
    tree: TreeJudge,
    out: Walked,
}

impl<'a> LedgerJudge<'a> {
    pub fn new(
        finder: Finder,
        organisation: OrganisationId,
        devices: &'a BTreeMap<DeviceId, DeviceFacts>,
        devices_whole: bool,
        tree: TreeJudge,
    ) -> Self {
        let (administration, counts) = (Vec::new(), BTreeMap::new());
        Self {
            organisation,
            devices,
            devices_whole,
            walks: BTreeMap::new(),
            position: 0,
            whole: Running { due: Some(Digest::default()), stood: Digest::default() },
            machines: BTreeMap::new(),
            sure: None,
            dark: Vec::new(),
            unknown: BTreeSet::new(),
            tree,
            out: Walked { finder, entries: 0, seals: 0, administration, counts },
        }
    }

    /// The last position that was walked.
    pub fn position(&self) -> u64 {
        self.position
    }

    fn name(&self, device: DeviceId, seq: u64) -> Option<String> {
        let mark = self.devices.get(&device).map(|facts| facts.mark.clone()).filter(|mark| !mark.is_empty());
        Some(format!("{}-{seq}", mark.unwrap_or_else(|| hex(&device.0))))
    }

    fn tell(&mut self, wrong: Wrong, row: &LedgerRow, detail: impl Into<String>) {
        let entry = self.name(row.device, row.seq);
        self.out.finder.add_entry(wrong, "ledger", row.position, entry, detail);
    }

    /// Positions that have no row.
    fn hole(&mut self, from: u64, to: u64) {
        self.darken(Dark { from, to, wrong: Wrong::PositionMissing, detail: NO_ROW.to_owned() });
    }

    fn darken(&mut self, dark: Dark) {
        self.dark.push(dark);
        self.whole.due = None;
        self.sure = Some(BTreeSet::new());
    }

    /// A row that is there and cannot be read.
    pub fn unreadable(&mut self, position: u64, wrong: Wrong, detail: impl Into<String>) {
        self.reach(position);
        self.darken(Dark { from: position, to: position, wrong, detail: detail.into() });
    }

    /// Passes over positions up to here: they were asked for and are not there.
    pub fn seek(&mut self, position: u64) {
        if position > self.position {
            self.reach(position);
            self.darken(Dark {
                from: position,
                to: position,
                wrong: Wrong::PositionMissing,
                detail: NO_ROW.to_owned(),
            });
        }
    }

    fn reach(&mut self, position: u64) {
        if position > self.position + 1 {
            self.hole(self.position + 1, position - 1);
        }
        self.position = position;
    }

    /// The next row, and the seal that stands under its position.
    pub fn row(&mut self, row: &LedgerRow, seal: Option<&Seal>) {
        self.reach(row.position);
        self.out.entries += 1;
        let entry = self.entry(row);
        self.device(row);
        let link = self.chain(row, entry.as_ref());
        self.sums(row, &link);
        self.tree.row(&mut self.out.finder, row, &link);
        if let Some(entry) = &entry {
            self.columns(row, entry);
            self.count(row.device, entry);
            self.administration(row, entry);
        }
        let walk = self.walks.entry(row.device).or_default();
        (walk.seq, walk.link, walk.position) = (walk.seq.max(row.seq), Some(link), row.position);
        if let Some(seal) = seal {
            self.seal(row, seal);
        }
    }

    fn entry(&mut self, row: &LedgerRow) -> Option<Entry> {
        let entry = match Entry::from_bytes(&row.bytes) {
            Ok(entry) => entry,
            Err(fault) => {
                self.tell(Wrong::EntryUnreadable, row, fault.to_string());
                return None;
            }
        };
        if entry.canonical() != row.bytes {
            self.tell(Wrong::EntryAltered, row, "its bytes are not in the form in which entries are stored");
        }
        Some(entry)
    }

    fn device(&mut self, row: &LedgerRow) {
        if self.devices_whole && !self.devices.contains_key(&row.device) && self.unknown.insert(row.device) {
            self.tell(Wrong::DeviceUnknown, row, format!("there is no device {}", hex(&row.device.0)));
        }
    }

    /// Checks the link; gives the one to go on from.
    fn chain(&mut self, row: &LedgerRow, entry: Option<&Entry>) -> Hash {
        let before = self.before(row);
        let (Some(before), Some(entry)) = (before, entry) else { return row.link };
        let computed = link(&before, entry);
        if computed == row.link {
            return computed;
        }
        let counted = |link: &Hash| self.whole.due.is_some_and(|due| due.with(link).sum == row.sum);
        let (of_computed, of_stored) = (counted(&computed), counted(&row.link));
        match (of_computed, of_stored) {
            (true, false) => {
                self.tell(Wrong::LinkAltered, row, "the link beside the entry is not the one it was counted with");
                computed
            }
            (false, true) => {
                self.tell(Wrong::EntryAltered, row, "it is not the entry that was linked: its bytes were changed");
                row.link
            }
            _ => {
                self.tell(Wrong::ChainBroken, row, "its link does not follow from the entry before it");
                row.link
            }
        }
    }

    /// Link of the entry before in the device's log, where it is known; notes numbers that are out of order.
    fn before(&mut self, row: &LedgerRow) -> Option<Hash> {
        let key = self.devices.get(&row.device).and_then(|facts| facts.key);
        // A key that is not this device's begins no log of its own.
        let key = key.filter(|key| DeviceId::of_key(key) == row.device);
        let walk = self.walks.entry(row.device).or_default();
        let (seq, position) = (walk.seq, walk.position);
        if row.seq <= seq {
            self.tell(Wrong::NumberTwice, row, format!("the log had come to {seq} before"));
            return None;
        }
        if row.seq > seq + 1 {
            walk.gaps.push(Gap { from: seq + 1, to: row.seq - 1, after: position, before: row.position });
            // Their seals are missed with them, and that is told once.
            walk.sealed_to = walk.sealed_to.max(row.seq - 1);
            return None;
        }
        if seq == 0 { key.map(|key| LogHead::empty(&key).link) } else { walk.link }
    }

    fn sums(&mut self, row: &LedgerRow, link: &Hash) {
        let stands = Digest { count: row.position, sum: row.sum };
        let detail = step(&mut self.whole, stands, link, "sum");
        let fresh = Running { due: Some(Digest::default()), stood: Digest::default() };
        let (running, position) = self.machines.entry(row.machine).or_insert((fresh, 0));
        *position = row.position;
        if self.sure.as_mut().is_some_and(|sure| sure.insert(row.machine)) {
            running.due = None;
        }
        let of_machine = step(running, row.machine_digest, link, "machine_count, machine_sum");
        for detail in [detail, of_machine].into_iter().flatten() {
            self.tell(Wrong::SumWrong, row, detail);
        }
    }

    fn columns(&mut self, row: &LedgerRow, entry: &Entry) {
        let head = entry.head().ok();
        let (machine, kind) = (head.and_then(|head| head.machine), head.map(|head| head.kind.clone()));
        let at_s = head.map(|head| head.at.second());
        let differs = [
            ("seq", entry.seq() != row.seq),
            ("machine", machine != row.machine),
            ("kind", kind != row.kind),
            ("at_s", at_s != row.at_s),
            ("aside", row.aside.as_ref().is_some_and(|code| !is_slug(code))),
        ];
        for (column, _) in differs.into_iter().filter(|(_, differs)| *differs) {
            self.tell(Wrong::ColumnAltered, row, format!("column {column} is not what the entry says"));
        }
    }

    fn count(&mut self, device: DeviceId, entry: &Entry) {
        let Ok(head) = entry.head() else { return };
        let (Some(machine), Some(mseq)) = (head.machine, head.mseq) else { return };
        let count = self.walks.entry(device).or_default().counts.entry(machine).or_insert(0);
        *count = (*count).max(mseq);
    }

    fn administration(&mut self, row: &LedgerRow, entry: &Entry) {
        let server = self.devices.get(&row.device).is_some_and(|facts| facts.server_epoch.is_some());
        if !server || row.aside.is_some() {
            return;
        }
        match entry.head().map(|head| Fact::read(head, entry)) {
            Ok(Ok(fact)) => self.out.administration.push((row.position, row.received_ms, fact)),
            _ => self.tell(Wrong::EntryUnreadable, row, "what the server wrote down cannot be understood"),
        }
    }

    fn seal(&mut self, row: &LedgerRow, seal: &Seal) {
        self.out.seals += 1;
        let key = self.devices.get(&row.device).and_then(|facts| facts.key);
        let entry = self.name(row.device, row.seq);
        let sealed_to = self.walks.get(&row.device).map_or(0, |walk| walk.sealed_to);
        let of_entry = (seal.device, seal.to, seal.link) == (row.device, row.seq, row.link);
        let finder = &mut self.out.finder;
        if !of_entry {
            let detail = "the seal is not of the entry at its position";
            finder.add_entry(Wrong::SealAltered, "seal", row.position, entry, detail);
        } else if key.is_some_and(|key| !verify_seal(&key, &self.organisation, seal)) {
            let detail = format!("the seal over {} to {} is not its device's", seal.from, seal.to);
            finder.add_entry(Wrong::SealAltered, "seal", row.position, entry, detail);
        } else if seal.from > sealed_to + 1 {
            let detail = format!("the seal over {} to {} is missing", sealed_to + 1, seal.from - 1);
            finder.add_entry(Wrong::SealMissing, "seal", row.position, entry, detail);
        }
        let walk = self.walks.entry(row.device).or_default();
        walk.sealed_to = walk.sealed_to.max(row.seq);
    }

    /// The ledger is at its end: compares with what the heads say.
    pub fn end(mut self, head: Option<Head>, machine_heads: Option<&BTreeMap<Option<MachineId>, Head>>) -> Walked {
        if let Some(head) = head {
            self.ledger_head(head);
        }
        let missing = self.dark.len();
        let walks = std::mem::take(&mut self.walks);
        for (device, facts) in self.devices {
            self.log(*device, facts, walks.get(device).unwrap_or(&Walk::default()));
        }
        self.gaps(&walks);
        for (device, walk) in &walks {
            self.out.counts.extend(walk.counts.iter().map(|(machine, count)| ((*device, *machine), *count)));
        }
        if let Some(heads) = machine_heads {
            self.machine_heads(heads);
        }
        self.tree.end(&mut self.out.finder, missing);
        self.out
    }

    fn ledger_head(&mut self, head: Head) {
        let due = Digest { count: self.position, sum: self.whole.stood.sum };
        if head.position > self.position {
            self.hole(self.position + 1, head.position);
        } else if head.position < self.position {
            let detail = format!("it says {}, the ledger goes to {}", head.position, self.position);
            self.out.finder.add(Wrong::LedgerHeadWrong, "ledger_head", "position", detail);
        } else if head.digest != due && self.whole.due.is_some() {
            self.out.finder.add(Wrong::LedgerHeadWrong, "ledger_head", "sum", "its sum is not that of the last entry");
        }
    }

    fn log(&mut self, device: DeviceId, facts: &DeviceFacts, walk: &Walk) {
        let Some(head) = facts.head else { return };
        let row = format!("{} ({})", hex(&device.0), facts.mark);
        let link = walk.link.or_else(|| facts.key.map(|key| LogHead::empty(&key).link));
        if walk.seq > head.seq {
            let detail = format!("its row says that its log ends at {}, the ledger has {}", head.seq, walk.seq);
            self.out.finder.add(Wrong::HeadWrong, "device", row, detail);
        } else if walk.seq == head.seq && link.is_some_and(|link| link != head.link) {
            let detail = format!("the link in its row is not that of its entry {}", head.seq);
            self.out.finder.add(Wrong::HeadWrong, "device", row, detail);
        }
        if walk.seq > walk.sealed_to {
            let entry = self.name(device, walk.seq);
            let detail = format!("entries {} to {} are under no seal", walk.sealed_to + 1, walk.seq);
            self.out.finder.add_entry(Wrong::SealMissing, "seal", walk.position, entry, detail);
        }
    }

    /// Tells the positions that say nothing, with the entries that must have stood there where the logs show it; then
    /// the numbers of logs that are missed beside those.
    fn gaps(&mut self, walks: &BTreeMap<DeviceId, Walk>) {
        let mut missed: Vec<(DeviceId, Gap)> = Vec::new();
        for (device, walk) in walks {
            let gaps = walk.gaps.iter().map(|gap| (*device, *gap));
            missed.extend(gaps);
        }
        for (device, facts) in self.devices {
            let (seq, position) = walks.get(device).map_or((0, 0), |walk| (walk.seq, walk.position));
            if let Some(head) = facts.head.filter(|head| head.seq > seq) {
                missed.push((*device, Gap { from: seq + 1, to: head.seq, after: position, before: u64::MAX }));
            }
        }
        for dark in std::mem::take(&mut self.dark) {
            let within = |gap: &Gap| gap.after < dark.from && gap.before > dark.to;
            let there: Vec<usize> = (0..missed.len()).filter(|index| within(&missed[*index].1)).collect();
            let mut entry = None;
            if let [index] = there[..]
                && missed[index].1.to - missed[index].1.from == dark.to - dark.from
            {
                let (device, gap) = missed.swap_remove(index);
                entry = self.names(device, &gap);
            }
            let row =
                if dark.from == dark.to { dark.from.to_string() } else { format!("{} to {}", dark.from, dark.to) };
            self.out.finder.add_entry(dark.wrong, "ledger", row, entry, dark.detail);
        }
        for (device, gap) in missed {
            let entry = self.names(device, &gap);
            let detail = "the device's log has it, the ledger has not";
            self.out.finder.add_entry(Wrong::NumberMissing, "ledger", "", entry, detail);
        }
    }

    fn names(&self, device: DeviceId, gap: &Gap) -> Option<String> {
        let first = self.name(device, gap.from)?;
        if gap.from == gap.to { Some(first) } else { Some(format!("{first} to {}", gap.to)) }
    }

    fn machine_heads(&mut self, heads: &BTreeMap<Option<MachineId>, Head>) {
        let machines: BTreeSet<_> = heads.keys().chain(self.machines.keys()).copied().collect();
        for machine in machines {
            let row = machine.map_or_else(|| "of no machine".to_owned(), |machine| hex(&machine.0));
            let walked = self.machines.get(&machine).map(|(running, position)| (running, *position));
            // After rows that are not there the last sum that was walked is all that can be compared with.
            let lost = self.sure.is_some();
            let detail = match (heads.get(&machine), walked) {
                (None, Some((running, _))) => format!("it is missing; there are {} entries", running.stood.count),
                (Some(head), None) if head.digest.count > 0 && !lost => {
                    format!("it counts {} entries; there are none", head.digest.count)
                }
                (Some(head), Some((running, position)))
                    if (head.digest, head.position) != (running.stood, position) && !lost =>
                {
                    format!(
                        "it says {} entries up to position {}; there are {} up to {position}",
                        head.digest.count, head.position, running.stood.count
                    )
                }
                _ => continue,
            };
            self.out.finder.add(Wrong::MachineHeadWrong, "machine_head", row, detail);
        }
    }
}

/// One step of a running sum. Says what is wrong, once: a sum that goes on from a wrong one is not told again.
fn step(running: &mut Running, stands: Digest, link: &Hash, columns: &str) -> Option<String> {
    let due = running.due.map(|due| due.with(link));
    let goes_on = running.stood.with(link) == stands;
    let wrong = due.is_some_and(|due| due != stands) && !goes_on;
    // After a single wrong row the next is right again; after a shift all are wrong alike.
    let next = if goes_on { stands } else { due.unwrap_or(stands) };
    *running = Running { due: Some(next), stood: stands };
    wrong.then(|| format!("{columns}: the sum does not follow from the row before"))
}

fn is_slug(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|c| c.is_ascii_lowercase() || c == b'-')
}
