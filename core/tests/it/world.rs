//! A ledger and devices without any transport.
//!
//! Promises: entries made here are real ones, with chains, links, positions and exact `seen`.

use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::entry::{Entry, EntryRef, Head, Held};
use pintle_core::ids::{DeviceId, MachineId, PersonId};
use pintle_core::moment::Moment;
use serde_json::{Map, Value};
use std::collections::BTreeMap;

pub const EX3: MachineId = MachineId([3; 16]);

/// One device's log.
pub struct Device {
    pub id: DeviceId,
    pub head: LogHead,
    pub seen: u64,
    machine_counts: BTreeMap<MachineId, u64>,
}

/// Devices and the ledger they sync with.
pub struct World {
    pub devices: Vec<Device>,
    pub held: Vec<Held>,
    position: u64,
}

impl World {
    pub fn new(devices: usize) -> Self {
        let devices = (0..devices)
            .map(|n| {
                let key = DeviceKey::from_secret(&[u8::try_from(n).expect("few devices") + 1; 32]);
                let id = DeviceId::of_key(&key.public());
                let head = LogHead::empty(&key.public());
                Device { id, head, seen: 0, machine_counts: BTreeMap::new() }
            })
            .collect();
        Self { devices, held: Vec::new(), position: 0 }
    }

    /// Records on a device, `minute` minutes after a fixed morning.
    pub fn record(&mut self, device: usize, minute: i64, kind: &str, body: Value) -> EntryRef {
        self.record_words(device, minute, kind, body, None)
    }

    pub fn record_words(
        &mut self,
        device: usize,
        minute: i64,
        kind: &str,
        body: Value,
        text: Option<&str>,
    ) -> EntryRef {
        let at = Moment::at(1_780_000_000 + minute * 60, 7200).expect("in range");
        self.record_at(device, at, kind, body, text)
    }

    /// Records on a device at any moment.
    pub fn record_at(&mut self, device: usize, at: Moment, kind: &str, body: Value, text: Option<&str>) -> EntryRef {
        let d = &mut self.devices[device];
        let count = d.machine_counts.entry(EX3).or_insert(0);
        *count += 1;
        let head = Head {
            v: 1,
            seq: d.head.seq + 1,
            machine: Some(EX3),
            mseq: Some(*count),
            seen: d.seen,
            also_seen: BTreeMap::new(),
            at,
            by: PersonId([u8::try_from(device).expect("few devices") + 1; 16]),
            kind: kind.to_owned(),
            clock: None,
        };
        let Value::Object(body) = body else { panic!("a body is an object") };
        let words =
            text.map(|text| Map::from_iter([("salt".to_owned(), "x".into()), ("text".to_owned(), text.into())]));
        let entry = Entry::new(&head, body, words, None).expect("a sound entry");
        d.head = d.head.after(&entry);
        let held = Held {
            device: d.id,
            link: d.head.link,
            position: None,
            received_ms: None,
            off_s: None,
            aside: None,
            entry,
        };
        let name = held.name();
        self.held.push(held);
        name
    }

    /// Pushes what a device has, then lets it see the whole ledger.
    pub fn sync(&mut self, device: usize) {
        self.push(device);
        self.devices[device].seen = self.position;
    }

    /// Pushes what a device has without letting it see anything.
    pub fn push(&mut self, device: usize) {
        let id = self.devices[device].id;
        for held in self.held.iter_mut().filter(|h| h.device == id && h.position.is_none()) {
            self.position += 1;
            held.position = Some(self.position);
            held.received_ms = Some(1_790_000_000_000);
        }
    }

    pub fn keeping_by(&self, counting: pintle_core::plan::Counting) -> Vec<pintle_core::book::Keeping> {
        pintle_core::book::keeping_by(&self.held, counting)
    }

    pub fn book(&self) -> pintle_core::book::Book {
        pintle_core::book::book(EX3, &self.held)
    }
}
