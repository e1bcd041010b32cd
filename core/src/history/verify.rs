//! Verifies a service-history file, line by line.
//!
//! Promises: whatever the bytes, an answer and no panic; memory for the devices, the right edge of one tree and the
//! first [`FAILURES_MAX`] failures, not for entries. After a failure it goes on, so that every place is named.
//!
//! How the place is found: each entry states its link. One that does not lead to it was altered; the next is followed
//! from the stated link. Each batch states the machine's root after it.

use super::line::{
    Batch, BatchLine, CheckpointLine, Device, DeviceLine, EndLine, EntryLine, EpochKey, History, HistoryLine, KeysLine,
    OtherLine, PersonLine, Shown, StampLine, StampShown,
};
use super::stamped::{Stamps, Wrong};
use super::verdict::{About, Code, Failure, Standing, Verdict, Witness};
use super::{LINE_BYTES_MAX, LINES_MAX, VERSION_PLAIN, VERSION_STAMPED};
use crate::canonical;
use crate::chain::{LogHead, Seal, verify_seal};
use crate::entry::{Entry, Head, Part};
use crate::ids::{DeviceId, Hash, MachineId, PublicKey};
use crate::proof::checkpoint::{Checkpoint, origin, vouched};
use crate::proof::leaf::{Row, machine_leaf, roll_leaf_data};
use crate::proof::merkle::{Edge, leaf_hash, verify_inclusion};
use crate::proof::note::{Judged, Note, Signer};
use crate::proof::roll;
use crate::stamp::Authority;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Failures that are told one by one; the others are counted.
pub const FAILURES_MAX: usize = 100;
/// Most devices of a file: a machine that many hands run has some dozen.
const DEVICES_MAX: usize = 10_000;
/// Code of entries that the server itself set aside because their running count jumps.
const JUMPED: &str = crate::fault::code::MACHINE_SEQUENCE_GAP;

/// Which lines may come now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    History,
    Keys,
    Checkpoint,
    /// Time stamps, or what comes after them.
    Stamps,
    Body,
    Ended,
    /// The top cannot be read: nothing after it has a meaning.
    Lost,
}

/// A device, and how far its entries have come.
#[derive(Debug)]
struct Seen {
    device: Device,
    seq: u64,
    mseq: u64,
}

/// A batch that is being read.
#[derive(Debug)]
struct Open {
    batch: Batch,
    line: u64,
    head: LogHead,
    /// The first and last entry about the machine.
    shown: Option<(u64, u64)>,
}

/// What a head says of its place, whether or not it keeps the other rules of the log.
#[derive(Debug, Clone, Copy)]
struct Named {
    seq: u64,
    machine: MachineId,
    mseq: u64,
}

impl Named {
    fn of(entry: &Entry) -> Option<Self> {
        let head = entry.as_map().get("head")?;
        let machine = head.get("machine")?.as_str()?.parse().ok()?;
        Some(Self { seq: entry.seq(), machine, mseq: head.get("mseq")?.as_u64()? })
    }
}

/// The verifier.
#[derive(Debug)]
pub struct Verifier {
    pin: Option<PublicKey>,
    lines: u64,
    stage: Stage,
    history: Option<History>,
    signer: Option<(u64, PublicKey)>,
    epochs: Vec<u64>,
    stamps: Stamps,
    shown: Option<Shown>,
    devices: Vec<Seen>,
    open: Option<Open>,
    edge: Edge,
    /// The first batch that does not lead to its root, and what is told of it: all after it do not either.
    strayed: Option<(u64, String)>,
    failures: Vec<Failure>,
    failures_more: u64,
    worst: Standing,
    about: About,
    claimed_s: Option<(i64, i64)>,
    has_signer: bool,
}

