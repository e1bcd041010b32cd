//! The meters of a machine, from its entries: what each showed, what is believed of it, and which readings clash.
//!
//! Promises: which readings can be true together is `crate::meter`'s; here they are gathered, with what to add for the meters
//! before, and what people have settled is taken out. What is not believed is a doubt, and listed.
//!
//! Never asks who is right: neighbouring readings of people who had not seen each other's are a clash.

use super::amend::{Item, READING_DOUBTFUL};
use super::upkeep::{self, Believed};
use super::{Doubt, Meter, MeterReading};
use crate::causality::apart;
use crate::clash::{self, Clash};
use crate::decimal::Decimal;
use crate::entry::EntryRef;
use crate::fact::{Choice, Fact, MeterChange, MeterKind, Reading, TELEMATICS};
use crate::meter::{self, Shown};
use crate::register::{self, Settlement};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// Readings as people and machines gave them, of each meter, before it is asked which of them can be true.
pub(crate) struct Readings<'i, 'a> {
    /// Name of the machine's first meter, which has its place here with readings or without.
    pub first: String,
    /// What that one counts.
    pub first_kind: MeterKind,
    /// By meter, in order of time.
    pub shown: BTreeMap<String, Vec<(Shown, &'i Item<'a>)>>,
    /// How often each meter was changed or rolled over.
    pub changes: BTreeMap<String, u64>,
}

