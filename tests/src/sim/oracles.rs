//! What must be true once all faults have ended: one function for each law.
//!
//! Promises: each looks at the whole world and names what is wrong and where. Never changes anything.

use super::disk::{Disk, Row};
use super::port::{Port, block_on};
use super::record::recording;
use super::world::{Device, ORGANISATION, World};
use pintle_core::book::book;
use pintle_core::chain::{LogHead, Seal, link, verify_seal};
use pintle_core::device::{Notice, Stop};
use pintle_core::entry::{EntryRef, Held};
use pintle_core::exchange::{Digest, Wanted};
use pintle_core::ids::{DeviceId, Hash, MachineId, PublicKey};
use pintle_store::{PageAsk, Store as _};
use std::collections::{BTreeMap, BTreeSet};

/// The laws.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Oracle {
    /// O1: every acknowledged entry, or one in any surviving log, is on the server.
    NothingLost,
    /// O2: nothing is counted twice.
    NothingTwice,
    /// O3: equal wanted sets, equal digests.
    SameDigests,
    /// O4: what a device holds is what the server holds up to its cursor, and up to what it says it has seen.
    SameAsServer,
    /// O5: every fork and every step back is told, and nothing is told without a cause.
    Told,
    /// O6: all queues are empty within ten exchanges of each device.
    Liveness,
    /// O7: all chains and seals verify.
    Proofs,
    /// O8: the same state for every order of arrival.
    AnyOrder,
}

/// A law that was broken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// Which.
    pub oracle: Oracle,
    /// What and where.
    pub what: String,
}

/// Most failures of one law that are listed.
const LISTED_MAX: usize = 6;

/// The ledger and what is kept beside it.
#[derive(Debug, Clone, Default)]
pub struct Ledger {
    /// In order of position.
    pub rows: Vec<Held>,
    /// The seals.
    pub seals: Vec<Seal>,
    /// Names and links of entries in branches.
    pub branches: BTreeSet<(EntryRef, Hash)>,
    /// Keys by device.
    pub keys: BTreeMap<DeviceId, PublicKey>,
}

/// Everything that the database holds.
#[must_use]
pub fn ledger(port: &Port) -> Ledger {
    let memory = port.memory().copy();
    block_on(async {
        let ask = PageAsk {
            after: 0,
            bytes_max: usize::MAX,
            rows_max: usize::MAX,
            wanted: Wanted::default(),
            except: None,
            whole_log_of: None,
        };
        let Ok(page) = memory.page(ORGANISATION, &ask).await else { return Ledger::default() };
        let mut branches = BTreeSet::new();
        for branch in memory.branches(ORGANISATION).await.unwrap_or_default() {
            let entries = memory.branch_entries(ORGANISATION, branch.device, branch.from, branch.link).await;
            for kept in entries.unwrap_or_default() {
                branches.insert((EntryRef { device: branch.device, seq: kept.entry.seq() }, kept.link));
            }
        }
        let directory = memory.directory(ORGANISATION, 0).await.ok().flatten().unwrap_or_default();
        let keys = directory.devices.into_iter().map(|card| (card.id, card.key)).collect();
        Ledger { rows: page.entries, seals: page.seals, branches, keys }
    })
}

/// Every law, over the whole world.
#[must_use]
pub fn judge(world: &mut World) -> Vec<Failure> {
    let ledger = ledger(&world.port);
    let mut failures = Vec::new();
    let mut add = |oracle: Oracle, complaints: Vec<String>| {
        failures.extend(complaints.into_iter().take(LISTED_MAX).map(|what| Failure { oracle, what }));
    };
    add(Oracle::NothingLost, nothing_lost(world, &ledger));
    add(Oracle::NothingTwice, nothing_twice(world, &ledger));
    add(Oracle::SameDigests, same_digests(world, &ledger));
    add(Oracle::SameAsServer, same_as_server(world, &ledger));
    add(Oracle::Told, told(world, &ledger));
    add(Oracle::Proofs, proofs(world, &ledger));
    add(Oracle::AnyOrder, any_order(world, &ledger));
    failures
}

/// The first characters of a device's id.
#[must_use]
pub fn brief(device: &DeviceId) -> String {
    device.to_string().chars().take(6).collect()
}

fn named(name: &EntryRef) -> String {
    format!("{}-{}", brief(&name.device), name.seq)
}

