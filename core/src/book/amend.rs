//! Strikes, corrections and settlements, applied before anything is computed.
//!
//! Promises: the result does not depend on the order of arrival. A struck strike or correction counts as never made.
//! A correction that makes an entry unreadable is left out and named. Originals are never changed, only seen anew.

use super::{Counts, Doubt, Stamp};
use crate::causality::apart;
use crate::clash::{self, Clash, Side};
use crate::entry::{Entry, EntryRef, Head, Held};
use crate::fact::{Choice, Corrected, Fact, Settled};
use crate::ids::PersonId;
use crate::limits::CLOCK_OFF_MARKED_S;
use crate::moment::Moment;
use crate::register::{self, Claim, Settlement};
use crate::release::{counting_strikes, released};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// An entry as it counts.
#[derive(Debug, Clone)]
pub(crate) struct Item<'a> {
    pub held: &'a Held,
    pub fact: Fact,
    pub at: Moment,
    pub by: PersonId,
    pub text: Option<String>,
    /// Clashes its values depend on.
    pub clash: Option<crate::ids::ClashId>,
}

impl Item<'_> {
    pub(crate) fn stamp(&self) -> Stamp {
        Stamp { entry: self.held.name(), at: self.at.clone(), by: self.by }
    }

    pub(crate) fn order(&self) -> (i64, EntryRef) {
        (self.at.second(), self.held.name())
    }

    pub(crate) fn side(&self, value: Value) -> Side {
        Side { entry: self.held.name(), at: self.at.clone(), by: self.by, value }
    }
}

/// All entries of a machine as they count, in order.
pub(crate) struct Amended<'a> {
    pub items: Vec<Item<'a>>,
    pub settled: Vec<(Item<'a>, Settled)>,
    pub clashes: Vec<Clash>,
    pub doubts: Vec<Doubt>,
    pub counts: Counts,
    pub last: Option<Stamp>,
    /// Entries that are struck, each with the strikes that do it.
    pub struck: BTreeMap<EntryRef, Vec<EntryRef>>,
    /// What stands corrected: the entry, the correction.
    pub corrected: Vec<(EntryRef, EntryRef)>,
}

/// Reads and amends the entries of a machine. Repetitions are dropped.
pub(crate) fn amend(entries: &[Held]) -> Amended<'_> {
    let mut amended = read(entries);
    let (acts, plain): (Vec<Item<'_>>, Vec<Item<'_>>) =
        std::mem::take(&mut amended.items).into_iter().partition(|item| {
            matches!(item.fact, Fact::Struck(_) | Fact::Released(_) | Fact::Corrected(_) | Fact::Settled(_))
        });
    let struck = effective_strikes(&acts);
    let mut standing = Vec::with_capacity(acts.len());
    for item in &acts {
        if let Some(strikers) = struck.get(&item.held.name()) {
            amended.counts.struck += 1;
            amended.struck.insert(item.held.name(), names(strikers));
            continue;
        }
        match &item.fact {
            Fact::Settled(settled) => amended.settled.push((item.clone(), settled.clone())),
            _ => standing.push(item),
        }
    }
    let settled = amended.settled.clone();
    let settlements = settlements(&settled);
    let corrections = corrections(&standing);
    // Both lists are in order of name, as they were read.
    let here = |items: &[Item<'_>], name: EntryRef| items.binary_search_by_key(&name, |i| i.held.name()).is_ok();
    for item in &standing {
        if let Fact::Corrected(Corrected { target, .. }) | Fact::Struck(crate::fact::Struck { target }) = &item.fact
            && !here(&plain, *target)
            && !here(&acts, *target)
        {
            amended.doubts.push(doubt(item.held, "target-unknown", "it names an entry that is not here"));
        }
        if let Fact::Released(released) = &item.fact
            && !here(&plain, released.target)
            && !here(&acts, released.target)
        {
            let detail = "what it lets count is not here, or nothing can be computed from it";
            amended.doubts.push(doubt(item.held, "release-unusable", detail));
        }
    }
    let mut kept = Vec::with_capacity(plain.len());
    for mut item in plain {
        let name = item.held.name();
        let corrected = corrections.get(&name).map(Vec::as_slice).unwrap_or_default();
        if !corrected.is_empty() {
            amended.counts.corrected += 1;
            amended.corrected.extend(names(corrected).into_iter().map(|by| (name, by)));
            apply_corrections(&mut item, corrected, &settlements, &mut amended.clashes, &mut amended.doubts);
        }
        let strikers = struck.get(&name).map(Vec::as_slice).unwrap_or_default();
        if !strikers.is_empty() && still_struck(name, strikers, corrected, &settlements, &mut amended.clashes) {
            amended.counts.struck += 1;
            amended.struck.insert(name, names(strikers));
            continue;
        }
        kept.push(item);
    }
    kept.sort_by_key(Item::order);
    amended.settled.sort_by_key(|(item, _)| item.order());
    amended.items = kept;
    amended
}

