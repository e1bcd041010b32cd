//! Runs the effects of the device's half of sync: database, key, network, waiting.
//!
//! Promises: what a reply changes is stored in one transaction or not at all; the key is read once, when there is
//! something to sign. What is recorded by another run meanwhile is not part of this exchange, but of the next.
//!
//! Never decides: that is `pintle_core::device`.

use crate::ambient::{Ambient, random, sample};
use crate::apply;
use crate::home::Home;
use crate::problem::{Code, Problem};
use crate::store::{Outcome, Store, Tx};
use crate::transport::{Failure, Transport};
use pintle_core::chain::{DeviceKey, LogHead, sync_text};
use pintle_core::device::{Counts, Effect, Input, NetworkFailure, Notice, Outgoing, Session, Standing, Stop};
use pintle_core::entry::EntryRef;
use pintle_core::exchange::{Carried, Person, Push, SyncRequest, Wanted};
use pintle_core::ids::{DeviceId, RequestId};
use pintle_core::proof::watch::NotShown;
use std::collections::VecDeque;
use std::time::Duration;

/// How a sync went.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// How it ended.
    pub stop: Stop,
    /// What was done.
    pub counts: Counts,
    /// What a person must hear.
    pub notices: Vec<Notice>,
    /// Own entries that still have no place in the ledger.
    pub waiting: u64,
}

/// Somebody who watches a sync.
pub trait Watch {
    /// So much is done; so many own entries wait.
    fn progress(&mut self, counts: Counts, waiting: u64);
}

/// What a session works with.
pub struct Engine<'a> {
    /// Where the key lies.
    pub home: &'a Home,
    /// The database.
    pub store: &'a mut Store,
    /// Clocks and randomness.
    pub ambient: &'a dyn Ambient,
    /// The network.
    pub transport: &'a dyn Transport,
}

