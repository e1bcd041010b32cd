//! The simulator: devices, servers and everything that can go wrong between them, in one thread, from one seed.
//!
//! Promises: the same seed is the same run, to the last message. The devices run `pintle_core::device`, the servers
//! `pintle_server::app` over the storage port; only disks, network, clocks and people are simulated. When the faults of
//! a run have ended, everything must come right within ten exchanges of each device, and the laws of [`oracles`] hold.
//!
//! Never: a thread, a socket, a file, the system's clock or randomness.

pub mod bugs;
mod carry;
pub mod chance;
pub mod disk;
pub mod faults;
pub mod heal;
mod network;
pub mod oracles;
mod people;
pub mod port;
pub mod record;
mod session;
mod upheaval;
pub mod world;

use bugs::Bug;
use oracles::{Failure, Oracle};
use std::collections::BTreeMap;
use world::World;

/// What came of a run.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// The seed.
    pub seed: u64,
    /// The mistake that was built in, if any.
    pub bug: Option<Bug>,
    /// Laws that were broken.
    pub failures: Vec<Failure>,
    /// How often each act was carried out.
    pub acts: BTreeMap<&'static str, u64>,
    /// What happened, if it was kept.
    pub trace: Vec<String>,
}

/// Whether what happens is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trace {
    /// It is not.
    None,
    /// Line by line.
    Kept,
}

/// Steps of a run before its faults end, at least and at most.
const STEPS: (usize, usize) = (120, 500);

/// A power cut that strikes everything at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PowerCut {
    /// After how many steps of the run; later than its last one, it does not come.
    pub after: usize,
    /// So many of the server's last writes are gone, which its disk had said were written.
    pub writes_lost: usize,
}

/// One run.
#[must_use]
pub fn run(seed: u64, bug: Option<Bug>, trace: Trace) -> Outcome {
    play(seed, bug, trace, None)
}

/// One short run with a power cut.
#[must_use]
pub fn run_cut(seed: u64, cut: PowerCut) -> Outcome {
    play(seed, None, Trace::None, Some(cut))
}

fn play(seed: u64, bug: Option<Bug>, trace: Trace, cut: Option<PowerCut>) -> Outcome {
    let mut world = World::new(seed, bug);
    world.trace = (trace == Trace::Kept).then(Vec::new);
    world.remembers_unsynced |= cut.is_some();
    let steps = STEPS.0 + world.chance.below(STEPS.1 - STEPS.0);
    // Each step of a short run is cut in a run of its own.
    let steps = if cut.is_some() { STEPS.0 } else { steps };
    for step in 0..steps {
        if let Some(cut) = cut.filter(|cut| cut.after == step) {
            world.power_cut(cut.writes_lost);
        }
        world.step();
    }
    let mut failures = heal::heal(&mut world);
    failures.extend(oracles::judge(&mut world));
    Outcome { seed, bug, failures, acts: world.facts.acts, trace: world.trace.unwrap_or_default() }
}

/// The first of so many seeds in which the oracle that must catch a mistake does.
#[must_use]
pub fn caught(bug: Bug, oracle: Oracle, seeds: u64) -> Option<u64> {
    (0..seeds).find(|seed| run(*seed, Some(bug), Trace::None).failures.iter().any(|f| f.oracle == oracle))
}

impl Outcome {
    /// What is wrong, with the command that shows how it came to that.
    #[must_use]
    pub fn report(&self) -> String {
        let failures: Vec<String> = self.failures.iter().map(|f| format!("  {:?}: {}", f.oracle, f.what)).collect();
        let mistake = self.bug.map_or_else(String::new, |bug| format!(" --mistake {bug:?}"));
        format!("seed {0}:\n{1}\n  simulate --seed {0} --trace{mistake}", self.seed, failures.join("\n"))
    }
}
