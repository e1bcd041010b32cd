//! Names of entries, machines and people: how they are shown, and how what was typed finds them.
//!
//! Promises: a name is found whatever its case, and by an unambiguous beginning; a name that is not found is answered
//! with near ones and with what to type.

use crate::asked::quoted;
use crate::problem::{Code, Problem};
use crate::store::{Glance, Own, Tx};
use pintle_core::entry::{EntryRef, Held};
use pintle_core::fact::Fact;
use pintle_core::fleet::folded;
use pintle_core::ids::{DeviceId, MachineId, PersonId};
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// Most names a hint lists: a phone's screen is 40 columns wide.
const NEAR_MAX: usize = 4;

/// Marks of devices, names of people and machines, as far as an answer needs them.
#[derive(Debug, Clone, Default)]
pub struct Names {
    /// Marks, by device.
    pub marks: BTreeMap<DeviceId, String>,
    /// Names, by person.
    pub people: BTreeMap<PersonId, String>,
    /// Names, by machine.
    pub machines: BTreeMap<MachineId, String>,
}

impl Names {
    /// All names known here.
    ///
    /// # Errors
    /// If the database cannot be read.
    pub fn load(tx: &Tx<'_>) -> Result<Self, Problem> {
        let own = tx.own()?;
        let mut marks: BTreeMap<_, _> = tx.devices()?.into_iter().map(|d| (d.id, d.mark)).collect();
        marks.insert(own.device, own.mark);
        let people = tx.people()?.into_iter().map(|p| (p.id, p.name)).collect();
        let machines = tx.machines()?.into_iter().filter(|m| !m.name.is_empty()).map(|m| (m.id, m.name)).collect();
        Ok(Self { marks, people, machines })
    }

    /// An entry's name: `K7-412`. A device no directory has named is shown by the start of its id.
    #[must_use]
    pub fn entry(&self, entry: EntryRef) -> String {
        format!("{}-{}", self.mark(entry.device), entry.seq)
    }

    /// A device's short name.
    #[must_use]
    pub fn mark(&self, device: DeviceId) -> String {
        self.marks.get(&device).cloned().unwrap_or_else(|| format!("~{}", short(&device.to_string())))
    }

    /// A person's name; the start of the id where no directory has named it.
    #[must_use]
    pub fn person(&self, id: PersonId) -> String {
        self.people.get(&id).cloned().unwrap_or_else(|| format!("~{}", short(&id.to_string())))
    }

    /// A machine's name; the start of the id where nothing has told it yet.
    #[must_use]
    pub fn machine(&self, id: MachineId) -> String {
        self.machines.get(&id).cloned().unwrap_or_else(|| format!("~{}", short(&id.to_string())))
    }

    /// Names of the devices and people that an answer in JSON mentions by id, and no others: the same on every device
    /// that holds the same entries and the same directory.
    #[must_use]
    pub fn json_for(&self, answer: &Value) -> Value {
        let mut ids = BTreeSet::new();
        collect_texts(answer, &mut ids);
        let pick = |names: Vec<(String, &String)>| -> Map<String, Value> {
            names.into_iter().filter(|(id, _)| ids.contains(id.as_str())).map(|(id, name)| (id, json!(name))).collect()
        };
        json!({
            "devices": pick(self.marks.iter().map(|(id, mark)| (id.to_string(), mark)).collect()),
            "people": pick(self.people.iter().map(|(id, name)| (id.to_string(), name)).collect()),
        })
    }
}

fn collect_texts<'a>(value: &'a Value, texts: &mut BTreeSet<&'a str>) {
    match value {
        Value::String(text) => {
            texts.insert(text);
        }
        Value::Array(items) => items.iter().for_each(|item| collect_texts(item, texts)),
        Value::Object(map) => map.iter().for_each(|(key, item)| {
            texts.insert(key);
            collect_texts(item, texts);
        }),
        _ => {}
    }
}

/// The first six characters of an id: enough to tell a handful apart.
fn short(id: &str) -> &str {
    id.get(..6).unwrap_or(id)
}

/// A machine found by name.
#[derive(Debug, Clone)]
pub struct Found {
    /// The machine.
    pub glance: Glance,
    /// How many other machines have the very same name.
    pub namesakes: usize,
}