impl Engine<'_> {
    /// Syncs until all is out and all is in, or something stands in the way.
    ///
    /// # Errors
    /// If the database or the key cannot be used; how the network fares is part of the report.
    pub fn run(&mut self, watch: &mut dyn Watch) -> Result<Report, Problem> {
        let own = self.store.read(|tx| tx.own())?;
        let key = self.home.key(&own.public_key)?;
        let mut session = Session::default();
        let mut notices = Vec::new();
        let mut standing = self.store.read(standing)?;
        let mut told: Option<Wanted> = None;
        let mut effects: VecDeque<Effect> = session.step(Input::Begin(standing.clone())).into();
        let stop = loop {
            let Some(effect) = effects.pop_front() else {
                // The session always answers with an effect; without one there is nothing left to do.
                break Stop::Stalled;
            };
            let input = match effect {
                Effect::Load { from, bytes_max, entries_max, carried } => {
                    let outgoing = self.load(&key, &standing, from, bytes_max, entries_max, carried)?;
                    told.clone_from(&outgoing.wanted);
                    Input::Loaded(Box::new(outgoing))
                }
                Effect::Send(request) => self.send(&key, &request),
                Effect::Apply(change) => {
                    match apply::apply(self.store, &change, told.as_ref(), self.ambient.wall().second)? {
                        Ok(()) => {
                            standing = self.store.read(self::standing)?;
                            watch.progress(session.counts, self.store.read(|tx| tx.unplaced(own.device))?);
                            Input::Applied(standing.clone())
                        }
                        Err(fault) => Input::Distrusted(fault),
                    }
                }
                Effect::Tell(notice) => {
                    self.keep(&notice)?;
                    notices.push(notice);
                    continue;
                }
                Effect::Wait { ms } => {
                    self.ambient.wait(Duration::from_millis(ms));
                    Input::Waited
                }
                Effect::Stop(stop) => break stop,
            };
            effects.extend(session.step(input));
        };
        let waiting = self.finish(&stop)?;
        Ok(Report { stop, counts: session.counts, notices, waiting })
    }

    fn load(
        &mut self,
        key: &DeviceKey,
        standing: &Standing,
        from: Option<u64>,
        bytes_max: u32,
        entries_max: usize,
        carried: Option<DeviceId>,
    ) -> Result<Outgoing, Problem> {
        let request = RequestId(random(self.ambient)?);
        let clock = sample(self.ambient);
        self.store.read(|tx| {
            let push = match from {
                // Only what stood there when the session looked: the request says where the log ended then.
                Some(from) if from <= standing.log.seq => {
                    let room = usize::try_from(standing.log.seq - from + 1).unwrap_or(entries_max);
                    push(tx, key, standing, from, entries_max.min(room), bytes_max)?
                }
                _ => None,
            };
            let carried = match carried {
                Some(device) => first_carried(tx, device)?,
                None => None,
            };
            let people = tx.people()?.into_iter().filter(|person| !person.shared);
            let people = people.map(|person| Person { id: person.id, name: person.name }).collect();
            let sync = tx.enrolled()?;
            // The server may remember another set, of a copy or of a database that was lost here.
            let untold = !sync.wanted_told || standing.copied || standing.cursor.is_none();
            Ok(Outgoing { request, clock, push, carried, people, wanted: untold.then_some(sync.wanted) })
        })
    }

    fn send(&self, key: &DeviceKey, request: &SyncRequest) -> Input {
        // A request is plain data and always has a JSON form.
        let body = serde_json::to_vec(request).unwrap_or_default();
        match self.transport.sync(&body, &key.sign(&sync_text(&body))) {
            Ok(reply) => Input::Replied(Box::new(reply)),
            Err(Failure::Network(failure)) => Input::Failed(failure),
            Err(Failure::Refused(refusal)) => Input::Refused(refusal),
            // An exchange needs no clock that is right; a server that says otherwise is none of ours.
            Err(Failure::ClockOff { .. }) => Input::Failed(NetworkFailure::NotOurs),
        }
    }

    /// Keeps a notice until it has been shown.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn keep(&mut self, notice: &Notice) -> Result<(), Problem> {
        let at_s = self.ambient.wall().second;
        let (code, sentence) = told(notice);
        self.store.write("store", |tx| tx.add_notice(at_s, code, &sentence))
    }

    /// Notes how it ended; gives the number of own entries that still wait.
    fn finish(&mut self, stop: &Stop) -> Result<u64, Problem> {
        let at_s = self.ambient.wall().second;
        let code = outcome(stop);
        self.store.write("store", |tx| {
            if let Some(mut sync) = tx.sync()? {
                sync.last = Some(Outcome { at_s, code: code.to_owned() });
                tx.set_sync(&sync)?;
            }
            tx.unplaced(tx.own()?.device)
        })
    }
}

/// What is stored about sync, as the session wants it.
fn standing(tx: &Tx<'_>) -> Result<Standing, Problem> {
    let own = tx.own()?;
    let sync = tx.enrolled()?;
    Ok(Standing {
        organisation: sync.organisation,
        device: own.device,
        store: sync.store,
        epoch: sync.epoch,
        baton: sync.baton,
        cursor: sync.cursor,
        position: own.seen,
        digest: sync.digest,
        log: own.head,
        first_unplaced: tx.first_unplaced(own.device)?,
        recover: own.recover,
        copied: sync.copied,
        directory: sync.directory,
        bytes_max: sync.bytes_max,
        carried: tx.carried_counts()?,
        checkpoint: tx.checkpoint(sync.store, sync.epoch)?,
    })
}

/// The first run of another device that waits, and where it ends.
fn first_carried(tx: &Tx<'_>, device: DeviceId) -> Result<Option<(Carried, LogHead)>, Problem> {
    let Some(waiting) = tx.carried_waiting()?.into_iter().find(|run| run.device == device) else { return Ok(None) };
    Ok(tx.carried_run(&waiting)?.map(|run| (run, waiting.end)))
}

