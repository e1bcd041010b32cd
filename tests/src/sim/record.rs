//! What people of the simulation record: real entries of several kinds, made as a device makes them.
//!
//! Promises: every entry carries a number of its own in its body (`recording`), so that a piece of work is known again
//! wherever it went, and `seen` is read in the transaction that appends it.

use super::bugs::Bug;
use super::chance::Chance;
use super::disk::{Disk, GivenUp, Halt, Row};
use pintle_core::chain::LogHead;
use pintle_core::entry::{Clock, ENTRY_VERSION, Entry, EntryRef, Head, Part};
use pintle_core::ids::{DeviceId, MachineId, PublicKey};
use pintle_core::moment::Moment;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// What a device's clocks show.
#[derive(Debug, Clone)]
pub struct Clocks {
    /// The wall clock, in seconds since 1970.
    pub wall_s: i64,
    /// Which start of the device it is.
    pub boot: String,
    /// Seconds since that start.
    pub up_s: u64,
}

/// What is to be recorded.
#[derive(Debug, Clone)]
pub struct Saying {
    /// The machine.
    pub machine: Option<MachineId>,
    /// The kind.
    pub kind: &'static str,
    /// The body.
    pub body: Value,
    /// Free words.
    pub words: Option<&'static str>,
    /// The office part.
    pub office: Option<Value>,
    /// Version of the entry's form.
    pub v: u64,
}

impl Saying {
    fn of(machine: Option<MachineId>, kind: &'static str, body: Value) -> Self {
        Self { machine, kind, body, words: None, office: None, v: ENTRY_VERSION }
    }
}

/// Sites of the simulation.
pub const SITES: [&str; 2] = ["quarry", "north field"];

/// Something somebody may say, given what the device holds.
#[must_use]
pub fn think(disk: &Disk, machines: &[MachineId], upgraded: Option<u64>, chance: &mut Chance) -> Saying {
    let machine = chance.pick(machines).copied();
    let about = |kind, body| Saying::of(machine, kind, body);
    let reading = format!("{}.{}", 4000 + chance.below(60), chance.below(10));
    let hours = chance.below(90);
    match chance.below(14) {
        0 => about("meter_read", json!({"reading": reading})),
        1 => about("fuel_filled", json!({"litres": "80", "full": true})),
        2 | 3 => about("task_done", json!({"task": "grease", "reading": reading, "minutes": hours})),
        4 => about("finding_raised", json!({"sign": "squeak", "urgency": "soon", "point": "bucket pin"})),
        5 => about("machine_changed", json!({"site": chance.pick(&SITES)})),
        6 => match target(disk, chance) {
            Some(target) => {
                let machine = disk.entries.get(&target).and_then(|row| row.machine);
                let body = json!({"target": target, "field": "/body/minutes", "value": hours});
                Saying::of(machine, "corrected", body)
            }
            None => about("note_left", json!({})),
        },
        7 => match target(disk, chance) {
            Some(target) => {
                let machine = disk.entries.get(&target).and_then(|row| row.machine);
                Saying::of(machine, "struck", json!({"target": target}))
            }
            None => about("note_left", json!({})),
        },
        8 => {
            let over: Vec<EntryRef> = (0..2).filter_map(|_| target(disk, chance)).collect();
            match over.as_slice() {
                [a, b] if a != b => {
                    let machine = disk.entries.get(a).and_then(|row| row.machine);
                    Saying::of(machine, "settled", json!({"matter": "task:grease", "over": over, "choice": "same"}))
                }
                _ => about("note_left", json!({})),
            }
        }
        9 => match target(disk, chance) {
            Some(target) => Saying {
                office: Some(json!({"salt": "c2FsdHNhbHRzYWx0", "job": "4711", "price": "120.00"})),
                ..Saying::of(None, "job_set", json!({"targets": [target]}))
            },
            None => Saying::of(None, "note_left", json!({})),
        },
        10 => Saying::of(None, "note_left", json!({})),
        11 => match upgraded {
            Some(v) => Saying { v, ..about("tyre_turned", json!({"tyre": "left", "turned": [1, 2, {"by": "hand"}]})) },
            None => about("note_left", json!({"handover": true})),
        },
        // A form the server must take and set aside.
        12 if chance.below(4) == 0 => about("task_done", json!({"task": "grease", "minutes": -1})),
        13 => match set_aside(disk, chance) {
            Some(target) => {
                let machine = disk.entries.get(&target).and_then(|row| row.machine);
                // Of a crew it stands aside itself.
                Saying::of(machine, "released", json!({"target": target}))
            }
            None => about("note_left", json!({})),
        },
        _ => Saying { words: Some("left pin took a lot"), ..about("note_left", json!({"handover": true})) },
    }
}

/// In place of what was to be said of a machine: that it works elsewhere now.
pub(super) fn drive_over(saying: Saying, recording: u64) -> Saying {
    let site = if recording.is_multiple_of(2) { "north" } else { "south" };
    match saying.machine {
        Some(machine) => Saying::of(Some(machine), "machine_changed", json!({"site": site})),
        None => saying,
    }
}

fn target(disk: &Disk, chance: &mut Chance) -> Option<EntryRef> {
    let tasks: Vec<EntryRef> = disk
        .entries
        .iter()
        .filter(|(_, row)| row.entry.head().is_ok_and(|head| head.kind == "task_done"))
        .map(|(name, _)| *name)
        .collect();
    chance.pick(&tasks).copied()
}

