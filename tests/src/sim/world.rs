//! The simulated world: devices, servers, the network between them, and people.
//!
//! Promises: one step is one effect of one device, one poll of one server process, one message on its way, one thing a
//! person does, or one fault. Which, is the seed's choice alone. Never a thread, a clock, a file.

use super::bugs::Bug;
use super::carry::Carrying;
use super::chance::{Chance, Weather};
use super::disk::{Disk, Drive};
use super::faults::Faults;
use super::network::{Letter, Reply, Task};
use super::port::{Port, block_on};
use pintle_core::chain::{DeviceKey, enrol_text};
use pintle_core::device::{Effect, Notice, Session, Standing, Stop};
use pintle_core::entry::EntryRef;
use pintle_core::exchange::{Person, Wanted};
use pintle_core::ids::{DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey, StoreId};
use pintle_core::permission::Role;
use pintle_openapi::endpoints::enrol::EnrolRequest;
use pintle_server::ambient::Ambient as _;
use pintle_server::app::App;
use pintle_server::app::gate::{Rates, Room};
use pintle_store::memory::MemoryStore;
use pintle_store::{Actor, DeviceRecord, EnrolmentCode, FreshSecrets, Organisation, Store as _};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;

/// The organisation of the simulation.
pub const ORGANISATION: OrganisationId = OrganisationId([9; 16]);
/// 2026-05-04, a morning.
const BEGIN_MS: i64 = 1_777_870_200_000;

/// A session that is running, and what it waits for.
pub struct Running {
    pub(super) session: Session,
    pub(super) effects: VecDeque<Effect>,
    pub(super) standing: Standing,
    pub(super) wire: Option<u64>,
    /// How often the server had been put back when it answered last.
    pub(super) restores: u64,
    pub(super) wanted: Option<Wanted>,
}

/// What a person has to do about a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Chore {
    /// Nothing.
    None,
    /// Let it in; it is new, or the server does not know it any more.
    Enrol,
    /// Go on under a new key.
    Anew,
}

/// A notice that must be heard.
#[derive(Debug, Clone)]
pub struct Expected {
    /// Notices heard before.
    pub after: usize,
    /// Why.
    pub why: String,
    /// What it had seen beyond the end of the ledger that went back: where all of that came to stand again in the same
    /// places, nothing is there to be told.
    pub beyond: Vec<(u64, Hash)>,
}

/// One device.
pub struct Device {
    /// Its name in the trace.
    pub name: String,
    /// Its disk.
    pub drive: Drive,
    /// Its keys, which lie outside the database.
    pub keys: BTreeMap<PublicKey, Arc<DeviceKey>>,
    /// The key it will go on under, once the server has said yes.
    pub(super) next_key: Option<Arc<DeviceKey>>,
    /// Its session.
    pub running: Option<Running>,
    /// What its person has to do.
    pub chore: Chore,
    /// Notices that were told, with the device id at that time.
    pub heard: Vec<(DeviceId, Notice)>,
    /// How its last session ended.
    pub last_stop: Option<Stop>,
    /// Exchanges since this was last set to nothing.
    pub exchanges: u64,
    /// How often it began to pull from the beginning because other machines were wanted than its cursor was made for.
    pub anew: u64,
    /// What it must hear.
    pub expected: Vec<Expected>,
    /// Old copies of its disk.
    pub(super) copies: Vec<Disk>,
    /// The code its person was given and that may not have been answered.
    pub(super) code: Option<String>,
    pub(super) role: Role,
    pub(super) person: PersonId,
    pub(super) offline: bool,
    pub(super) clock_off_s: i64,
    pub(super) boot: u64,
    pub(super) booted_ms: i64,
    pub(super) upgraded: Option<u64>,
    /// Told that it was revoked, so that its person may give up on it.
    pub gone: bool,
}

