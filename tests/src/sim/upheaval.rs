//! What befalls devices and servers: kills, full disks, lies of a disk, copies, old copies, clocks, revocation.
//!
//! Promises: what an oracle has to know about it is noted at that moment.

use super::disk::{Disk, Drive};
use super::port::block_on;
use super::record;
use super::world::{Chore, Device, Expected, ORGANISATION, World};
use pintle_core::Hash;
use pintle_core::entry::EntryRef;
use pintle_core::ids::DeviceId;
use pintle_server::ambient::Ambient as _;
use pintle_store::memory::MemoryStore;
use pintle_store::{Actor, Store as _, epoch_after};
use std::collections::BTreeSet;

/// Old copies kept of a device and of the server.
const COPIES_MAX: usize = 3;

/// Writes of the server that a lying disk may still lose.
const UNSYNCED_MAX: usize = 4;

/// Whether the operator says that the server was put back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Said {
    Yes,
    No,
}

impl World {
    /// A fault strikes, if this run has it.
    pub(super) fn suffer(&mut self) {
        let d = self.chance.below(self.devices.len());
        if self.strikes(|f| f.crash_device * 4) {
            self.crash(d);
        }
        if self.strikes(|f| f.crash_server * 4) {
            let server = self.chance.below(self.apps.len());
            self.crash_server(server);
        }
        if self.strikes(|f| f.no_signal * 4) {
            self.devices[d].offline = true;
        } else if self.chance.below(4) == 0 {
            self.devices[d].offline = false;
        }
        if self.strikes(|f| f.device_full * 4) {
            self.devices[d].drive.full = true;
            self.count("device full");
        } else if self.chance.below(3) == 0 {
            self.devices[d].drive.full = false;
        }
        if self.strikes(|f| f.store_down * 4) {
            self.port.memory().go_down();
            self.count("store down");
        } else if self.chance.below(2) == 0 {
            self.port.memory().come_up();
        }
        if self.strikes(|f| f.store_full * 4) {
            self.store_full = true;
            self.count("store full");
        } else if self.store_full && self.chance.below(3) == 0 {
            self.make_room();
        }
        if self.strikes(|f| f.store_tail * 4) {
            let writes = 1 + self.chance.below(UNSYNCED_MAX);
            self.lose_commits(writes);
        }
        if self.strikes(|f| f.server_clock * 4) {
            let off_ms = [-90_000_000_000, -86_400_000, 0, 600_000, 500_000_000][self.chance.below(5)];
            self.weather.servers_off(off_ms);
            self.count("server clock jump");
        }
        if self.strikes(|f| f.tail_loss * 4) {
            let transactions = 1 + self.chance.below(4);
            self.lose_tail(d, transactions);
        }
        if self.strikes(|f| f.restore_device * 4) {
            self.restore_device(d);
        }
        if self.strikes(|f| f.clone * 4) && self.devices.len() < 8 {
            self.clone_device(d);
        }
        if self.strikes(|f| f.restore_told * 4) {
            self.restore_server(Said::Yes);
        }
        if self.strikes(|f| f.restore_untold * 4) {
            self.restore_server(Said::No);
        }
        if self.strikes(|f| f.clock * 4) {
            self.jump(d);
        }
        if self.strikes(|f| f.revoke * 4) {
            self.revoke(d);
        }
        if self.strikes(|f| f.wanted * 4) {
            self.want(d);
        }
        if self.strikes(|f| f.upgrade * 4) {
            self.devices[d].upgraded = Some(1 + self.chance.below(2) as u64);
            self.count("upgraded");
        }
    }

    pub(super) fn crash(&mut self, d: usize) {
        let device = &mut self.devices[d];
        device.running = None;
        device.boot = self.chance.bits();
        device.booted_ms = self.weather.world_ms();
        let name = device.name.clone();
        self.count("device crash");
        self.say(|| format!("{name} is killed"));
    }

    pub(super) fn crash_server(&mut self, server: usize) {
        self.tasks.retain(|task| task.server != server);
        self.apps[server] = self.app();
        self.count("server crash");
        self.say(|| format!("server {server} is killed"));
    }

    /// Everything that runs is killed at once.
    pub(super) fn power_cut(&mut self, writes_lost: usize) {
        (0..self.devices.len()).for_each(|d| self.crash(d));
        (0..self.apps.len()).for_each(|server| self.crash_server(server));
        if writes_lost > 0 {
            self.lose_commits(writes_lost);
        }
        self.count("power cut");
    }

