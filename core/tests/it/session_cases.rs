//! The device's half of sync against a server made of `admit` alone, with a network that loses and repeats.
//!
//! Both ends here are memory; what is tested is the protocol: nothing lost, nothing doubled, and an end to it.

use pintle_core::admit::{self, Admission, Author, Known, Stored};
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::device::{
    Apply, Effect, Input, NetworkFailure, Notice, Outgoing, Refusal, Session, Standing, Stop, check_page,
};
use pintle_core::entry::{Entry, Head, Held};
use pintle_core::exchange::{
    ClockSample, Digest, PROTOCOL, PullAnswer, PullOutcome, Pulled, Push, PushAnswer, PushOutcome, Receipt, SyncReply,
    SyncRequest,
};
use pintle_core::ids::{Baton, DeviceId, Hash, OrganisationId, PersonId, PublicKey, RequestId, StoreId};
use pintle_core::limits::NETWORK_TRIES_MAX;
use pintle_core::moment::Moment;
use pintle_core::permission::Role;
use proptest::prelude::*;
use std::collections::BTreeMap;

mod places;

const ORGANISATION: OrganisationId = OrganisationId([9; 16]);
const NOW_S: i64 = 1_780_000_000;

struct Server {
    store: StoreId,
    epoch: u64,
    ledger: Vec<Held>,
    heads: BTreeMap<DeviceId, (PublicKey, LogHead)>,
    page_entries: usize,
    spoil_digest: bool,
    /// Takes every push for that of a copy.
    sees_copies: bool,
    /// Refuses every cursor.
    refuses_cursors: bool,
}

impl Server {
    fn answer(&mut self, request: &SyncRequest) -> SyncReply {
        let (key, head) = self.heads[&request.device];
        let known_epoch = (request.store, request.epoch) == (self.store, self.epoch);
        let mut log = head;
        let push = match request.push.clone() {
            None if self.sees_copies => PushAnswer::only(PushOutcome::Copy),
            None => PushAnswer::only(PushOutcome::None),
            Some(push) if self.sees_copies => {
                let checked = admit::check(push, &key, &ORGANISATION).expect("a sound push");
                let (held, aside) = admit::receipts(&checked, &self.stored(request.device));
                PushAnswer { held, aside, ..PushAnswer::only(PushOutcome::Copy) }
            }
            Some(push) => {
                let checked = admit::check(push, &key, &ORGANISATION).expect("a sound push");
                let mut stored = self.stored(request.device);
                let known = Known {
                    head,
                    author: Author::Person(Role::Owner),
                    revoked: false,
                    stored: stored.clone(),
                    machine_counts: BTreeMap::new(),
                };
                let admission = admit::admit(&checked, &known, &request.clock, NOW_S * 1000);
                if let Admission::Write { fresh, head, .. } = &admission {
                    for one in fresh {
                        let position = self.ledger.len() as u64 + 1;
                        stored.insert(one.entry.seq(), one.stored(position, NOW_S * 1000));
                        self.ledger.push(one.held(request.device, position, NOW_S * 1000));
                    }
                    self.heads.insert(request.device, (key, *head));
                    log = *head;
                }
                admit::answer(&admission, &checked, false, &stored)
            }
        };
        SyncReply {
            protocol: PROTOCOL,
            request: request.request,
            organisation: ORGANISATION,
            store: self.store,
            epoch: self.epoch,
            now_ms: NOW_S * 1000,
            baton: Baton([1; 16]),
            log,
            push,
            carried: None,
            pull: self.page(request, known_epoch),
            directory: None,
            checkpoint: None,
            blobs_wanted: Vec::new(),
            client_min: "0.0.1".into(),
        }
    }

    fn stored(&self, device: DeviceId) -> BTreeMap<u64, Stored> {
        let own = self.ledger.iter().filter(|h| h.device == device);
        own.map(|h| {
            let stored = Stored {
                link: h.link,
                position: h.position.unwrap_or(0),
                received_ms: h.received_ms.unwrap_or(0),
                off_s: None,
                aside: None,
            };
            (h.entry.seq(), stored)
        })
        .collect()
    }

