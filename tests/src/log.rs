//! A device's log about one machine, made entry by entry, without a device.
//!
//! Promises: what is made here are entries as a device makes them, with their links. Never a ledger: nothing has a
//! position, and nobody has seen anything.

use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::entry::{ENTRY_VERSION, Entry, Head, Held};
use pintle_core::fault::Fault;
use pintle_core::ids::{DeviceId, MachineId, PersonId};
use pintle_core::moment::Moment;
use serde_json::{Map, Value};
use std::collections::BTreeMap;

/// The log.
pub struct Log {
    /// The machine it is about.
    pub machine: MachineId,
    /// Its entries.
    pub held: Vec<Held>,
    device: DeviceId,
    head: LogHead,
}

impl Log {
    /// An empty log; the number makes the device and the machine.
    #[must_use]
    pub fn new(number: u8) -> Self {
        let key = DeviceKey::from_secret(&[number; 32]).public();
        let machine = MachineId([number; 16]);
        Self { machine, held: Vec::new(), device: DeviceId::of_key(&key), head: LogHead::empty(&key) }
    }

    /// Appends an entry.
    ///
    /// # Errors
    /// If the parts make no entry.
    pub fn record(&mut self, at: Moment, kind: &str, body: Map<String, Value>) -> Result<(), Fault> {
        let seq = self.head.seq + 1;
        let head = Head {
            v: ENTRY_VERSION,
            seq,
            machine: Some(self.machine),
            mseq: Some(seq),
            seen: 0,
            also_seen: BTreeMap::new(),
            at,
            by: PersonId([1; 16]),
            kind: kind.to_owned(),
            clock: None,
        };
        let entry = Entry::new(&head, body, None, None)?;
        self.head = self.head.after(&entry);
        self.held.push(Held {
            device: self.device,
            link: self.head.link,
            position: None,
            received_ms: None,
            off_s: None,
            aside: None,
            entry,
        });
        Ok(())
    }
}
