//! What people do: record, sync, let devices in, go on under a new key, choose machines, make copies.
//!
//! Promises: each does what the device told them to, sooner or later; nobody repairs anything by hand.

use super::bugs::Bug;
use super::disk::SyncRow;
use super::oracles;
use super::port::block_on;
use super::record::{self, Carry, Clocks, recording};
use super::upheaval::keep;
use super::world::{Chore, ORGANISATION, World};
use pintle_core::chain::{DeviceKey, enrol_text, follow_text};
use pintle_core::entry::{EntryRef, Held};
use pintle_core::exchange::{Digest, Person, Wanted};
use pintle_core::limits::PAGE_BYTES_START;
use pintle_openapi::endpoints::codes::CodeRequest;
use pintle_openapi::endpoints::enrol::{EnrolReply, EnrolRequest};
use pintle_openapi::endpoints::follow::FollowRequest;
use pintle_server::app::Caller;
use pintle_store::Store as _;
use std::collections::BTreeSet;
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;

/// Every how manieth recording says that a machine was driven over to another site.
const MOVES_EVERY: u64 = 7;

impl World {
    /// A person does something.
    pub(super) fn live(&mut self) {
        let d = self.chance.below(self.devices.len());
        match self.chance.below(10) {
            0..=4 => self.record(d),
            5..=7 => self.begin(d),
            8 => self.chore(d),
            _ => {
                let copy = self.devices[d].drive.disk().clone();
                keep(&mut self.devices[d].copies, copy);
                if self.chance.below(3) == 0 {
                    let copy = self.port.memory().copy();
                    keep(&mut self.copies, copy);
                }
            }
        }
    }

    /// Somebody records something.
    pub fn record(&mut self, d: usize) {
        let clocks = self.clocks(d);
        let device = &mut self.devices[d];
        let mut saying = record::think(device.drive.disk(), &self.machines, device.upgraded, &mut self.chance);
        if self.recordings % MOVES_EVERY == 3 {
            saying = record::drive_over(saying, self.recordings);
        }
        let kind = saying.kind;
        let (number, bug) = (self.recordings, self.bug);
        let done = device.drive.write(|disk| record::record(disk, saying, number, &clocks, bug));
        let seq = device.drive.disk().own.head.seq;
        if done == Ok(true) {
            self.recordings += 1;
            self.count("recorded");
            self.check_seen(d);
        }
        let name = self.devices[d].name.clone();
        self.say(|| format!("{name} records {kind} as {seq}: {done:?} (recording {number})"));
    }

    /// Of the machine that an entry is about, everything must be here that the ledger held up to what the entry says was
    /// seen. Nobody knows that any more of a ledger that went back.
    fn check_seen(&mut self, d: usize) {
        let disk = self.devices[d].drive.disk();
        let name = EntryRef { device: disk.own.device, seq: disk.own.head.seq };
        let Some(head) = disk.entries.get(&name).and_then(|row| row.entry.head().ok()) else { return };
        let ledger = if self.restores == 0 && head.seen > 0 { oracles::ledger(&self.port).rows } else { Vec::new() };
        let about = |held: &&Held| held.entry.head().is_ok_and(|entry| entry.machine == head.machine);
        let before = ledger.iter().filter(about).filter(|held| held.position.is_some_and(|at| at <= head.seen));
        let missing = before.filter(|held| !disk.entries.contains_key(&held.name())).count();
        if missing > 0 {
            let what = format!(
                "{} says in {} that it had seen the ledger up to {}, and {missing} entries about that machine were not there",
                self.devices[d].name, name.seq, head.seen
            );
            self.facts.unfounded.push(what);
        }
    }

    pub(super) fn clocks(&self, d: usize) -> Clocks {
        let device = &self.devices[d];
        let now_s = self.weather.world_ms().div_euclid(1000);
        let up_s = u64::try_from((self.weather.world_ms() - device.booted_ms).div_euclid(1000)).unwrap_or(0);
        Clocks { wall_s: (now_s + device.clock_off_s).max(0), boot: format!("{:012x}", device.boot >> 16), up_s }
    }