    fn page(&self, request: &SyncRequest, known_epoch: bool) -> PullAnswer {
        let after: usize = request.pull.cursor.as_ref().map_or(0, |c| c.parse().expect("our cursor"));
        let refused = self.refuses_cursors && request.pull.cursor.is_some();
        if (!known_epoch && request.pull.cursor.is_some()) || after > self.ledger.len() || refused {
            let code = Some(
                if refused {
                    "wanted-changed"
                } else if known_epoch {
                    pintle_core::device::REWRITTEN
                } else {
                    "other-epoch"
                }
                .to_owned(),
            );
            let (entries, seals, digest) = (Vec::new(), Vec::new(), Digest::default());
            let outcome = PullOutcome::Refused;
            return PullAnswer {
                outcome,
                entries,
                seals,
                cursor: None,
                position: 0,
                more: true,
                digest,
                machines: None,
                code,
            };
        }
        let to = (after + self.page_entries).min(self.ledger.len());
        let page = self.ledger[after..to].iter().filter(|h| request.pull.own || h.device != request.device);
        let entries = page
            .map(|h| Pulled {
                position: h.position.unwrap_or(0),
                device: h.device,
                link: h.link,
                received_ms: NOW_S * 1000,
                off_s: None,
                aside: None,
                entry: h.entry.clone(),
            })
            .collect();
        let mut digest = self.ledger[..to].iter().fold(Digest::default(), |d, h| d.with(&h.link));
        if self.spoil_digest {
            digest.sum ^= 1;
        }
        PullAnswer {
            outcome: PullOutcome::Page,
            entries,
            seals: Vec::new(),
            cursor: Some(to.to_string()),
            position: to as u64,
            more: to < self.ledger.len(),
            digest,
            machines: None,
            code: None,
        }
    }
}

struct Device {
    key: DeviceKey,
    standing: Standing,
    held: BTreeMap<(DeviceId, u64), Held>,
    requests: u8,
    notices: Vec<Notice>,
}

impl Device {
    fn new(n: u8, server: &mut Server) -> Self {
        let key = DeviceKey::from_secret(&[n; 32]);
        let id = DeviceId::of_key(&key.public());
        let log = LogHead::empty(&key.public());
        server.heads.insert(id, (key.public(), log));
        let standing = Standing {
            organisation: ORGANISATION,
            device: id,
            store: server.store,
            epoch: server.epoch,
            baton: Baton([0; 16]),
            cursor: None,
            position: 0,
            digest: Digest::default(),
            log,
            first_unplaced: None,
            recover: None,
            copied: false,
            directory: 0,
            bytes_max: 65536,
            carried: BTreeMap::new(),
        };
        Self { key, standing, held: BTreeMap::new(), requests: 0, notices: Vec::new() }
    }

    fn record(&mut self) {
        let seq = self.standing.log.seq + 1;
        let head = Head {
            v: 1,
            seq,
            machine: None,
            mseq: None,
            seen: self.standing.position,
            also_seen: BTreeMap::new(),
            at: Moment::at(NOW_S, 0).expect("in range"),
            by: PersonId([1; 16]),
            kind: "note_left".into(),
            clock: None,
        };
        let entry = Entry::new(&head, serde_json::Map::new(), None, None).expect("a sound entry");
        self.standing.log = self.standing.log.after(&entry);
        let held = Held {
            device: self.standing.device,
            link: self.standing.log.link,
            position: None,
            received_ms: None,
            off_s: None,
            aside: None,
            entry,
        };
        self.held.insert((held.device, seq), held);
        self.restate();
    }

    fn own(&self) -> impl Iterator<Item = &Held> {
        self.held.values().filter(|h| h.device == self.standing.device)
    }