/// The machine a name means: exactly, else by a beginning that fits one machine only. None if nothing fits. Of
/// several with the very same name it is the one this device used last, else the one it has recorded most about: a
/// machine added twice on two devices must not stop anyone from recording.
///
/// # Errors
/// `which-machine` if a beginning fits several.
pub fn machine_named(tx: &Tx<'_>, name: &str, how: Match) -> Result<Option<Found>, Problem> {
    let exact = chiefs(tx, tx.machines_named(name)?)?;
    if exact.len() > 1 {
        return likeliest(tx, exact).map(Some);
    }
    let wanted = folded(name);
    let fitting = match (how, exact) {
        (_, exact) if !exact.is_empty() => exact,
        (Match::Exact, _) => return Ok(None),
        (Match::Beginning, _) if wanted.is_empty() => return Ok(None),
        (Match::Beginning, _) => {
            let all = tx.machines()?.into_iter();
            chiefs(tx, all.filter(|m| folded(&m.name).starts_with(&wanted)).collect())?
        }
    };
    match &fitting[..] {
        [] => Ok(None),
        [one] => Ok(Some(Found { glance: one.clone(), namesakes: 0 })),
        several if several.iter().all(|m| folded(&m.name) == folded(&several[0].name)) => {
            likeliest(tx, fitting).map(Some)
        }
        several => {
            let list = several.iter().take(NEAR_MAX).map(shown).collect::<Vec<_>>().join(", ");
            Err(Problem::new(Code::WhichMachine, format!("{name} can mean several machines: {list}"))
                .hint("type more of the name"))
        }
    }
}

/// The machines under which these count, each once.
fn chiefs(tx: &Tx<'_>, machines: Vec<Glance>) -> Result<Vec<Glance>, Problem> {
    let mut chiefs: Vec<Glance> = Vec::new();
    for machine in machines {
        let chief = chief(tx, &machine)?;
        if chiefs.iter().all(|c| c.id != chief.id) {
            chiefs.push(chief);
        }
    }
    Ok(chiefs)
}

fn likeliest(tx: &Tx<'_>, mut several: Vec<Glance>) -> Result<Found, Problem> {
    let last = tx.own()?.last_machine;
    several.sort_by_key(|m| (Some(m.id) != last, std::cmp::Reverse(m.own_count), m.id));
    let namesakes = several.len() - 1;
    Ok(Found { glance: several.swap_remove(0), namesakes })
}

/// A machine beside others of its name.
#[must_use]
pub fn shown(glance: &Glance) -> String {
    match &glance.site {
        Some(site) => format!("{} ({site})", glance.name),
        None => glance.name.clone(),
    }
}

/// How a typed name is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Match {
    /// As a whole.
    Exact,
    /// As a whole, else as a beginning.
    Beginning,
}

fn chief(tx: &Tx<'_>, glance: &Glance) -> Result<Glance, Problem> {
    match glance.stands_for {
        Some(chief) => Ok(tx.machine(chief)?.unwrap_or_else(|| glance.clone())),
        None => Ok(glance.clone()),
    }
}

/// The machine a person meant by a word.
///
/// # Errors
/// `unknown-machine`, `which-machine`.
pub fn machine(tx: &Tx<'_>, name: &str) -> Result<Glance, Problem> {
    if let Some(found) = machine_named(tx, name, Match::Beginning)? {
        return Ok(found.glance);
    }
    Err(unknown_machine(tx, name)?)
}

/// What is said where no machine has a name.
///
/// # Errors
/// If the database cannot be read.
pub fn unknown_machine(tx: &Tx<'_>, name: &str) -> Result<Problem, Problem> {
    let machines = tx.machines()?;
    let near = near(name, machines.iter().map(|m| m.name.as_str()));
    let add = format!("pintle machine add {}", quoted(name));
    let hint =
        if near.is_empty() { format!("add it: {add}") } else { format!("{}? Or add it: {add}", near.join(", ")) };
    Ok(Problem::new(Code::UnknownMachine, format!("no machine {name} here")).hint(hint))
}

/// The machine used last.
///
/// # Errors
/// `which-machine` if none was.
pub fn last_machine(tx: &Tx<'_>, own: &Own) -> Result<Glance, Problem> {
    let last = own.last_machine.map(|id| tx.machine(id)).transpose()?.flatten();
    match last {
        Some(glance) => chief(tx, &glance),
        None => {
            Err(Problem::new(Code::WhichMachine, "which machine?")
                .hint("name it once; the next time it may be left out"))
        }
    }
}

