//! A ledger of some devices and two machines, whole with tree, checkpoint and file: what a server does, without one.
//!
//! Promises: chains, seals, trees and signatures are those of the product; keys are fixed, so that a file is always the same.
//! Also used by the client's tests, the outside check and the benchmark, which include this file.

use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::entry::{Clock, Entry, Head};
use pintle_core::exchange::{DeviceCard, Directory, Person};
use pintle_core::history::write::{Item, Stretch, TimeStamp, Top, Writer};
use pintle_core::ids::{DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey};
use pintle_core::moment::Moment;
use pintle_core::proof::checkpoint::{Checkpoint, CheckpointKey, origin};
use pintle_core::proof::growth::{Growth, Reached, line};
use pintle_core::proof::leaf::Row;
use pintle_core::proof::merkle::Plan;
use pintle_core::proof::note::{self, Kind, Note, Signer};
use pintle_core::proof::roll::{Roll, key};
use pintle_core::proof::tile::{Growing, Tiles, node_in};
use pintle_core::stamp::Authority;
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, BTreeSet};

pub const ORGANISATION: OrganisationId = OrganisationId([9; 16]);
pub const EX3: MachineId = MachineId([3; 16]);
pub const EX4: MachineId = MachineId([4; 16]);
pub const BEGIN_S: i64 = 1_777_890_000;
const MARKS: [&str; 6] = ["K7", "M2", "T4", "R9", "B1", "W5"];

/// What an entry says beside its place: kind, body, words, office, evidence of the clock.
pub struct Said {
    pub kind: &'static str,
    pub body: Value,
    pub words: Option<Value>,
    pub office: Option<Value>,
    pub clock: Option<Clock>,
}

/// A little of everything, by the entry's number.
fn said(seq: u64) -> Said {
    let (kind, body, words) = match seq % 3 {
        0 => {
            let words = json!({"salt": format!("AAAAAAAAAAAAA{:03}", seq % 1000), "text": format!("note {seq}")});
            ("note_left", json!({}), Some(words))
        }
        1 => ("meter_read", json!({"reading": format!("{}.5", 1000 + seq)}), None),
        _ => ("task_done", json!({"task": "grease", "reading": format!("{}.5", 1000 + seq)}), None),
    };
    let office = seq.is_multiple_of(5).then(|| json!({"salt": "BBBBBBBBBBBBBBBBBBBBBB", "price": "120.00"}));
    Said { kind, body, words, office, clock: None }
}

struct Device {
    key: DeviceKey,
    head: LogHead,
    counts: BTreeMap<MachineId, u64>,
}

/// A ledger that grows by pushes.
pub struct Ledger {
    devices: Vec<Device>,
    rows: Vec<Row>,
    stretches: Vec<Stretch>,
    people: Vec<Person>,
    now_s: i64,
    /// By how much the clock is off, and why the server sets aside, in the next push.
    odd: (Option<i64>, Option<String>),
    /// Minutes from one entry of a push to the next.
    pace_min: i64,
}

/// A time stamp of a checkpoint that is made after so many entries of the ledger.
pub struct Made<'a> {
    pub rows: usize,
    pub epoch: u64,
    pub authority: &'a str,
    pub at_s: i64,
    pub token: &'a [u8],
}

/// The roll of the machines as they are now.
fn rolled(growth: &Growth) -> Roll {
    let lines = growth.machines().iter().map(|(id, edge)| line(&ORGANISATION, id, edge.size(), edge.root()));
    Roll::new(lines.collect())
}

impl Ledger {
    pub fn new() -> Self {
        Self::of(2)
    }

    /// Of so many devices, six at most.
    pub fn of(devices: u8) -> Self {
        let device = |number: u8| {
            let key = DeviceKey::from_secret(&[number + 1; 32]);
            Device { head: LogHead::empty(&key.public()), key, counts: BTreeMap::new() }
        };
        let people = vec![Person { id: PersonId([6; 16]), name: "Ines".into() }];
        let devices = (0..devices).map(device).collect();
        Self {
            devices,
            rows: Vec::new(),
            stretches: Vec::new(),
            people,
            now_s: BEGIN_S,
            odd: (None, None),
            pace_min: 1,
        }
    }