fn names(items: &[&Item<'_>]) -> Vec<EntryRef> {
    items.iter().map(|item| item.held.name()).collect()
}

pub(crate) fn settlements<'a>(settled: &'a [(Item<'a>, Settled)]) -> Vec<Settlement<'a>> {
    settled
        .iter()
        .map(|(item, settled)| Settlement { held: item.held, at: item.at.clone(), by: item.by, settled })
        .collect()
}

fn doubt(held: &Held, code: &str, detail: impl Into<String>) -> Doubt {
    Doubt { entry: held.name(), code: code.to_owned(), detail: detail.into() }
}

/// One item per entry, whatever the order and number of copies; what cannot be computed is counted.
fn read(entries: &[Held]) -> Amended<'_> {
    let mut unique: BTreeMap<EntryRef, &Held> = BTreeMap::new();
    for held in entries {
        let slot = unique.entry(held.name()).or_insert(held);
        // Of two copies the one that came through the ledger says more.
        if slot.position.is_none() && held.position.is_some() {
            *slot = held;
        }
    }
    let mut amended = Amended {
        items: Vec::with_capacity(unique.len()),
        settled: Vec::new(),
        clashes: Vec::new(),
        doubts: Vec::new(),
        counts: Counts { entries: unique.len() as u64, ..Counts::default() },
        last: None,
        struck: BTreeMap::new(),
        corrected: Vec::new(),
    };
    let mut last: Option<((i64, EntryRef), &Head)> = None;
    let released = released(&unique.values().copied().collect::<Vec<_>>());
    for held in unique.into_values() {
        if let Some(off_s) = held.off_s {
            amended.doubts.push(doubt(held, "clock-off", clock_words(off_s)));
        }
        match &held.aside {
            Some(code) if released.contains_key(&held.name()) => {
                amended.doubts.push(doubt(held, "released", format!("{code}, released")));
            }
            Some(code) => {
                amended.counts.aside += 1;
                amended.doubts.push(doubt(held, "set-aside", code.clone()));
                continue;
            }
            None => {}
        }
        let (head, fact) = match held.entry.head().map(|head| (head, Fact::of_known(head, &held.entry))) {
            Ok((head, Ok(fact))) => (head, fact),
            Ok((_, Err(fault))) => {
                amended.counts.aside += 1;
                amended.doubts.push(doubt(held, "set-aside", fault.code));
                continue;
            }
            Err(fault) => {
                amended.counts.aside += 1;
                amended.doubts.push(doubt(held, "set-aside", fault.code.clone()));
                continue;
            }
        };
        if ahead_of_the_ledger(held, head) {
            amended.doubts.push(doubt(held, "time-ahead", "its time had not come when the ledger received it"));
        }
        let text = held.entry.text().map(str::to_owned);
        let item = Item { held, fact, at: head.at.clone(), by: head.by, text, clash: None };
        if last.is_none_or(|(order, _)| order < item.order()) {
            last = Some((item.order(), head));
        }
        match item.fact {
            Fact::Newer => amended.counts.newer += 1,
            Fact::Withheld => amended.counts.withheld += 1,
            _ => amended.items.push(item),
        }
    }
    amended.last = last.map(|((_, entry), head)| Stamp { entry, at: head.at.clone(), by: head.by });
    amended
}

/// Whether an entry says a time that had not come when it was received, by more than a clock may be off.
fn ahead_of_the_ledger(held: &Held, head: &Head) -> bool {
    // A clock that is known to run ahead is told by itself.
    let may_be_off_s = CLOCK_OFF_MARKED_S.saturating_add(held.off_s.unwrap_or(0).max(0));
    let received_s = held.received_ms.map(|ms| ms.div_euclid(1000));
    received_s.is_some_and(|received_s| head.at.second() > received_s.saturating_add(may_be_off_s))
}

fn clock_words(off_s: i64) -> String {
    let minutes = off_s.abs() / 60;
    let way = if off_s > 0 { "ahead" } else { "behind" };
    format!("the device's clock was {} h {:02} min {way}", minutes / 60, minutes % 60)
}

/// Which entries are struck by strikes that are not themselves struck, and by which.
fn effective_strikes<'a, 'b>(items: &'b [Item<'a>]) -> BTreeMap<EntryRef, Vec<&'b Item<'a>>> {
    let strikes: BTreeMap<EntryRef, (&Item<'a>, EntryRef)> = items
        .iter()
        .filter_map(|item| match &item.fact {
            Fact::Struck(struck) => Some((item.held.name(), (item, struck.target))),
            _ => None,
        })
        .collect();
    let mut struck: BTreeMap<EntryRef, Vec<&Item<'a>>> = BTreeMap::new();
    let whom = strikes.iter().map(|(name, (_, target))| (*name, *target)).collect();
    for (name, target) in counting_strikes(whom) {
        struck.entry(target).or_default().extend(strikes.get(&name).map(|(item, _)| *item));
    }
    struck
}

/// Corrections by the entry they correct.
fn corrections<'a, 'b>(items: &[&'b Item<'a>]) -> BTreeMap<EntryRef, Vec<&'b Item<'a>>> {
    let mut by_target: BTreeMap<EntryRef, Vec<&Item<'a>>> = BTreeMap::new();
    for &item in items {
        if let Fact::Corrected(corrected) = &item.fact {
            by_target.entry(corrected.target).or_default().push(item);
        }
    }
    by_target
}

fn apply_corrections(
    item: &mut Item<'_>,
    corrections: &[&Item<'_>],
    settlements: &[Settlement<'_>],
    clashes: &mut Vec<Clash>,
    doubts: &mut Vec<Doubt>,
) {
    let mut fields: BTreeMap<&str, Vec<Claim<'_>>> = BTreeMap::new();
    for correction in corrections {
        if let Fact::Corrected(c) = &correction.fact {
            fields.entry(&c.field).or_default().push(claim(correction, c.value.clone()));
        }
    }
    let name = item.held.name();
    let mut whole = Value::Object(item.held.entry.as_map().clone());
    for (field, claims) in fields {
        let matter = format!("field:{}:{}:{field}", name.device, name.seq);
        let Some(resolved) = register::resolve(&matter, claims, settlements) else { continue };
        if let Some(clash) = resolved.clash {
            item.clash = Some(clash.id);
            clashes.push(clash);
        }
        let mut tried = whole.clone();
        if set(&mut tried, field, resolved.value) && reread(item, &tried) {
            whole = tried;
        } else {
            let detail = format!("{field} cannot have that value");
            doubts.push(Doubt { entry: resolved.from, code: "correction-unusable".into(), detail });
        }
    }
}

pub(crate) fn claim<'a>(item: &Item<'a>, value: Value) -> Claim<'a> {
    Claim { held: item.held, at: item.at.clone(), by: item.by, value, over: &[] }
}

/// Puts a value at a pointer; null takes the field away.
fn set(whole: &mut Value, pointer: &str, value: Value) -> bool {
    let Some((parent, field)) = pointer.rsplit_once('/') else { return false };
    let field = field.replace("~1", "/").replace("~0", "~");
    match whole.pointer_mut(parent) {
        Some(Value::Object(map)) if value.is_null() => {
            map.remove(&field);
            true
        }
        Some(Value::Object(map)) => {
            map.insert(field, value);
            true
        }
        Some(Value::Array(items)) => match field.parse::<usize>().ok().and_then(|i| items.get_mut(i)) {
            Some(slot) => {
                *slot = value;
                true
            }
            None => false,
        },
        None if parent == "/words" => {
            if let Value::Object(map) = whole {
                map.insert("words".into(), json!({ field: value }));
            }
            true
        }
        _ => false,
    }
}

fn reread(item: &mut Item<'_>, whole: &Value) -> bool {
    let Ok(entry) = Entry::from_value(whole.clone()) else { return false };
    let Ok(head) = entry.head() else { return false };
    let Ok(fact) = Fact::read(head, &entry) else { return false };
    item.at = head.at.clone();
    item.by = head.by;
    item.text = entry.text().map(str::to_owned);
    item.fact = fact;
    true
}

/// A strike and corrections made apart from it disagree whether the entry stands. Struck until settled otherwise.
fn still_struck(
    name: EntryRef,
    strikers: &[&Item<'_>],
    corrections: &[&Item<'_>],
    settlements: &[Settlement<'_>],
    clashes: &mut Vec<Clash>,
) -> bool {
    let apart_from_strikes: Vec<&&Item<'_>> =
        corrections.iter().filter(|c| strikers.iter().all(|s| apart(s.held, c.held))).collect();
    if apart_from_strikes.is_empty() {
        return true;
    }
    let matter = format!("strike:{}:{}", name.device, name.seq);
    let mut sides: Vec<Side> = strikers.iter().map(|s| s.side(json!("struck"))).collect();
    sides.extend(apart_from_strikes.iter().map(|c| c.side(json!("kept"))));
    let over: Vec<EntryRef> = sides.iter().map(|s| s.entry).collect();
    let Some(used) = strikers.iter().map(|s| s.order()).max().map(|(_, entry)| entry) else { return true };
    match register::settled(&matter, &over, settlements) {
        None => {
            clashes.push(clash::clash(&matter, sides, used));
            true
        }
        Some(resolved) => {
            let chosen = register::choice(&resolved);
            clashes.extend(resolved.clash);
            !matches!(chosen, Some(Choice::Entry(e)) if apart_from_strikes.iter().any(|c| c.held.name() == e))
        }
    }
}

/// The code under which the reading side reports what it could not use; named here so that it stays one spelling.
pub(crate) const READING_DOUBTFUL: &str = "reading-doubtful";
