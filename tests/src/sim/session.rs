//! A device's sync: the effects of `pintle_core::device`, one at a time.
//!
//! Promises: between any two effects the program may be killed; what it had not committed is gone then. Never decides
//! about sync.

use super::bugs::Bug;
use super::disk::{Disk, Halt, Placed};
use super::network::Letter;
use super::world::{Chore, Device, Running, World};
use pintle_core::chain::{DeviceKey, LogHead, sync_text};
use pintle_core::device::{Effect, Input, NetworkFailure, Notice, Outgoing, Session, Standing, Stop};
use pintle_core::entry::EntryRef;
use pintle_core::exchange::{ClockSample, Push, SyncRequest};
use pintle_core::ids::{DeviceId, RequestId};
use pintle_core::moment::Moment;
use std::collections::BTreeSet;

/// A session that makes so many exchanges has no end.
const EXCHANGES_MAX: u64 = 100;

impl World {
    /// A person starts a sync.
    pub fn begin(&mut self, d: usize) {
        let device = &mut self.devices[d];
        if device.running.is_some() {
            return;
        }
        let Some(standing) = device.drive.disk().standing() else { return };
        let mut session = Session::default();
        let effects = session.step(Input::Begin(standing.clone())).into();
        device.running = Some(Running { session, effects, standing, wire: None, wanted: None, restores: 0 });
        let name = device.name.clone();
        self.say(|| format!("{name} begins a sync"));
    }

    pub(super) fn input(&mut self, d: usize, input: Input) {
        if let Some(running) = &mut self.devices[d].running {
            if let Input::Applied(standing) = &input {
                running.standing = standing.clone();
            }
            let effects = running.session.step(input);
            running.effects.extend(effects);
        }
    }

    /// A device does its next effect, or stops waiting.
    pub fn advance(&mut self, d: usize) {
        let Some(running) = &mut self.devices[d].running else { return };
        if running.wire.is_some() {
            if self.strikes(|f| f.time_out) {
                self.hear(d, Input::Failed(NetworkFailure::TimedOut), "stops waiting");
            }
            return;
        }
        let Some(effect) = running.effects.pop_front() else {
            self.devices[d].running = None;
            return;
        };
        match effect {
            Effect::Load { from, bytes_max, entries_max, carried } => {
                let outgoing = self.load(d, from, bytes_max, entries_max, carried);
                self.input(d, Input::Loaded(Box::new(outgoing)));
            }
            Effect::Send(request) => self.send(d, &request),
            Effect::Apply(change) => self.apply(d, &change),
            Effect::Tell(notice) => self.tell(d, notice),
            Effect::Wait { ms } => {
                self.weather.pass(i64::try_from(ms).unwrap_or(0));
                self.input(d, Input::Waited);
            }
            Effect::Stop(stop) => self.stop(d, stop),
        }
    }

    pub(super) fn load(
        &mut self,
        d: usize,
        from: Option<u64>,
        bytes_max: u32,
        entries_max: usize,
        carried: Option<DeviceId>,
    ) -> Outgoing {
        let clocks = self.clocks(d);
        let request = RequestId(self.chance.bytes());
        let device = &mut self.devices[d];
        let disk = device.drive.disk();
        let at = Moment::at(clocks.wall_s, 7200).or_else(|_| Moment::at(0, 0));
        let clock = at.map(|at| ClockSample { at, boot: Some(clocks.boot), up_s: Some(clocks.up_s) });
        // The server may remember another set, of a database that was lost here or of a copy: said whenever a pull starts.
        let copied = disk.sync.as_ref().is_some_and(|sync| sync.copied);
        let untold = !disk.wanted_told || copied || running_cursor(device).is_none();
        let wanted = untold.then(|| disk.wanted.clone());
        let push = device.running.as_ref().zip(from).and_then(|(running, from)| {
            let key = device.keys.get(&disk.own.key)?;
            push(disk, key, &running.standing, from, entries_max, bytes_max)
        });
        let runs = disk.waiting_runs().into_iter();
        let run = carried.and_then(|of| runs.into_iter().find(|run| run.carried.device == of));
        let carried = run.map(|run| (run.carried.clone(), run.end));
        if let Some(running) = &mut device.running {
            running.wanted.clone_from(&wanted);
        }
        #[allow(clippy::expect_used, reason = "1970 has a moment")]
        Outgoing { request, clock: clock.expect("a moment"), push, carried, people: Vec::new(), wanted }
    }

