//! A device's database, as the real one keeps it: by the rules of `pintle`'s `apply`, `anew` and `record`.
//!
//! Promises: what one transaction writes is there whole or not at all; a disk that lied gives back an older state of
//! itself, never a mixture. Never decides about sync: that is `pintle_core::device`.

use super::bugs::Bug;
use super::carry::Run;
use pintle_core::Fault;
use pintle_core::chain::{LogHead, Seal};
use pintle_core::device::{Apply, Standing, check_page};
use pintle_core::entry::{Entry, EntryRef, Held};
use pintle_core::exchange::{CarriedAnswer, Digest, Pulled, Receipt, Wanted};
use pintle_core::ids::{Baton, DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey, StoreId};
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

/// Who the device is.
#[derive(Debug, Clone)]
pub struct Own {
    /// Its id.
    pub device: DeviceId,
    /// Its key.
    pub key: PublicKey,
    /// Where its log ends.
    pub head: LogHead,
    /// The position up to which the ledger has been applied.
    pub seen: u64,
    /// The end of the log as the server has it, while a lost tail is missing.
    pub recover: Option<LogHead>,
    /// Its person.
    pub person: PersonId,
}

/// What is remembered between exchanges.
#[derive(Debug, Clone)]
pub struct SyncRow {
    /// The organisation.
    pub organisation: OrganisationId,
    /// The server's database.
    pub store: StoreId,
    /// Its epoch.
    pub epoch: u64,
    /// The baton.
    pub baton: Baton,
    /// The cursor.
    pub cursor: Option<String>,
    /// Digest up to `seen`.
    pub digest: Digest,
    /// Two copies are in use.
    pub copied: bool,
    /// Version of the directory.
    pub directory: u64,
    /// Page size.
    pub bytes_max: u32,
}

/// Place and standing of an entry in the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Placed {
    /// Its position.
    pub position: u64,
    /// When received.
    pub received_ms: i64,
    /// How far the clock was off.
    pub off_s: Option<i64>,
    /// Why it stands aside.
    pub aside: Option<String>,
}

/// One entry held.
#[derive(Debug, Clone)]
pub struct Row {
    /// Its link.
    pub link: Hash,
    /// The entry.
    pub entry: Arc<Entry>,
    /// Its machine.
    pub machine: Option<MachineId>,
    /// Its place.
    pub placed: Option<Placed>,
}

/// An entry of a branch that was given up.
#[derive(Debug, Clone)]
pub struct GivenUp {
    /// Its old name.
    pub name: EntryRef,
    /// Its link there.
    pub link: Hash,
    /// Where it was recorded once more.
    pub again: Option<EntryRef>,
    /// Which piece of work it is.
    pub recording: Option<u64>,
}

/// Everything in the database of one device.
#[derive(Debug, Clone)]
pub struct Disk {
    /// Who it is.
    pub own: Own,
    /// Sync; none before enrolment.
    pub sync: Option<SyncRow>,
    /// Entries held, of all devices.
    pub entries: BTreeMap<EntryRef, Row>,
    /// Which entry stands at a position.
    pub at: BTreeMap<u64, EntryRef>,
    /// Seals by device and last entry.
    pub seals: BTreeMap<(DeviceId, u64), Seal>,
    /// Branches given up.
    pub given_up: Vec<GivenUp>,
    /// Entries of others that the ledger no longer holds under these numbers: name and link.
    pub displaced: Vec<(EntryRef, Hash)>,
    /// Runs of other devices' entries that came by carry.
    pub carried: Vec<Run>,
    /// Entries that came so: name and link.
    pub came: BTreeMap<EntryRef, Hash>,
    /// The machines that the cursor was made for: of these it has seen all that stands before it.
    pub cursor_for: Wanted,
    /// The machines its person wants.
    pub wanted: Wanted,
    /// Whether the server has been told so.
    pub wanted_told: bool,
}

/// Why a transaction was not committed.
#[derive(Debug, Clone, PartialEq)]
pub enum Halt {
    /// What was delivered cannot be true.
    Distrusted(Fault),
    /// There is no room.
    Full,
}

/// Transactions back that a lying disk may still lose.
const UNSYNCED_MAX: usize = 4;

/// A disk with one database on it.
#[derive(Debug, Clone)]
pub struct Drive {
    disk: Disk,
    past: VecDeque<Disk>,
    /// Whether there is room.
    pub full: bool,
}

impl Drive {
    /// A disk with this on it.
    #[must_use]
    pub fn new(disk: Disk) -> Self {
        Self { disk, past: VecDeque::new(), full: false }
    }

