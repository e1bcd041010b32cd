//! The device's half of sync, without input or output: `step(state, input) -> effects`.
//!
//! Promises: no state waits without an end; the same bytes may be sent again at any time; a page, its cursor and its
//! baton are stored in one transaction or not at all; work that makes no progress stops and says so. The caller runs
//! the effects (database, network, clock) and reports each back as the next input.
//!
//! Never refuses to record: recording does not pass through here. The one thing that must wait is recording under a
//! log whose tail was lost, until it has been pulled back; see [`Standing::recover`].

use crate::chain::{LogHead, link};
use crate::exchange::{
    CarriedAnswer, CheckpointHeld, CheckpointShown, Digest, PROTOCOL, PullAnswer, PullAsk, PullOutcome, Pulled,
    PushAnswer, PushOutcome, SyncReply, SyncRequest,
};
use crate::fault::Fault;
use crate::ids::{DeviceId, RequestId, StoreId};
use crate::limits::{
    ASKED_WAIT_S_MAX, NETWORK_TRIES_MAX, PAGE_BYTES_MAX, PAGE_BYTES_MIN, PUSH_ENTRIES_MAX, STALLED_EXCHANGES_MAX,
};
use crate::proof::checkpoint::origin;
use crate::proof::watch::{HeldCheckpoint, NotShown, Watched, watch};
use std::collections::{BTreeMap, BTreeSet};

mod steps;

pub use steps::{Apply, Counts, Effect, Input, NetworkFailure, Notice, Outgoing, Refusal, Standing, Stop};

/// Codes of faults that say that a place in the ledger is another one than it was, or is taken by another entry.
pub const MOVED: [&str; 2] = ["position-moved", "position-taken"];

/// Code of a refused cursor whose place in the ledger holds something else than it did.
pub const REWRITTEN: &str = "rewritten";

/// A sync session.
#[derive(Debug, Clone)]
pub struct Session {
    phase: Phase,
    standing: Option<Standing>,
    rewind_push: Option<u64>,
    network_tries: u32,
    stalled: u32,
    rewinds: u32,
    repaired: bool,
    moved: bool,
    closed: bool,
    rewritten: Option<NotShown>,
    refused: bool,
    progress: bool,
    expected: Option<(u64, Digest)>,
    more: bool,
    carried_sent: Option<(DeviceId, LogHead)>,
    carried_stays: BTreeSet<DeviceId>,
    /// What has been done so far.
    pub counts: Counts,
}

#[derive(Debug, Clone, PartialEq)]
enum Phase {
    Idle,
    Loading,
    Sending { request: RequestId, sent: Sent },
    Applying,
    Waiting,
    Ended,
}

/// What becomes of the places in the ledger when all is pulled again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Places {
    Kept,
    Forgotten,
}

/// What a request said, as far as its reply is measured by it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Sent {
    log: LogHead,
    epoch: (StoreId, u64),
    /// The last entry pushed.
    push_to: Option<u64>,
}

impl Default for Session {
    fn default() -> Self {
        Self {
            phase: Phase::Idle,
            standing: None,
            rewind_push: None,
            network_tries: 0,
            stalled: 0,
            rewinds: 0,
            repaired: false,
            moved: false,
            closed: false,
            rewritten: None,
            refused: false,
            progress: false,
            expected: None,
            more: true,
            carried_sent: None,
            carried_stays: BTreeSet::new(),
            counts: Counts::default(),
        }
    }
}

impl Session {
    /// One step. An input that does not belong to the phase is answered with nothing.
    pub fn step(&mut self, input: Input) -> Vec<Effect> {
        match (std::mem::replace(&mut self.phase, Phase::Idle), input) {
            (Phase::Idle, Input::Begin(standing)) => {
                self.standing = Some(standing);
                self.load()
            }
            (Phase::Loading, Input::Loaded(outgoing)) => self.send(*outgoing),
            (Phase::Sending { request, sent }, Input::Replied(reply)) => {
                if reply.request != request
                    || Some(reply.organisation) != self.standing.as_ref().map(|s| s.organisation)
                {
                    return self.failed(NetworkFailure::NotOurs);
                }
                self.replied(*reply, sent)
            }
            (Phase::Sending { .. }, Input::Failed(failure)) => self.failed(failure),
            (Phase::Sending { .. }, Input::Refused(refusal)) => self.refused(refusal),
            (Phase::Applying, Input::Applied(standing)) => self.applied(standing),
            (Phase::Applying, Input::Distrusted(fault)) => self.distrusted(fault),
            (Phase::Waiting, Input::Waited) => self.load(),
            (phase, _) => {
                self.phase = phase;
                Vec::new()
            }
        }
    }

