//! One matter on which people may say different things: which value counts, and whether there is a clash.
//!
//! Promises: a claim made in knowledge of another replaces it; claims that nothing replaces stand side by side. One
//! value standing: it counts. Several: a clash, and the latest by time counts (ties by device, then number) until it
//! is settled. A settlement is itself a claim, with the value it chose, so two different settlements made apart are
//! again a clash and never a loop. The order in which claims are given does not matter.

use crate::causality::knew;
use crate::clash::{self, Clash, Side};
use crate::entry::{EntryRef, Held};
use crate::fact::{Choice, Settled};
use crate::ids::PersonId;
use crate::moment::Moment;
use serde_json::Value;

/// One entry's word on a matter.
#[derive(Debug, Clone)]
pub struct Claim<'a> {
    /// The entry.
    pub held: &'a Held,
    /// When, as it counts after corrections.
    pub at: Moment,
    /// Its author.
    pub by: PersonId,
    /// What it says.
    pub value: Value,
    /// Entries a settlement decides between: known to it whatever it had seen of the ledger.
    pub over: &'a [EntryRef],
}

/// A settlement together with its entry.
#[derive(Debug, Clone)]
pub struct Settlement<'a> {
    /// The entry.
    pub held: &'a Held,
    /// When.
    pub at: Moment,
    /// Who.
    pub by: PersonId,
    /// What it says.
    pub settled: &'a Settled,
}

/// What counts on a matter.
#[derive(Debug, Clone, PartialEq)]
pub struct Resolved {
    /// The value that counts.
    pub value: Value,
    /// The entry that says so.
    pub from: EntryRef,
    /// When it was said.
    pub at: Moment,
    /// By whom.
    pub by: PersonId,
    /// The open clash, if people disagree.
    pub clash: Option<Clash>,
}

impl Claim<'_> {
    fn replaces(&self, other: &Claim<'_>) -> bool {
        knew(self.held, other.held) || self.over.contains(&other.held.name())
    }

    fn side(&self) -> Side {
        Side { entry: self.held.name(), at: self.at.clone(), by: self.by, value: self.value.clone() }
    }
}

/// Resolves a matter on which `claims` were made, and which `settlements` (of any matter) may have settled.
/// None if nobody said anything.
#[must_use]
pub fn resolve<'a>(matter: &str, mut claims: Vec<Claim<'a>>, settlements: &'a [Settlement<'a>]) -> Option<Resolved> {
    add_settlements(matter, &mut claims, settlements);
    claims.sort_by_key(|claim| claim.held.name());
    claims.dedup_by_key(|claim| claim.held.name());
    // Of one device only the newest claim can stand: it knew its own. So the work is devices times claims, however often
    // one device says something new.
    let newest = claims.chunk_by(|a, b| a.held.device == b.held.device).filter_map(<[Claim<'_>]>::last);
    let mut standing: Vec<&Claim<'_>> = newest
        .filter(|claim| !claims.iter().any(|other| other.held.name() != claim.held.name() && other.replaces(claim)))
        .collect();
    if standing.is_empty() {
        // Only entries that lie about what they had seen can replace each other in a ring.
        standing = claims.iter().collect();
    }
    let used = standing.iter().max_by_key(|claim| (claim.at.second(), claim.held.name()))?;
    let agreed = standing.iter().all(|claim| claim.value == used.value);
    let clash =
        (!agreed).then(|| clash::clash(matter, standing.iter().map(|claim| claim.side()).collect(), used.held.name()));
    Some(Resolved { value: used.value.clone(), from: used.held.name(), at: used.at.clone(), by: used.by, clash })
}

/// Adds each settlement of the matter as a claim with the value of the entry it chose. Settlements may choose one
/// another, in any order, so this goes on until none is added.
fn add_settlements<'a>(matter: &str, claims: &mut Vec<Claim<'a>>, settlements: &'a [Settlement<'a>]) {
    let mut waiting: Vec<&Settlement<'_>> = settlements.iter().filter(|s| s.settled.matter == matter).collect();
    loop {
        let before = waiting.len();
        waiting.retain(|settlement| {
            let Choice::Entry(chosen) = settlement.settled.choice else { return true };
            let Some(value) = claims.iter().find(|c| c.held.name() == chosen).map(|c| c.value.clone()) else {
                return true;
            };
            claims.push(Claim {
                held: settlement.held,
                at: settlement.at.clone(),
                by: settlement.by,
                value,
                over: &settlement.settled.over,
            });
            false
        });
        if waiting.len() == before {
            return;
        }
    }
}

/// How the disagreement of exactly these entries was settled, where it is not about values but about the entries
/// themselves (readings, twins). The value of the answer is the [`Choice`] as JSON.
#[must_use]
pub fn settled<'a>(matter: &str, over: &[EntryRef], settlements: &'a [Settlement<'a>]) -> Option<Resolved> {
    let id = clash::id(matter, over);
    let mut over = over.to_vec();
    over.sort_unstable();
    let claims: Vec<Claim<'a>> = settlements
        .iter()
        .filter(|s| s.settled.matter == matter && same_entries(&s.settled.over, &over))
        .filter_map(|s| {
            let value = serde_json::to_value(&s.settled.choice).ok()?;
            Some(Claim { held: s.held, at: s.at.clone(), by: s.by, value, over: &[] })
        })
        .collect();
    if claims.is_empty() {
        return None;
    }
    resolve(&format!("settlement:{id}"), claims, settlements)
}

/// Reads the answer of [`settled`].
#[must_use]
pub fn choice(resolved: &Resolved) -> Option<Choice> {
    serde_json::from_value(resolved.value.clone()).ok()
}

fn same_entries(a: &[EntryRef], sorted: &[EntryRef]) -> bool {
    let mut a = a.to_vec();
    a.sort_unstable();
    a == sorted
}
