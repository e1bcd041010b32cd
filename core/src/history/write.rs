//! Writes a service-history file, line by line.
//!
//! Promises: what is given to be withheld leaves only its hash; entries about other machines leave only the hashes of
//! their parts. The same input gives the same lines.

use super::line::{
    Batch, BatchLine, CheckpointLine, Device, DeviceLine, End, EndLine, EntryLine, EpochKey, History, HistoryLine,
    KeysLine, Organisation, OtherLine, Person, PersonLine, Shown, StampLine, StampShown,
};
use super::{STAMPS_MAX, VERSION_PLAIN, VERSION_STAMPED};
use crate::chain::Seal;
use crate::entry::{Entry, PARTS};
use crate::exchange::{DeviceCard, Directory};
use crate::ids::{DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey, Signature};
use crate::proof::leaf::{RollLeaf, Row, machine_leaf};
use crate::proof::merkle::Edge;
use crate::proof::roll;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// Parts of entries that may be withheld.
pub const HIDEABLE_PARTS: [&str; 2] = ["words", "office"];
/// Stands among what is withheld where people's names are not given.
pub const NAMES: &str = "names";

/// What the file is of, and what stands at its top.
#[derive(Debug, Clone)]
pub struct Top {
    /// The organisation.
    pub organisation: OrganisationId,
    /// What it calls itself.
    pub organisation_name: String,
    /// The machine.
    pub machine: MachineId,
    /// When the file is made, in milliseconds since 1970.
    pub made_ms: i64,
    /// What an outsider is not to see: of [`HIDEABLE_PARTS`] and [`NAMES`].
    pub withheld: BTreeSet<String>,
    /// The keys that have signed checkpoints, by epoch, each but the first with the signature of the one before.
    pub keys: Vec<(u64, PublicKey, Option<Signature>)>,
    /// The signed checkpoint, with the lines of those who co-signed it.
    pub note: String,
    /// Who co-signed, as verifier keys (C2SP signed-note).
    pub witnesses: Vec<String>,
    /// The leaf under the checkpoint.
    pub roll: RollLeaf,
    /// Proof that it is there.
    pub inclusion: Vec<Hash>,
    /// What the roll says of the machine.
    pub line: roll::Line,
    /// Proof that it says so.
    pub proof: Vec<Hash>,
    /// Time stamps of this and of earlier checkpoints, in order of their counts; the first [`STAMPS_MAX`] are written.
    pub stamps: Vec<TimeStamp>,
}

/// A time stamp of a checkpoint, and where the machine's last entry under it has its leaf.
#[derive(Debug, Clone)]
pub struct TimeStamp {
    /// The epoch of the checkpoint.
    pub epoch: u64,
    /// Number of leaves under it.
    pub size: u64,
    /// Root over these.
    pub root: Hash,
    /// The machine's entries under it.
    pub count: u64,
    /// Ledger position of the last of these.
    pub position: u64,
    /// Place of its leaf, from 0.
    pub index: u64,
    /// Proof that it is there.
    pub inclusion: Vec<Hash>,
    /// Whose stamp it is.
    pub authority: String,
    /// The moment that it states, in seconds since 1970.
    pub at_s: i64,
    /// The token (RFC 3161).
    pub token: Vec<u8>,
}

impl TimeStamp {
    fn shown(self) -> StampShown {
        let Self { epoch, size, root, count, position, index, inclusion, authority, at_s, token } = self;
        let token = URL_SAFE_NO_PAD.encode(token);
        StampShown { epoch, size, root, count, position, index, inclusion, authority, at_s, token }
    }
}

/// A stretch of a device's log, from an entry about the machine to one that is sealed.
#[derive(Debug, Clone)]
pub struct Stretch {
    /// The seal over its last entry.
    pub seal: Seal,
    /// When the server received it, in milliseconds since 1970.
    pub received_ms: i64,
    /// The link before its first entry; none where that is the first of the log.
    pub previous: Option<Hash>,
    /// Its entries.
    pub entries: Vec<Item>,
}

/// One entry of a stretch.
#[derive(Debug, Clone)]
pub struct Item {
    /// The machine it counts for.
    pub machine: Option<MachineId>,
    /// Its link.
    pub link: Hash,
    /// How far the device's clock was off, in seconds, where that is marked.
    pub off_s: Option<i64>,
    /// Why it stands aside, if it does.
    pub aside: Option<String>,
    /// The entry.
    pub entry: Entry,
}

/// Why a file cannot be written: the input does not fit together.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unwritable {
    /// A stretch is of a device that the directory does not know.
    #[error("device {0} has entries about the machine and is not in the directory")]
    NoSuchDevice(DeviceId),
    /// The number of entries is not what the roll says.
    #[error("{found} entries about the machine were given, the roll says {counted}")]
    Miscounted {
        /// Entries given.
        found: u64,
        /// Entries on the roll.
        counted: u64,
    },
    /// The entries do not lead to the root on the roll.
    #[error("the entries given do not lead to the machine's root")]
    OtherRoot,
}

/// Takes the lines of a file as they are made, each with its line feed.
pub trait Lines {
    /// One line.
    fn line(&mut self, line: &str);
}

impl Lines for Vec<u8> {
    fn line(&mut self, line: &str) {
        self.extend_from_slice(line.as_bytes());
    }
}