    fn stop(&mut self, stop: Stop) -> Vec<Effect> {
        self.phase = Phase::Ended;
        vec![Effect::Stop(stop)]
    }

    fn load(&mut self) -> Vec<Effect> {
        let Some(standing) = &self.standing else { return self.stop(Stop::Stalled) };
        let from = match self.rewind_push.take() {
            Some(seq) => Some(seq),
            None => standing.first_unplaced,
        };
        // While a lost tail is missing there is something to push only if it was recorded before the loss was noticed:
        // either the server holds it, or it forks the log. Both are for the server to say.
        let from = from.filter(|_| !standing.copied);
        let bytes_max = standing.bytes_max.clamp(PAGE_BYTES_MIN, PAGE_BYTES_MAX);
        // One's own goes first, and alone: a request has room for one run of any size.
        let carried = if from.is_none() { self.next_carried(standing) } else { None };
        self.phase = Phase::Loading;
        vec![Effect::Load { from, bytes_max, entries_max: PUSH_ENTRIES_MAX, carried }]
    }

    /// A device of which runs wait that the server has not turned down in this session: what it lacks before them may
    /// come from elsewhere, until the next one.
    fn next_carried(&self, standing: &Standing) -> Option<DeviceId> {
        let waiting =
            standing.carried.iter().filter(|(device, runs)| **runs > 0 && !self.carried_stays.contains(device));
        waiting.map(|(device, _)| *device).next()
    }

    fn send(&mut self, outgoing: Outgoing) -> Vec<Effect> {
        let Some(standing) = &self.standing else { return self.stop(Stop::Stalled) };
        let (carried, end) = outgoing.carried.map_or((None, None), |(carried, end)| (Some(carried), Some(end)));
        self.carried_sent = carried.as_ref().map(|carried| carried.device).zip(end);
        let request = SyncRequest {
            protocol: PROTOCOL,
            request: outgoing.request,
            organisation: standing.organisation,
            device: standing.device,
            store: standing.store,
            epoch: standing.epoch,
            baton: standing.baton,
            clock: outgoing.clock,
            log: standing.log,
            push: outgoing.push,
            carried,
            pull: PullAsk {
                cursor: standing.cursor.clone(),
                bytes_max: standing.bytes_max.clamp(PAGE_BYTES_MIN, PAGE_BYTES_MAX),
                own: !standing.copied && (standing.recover.is_some() || standing.cursor.is_none()),
            },
            wanted: outgoing.wanted,
            digest: standing.digest,
            checkpoint: Some(standing.checkpoint.as_ref().map_or(CheckpointHeld::default(), HeldCheckpoint::named)),
            directory: standing.directory,
            people: outgoing.people,
        };
        let push_to =
            request.push.as_ref().map(|push| push.from.saturating_add(push.entries.len() as u64).saturating_sub(1));
        let sent = Sent { log: standing.log, epoch: (standing.store, standing.epoch), push_to };
        self.phase = Phase::Sending { request: request.request, sent };
        self.counts.exchanges += 1;
        vec![Effect::Send(Box::new(request))]
    }

    fn failed(&mut self, failure: NetworkFailure) -> Vec<Effect> {
        self.network_tries += 1;
        if failure == NetworkFailure::Unreachable || self.network_tries >= NETWORK_TRIES_MAX {
            return self.stop(Stop::NoSignal(failure));
        }
        if let Some(standing) = &mut self.standing {
            standing.bytes_max = (standing.bytes_max / 2).max(PAGE_BYTES_MIN);
        }
        self.wait(500 << self.network_tries)
    }

    fn refused(&mut self, refusal: Refusal) -> Vec<Effect> {
        self.network_tries += 1;
        match refusal.retry_after_s {
            Some(seconds) if seconds <= ASKED_WAIT_S_MAX && self.network_tries < NETWORK_TRIES_MAX => {
                self.wait(u64::from(seconds) * 1000)
            }
            _ => self.stop(Stop::Refused(refusal)),
        }
    }

    fn wait(&mut self, ms: u64) -> Vec<Effect> {
        self.phase = Phase::Waiting;
        vec![Effect::Wait { ms }]
    }