/// The readings of all meters. What is odd in a change of one is a doubt.
pub(crate) fn readings<'i, 'a>(items: &'i [Item<'a>], doubts: &mut Vec<Doubt>) -> Readings<'i, 'a> {
    let first_kind = items
        .iter()
        .find_map(|i| if let Fact::MachineAdded(added) = &i.fact { Some(added.meter_kind) } else { None })
        .unwrap_or(MeterKind::Hours);
    let first = first_kind.meter_name().to_owned();
    let mut shown: BTreeMap<String, Vec<(Shown, &Item<'_>)>> = BTreeMap::new();
    let mut carried: BTreeMap<String, i64> = BTreeMap::new();
    let mut changes: BTreeMap<String, u64> = BTreeMap::new();
    shown.insert(first.clone(), Vec::new());
    for item in items {
        if let Fact::MeterChanged(change) = &item.fact {
            let meter = change.meter.clone().unwrap_or(first.clone());
            *carried.entry(meter.clone()).or_default() += change.old_reading.milli - change.new_reading.milli;
            *changes.entry(meter).or_default() += 1;
            let rolled = meter::has_rolled_over(change.old_reading, change.new_reading);
            if change.reason == MeterChange::RolledOver && !rolled {
                let detail = format!("{} to {} is no roll over", change.old_reading, change.new_reading);
                doubts.push(Doubt { entry: item.held.name(), code: "rollover-doubtful".into(), detail });
            }
        }
        let Some(Reading { reading: Some(reading), meter }) = item.fact.reading() else { continue };
        let meter = meter.clone().unwrap_or(first.clone());
        let carried_milli = carried.get(&meter).copied().unwrap_or(0);
        let entry = item.held.name();
        let one = Shown { entry, second: item.at.second(), reading: *reading, carried_milli };
        shown.entry(meter).or_default().push((one, item));
    }
    Readings { first, first_kind, shown, changes }
}

/// Meters: what each showed last, what is doubtful, and which readings clash.
pub(super) fn meters(
    items: &[Item<'_>],
    settlements: &[Settlement<'_>],
    clashes: &mut Vec<Clash>,
    doubts: &mut Vec<Doubt>,
) -> (Vec<Meter>, Believed) {
    let Readings { first, first_kind, shown, changes } = readings(items, doubts);
    let mut all = Believed { first: first.clone(), tracks: BTreeMap::new() };
    let mut meters: Vec<Meter> = shown
        .into_iter()
        .map(|(meter, readings)| {
            let kind = if meter == first { first_kind } else { meter.parse().unwrap_or(MeterKind::Hours) };
            let changes = changes.get(&meter).copied().unwrap_or(0);
            let (meter, track) = one_meter(meter, kind, changes, &readings, settlements, clashes, doubts);
            all.tracks.insert(meter.meter.clone(), track);
            meter
        })
        .collect();
    meters.sort_by_key(|meter| (meter.meter != first, meter.meter.clone()));
    (meters, all)
}

fn one_meter(
    meter: String,
    kind: MeterKind,
    changes: u64,
    readings: &[(Shown, &Item<'_>)],
    settlements: &[Settlement<'_>],
    clashes: &mut Vec<Clash>,
    doubts: &mut Vec<Doubt>,
) -> (Meter, Vec<(i64, i64, i64)>) {
    let (refused, mut open) = settle_readings(&meter, kind, readings, settlements, clashes);
    let kept: Vec<&(Shown, &Item<'_>)> = readings.iter().filter(|(s, _)| !refused.contains(&s.entry)).collect();
    let (believed, doubtful) = meter::believe(kind, &kept.iter().map(|(s, _)| s.clone()).collect::<Vec<_>>());
    for clash in &mut open {
        // The believed one of the two is used; if neither is, the later one names the clash.
        if let Some(&i) = believed.iter().find(|&&i| clash.sides.iter().any(|side| side.entry == kept[i].0.entry)) {
            clash.used = kept[i].0.entry;
        }
    }
    clashes.append(&mut open);
    let reading = |(shown, item): &(Shown, &Item<'_>)| MeterReading {
        shown: shown.reading,
        life: Decimal::from_milli(shown.life_milli()),
        source: item.fact.source().map(str::to_owned),
        stamp: item.stamp(),
    };
    let transmitted = readings.iter().rev().find(|(_, item)| item.fact.source() == Some(TELEMATICS)).map(reading);
    let mut doubted: Vec<MeterReading> =
        readings.iter().filter(|(s, _)| refused.contains(&s.entry)).map(reading).collect();
    doubted.extend(doubtful.iter().map(|&i| reading(kept[i])));
    doubted.sort_by_key(|r| (r.stamp.at.second(), r.stamp.entry));
    for doubt in &doubted {
        let detail = format!("{meter} {} does not fit the other readings", doubt.shown);
        doubts.push(Doubt { entry: doubt.stamp.entry, code: READING_DOUBTFUL.into(), detail });
    }
    let track: Vec<(i64, i64, i64)> =
        believed.iter().map(|&i| (kept[i].0.second, upkeep::day(&kept[i].1.at), kept[i].0.life_milli())).collect();
    let reading = believed.last().map(|&i| reading(kept[i]));
    let rate = meter::rate(&track);
    (Meter { meter, kind, reading, doubtful: doubted, telematics: transmitted, changes, rate }, track)
}

/// Neighbouring readings by people who had not seen each other's, which cannot both be true: a clash. Gives the
/// readings that a settlement has refused, and the clashes that are open.
fn settle_readings(
    meter: &str,
    kind: MeterKind,
    readings: &[(Shown, &Item<'_>)],
    settlements: &[Settlement<'_>],
    clashes: &mut Vec<Clash>,
) -> (BTreeSet<EntryRef>, Vec<Clash>) {
    let matter = format!("reading:{meter}");
    let mut refused = BTreeSet::new();
    let mut open = Vec::new();
    for pair in readings.windows(2) {
        let [(earlier, a), (later, b)] = pair else { continue };
        if meter::can_both_be_true(kind, earlier, later) || !apart(a.held, b.held) {
            continue;
        }
        let over = [earlier.entry, later.entry];
        match register::settled(&matter, &over, settlements) {
            None => {
                let sides = vec![a.side(json!(earlier.reading)), b.side(json!(later.reading))];
                open.push(clash::clash(&matter, sides, later.entry));
            }
            Some(resolved) => {
                if let Some(Choice::Entry(chosen)) = register::choice(&resolved) {
                    refused.extend(over.into_iter().filter(|entry| *entry != chosen && over.contains(&chosen)));
                }
                clashes.extend(resolved.clash);
            }
        }
    }
    (refused, open)
}