    /// A person does what has to be done about a device.
    pub fn chore(&mut self, d: usize) {
        if self.devices[d].running.is_some() {
            return;
        }
        let device = &mut self.devices[d];
        let copied = device.drive.disk().sync.as_ref().is_none_or(|sync| sync.copied);
        if device.chore == Chore::Anew && !copied && !device.gone {
            // It is no longer asked for: the ledger went back, and what was taken for a copy was none.
            device.chore = Chore::None;
        }
        match self.devices[d].chore {
            Chore::None if self.devices[d].gone && self.chance.below(4) == 0 => self.anew(d),
            Chore::None => {}
            Chore::Enrol => self.enrol(d),
            Chore::Anew => self.anew(d),
        }
    }

    fn carry(&self) -> Carry {
        match self.bug {
            Some(Bug::LeavesWorkBehind) => Carry::Nothing,
            Some(Bug::CarriesWorkTwice) => Carry::Everything,
            _ => Carry::Unplaced,
        }
    }

    /// Goes on under a new key: one that the old one vouches for, or by a code where the server does not take that.
    pub(super) fn anew(&mut self, d: usize) {
        if self.devices[d].drive.disk().sync.is_none() || self.devices[d].gone {
            return self.begin_anew(d);
        }
        let refused = self.follow(d).err();
        match refused.as_deref() {
            Some("key-refused") => self.begin_anew(d),
            Some("unknown-device") => self.devices[d].chore = Chore::Enrol,
            // Done, or later the same again.
            _ => {}
        }
    }

    /// Asks the server to let the device go on under its next key, which is the same until that is done.
    fn follow(&mut self, d: usize) -> Result<(), String> {
        let fresh = Arc::new(DeviceKey::from_secret(&self.chance.bytes()));
        let device = &mut self.devices[d];
        let new = device.next_key.get_or_insert(fresh).clone();
        let old = device.drive.disk().own.clone();
        let old_key = device.keys.get(&old.key).ok_or("no-key")?;
        let text = follow_text(&ORGANISATION, &old.device, &new.public());
        let request = FollowRequest {
            organisation: ORGANISATION,
            device: old.device,
            key: new.public(),
            ends: false,
            old_proof: old_key.sign(&text),
            proof: new.sign(&text),
        };
        let app = self.chance.below(self.apps.len());
        let reply = block_on(self.apps[app].follow(request));
        let name = self.devices[d].name.clone();
        self.say(|| format!("{name} follows: {:?}", reply.as_ref().map(|r| r.epoch).map_err(|r| r.problem)));
        let reply = reply.map_err(|refusal| refusal.document("sim").code)?;
        if self.strikes(|f| f.lose_reply) {
            return Err("no-reply".into());
        }
        let carry = self.carry();
        // What it handed on before it heard that it is a copy stands there under both names.
        let own = self.devices[d].drive.disk().own.device;
        let handed = self.devices.iter().enumerate().filter(|(other, _)| *other != d);
        let handed =
            handed.flat_map(|(_, other)| other.drive.disk().log(own, 1).filter_map(|(_, row)| recording(&row.entry)));
        self.facts.shared.extend(handed.collect::<Vec<_>>());
        let device = &mut self.devices[d];
        device.keys.insert(new.public(), new.clone());
        let carried = device.drive.write(|disk| {
            let carried = record::begin_anew(disk, new.public(), carry)?;
            disk.sync = Some(fresh_sync(&reply));
            Ok(carried)
        });
        let carried = carried.map_err(|_| "full")?;
        device.next_key = None;
        device.chore = Chore::None;
        device.expected.clear();
        self.count("followed");
        self.say(|| format!("{name} goes on under a key that the old one vouched for, {carried} entries carried"));
        Ok(())
    }