    /// Each device in the hands of a person of its own.
    pub fn crewed(mut self, names: &[&str]) -> Self {
        let numbered = names.iter().zip(6..);
        self.people =
            numbered.map(|(name, number)| Person { id: PersonId([number; 16]), name: (*name).to_owned() }).collect();
        self
    }

    /// With so many minutes from one entry of a push to the next.
    pub fn paced(self, pace_min: i64) -> Self {
        Self { pace_min, ..self }
    }

    /// So many hours in which nobody records anything.
    pub fn wait(&mut self, hours: i64) {
        self.now_s += hours * 3600;
    }

    /// What the server finds odd about the next push: by how much the clock is off, why it sets it aside.
    pub fn finds(&mut self, off_s: Option<i64>, aside: Option<&str>) {
        self.odd = (off_s, aside.map(str::to_owned));
    }

    /// Who has a device.
    fn holder(&self, device: usize) -> PersonId {
        self.people[device % self.people.len()].id
    }

    /// A device records about these machines and pushes it.
    pub fn push(&mut self, device: usize, machines: &[Option<MachineId>]) {
        self.push_as(device, machines, &mut said);
    }

    /// The same, with what the entries say.
    pub fn push_as(&mut self, device: usize, machines: &[Option<MachineId>], say: &mut dyn FnMut(u64) -> Said) {
        self.now_s += 3600;
        let received_ms = self.now_s * 1000 + 250;
        let id = DeviceId::of_key(&self.devices[device].key.public());
        let from = self.devices[device].head;
        let mut items: Vec<(Hash, Item)> = Vec::new();
        let (off_s, aside) = std::mem::take(&mut self.odd);
        for (n, machine) in machines.iter().enumerate() {
            let before = self.devices[device].head.link;
            // The last one is at least half an hour old when it is pushed.
            let [n, all] = [n, machines.len()].map(|n| i64::try_from(n).expect("small") * self.pace_min);
            let minute = n - if self.pace_min > 1 { all } else { 0 };
            let entry = self.entry(device, *machine, minute, say);
            let head = self.devices[device].head.after(&entry);
            self.devices[device].head = head;
            let position = self.rows.len() as u64 + 1;
            let (link, machine) = (head.link, *machine);
            let aside = aside.clone();
            let row =
                Row { position, device: id, seq: head.seq, link, machine, received_ms, off_s, aside: aside.clone() };
            self.rows.push(row);
            items.push((before, Item { machine, link, off_s, aside, entry }));
        }
        let seal = self.devices[device].key.seal(&ORGANISATION, from.seq + 1, &self.devices[device].head);
        let Some(first) = items.iter().position(|(_, item)| item.machine == Some(EX3)) else { return };
        let (before, item) = &items[first];
        let previous = (item.entry.seq() > 1).then_some(*before);
        let entries = items[first..].iter().map(|(_, item)| item.clone()).collect();
        self.stretches.push(Stretch { seal, received_ms, previous, entries });
    }

    fn entry(
        &mut self,
        device: usize,
        machine: Option<MachineId>,
        minute: i64,
        say: &mut dyn FnMut(u64) -> Said,
    ) -> Entry {
        let (now_s, by) = (self.now_s, self.holder(device));
        let device = &mut self.devices[device];
        let mseq = machine.map(|machine| {
            let count = device.counts.entry(machine).or_insert(0);
            *count += 1;
            *count
        });
        let seq = device.head.seq + 1;
        let Said { kind, body, words, office, clock } = say(seq);
        let map = |value: Value| -> Map<String, Value> { serde_json::from_value(value).expect("an object") };
        let head = Head {
            v: 1,
            seq,
            machine,
            mseq,
            seen: 0,
            also_seen: BTreeMap::new(),
            at: Moment::at(now_s - 1800 + minute * 60, 7200).expect("in range"),
            by,
            kind: kind.into(),
            clock,
        };
        Entry::new(&head, map(body), words.map(map), office.map(map)).expect("an entry")
    }