/// Devices that are with the server, and have heard all of it.
fn in_step(world: &World) -> impl Iterator<Item = &Device> {
    world.devices.iter().filter(|device| device.last_stop == Some(Stop::Done) && device.drive.disk().sync.is_some())
}

/// O1.
fn nothing_lost(world: &World, ledger: &Ledger) -> Vec<String> {
    let mut kept: BTreeSet<(EntryRef, Hash)> = ledger.rows.iter().map(|held| (held.name(), held.link)).collect();
    let recordings: BTreeSet<u64> = ledger.rows.iter().filter_map(|held| recording(&held.entry)).collect();
    kept.extend(ledger.branches.iter().copied());
    let mut complaints = carried_lost(world, ledger, &kept);
    for (name, link) in world.facts.acknowledged.difference(&kept) {
        complaints.push(format!("entry {} ({}) was acknowledged and is not on the server", named(name), short(link)));
    }
    for device in &world.devices {
        let disk = device.drive.disk();
        let apart = |(name, row): &(&EntryRef, &Row)| !kept.contains(&(**name, row.link));
        for (name, _) in disk.log(disk.own.device, 1).filter(apart) {
            complaints.push(format!("{} holds its entry {} and the server does not", device.name, named(name)));
        }
        for gone in disk.given_up.iter().filter(|gone| gone.recording.is_some_and(|n| !recordings.contains(&n))) {
            let name = named(&gone.name);
            complaints.push(format!("{} gave up {name}, and what it said is not in the ledger", device.name));
        }
    }
    complaints
}

/// What came by carry to a device that is in step is on the server too, whatever became of the device that made it; but
/// for what follows entries that nobody has.
fn carried_lost(world: &World, ledger: &Ledger, kept: &BTreeSet<(EntryRef, Hash)>) -> Vec<String> {
    let mut ends: BTreeMap<DeviceId, u64> = BTreeMap::new();
    for held in &ledger.rows {
        let end = ends.entry(held.device).or_default();
        *end = held.entry.seq().max(*end);
    }
    let mut complaints = Vec::new();
    for device in in_step(world) {
        let came = &device.drive.disk().came;
        for (name, _) in came.iter().filter(|(name, link)| !kept.contains(&(**name, **link))) {
            let end = ends.get(&name.device).copied().unwrap_or(0);
            let follows = (end + 1..name.seq).all(|seq| came.contains_key(&EntryRef { device: name.device, seq }));
            if follows && ledger.keys.contains_key(&name.device) {
                complaints.push(format!("{} came to {} by carry and is not on the server", named(name), device.name));
            }
        }
    }
    complaints
}

fn short(link: &Hash) -> String {
    format!("{:016x}", link.prefix())
}

/// O2.
fn nothing_twice(world: &World, ledger: &Ledger) -> Vec<String> {
    let mut complaints = Vec::new();
    let mut names = BTreeSet::new();
    let mut works: BTreeMap<u64, EntryRef> = BTreeMap::new();
    for (index, held) in ledger.rows.iter().enumerate() {
        if held.position != Some(index as u64 + 1) {
            complaints.push(format!("the ledger's entry {} has position {:?}", index + 1, held.position));
        }
        if !names.insert(held.name()) {
            complaints.push(format!("{} is in the ledger twice", named(&held.name())));
        }
        let work = recording(&held.entry).filter(|n| held.aside.is_none() && !world.facts.shared.contains(n));
        if let Some(work) = work
            && let Some(first) = works.insert(work, held.name())
        {
            let (first, second) = (named(&first), named(&held.name()));
            complaints.push(format!("recording {work} counts twice: as {first} and as {second}"));
        }
    }
    complaints
}

fn machine_of(held: &Held) -> Option<MachineId> {
    held.entry.head().ok().and_then(|head| head.machine)
}

/// The machines of each site at the end of the ledger.
fn sites(ledger: &Ledger) -> BTreeMap<String, BTreeSet<MachineId>> {
    let mut by_machine: BTreeMap<MachineId, Vec<Held>> = BTreeMap::new();
    for held in &ledger.rows {
        if let Some(machine) = machine_of(held) {
            by_machine.entry(machine).or_default().push(held.clone());
        }
    }
    let mut sites: BTreeMap<String, BTreeSet<MachineId>> = BTreeMap::new();
    for (machine, held) in by_machine {
        let book = book(machine, &held);
        if let Some(site) = book.attributes.get("site").and_then(|said| said.value.as_str()) {
            sites.entry(site.to_owned()).or_default().insert(machine);
        }
    }
    sites
}

