//! Going on as a new device: its key was lost, or a copy of it is in use.
//!
//! Promises: nothing recorded is lost. What the server has not placed is recorded once more under the new key, with
//! its time, author and words. The entries of the old branch are kept beside the log, out of the way of those that the
//! other copy recorded under the same numbers. Never touches what has a place in the ledger.

use crate::ambient::Ambient;
use crate::glance;
use crate::home::Home;
use crate::problem::Problem;
use crate::store::{NewEntry, Own, Store, Tx};
use pintle_core::chain::LogHead;
use pintle_core::entry::{Entry, EntryRef, Head, Held, Part};
use pintle_core::ids::{DeviceId, MachineId, PublicKey};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// Entries of the old log read at once, and their bytes: bounds memory.
const BATCH_ENTRIES: usize = 500;
const BATCH_BYTES: u32 = 4 * 1024 * 1024;

/// Makes a new key and a new log under it; gives the number of entries carried over.
///
/// # Errors
/// If key or database cannot be written. The key is on the disk before the log that belongs to it.
pub fn begin_anew(home: &Home, store: &mut Store, ambient: &dyn Ambient) -> Result<u64, Problem> {
    let public = home.new_key(ambient)?;
    store.write("record", |tx| turn_over(tx, public))
}

/// Begins a new log under a key, with what the server has not placed of the old one; gives how many entries that is.
///
/// # Errors
/// If the database cannot be written.
pub fn turn_over(tx: &Tx<'_>, public: PublicKey) -> Result<u64, Problem> {
    let old = tx.own()?;
    let mut own = Own {
        device: DeviceId::of_key(&public),
        public_key: public,
        head: LogHead::empty(&public),
        seen: 0,
        recover: None,
        ..old.clone()
    };
    let mut renamed: BTreeMap<u64, EntryRef> = BTreeMap::new();
    let mut counts: BTreeMap<MachineId, u64> = BTreeMap::new();
    let mut from = tx.first_unplaced(old.device)?;
    while let Some(first) = from {
        let batch = tx.log_from(old.device, first, BATCH_ENTRIES, BATCH_BYTES)?;
        from = batch.last().map(|held| held.entry.seq() + 1);
        for held in batch.iter().filter(|held| held.position.is_none()) {
            if let Some(entry) = again(held, old.device, &own, &renamed, &mut counts)? {
                own.head = own.head.after(&entry);
                tx.add_entry(&NewEntry { device: own.device, link: &own.head.link, entry: &entry, placed: None })?;
                let again = EntryRef { device: own.device, seq: own.head.seq };
                renamed.insert(held.entry.seq(), again);
                tx.give_up(held.name(), again)?;
            }
        }
    }
    tx.set_own(&own)?;
    tx.forget_sync()?;
    // Positions belong to the ledger as the old device saw it; it may have gone back since, and the new one, which pulls
    // from the beginning, would not notice.
    tx.forget_places()?;
    glance::regroup(tx)?;
    tx.machines()?.into_iter().try_for_each(|machine| glance::refold(tx, machine.id))?;
    Ok(renamed.len() as u64)
}

/// The entry as the new log holds it; none for one whose head cannot be read.
fn again(
    held: &Held,
    old: DeviceId,
    own: &Own,
    renamed: &BTreeMap<u64, EntryRef>,
    counts: &mut BTreeMap<MachineId, u64>,
) -> Result<Option<Entry>, Problem> {
    let Ok(head) = held.entry.head() else { return Ok(None) };
    let mseq = head.machine.map(|machine| {
        let count = counts.entry(machine).or_default();
        *count += 1;
        *count
    });
    let head = Head { seq: own.head.seq + 1, mseq, ..head.clone() };
    let part = |name: &str| match held.entry.part(name) {
        Part::Open(map) => Some(map.clone()),
        Part::Absent | Part::Withheld(_) => None,
    };
    let mut body = Value::Object(part("body").unwrap_or_default());
    rename(&mut body, old, renamed);
    let body = match body {
        Value::Object(map) => map,
        _ => Map::new(),
    };
    Ok(Some(Entry::new(&head, body, part("words"), part("office"))?))
}

/// Entries of the old log that were carried over are named by their new names.
fn rename(value: &mut Value, old: DeviceId, renamed: &BTreeMap<u64, EntryRef>) {
    if let Value::Object(map) = value {
        let device = map.get("device").and_then(Value::as_str).and_then(|text| text.parse::<DeviceId>().ok());
        let new = map.get("seq").and_then(Value::as_u64).and_then(|seq| renamed.get(&seq));
        if let (Some(device), Some(new)) = (device, new)
            && device == old
        {
            *value = json!(new);
            return;
        }
        map.values_mut().for_each(|item| rename(item, old, renamed));
    } else if let Value::Array(items) = value {
        items.iter_mut().for_each(|item| rename(item, old, renamed));
    }
}