    fn restate(&mut self) {
        let first = self.own().filter(|h| h.position.is_none()).map(|h| h.entry.seq()).min();
        self.standing.first_unplaced = first;
        let to = self.standing.position;
        let placed = self.held.values().filter(|h| h.position.is_some_and(|p| p <= to));
        self.standing.digest = placed.fold(Digest::default(), |d, h| d.with(&h.link));
    }

    fn load(&mut self, from: Option<u64>) -> Outgoing {
        self.requests += 1;
        let entries: Vec<Entry> = from
            .map_or(Vec::new(), |from| self.own().filter(|h| h.entry.seq() >= from).map(|h| h.entry.clone()).collect());
        let push = from.filter(|_| !entries.is_empty()).map(|from| {
            let id = self.standing.device;
            let previous = match from {
                1 => LogHead::empty(&self.key.public()).link,
                _ => self.held[&(id, from - 1)].link,
            };
            let signature = self.key.seal(&ORGANISATION, from, &self.standing.log).signature;
            Push { from, previous, entries, signature }
        });
        let clock = ClockSample { at: Moment::at(NOW_S, 0).expect("in range"), boot: None, up_s: None };
        let request = RequestId([self.requests; 16]);
        Outgoing { request, clock, push, carried: None, people: Vec::new(), wanted: None }
    }

    fn apply(&mut self, apply: &Apply) -> Input {
        let held = |device, seq| self.held.get(&(device, seq)).map(|h: &Held| h.link);
        if let Err(fault) = check_page(&apply.entries, held) {
            return Input::Distrusted(fault);
        }
        let place = |seq| self.held.get(&(self.standing.device, seq)).and_then(|held| held.position);
        let moved = |run: &Receipt| {
            (run.from..=run.to).any(|seq| place(seq).is_some_and(|before| before != run.position + seq - run.from))
        };
        if !apply.void && apply.receipts.iter().any(moved) {
            return Input::Distrusted(places::fault("position-moved"));
        }
        if apply.void {
            self.held.values_mut().for_each(|h| h.position = None);
        }
        if apply.void || apply.rewind {
            self.standing.cursor = None;
            self.standing.position = 0;
        }
        for run in &apply.receipts {
            for seq in run.from..=run.to {
                let held = self.held.get_mut(&(self.standing.device, seq)).expect("own entry");
                held.position = Some(run.position + seq - run.from);
            }
        }
        for pulled in apply.entries.clone() {
            let held = Held::from(pulled);
            if held.device == self.standing.device && held.entry.seq() > self.standing.log.seq {
                self.standing.log = LogHead { seq: held.entry.seq(), link: held.link };
            }
            self.held.insert((held.device, held.entry.seq()), held);
        }
        if let Some((cursor, position)) = &apply.cursor {
            self.standing.cursor = Some(cursor.clone());
            self.standing.position = *position;
        }
        (self.standing.store, self.standing.epoch, self.standing.baton) = (apply.store, apply.epoch, apply.baton);
        self.standing.recover = apply.recover.filter(|to| to.seq > self.standing.log.seq);
        self.standing.copied = apply.copied;
        self.standing.bytes_max = apply.bytes_max;
        self.restate();
        Input::Applied(self.standing.clone())
    }

    /// Runs a session; `fault` says for each request what the network does.
    fn sync(&mut self, server: &mut Server, mut fault: impl FnMut() -> Fault) -> (Stop, Session) {
        let mut session = Session::default();
        let mut queue = session.step(Input::Begin(self.standing.clone()));
        for _ in 0..500 {
            assert!(!queue.is_empty(), "a session neither goes on nor stops");
            let mut inputs = Vec::new();
            for effect in std::mem::take(&mut queue) {
                match effect {
                    Effect::Load { from, .. } => inputs.push(Input::Loaded(self.load(from))),
                    Effect::Send(request) => inputs.push(deliver(server, &request, fault())),
                    Effect::Apply(apply) => inputs.push(self.apply(&apply)),
                    Effect::Tell(notice) => self.notices.push(notice),
                    Effect::Wait { .. } => inputs.push(Input::Waited),
                    Effect::Stop(stop) => return (stop, session),
                }
            }
            queue = inputs.into_iter().flat_map(|input| session.step(input)).collect();
        }
        panic!("a session does not end");
    }