impl Verifier {
    /// A verifier that wants the file to be signed by this key, or by one that it vouches for; without a key it never says
    /// more than [`Standing::CannotJudge`].
    #[must_use]
    pub fn new(pin: Option<PublicKey>) -> Self {
        Self {
            pin,
            lines: 0,
            stage: Stage::History,
            history: None,
            signer: None,
            epochs: Vec::new(),
            stamps: Stamps::default(),
            shown: None,
            devices: Vec::new(),
            open: None,
            edge: Edge::default(),
            strayed: None,
            failures: Vec::new(),
            failures_more: 0,
            worst: Standing::Valid,
            about: About::default(),
            claimed_s: None,
            has_signer: false,
        }
    }

    /// Has it judge time stamps by these authorities; without any it tells them as claims.
    #[must_use]
    pub fn believing(mut self, authorities: Vec<Authority>) -> Self {
        self.stamps = Stamps::believing(authorities);
        self
    }

    /// Looks at the next line, without its line feed.
    pub fn line(&mut self, line: &[u8]) {
        self.lines += 1;
        if self.stage == Stage::Lost {
            return;
        }
        if self.lines > LINES_MAX || line.len() > LINE_BYTES_MAX {
            self.damaged("it is longer than a file or a line may be");
            self.stage = Stage::Lost;
            return;
        }
        let before = self.stage;
        match canonical::read(line) {
            Err(fault) => self.damaged(&fault.detail),
            Ok(value) => self.value(&value),
        }
        if matches!(before, Stage::History | Stage::Keys | Stage::Checkpoint) && self.stage == before {
            self.stage = Stage::Lost;
        }
    }

    fn value(&mut self, value: &Value) {
        let kind = value.as_object().and_then(|line| {
            ["history", "keys", "checkpoint", "stamp", "device", "person", "batch", "entry", "other", "end"]
                .into_iter()
                .find(|kind| line.contains_key(*kind))
        });
        if self.stage == Stage::Stamps && kind != Some("stamp") {
            self.stage = Stage::Body;
            if self.stamps.is_empty() {
                self.damaged("a file of version 2 has a time stamp here");
            }
        }
        match (self.stage, kind) {
            (Stage::History, Some("history")) => self.read(value, |this, line: HistoryLine| this.top(line.history)),
            (Stage::Keys, Some("keys")) => self.read(value, |this, line: KeysLine| this.keys(&line.keys)),
            (Stage::Checkpoint, Some("checkpoint")) => {
                self.read(value, |this, line: CheckpointLine| this.checkpoint(line.checkpoint));
            }
            (Stage::Stamps, _) => self.read(value, |this, line: StampLine| this.stamp(line.stamp)),
            (Stage::Body, Some("device")) => self.read(value, |this, line: DeviceLine| this.device(line.device)),
            // A name is told, not proved: nothing of it is checked.
            (Stage::Body, Some("person")) => self.read(value, |this, _: PersonLine| this.close()),
            (Stage::Body, Some("batch")) => self.read(value, |this, line: BatchLine| this.batch(line.batch)),
            (Stage::Body, Some("entry"))
                if ["aside", "off_s"].iter().any(|field| value.get(field) == Some(&Value::Null)) =>
            {
                self.damaged("what is not there is left out");
            }
            (Stage::Body, Some("entry")) => self.read_plain(value, |this, line: EntryLine| this.entry(line)),
            (Stage::Body, Some("other")) => self.read_plain(value, |this, line: OtherLine| this.other(&line.other)),
            (Stage::Body, Some("end")) => self.read(value, |this, line: EndLine| {
                this.close();
                if (line.end.lines, line.end.entries) != (this.lines, this.edge.size()) {
                    let told = format!(
                        "the file should have {} lines and {} entries, and has {} and {}",
                        line.end.lines,
                        line.end.entries,
                        this.lines,
                        this.edge.size()
                    );
                    this.fail(Code::FileCut, told);
                }
                this.stage = Stage::Ended;
            }),
            (Stage::Ended, _) => self.damaged("there is something after the end"),
            _ => self.damaged("a line of this kind has no place here"),
        }
    }

