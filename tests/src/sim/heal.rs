//! What happens once all faults have ended: people do what they were told to, and devices sync until nothing is left.
//!
//! Promises: an end. What does not come right within the exchanges allowed is a broken law, told with its device.

use super::oracles::{Failure, Oracle};
use super::world::{Chore, World};
use pintle_core::device::{Notice, Stop};

/// Exchanges a device may need after faults have ended, or after its person did something about it, beside those that
/// the pages of the whole ledger take, and one for each run of another device that it carries.
const EXCHANGES_MAX: u64 = 10;
/// Rounds in which every device syncs once.
const ROUNDS_MAX: usize = 16;

/// Lets everything come right.
#[must_use]
pub fn heal(world: &mut World) -> Vec<Failure> {
    world.calm();
    let mut failures = settle(world);
    if failures.is_empty() && probe_copies(world) {
        failures = settle(world);
    }
    failures
}

/// Syncs every device until a whole round changes nothing.
fn settle(world: &mut World) -> Vec<Failure> {
    let mut needed = vec![0; world.devices.len()];
    let runs = |d: usize| world.devices[d].drive.disk().waiting_counts().into_values().sum::<u64>();
    let carried: Vec<u64> = (0..needed.len()).map(runs).collect();
    for _ in 0..ROUNDS_MAX {
        let mut quiet = true;
        for (d, needed) in needed.iter_mut().enumerate() {
            if world.devices[d].chore != Chore::None {
                quiet = false;
                *needed = 0;
                world.chore(d);
            }
            let before = (state(world, d), world.port.rows());
            let own = world.devices[d].drive.disk().own.device;
            world.devices[d].exchanges = 0;
            let anew = world.devices[d].anew;
            world.sync_whole(d);
            // Whoever wants the machines of a site pulls all of them again when another device moves one there.
            let goes_on = world.devices[d].drive.disk().own.device != own || world.devices[d].anew > anew;
            if before != (state(world, d), world.port.rows()) {
                quiet = false;
                // One that went on under a new key meanwhile, or wants other machines, has begun anew.
                *needed = if goes_on { 0 } else { *needed + world.devices[d].exchanges };
            }
            quiet &= world.devices[d].chore == Chore::None;
            if *needed > EXCHANGES_MAX + world.port.pages() + carried[d] {
                return vec![stuck(world, d, *needed)];
            }
        }
        if quiet {
            return (0..needed.len()).filter(|d| !at_rest(world, *d)).map(|d| stuck(world, d, needed[d])).collect();
        }
    }
    let restless = (0..needed.len()).filter(|d| !at_rest(world, *d));
    let failures: Vec<Failure> = restless.map(|d| stuck(world, d, needed[d])).collect();
    if failures.is_empty() {
        let what = format!("no rest after {ROUNDS_MAX} rounds of all devices");
        return vec![Failure { oracle: Oracle::Liveness, what }];
    }
    failures
}

fn stuck(world: &World, d: usize, exchanges: u64) -> Failure {
    let device = &world.devices[d];
    let disk = device.drive.disk();
    let what = format!(
        "{} is not at rest after {exchanges} exchanges: last stop {:?}, first entry without a place {:?}, log {}, seen {}, to do {:?}",
        device.name,
        device.last_stop,
        disk.first_unplaced(),
        disk.own.head.seq,
        disk.own.seen,
        device.chore,
    );
    Failure { oracle: Oracle::Liveness, what }
}

fn at_rest(world: &World, d: usize) -> bool {
    let device = &world.devices[d];
    let disk = device.drive.disk();
    matches!(device.last_stop, Some(Stop::Done | Stop::Closed))
        && device.chore == Chore::None
        && disk.first_unplaced().is_none()
        && disk.own.recover.is_none()
}

/// What a sync may change on a device, apart from its baton and page size.
fn state(world: &World, d: usize) -> impl PartialEq + use<> {
    let disk = world.devices[d].drive.disk();
    let sync = disk.sync.as_ref();
    (
        disk.own.head,
        disk.own.seen,
        disk.first_unplaced(),
        disk.entries.len(),
        disk.seals.len(),
        sync.map(|sync| (sync.epoch, sync.digest, sync.cursor.clone(), sync.copied)),
    )
}

/// Two copies of one device that both sync must be told, at the latest when one of them has synced three times and then
/// the other: batons before the current one are accepted. Gives whether there were any.
fn probe_copies(world: &mut World) -> bool {
    let mut found = false;
    for a in 0..world.devices.len() {
        for b in a + 1..world.devices.len() {
            let own = world.devices[a].drive.disk().own.device;
            let pair = [a, b].map(|d| &world.devices[d]);
            if pair.iter().any(|device| device.drive.disk().own.device != own || device.gone) {
                continue;
            }
            found = true;
            let heard = world.devices[b].heard.len();
            for d in [a, a, a, b] {
                world.sync_whole(d);
            }
            let device = &world.devices[b];
            if !device.heard[heard..].iter().any(|(_, notice)| matches!(notice, Notice::Copied | Notice::Forked { .. }))
            {
                let what = format!("{} and {} are copies and were not told", world.devices[a].name, device.name);
                world.facts.quiet_copies.push(what);
            }
        }
    }
    found
}