    fn clean_sync(&mut self, server: &mut Server) -> Stop {
        self.sync(server, || Fault::None).0
    }
}

#[derive(Debug, Clone, Copy)]
enum Fault {
    None,
    RequestLost,
    ReplyLost,
    Doubled,
    Portal,
}

fn deliver(server: &mut Server, request: &SyncRequest, fault: Fault) -> Input {
    match fault {
        Fault::RequestLost => Input::Failed(NetworkFailure::TimedOut),
        Fault::Portal => Input::Failed(NetworkFailure::NotOurs),
        Fault::None => Input::Replied(Box::new(server.answer(request))),
        Fault::ReplyLost => {
            server.answer(request);
            Input::Failed(NetworkFailure::TimedOut)
        }
        Fault::Doubled => {
            server.answer(request);
            Input::Replied(Box::new(server.answer(request)))
        }
    }
}

fn server() -> Server {
    Server {
        store: StoreId([5; 16]),
        epoch: 1,
        ledger: Vec::new(),
        heads: BTreeMap::new(),
        page_entries: 4,
        spoil_digest: false,
        sees_copies: false,
        refuses_cursors: false,
    }
}

fn names(server: &Server) -> Vec<(DeviceId, u64)> {
    let mut names: Vec<_> = server.ledger.iter().map(|h| (h.device, h.entry.seq())).collect();
    names.sort_unstable();
    names
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the network does: after healing everything is everywhere, once.
    #[test]
    fn nothing_is_lost_or_doubled(acts in proptest::collection::vec((0..3usize, 0..4u8), 1..40),
                                  faults in proptest::collection::vec(0..5u8, 0..200)) {
        let mut server = server();
        let mut devices: Vec<Device> = (1..=3).map(|n| Device::new(n, &mut server)).collect();
        let mut faults = faults.into_iter();
        let mut recorded = 0;
        for (device, act) in acts {
            if act < 3 {
                devices[device].record();
                recorded += 1;
            } else {
                devices[device].sync(&mut server, || match faults.next() {
                    Some(1) => Fault::RequestLost,
                    Some(2) => Fault::ReplyLost,
                    Some(3) => Fault::Doubled,
                    Some(4) => Fault::Portal,
                    _ => Fault::None,
                });
            }
        }
        for _ in 0..2 {
            for device in &mut devices {
                prop_assert_eq!(device.clean_sync(&mut server), Stop::Done);
            }
        }
        let names = names(&server);
        prop_assert_eq!(names.len(), recorded);
        prop_assert!(names.windows(2).all(|pair| pair[0] < pair[1]));
        for device in &devices {
            let held: Vec<_> = device.held.keys().copied().collect();
            prop_assert_eq!(&held, &names);
            prop_assert!(device.held.values().all(|h| h.position.is_some()));
        }
    }
}

#[test]
fn a_day_of_work_is_one_exchange() {
    let mut server = server();
    server.page_entries = 100;
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    (0..30).for_each(|_| b.record());
    assert_eq!(b.clean_sync(&mut server), Stop::Done);
    (0..20).for_each(|_| a.record());
    let (stop, session) = a.sync(&mut server, || Fault::None);
    assert_eq!(stop, Stop::Done);
    assert_eq!((session.counts.sent, session.counts.received, session.counts.exchanges), (20, 30, 1));
}