    fn read<'v, T: Deserialize<'v> + Serialize>(&mut self, value: &'v Value, then: impl FnOnce(&mut Self, T)) {
        match T::deserialize(value) {
            // The library reads a list as an object and null as nothing: other verifiers do not.
            Ok(line) if serde_json::to_value(&line).is_ok_and(|written| written == *value) => then(self, line),
            Ok(_) => self.damaged("it has another form than it must have"),
            Err(error) => self.damaged(&error.to_string()),
        }
    }

    /// The same for lines that come in thousands, and have no object inside that a list could stand for.
    fn read_plain<'v, T: Deserialize<'v>>(&mut self, value: &'v Value, then: impl FnOnce(&mut Self, T)) {
        match T::deserialize(value) {
            Ok(line) => then(self, line),
            Err(error) => self.damaged(&error.to_string()),
        }
    }

    fn top(&mut self, history: History) {
        self.stage = Stage::Keys;
        self.about.organisation.clone_from(&history.organisation.name);
        self.about.machine = history.machine.to_string();
        self.about.withheld.clone_from(&history.withheld);
        if !(VERSION_PLAIN..=VERSION_STAMPED).contains(&history.v) {
            let told = format!("the file is of version {}, this program reads up to {VERSION_STAMPED}", history.v);
            self.fail(Code::UnknownVersion, told);
            self.stage = Stage::Lost;
        }
        self.history = Some(history);
    }

    fn keys(&mut self, keys: &[EpochKey]) {
        self.stage = Stage::Checkpoint;
        let Some(history) = &self.history else { return };
        let organisation = history.organisation.id;
        for pair in keys.windows(2) {
            let [before, after] = pair else { continue };
            let good = after.epoch > before.epoch
                && after.proof.as_ref().is_some_and(|proof| {
                    vouched(&organisation, (before.epoch, &before.key), (after.epoch, &after.key), proof)
                });
            if !good {
                let told =
                    format!("the key of epoch {} is not vouched for by the one of epoch {}", after.epoch, before.epoch);
                self.fail(Code::KeyNotVouched, told);
            }
        }
        match (&self.pin, keys.last()) {
            (_, None) => self.fail(Code::CheckpointNotSigned, "the file has no key".to_owned()),
            (Some(pin), Some(_)) if !keys.iter().any(|key| key.key == *pin) => {
                self.fail(
                    Code::UnknownSigner,
                    "the file is signed by another key than the one it was to be checked with".to_owned(),
                );
            }
            (_, Some(last)) => {
                self.has_signer = self.pin.is_some();
                self.about.signer = Some(last.key.to_string());
            }
        }
        self.signer = keys.last().map(|last| (last.epoch, last.key));
        self.epochs = keys.iter().map(|key| key.epoch).collect();
    }

    fn checkpoint(&mut self, shown: Shown) {
        let stamped = self.history.as_ref().is_some_and(|history| history.v == VERSION_STAMPED);
        self.stage = if stamped { Stage::Stamps } else { Stage::Body };
        let (Some(history), Some((epoch, key))) = (&self.history, self.signer) else { return };
        let (organisation, machine) = (history.organisation.id, history.machine);
        let opened = Checkpoint::open(&shown.note, &origin(&organisation, epoch), &key);
        self.about.checkpoint_ms = Some(shown.roll.made_ms);
        match opened {
            None => {
                self.about.signer = None;
                let told =
                    "the checkpoint is not signed by the newest key of the file for this organisation".to_owned();
                self.fail(Code::CheckpointNotSigned, told);
            }
            Some(checkpoint) => {
                let leaf = leaf_hash(&roll_leaf_data(&shown.roll));
                let last = checkpoint.size.saturating_sub(1);
                if !verify_inclusion(&leaf, last, checkpoint.size, &shown.inclusion, &checkpoint.root) {
                    let told = "the roll of machines is not the last leaf under the checkpoint".to_owned();
                    self.fail(Code::RollNotProved, told);
                }
            }
        }
        let line = roll::Line { key: roll::key(&organisation, &machine), count: shown.count, root: shown.root };
        if roll::root_of(&line, &shown.proof) != Some(shown.roll.root) {
            let told =
                format!("the roll of machines does not say {} entries with that root of this machine", shown.count);
            self.fail(Code::CountNotProved, told);
        }
        self.witnesses(&shown);
        self.shown = Some(shown);
    }