    pub(super) fn send(&mut self, d: usize, request: &SyncRequest) {
        let body = serde_json::to_vec(request).unwrap_or_default();
        let device = &mut self.devices[d];
        device.exchanges += 1;
        let Some(key) = device.keys.get(&device.drive.disk().own.key) else { return };
        let proof = key.sign(&sync_text(&body)).to_string();
        let name = device.name.clone();
        let pushed = request.push.as_ref().map(|p| (p.from, p.entries.len()));
        self.say(|| {
            let cursor = request.pull.cursor.is_some();
            format!(
                "{name} sends log={} push={pushed:?} cursor={cursor} own={} epoch={} wanted={:?}",
                request.log.seq,
                request.pull.own,
                request.epoch,
                request.wanted.as_ref().map(|w| w.machines.as_ref().map(BTreeSet::len))
            )
        });
        if self.bug == Some(Bug::PlacesWhatItSent)
            && let Some(push) = &request.push
        {
            let sent = push.from..push.from + push.entries.len() as u64;
            let _ = self.devices[d].drive.write(|disk| {
                let device = disk.own.device;
                for seq in sent {
                    if let Some(row) = disk.entries.get_mut(&EntryRef { device, seq }) {
                        let placed = Placed { position: 0, received_ms: 0, off_s: None, aside: None };
                        row.placed.get_or_insert(placed);
                    }
                }
                Ok(())
            });
        }
        if self.devices[d].offline {
            return self.hear(d, Input::Failed(NetworkFailure::Unreachable), "has no signal");
        }
        self.wires += 1;
        let wire = self.wires;
        if let Some(running) = &mut self.devices[d].running {
            running.wire = Some(wire);
        }
        if self.strikes(|f| f.double) {
            self.letters.push(Letter { wire, device: d, body: body.clone(), proof: proof.clone() });
        }
        self.letters.push(Letter { wire, device: d, body, proof });
    }

    pub(super) fn apply(&mut self, d: usize, change: &pintle_core::device::Apply) {
        let bug = self.bug;
        let device = &mut self.devices[d];
        let wanted = device.running.as_ref().and_then(|running| running.wanted.clone());
        let own = device.drive.disk().own.device;
        let done = device.drive.write(|disk| {
            disk.apply(change, bug)?;
            if wanted.is_some_and(|wanted| wanted == disk.wanted) {
                disk.wanted_told = true;
            }
            Ok(())
        });
        let disk = device.drive.disk();
        let told = format!(
            "{} applies void={} rewind={} held={:?} entries={} to={:?} recover={:?} copied={}: {:?}; log={} first={:?}",
            device.name,
            change.void,
            change.rewind,
            change.receipts.iter().map(|r| (r.from, r.to, r.position)).collect::<Vec<_>>(),
            change.entries.len(),
            change.cursor.as_ref().map(|c| c.1),
            change.recover.map(|r| r.seq),
            change.copied,
            done,
            disk.own.head.seq,
            disk.first_unplaced(),
        );
        device.anew += u64::from(change.rewind && !change.void);
        match done {
            Ok(()) => {
                let runs = change.receipts.iter().flat_map(|run| run.from..=run.to);
                let names = runs.map(|seq| EntryRef { device: own, seq });
                let acknowledged = names.filter_map(|name| Some((name, disk.entries.get(&name)?.link)));
                // What was acknowledged before the server was put back may be lost with it.
                if device.running.as_ref().is_some_and(|running| running.restores == self.restores) {
                    self.facts.acknowledged.extend(acknowledged);
                }
                if let Some(standing) = disk.standing() {
                    self.input(d, Input::Applied(standing));
                }
            }
            Err(Halt::Distrusted(fault)) => self.input(d, Input::Distrusted(fault)),
            // The program ends with an error; what it was about to do is done by its next run.
            Err(Halt::Full) => self.devices[d].running = None,
        }
        self.count("applied");
        self.say(|| told);
    }