/// Own entries from a number on, sealed.
fn push(
    tx: &Tx<'_>,
    key: &DeviceKey,
    standing: &Standing,
    from: u64,
    entries_max: usize,
    bytes_max: u32,
) -> Result<Option<Push>, Problem> {
    let device = standing.device;
    let entries = tx.log_from(device, from, entries_max, bytes_max)?;
    let Some(last) = entries.last() else { return Ok(None) };
    let head = LogHead { seq: last.entry.seq(), link: last.link };
    let previous = match from {
        1 => Some(LogHead::empty(&key.public()).link),
        _ => tx.link(EntryRef { device, seq: from - 1 })?,
    };
    let Some(previous) = previous else { return Ok(None) };
    let signature = key.seal(&standing.organisation, from, &head).signature;
    Ok(Some(Push { from, previous, entries: entries.into_iter().map(|held| held.entry).collect(), signature }))
}

/// The code under which the end of a session is remembered.
#[must_use]
pub fn outcome(stop: &Stop) -> &'static str {
    match stop {
        Stop::Done => "done",
        Stop::Rewritten(_) => Code::LedgerRewritten.as_str(),
        Stop::NoSignal(NetworkFailure::NotOurs) => Code::NotOurs.as_str(),
        Stop::NoSignal(NetworkFailure::Untrusted) => Code::NotTrusted.as_str(),
        Stop::NoSignal(_) => Code::NoSignal.as_str(),
        Stop::Refused(refusal) if refusal.retry_after_s.is_some() => Code::ServerBusy.as_str(),
        Stop::Refused(_) => Code::ServerRefused.as_str(),
        Stop::Stalled => Code::Stalled.as_str(),
        Stop::Closed => Code::Revoked.as_str(),
        Stop::Distrusted(_) => Code::Distrusted.as_str(),
        Stop::Held => Code::Copied.as_str(),
    }
}

/// A notice in words.
#[must_use]
pub fn told(notice: &Notice) -> (&'static str, String) {
    match notice {
        Notice::LedgerChanged => (
            "ledger-changed",
            "The server's log was restored or replaced. Everything here is offered to it again.".to_owned(),
        ),
        Notice::TailLost { here, there } => {
            ("tail-lost", format!("This device had lost its entries {} to {there}. They are brought back.", here + 1))
        }
        Notice::Forked { seq } => (
            "forked",
            format!(
                "Another entry stands on the server under number {seq}: two copies of this device are in use. Both are kept."
            ),
        ),
        Notice::Copied => {
            ("copied", "Another copy of this device has synced since. What was sent is kept beside the log.".to_owned())
        }
        Notice::CarriedForked { seq, .. } => (
            "carried-forked",
            format!(
                "What came by carry contradicts the log from a device's entry {seq} on: two copies of that device are in use. Both are kept."
            ),
        ),
        Notice::GoesOn { mark } => {
            ("goes-on", format!("This one goes on as {mark}, a device of its own. Tell the office."))
        }
        Notice::Revoked => {
            ("revoked", "This device has been revoked. Its entries are kept, and the office judges them.".to_owned())
        }
        Notice::SetAside(asides) => {
            let list: Vec<String> = asides.iter().map(|aside| format!("{} ({})", aside.seq, aside.code)).collect();
            ("set-aside", format!("Set aside, kept but not counted: entries {}.", list.join(", ")))
        }
        Notice::Repairing => {
            ("repairing", "What had been delivered did not add up. Everything is fetched once more.".to_owned())
        }
        Notice::CheckpointRefused(_) => (
            "checkpoint-refused",
            "The server's checkpoint is not signed as it says. Until one is, its log is not watched.".to_owned(),
        ),
        Notice::UpdateWanted { client_min } => {
            ("update-wanted", format!("The server wants pintle {client_min} or newer. Recording goes on."))
        }
    }
}

/// What is said of a ledger that does not follow from the checkpoint held, by why.
#[must_use]
pub fn rewritten(why: NotShown) -> String {
    let what = match why {
        NotShown::Smaller => "is shorter than it was: some of what this device saw in it is gone",
        NotShown::OtherRoot | NotShown::FalseProof => "is another than it was: what this device saw in it was changed",
        NotShown::OtherKey | NotShown::Unsigned => "is not signed with the key that signed it before",
        NotShown::Unreadable => "shows a checkpoint that cannot be read",
    };
    format!("The server's log {what}. Everything here is kept.")
}
