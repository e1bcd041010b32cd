//! Entries go from device to device by file, and devices are lost for good.
//!
//! Promises: what a file brings is written and read by `pintle_core::carry`, proven, and stored by the rules of `pintle`'s
//! own. All of it is chosen by a stream of its own, so that a run without it is the run that it always was.

use super::bugs::Bug;
use super::chance::Chance;
use super::disk::{Disk, Drive, Halt, Row};
use super::oracles;
use super::record::recording;
use super::session;
use super::world::{Chore, ORGANISATION, World};
use pintle_core::Hash;
use pintle_core::carry::{Believed, Bundle, Proven, prove};
use pintle_core::chain::{DeviceKey, LogHead, link};
use pintle_core::entry::{Entry, EntryRef};
use pintle_core::exchange::{Carried, PushOutcome};
use pintle_core::ids::DeviceId;
use std::collections::{BTreeMap, btree_map};
use std::sync::Arc;

/// Entries of a run that is sealed to be carried, at most: few, so that a file often has several.
const RUN_ENTRIES_MAX: usize = 6;

/// Whether and how often, of a run.
#[derive(Debug, Clone)]
pub struct Carrying {
    chance: Chance,
    /// In thousandths of the steps.
    carry: u32,
    /// In thousandths of the steps: a device that is gone for good.
    lose: u32,
}

impl Carrying {
    /// Of a seed. Half of the runs have it.
    #[must_use]
    pub fn of(seed: u64) -> Self {
        let mut chance = Chance::new(seed.rotate_left(32) ^ 0xca44_1ed0);
        let on = chance.permille(500);
        let rate = |chance: &mut Chance, most| if on { u32::try_from(chance.below(most)).unwrap_or(0) } else { 0 };
        let carry = rate(&mut chance, 60);
        let lose = rate(&mut chance, 8);
        Self { chance, carry, lose }
    }
}

/// A run that came by carry.
#[derive(Debug, Clone)]
pub struct Run {
    /// As it came.
    pub carried: Carried,
    /// Where it ends.
    pub end: LogHead,
    /// What the server said.
    pub said: Option<PushOutcome>,
}

impl Disk {
    /// Runs that wait for the server: as in `pintle`'s `store::carried`.
    pub fn waiting_runs(&self) -> Vec<&Run> {
        let over = |run: &Run| {
            let said = matches!(
                run.said,
                Some(
                    PushOutcome::Accepted
                        | PushOutcome::AlreadyHeld
                        | PushOutcome::Revoked
                        | PushOutcome::Fork
                        | PushOutcome::BadSeal
                )
            );
            let row = self.entries.get(&EntryRef { device: run.carried.device, seq: run.end.seq });
            said || row.is_some_and(|row| row.link == run.end.link && row.placed.is_some())
        };
        let counted = |run: &Run| {
            let row = self.entries.get(&EntryRef { device: run.carried.device, seq: run.end.seq });
            row.is_some_and(|row| row.link == run.end.link)
        };
        let mut runs: Vec<&Run> = self.carried.iter().filter(|run| !over(run)).collect();
        runs.sort_by_key(|run| (run.carried.device, !counted(run), run.end.seq, run.carried.push.from, run.end.link));
        runs
    }

    /// How many runs wait, by device.
    pub fn waiting_counts(&self) -> BTreeMap<DeviceId, u64> {
        let mut counts = BTreeMap::new();
        self.waiting_runs().iter().for_each(|run| *counts.entry(run.carried.device).or_insert(0) += 1);
        counts
    }

    /// Up to where logs of others are held without a hole, of which some came by carry and has no place.
    pub fn also_seen(&self) -> BTreeMap<DeviceId, u64> {
        let unplaced = |name: &EntryRef| self.entries.get(name).is_some_and(|row| row.placed.is_none());
        let devices = self.came.keys().filter(|name| unplaced(name)).map(|name| name.device);
        let whole = |device| (1..).take_while(|seq| self.entries.contains_key(&EntryRef { device, seq: *seq })).last();
        let first = |device| self.log(device, 1).find(|(_, row)| row.placed.is_none()).map(|(name, _)| name.seq);
        devices
            .filter_map(|d| whole(d).filter(|to| first(d).is_some_and(|first| first <= *to)).map(|to| (d, to)))
            .collect()
    }