#[test]
fn a_lost_tail_is_pulled_back_before_anything_is_pushed() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..5).for_each(|_| device.record());
    device.clean_sync(&mut server);
    // The disk comes back as it was two entries ago.
    let id = device.standing.device;
    device.held.retain(|(_, seq), _| *seq <= 3);
    device.standing.log = LogHead { seq: 3, link: device.held[&(id, 3)].link };
    device.restate();
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert!(device.notices.contains(&Notice::TailLost { here: 3, there: 5 }));
    assert_eq!((device.standing.log.seq, device.standing.recover), (5, None));
    device.record();
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert_eq!(names(&server).len(), 6);
}

#[test]
fn a_restored_server_is_filled_again_from_the_devices() {
    let mut server = server();
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    (0..6).for_each(|_| a.record());
    (0..3).for_each(|_| b.record());
    for _ in 0..2 {
        a.clean_sync(&mut server);
        b.clean_sync(&mut server);
    }
    let copy_of_a = a.standing.device;
    server.ledger.truncate(2);
    server.epoch = 2;
    let key_of = |server: &Server, id: DeviceId| server.heads[&id].0;
    let (key_a, key_b) = (key_of(&server, copy_of_a), key_of(&server, b.standing.device));
    let link_2 = server.ledger[1].link;
    server.heads.insert(copy_of_a, (key_a, LogHead { seq: 2, link: link_2 }));
    server.heads.insert(b.standing.device, (key_b, LogHead::empty(&key_b)));
    for _ in 0..2 {
        assert_eq!(b.clean_sync(&mut server), Stop::Done);
        assert_eq!(a.clean_sync(&mut server), Stop::Done);
    }
    assert!(a.notices.contains(&Notice::LedgerChanged));
    assert_eq!(names(&server).len(), 9);
    assert_eq!((a.held.len(), b.held.len()), (9, 9));
    assert_eq!(a.standing.digest, b.standing.digest);
}

/// The same without anyone having raised the epoch: positions below the device's cursor are taken by other entries.
#[test]
fn a_server_that_quietly_went_back_is_filled_again() {
    let mut server = server();
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    (0..6).for_each(|_| a.record());
    a.clean_sync(&mut server);
    b.clean_sync(&mut server);
    server.ledger.truncate(2);
    let (id, key) = (a.standing.device, a.key.public());
    let link_2 = server.ledger[1].link;
    server.heads.insert(id, (key, LogHead { seq: 2, link: link_2 }));
    (0..3).for_each(|_| b.record());
    for _ in 0..2 {
        assert_eq!(b.clean_sync(&mut server), Stop::Done);
        assert_eq!(a.clean_sync(&mut server), Stop::Done);
    }
    assert!(a.notices.contains(&Notice::LedgerChanged) && b.notices.contains(&Notice::LedgerChanged));
    assert_eq!(names(&server).len(), 9);
    assert_eq!((a.held.len(), b.held.len()), (9, 9));
    assert_eq!(a.standing.digest, b.standing.digest);
}

#[test]
fn a_fork_is_told_and_reading_goes_on() {
    let mut server = server();
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    let mut copy = Device::new(1, &mut server);
    (0..2).for_each(|_| a.record());
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
    copy.standing.position = 7; // what it has seen differs, so its first entry does
    copy.record();
    copy.standing.position = 0;
    b.record();
    b.clean_sync(&mut server);
    assert_eq!(copy.clean_sync(&mut server), Stop::Held);
    assert!(copy.notices.contains(&Notice::Forked { seq: 1 }));
    assert_eq!(copy.own().count(), 1, "its own entry is still there");
    assert_eq!(copy.held.len(), 2, "and the other device's came");
    b.record();
    b.clean_sync(&mut server);
    assert_eq!(copy.clean_sync(&mut server), Stop::Held);
    assert_eq!(copy.held.len(), 3, "reading goes on");
}