/// The machines that a device wants, as the ledger has them.
fn wanted(disk: &Disk, sites: &BTreeMap<String, BTreeSet<MachineId>>) -> Wanted {
    disk.wanted.with_sites_as(disk.wanted.sites.iter().filter_map(|site| sites.get(site)).flatten().copied())
}

/// O3.
fn same_digests(world: &World, ledger: &Ledger) -> Vec<String> {
    let mut complaints = Vec::new();
    let sites = sites(ledger);
    for device in in_step(world) {
        let disk = device.drive.disk();
        let Some(sync) = &disk.sync else { continue };
        let wanted = wanted(disk, &sites);
        let rows = ledger.rows.iter().filter(|held| wanted.takes(machine_of(held)));
        let there = rows.fold(Digest::default(), |digest, held| digest.with(&held.link));
        if sync.digest != there || disk.own.seen != ledger.rows.len() as u64 {
            complaints.push(format!(
                "{} counts {} entries up to {}, the server {} up to {}",
                device.name,
                sync.digest.count,
                disk.own.seen,
                there.count,
                ledger.rows.len()
            ));
        }
    }
    complaints
}

/// O4.
fn same_as_server(world: &World, ledger: &Ledger) -> Vec<String> {
    let mut complaints = world.facts.unfounded.clone();
    let sites = sites(ledger);
    for device in in_step(world) {
        let disk = device.drive.disk();
        let cursor = usize::try_from(disk.own.seen).unwrap_or(usize::MAX);
        let wanted = wanted(disk, &sites);
        for held in ledger.rows.iter().take(cursor).filter(|held| wanted.takes(machine_of(held))) {
            let row = disk.entries.get(&held.name());
            let position = row.and_then(|row| row.placed.as_ref()).map(|placed| placed.position);
            if row.map(|row| row.link) != Some(held.link) || position != held.position {
                let name = named(&held.name());
                complaints
                    .push(format!("{} has {name} at {position:?}, the server at {:?}", device.name, held.position));
            }
        }
        for (position, name) in &disk.at {
            let row = usize::try_from(*position).ok().and_then(|p| ledger.rows.get(p.checked_sub(1)?));
            if row.map(Held::name) != Some(*name) {
                complaints.push(format!("{} has {} at {position}, the server has not", device.name, named(name)));
            }
        }
    }
    complaints
}

/// O5.
fn told(world: &World, ledger: &Ledger) -> Vec<String> {
    let mut complaints = Vec::new();
    let inside: BTreeSet<(EntryRef, Hash)> = ledger.rows.iter().map(|held| (held.name(), held.link)).collect();
    for device in &world.devices {
        let back = |notice: &Notice| {
            matches!(
                notice,
                Notice::TailLost { .. }
                    | Notice::Forked { .. }
                    | Notice::Copied
                    | Notice::LedgerChanged
                    | Notice::Revoked
            )
        };
        let reached = matches!(device.last_stop, Some(Stop::Done | Stop::Held));
        for expected in device.expected.iter().filter(|_| reached) {
            let link = |position: u64| ledger.rows.get(usize::try_from(position - 1).ok()?).map(|held| held.link);
            let beyond = &expected.beyond;
            let same = !beyond.is_empty() && beyond.iter().all(|(position, was)| link(*position) == Some(*was));
            if !same && !device.heard[expected.after..].iter().any(|(_, notice)| back(notice)) {
                complaints.push(format!("{} was never told that {}", device.name, expected.why));
            }
        }
        let disk = device.drive.disk();
        let apart = disk.log(disk.own.device, 1).find(|(name, row)| !inside.contains(&(**name, row.link)));
        let copies = |(of, notice): &(DeviceId, Notice)| {
            *of == disk.own.device && matches!(notice, Notice::Forked { .. } | Notice::Copied)
        };
        if let Some((name, _)) = apart.filter(|_| reached && !device.heard.iter().any(copies)) {
            complaints.push(format!("{} was never told that its {} is not in the ledger", device.name, named(name)));
        }
        if !world.facts.upheaval {
            for (_, notice) in device.heard.iter().filter(|(_, notice)| back(notice) && *notice != Notice::Revoked) {
                complaints.push(format!("{} was told without a cause: {notice:?}", device.name));
            }
        }
    }
    complaints.extend(world.facts.quiet_copies.iter().cloned());
    complaints.extend(world.facts.repairs.iter().map(|name| format!("{name} was told of a repair without a cause")));
    complaints.extend(world.facts.distrusted.iter().map(|what| format!("distrusted without a cause: {what}")));
    complaints
}