    /// What is on it.
    #[must_use]
    pub fn disk(&self) -> &Disk {
        &self.disk
    }

    /// One transaction: all of it, or nothing.
    ///
    /// # Errors
    /// As `work`, or if there is no room.
    pub fn write<T>(&mut self, work: impl FnOnce(&mut Disk) -> Result<T, Halt>) -> Result<T, Halt> {
        if self.full {
            return Err(Halt::Full);
        }
        let mut next = self.disk.clone();
        let done = work(&mut next)?;
        self.past.push_back(std::mem::replace(&mut self.disk, next));
        if self.past.len() > UNSYNCED_MAX {
            self.past.pop_front();
        }
        Ok(done)
    }

    /// The last transactions are gone, as after a power cut; gives how many there were to lose.
    pub fn lose(&mut self, transactions: usize) -> usize {
        let mut lost = 0;
        while lost < transactions
            && let Some(before) = self.past.pop_back()
        {
            self.disk = before;
            lost += 1;
        }
        self.past.clear();
        lost
    }

    /// An older copy takes the place of what was there.
    pub fn put_back(&mut self, copy: Disk) {
        self.disk = copy;
        self.past.clear();
    }
}

impl Disk {
    /// The database of a new device.
    #[must_use]
    pub fn new(key: PublicKey, person: PersonId) -> Self {
        let own =
            Own { device: DeviceId::of_key(&key), key, head: LogHead::empty(&key), seen: 0, recover: None, person };
        Self {
            own,
            sync: None,
            entries: BTreeMap::new(),
            at: BTreeMap::new(),
            seals: BTreeMap::new(),
            given_up: Vec::new(),
            displaced: Vec::new(),
            carried: Vec::new(),
            came: BTreeMap::new(),
            cursor_for: Wanted::default(),
            wanted: Wanted::default(),
            wanted_told: true,
        }
    }

    /// The entries of one log, in order, from a number on.
    pub fn log(&self, device: DeviceId, from: u64) -> impl Iterator<Item = (&EntryRef, &Row)> {
        self.entries.range(EntryRef { device, seq: from }..=EntryRef { device, seq: u64::MAX })
    }

    /// Number of the first own entry without a place.
    #[must_use]
    pub fn first_unplaced(&self) -> Option<u64> {
        self.log(self.own.device, 1).find(|(_, row)| row.placed.is_none()).map(|(name, _)| name.seq)
    }

    /// An entry as it is held.
    #[must_use]
    pub fn held(name: &EntryRef, row: &Row) -> Held {
        let placed = row.placed.as_ref();
        Held {
            device: name.device,
            link: row.link,
            position: placed.map(|p| p.position),
            received_ms: placed.map(|p| p.received_ms),
            off_s: placed.and_then(|p| p.off_s),
            aside: placed.and_then(|p| p.aside.clone()),
            entry: Entry::clone(&row.entry),
        }
    }

    /// What is stored about sync, as a session wants it.
    #[must_use]
    pub fn standing(&self) -> Option<Standing> {
        let sync = self.sync.clone()?;
        Some(Standing {
            organisation: sync.organisation,
            device: self.own.device,
            store: sync.store,
            epoch: sync.epoch,
            baton: sync.baton,
            cursor: sync.cursor,
            position: self.own.seen,
            digest: sync.digest,
            log: self.own.head,
            first_unplaced: self.first_unplaced(),
            recover: self.own.recover,
            copied: sync.copied,
            directory: sync.directory,
            bytes_max: sync.bytes_max,
            carried: self.waiting_counts(),
            checkpoint: None,
        })
    }

    /// The machines wanted: of sites those that the server named last.
    #[must_use]
    pub fn set(&self) -> &Wanted {
        if self.wanted.sites.is_empty() { &self.wanted } else { &self.cursor_for }
    }

    /// Whether entries about a machine count for what this device wants.
    #[must_use]
    pub fn wants(&self, machine: Option<MachineId>) -> bool {
        self.set().takes(machine)
    }

    /// The position up to which every entry about a machine that the ledger had is here. Where this is a copy, what the
    /// ledger has under its own name is not.
    #[must_use]
    pub fn seen_of(&self, machine: Option<MachineId>, bug: Option<Bug>) -> u64 {
        let copied = self.sync.as_ref().is_some_and(|sync| sync.copied);
        let seen = (self.cursor_for.takes(machine) && !copied) || bug == Some(Bug::SeesWhatItDoesNotWant);
        if seen { self.own.seen } else { 0 }
    }