    pub(super) fn tell(&mut self, d: usize, notice: Notice) {
        let device = &mut self.devices[d];
        // The notice is a transaction of its own, so it can be among those that a lying disk loses.
        if device.drive.write(|_| Ok(())).is_err() {
            device.running = None;
            return;
        }
        let name = device.name.clone();
        // What a copy pushed has a place that this one learns of only by pulling its own entries.
        let cloned = self.facts.cloned.contains(&device.drive.disk().own.device);
        if notice == Notice::Repairing && !cloned {
            self.facts.repairs.push(name.clone());
        }
        self.say(|| format!("{name} tells {notice:?}"));
        let device = &mut self.devices[d];
        if self.bug != Some(Bug::KeepsQuiet) || !matches!(notice, Notice::Forked { .. } | Notice::Copied) {
            device.heard.push((device.drive.disk().own.device, notice));
        }
    }

    pub(super) fn stop(&mut self, d: usize, stop: Stop) {
        let device = &mut self.devices[d];
        device.running = None;
        device.chore = match &stop {
            Stop::Held => Chore::Anew,
            // Revoked: what a copy holds can no longer go out under this key, nor can a lost tail come back.
            Stop::Closed if is_stuck(device.drive.disk()) => Chore::Anew,
            Stop::Refused(refusal) if refusal.code == "unknown-device" => Chore::Enrol,
            _ => Chore::None,
        };
        device.gone = stop == Stop::Closed;
        // A copy has put another entry under a number that this one used while it waited: its next push is told so.
        let of_copy =
            |code: &str| code == "entry-rewritten" && self.facts.cloned.contains(&device.drive.disk().own.device);
        if let Stop::Distrusted(fault) = &stop
            && !of_copy(&fault.code)
        {
            self.facts.distrusted.push(format!("{}: {fault}", device.name));
        }
        device.last_stop = Some(stop.clone());
        let name = device.name.clone();
        self.say(|| format!("{name} stops: {stop:?}"));
        // The program goes on as a device of its own at once, if nothing comes between.
        if stop == Stop::Held && !self.devices[d].offline && !self.strikes(|f| f.crash_device * 4) {
            self.anew(d);
        }
    }

    /// What the network has for a device that waits.
    pub(super) fn hear(&mut self, d: usize, input: Input, what: &'static str) {
        if let Some(running) = &mut self.devices[d].running {
            running.wire = None;
        }
        let name = self.devices[d].name.clone();
        self.say(|| format!("{name} {what}"));
        self.input(d, input);
    }

    /// One whole sync of a device, with nothing in its way.
    pub fn sync_whole(&mut self, d: usize) {
        self.begin(d);
        while self.devices[d].running.is_some() {
            if self.devices[d].exchanges >= EXCHANGES_MAX {
                self.devices[d].running = None;
                return;
            }
            self.advance(d);
            while let Some(index) = (!self.letters.is_empty()).then_some(0) {
                self.deliver(index);
            }
            while !self.tasks.is_empty() {
                self.poll(0);
            }
            while !self.replies.is_empty() {
                self.answer(0);
            }
        }
    }
}

/// Own entries from a number on, sealed.
pub(super) fn push(
    disk: &Disk,
    key: &DeviceKey,
    standing: &Standing,
    from: u64,
    entries_max: usize,
    bytes_max: u32,
) -> Option<Push> {
    let mut bytes = 0;
    let mut entries = Vec::new();
    let mut head = LogHead { seq: from - 1, link: LogHead::empty(&key.public()).link };
    if from > 1 {
        head.link = disk.entries.get(&EntryRef { device: standing.device, seq: from - 1 })?.link;
    }
    let previous = head.link;
    for (name, row) in disk.log(standing.device, from) {
        bytes += row.entry.canonical().len();
        let full = bytes > bytes_max as usize || entries.len() >= entries_max;
        if name.seq != head.seq + 1 || name.seq > standing.log.seq || (full && !entries.is_empty()) {
            break;
        }
        head = LogHead { seq: name.seq, link: row.link };
        entries.push(pintle_core::Entry::clone(&row.entry));
    }
    if entries.is_empty() {
        return None;
    }
    let signature = key.seal(&standing.organisation, from, &head).signature;
    Some(Push { from, previous, entries, signature })
}

pub(super) fn running_cursor(device: &Device) -> Option<&String> {
    device.running.as_ref()?.standing.cursor.as_ref()
}

fn is_stuck(disk: &Disk) -> bool {
    disk.first_unplaced().is_some() || disk.own.recover.is_some()
}