/// O7.
fn proofs(world: &World, ledger: &Ledger) -> Vec<String> {
    let mut complaints = Vec::new();
    let mut heads: BTreeMap<DeviceId, LogHead> = BTreeMap::new();
    for held in &ledger.rows {
        let Some(key) = ledger.keys.get(&held.device) else {
            complaints.push(format!("{} is of a device nobody knows", named(&held.name())));
            continue;
        };
        let head = heads.entry(held.device).or_insert_with(|| LogHead::empty(key));
        if held.entry.seq() != head.seq + 1 || link(&head.link, &held.entry) != held.link {
            complaints.push(format!(
                "{} does not follow from {} before it in the ledger",
                named(&held.name()),
                head.seq
            ));
        }
        *head = LogHead { seq: held.entry.seq(), link: held.link };
    }
    complaints.extend(sealed("the server", &heads, ledger.seals.iter(), &ledger.keys));
    for device in in_step(world).filter(|device| device.drive.disk().wanted.is_all()) {
        let disk = device.drive.disk();
        let mut others = heads.clone();
        others.remove(&disk.own.device);
        complaints.extend(sealed(&device.name, &others, disk.seals.values(), &ledger.keys));
        complaints.extend(chained(device, disk));
    }
    complaints
}

/// Whether the end of each log is under a seal of its device.
fn sealed<'a>(
    whose: &str,
    heads: &BTreeMap<DeviceId, LogHead>,
    seals: impl Iterator<Item = &'a Seal>,
    keys: &BTreeMap<DeviceId, PublicKey>,
) -> Vec<String> {
    let mut complaints = Vec::new();
    let mut ends: BTreeSet<(DeviceId, u64, Hash)> = BTreeSet::new();
    for seal in seals {
        // A device that nobody knows any more was let in in a ledger that has gone back since.
        if keys.get(&seal.device).is_some_and(|key| !verify_seal(key, &ORGANISATION, seal)) {
            complaints.push(format!("{whose} holds a seal of {} that does not verify", brief(&seal.device)));
        }
        ends.insert((seal.device, seal.to, seal.link));
    }
    for (device, head) in heads.iter().filter(|(device, head)| !ends.contains(&(**device, head.seq, head.link))) {
        complaints.push(format!("{whose} holds no seal over {}-{}", brief(device), head.seq));
    }
    complaints
}

/// Whether every log on a device is one chain, where it is held without a hole.
fn chained(device: &Device, disk: &Disk) -> Vec<String> {
    let mut complaints = Vec::new();
    for (name, row) in &disk.entries {
        let before = EntryRef { device: name.device, seq: name.seq - 1 };
        if let Some(before) = disk.entries.get(&before)
            && link(&before.link, &row.entry) != row.link
        {
            complaints.push(format!("{} holds {} which does not follow", device.name, named(name)));
        }
    }
    complaints
}

/// O8.
fn any_order(world: &mut World, ledger: &Ledger) -> Vec<String> {
    let mut complaints = Vec::new();
    let machines: BTreeSet<MachineId> = ledger.rows.iter().filter_map(machine_of).collect();
    let mut chance = world.chance.clone();
    let whole: Vec<&Device> = in_step(world).filter(|device| device.drive.disk().wanted.is_all()).collect();
    let chosen = chance.pick(&whole).copied();
    for machine in machines {
        let there: Vec<Held> = ledger.rows.iter().filter(|held| machine_of(held) == Some(machine)).cloned().collect();
        let expected = book(machine, &there);
        if book(machine, &chance.shuffled(&there)) != expected {
            complaints.push(format!("the book of {machine} depends on the order of its entries"));
        }
        if let Some(device) = chosen {
            let disk = device.drive.disk();
            let here = disk.entries.iter().filter(|(_, row)| row.machine == Some(machine) && row.placed.is_some());
            let here: Vec<Held> = here.map(|(name, row)| Disk::held(name, row)).collect();
            if book(machine, &here) != expected {
                complaints.push(format!("the book of {machine} on {} is not the server's", device.name));
            }
        }
    }
    complaints
}