    fn stamp(&mut self, shown: StampShown) {
        let Some(organisation) = self.history.as_ref().map(|history| history.organisation.id) else { return };
        match self.stamps.take(self.lines, &organisation, &self.epochs, shown) {
            Ok(()) => {}
            Err(Wrong::Form(detail)) => self.damaged(detail),
            Err(Wrong::False(told)) => self.fail(Code::StampFalse, told),
        }
    }

    fn witnesses(&mut self, shown: &Shown) {
        let Some(note) = Note::read(&shown.note) else { return };
        for vkey in &shown.witnesses {
            match Signer::from_vkey(vkey).map(|signer| (note.judge(&signer), signer)) {
                Some((Judged::Signed(Some(time_s)), signer)) => {
                    self.about.witnesses.push(Witness { signer, time_s });
                }
                _ => self.fail(Code::WitnessFalse, format!("the co-signature of {vkey} is not under the checkpoint")),
            }
        }
    }

    fn device(&mut self, device: Device) {
        self.close();
        if device.id != DeviceId::of_key(&device.key) {
            self.fail(Code::DeviceNotOfKey, format!("the id of device {} is not that of its key", device.mark));
        }
        if self.devices.len() >= DEVICES_MAX || self.devices.iter().any(|seen| seen.device.id == device.id) {
            return self.damaged("a device is named twice, or there are more than a file may name");
        }
        self.about.devices += 1;
        self.devices.push(Seen { device, seq: 0, mseq: 0 });
    }

    fn batch(&mut self, batch: Batch) {
        self.close();
        let Some(seen) = self.devices.get(batch.device) else {
            return self.damaged("a batch is of a device that the file does not name");
        };
        let mark = seen.device.mark.clone();
        let starts = batch.first >= 1 && batch.first <= batch.to && batch.from >= 1 && batch.from <= batch.to;
        if !starts || batch.previous.is_none() != (batch.first == 1) {
            return self.damaged("the numbers of a batch do not fit together");
        }
        if batch.first <= seen.seq {
            let told = format!("{mark}-{} comes again or too late: {mark}-{} came before it", batch.first, seen.seq);
            self.fail(Code::OutOfOrder, told);
        }
        let Some(seen) = self.devices.get(batch.device) else { return };
        let link = batch.previous.unwrap_or_else(|| LogHead::empty(&seen.device.key).link);
        let head = LogHead { seq: batch.first - 1, link };
        self.open = Some(Open { batch, line: self.lines, head, shown: None });
    }

    /// The name of the entry that comes next, as people say it.
    fn next_name(&self) -> Option<String> {
        let open = self.open.as_ref()?;
        let mark = &self.devices.get(open.batch.device)?.device.mark;
        Some(format!("{mark}-{}", open.head.seq + 1))
    }

    fn other(&mut self, parts: &[Hash; 4]) {
        let Some(open) = &mut self.open else { return self.damaged("an entry stands in no batch") };
        if open.head.seq >= open.batch.to {
            return self.damaged("a batch has more entries than its seal covers");
        }
        let [head, body, words, office] = parts;
        let link = Hash::of(&[&open.head.link.0, &head.0, &body.0, &words.0, &office.0]);
        open.head = LogHead { seq: open.head.seq + 1, link };
    }

