//! A device that comes late, or is interrupted while it catches up, ends where one ends that heard everything at once.
//!
//! Promises: the law is held at every position of a ledger in which people correct, strike, disagree and move machines:
//! state(0..p), then the rest, is state(0..n), in everything that the device keeps. What it keeps is compared as it lies
//! in the database of the real program, put there by the program's own way of storing a page.
//!
//! Never a page that the server did not make: pages are cut, not invented.

use super::year::crew::{Crew, machine, moment};
use super::year::device::Device;
use super::year::server::Server;
use pintle::apply::apply;
use pintle::problem::Problem;
use pintle::store::{Glance, Kept, Own, Store, SyncRow, create};
use pintle_core::chain::{DeviceKey, LogHead, Seal};
use pintle_core::device::Apply;
use pintle_core::exchange::{
    ClockSample, Digest, PROTOCOL, PullAsk, PullOutcome, Pulled, SyncReply, SyncRequest, Wanted,
};
use pintle_core::ids::{DeviceId, MachineId, PersonId, RequestId};
use pintle_openapi::endpoints::enrol::EnrolReply;
use std::collections::BTreeMap;
use std::path::Path;

/// Days of work in the ledger.
const DAYS: i64 = 45;
/// Machines that the newcomer wants, of fifty: few, since each of them is folded anew at every position.
const WANTED: u8 = 8;
/// The whole ledger is one page of this size, in bytes.
const PAGE_BYTES: u32 = 524_288;
const KEY: [u8; 32] = [9; 32];

/// All that a device keeps, as its other commands read it.
#[derive(Debug, PartialEq)]
struct Kepts {
    entries: BTreeMap<MachineId, String>,
    of_none: String,
    glances: Vec<Glance>,
    outlooks: BTreeMap<MachineId, Kept>,
    seals: BTreeMap<DeviceId, Vec<Seal>>,
    digest: Digest,
    seen: u64,
}

fn kept(store: &mut Store) -> Kepts {
    let read = store.read(|tx| {
        let glances = tx.machines()?;
        let mut entries = BTreeMap::new();
        for glance in &glances {
            entries.insert(glance.id, format!("{:?}", tx.entries_of(glance.id)?));
        }
        let mut seals = BTreeMap::new();
        for device in tx.logs()? {
            seals.insert(device, tx.seals(device)?);
        }
        Ok(Kepts {
            entries,
            of_none: format!("{:?}", tx.entries_of_none()?),
            glances,
            outlooks: tx.outlooks()?,
            seals,
            digest: tx.enrolled()?.digest,
            seen: tx.own()?.seen,
        })
    });
    told(read)
}

fn told<T>(outcome: Result<T, Problem>) -> T {
    outcome.map_err(|problem| problem.sentence).expect("the database answers")
}

/// A part of the ledger, as a reply brings it.
fn page(reply: &SyncReply, entries: &[Pulled]) -> Apply {
    let ends =
        |seal: &&Seal| entries.iter().any(|pulled| pulled.device == seal.device && pulled.entry.seq() == seal.to);
    let position = entries.last().expect("a page has entries").position;
    Apply {
        void: false,
        rewind: false,
        store: reply.store,
        epoch: reply.epoch,
        baton: reply.baton,
        receipts: Vec::new(),
        asides: Vec::new(),
        carried: None,
        checkpoint: None,
        evidence: None,
        entries: entries.to_vec(),
        seals: reply.pull.seals.iter().filter(ends).cloned().collect(),
        cursor: Some((format!("as far as {position}"), position)),
        machines: None,
        directory: reply.directory.clone(),
        recover: None,
        copied: false,
        bytes_max: PAGE_BYTES,
        now_ms: reply.now_ms,
    }
}

fn wanted() -> Wanted {
    Wanted::only((0..WANTED).map(machine))
}

fn take(store: &mut Store, page: &Apply) {
    told(apply(store, page, Some(&wanted()), 0)).expect("a page that can be true");
}