    /// Appends an own entry.
    pub fn append(&mut self, entry: Entry) {
        let head = self.own.head.after(&entry);
        let name = EntryRef { device: self.own.device, seq: head.seq };
        let machine = entry.head().ok().and_then(|head| head.machine);
        self.entries.insert(name, Row { link: head.link, entry: Arc::new(entry), machine, placed: None });
        self.own.head = head;
    }

    /// Stores what one reply changes.
    ///
    /// # Errors
    /// If it cannot be true.
    pub fn apply(&mut self, change: &Apply, bug: Option<Bug>) -> Result<(), Halt> {
        let Some(mut sync) = self.sync.clone() else { return Ok(()) };
        let void = change.void && bug != Some(Bug::ForgetsVoid);
        let rewind = change.rewind && bug != Some(Bug::ForgetsRewind);
        if void {
            self.forget_places();
        }
        if void || rewind {
            sync.cursor = None;
            sync.digest = Digest::default();
            self.own.seen = 0;
        }
        if let Some(machines) = &change.machines {
            let known = self.cursor_for.machines.is_some() && bug == Some(Bug::KeepsMachinesOfSite);
            if !self.wanted.sites.is_empty() && !known {
                self.cursor_for = Wanted::only(machines.iter().copied());
            }
        }
        for receipt in &change.receipts {
            self.place_run(receipt, &mut sync.digest)?;
        }
        for aside in &change.asides {
            let name = EntryRef { device: self.own.device, seq: aside.seq };
            if let Some(placed) = self.entries.get_mut(&name).and_then(|row| row.placed.as_mut()) {
                placed.aside = Some(aside.code.clone());
            }
        }
        if let Some((answer, end)) = &change.carried {
            self.carried_answered(answer, end, &mut sync.digest)?;
        }
        check_page(&change.entries, |device, seq| self.sure(EntryRef { device, seq }).map(|row| row.link))
            .map_err(Halt::Distrusted)?;
        if bug != Some(Bug::MovesCursorWithoutPage) {
            let mut places: Vec<u64> = change.entries.iter().map(|pulled| pulled.position).collect();
            if bug == Some(Bug::MixesUpPlaces) {
                places.reverse();
            }
            for (pulled, position) in change.entries.iter().zip(places) {
                self.take(pulled, position, &mut sync.digest, bug)?;
            }
        }
        if bug != Some(Bug::LosesSeals) {
            self.seals.extend(change.seals.iter().map(|seal| ((seal.device, seal.to), *seal)));
        }
        if let Some((cursor, position)) = &change.cursor {
            sync.digest = sync.digest.and(self.digest(self.own.seen, *position));
            let half = bug == Some(Bug::StoresCursorApart) && change.entries.len() % 3 == 2;
            if !half {
                sync.cursor = Some(cursor.clone());
                if self.wanted.sites.is_empty() {
                    self.cursor_for.clone_from(&self.wanted);
                }
                self.own.seen = *position;
            }
        }
        if let Some(directory) = &change.directory {
            sync.directory = directory.version;
        }
        while let Some(row) = self.entries.get(&EntryRef { device: self.own.device, seq: self.own.head.seq + 1 }) {
            self.own.head = LogHead { seq: self.own.head.seq + 1, link: row.link };
        }
        self.own.recover = change.recover.filter(|there| there.seq > self.own.head.seq);
        sync.store = change.store;
        sync.epoch = change.epoch;
        sync.baton = change.baton;
        sync.copied = change.copied;
        sync.bytes_max = change.bytes_max;
        self.sync = Some(sync);
        Ok(())
    }

    /// An entry that a page must agree with: one's own, or one that has a place in the ledger.
    fn sure(&self, name: EntryRef) -> Option<&Row> {
        self.entries.get(&name).filter(|row| row.placed.is_some() || name.device == self.own.device)
    }

    /// Forgets every place in the ledger.
    pub fn forget_places(&mut self) {
        self.at.clear();
        self.entries.values_mut().for_each(|row| row.placed = None);
        self.carried.iter_mut().for_each(|run| run.said = None);
    }

    /// The digest of what is held and wanted with positions after `after` and up to `to`.
    fn digest(&self, after: u64, to: u64) -> Digest {
        if to <= after {
            return Digest::default();
        }
        let rows = self.at.range(after + 1..=to).filter_map(|(_, name)| self.entries.get(name));
        rows.filter(|row| self.wants(row.machine)).fold(Digest::default(), |digest, row| digest.with(&row.link))
    }