/// The person a name means.
///
/// # Errors
/// `unknown-person`.
pub fn person(tx: &Tx<'_>, name: &str) -> Result<PersonId, Problem> {
    // Nobody records in the server's name.
    let people: Vec<_> = tx.people()?.into_iter().filter(|p| p.id != PersonId::OPERATOR).collect();
    let wanted = folded(name);
    let exact: Vec<_> = people.iter().filter(|p| folded(&p.name) == wanted).collect();
    let fitting = match exact.is_empty() || wanted.is_empty() {
        false => exact,
        true => people.iter().filter(|p| !wanted.is_empty() && folded(&p.name).starts_with(&wanted)).collect(),
    };
    match &fitting[..] {
        [one] => Ok(one.id),
        [] => {
            let near = near(name, people.iter().map(|p| p.name.as_str()));
            let add = format!("pintle me {}", quoted(name));
            let hint = if near.is_empty() {
                format!("new here: {add}")
            } else {
                format!("{}? New here: {add}", near.join(", "))
            };
            Err(Problem::new(Code::UnknownPerson, format!("nobody called {name} here")).hint(hint))
        }
        several => {
            let list = several.iter().map(|p| p.name.as_str()).collect::<Vec<_>>().join(", ");
            Err(Problem::new(Code::UnknownPerson, format!("{name} can mean {list}")).hint("type more of the name"))
        }
    }
}

/// The entry a name means: `K7-412`, or `412` for one of this device. A short name that the device no longer has still
/// names its entries.
///
/// # Errors
/// `unknown-entry`.
pub fn entry(tx: &Tx<'_>, name: &str) -> Result<EntryRef, Problem> {
    let unknown = |sentence: String| {
        Problem::new(Code::UnknownEntry, sentence).hint("names of entries stand in the log: pintle log")
    };
    let (mark, number) = match name.trim().rsplit_once('-') {
        // A number below nothing names no entry, least of all the one above it.
        Some(("", _)) => return Err(unknown(format!("{name:?} is not the name of an entry"))),
        Some(parts) => parts,
        None => ("", name.trim()),
    };
    let seq: u64 = number.parse().map_err(|_| unknown(format!("{name:?} is not the name of an entry")))?;
    let own = tx.own()?;
    let mut devices: BTreeSet<DeviceId> = BTreeSet::new();
    if mark.is_empty() || mark.eq_ignore_ascii_case(&own.mark) {
        devices.insert(own.device);
    }
    if let Some(start) = mark.strip_prefix('~') {
        devices.extend(tx.logs()?.into_iter().filter(|d| !start.is_empty() && d.to_string().starts_with(start)));
    }
    let named = tx.devices()?.into_iter().filter(|d| !mark.is_empty() && d.mark.eq_ignore_ascii_case(mark));
    devices.extend(named.map(|d| d.id));
    if devices.is_empty() {
        devices.extend(once_called(tx, mark)?);
    }
    let mut held = Vec::new();
    for device in devices {
        let entry = EntryRef { device, seq };
        if tx.link(entry)?.is_some() {
            held.push(entry);
        }
    }
    match held[..] {
        [one] => Ok(one),
        [] => Err(unknown(format!("no entry {name} here"))),
        _ => Err(unknown(format!("{name} can mean several entries"))),
    }
}

/// Devices that had this short name once, as the server wrote it down: `K7-412` means the same entry for ever.
fn once_called(tx: &Tx<'_>, mark: &str) -> Result<Vec<DeviceId>, Problem> {
    let had = |held: &Held| {
        let head = held.entry.head().ok()?;
        let (device, name) = match Fact::read(head, &held.entry).ok()? {
            Fact::DeviceEnrolled(enrolled) => (enrolled.device, Some(enrolled.mark)),
            Fact::DeviceChanged(changed) => (changed.device, changed.mark),
            _ => return None,
        };
        name.is_some_and(|name| name.eq_ignore_ascii_case(mark)).then_some(device)
    };
    // What the ledger holds and nobody set aside, only the server can have said.
    let said = tx.entries_of_none()?.into_iter().filter(|held| held.position.is_some() && held.aside.is_none());
    Ok(said.filter_map(|held| had(&held)).collect())
}

/// Names near what was typed: alike in their beginning, or at most two letters away.
fn near<'a>(typed: &str, names: impl Iterator<Item = &'a str>) -> Vec<String> {
    let typed = folded(typed);
    let mut near: Vec<(usize, String)> = names
        .filter(|name| !name.is_empty())
        .map(|name| (distance(&typed, &folded(name)), name.to_owned()))
        .filter(|(distance, name)| *distance <= 2 && *distance < name.chars().count())
        .collect();
    near.sort();
    near.dedup();
    near.into_iter().take(NEAR_MAX).map(|(_, name)| name).collect()
}

/// Edits between two words: letters put in, taken out or changed (Levenshtein).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut corner = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let changed = corner + usize::from(x != *y);
            corner = row[j + 1];
            row[j + 1] = changed.min(corner + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_names_are_at_most_two_letters_away() {
        assert_eq!(
            (distance("ex3", "ex3"), distance("ex3", "ex4"), distance("", "abc"), distance("kitten", "sitting")),
            (0, 1, 3, 3)
        );
        assert_eq!(near("EX9", ["EX3", "loader", "BX9", "E"].into_iter()), ["BX9", "EX3"]);
    }
}
