//! Keeping each machine's glance true: by the entry at hand where that is enough, by a fold where it is not.
//!
//! Promises: after every transaction a glance says what a fold of all entries held would say. Only entries that
//! change what stands are folded; a greasing, a reading, a fill, a shift or a note is not.

use crate::odd::Odd;
use crate::outlook;
use crate::problem::Problem;
use crate::store::{Glance, LastReading, TaggedOut, Tx};
use pintle_core::book::{Book, book, counting};
use pintle_core::entry::Held;
use pintle_core::fact::{Fact, MeterKind, Urgency};
use pintle_core::fleet::{Card, Fleet, fleet};
use pintle_core::ids::MachineId;
use pintle_core::moment::Moment;
use std::collections::BTreeSet;

/// The machine's glance after one more entry of this device about it; gives the new glance.
///
/// # Errors
/// If the database cannot be used.
pub fn after(tx: &Tx<'_>, before: &Glance, fact: &Fact, at: &Moment, odd: Option<&Odd>) -> Result<Glance, Problem> {
    let mut glance = Glance { own_count: before.own_count + 1, ..before.clone() };
    let plain = matches!(
        fact,
        Fact::MeterRead(_)
            | Fact::FuelFilled(_)
            | Fact::ShiftBegun(_)
            | Fact::ShiftEnded(_)
            | Fact::TaskDone(_)
            | Fact::NoteLeft(_)
    );
    if plain && odd.is_none() && !glance.name.is_empty() {
        if let Some(reading) = fact.reading().filter(|r| r.meter.is_none()).and_then(|r| r.reading)
            && glance.reading.is_none_or(|last| last.at_s <= at.second())
        {
            glance.reading = Some(LastReading { reading, at_s: at.second() });
        }
        glance.last_at_s = glance.last_at_s.max(at.second());
        tx.set_machine(&glance)?;
        return Ok(glance);
    }
    tx.set_machine(&glance)?;
    if decides(fact) {
        regroup(tx)?;
    }
    refold(tx, glance.id)?;
    Ok(tx.machine(glance.id)?.unwrap_or(glance))
}

/// Whether an entry can change which machines are one.
#[must_use]
pub fn decides(fact: &Fact) -> bool {
    matches!(
        fact,
        Fact::MachineAdded(_)
            | Fact::MachineChanged(_)
            | Fact::Settled(_)
            | Fact::Struck(_)
            | Fact::Released(_)
            | Fact::Corrected(_)
    )
}

/// All entries that count for a machine, and its chief: the machine they count under.
///
/// # Errors
/// If the database cannot be read.
pub fn entries(tx: &Tx<'_>, machine: MachineId) -> Result<(MachineId, Vec<Held>), Problem> {
    let all = tx.machines()?;
    let chief = all.iter().find(|g| g.id == machine).and_then(|g| g.stands_for).unwrap_or(machine);
    let mut entries = tx.entries_of(chief)?;
    for other in all.iter().filter(|g| g.stands_for == Some(chief)) {
        entries.extend(tx.entries_of(other.id)?);
    }
    Ok((chief, entries))
}

/// Folds a machine anew and writes its glance and its outlook.
///
/// # Errors
/// If the database cannot be used.
pub fn refold(tx: &Tx<'_>, machine: MachineId) -> Result<(), Problem> {
    let (chief, entries) = entries(tx, machine)?;
    let own = tx.own()?.device;
    let own_count = |id| tx.count_of(own, id);
    let folded = book(chief, &entries);
    let glance = Glance { own_count: own_count(chief)?, ..of_book(&folded, &entries) };
    tx.set_machine(&glance)?;
    outlook::keep(tx, &folded, glance.own_count)?;
    if machine != chief {
        let mut other = of_book(&book(machine, &tx.entries_of(machine)?), &[]);
        other.own_count = own_count(machine)?;
        other.stands_for = Some(chief);
        tx.set_machine(&other)?;
    }
    Ok(())
}