    /// The whole tree, with the checkpoints that are stamped; their proofs are still to be made.
    fn grown(&self, made: &[Made<'_>]) -> (Growth, Vec<TimeStamp>) {
        let tree = Growing::new(0, Tiles::new()).expect("an empty tree");
        let mut growth = Growth::new(tree, &Reached::NOTHING, BTreeMap::new());
        let (mut stamps, mut about) = (Vec::new(), (0, 0, 0));
        for (rows, row) in (1..).zip(&self.rows) {
            growth.push(row).expect("the next one");
            if row.machine == Some(EX3) {
                about = (about.0 + 1, row.position, growth.tree().size() - 1);
            }
            let here: Vec<&Made<'_>> = made.iter().filter(|made| made.rows == rows).collect();
            if !here.is_empty() {
                growth.call(&rolled(&growth), self.now_s * 1000);
            }
            let (size, root, (count, position, index)) = (growth.tree().size(), growth.tree().root(), about);
            stamps.extend(here.into_iter().map(|made| TimeStamp {
                epoch: made.epoch,
                size,
                root,
                count,
                position,
                index,
                inclusion: Vec::new(),
                authority: made.authority.to_owned(),
                at_s: made.at_s,
                token: made.token.to_vec(),
            }));
        }
        (growth, stamps)
    }

    /// The text of a checkpoint that is made after so many entries, and before that after so many others.
    pub fn checkpoint_text(&self, made: &[Made<'_>], rows: usize) -> String {
        let stamp =
            self.grown(made).1.into_iter().zip(made).find(|(_, made)| made.rows == rows).expect("one of them").0;
        Checkpoint { origin: origin(&ORGANISATION, stamp.epoch), size: stamp.size, root: stamp.root }.text()
    }

    /// The lines of the service history of EX3.
    pub fn file(&self, withheld: &[&str]) -> Vec<String> {
        self.file_stamped(withheld, &[])
    }

    /// The same with time stamps, of checkpoints that are made after so many entries of the ledger.
    pub fn file_stamped(&self, withheld: &[&str], made: &[Made<'_>]) -> Vec<String> {
        let (growth, mut stamps) = self.grown(made);
        let roll = rolled(&growth);
        let mut growth = growth;
        let leaf = growth.call(&roll, self.now_s * 1000 + 900);
        let (size, root) = (growth.tree().size(), growth.tree().root());
        let tiles = growth.tree().changed();
        let proof = |index, size| {
            let plan = Plan::inclusion(index, size).expect("a leaf");
            plan.read(|node| node_in(&tiles, node)).expect("every tile is there")
        };
        stamps.iter_mut().for_each(|stamp| stamp.inclusion = proof(stamp.index, stamp.size));
        let inclusion = proof(size - 1, size);
        let (found, proof) = roll.prove(&key(&ORGANISATION, &EX3)).expect("it is on the roll");
        let [one, two] = epoch_keys();
        let mut note = Note::read(&two.sign(size, root)).expect("a note");
        let (witness, signer) = witness();
        note.lines.push(note::witness(
            &note.text,
            &signer.name,
            &witness,
            u64::try_from(self.now_s).expect("after 1970") + 5,
        ));
        let card = |(number, (device, mark)): (usize, (&Device, &str))| DeviceCard {
            id: DeviceId::of_key(&device.key.public()),
            mark: mark.to_owned(),
            key: device.key.public(),
            person: self.holder(number),
            revoked: false,
        };
        let top = Top {
            organisation: ORGANISATION,
            organisation_name: "Valley crews".into(),
            machine: EX3,
            made_ms: self.now_s * 1000 + 2000,
            withheld: withheld.iter().map(|what| (*what).to_owned()).collect::<BTreeSet<_>>(),
            keys: vec![(1, one.public(), None), (4, two.public(), Some(one.vouch(&two)))],
            note: note.write(),
            witnesses: vec![signer.vkey()],
            roll: leaf,
            inclusion,
            line: found,
            proof,
            stamps,
        };
        let directory = Directory {
            version: 1,
            people: self.people.clone(),
            devices: self.devices.iter().zip(MARKS).enumerate().map(card).collect(),
        };
        let mut writer = Writer::begin(Vec::new(), top, &directory);
        self.stretches.iter().for_each(|stretch| writer.stretch(stretch.clone()).expect("a device of the file"));
        let bytes = writer.end().expect("it fits together");
        String::from_utf8(bytes).expect("JSON").lines().map(str::to_owned).collect()
    }
}

/// Who co-signs checkpoints.
pub fn witness() -> (DeviceKey, Signer) {
    let key = DeviceKey::from_secret(&[77; 32]);
    let signer = Signer { name: "witness.example/hill".to_owned(), kind: Kind::Witness, key: key.public() };
    (key, signer)
}

pub fn epoch_keys() -> [CheckpointKey; 2] {
    [1, 4].map(|epoch| CheckpointKey::new(&[0x33; 32], ORGANISATION, epoch))
}

/// The key of the first epoch: the one that was printed once.
pub fn pin() -> PublicKey {
    epoch_keys()[0].public()
}

/// Three pushes of K7 and two of M2, some of it about another machine or none.
pub fn story() -> Ledger {
    let mut ledger = Ledger::new();
    let (three, four) = (Some(EX3), Some(EX4));
    ledger.push(0, &[three, three, four, three]);
    ledger.push(1, &[four, three, None, three, four]);
    ledger.push(0, &[four, four]);
    ledger.push(0, &[four, three, three]);
    ledger.push(1, &[three]);
    ledger.push(0, &[three, four]);
    ledger
}

/// Who stamped the story, as its certificate says.
pub const AUTHORITY: &str = "CN=root,O=Moor Time Works";
/// Somebody else.
pub const STRANGER: &str = "CN=root,O=Dale Time Works";

macro_rules! stamp {
    ($name:literal) => {
        include_bytes!(concat!("../vectors/stamps/history/", $name)).as_slice()
    };
}

/// Stamps of the story's checkpoints (`core/tests/vectors/stamps/history/make`): two of the authority, one of a stranger.
pub fn story_stamps() -> [Made<'static>; 3] {
    let of = |rows, epoch, authority, at_s, token| Made { rows, epoch, authority, at_s, token };
    [
        of(9, 1, AUTHORITY, STAMPED_S[0], stamp!("first.tst")),
        of(15, 4, AUTHORITY, STAMPED_S[1], stamp!("second.tst")),
        of(15, 4, STRANGER, STAMPED_S[2], stamp!("stranger.tst")),
    ]
}

/// The moments that they state, as `openssl ts -reply -token_in -text` shows them.
pub const STAMPED_S: [i64; 3] = [1_795_738_487, 1_795_738_489, 1_795_738_489];

/// The certificate of the authority.
pub fn authority_pem() -> &'static [u8] {
    stamp!("root.pem")
}

/// The same, read.
pub fn authority() -> Vec<Authority> {
    Authority::read_pem(authority_pem()).expect("a certificate")
}

/// A stamp of the second checkpoint by an authority of the same names and other keys.
pub fn stamp_forged() -> &'static [u8] {
    stamp!("forged.tst")
}

/// A log whose last two entries claim a year that has not come, and the stamp over all of it.
pub fn hasty() -> (Ledger, [Made<'static>; 1]) {
    let mut ledger = Ledger::new();
    ledger.push(0, &[Some(EX3)]);
    ledger.wait(24 * 365 * 20);
    ledger.push(0, &[Some(EX3), Some(EX3)]);
    (ledger, [Made { rows: 3, epoch: 4, authority: AUTHORITY, at_s: STAMPED_S[1], token: stamp!("hasty.tst") }])
}