/// A file being written.
pub struct Writer<L> {
    out: L,
    lines: u64,
    machine: MachineId,
    withheld: BTreeSet<String>,
    /// Devices and people that may come to be mentioned; each is named before the batch that first does.
    cards: BTreeMap<DeviceId, DeviceCard>,
    names: BTreeMap<PersonId, String>,
    devices: BTreeMap<DeviceId, usize>,
    edge: Edge,
    line: roll::Line,
}

impl<L: Lines> Writer<L> {
    /// Writes the top.
    pub fn begin(out: L, top: Top, directory: &Directory) -> Self {
        let Top { organisation, organisation_name, machine, made_ms, withheld, keys, .. } = top;
        let named = if withheld.contains(NAMES) { &[][..] } else { &directory.people };
        let mut writer = Self {
            out,
            lines: 0,
            machine,
            withheld,
            cards: directory.devices.iter().map(|card| (card.id, card.clone())).collect(),
            names: named.iter().map(|person| (person.id, person.name.clone())).collect(),
            devices: BTreeMap::new(),
            edge: Edge::default(),
            line: top.line,
        };
        let v = if top.stamps.is_empty() { VERSION_PLAIN } else { VERSION_STAMPED };
        let organisation = Organisation { id: organisation, name: organisation_name };
        let withheld = writer.withheld.iter().cloned().collect();
        writer.put(&HistoryLine { history: History { v, organisation, machine, made_ms, withheld } });
        let keys = keys.into_iter().map(|(epoch, key, proof)| EpochKey { epoch, key, proof }).collect();
        writer.put(&KeysLine { keys });
        let shown = Shown {
            note: top.note,
            witnesses: top.witnesses,
            roll: top.roll,
            inclusion: top.inclusion,
            count: top.line.count,
            root: top.line.root,
            proof: top.proof,
        };
        writer.put(&CheckpointLine { checkpoint: shown });
        for stamp in top.stamps.into_iter().take(STAMPS_MAX) {
            writer.put(&StampLine { stamp: stamp.shown() });
        }
        writer
    }

    /// Writes a stretch; they come in the order in which the ledger has them.
    ///
    /// # Errors
    /// If the directory does not know its device.
    pub fn stretch(&mut self, stretch: Stretch) -> Result<(), Unwritable> {
        let Stretch { seal, received_ms, previous, entries } = stretch;
        let Some(first) = entries.first().map(|item| item.entry.seq()) else { return Ok(()) };
        let device = self.mentioned(seal.device)?;
        let machine = self.machine;
        for item in entries.iter().filter(|item| item.machine == Some(machine)) {
            self.named(item.entry.head().ok().map(|head| head.by));
        }
        for item in entries.iter().filter(|item| item.machine == Some(machine)) {
            self.edge.push(machine_leaf(&leaf_row(seal.device, received_ms, item)));
        }
        let root = self.edge.root();
        let Seal { from, to, signature, .. } = seal;
        self.put(&BatchLine { batch: Batch { device, from, to, first, previous, received_ms, signature, root } });
        for item in entries {
            self.item(item);
        }
        Ok(())
    }

    /// The device's number in the file; names it first if it is new.
    fn mentioned(&mut self, id: DeviceId) -> Result<usize, Unwritable> {
        if let Some(number) = self.devices.get(&id) {
            return Ok(*number);
        }
        let DeviceCard { mark, key, person, .. } = self.cards.remove(&id).ok_or(Unwritable::NoSuchDevice(id))?;
        self.put(&DeviceLine { device: Device { id, mark, key, person } });
        self.named(Some(person));
        let number = self.devices.len();
        self.devices.insert(id, number);
        Ok(number)
    }

    /// Gives a person's name, once, if it is to be given.
    fn named(&mut self, person: Option<PersonId>) {
        if let Some((id, name)) = person.and_then(|id| self.names.remove_entry(&id)) {
            self.put(&PersonLine { person: Person { id, name } });
        }
    }

    fn item(&mut self, item: Item) {
        if item.machine != Some(self.machine) {
            self.put(&OtherLine { other: PARTS.map(|part| item.entry.part_hash(part)) });
            return;
        }
        let Item { link, off_s, aside, entry, .. } = item;
        let hidden = HIDEABLE_PARTS.into_iter().filter(|part| self.withheld.contains(*part));
        let entry = hidden.fold(entry, Entry::withhold);
        self.put(&EntryLine { entry, link, aside, off_s });
    }

    /// Ends the file.
    ///
    /// # Errors
    /// If what was written is not what the roll counts.
    pub fn end(mut self) -> Result<L, Unwritable> {
        let (found, counted) = (self.edge.size(), self.line.count);
        if found != counted {
            return Err(Unwritable::Miscounted { found, counted });
        }
        if self.edge.root() != self.line.root {
            return Err(Unwritable::OtherRoot);
        }
        let lines = self.lines + 1;
        self.put(&EndLine { end: End { entries: found, lines } });
        Ok(self.out)
    }

    fn put(&mut self, line: &impl Serialize) {
        // None of these types has a key that is no text or a number that is not finite: they are always JSON.
        let mut text = serde_json::to_string(line).unwrap_or_default();
        text.push('\n');
        self.lines += 1;
        self.out.line(&text);
    }
}

/// What an entry's leaf in its machine's tree is made of; it does not hold the position.
fn leaf_row(device: DeviceId, received_ms: i64, item: &Item) -> Row {
    Row {
        position: 0,
        device,
        seq: item.entry.seq(),
        link: item.link,
        machine: item.machine,
        received_ms,
        off_s: item.off_s,
        aside: item.aside.clone(),
    }
}
