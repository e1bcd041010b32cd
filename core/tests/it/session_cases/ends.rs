//! Both ends in memory: a server made of `admit` alone, a device made of its session, and what the network does between.
//!
//! Promises: nothing of the protocol is done here a second time; the faults are those of a network, never of the ends.

use pintle_core::admit::{self, Admission, Author, Known, Stored};
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::device::{
    Apply, Effect, Input, NetworkFailure, Notice, Outgoing, Session, Standing, Stop, check_page,
};
use pintle_core::entry::{Entry, Head, Held};
use pintle_core::exchange::{
    CheckpointHeld, CheckpointShown, ClockSample, Digest, PROTOCOL, PullAnswer, PullOutcome, Pulled, Push, PushAnswer,
    PushOutcome, Receipt, SyncReply, SyncRequest,
};
use pintle_core::ids::{Baton, DeviceId, OrganisationId, PersonId, PublicKey, RequestId, StoreId};
use pintle_core::moment::Moment;
use pintle_core::permission::Role;
use pintle_core::proof::checkpoint::CheckpointKey;
use pintle_core::proof::merkle::{Plan, leaf_hash};
use pintle_core::proof::tile::{Growing, Tiles, node_in};
use pintle_core::proof::watch::NotShown;
use std::collections::BTreeMap;

pub(super) const ORGANISATION: OrganisationId = OrganisationId([9; 16]);
pub(super) const NOW_S: i64 = 1_780_000_000;

pub(super) struct Server {
    pub(super) store: StoreId,
    pub(super) epoch: u64,
    pub(super) ledger: Vec<Held>,
    pub(super) heads: BTreeMap<DeviceId, (PublicKey, LogHead)>,
    pub(super) page_entries: usize,
    pub(super) spoil_digest: bool,
    /// Takes every push for that of a copy.
    pub(super) sees_copies: bool,
    /// Refuses every cursor.
    pub(super) refuses_cursors: bool,
    /// With which secret checkpoints are signed, and for which epoch after the true one; none if nobody signs.
    pub(super) signs: Option<(u8, u64)>,
}

