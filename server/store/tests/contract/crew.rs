//! Devices that record and seal real entries, without a server.
//!
//! Promises: chains, running counts and seals are sound unless a case breaks them on purpose.

use crate::bed::{Bed, NOW_MS};
use pintle_core::admit::{self, Checked};
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::entry::{Entry, Head};
use pintle_core::exchange::{ClockSample, Digest, Person, Push, PushOutcome, Wanted};
use pintle_core::ids::{Baton, DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey};
use pintle_core::moment::Moment;
use pintle_store::{Actor, DeviceScope, Enrolled, Enrolment, EnrolmentCode, PageAsk, Pushed, Role};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

pub const EX3: MachineId = MachineId([3; 16]);
pub const EX4: MachineId = MachineId([4; 16]);
pub const EX5: MachineId = MachineId([5; 16]);
pub const EX6: MachineId = MachineId([6; 16]);

/// A device and its log.
#[derive(Clone)]
pub struct Device {
    secret: [u8; 32],
    pub id: DeviceId,
    pub key: PublicKey,
    pub organisation: OrganisationId,
    pub log: Vec<Entry>,
    /// Head of the log after so many entries.
    pub heads: Vec<LogHead>,
    machine_counts: BTreeMap<MachineId, u64>,
}

impl Device {
    /// The device of a number, not enrolled yet.
    pub fn new(number: u16, organisation: OrganisationId) -> Self {
        let mut secret = [7; 32];
        secret[..2].copy_from_slice(&number.to_be_bytes());
        let key = DeviceKey::from_secret(&secret).public();
        Self {
            secret,
            id: DeviceId::of_key(&key),
            key,
            organisation,
            log: Vec::new(),
            heads: vec![LogHead::empty(&key)],
            machine_counts: BTreeMap::new(),
        }
    }

    /// A device that has been let in with a code of its own.
    pub async fn enrolled(bed: &Bed, number: u16, organisation: OrganisationId) -> Self {
        let device = Self::new(number, organisation);
        let code = code_of(number);
        let stored = EnrolmentCode { hash: code, role: Role::Crew, expires_ms: NOW_MS + 60_000 };
        bed.store.code_add(Actor::operator(organisation), &stored, NOW_MS).await.expect("a code is added");
        let enrolled = bed.store.enrol(&device.enrolment(code, &format!("D{number}"))).await.expect("enrolment works");
        assert!(matches!(enrolled, Enrolled::In { .. }), "{enrolled:?}");
        device
    }

    pub fn enrolment(&self, code: Hash, mark: &str) -> Enrolment {
        let person = Person { id: PersonId([self.secret[1]; 16]), name: format!("person of {mark}") };
        Enrolment { code, key: self.key, mark: mark.into(), person, baton: Baton([1; 16]), now_ms: NOW_MS }
    }

    pub fn scope(&self) -> DeviceScope {
        DeviceScope { organisation: self.organisation, device: self.id }
    }

    pub fn end(&self) -> LogHead {
        *self.heads.last().expect("an empty log has a head")
    }

    /// Records a note about a machine or about none.
    pub fn note(&mut self, machine: Option<MachineId>, text: &str) -> u64 {
        let mseq = machine.map(|machine| {
            let count = self.machine_counts.entry(machine).or_insert(0);
            *count += 1;
            *count
        });
        self.note_as(machine, mseq, text)
    }

    /// Records a note with a running count of the caller's choice.
    pub fn note_as(&mut self, machine: Option<MachineId>, mseq: Option<u64>, text: &str) -> u64 {
        let head = Head {
            v: 1,
            seq: self.end().seq + 1,
            machine,
            mseq,
            seen: 0,
            also_seen: BTreeMap::new(),
            at: Moment::at(NOW_MS / 1000 - 3600, 7200).expect("in range"),
            by: PersonId([self.secret[1]; 16]),
            kind: "note_left".into(),
            clock: None,
        };
        let words = Map::from_iter([("salt".into(), "AAAAAAAAAAAAAAAAAAAAAA".into()), ("text".into(), text.into())]);
        self.take(Entry::new(&head, Map::new(), Some(words), None).expect("a sound entry"))
    }

    /// Records an entry whose head cannot be read.
    pub fn unreadable(&mut self) -> u64 {
        let seq = self.end().seq + 1;
        self.take(Entry::from_value(json!({"head": {"seq": seq}, "body": {}})).expect("an entry all the same"))
    }

    /// Records an entry from its value, but for its number.
    pub fn value(&mut self, mut value: Value) -> u64 {
        value["head"]["seq"] = json!(self.end().seq + 1);
        self.take(Entry::from_value(value).expect("an entry"))
    }

    fn take(&mut self, entry: Entry) -> u64 {
        self.heads.push(self.end().after(&entry));
        self.log.push(entry);
        self.end().seq
    }

    /// The same device as it was after so many entries: a copy of it.
    pub fn back_at(&self, seq: usize) -> Self {
        let mut copy = self.clone();
        copy.log.truncate(seq);
        copy.heads.truncate(seq + 1);
        copy.machine_counts.clear();
        for head in copy.log.iter().filter_map(|entry| entry.head().ok()) {
            if let (Some(machine), Some(mseq)) = (head.machine, head.mseq) {
                copy.machine_counts.insert(machine, mseq);
            }
        }
        copy
    }

    /// A sealed push of its entries `from..=to`, checked.
    pub fn batch(&self, from: usize, to: usize) -> Checked {
        let seal = DeviceKey::from_secret(&self.secret).seal(&self.organisation, from as u64, &self.heads[to]);
        let push = Push {
            from: from as u64,
            previous: self.heads[from - 1].link,
            entries: self.log[from - 1..to].to_vec(),
            signature: seal.signature,
        };
        admit::check(push, &self.key, &self.organisation).expect("a sound push")
    }

    /// Pushes its entries `from..=to`.
    pub async fn push(&self, bed: &Bed, from: usize, to: usize) -> Pushed {
        let checked = self.batch(from, to);
        bed.store.push(self.scope(), &checked, &clock(), NOW_MS).await.expect("the store answers")
    }

    /// Pushes all from `from` and expects it to be written.
    pub async fn push_on(&self, bed: &Bed, from: usize) -> Pushed {
        let pushed = self.push(bed, from, self.log.len()).await;
        assert_eq!(pushed.answer.outcome, PushOutcome::Accepted);
        pushed
    }
}

/// SHA-256 of a code.
pub fn code_of(number: u16) -> Hash {
    Hash::of(&[b"code", &number.to_be_bytes()])
}

/// A device's clocks, right to the second.
pub fn clock() -> ClockSample {
    ClockSample { at: Moment::at(NOW_MS / 1000, 0).expect("in range"), boot: None, up_s: None }
}

/// A page without bounds.
pub fn all_after(after: u64) -> PageAsk {
    PageAsk {
        after,
        bytes_max: usize::MAX,
        rows_max: 100_000,
        wanted: Wanted::default(),
        except: None,
        whole_log_of: None,
    }
}

/// Some machines.
pub fn wanted(machines: &[MachineId]) -> Wanted {
    Wanted::only(machines.iter().copied())
}

/// The digest of links, as anyone would compute it.
pub fn digest_of<'a>(links: impl IntoIterator<Item = &'a Hash>) -> Digest {
    links.into_iter().fold(Digest::default(), |digest, link| Digest {
        count: digest.count + 1,
        sum: digest.sum.wrapping_add(u64::from_be_bytes(link.0[..8].try_into().expect("eight bytes"))),
    })
}
