//! Rounds of real programs that are killed at random moments, with a bad network between them.
//!
//! Promises: in each round devices record and sync, and the server, a recording or a sync is ended as `kill -9` ends it, at a
//! moment drawn from the seed. At once after that, before anything can heal: what a device was told is in the ledger is
//! there, at that place. After the last round, with a good network again: every entry that anyone was told is recorded
//! is in the ledger once and in each device's log once, one of which nobody was told is there at most once, nothing else
//! is there, and `pintle-server check` and `pintle doctor` find nothing wrong.
//!
//! Never a part of a shipped program.

pub mod dice;
pub mod ledger;
pub mod lossy;
pub mod servers;

use dice::Dice;
use ledger::{Ledger, Told, acknowledged, lose_commits, texts_of};
use lossy::{Lossy, Mix};
use servers::{Device, Server, Start, end, ended};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::Child;
use std::time::Duration;

/// The devices' marks.
const MARKS: [&str; 3] = ["K7", "M4", "T2"];
/// Recordings of one device in a round at most.
const RECORDED_MAX: u64 = 3;
/// A recording is killed after so many milliseconds at most.
const RECORD_KILL_MS_MAX: u64 = 40;
/// Something is killed so many milliseconds after the syncs have begun at most.
const SYNC_KILL_MS_MAX: u64 = 260;
/// A sync is killed after so many looks at it, 2.5 seconds at least: longer than its first wait for a better network.
const SYNC_LOOKS_MAX: u32 = 500;
/// How long one look at a running process is put off.
const LOOK: Duration = Duration::from_millis(5);
/// Syncs of each device at the end, of which the law of the protocol needs ten.
const HEALING_SYNCS_MAX: u32 = 10;
/// Commits that are lost at each kill by the planted fault.
const LOST_COMMITS: usize = 4;

/// A fault that the rounds must notice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Planted {
    /// None.
    Nothing,
    /// What was acknowledged last was not on the disk yet: it is gone when the server is killed. SQLite only.
    AcknowledgedTooEarly,
}

/// What is to be played.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Rounds.
    pub rounds: u32,
    /// What everything is drawn from.
    pub seed: u64,
    /// Where the server keeps its ledger; nothing is in it yet.
    pub ledger: Ledger,
    /// Server processes at once.
    pub processes: usize,
    /// What must be noticed.
    pub planted: Planted,
    /// The folder with the programs.
    pub programs: PathBuf,
    /// A folder of its own.
    pub folder: PathBuf,
}

/// What was played.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Played {
    /// Rounds.
    pub rounds: u32,
    /// Entries that someone was told are recorded.
    pub recorded: usize,
    /// Recordings that were killed before anyone was told.
    pub untold: usize,
    /// Servers killed.
    pub servers_killed: u32,
    /// Syncs killed, by the moment drawn or because they took too long.
    pub syncs_killed: u32,
    /// Syncs that ended well although something was killed in their round.
    pub syncs_survived: u32,
    /// Acknowledgements compared with the ledger.
    pub compared: usize,
    /// Connections, and those that were hurt.
    pub connections: (u64, u64),
}

struct World {
    plan: Plan,
    start: Start,
    network: Lossy,
    servers: Vec<Server>,
    devices: Vec<Device>,
    dice: Dice,
    /// Texts of entries of which someone was told.
    told: Vec<String>,
    /// Texts of recordings that were killed.
    untold: Vec<String>,
    played: Played,
}

/// Plays the rounds.
///
/// # Errors
/// The first law that was broken, with the seed and the round.
pub fn play(plan: &Plan) -> Told<Played> {
    let named = |error: String| format!("seed {}: {error}", plan.seed);
    let mut world = World::begin(plan.clone()).map_err(named)?;
    for round in 0..plan.rounds {
        world.round(round).map_err(|error| format!("seed {}, round {round}: {error}", plan.seed))?;
    }
    world.heal().map_err(named)?;
    world.judge().map_err(named)?;
    let done = world.network.done();
    world.played.connections = (done.connections, done.hurt);
    (world.played.recorded, world.played.untold) = (world.told.len(), world.untold.len());
    Ok(world.played)
}

