//! A history file read for people: its verdict, and the entries it holds.
//!
//! Promises: the verifier looks at every line; what is read here is what it looked at. A line that cannot be read is in
//! the verdict and nowhere else. Memory for every entry: who only wants the verdict takes [`Verifier`] alone.
//!
//! Never says more of a file than it holds: positions in the ledger, which a file does not show, may be lent by who has
//! them, and then tell who knew what.

use super::LINE_BYTES_MAX;
use super::line::{Batch, BatchLine, DeviceLine, EntryLine, HistoryLine, KeysLine, PersonLine};
use super::verdict::Verdict;
use super::verify::Verifier;
use crate::entry::{EntryRef, Held};
use crate::ids::{DeviceId, MachineId, OrganisationId, PersonId, PublicKey};
use crate::stamp::Authority;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::collections::BTreeMap;

/// What stands at the top of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordTop {
    /// Whose machine it is.
    pub organisation: OrganisationId,
    /// What they call themselves.
    pub organisation_name: String,
    /// The machine.
    pub machine: MachineId,
    /// When the file was made, as it says, in milliseconds since 1970.
    pub made_ms: i64,
    /// What it says is withheld.
    pub withheld: Vec<String>,
}

/// What a history file holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// The top, where it can be read.
    pub top: Option<RecordTop>,
    /// The keys that have signed checkpoints, by epoch, the newest last.
    pub keys: Vec<(u64, PublicKey)>,
    /// Marks of devices.
    pub marks: BTreeMap<DeviceId, String>,
    /// Names of people, where they are given.
    pub people: BTreeMap<PersonId, String>,
    /// The entries about the machine, in the order of the file.
    pub entries: Vec<Held>,
    /// How the file stands.
    pub verdict: Verdict,
}

impl Record {
    /// What people call an entry: `K7-412`.
    #[must_use]
    pub fn name(&self, entry: EntryRef) -> String {
        let mark = self.marks.get(&entry.device);
        mark.map_or_else(|| format!("{}-{}", entry.device, entry.seq), |mark| format!("{mark}-{}", entry.seq))
    }

    /// Takes the positions of these entries, where they are the same as the file's: device, number and link. Gives how many
    /// of the file's entries have none.
    pub fn lend_positions(&mut self, entries: &[Held]) -> usize {
        let known: BTreeMap<EntryRef, &Held> = entries.iter().map(|held| (held.name(), held)).collect();
        let mut without = 0;
        for held in &mut self.entries {
            held.position = known.get(&held.name()).filter(|other| other.link == held.link).and_then(|o| o.position);
            without += usize::from(held.position.is_none());
        }
        without
    }
}

/// Reads a file line by line.
#[derive(Debug)]
pub struct Reading {
    verifier: Verifier,
    record: Record,
    devices: Vec<DeviceId>,
    /// The device and the time of receipt of the batch that is being read.
    batch: Option<(DeviceId, i64)>,
}

impl Reading {
    /// A reading of a file that is to be signed by this key; see [`Verifier::new`].
    #[must_use]
    pub fn new(pin: Option<PublicKey>) -> Self {
        let verifier = Verifier::new(pin);
        let verdict = Verifier::new(pin).finish();
        let (marks, people) = (BTreeMap::new(), BTreeMap::new());
        let record = Record { top: None, keys: Vec::new(), marks, people, entries: Vec::new(), verdict };
        Self { verifier, record, devices: Vec::new(), batch: None }
    }

    /// Has time stamps judged by these authorities; see [`Verifier::believing`].
    #[must_use]
    pub fn believing(mut self, authorities: Vec<Authority>) -> Self {
        self.verifier = self.verifier.believing(authorities);
        self
    }

    /// Looks at the next line, without its line feed.
    pub fn line(&mut self, line: &[u8]) {
        self.verifier.line(line);
        if line.len() > LINE_BYTES_MAX {
            return;
        }
        let Ok(Value::Object(fields)) = serde_json::from_slice(line) else { return };
        let kinds = ["history", "keys", "device", "person", "batch", "entry"];
        let Some(kind) = kinds.into_iter().find(|kind| fields.contains_key(*kind)) else { return };
        let line = Value::Object(fields);
        let record = &mut self.record;
        match kind {
            "history" if record.top.is_none() => {
                record.top = read(line).map(|HistoryLine { history }| RecordTop {
                    organisation: history.organisation.id,
                    organisation_name: history.organisation.name,
                    machine: history.machine,
                    made_ms: history.made_ms,
                    withheld: history.withheld,
                });
            }
            "keys" => {
                let keys = read(line).map(|KeysLine { keys }| keys).unwrap_or_default();
                record.keys = keys.into_iter().map(|key| (key.epoch, key.key)).collect();
            }
            "device" => {
                if let Some(DeviceLine { device }) = read(line) {
                    self.devices.push(device.id);
                    record.marks.insert(device.id, device.mark);
                }
            }
            "person" => record.people.extend(read(line).map(|PersonLine { person }| (person.id, person.name))),
            "batch" => {
                let of = |batch: Batch| Some((*self.devices.get(batch.device)?, batch.received_ms));
                self.batch = read(line).and_then(|BatchLine { batch }| of(batch));
            }
            _ => {
                if let (Some((device, received_ms)), Some(line)) = (self.batch, read::<EntryLine>(line)) {
                    let EntryLine { entry, link, aside, off_s } = line;
                    let received_ms = Some(received_ms);
                    record.entries.push(Held { device, link, position: None, received_ms, off_s, aside, entry });
                }
            }
        }
    }

    /// The record, once all lines were looked at.
    #[must_use]
    pub fn finish(self) -> Record {
        Record { verdict: self.verifier.finish(), ..self.record }
    }
}

fn read<T: DeserializeOwned>(line: Value) -> Option<T> {
    serde_json::from_value(line).ok()
}