/// Works out anew which machines are one, and folds those for which that has changed.
///
/// # Errors
/// If the database cannot be used.
pub fn regroup(tx: &Tx<'_>) -> Result<(), Problem> {
    let (_, fleet) = whole_fleet(tx)?;
    let mut changed: BTreeSet<MachineId> = BTreeSet::new();
    for mut glance in tx.machines()? {
        let chief = fleet.same.get(&glance.id).copied();
        if glance.stands_for != chief {
            changed.extend([Some(glance.id), glance.stands_for, chief].into_iter().flatten());
            glance.stands_for = chief;
            tx.set_machine(&glance)?;
        }
    }
    changed.into_iter().try_for_each(|machine| refold(tx, machine))
}

/// The cards of all machines, and which of them are one.
///
/// # Errors
/// If the database cannot be read.
pub fn whole_fleet(tx: &Tx<'_>) -> Result<(Vec<Card>, Fleet), Problem> {
    let mut deciding = tx.deciding_entries()?;
    let added: Vec<Held> = deciding.extract_if(.., |held| kind(held) == Some("machine_added")).collect();
    let makers: BTreeSet<_> = added.iter().map(|held| held.device).collect();
    if makers.len() < 2 {
        // Twin machines are added on two devices.
        return Ok((Vec::new(), Fleet::default()));
    }
    let mut cards: Vec<Card> = Vec::new();
    for held in added {
        let Some(machine) = held.entry.head().ok().and_then(|head| head.machine) else { continue };
        if cards.iter().any(|card| card.machine == machine) {
            continue;
        }
        let folded = book(machine, &tx.entries_of(machine)?);
        let Some(name) = text(&folded, "name") else { continue };
        cards.push(Card { machine, added: held, name, serial: text(&folded, "serial"), site: text(&folded, "site") });
    }
    let fleet = fleet(&cards, &deciding);
    Ok((cards, fleet))
}

fn kind(held: &Held) -> Option<&str> {
    held.entry.head().ok().map(|head| head.kind.as_str())
}

fn text(book: &Book, attribute: &str) -> Option<String> {
    book.attributes.get(attribute)?.value.as_str().map(str::to_owned)
}

fn of_book(book: &Book, entries: &[Held]) -> Glance {
    let meter = book.meters.first();
    let believed = meter.and_then(|m| m.reading.as_ref());
    let believed = believed.map(|r| LastReading { reading: r.shown, at_s: r.stamp.at.second() });
    let tagged = book.findings.iter().filter(|f| f.urgency == Urgency::TaggedOut);
    Glance {
        name: text(book, "name").unwrap_or_default(),
        meter_kind: meter.map_or(MeterKind::Hours, |m| m.kind),
        serial: text(book, "serial"),
        site: text(book, "site"),
        retired: text(book, "retired"),
        // A meter change says what the new meter showed, later than any reading of the old one.
        reading: new_meter(entries, None).filter(|new| believed.is_none_or(|last| last.at_s <= new.at_s)).or(believed),
        open_findings: book.findings.len() as u64,
        tagged_out: tagged.map(|f| TaggedOut { entry: f.stamp.entry, sign: f.sign, point: f.point.clone() }).collect(),
        last_at_s: book.last.as_ref().map_or(0, |stamp| stamp.at.second()),
        ..Glance::unknown(book.machine)
    }
}

/// What a meter showed when it was fitted or rolled over last; without a name the first one.
#[must_use]
pub fn new_meter(entries: &[Held], meter: Option<&str>) -> Option<LastReading> {
    let any = entries.iter().any(|held| kind(held) == Some("meter_changed"));
    let counted = if any { counting(entries) } else { Vec::new() };
    counted.iter().rev().find_map(|item| match &item.fact {
        Fact::MeterChanged(change) if change.meter.as_deref() == meter => {
            Some(LastReading { reading: change.new_reading, at_s: item.stamp.at.second() })
        }
        _ => None,
    })
}