impl Server {
    pub(super) fn answer(&mut self, request: &SyncRequest) -> SyncReply {
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
            checkpoint: request.checkpoint.and_then(|held| self.shown(held)),
            blobs_wanted: Vec::new(),
            client_min: "0.0.1".into(),
        }
    }

    /// The checkpoint over the whole ledger, if it is another than of that size. Honest, as far as what stands there now.
    fn shown(&self, held: CheckpointHeld) -> Option<CheckpointShown> {
        let (secret, later) = self.signs?;
        let by = CheckpointKey::new(&[secret; 32], ORGANISATION, self.epoch + later);
        let mut tree = Growing::new(0, Tiles::new()).expect("an empty tree");
        for held in &self.ledger {
            tree.push(leaf_hash(&[&held.link.0[..], &held.received_ms.unwrap_or(0).to_be_bytes()].concat()));
        }
        let (size, root, tiles) = (self.ledger.len() as u64, tree.root(), tree.changed());
        let proof = Plan::consistency(held.size, size).and_then(|plan| plan.read(|node| node_in(&tiles, node)));
        let shown = CheckpointShown { note: by.sign(size, root), key: by.public(), proof: proof.unwrap_or_default() };
        (size > 0 && held.root != Some(root)).then_some(shown)
    }

    pub(super) fn stored(&self, device: DeviceId) -> BTreeMap<u64, Stored> {
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

    pub(super) fn page(&self, request: &SyncRequest, known_epoch: bool) -> PullAnswer {
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

pub(super) struct Device {
    pub(super) key: DeviceKey,
    pub(super) standing: Standing,
    pub(super) held: BTreeMap<(DeviceId, u64), Held>,
    pub(super) requests: u8,
    pub(super) notices: Vec<Notice>,
    pub(super) evidence: Option<(NotShown, CheckpointShown)>,
}

impl Device {
    pub(super) fn new(n: u8, server: &mut Server) -> Self {
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
            checkpoint: None,
        };
        Self { key, standing, held: BTreeMap::new(), requests: 0, notices: Vec::new(), evidence: None }
    }

    pub(super) fn record(&mut self) {
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

    pub(super) fn own(&self) -> impl Iterator<Item = &Held> {
        self.held.values().filter(|h| h.device == self.standing.device)
    }

    pub(super) fn restate(&mut self) {
        let first = self.own().filter(|h| h.position.is_none()).map(|h| h.entry.seq()).min();
        self.standing.first_unplaced = first;
        let to = self.standing.position;
        let placed = self.held.values().filter(|h| h.position.is_some_and(|p| p <= to));
        self.standing.digest = placed.fold(Digest::default(), |d, h| d.with(&h.link));
    }

    pub(super) fn load(&mut self, from: Option<u64>) -> Outgoing {
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

    pub(super) fn apply(&mut self, apply: &Apply) -> Input {
        let held = |device, seq| self.held.get(&(device, seq)).map(|h: &Held| h.link);
        if let Err(fault) = check_page(&apply.entries, held) {
            return Input::Distrusted(fault);
        }
        let place = |seq| self.held.get(&(self.standing.device, seq)).and_then(|held| held.position);
        let moved = |run: &Receipt| {
            (run.from..=run.to).any(|seq| place(seq).is_some_and(|before| before != run.position + seq - run.from))
        };
        if !apply.void && apply.receipts.iter().any(moved) {
            return Input::Distrusted(super::places::fault("position-moved"));
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
        if (self.standing.store, self.standing.epoch) != (apply.store, apply.epoch) {
            self.standing.checkpoint = None;
        }
        (self.standing.store, self.standing.epoch, self.standing.baton) = (apply.store, apply.epoch, apply.baton);
        self.standing.recover = apply.recover.filter(|to| to.seq > self.standing.log.seq);
        self.standing.copied = apply.copied;
        self.standing.checkpoint = apply.checkpoint.clone().or(self.standing.checkpoint.take());
        self.evidence = apply.evidence.clone().or(self.evidence.take());
        self.standing.bytes_max = apply.bytes_max;
        self.restate();
        Input::Applied(self.standing.clone())
    }

    /// Runs a session; `fault` says for each request what the network does.
    pub(super) fn sync(&mut self, server: &mut Server, mut fault: impl FnMut() -> Fault) -> (Stop, Session) {
        let mut session = Session::default();
        let mut queue = session.step(Input::Begin(self.standing.clone()));
        for _ in 0..500 {
            assert!(!queue.is_empty(), "a session neither goes on nor stops");
            let mut inputs = Vec::new();
            for effect in std::mem::take(&mut queue) {
                match effect {
                    Effect::Load { from, .. } => inputs.push(Input::Loaded(Box::new(self.load(from)))),
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

    pub(super) fn clean_sync(&mut self, server: &mut Server) -> Stop {
        self.sync(server, || Fault::None).0
    }
}

#[derive(Debug, Clone, Copy)]
pub(super) enum Fault {
    None,
    RequestLost,
    ReplyLost,
    Doubled,
    Portal,
}

pub(super) fn deliver(server: &mut Server, request: &SyncRequest, fault: Fault) -> Input {
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

pub(super) fn server() -> Server {
    Server {
        store: StoreId([5; 16]),
        epoch: 1,
        ledger: Vec::new(),
        heads: BTreeMap::new(),
        page_entries: 4,
        spoil_digest: false,
        sees_copies: false,
        refuses_cursors: false,
        signs: None,
    }
}

pub(super) fn names(server: &Server) -> Vec<(DeviceId, u64)> {
    let mut names: Vec<_> = server.ledger.iter().map(|h| (h.device, h.entry.seq())).collect();
    names.sort_unstable();
    names
}