impl World {
    fn begin(plan: Plan) -> Told<Self> {
        let folder = plan.folder.clone();
        let start = Start { programs: plan.programs.clone(), folder: folder.clone(), database: plan.ledger.url() };
        let network = Lossy::start(plan.seed, Mix::default()).map_err(|error| error.to_string())?;
        let devices = MARKS.map(|mark| Device::new(&plan.programs, &folder, mark)).to_vec();
        let dice = Dice::new(plan.seed);
        let (servers, told, untold, played) = (Vec::new(), Vec::new(), Vec::new(), Played::default());
        let mut world = Self { plan, start, network, servers, devices, dice, told, untold, played };
        world.serve()?;
        let url = format!("http://{}", world.network.address);
        for (index, device) in world.devices.iter().enumerate() {
            device.must(&["setup", "--name", device.mark, "--mark", device.mark])?;
            let (_, said) = match index {
                0 => (0, world.servers[0].lines.join("\n")),
                _ => world.start.operator(&["code", "--role", "crew"])?,
            };
            let code = said.split_whitespace().last().ok_or("no code was printed")?.to_owned();
            device.must(&["enrol", &url, &code])?;
        }
        world.devices[0].must(&["machine", "add", "EX3"])?;
        for device in &world.devices {
            device.must(&["sync"])?;
        }
        world.network.becomes(Mix::BAD);
        Ok(world)
    }

    /// Starts as many servers as there should be.
    fn serve(&mut self) -> Told<()> {
        while self.servers.len() < self.plan.processes {
            self.servers.push(self.start.start()?);
        }
        self.network.behind(self.servers.iter().map(|server| server.address).collect());
        Ok(())
    }

    fn round(&mut self, round: u32) -> Told<()> {
        self.played.rounds += 1;
        let first = self.dice.below(MARKS.len() as u64) as usize;
        let many = 1 + self.dice.below(2) as usize;
        let chosen: Vec<usize> = (0..many).map(|turn| (first + turn) % MARKS.len()).collect();
        for index in &chosen {
            self.record(*index, round)?;
        }
        let mut syncs = Vec::new();
        for index in &chosen {
            syncs.push(self.devices[*index].start(&["sync"])?);
        }
        std::thread::park_timeout(Duration::from_millis(self.dice.below(SYNC_KILL_MS_MAX)));
        let mut killed = false;
        match self.dice.below(10) {
            0..=4 => {
                self.kill_server()?;
                killed = true;
            }
            5..=7 => {
                end(&mut syncs[0]);
                self.played.syncs_killed += 1;
                killed = true;
            }
            8 => {
                end(&mut syncs[0]);
                self.played.syncs_killed += 1;
                self.kill_server()?;
                killed = true;
            }
            _ => {}
        }
        // Of several the others go on alone until the syncs have ended; a single one is up again at once.
        if self.plan.processes == 1 {
            self.serve()?;
        }
        for sync in syncs {
            let survived = self.wait(sync)?;
            self.played.syncs_survived += u32::from(killed && survived);
        }
        self.compare()?;
        self.serve()
    }

    /// Records a few entries, one of which may be killed.
    fn record(&mut self, index: usize, round: u32) -> Told<()> {
        for number in 0..=self.dice.below(RECORDED_MAX) {
            let text = format!("round {round} entry {number} of {}", MARKS[index]);
            let mut child = self.devices[index].start(&["note", "EX3", &text])?;
            if self.dice.below(6) == 0 {
                std::thread::park_timeout(Duration::from_millis(self.dice.below(RECORD_KILL_MS_MAX)));
                // What it printed before may have been read by someone: only its end is waited for.
                let _ = child.kill();
            }
            match ended(child)?.code {
                Some(0) => self.told.push(text),
                Some(code) => return Err(format!("a recording failed with {code}")),
                None => self.untold.push(text),
            }
        }
        Ok(())
    }

    /// Kills one server at once, and compares before anything can heal.
    fn kill_server(&mut self) -> Told<()> {
        let which = self.dice.below(self.servers.len() as u64) as usize;
        if which >= self.servers.len() {
            return Ok(());
        }
        self.servers.swap_remove(which).kill();
        self.network.behind(self.servers.iter().map(|server| server.address).collect());
        self.played.servers_killed += 1;
        if let (Planted::AcknowledgedTooEarly, Ledger::Sqlite(file)) = (self.plan.planted, &self.plan.ledger) {
            lose_commits(file, LOST_COMMITS).map_err(|error| error.to_string())?;
        }
        self.compare()
    }