    pub(super) fn lose_tail(&mut self, d: usize, transactions: usize) {
        self.crash(d);
        let before = self.devices[d].drive.disk().own.device;
        let lost = self.devices[d].drive.lose(transactions);
        self.share_old(d, before);
        self.settle_back(d, &format!("loses {lost} transactions"));
    }

    pub(super) fn restore_device(&mut self, d: usize) {
        self.crash(d);
        let Some(copy) = self.chance.pick(&self.devices[d].copies).cloned() else { return };
        let before = self.devices[d].drive.disk().own.device;
        self.devices[d].drive.put_back(copy);
        self.share_old(d, before);
        self.settle_back(d, "is put back to an old copy");
    }

    /// A device that is back under an older key holds what it had recorded once more under the newer; and one that is
    /// back before its enrolment cannot ask the server what has a place, if the server lets it in under a new key only.
    pub(super) fn share_old(&mut self, d: usize, before: DeviceId) {
        let disk = self.devices[d].drive.disk();
        if disk.own.device != before || disk.sync.is_none() {
            self.facts.shared.extend(unplaced(disk));
        }
    }

    /// Copies of a device each hold what the ledger has just lost, and each may record it once more.
    fn share_lost(&mut self) {
        let cloned = |device: &&Device| self.facts.cloned.contains(&device.drive.disk().own.device);
        let held = self.devices.iter().filter(cloned).flat_map(|device| recordings(device.drive.disk()));
        self.facts.shared.extend(held.collect::<Vec<_>>());
    }

    /// A device's database is older than it was.
    pub(super) fn settle_back(&mut self, d: usize, what: &str) {
        self.facts.upheaval = true;
        self.count("device went back");
        let own = self.devices[d].drive.disk().own.clone();
        let there = self.record_of(own.device).map_or(0, |record| record.head.seq);
        let device = &mut self.devices[d];
        device.expected.clear();
        device.chore = if device.drive.disk().sync.is_some() { Chore::None } else { Chore::Enrol };
        device.gone = false;
        // One that waits for its tail has been told, and knows it still.
        if there > own.head.seq && own.recover.is_none_or(|tail| tail.seq < there) {
            let why = format!("{} {what}: its log ended at {} here and at {there} there", device.name, own.head.seq);
            device.expected.push(Expected { after: device.heard.len(), why, beyond: Vec::new() });
        }
        let name = device.name.clone();
        self.say(|| format!("{name} {what}: log={} of {}", own.head.seq, super::oracles::brief(&own.device)));
    }

    pub(super) fn clone_device(&mut self, d: usize) {
        self.facts.upheaval = true;
        self.count("clone");
        let number = self.devices.len();
        let device = &self.devices[d];
        let disk = device.drive.disk().clone();
        // What a ledger that went back may have lost has no place either, though the device thinks so.
        self.facts.shared.extend(if self.restores == 0 { unplaced(&disk) } else { recordings(&disk) });
        self.facts.cloned.insert(disk.own.device);
        let copy = Device {
            name: format!("d{number}~{}", device.name),
            copies: device.copies.clone(),
            drive: Drive::new(disk),
            keys: device.keys.clone(),
            next_key: device.next_key.clone(),
            running: None,
            chore: if device.drive.disk().sync.is_some() { Chore::None } else { Chore::Enrol },
            heard: device.heard.clone(),
            last_stop: None,
            exchanges: 0,
            anew: 0,
            expected: Vec::new(),
            code: device.code.clone(),
            role: device.role,
            person: device.person,
            offline: false,
            clock_off_s: device.clock_off_s,
            boot: self.chance.bits(),
            booted_ms: self.weather.world_ms(),
            upgraded: device.upgraded,
            gone: false,
        };
        let name = copy.name.clone();
        self.say(|| format!("{name} comes into the world"));
        self.devices.push(copy);
    }

    /// The server is put back to an old copy.
    pub(super) fn restore_server(&mut self, said: Said) {
        let index = self.chance.below(self.copies.len());
        let Some(copy) = self.copies.get(index).map(MemoryStore::copy) else { return };
        self.copies.truncate(index + 1);
        self.count("server went back");
        self.put_back(copy, said);
    }

    /// Remembers the database as it is before a server goes on.
    pub(super) fn keep_unsynced(&mut self) {
        if self.calm || !self.remembers_unsynced {
            return;
        }
        let changed = self.unsynced.back().is_none_or(|last| last.writes() != self.port.memory().writes());
        if changed {
            self.unsynced.push_back(self.port.memory().copy());
            if self.unsynced.len() > UNSYNCED_MAX {
                self.unsynced.pop_front();
            }
        }
    }