    fn replied(&mut self, reply: SyncReply, sent: Sent) -> Vec<Effect> {
        let Some(standing) = self.standing.clone() else { return self.stop(Stop::Stalled) };
        self.network_tries = 0;
        let mut notices = Vec::new();
        let void = (reply.store, reply.epoch) != sent.epoch || went_back(&reply, &standing);
        if void {
            notices.push(Notice::LedgerChanged);
        }
        if newer(&reply.client_min) {
            notices.push(Notice::UpdateWanted { client_min: reply.client_min.clone() });
        }
        // Of another ledger, or another epoch of it, no copy is known until it says so of all that is offered again.
        let copied = (self.push_answered(&reply.push, &sent, &mut notices) || standing.copied) && !void;
        // Where the log goes on under a new key, there is nothing to bring back into the old one; and what the server has
        // lost as well, nobody can wait for.
        let recover = (!copied && reply.log.seq > sent.log.seq).then_some(reply.log);
        if recover.is_some_and(|tail| standing.recover.is_none_or(|known| known.seq < tail.seq)) {
            notices.push(Notice::TailLost { here: sent.log.seq, there: reply.log.seq });
        }
        // Own entries that were lost stand before the cursor: start over with it, keeping what is held.
        let newly_lost = recover.is_some() && standing.recover.is_none();
        let rewind = newly_lost || reply.pull.outcome == PullOutcome::Refused;
        self.rewinds += u32::from(rewind || void);
        self.closed = reply.pull.outcome == PullOutcome::Closed;
        let mut page = self.page_answered(reply.pull, rewind || void);
        if copied {
            // The server's branch under this device's name is not this log, and makes the digest another one.
            page.entries.retain(|entry| entry.device != standing.device);
            self.expected = None;
        }
        self.counts.received += page.entries.iter().filter(|e| e.device != standing.device).count() as u64;
        // A run that goes backwards, or beyond all numbers, is a server's fault and counts for what it is worth.
        let placed = reply.push.held.iter().map(|run| run.to.saturating_add(1).saturating_sub(run.from));
        self.counts.sent = placed.fold(self.counts.sent, u64::saturating_add);
        self.progress |= !reply.push.held.is_empty() || void || newly_lost;
        let carried = self.carried_answered(reply.carried, void, &mut notices);
        let ours = (reply.store, reply.epoch) == sent.epoch;
        let shown = reply.checkpoint.filter(|_| ours);
        let (checkpoint, evidence) = self.watched(&standing, shown, &mut notices);
        let apply = Apply {
            void,
            rewind,
            store: reply.store,
            epoch: reply.epoch,
            baton: reply.baton,
            receipts: reply.push.held,
            asides: reply.push.aside,
            carried,
            entries: page.entries,
            seals: page.seals,
            cursor: page.cursor.map(|cursor| (cursor, page.position)),
            machines: page.machines,
            directory: reply.directory,
            recover,
            copied,
            checkpoint,
            evidence,
            bytes_max: (standing.bytes_max.saturating_mul(2)).min(PAGE_BYTES_MAX),
            now_ms: reply.now_ms,
        };
        self.phase = Phase::Applying;
        let mut effects: Vec<Effect> = notices.into_iter().map(Effect::Tell).collect();
        effects.push(Effect::Apply(Box::new(apply)));
        effects
    }

    /// Takes note of what became of the push; true if two copies of the device are in use. As long as the ledger holds
    /// all that is pushed, the rest is offered too: only then is it known what has no place.
    fn push_answered(&mut self, answer: &PushAnswer, sent: &Sent, notices: &mut Vec<Notice>) -> bool {
        let rest = sent.push_to.filter(|to| *to < sent.log.seq);
        let rest_offered = rest.is_some_and(|to| answer.held.iter().any(|run| run.to == to));
        if rest_offered && matches!(answer.outcome, PushOutcome::Fork | PushOutcome::Copy) {
            return false;
        }
        if !answer.aside.is_empty() && answer.outcome == PushOutcome::Accepted {
            notices.push(Notice::SetAside(answer.aside.clone()));
        }
        match answer.outcome {
            PushOutcome::Gap => self.rewind_push = answer.seq,
            PushOutcome::Fork => notices.push(Notice::Forked { seq: answer.seq.unwrap_or(0) }),
            PushOutcome::Copy => notices.push(Notice::Copied),
            PushOutcome::Revoked => notices.push(Notice::Revoked),
            _ => {}
        }
        matches!(answer.outcome, PushOutcome::Fork | PushOutcome::Copy)
    }