/// What the ledger holds has its place, whatever comes after it: only the rest is recorded once more under a new key.
#[test]
fn what_lies_before_a_fork_has_its_place() {
    let mut server = server();
    let mut a = Device::new(1, &mut server);
    let mut copy = Device::new(1, &mut server);
    a.record();
    copy.record();
    a.record();
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
    copy.standing.position = 7;
    (0..2).for_each(|_| copy.record());
    copy.standing.position = 0;
    assert_eq!(copy.clean_sync(&mut server), Stop::Held);
    assert!(copy.notices.contains(&Notice::Forked { seq: 2 }));
    assert_eq!(copy.standing.first_unplaced, Some(2));
}

/// A device that is taken for a copy learns first what of its log the ledger holds.
#[test]
fn a_copy_learns_what_the_ledger_holds() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..3).for_each(|_| device.record());
    let (log, held) = (device.standing.log, device.held.clone());
    device.clean_sync(&mut server);
    let mut copy = Device::new(1, &mut server);
    server.heads.insert(device.standing.device, (device.key.public(), log));
    (copy.standing.log, copy.held) = (log, held);
    copy.restate();
    server.sees_copies = true;
    assert_eq!(copy.clean_sync(&mut server), Stop::Held);
    assert_eq!((copy.standing.copied, copy.standing.first_unplaced), (true, None));
    assert_eq!(copy.notices.iter().filter(|notice| **notice == Notice::Copied).count(), 1, "told once");
}

/// Something was recorded after the tail was lost and before the device could know. It stands under a number that is
/// taken, so waiting for the tail would never end.
#[test]
fn what_was_recorded_on_top_of_a_lost_tail_is_pushed() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..5).for_each(|_| device.record());
    device.clean_sync(&mut server);
    let (id, there) = (device.standing.device, device.standing.log);
    device.held.retain(|(_, seq), _| *seq <= 3);
    device.standing.log = LogHead { seq: 3, link: device.held[&(id, 3)].link };
    device.standing.position = 1;
    device.record();
    device.standing.recover = Some(there);
    assert_eq!(device.clean_sync(&mut server), Stop::Held);
    assert!(device.notices.contains(&Notice::Forked { seq: 4 }));
    assert_eq!((device.standing.recover, device.standing.first_unplaced), (None, Some(4)));
}

/// The server told of entries that this device had lost, and then lost them as well.
#[test]
fn a_tail_that_nobody_holds_is_not_waited_for() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..3).for_each(|_| device.record());
    device.clean_sync(&mut server);
    device.standing.recover = Some(LogHead { seq: 5, link: Hash([7; 32]) });
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert!(device.notices.contains(&Notice::LedgerChanged));
    assert_eq!((device.standing.recover, device.standing.log.seq), (None, 3));
}

#[test]
fn a_cursor_that_is_refused_again_and_again_is_given_up() {
    let mut server = server();
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    (0..20).for_each(|_| b.record());
    b.clean_sync(&mut server);
    server.refuses_cursors = true;
    let (stop, session) = a.sync(&mut server, || Fault::None);
    assert_eq!(stop, Stop::Stalled);
    assert!(session.counts.exchanges < 10, "{:?}", session.counts);
    server.refuses_cursors = false;
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
}

/// A server set up again from an old copy knows only old batons: what it took for a copy of the device was none.
#[test]
fn another_epoch_ends_the_wait_of_a_device_that_was_taken_for_a_copy() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    device.record();
    device.clean_sync(&mut server);
    device.record();
    device.standing.copied = true;
    assert_eq!(device.clean_sync(&mut server), Stop::Held);
    server.epoch += 1;
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert_eq!((device.standing.copied, names(&server).len()), (false, 2));
}

#[test]
fn a_server_that_contradicts_itself_is_not_believed() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    device.record();
    server.spoil_digest = true;
    let stop = device.clean_sync(&mut server);
    assert!(matches!(&stop, Stop::Distrusted(fault) if fault.code == "digest-mismatch"), "{stop:?}");
    assert!(device.notices.contains(&Notice::Repairing));
    server.spoil_digest = false;
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
}