/// What happened that an oracle has to know.
#[derive(Debug, Clone, Default)]
pub struct Facts {
    /// Entries that the server acknowledged and has not lost by being put back: name, link.
    pub acknowledged: BTreeSet<(EntryRef, Hash)>,
    /// Recordings that two copies of a device held at once before they had a place: each may record them once more.
    pub shared: BTreeSet<u64>,
    /// Something happened that makes a notice about copies, lost tails or a changed ledger right.
    pub upheaval: bool,
    /// Devices of which there are copies, or were.
    pub cloned: BTreeSet<DeviceId>,
    /// Entries that say they were made in the knowledge of something that was not there.
    pub unfounded: Vec<String>,
    /// Sessions that ended in distrust: device and fault.
    pub distrusted: Vec<String>,
    /// Copies of a device that were not told of each other.
    pub quiet_copies: Vec<String>,
    /// Repairs that were told.
    pub repairs: Vec<String>,
    /// Acts carried out, by name: so that a harness that does nothing shows.
    pub acts: BTreeMap<&'static str, u64>,
}

/// Everything.
pub struct World {
    /// The seed.
    pub seed: u64,
    /// Its choices.
    pub chance: Chance,
    /// The mistake built in, if any.
    pub bug: Option<Bug>,
    /// The devices.
    pub devices: Vec<Device>,
    /// The database.
    pub port: Arc<Port>,
    /// What oracles have to know.
    pub facts: Facts,
    /// What happened, if it is kept.
    pub trace: Option<Vec<String>>,
    pub(super) faults: Faults,
    pub(super) carrying: Carrying,
    pub(super) weather: Arc<Weather>,
    pub(super) apps: Vec<Arc<App>>,
    pub(super) office: DeviceId,
    pub(super) letters: Vec<Letter>,
    pub(super) tasks: Vec<Task>,
    pub(super) replies: Vec<Reply>,
    pub(super) old_replies: Vec<Vec<u8>>,
    pub(super) copies: Vec<MemoryStore>,
    /// The database before its last writes, where a disk may have lied about them.
    pub(super) unsynced: VecDeque<MemoryStore>,
    pub(super) remembers_unsynced: bool,
    pub(super) store_full: bool,
    pub(super) machines: Vec<MachineId>,
    pub(super) wires: u64,
    pub(super) recordings: u64,
    pub(super) restores: u64,
    pub(super) calm: bool,
}

impl World {
    /// The world of a seed.
    ///
    /// # Panics
    /// If the world cannot be set up: then nothing can be said about any seed.
    #[must_use]
    #[allow(clippy::expect_used, reason = "a world that cannot begin has nothing to report")]
    pub fn new(seed: u64, bug: Option<Bug>) -> Self {
        let mut chance = Chance::new(seed);
        let faults = Faults::of(&mut chance);
        let weather = Arc::new(Weather::new(seed, BEGIN_MS));
        let secrets = FreshSecrets {
            store: StoreId(chance.bytes()),
            cursor_secret: chance.bytes(),
            token_secret: chance.bytes(),
            ledger_secret: chance.bytes(),
        };
        let rows_max = [12, 40, 5_000][chance.below(3)];
        let port = Arc::new(Port::new(MemoryStore::new(secrets), rows_max, bug));
        let mut world = Self {
            seed,
            bug,
            devices: Vec::new(),
            port,
            facts: Facts::default(),
            trace: None,
            faults,
            carrying: Carrying::of(seed),
            weather,
            apps: Vec::new(),
            office: DeviceId([0; 16]),
            letters: Vec::new(),
            tasks: Vec::new(),
            replies: Vec::new(),
            old_replies: Vec::new(),
            copies: Vec::new(),
            unsynced: VecDeque::new(),
            remembers_unsynced: faults.store_tail > 0,
            store_full: false,
            machines: Vec::new(),
            wires: 0,
            recordings: 0,
            restores: 0,
            calm: false,
            chance,
        };
        world.machines = (0..3).map(|_| MachineId(world.chance.bytes())).collect();
        world.apps = (0..=world.chance.below(2)).map(|_| world.app()).collect();
        world.open_office().expect("the office is let in");
        for index in 0..3 + world.chance.below(4) {
            world.add_device(index);
        }
        world.copies.push(world.port.memory().copy());
        world
    }

    #[allow(clippy::expect_used, reason = "the key of a token comes from any seed")]
    pub(super) fn app(&self) -> Arc<App> {
        let app = App::new(self.port.clone(), self.weather.clone(), &Rates::default(), Room::default());
        Arc::new(app.expect("an application"))
    }