/// The newcomer's database, new.
fn new(folder: &Path, name: &str, enrolled: &EnrolReply) -> Store {
    let key = DeviceKey::from_secret(&KEY);
    let own = Own {
        device: DeviceId::of_key(&key.public()),
        public_key: key.public(),
        head: LogHead::empty(&key.public()),
        mark: enrolled.mark.clone(),
        person: PersonId([9; 16]),
        last_machine: None,
        seen: 0,
        recover: None,
    };
    let path = folder.join(name);
    told(create(&path, &own, "Ines"));
    let mut store = told(Store::open(&path)).expect("just made");
    let row = SyncRow {
        server: "https://log.example".into(),
        organisation: enrolled.organisation.id,
        organisation_name: enrolled.organisation.name.clone(),
        store: enrolled.store,
        epoch: enrolled.epoch,
        baton: enrolled.baton,
        cursor: None,
        digest: Digest::default(),
        copied: false,
        directory: 0,
        bytes_max: PAGE_BYTES,
        last: None,
        role: Some(enrolled.role),
        wanted: wanted(),
        wanted_told: false,
        held: Wanted::default(),
    };
    told(store.write("enrol", |tx| tx.set_sync(&row)));
    store
}

/// Some days of work by three devices, then what the newcomer is answered to its first exchange.
fn lived() -> (EnrolReply, SyncReply) {
    let mut server = Server::new(moment(0, 4, 0).second());
    let mut devices: Vec<Device> = (1..=3).map(|number| Device::new(number, None, &mut server)).collect();
    let mut crew = Crew::begin(&mut devices[0]);
    devices.iter_mut().for_each(|device| device.sync(&mut server));
    for day in 0..DAYS {
        crew.day(day, &mut devices);
        server.at(moment(day, 19, 10).second());
        devices.iter_mut().for_each(|device| device.sync(&mut server));
    }
    let key = DeviceKey::from_secret(&KEY);
    let person = pintle_core::exchange::Person { id: PersonId([9; 16]), name: "Ines".into() };
    let enrolled = server.enrol(&key, "K9", &person);
    let request = SyncRequest {
        protocol: PROTOCOL,
        request: RequestId([1; 16]),
        organisation: enrolled.organisation.id,
        device: DeviceId::of_key(&key.public()),
        store: enrolled.store,
        epoch: enrolled.epoch,
        baton: enrolled.baton,
        clock: ClockSample { at: moment(DAYS, 5, 0), boot: None, up_s: None },
        log: LogHead::empty(&key.public()),
        push: None,
        carried: None,
        pull: PullAsk { cursor: None, bytes_max: PAGE_BYTES, own: false },
        people: Vec::new(),
        wanted: Some(wanted()),
        digest: Digest::default(),
        checkpoint: None,
        directory: 0,
    };
    let reply = server.sync(&key, request);
    assert_eq!((reply.pull.outcome, reply.pull.more), (PullOutcome::Page, false), "all of it is one page");
    (enrolled, reply)
}

#[test]
fn what_is_kept_is_the_same_wherever_a_newcomer_was_interrupted() {
    let (enrolled, reply) = lived();
    let folder = tempfile::tempdir().expect("a folder");
    let all = &reply.pull.entries;
    assert!(all.len() > 120, "a ledger worth the name: {}", all.len());

    let mut whole = new(folder.path(), "whole", &enrolled);
    take(&mut whole, &page(&reply, all));
    let at_once = kept(&mut whole);
    assert_eq!(at_once.digest, reply.pull.digest, "the device's digest is the server's");
    assert!(
        at_once.glances.iter().any(|glance| glance.open_findings > 0) && at_once.outlooks.len() == usize::from(WANTED)
    );

    // One that is interrupted after every entry; a copy of it, as it lies there, takes the rest at once.
    let mut slow = new(folder.path(), "slow", &enrolled);
    for p in 1..all.len() {
        take(&mut slow, &page(&reply, &all[p - 1..p]));
        let copy = folder.path().join("copy");
        let _ = std::fs::remove_file(&copy);
        let reader = rusqlite::Connection::open(slow.path()).expect("the database");
        reader.execute("VACUUM INTO ?1", [copy.to_str().expect("a path")]).expect("a copy");
        drop(reader);
        let mut copied = told(Store::open(&copy)).expect("just copied");
        take(&mut copied, &page(&reply, &all[p..]));
        assert_eq!(kept(&mut copied), at_once, "interrupted after {p} of {} entries", all.len());
    }
    take(&mut slow, &page(&reply, &all[all.len() - 1..]));
    assert_eq!(kept(&mut slow), at_once, "one entry after the other");
}