    /// What another device had recorded from here on, in a ledger that has gone back since, makes room for what stands
    /// there now.
    fn displace(&mut self, name: EntryRef) {
        let lost = self.log(name.device, name.seq).filter(|(_, row)| row.placed.is_none());
        let lost: Vec<EntryRef> = lost.map(|(name, _)| *name).collect();
        self.displaced.extend(lost.iter().filter_map(|name| Some((*name, self.entries.remove(name)?.link))));
    }

    fn place_run(&mut self, receipt: &Receipt, digest: &mut Digest) -> Result<(), Halt> {
        let Receipt { from, to, position, received_ms, off_s } = receipt;
        if *to < *from || *to > self.own.head.seq {
            let detail = "a receipt names entries this device has not made";
            return Err(Halt::Distrusted(Fault::new("receipt-unknown", "/push/held", detail)));
        }
        for seq in *from..=*to {
            let placed =
                Placed { position: position + (seq - from), received_ms: *received_ms, off_s: *off_s, aside: None };
            self.place(EntryRef { device: self.own.device, seq }, placed, digest, "/push/held")?;
        }
        Ok(())
    }

    fn carried_answered(&mut self, answer: &CarriedAnswer, end: &LogHead, digest: &mut Digest) -> Result<(), Halt> {
        let CarriedAnswer { device, answer } = answer;
        let of_it = |run: &&mut Run| run.carried.device == *device && run.end == *end;
        self.carried.iter_mut().filter(of_it).for_each(|run| run.said = Some(answer.outcome));
        let name = |seq| EntryRef { device: *device, seq };
        if self.entries.get(&name(end.seq)).map(|row| row.link) != Some(end.link) {
            return Ok(());
        }
        for Receipt { from, to, position, received_ms, off_s } in &answer.held {
            for seq in *from..=*to {
                let aside = answer.aside.iter().find(|aside| aside.seq == seq).map(|aside| aside.code.clone());
                let placed =
                    Placed { position: position + (seq - from), received_ms: *received_ms, off_s: *off_s, aside };
                self.place(name(seq), placed, digest, "/carried/answer/held")?;
            }
        }
        Ok(())
    }

    fn place(&mut self, name: EntryRef, placed: Placed, digest: &mut Digest, pointer: &str) -> Result<(), Halt> {
        if self.at.get(&placed.position).is_some_and(|other| *other != name) {
            let detail = format!("position {} holds another entry", placed.position);
            return Err(Halt::Distrusted(Fault::new("position-taken", pointer, detail)));
        }
        let wanted = self.entries.get(&name).is_some_and(|row| self.wants(row.machine));
        let Some(row) = self.entries.get_mut(&name) else { return Ok(()) };
        match row.placed.as_ref().map(|p| p.position) {
            Some(before) if before != placed.position => {
                let detail = format!("an entry moved from position {before} to {}", placed.position);
                return Err(Halt::Distrusted(Fault::new("position-moved", pointer, detail)));
            }
            None if placed.position <= self.own.seen && wanted => *digest = digest.with(&row.link),
            _ => {}
        }
        self.at.insert(placed.position, name);
        row.placed = Some(placed);
        Ok(())
    }

    fn take(&mut self, pulled: &Pulled, position: u64, digest: &mut Digest, bug: Option<Bug>) -> Result<(), Halt> {
        let name = EntryRef { device: pulled.device, seq: pulled.entry.seq() };
        let aside = pulled.aside.clone().filter(|_| bug != Some(Bug::ForgetsAside));
        let placed = Placed { position, received_ms: pulled.received_ms, off_s: pulled.off_s, aside };
        match self.entries.get(&name).map(|row| row.link) {
            Some(link) if link == pulled.link => return self.place(name, placed, digest, "/pull/entries"),
            Some(_) => self.displace(name),
            None => {}
        }
        if self.at.contains_key(&placed.position) {
            let detail = format!("position {} holds another entry", placed.position);
            return Err(Halt::Distrusted(Fault::new("position-taken", "/pull/entries", detail)));
        }
        let machine = pulled.entry.head().ok().and_then(|head| head.machine);
        if placed.position <= self.own.seen && self.wants(machine) {
            *digest = digest.with(&pulled.link);
        }
        self.at.insert(placed.position, name);
        let entry = Arc::new(pulled.entry.clone());
        self.entries.insert(name, Row { link: pulled.link, entry, machine, placed: Some(placed) });
        Ok(())
    }
}
