//! Entries between devices by file, without any server: what such a file holds, and whether it can be believed.
//!
//! Promises: a file is runs of entries, each under a seal of the device that made them, and what proves the devices. A
//! byte that is missing, changed, doubled or out of its place is told with its line; nothing of such a file is used.
//! Who carries it can change nothing in it, and need not be believed: only keys are, that came another way.
//!
//! Never: a file system. Docs: PROTOCOL section 13.

pub mod codes;

use crate::admit::{self, Checked, Refused};
use crate::canonical;
use crate::entry::Held;
use crate::exchange::{Carried, DeviceCard, Person, Push};
use crate::fact::Fact;
use crate::fact::administration::{Need, need};
use crate::fault::{Fault, code};
use crate::ids::{DeviceId, Hash, OrganisationId, PersonId, PublicKey};
use crate::limits::{CARRY_BYTES_MAX, CARRY_LINE_BYTES_MAX, CARRY_LINES_MAX};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;

/// Version of the form of a file.
pub const VERSION: u64 = 1;

/// Code of a file that is not whole, or not what was written.
pub const DAMAGED: &str = "damaged-file";
/// Code of a file of another organisation.
pub const WRONG_ORGANISATION: &str = "wrong-organisation";
/// Code of a run whose seal is not its device's.
pub const BAD_SEAL: &str = "bad-seal";
/// Code of a file whose form is of a later version.
pub const NEWER: &str = "newer-file";

/// What one file holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Bundle {
    /// The organisation whose devices made the entries.
    pub organisation: OrganisationId,
    /// Devices, as the one that wrote the file knows them: names for people, never a proof.
    pub devices: Vec<DeviceCard>,
    /// People, likewise.
    pub people: Vec<Person>,
    /// The entries.
    pub runs: Vec<Carried>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct First {
    carry: u64,
    organisation: OrganisationId,
}

/// A line after the first, written as `{"KIND": {...}}`.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Line {
    Device(DeviceCard),
    Person(Person),
    Run(Box<Carried>),
    End(End),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct End {
    lines: u64,
    hash: Hash,
}

impl Bundle {
    /// The bytes of the file: lines of canonical JSON, the last with the hash of all before it.
    ///
    /// # Errors
    /// `payload-too-large` if a file may not be so large.
    pub fn write(&self) -> Result<Vec<u8>, Fault> {
        let first = serde_json::to_value(First { carry: VERSION, organisation: self.organisation });
        let devices = self.devices.iter().map(|card| serde_json::to_value(Line::Device(card.clone())));
        let people = self.people.iter().map(|person| serde_json::to_value(Line::Person(person.clone())));
        let runs = self.runs.iter().map(|run| serde_json::to_value(Line::Run(Box::new(run.clone()))));
        let mut bytes = Vec::new();
        let mut lines = 0;
        for line in std::iter::once(first).chain(devices).chain(people).chain(runs) {
            let line = line.map_err(|e| Fault::new(code::MALFORMED_DOCUMENT, "", e.to_string()))?;
            let line = canonical::bytes(&line);
            lines += 1;
            if line.len() > CARRY_LINE_BYTES_MAX || lines >= CARRY_LINES_MAX {
                return Err(too_large(lines));
            }
            bytes.extend_from_slice(&line);
            bytes.push(b'\n');
        }
        let end = Line::End(End { lines: lines as u64, hash: Hash::of(&[&bytes]) });
        let end = serde_json::to_value(end).map_err(|e| Fault::new(code::MALFORMED_DOCUMENT, "", e.to_string()))?;
        bytes.extend_from_slice(&canonical::bytes(&end));
        bytes.push(b'\n');
        if bytes.len() > CARRY_BYTES_MAX { Err(too_large(lines)) } else { Ok(bytes) }
    }