    fn entry(&mut self, line: EntryLine) {
        let Some(name) = self.next_name() else { return self.damaged("an entry stands in no batch") };
        let Some(open) = &mut self.open else { return };
        if open.head.seq >= open.batch.to {
            return self.damaged("a batch has more entries than its seal covers");
        }
        let leads_to = crate::chain::link(&open.head.link, &line.entry);
        open.head = LogHead { seq: open.head.seq + 1, link: line.link };
        let (seq, device, received_ms) = (open.head.seq, open.batch.device, open.batch.received_ms);
        open.shown = Some((open.shown.map_or(seq, |(first, _)| first), seq));
        if leads_to != line.link {
            self.fail(Code::EntryAltered, format!("entry {name} was altered: it does not lead to its link"));
        }
        let machine = self.history.as_ref().map(|history| history.machine);
        match (Named::of(&line.entry), machine) {
            (Some(named), Some(machine)) if (named.seq, named.machine) == (seq, machine) => {
                self.counted(device, &name, named, line.aside.as_deref());
                self.timed(&name, line.entry.head().ok(), received_ms);
            }
            _ => {
                let told = format!("what stands in the place of {name} is another entry, or about another machine");
                self.fail(Code::EntryMisplaced, told);
            }
        }
        let Some(id) = self.devices.get(device).map(|seen| seen.device.id) else { return };
        self.about.aside += u64::from(line.aside.is_some());
        let withheld =
            ["body", "words", "office"].iter().any(|part| matches!(line.entry.part(part), Part::Withheld(_)));
        self.about.with_withheld += u64::from(withheld);
        let row = Row {
            position: 0,
            device: id,
            seq,
            link: line.link,
            machine,
            received_ms,
            off_s: line.off_s,
            aside: line.aside,
        };
        self.edge.push(machine_leaf(&row));
        self.stamps.reached(self.edge.size(), || self.edge.root(), &row);
    }

    /// Compares the device's running count of entries about the machine.
    fn counted(&mut self, device: usize, name: &str, named: Named, aside: Option<&str>) {
        let (Some(seen), mseq) = (self.devices.get_mut(device), named.mseq) else { return };
        let (before, last) = (seen.mseq, seen.seq);
        seen.mseq = before.max(mseq);
        seen.seq = named.seq;
        let mark = seen.device.mark.clone();
        if aside == Some(JUMPED) {
            return;
        }
        if mseq > before + 1 {
            let since = if last == 0 { "the beginning".to_owned() } else { format!("{mark}-{last}") };
            let missing = mseq - before - 1;
            let told =
                format!("{missing} of {mark}'s entries about this machine are missing between {since} and {name}");
            self.fail(Code::EntriesMissing, told);
        } else if mseq <= before {
            self.fail(Code::OutOfOrder, format!("{name} has a running count that came before"));
        }
    }

    fn timed(&mut self, name: &str, head: Option<&Head>, received_ms: i64) {
        // A head that breaks a rule of the log is an entry all the same: it stands aside, and claims no time.
        let Some(head) = head else { return };
        let at_s = head.at.second();
        self.stamps.claimed(name, at_s);
        let text = || head.at.to_string();
        match (&mut self.about.claimed, self.claimed_s) {
            (Some((first, last)), Some((first_s, last_s))) => {
                if at_s < first_s {
                    *first = text();
                }
                if at_s > last_s {
                    *last = text();
                }
                self.claimed_s = Some((first_s.min(at_s), last_s.max(at_s)));
            }
            (claimed, _) => {
                *claimed = Some((text(), text()));
                self.claimed_s = Some((at_s, at_s));
            }
        }
        let gap_s = received_ms.div_euclid(1000).saturating_sub(at_s);
        self.about.ahead += u64::from(gap_s < 0);
        if self.about.longest_gap.as_ref().is_none_or(|(longest, _)| gap_s > *longest) {
            self.about.longest_gap = Some((gap_s, name.to_owned()));
        }
    }