    fn take_run(&mut self, run: &Proven, bug: Option<Bug>) {
        let at = |seq| EntryRef { device: run.device, seq };
        let checked = &run.checked;
        let end = LogHead { seq: checked.seal.to, link: checked.seal.link };
        let own = run.device == self.own.device;
        let differs = |seq, link: Hash| self.entries.get(&at(seq)).is_some_and(|row| row.link != link);
        let apart = (checked.from > 1 && differs(checked.from - 1, checked.previous))
            || checked.entries.iter().any(|one| differs(one.entry.seq(), one.link))
            || self.entries.get(&at(end.seq + 1)).is_some_and(|after| link(&end.link, &after.entry) != after.link);
        if own && (apart || checked.from > self.own.head.seq + 1) {
            return;
        }
        let placed = self.entries.get(&at(end.seq)).is_some_and(|row| row.link == end.link && row.placed.is_some());
        let carried = Carried { device: run.device, push: run.push.clone() };
        let known = self.carried.iter().any(|run| run.end == end && run.carried == carried);
        if !own && !placed && !known && bug != Some(Bug::CarriesNothingOn) {
            self.carried.push(Run { carried, end, said: None });
        }
        if apart {
            return;
        }
        for one in &checked.entries {
            let name = at(one.entry.seq());
            if let btree_map::Entry::Vacant(free) = self.entries.entry(name) {
                let machine = one.entry.head().ok().and_then(|head| head.machine);
                let entry = Arc::new(Entry::clone(&one.entry));
                free.insert(Row { link: one.link, entry, machine, placed: None });
                if !own {
                    self.came.insert(name, one.link);
                }
            }
        }
        if !own {
            self.seals.insert((run.device, end.seq), checked.seal);
        }
        while let Some(row) = self.entries.get(&EntryRef { device: self.own.device, seq: self.own.head.seq + 1 }) {
            self.own.head = LogHead { seq: self.own.head.seq + 1, link: row.link };
        }
        self.own.recover = self.own.recover.filter(|there| there.seq > self.own.head.seq);
    }
}

impl World {
    /// Somebody carries, or a device is gone, if this run has it.
    pub(super) fn carry_or_lose(&mut self) {
        let (carry, lose) = (self.carrying.carry, self.carrying.lose);
        if carry > 0 && self.carrying.chance.permille(carry) {
            let from = self.carrying.chance.below(self.devices.len());
            let to = self.carrying.chance.below(self.devices.len());
            self.carry_over(from, to);
        }
        if lose > 0 && self.carrying.chance.permille(lose) {
            let d = self.carrying.chance.below(self.devices.len());
            self.lose_device(d);
        }
    }

    /// What a device gives out: its own without a place, and what came to it and waits.
    fn give_out(&mut self, d: usize) -> Option<Bundle> {
        let device = &self.devices[d];
        let disk = device.drive.disk();
        let standing = disk.standing()?;
        let key = device.keys.get(&disk.own.key)?;
        let mut next = disk.first_unplaced();
        let mut runs = Vec::new();
        while let Some(push) =
            next.and_then(|from| session::push(disk, key, &standing, from, RUN_ENTRIES_MAX, u32::MAX))
        {
            next = Some(push.from + push.entries.len() as u64);
            runs.push(Carried { device: disk.own.device, push });
        }
        runs.extend(disk.waiting_runs().into_iter().map(|run| run.carried.clone()));
        Some(Bundle { organisation: ORGANISATION, devices: Vec::new(), people: Vec::new(), runs })
    }

    fn carry_over(&mut self, from: usize, to: usize) {
        // Nobody takes a file in while a sync of theirs is storing a reply: the real one is one transaction of a database.
        if from == to || self.devices[to].drive.disk().sync.is_none() {
            return;
        }
        let Some(bundle) = self.give_out(from).filter(|bundle| !bundle.runs.is_empty()) else { return };
        let Ok(bytes) = bundle.write() else { return };
        let keys = oracles::ledger(&self.port).keys;
        let known =
            keys.into_iter().map(|(id, key)| (id, Believed { key, is_server: false, revoked: false })).collect();
        let proof = Bundle::read(&bytes).and_then(|read| prove(&read, &ORGANISATION, &known));
        let bug = self.bug;
        let taken = proof.map(|proof| {
            let stored = self.devices[to].drive.write(|disk| {
                proof.runs.iter().for_each(|run| disk.take_run(run, bug));
                Ok::<_, Halt>(())
            });
            (proof.runs.len(), stored)
        });
        // A copy of the device that made it holds it from now on as its own, and each may record it once more.
        let copy = self.devices[to].drive.disk().own.device;
        let own = bundle.runs.iter().filter(|run| run.device == copy).flat_map(|run| &run.push.entries);
        self.facts.shared.extend(own.filter_map(recording).collect::<Vec<_>>());
        let names = [from, to].map(|d| self.devices[d].name.clone());
        self.count("carried");
        self.say(|| format!("{} carries {} runs to {}: {taken:?}", names[0], bundle.runs.len(), names[1]));
        if let Err(fault) = taken {
            self.facts.distrusted.push(format!("{} refuses what {} carried: {fault}", names[1], names[0]));
        }
    }

    /// A device is gone for good; its person gets a new one. What had not left it is lost with it.
    fn lose_device(&mut self, d: usize) {
        self.crash(d);
        let key = Arc::new(DeviceKey::from_secret(&self.carrying.chance.bytes()));
        let device = &mut self.devices[d];
        let disk = Disk::new(key.public(), device.person);
        device.copies = vec![disk.clone()];
        device.drive = Drive::new(disk);
        device.keys = BTreeMap::from([(key.public(), key)]);
        device.next_key = None;
        device.chore = Chore::Enrol;
        device.expected.clear();
        device.code = None;
        device.last_stop = None;
        device.gone = false;
        let name = device.name.clone();
        self.count("device lost");
        self.say(|| format!("{name} is gone for good, and is another one now"));
    }
}