    /// A file, whole and unchanged since it was written. Says nothing of whether its runs are true: see [`prove`].
    ///
    /// # Errors
    /// `damaged-file`, `newer-file`, `payload-too-large`, with the line as pointer.
    pub fn read(bytes: &[u8]) -> Result<Self, Fault> {
        if bytes.len() > CARRY_BYTES_MAX {
            return Err(too_large(0));
        }
        let Some(text) = bytes.strip_suffix(b"\n") else {
            return Err(damaged(0, "its last line is cut off"));
        };
        let lines: Vec<&[u8]> = text.split(|byte| *byte == b'\n').take(CARRY_LINES_MAX + 1).collect();
        if lines.len() > CARRY_LINES_MAX {
            return Err(too_large(lines.len()));
        }
        let [first, inner @ .., last] = &lines[..] else { return Err(damaged(1, "it ends after its first line")) };
        let first = value(1, first)?;
        match first.get("carry").and_then(Value::as_u64) {
            Some(VERSION) => {}
            Some(later) if later > VERSION => {
                return Err(Fault::new(NEWER, "/1", format!("the file is of version {later}, known is {VERSION}")));
            }
            _ => return Err(damaged(1, "it does not begin as such a file does")),
        }
        let First { organisation, .. } = form(1, first)?;
        let number = lines.len();
        let Line::End(end) = form(number, value(number, last)?)? else {
            return Err(damaged(number, "its end is missing"));
        };
        let before = bytes.get(..bytes.len() - last.len() - 1).unwrap_or_default();
        if end.lines != number as u64 - 1 || end.hash != Hash::of(&[before]) {
            return Err(damaged(number, "lines before its end are missing, changed or out of order"));
        }
        let mut bundle = Self { organisation, devices: Vec::new(), people: Vec::new(), runs: Vec::new() };
        for (index, line) in inner.iter().enumerate() {
            let number = index + 2;
            match form(number, value(number, line)?)? {
                Line::Device(card) => bundle.devices.push(card),
                Line::Person(person) => bundle.people.push(person),
                Line::Run(run) => bundle.runs.push(*run),
                Line::End(_) => return Err(damaged(number, "it ends more than once")),
            }
        }
        Ok(bundle)
    }
}

fn value(line: usize, bytes: &[u8]) -> Result<Value, Fault> {
    if bytes.len() > CARRY_LINE_BYTES_MAX {
        return Err(too_large(line));
    }
    canonical::read(bytes).map_err(|fault| damaged(line, &fault.detail))
}

fn form<T: serde::de::DeserializeOwned>(line: usize, value: Value) -> Result<T, Fault> {
    serde_json::from_value(value).map_err(|e| damaged(line, &e.to_string()))
}

fn damaged(line: usize, detail: &str) -> Fault {
    Fault::new(DAMAGED, format!("/{line}"), detail)
}

fn too_large(line: usize) -> Fault {
    let detail = format!("a file has at most {CARRY_BYTES_MAX} bytes and {CARRY_LINES_MAX} lines");
    Fault::new(code::PAYLOAD_TOO_LARGE, format!("/{line}"), detail)
}

/// A device whose key is believed: from the directory, or from an entry of the server that let it in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Believed {
    /// Its key.
    pub key: PublicKey,
    /// Whether it is the server itself.
    pub is_server: bool,
    /// Whether it has been revoked.
    pub revoked: bool,
}

/// A run that its device's key has sealed.
#[derive(Debug, Clone, PartialEq)]
pub struct Proven {
    /// The device.
    pub device: DeviceId,
    /// The run as it came: what a server is given.
    pub push: Push,
    /// The entries with their links.
    pub checked: Checked,
}

/// What a file is worth.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Proof {
    /// Runs that are sealed by devices whose keys are believed, by device and number.
    pub runs: Vec<Proven>,
    /// Devices that entries of the server in the file let in, and that were not known before.
    pub let_in: BTreeMap<DeviceId, DeviceCard>,
    /// Devices that nobody here has heard of, with how many of their entries were left.
    pub unknown: BTreeMap<DeviceId, u64>,
}