    fn begin_anew(&mut self, d: usize) {
        let key = Arc::new(DeviceKey::from_secret(&self.chance.bytes()));
        let carry = self.carry();
        let device = &mut self.devices[d];
        device.keys.insert(key.public(), key.clone());
        let Ok(carried) = device.drive.write(|disk| record::begin_anew(disk, key.public(), carry)) else { return };
        device.gone = false;
        device.chore = Chore::Enrol;
        device.expected.clear();
        let name = device.name.clone();
        self.count("anew");
        self.say(|| format!("{name} goes on under a new key, {carried} entries carried"));
        self.enrol(d);
    }

    pub(super) fn enrol(&mut self, d: usize) {
        let Some(code) = self.code(d) else { return };
        let device = &self.devices[d];
        let disk = device.drive.disk();
        let Some(key) = device.keys.get(&disk.own.key).cloned() else { return };
        let request = EnrolRequest {
            code: code.clone(),
            key: key.public(),
            mark: "K7".into(),
            person: Person { id: device.person, name: device.name.clone() },
            proof: key.sign(&enrol_text(&code, &key.public())),
        };
        let app = self.chance.below(self.apps.len());
        let reply = block_on(self.apps[app].enrol(request, IpAddr::V4(Ipv4Addr::LOCALHOST)));
        let name = self.devices[d].name.clone();
        self.say(|| format!("{name} enrols: {:?}", reply.as_ref().map(|r| (r.epoch, r.role)).map_err(|r| r.problem)));
        let reply = match reply {
            Ok(reply) => reply,
            Err(refusal) => {
                let code = refusal.document("sim").code;
                if code == "key-refused" {
                    self.devices[d].chore = Chore::Anew;
                }
                if code == "code-used" || code == "code-unknown" {
                    self.devices[d].code = None;
                }
                return;
            }
        };
        if self.strikes(|f| f.lose_reply) {
            return;
        }
        let done = self.devices[d].drive.write(|disk| {
            disk.sync = Some(match disk.sync.take() {
                Some(known) => {
                    let takes = known.store == reply.store && known.cursor.is_none();
                    let baton = if takes { reply.baton } else { known.baton };
                    SyncRow { baton, ..known }
                }
                None => fresh_sync(&reply),
            });
            Ok(())
        });
        if done.is_ok() {
            self.devices[d].code = None;
            self.devices[d].chore = Chore::None;
            self.count("enrolled");
        }
    }

    /// The code a person has in hand, or one that the office makes.
    pub(super) fn code(&mut self, d: usize) -> Option<String> {
        if let Some(code) = &self.devices[d].code {
            return Some(code.clone());
        }
        let device = block_on(self.port.device(self.office)).ok()??;
        let request = CodeRequest { role: self.devices[d].role, hours: Some(72) };
        let made = block_on(self.apps[0].code_make(&Caller { device }, request)).ok()?;
        self.devices[d].code = Some(made.code.clone());
        Some(made.code)
    }

    pub(super) fn want(&mut self, d: usize) {
        if self.devices[d].running.is_some() {
            return;
        }
        let machines = match self.chance.below(3) {
            0 => None,
            _ => {
                let chance = &mut self.chance;
                Some(self.machines.iter().copied().filter(|_| chance.below(2) == 0).collect())
            }
        };
        let recordings = self.recordings;
        let _ = self.devices[d].drive.write(|disk| {
            let wanted = match recordings % 3 {
                0 => Wanted { machines: None, sites: ["north".to_owned()].into() },
                1 => Wanted { machines, sites: BTreeSet::new() },
                _ => Wanted { sites: machines.iter().map(|_| "south".to_owned()).collect(), machines },
            };
            if disk.wanted != wanted {
                disk.wanted = wanted;
                disk.wanted_told = false;
            }
            Ok(())
        });
        self.count("wanted changed");
        let name = self.devices[d].name.clone();
        self.say(|| format!("{name} wants other machines"));
    }
}

/// Sync as it begins with a server.
fn fresh_sync(reply: &EnrolReply) -> SyncRow {
    SyncRow {
        organisation: reply.organisation.id,
        store: reply.store,
        epoch: reply.epoch,
        baton: reply.baton,
        cursor: None,
        digest: Digest::default(),
        copied: false,
        directory: 0,
        bytes_max: PAGE_BYTES_START,
    }
}
