//! Who ran a machine: shares of hours by person, and the effective number of hands.
//!
//! Promises: hours come from shifts whose beginning and end have believable readings; where there are none, entries
//! are counted instead and the answer says so. Effective number of hands = 1/Σp² (Simpson's index, Hill number of
//! order 2): one regular operator is 1, four in equal parts are 4.

use super::amend::Item;
use super::upkeep::Believed;
use super::{Hands, HandsPart, HandsShare};
use crate::decimal::Decimal;
use crate::fact::Fact;
use crate::ids::PersonId;
use std::collections::BTreeMap;

/// How far back "recent" goes, in thousandths of an hour: 500 h, a season of work.
const RECENT_MILLI: i64 = 500_000;

/// A stretch of running: who, where the meter ended, how long.
struct Stretch {
    person: PersonId,
    until_milli: i64,
    run_milli: i64,
}

pub(super) fn hands(items: &[Item<'_>], believed: &Believed) -> Option<Hands> {
    let stretches = stretches(items, believed);
    if stretches.iter().any(|s| s.run_milli > 0) {
        let newest = stretches.iter().map(|s| s.until_milli).max().unwrap_or(0);
        let life = shares("hours", stretches.iter().map(|s| (s.person, s.run_milli)));
        let recent = stretches.iter().filter(|s| s.until_milli > newest - RECENT_MILLI);
        return Some(Hands { life, recent: shares("hours", recent.map(|s| (s.person, s.run_milli))) });
    }
    // What a transmitter gave tells of nobody's hands.
    let by_hand = items.iter().filter(|item| item.fact.source().is_none());
    by_hand.clone().next()?;
    let by_entries = shares("entries", by_hand.map(|item| (item.by, 1000)));
    Some(Hands { life: by_entries.clone(), recent: by_entries })
}

/// Shifts with a reading at both ends, or from the end of the shift before.
fn stretches(items: &[Item<'_>], believed: &Believed) -> Vec<Stretch> {
    let Some(track) = believed.tracks.get(&believed.first) else { return Vec::new() };
    let life_at = |second: i64| {
        let place = track.partition_point(|(at, _, _)| *at < second);
        track.get(place).filter(|(at, _, _)| *at == second).map(|(_, _, life)| *life)
    };
    let mut stretches = Vec::new();
    let mut begun: Option<(PersonId, Option<i64>)> = None;
    for item in items {
        match &item.fact {
            Fact::ShiftBegun(shift) => {
                begun = Some((shift.operator.unwrap_or(item.by), life_at(item.at.second())));
            }
            Fact::ShiftEnded(shift) => {
                let person = shift.operator.or(begun.map(|(who, _)| who)).unwrap_or(item.by);
                let from = begun.take().and_then(|(_, life)| life);
                if let (Some(from), Some(until)) = (from, life_at(item.at.second())) {
                    stretches.push(Stretch { person, until_milli: until, run_milli: (until - from).max(0) });
                }
            }
            _ => {}
        }
    }
    stretches
}

fn shares(by: &str, parts: impl Iterator<Item = (PersonId, i64)>) -> HandsShare {
    let mut amounts: BTreeMap<PersonId, i64> = BTreeMap::new();
    for (person, milli) in parts {
        *amounts.entry(person).or_default() += milli;
    }
    let total: i64 = amounts.values().sum();
    let squares: i128 = amounts.values().map(|a| i128::from(*a) * i128::from(*a)).sum();
    let effective = if squares == 0 { 0 } else { i128::from(total) * i128::from(total) * 1000 / squares };
    let mut people: Vec<HandsPart> =
        amounts.into_iter().map(|(person, milli)| HandsPart { person, amount: Decimal::from_milli(milli) }).collect();
    people.sort_by_key(|part| (std::cmp::Reverse(part.amount), part.person));
    HandsShare {
        by: by.to_owned(),
        total: Decimal::from_milli(total),
        effective: Decimal::from_milli(i64::try_from(effective).unwrap_or(0)),
        people,
    }
}