    /// The office is a device that only lets others in.
    fn open_office(&mut self) -> Option<()> {
        let organisation = Organisation { id: ORGANISATION, name: "Simulated".into() };
        let now_ms = self.weather.now_ms();
        block_on(self.port.organisation_add(&organisation, now_ms)).ok()?;
        let text = pintle_server::app::codes::shown(self.chance.bytes());
        let hash = pintle_server::app::codes::hash(&text)?;
        let code = EnrolmentCode { hash, role: Role::Owner, expires_ms: now_ms + 1_000_000 };
        block_on(self.port.code_add(Actor::operator(ORGANISATION), &code, now_ms)).ok()?;
        let key = DeviceKey::from_secret(&self.chance.bytes());
        let proof = key.sign(&enrol_text(&text, &key.public()));
        let person = Person { id: PersonId(self.chance.bytes()), name: "Office".into() };
        let request = EnrolRequest { code: text, key: key.public(), mark: "OF".into(), person, proof };
        let reply = block_on(self.apps[0].enrol(request, IpAddr::V4(Ipv4Addr::LOCALHOST))).ok()?;
        self.office = reply.device;
        Some(())
    }

    pub(super) fn add_device(&mut self, index: usize) {
        let key = Arc::new(DeviceKey::from_secret(&self.chance.bytes()));
        let person = PersonId(self.chance.bytes());
        let role = [Role::Crew, Role::Crew, Role::Mechanic, Role::Office][self.chance.below(4)];
        let disk = Disk::new(key.public(), person);
        self.devices.push(Device {
            name: format!("d{index}"),
            copies: vec![disk.clone()],
            drive: Drive::new(disk),
            keys: BTreeMap::from([(key.public(), key)]),
            next_key: None,
            running: None,
            chore: Chore::Enrol,
            heard: Vec::new(),
            last_stop: None,
            exchanges: 0,
            anew: 0,
            expected: Vec::new(),
            code: None,
            role,
            person,
            offline: false,
            clock_off_s: 0,
            boot: self.chance.bits(),
            booted_ms: BEGIN_MS,
            upgraded: None,
            gone: false,
        });
    }

    /// Adds a line to the trace.
    pub fn say(&mut self, line: impl FnOnce() -> String) {
        if let Some(trace) = &mut self.trace {
            trace.push(line());
        }
    }

    pub(super) fn count(&mut self, act: &'static str) {
        *self.facts.acts.entry(act).or_default() += 1;
    }

    pub(super) fn strikes(&mut self, rate: impl Fn(&Faults) -> u32) -> bool {
        let rate = rate(&self.faults);
        !self.calm && self.chance.permille(rate)
    }

    /// The server's record of a device.
    #[must_use]
    pub fn record_of(&self, device: DeviceId) -> Option<DeviceRecord> {
        block_on(self.port.memory().device(device)).ok().flatten()
    }

    /// One step of the run.
    pub fn step(&mut self) {
        self.weather.pass(1 + i64::try_from(self.chance.below(40_000)).unwrap_or(0));
        match self.chance.below(10) {
            0..=6 => self.go_on(),
            7 | 8 => self.live(),
            _ => self.suffer(),
        }
        self.carry_or_lose();
    }

    /// Something that is under way goes on.
    fn go_on(&mut self) {
        let busy: Vec<usize> = (0..self.devices.len()).filter(|d| self.devices[*d].running.is_some()).collect();
        let choices = busy.len() + self.letters.len() + self.tasks.len() * 3 + self.replies.len();
        let mut choice = self.chance.below(choices);
        if choices == 0 {
            return self.begin_somewhere();
        }
        if choice < busy.len() {
            return self.advance(busy[choice]);
        }
        choice -= busy.len();
        if choice < self.letters.len() {
            return self.deliver(choice);
        }
        choice -= self.letters.len();
        if choice < self.tasks.len() * 3 {
            return self.poll(choice / 3);
        }
        self.answer(choice - self.tasks.len() * 3);
    }

    pub(super) fn begin_somewhere(&mut self) {
        let device = self.chance.below(self.devices.len());
        self.begin(device);
    }
}