/// Judges every run of a file. Pure; the keys come from the directory.
///
/// # Errors
/// `wrong-organisation`; `bad-seal` and what [`admit::check`] refuses, with the run as pointer: whoever wrote that has
/// changed the file, and nothing of it is to be used.
pub fn prove(
    bundle: &Bundle,
    organisation: &OrganisationId,
    known: &BTreeMap<DeviceId, Believed>,
) -> Result<Proof, Fault> {
    if bundle.organisation != *organisation {
        return Err(Fault::new(WRONG_ORGANISATION, "/organisation", "the file is of another organisation"));
    }
    let mut proof = Proof::default();
    for (index, run) in bundle.runs.iter().enumerate() {
        if let Some(server) = known.get(&run.device).filter(|known| known.is_server) {
            let checked = check(index, run, &server.key, organisation)?;
            let cards = checked.entries.iter().filter_map(|entry| let_in(&entry.entry, bundle));
            proof.let_in.extend(cards.filter(|card| !known.contains_key(&card.id)).map(|card| (card.id, card)));
        }
    }
    for (index, run) in bundle.runs.iter().enumerate() {
        let key = match known.get(&run.device) {
            Some(known) if known.is_server => continue,
            Some(known) => Some(known.key),
            None => proof.let_in.get(&run.device).map(|card| card.key),
        };
        match key {
            Some(key) => {
                let checked = check(index, run, &key, organisation)?;
                proof.runs.push(Proven { device: run.device, push: run.push.clone(), checked });
            }
            None => *proof.unknown.entry(run.device).or_default() += run.push.entries.len() as u64,
        }
    }
    proof.runs.sort_by_key(|run| (run.device, run.checked.from, run.checked.seal.to));
    Ok(proof)
}

fn check(index: usize, run: &Carried, key: &PublicKey, organisation: &OrganisationId) -> Result<Checked, Fault> {
    admit::check(run.push.clone(), key, organisation).map_err(|refused| match refused {
        Refused::Malformed(fault) => fault.under(&format!("/runs/{index}")),
        Refused::BadSeal => {
            Fault::new(BAD_SEAL, format!("/runs/{index}"), "the seal is not this device's over these entries")
        }
    })
}

/// The device that an entry of the server lets in. Whose it is, only the file says.
fn let_in(entry: &crate::entry::Entry, bundle: &Bundle) -> Option<DeviceCard> {
    let Ok(Fact::DeviceEnrolled(enrolled)) = Fact::read(entry.head().ok()?, entry) else { return None };
    let told = bundle.devices.iter().find(|card| card.id == enrolled.device);
    let person = told.map(|card| card.person).filter(|person| *person != PersonId::OPERATOR);
    (DeviceId::of_key(&enrolled.key) == enrolled.device).then(|| DeviceCard {
        id: enrolled.device,
        mark: enrolled.mark,
        key: enrolled.key,
        person: person.unwrap_or(PersonId([0xff; 16])),
        revoked: false,
    })
}

/// Why an entry that came by carry stands aside until the ledger says how it stands: it breaks a rule, speaks as only the
/// server may, or its device has been revoked.
#[must_use]
pub fn stands_aside(entry: &admit::CheckedEntry, revoked: bool) -> Option<String> {
    if revoked {
        return Some(code::DEVICE_REVOKED.to_owned());
    }
    if let Some(fault) = &entry.fault {
        return Some(fault.code.clone());
    }
    let head = entry.entry.head().ok()?;
    let may_not = need(&head.kind) == Need::Server || head.by == PersonId::OPERATOR;
    may_not.then(|| code::NOT_PERMITTED.to_owned())
}

/// Whether a run has an entry beyond `end` of which a part is withheld: only who has that part can bring it, or it would
/// be lost for good.
#[must_use]
pub fn lacks_a_part(checked: &Checked, end: u64) -> bool {
    let lacks = |entry: &admit::CheckedEntry| entry.entry.as_map().contains_key("withheld");
    checked.entries.iter().any(|entry| entry.entry.seq() > end && lacks(entry))
}

/// The run of held entries that a seal covers, to be given on; none where an entry of it is missing.
#[must_use]
pub fn run_under(seal: &crate::chain::Seal, previous: Hash, held: &[Held]) -> Option<Carried> {
    let whole = held.len() as u64 == seal.to.checked_sub(seal.from)?.checked_add(1)?;
    let ends = held.last().is_some_and(|last| last.link == seal.link && last.entry.seq() == seal.to);
    let push = Push {
        from: seal.from,
        previous,
        entries: held.iter().map(|held| held.entry.clone()).collect(),
        signature: seal.signature,
    };
    (whole && ends).then_some(Carried { device: seal.device, push })
}