fn set_aside(disk: &Disk, chance: &mut Chance) -> Option<EntryRef> {
    let aside = |row: &Row| row.placed.as_ref().is_some_and(|placed| placed.aside.is_some());
    let asides: Vec<EntryRef> = disk.entries.iter().filter(|(_, row)| aside(row)).map(|(name, _)| *name).collect();
    chance.pick(&asides).copied()
}

/// Records it; gives false where the device must wait for its lost tail first.
///
/// # Errors
/// If the disk is full, told by its caller.
pub fn record(
    disk: &mut Disk,
    saying: Saying,
    recording: u64,
    clocks: &Clocks,
    bug: Option<Bug>,
) -> Result<bool, Halt> {
    if disk.own.recover.is_some() {
        return Ok(false);
    }
    let device = disk.own.device;
    let count = |machine: MachineId| disk.log(device, 1).filter(|(_, row)| row.machine == Some(machine)).count() as u64;
    let Value::Object(mut body) = saying.body else { return Ok(false) };
    body.insert("recording".into(), json!(recording));
    let words = saying.words.map(|text| {
        Map::from_iter([
            ("salt".to_owned(), json!(format!("salt-of-{recording:08}"))),
            ("text".to_owned(), json!(text)),
        ])
    });
    let office = saying.office.and_then(|office| match office {
        Value::Object(map) => Some(map),
        _ => None,
    });
    let Ok(at) = Moment::at(clocks.wall_s, 7200) else { return Ok(false) };
    let head = Head {
        v: saying.v,
        seq: disk.own.head.seq + 1,
        machine: saying.machine,
        mseq: saying.machine.map(|machine| count(machine) + 1),
        seen: disk.seen_of(saying.machine, bug),
        also_seen: disk.also_seen(),
        at,
        by: disk.own.person,
        kind: saying.kind.to_owned(),
        clock: Some(Clock {
            boot: clocks.boot.clone(),
            began_s: clocks.wall_s - i64::try_from(clocks.up_s).unwrap_or(0),
            wall: None,
        }),
    };
    let Ok(entry) = Entry::new(&head, body, words, office) else { return Ok(false) };
    disk.append(entry);
    Ok(true)
}

/// The number under which a piece of work was recorded first.
#[must_use]
pub fn recording(entry: &Entry) -> Option<u64> {
    match entry.part("body") {
        Part::Open(body) => body.get("recording")?.as_u64(),
        _ => None,
    }
}

/// What goes over to a new log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Carry {
    /// What has no place yet.
    Unplaced,
    /// Nothing: a mistake.
    Nothing,
    /// Everything: a mistake.
    Everything,
}

/// Goes on as a new device under `key`; gives how many entries were recorded once more.
///
/// # Errors
/// If the disk is full, told by its caller.
pub fn begin_anew(disk: &mut Disk, key: PublicKey, carry: Carry) -> Result<usize, Halt> {
    let old = disk.own.device;
    disk.own.device = DeviceId::of_key(&key);
    disk.own.key = key;
    disk.own.head = LogHead::empty(&key);
    disk.own.seen = 0;
    disk.own.recover = None;
    let mut renamed: BTreeMap<u64, EntryRef> = BTreeMap::new();
    let mut counts: BTreeMap<MachineId, u64> = BTreeMap::new();
    let carried = |placed: bool| !placed || carry == Carry::Everything;
    let rows: Vec<_> = disk.log(old, 1).filter(|(_, row)| carried(row.placed.is_some())).collect();
    let rows: Vec<_> = rows.into_iter().map(|(name, row)| (*name, row.clone())).collect();
    for (name, row) in rows {
        let entry = (carry != Carry::Nothing).then(|| again(&row.entry, old, disk, &renamed, &mut counts)).flatten();
        let again = entry.map(|entry| {
            disk.append(entry);
            EntryRef { device: disk.own.device, seq: disk.own.head.seq }
        });
        renamed.extend(again.map(|again| (name.seq, again)));
        if row.placed.is_none() {
            disk.given_up.push(GivenUp { name, link: row.link, again, recording: recording(&row.entry) });
            disk.entries.remove(&name);
        }
    }
    disk.sync = None;
    disk.forget_places();
    Ok(renamed.len())
}

fn again(
    entry: &Entry,
    old: DeviceId,
    disk: &Disk,
    renamed: &BTreeMap<u64, EntryRef>,
    counts: &mut BTreeMap<MachineId, u64>,
) -> Option<Entry> {
    let head = entry.head().ok()?;
    let mseq = head.machine.map(|machine| {
        let count = counts.entry(machine).or_default();
        *count += 1;
        *count
    });
    let head = Head { seq: disk.own.head.seq + 1, mseq, ..head.clone() };
    let part = |name: &str| match entry.part(name) {
        Part::Open(map) => Some(map.clone()),
        Part::Absent | Part::Withheld(_) => None,
    };
    let mut body = Value::Object(part("body").unwrap_or_default());
    rename(&mut body, old, renamed);
    let Value::Object(body) = body else { return None };
    Entry::new(&head, body, part("words"), part("office")).ok()
}

fn rename(value: &mut Value, old: DeviceId, renamed: &BTreeMap<u64, EntryRef>) {
    match value {
        Value::Object(map) => {
            let device = map.get("device").and_then(Value::as_str).and_then(|text| text.parse::<DeviceId>().ok());
            let new = map.get("seq").and_then(Value::as_u64).and_then(|seq| renamed.get(&seq));
            if let (Some(device), Some(new)) = (device, new)
                && device == old
            {
                *value = json!(new);
                return;
            }
            map.values_mut().for_each(|item| rename(item, old, renamed));
        }
        Value::Array(items) => items.iter_mut().for_each(|item| rename(item, old, renamed)),
        _ => {}
    }
}