    /// A power cut, and a disk that had not written what it said it had: the last writes of the server are gone, and
    /// nobody knows.
    pub(super) fn lose_commits(&mut self, writes: usize) {
        let kept = self.unsynced.len().saturating_sub(writes);
        let Some(before) = self.unsynced.get(kept).map(MemoryStore::copy) else { return };
        self.unsynced.clear();
        self.count("server lost commits");
        self.put_back(before, Said::No);
    }

    /// The server's disk has room again.
    fn make_room(&mut self) {
        self.store_full = false;
        // A copy has no faults waiting.
        let memory = self.port.memory().copy();
        self.port.put(memory);
    }

    /// Another, older database stands where the server's was.
    fn put_back(&mut self, copy: MemoryStore, said: Said) {
        self.facts.upheaval = true;
        let before = self.port.memory();
        let epoch = block_on(before.epoch()).unwrap_or(0);
        if said == Said::Yes {
            let from = block_on(copy.epoch()).unwrap_or(epoch);
            let _ = block_on(copy.epoch_raise(from, epoch_after(from, self.weather.now_ms())));
        }
        self.tasks.clear();
        self.restores += 1;
        self.port.put(copy);
        self.share_lost();
        self.apps = self.apps.iter().map(|_| self.app()).collect();
        let now = self.ledger_now();
        self.facts.acknowledged.retain(|entry| now.contains(entry));
        let end = now.len() as u64;
        for device in &mut self.devices {
            device.expected.clear();
            let disk = device.drive.disk();
            let Some(sync) = &disk.sync else { continue };
            let last = disk.at.keys().next_back().copied().unwrap_or(0).max(disk.own.seen);
            // One that has just heard of another epoch is told of both at once.
            let hears = device.running.is_some() && sync.epoch != epoch;
            if last > end && !sync.copied && !device.gone && disk.own.recover.is_none() && !hears {
                let why = format!("the ledger went back to {end}, {} had seen {last} of it", device.name);
                let link = |(position, name): (&u64, &EntryRef)| Some((*position, disk.entries.get(name)?.link));
                let beyond = disk.at.range(end + 1..).filter_map(link).collect();
                device.expected.push(Expected { after: device.heard.len(), why, beyond });
            }
        }
        self.say(|| format!("the server is put back to {end}, said: {said:?}"));
    }

    /// Names and links of all that is in the ledger now.
    pub(super) fn ledger_now(&self) -> BTreeSet<(EntryRef, Hash)> {
        super::oracles::ledger(&self.port).rows.iter().map(|held| (held.name(), held.link)).collect()
    }

    pub(super) fn jump(&mut self, d: usize) {
        let off = [-2_000_000_000, -86_400, -600, 400, 4_000_000][self.chance.below(5)];
        self.devices[d].clock_off_s = off;
        self.count("clock jump");
    }

    pub(super) fn revoke(&mut self, d: usize) {
        let device = self.devices[d].drive.disk().own.device;
        let now_ms = self.weather.now_ms();
        let done = block_on(self.port.memory().device_revoke(Actor::operator(ORGANISATION), device, now_ms));
        self.count("revoked");
        let name = self.devices[d].name.clone();
        self.say(|| format!("{name} is revoked: {done:?}"));
    }

    /// All faults end, and everyone starts again.
    pub fn calm(&mut self) {
        self.calm = true;
        self.store_full = false;
        // A copy has no faults waiting.
        let memory = self.port.memory().copy();
        self.port.put(memory);
        self.apps = self.apps.iter().map(|_| self.app()).collect();
        self.letters.clear();
        self.tasks.clear();
        self.replies.clear();
        for device in &mut self.devices {
            device.running = None;
            device.offline = false;
            device.drive.full = false;
        }
        self.say(|| "all faults end".to_owned());
    }
}

pub(super) fn keep<T>(copies: &mut Vec<T>, copy: T) {
    copies.push(copy);
    if copies.len() > COPIES_MAX {
        copies.remove(0);
    }
}

/// Own recordings.
fn recordings(disk: &Disk) -> Vec<u64> {
    disk.log(disk.own.device, 1).filter_map(|(_, row)| record::recording(&row.entry)).collect()
}

/// Own recordings without a place.
pub(super) fn unplaced(disk: &Disk) -> Vec<u64> {
    let rows = disk.log(disk.own.device, 1).filter(|(_, row)| row.placed.is_none());
    rows.filter_map(|(_, row)| record::recording(&row.entry)).collect()
}