    /// Ends the batch that is being read.
    fn close(&mut self) {
        let Some(open) = self.open.take() else { return };
        let (Some(seen), Some(history)) = (self.devices.get(open.batch.device), &self.history) else { return };
        let (mark, key, organisation) = (seen.device.mark.clone(), seen.device.key, history.organisation.id);
        let Batch { from, to, first, signature, root, .. } = open.batch;
        if open.head.seq < first {
            self.fail_at(open.line, Code::DamagedLine, format!("the batch from {mark}-{first} on has no entries"));
        } else if open.head.seq < to {
            let told = format!("{mark}-{} to {mark}-{to} are missing at the end of their batch", open.head.seq + 1);
            self.fail_at(open.line, Code::EntriesMissing, told);
        } else {
            let seal = Seal { device: seen.device.id, from, to, link: open.head.link, signature };
            if !verify_seal(&key, &organisation, &seal) {
                let told = format!("the seal of {mark} over {mark}-{first} to {mark}-{to} is not that device's");
                self.fail_at(open.line, Code::SealFalse, told);
            }
        }
        if self.edge.root() != root && self.strayed.is_none() {
            let (from, to) = open.shown.unwrap_or((first, to));
            let told = format!(
                "the batch with {mark}-{from} to {mark}-{to} does not stand where it stood: an entry, its order, its time of \
                 receipt or its standing was changed here"
            );
            self.strayed = Some((open.line, told));
        }
    }

    /// The verdict, once all lines were looked at.
    #[must_use]
    pub fn finish(mut self) -> Verdict {
        if self.stage != Stage::Ended && self.stage != Stage::Lost {
            // What is cut off in the middle cannot be held against its seal.
            self.open = None;
            let last = self
                .devices
                .iter()
                .filter(|seen| seen.seq > 0)
                .map(|seen| format!("{}-{}", seen.device.mark, seen.seq));
            let last = last.collect::<Vec<_>>().join(", ");
            let last = if last.is_empty() { "before any entry".to_owned() } else { format!("after {last}") };
            self.fail(Code::FileCut, format!("the file is cut off {last}"));
        }
        self.about.entries = self.edge.size();
        if let Some(shown) = self.shown.take() {
            self.whole(&shown);
        }
        let no_signer = self.worst == Standing::Valid && !self.has_signer;
        self.failures.sort_by_key(|failure| failure.line);
        Verdict {
            standing: if no_signer { Standing::CannotJudge } else { self.worst },
            failures: self.failures,
            failures_more: self.failures_more,
            about: self.about,
        }
    }

    /// Compares what came with what the roll counts.
    fn whole(&mut self, shown: &Shown) {
        let (tally, unproved) = std::mem::take(&mut self.stamps).finish();
        self.about.stamps = tally;
        let (found, counted) = (self.edge.size(), shown.count);
        if found < counted {
            let missing = counted - found;
            let told = format!("{missing} of the machine's {counted} entries are missing in all");
            self.fail(Code::EntriesMissing, told);
        } else if found > counted {
            self.fail(Code::EntriesAdded, format!("{found} entries are here, the checkpoint counts {counted}"));
        }
        // With an entry missing nothing after it leads to its root: that is told already.
        if self.failures.iter().any(|failure| failure.code == Code::EntriesMissing) {
            return;
        }
        match self.strayed.take() {
            Some((line, told)) => self.fail_at(line, Code::BatchAltered, told),
            None if self.edge.root() != shown.root && self.worst == Standing::Valid => {
                self.fail(Code::BatchAltered, "the entries do not lead to the root that the roll says".to_owned());
            }
            None => unproved.into_iter().for_each(|(line, told)| self.fail_at(line, Code::StampFalse, told)),
        }
    }

    fn damaged(&mut self, detail: &str) {
        let place = self.next_name().map_or_else(String::new, |name| format!(", where {name} should stand"));
        self.fail(Code::DamagedLine, format!("line {} cannot be read{place}: {detail}", self.lines));
    }

    fn fail(&mut self, code: Code, told: String) {
        self.fail_at(self.lines, code, told);
    }

    fn fail_at(&mut self, line: u64, code: Code, told: String) {
        self.worst = self.worst.max(code.standing());
        if self.failures.len() < FAILURES_MAX {
            self.failures.push(Failure { code, line, told });
        } else {
            self.failures_more += 1;
        }
    }
}