    /// Waits for a sync, not for ever; says whether it ended well.
    fn wait(&mut self, mut sync: Child) -> Told<bool> {
        let mut looks = 0;
        while matches!(sync.try_wait(), Ok(None)) {
            looks += 1;
            if looks > SYNC_LOOKS_MAX {
                end(&mut sync);
                self.played.syncs_killed += 1;
                break;
            }
            std::thread::park_timeout(LOOK);
        }
        let ran = ended(sync)?;
        match ran.code {
            // Done, killed, or no signal: kept locally.
            Some(0 | 75) | None => Ok(ran.code == Some(0)),
            Some(code) => Err(format!("a sync ended with {code}: {}{}", ran.out, ran.err)),
        }
    }

    /// What a device was told is in the ledger is there, at that place. The devices are read first: what comes to the
    /// ledger between is no matter.
    fn compare(&mut self) -> Told<()> {
        let mut told = Vec::new();
        for device in &self.devices {
            told.push((device.mark, acknowledged(&device.home)?));
        }
        let ledger = self.plan.ledger.placed()?;
        if let Some(hole) = (1..=ledger.len() as u64).find(|position| !ledger.contains_key(position)) {
            return Err(format!("the ledger of {} entries has no position {hole}", ledger.len()));
        }
        for (mark, placed) in told {
            for (position, entry) in placed {
                self.played.compared += 1;
                if ledger.get(&position) != Some(&entry) {
                    let there = ledger.get(&position);
                    return Err(format!("{mark} was told that {entry:?} is at {position}; there is {there:?}"));
                }
            }
        }
        Ok(())
    }

    /// A good network, all servers up: everything comes to rest.
    fn heal(&mut self) -> Told<()> {
        self.network.becomes(Mix::default());
        for server in &mut self.servers {
            if !server.runs() {
                return Err("a server ended by itself".to_owned());
            }
        }
        self.serve()?;
        for turn in 0..HEALING_SYNCS_MAX {
            let mut waiting = 0;
            for device in &self.devices {
                let ran = device.run(&["sync"])?;
                let status = device.must(&["--json", "status"])?;
                let status: serde_json::Value = serde_json::from_str(&status).map_err(|error| error.to_string())?;
                waiting += status["waiting"].as_u64().unwrap_or(1) + u64::from(ran.code != Some(0));
            }
            // Once more, for those who synced before the others' entries were there.
            if waiting == 0 && turn > 0 {
                return Ok(());
            }
        }
        Err(format!("after {HEALING_SYNCS_MAX} syncs of each device something still waits"))
    }

    fn judge(&mut self) -> Told<()> {
        self.compare()?;
        self.count("the ledger", &self.plan.ledger.texts()?)?;
        let mut books = Vec::new();
        for device in &self.devices {
            self.count(device.mark, &texts_of(&device.home)?)?;
            device.must(&["doctor"])?;
            books.push(device.must(&["--json", "book", "EX3"])?);
        }
        if books.iter().any(|book| book != &books[0]) {
            return Err("the devices' books differ".to_owned());
        }
        let (code, said) = self.start.operator(&["check"])?;
        if code == 0 { Ok(()) } else { Err(format!("pintle-server check: {code}: {said}")) }
    }

    /// Every entry once, and no other.
    fn count(&self, whose: &str, entries: &[String]) -> Told<()> {
        let mut counts: BTreeMap<String, usize> = BTreeMap::new();
        for entry in entries {
            let value: serde_json::Value = serde_json::from_str(entry).map_err(|error| format!("{entry}: {error}"))?;
            if let Some(text) = value.pointer("/words/text").and_then(|text| text.as_str()) {
                *counts.entry(text.to_owned()).or_default() += 1;
            }
        }
        for text in &self.told {
            match counts.remove(text) {
                Some(1) => {}
                found => return Err(format!("{whose} has {text:?} {} times", found.unwrap_or(0))),
            }
        }
        for text in &self.untold {
            if let Some(count) = counts.remove(text).filter(|count| *count > 1) {
                return Err(format!("{whose} has {text:?} {count} times"));
            }
        }
        match counts.into_iter().next() {
            None => Ok(()),
            Some((text, _)) => Err(format!("{whose} has {text:?}, which nobody recorded")),
        }
    }
}