    /// Takes note of what became of a run that was carried. What another ledger says of it counts for nothing, and an
    /// answer that was not asked for is none.
    fn carried_answered(
        &mut self,
        answer: Option<CarriedAnswer>,
        void: bool,
        notices: &mut Vec<Notice>,
    ) -> Option<(CarriedAnswer, LogHead)> {
        if void {
            self.carried_sent = None;
            self.carried_stays.clear();
            return None;
        }
        let (device, end) = self.carried_sent?;
        let answer = answer.filter(|answer| answer.device == device)?;
        if answer.answer.outcome == PushOutcome::Fork {
            notices.push(Notice::CarriedForked { device: answer.device, seq: answer.answer.seq.unwrap_or(0) });
        }
        let placed = answer.answer.held.iter().map(|run| run.to.saturating_add(1).saturating_sub(run.from));
        self.counts.carried = placed.fold(self.counts.carried, u64::saturating_add);
        Some((answer, end))
    }

    /// What becomes of the checkpoint that was shown: one to hold, or one to keep as evidence beside the one held.
    ///
    /// Entries are taken all the same. Each is its maker's, whatever has become of the ledger's past, and a crew must
    /// not miss that a machine is tagged out.
    fn watched(
        &mut self,
        standing: &Standing,
        shown: Option<CheckpointShown>,
        notices: &mut Vec<Notice>,
    ) -> (Option<HeldCheckpoint>, Option<(NotShown, CheckpointShown)>) {
        let Some(shown) = shown else { return (None, None) };
        let held = standing.checkpoint.as_ref();
        match watch(&origin(&standing.organisation, standing.epoch), held, &shown) {
            Watched::First(newer) | Watched::Grown(newer) => {
                self.rewritten = None;
                (Some(newer), None)
            }
            Watched::Unchanged => (None, None),
            Watched::NotShown(why) if held.is_none() => {
                if !std::mem::replace(&mut self.refused, true) {
                    notices.push(Notice::CheckpointRefused(why));
                }
                (None, None)
            }
            Watched::NotShown(why) => {
                self.rewritten = Some(why);
                (None, Some((why, shown)))
            }
        }
    }

    /// The page as it is to be applied; nothing of it if the cursor is to start over.
    fn page_answered(&mut self, pull: PullAnswer, start_over: bool) -> PullAnswer {
        let usable = pull.outcome == PullOutcome::Page && !start_over;
        self.more = start_over || pull.more;
        self.expected = usable.then_some((pull.position, pull.digest));
        if usable {
            return pull;
        }
        PullAnswer { entries: Vec::new(), seals: Vec::new(), cursor: None, machines: None, ..pull }
    }

    fn applied(&mut self, standing: Standing) -> Vec<Effect> {
        let before = self.standing.replace(standing.clone());
        if let Some((device, _)) = self.carried_sent.take() {
            let waiting = |standing: &Standing| standing.carried.get(&device).copied().unwrap_or(0);
            if before.as_ref().is_some_and(|before| waiting(&standing) < waiting(before)) {
                self.progress = true;
            } else {
                self.carried_stays.insert(device);
            }
        }
        if before.is_some_and(|b| b.cursor != standing.cursor || b.log != standing.log) {
            self.progress = true;
        }
        if let Some((position, digest)) = self.expected.take()
            && standing.position == position
            && standing.digest != digest
        {
            return self.repair(standing);
        }
        let pushing = standing.first_unplaced.is_some() && !standing.copied;
        let pushing = pushing || self.next_carried(&standing).is_some();
        let recovering = standing.recover.is_some();
        if self.closed && !pushing {
            return self.stop(Stop::Closed);
        }
        if !pushing && !recovering && !self.more {
            let done = self.rewritten.map_or(Stop::Done, Stop::Rewritten);
            return self.stop(if standing.copied { Stop::Held } else { done });
        }
        self.stalled = if std::mem::take(&mut self.progress) { 0 } else { self.stalled + 1 };
        // A cursor that is refused again and again moves, but not forward.
        if self.stalled >= STALLED_EXCHANGES_MAX || self.rewinds > STALLED_EXCHANGES_MAX {
            return self.stop(Stop::Stalled);
        }
        self.load()
    }

