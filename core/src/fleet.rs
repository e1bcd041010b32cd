//! All machines of an organisation together: which of them are probably one, added twice on two devices.
//!
//! Promises: two machines added apart, with the same serial number or the same name on the same site, are proposed as
//! a twin. Settled as the same, the entries of both count for one machine; settling the other way undoes it. Nothing
//! is merged before a person says so.

use crate::book::amend::{amend, settlements};
use crate::causality::apart;
use crate::clash::{self, Clash, Side, Twin};
use crate::entry::Held;
use crate::fact::Choice;
use crate::ids::MachineId;
use crate::register;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use unicode_normalization::UnicodeNormalization as _;

/// What tells one machine from another.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    /// The machine.
    pub machine: MachineId,
    /// The entry that added it.
    pub added: Held,
    /// Its name as it counts.
    pub name: String,
    /// Its serial number as it counts.
    pub serial: Option<String>,
    /// Its site as it counts.
    pub site: Option<String>,
}

/// Which machines are one.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Fleet {
    /// For machines settled to be another: that other, the one with the smallest id.
    pub same: BTreeMap<MachineId, MachineId>,
    /// Machines that are probably one, not settled yet.
    pub twins: Vec<Twin>,
    /// Settlements that disagree.
    pub clashes: Vec<Clash>,
}

impl Fleet {
    /// The machine under which the entries of `machine` count.
    #[must_use]
    pub fn counts_as(&self, machine: MachineId) -> MachineId {
        self.same.get(&machine).copied().unwrap_or(machine)
    }

    /// All machines whose entries count for `machine`, itself included.
    #[must_use]
    pub fn all_of(&self, machine: MachineId) -> BTreeSet<MachineId> {
        let chief = self.counts_as(machine);
        self.same.iter().filter(|(_, c)| **c == chief).map(|(m, _)| *m).chain([chief]).collect()
    }
}

/// Names compare without regard to case, composition and spaces around them.
#[must_use]
pub fn folded(name: &str) -> String {
    name.trim().nfkc().flat_map(char::to_lowercase).nfc().collect()
}

/// The fleet from the machines' cards and all `settled` and `struck` entries of the organisation, in any order.
#[must_use]
pub fn fleet(cards: &[Card], decisions: &[Held]) -> Fleet {
    let amended = amend(decisions);
    let settlements = settlements(&amended.settled);
    let mut fleet = Fleet::default();
    let mut pairs: BTreeSet<(usize, usize)> = BTreeSet::new();
    for group in alike(cards) {
        for (n, &a) in group.iter().enumerate() {
            pairs.extend(group[n + 1..].iter().map(|&b| (a.min(b), a.max(b))));
        }
    }
    let mut chief: BTreeMap<MachineId, MachineId> = BTreeMap::new();
    for (a, b) in pairs {
        let (a, b) = (&cards[a], &cards[b]);
        if a.machine == b.machine || a.added.device == b.added.device || !apart(&a.added, &b.added) {
            continue;
        }
        let serials = [a, b].map(|card| card.serial.as_deref().map(folded));
        if serials.iter().all(Option::is_some) && serials[0] != serials[1] {
            continue;
        }
        let over = [a.added.name(), b.added.name()];
        match register::settled("machine", &over, &settlements) {
            None => fleet.twins.push(clash::twin("machine", [a, b].into_iter().filter_map(side).collect())),
            Some(resolved) => {
                if register::choice(&resolved) == Some(Choice::Same) {
                    join(&mut chief, a.machine, b.machine);
                }
                fleet.clashes.extend(resolved.clash);
            }
        }
    }
    fleet.twins.sort_by_key(|twin| twin.id);
    fleet.same = chief.keys().map(|m| (*m, find(&chief, *m))).filter(|(m, c)| m != c).collect();
    fleet
}

fn side(card: &Card) -> Option<Side> {
    let head = card.added.entry.head().ok()?;
    let value = json!({"machine": card.machine, "name": card.name, "serial": card.serial, "site": card.site});
    Some(Side { entry: card.added.name(), at: head.at.clone(), by: head.by, value })
}

/// Groups of cards with one serial number, or one name on one site.
fn alike(cards: &[Card]) -> Vec<Vec<usize>> {
    let mut groups: BTreeMap<(u8, String, String), Vec<usize>> = BTreeMap::new();
    for (index, card) in cards.iter().enumerate() {
        if let Some(serial) = &card.serial {
            groups.entry((0, folded(serial), String::new())).or_default().push(index);
        }
        let site = card.site.as_deref().map(folded).unwrap_or_default();
        groups.entry((1, folded(&card.name), site)).or_default().push(index);
    }
    groups.into_values().filter(|group| group.len() > 1).collect()
}

fn find(chief: &BTreeMap<MachineId, MachineId>, mut machine: MachineId) -> MachineId {
    while let Some(&next) = chief.get(&machine).filter(|next| **next != machine) {
        machine = next;
    }
    machine
}

fn join(chief: &mut BTreeMap<MachineId, MachineId>, a: MachineId, b: MachineId) {
    let (a, b) = (find(chief, a), find(chief, b));
    chief.insert(a.max(b), a.min(b));
    chief.insert(a.min(b), a.min(b));
}