#[test]
fn no_signal_is_no_failure() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    device.record();
    let mut session = Session::default();
    let effects = session.step(Input::Begin(device.standing.clone()));
    assert!(matches!(effects.as_slice(), [Effect::Load { from: Some(1), .. }]));
    session.step(Input::Loaded(device.load(Some(1))));
    let effects = session.step(Input::Failed(NetworkFailure::Unreachable));
    assert_eq!(effects, [Effect::Stop(Stop::NoSignal(NetworkFailure::Unreachable))]);
    assert_eq!(session.step(Input::Waited), [], "an ended session stays ended");
}

#[test]
fn the_link_of_a_page_must_follow_from_what_is_held() {
    let mut server = server();
    let mut a = Device::new(1, &mut server);
    (0..3).for_each(|_| a.record());
    a.clean_sync(&mut server);
    let page = |server: &Server| -> Vec<Pulled> {
        let mut b = Device::new(2, &mut Server { heads: server.heads.clone(), ..self::server() });
        let outgoing = b.load(None);
        let mut session = Session::default();
        session.step(Input::Begin(b.standing.clone()));
        let effects = session.step(Input::Loaded(outgoing));
        let [Effect::Send(request)] = effects.as_slice() else { panic!("a request") };
        server.page(request, true).entries
    };
    let good = page(&server);
    assert_eq!(check_page(&good, |_, _| None), Ok(()));
    let mut altered = good.clone();
    altered[1].link = Hash([1; 32]);
    let fault = check_page(&altered, |_, _| None).expect_err("an altered link");
    assert_eq!((fault.code.as_str(), fault.pointer.as_str()), ("chain-mismatch", "/pull/entries/1"));
    let mut swapped = good;
    swapped.swap(0, 1);
    assert_eq!(check_page(&swapped, |_, _| None).expect_err("swapped").code, "position-order");
}

/// A device that is asked to wait waits as long as it was asked to, then sends the same; asked for longer than a person
/// stands beside it, it stops. Nothing is lost either way.
#[test]
fn a_device_that_is_asked_to_wait_waits_and_keeps_everything() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..3).for_each(|_| device.record());
    let asked = |retry_after_s| {
        let code = "too-many-requests".to_owned();
        Input::Refused(Refusal { code, detail: String::new(), retry_after_s })
    };
    let sent = |device: &mut Device, session: &mut Session, effects: Vec<Effect>| -> SyncRequest {
        let [Effect::Load { from, .. }] = effects[..] else { panic!("{effects:?}") };
        let effects = session.step(Input::Loaded(device.load(from)));
        let [Effect::Send(request)] = &effects[..] else { panic!("{effects:?}") };
        SyncRequest::clone(request)
    };
    let mut session = Session::default();
    let begun = session.step(Input::Begin(device.standing.clone()));
    let first = sent(&mut device, &mut session, begun);
    assert_eq!(session.step(asked(Some(30))), [Effect::Wait { ms: 30_000 }]);
    let waited = session.step(Input::Waited);
    let second = sent(&mut device, &mut session, waited);
    assert_eq!((&first.push, first.baton), (&second.push, second.baton));
    let stopped = session.step(asked(Some(31)));
    assert!(matches!(&stopped[..], [Effect::Stop(Stop::Refused(refusal))] if refusal.retry_after_s == Some(31)));
    // Asked again and again, it stops too: somebody who keeps asking a busy server makes it busier.
    let mut session = Session::default();
    let mut effects = session.step(Input::Begin(device.standing.clone()));
    for _ in 1..NETWORK_TRIES_MAX {
        sent(&mut device, &mut session, effects);
        assert_eq!(session.step(asked(Some(1))), [Effect::Wait { ms: 1_000 }]);
        effects = session.step(Input::Waited);
    }
    sent(&mut device, &mut session, effects);
    assert!(matches!(&session.step(asked(Some(1)))[..], [Effect::Stop(Stop::Refused(_))]));
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert_eq!(names(&server), [1, 2, 3].map(|seq| (device.standing.device, seq)));
}