    /// A reply cannot be true beside what is held. Where it is the places that differ, the ledger may have lost some that
    /// this device had learned, without anybody's having noticed: then all places are forgotten, once, and everything is
    /// offered again.
    fn distrusted(&mut self, fault: Fault) -> Vec<Effect> {
        let standing = self.standing.clone().filter(|_| !self.moved && MOVED.contains(&fault.code.as_str()));
        let Some(standing) = standing else { return self.stop(Stop::Distrusted(fault)) };
        self.moved = true;
        self.begin_again(standing, Places::Forgotten, Notice::LedgerChanged)
    }

    /// What is held does not add up to what the server says: pull all again, once.
    fn repair(&mut self, standing: Standing) -> Vec<Effect> {
        if self.repaired {
            let detail = "what the server delivers does not add up to its own digest";
            return self.stop(Stop::Distrusted(Fault::new("digest-mismatch", "/pull/digest", detail)));
        }
        self.repaired = true;
        self.begin_again(standing, Places::Kept, Notice::Repairing)
    }

    fn begin_again(&mut self, standing: Standing, places: Places, notice: Notice) -> Vec<Effect> {
        self.expected = None;
        self.more = true;
        self.progress = true;
        self.carried_sent = None;
        self.carried_stays.clear();
        self.phase = Phase::Applying;
        let apply = Apply {
            void: places == Places::Forgotten,
            rewind: true,
            store: standing.store,
            epoch: standing.epoch,
            baton: standing.baton,
            receipts: Vec::new(),
            asides: Vec::new(),
            carried: None,
            entries: Vec::new(),
            seals: Vec::new(),
            cursor: None,
            machines: None,
            directory: None,
            recover: standing.recover,
            copied: standing.copied,
            checkpoint: None,
            evidence: None,
            bytes_max: standing.bytes_max,
            now_ms: 0,
        };
        vec![Effect::Tell(notice), Effect::Apply(Box::new(apply))]
    }
}

/// Whether the ledger has lost what this device saw in it: it was restored from an older copy and nobody said so.
///
/// Either the cursor's place holds something else now, or the server's end of this device's log lies before entries
/// that had been placed. What is held is offered again from the beginning; what the server has is recognised by link.
fn went_back(reply: &SyncReply, standing: &Standing) -> bool {
    let rewritten = reply.pull.outcome == PullOutcome::Refused && reply.pull.code.as_deref() == Some(REWRITTEN);
    let placed = standing.first_unplaced.map_or(standing.log.seq, |first| first - 1);
    let seen = standing.recover.map_or(placed, |tail| tail.seq);
    let known_log = !standing.copied && reply.push.outcome != PushOutcome::Fork;
    rewritten || (known_log && reply.log.seq < seen)
}

/// Whether a version such as `1.10.0` is newer than this program.
fn newer(version: &str) -> bool {
    let numbers = |v: &str| v.split('.').map(|n| n.parse::<u64>().unwrap_or(0)).collect::<Vec<_>>();
    numbers(version) > numbers(env!("CARGO_PKG_VERSION"))
}

/// Checks a page before it is stored: positions rise, and every entry whose predecessor is known has the link that
/// follows from it. `heads` gives, for devices of the page, what is held before the page: links by number.
///
/// # Errors
/// A fault that names the place in the page.
pub fn check_page(page: &[Pulled], held: impl Fn(DeviceId, u64) -> Option<crate::ids::Hash>) -> Result<(), Fault> {
    let mut links: BTreeMap<(DeviceId, u64), crate::ids::Hash> = BTreeMap::new();
    let mut last = 0;
    for (index, pulled) in page.iter().enumerate() {
        let place = format!("/pull/entries/{index}");
        if pulled.position <= last {
            return Err(Fault::new("position-order", place, "positions must rise"));
        }
        last = pulled.position;
        let seq = pulled.entry.seq();
        if held(pulled.device, seq).is_some_and(|link| link != pulled.link) {
            return Err(Fault::new("entry-rewritten", place, "another entry was held under this number"));
        }
        let before = links.get(&(pulled.device, seq - 1)).copied().or_else(|| held(pulled.device, seq - 1));
        if before.is_some_and(|before| link(&before, &pulled.entry) != pulled.link) {
            return Err(Fault::new("chain-mismatch", place, "the link does not follow from the entry before"));
        }
        links.insert((pulled.device, seq), pulled.link);
    }
    Ok(())
}
