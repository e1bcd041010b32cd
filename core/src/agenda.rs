//! What is to be done on many machines, the first thing first.
//!
//! Promises: one order for everyone who shows such a list: machines that must not be run come first; then by the first
//! thing to do on each, see [`Due::order`](crate::due::Due::order); then by name. A rank is short and compares by its
//! bytes, so that a rank alone says where a list goes on, whatever has come or gone meanwhile.

use crate::book::Finding;
use crate::due::{Due, Order, State};
use crate::entry::EntryRef;
use crate::fact::{Sign, Urgency};
use crate::fleet::folded;
use crate::ids::MachineId;
use serde::{Deserialize, Serialize};
use std::cmp::Reverse;

/// A machine and what is to be done on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct MachineDue {
    /// The machine.
    pub machine: MachineId,
    /// What people call it.
    pub name: String,
    /// Where it works, where anyone has said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub site: Option<String>,
    /// Why it must not be run.
    pub tagged_out: Vec<TaggedOut>,
    /// Every task of its plan, the first thing to do first.
    pub due: Vec<Due>,
}

/// An open finding because of which a machine must not be run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct TaggedOut {
    /// The finding.
    pub entry: EntryRef,
    /// What was noticed.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub sign: Sign,
    /// Where.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub point: Option<String>,
}

impl TaggedOut {
    /// Those of a machine's open findings, in their order.
    #[must_use]
    pub fn of(findings: &[Finding]) -> Vec<Self> {
        let tagged = findings.iter().filter(|finding| finding.urgency == Urgency::TaggedOut);
        tagged.map(|f| Self { entry: f.stamp.entry, sign: f.sign, point: f.point.clone() }).collect()
    }
}

/// The most pressing that there is to say of a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pressing {
    /// It must not be run; beside it the first thing to do.
    TaggedOut(Option<Order>),
    /// The first thing to do; none without a plan that has a task.
    Due(Option<Order>),
}

/// The start of a name as names are compared: what of it decides an order. For lists that are sorted again and again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NameStart([u8; NAME_BYTES]);

impl NameStart {
    /// Of a name.
    #[must_use]
    pub fn of(name: &str) -> Self {
        let name = folded(name);
        let mut start = [0; NAME_BYTES];
        let length = name.len().min(NAME_BYTES);
        start[..length].copy_from_slice(&name.as_bytes()[..length]);
        Self(start)
    }
}

/// Bytes of a name that decide an order; what is alike that far is told apart by its id.
const NAME_BYTES: usize = 48;
/// Bytes of a rank.
pub const RANK_BYTES: usize = 1 + 1 + 8 + 8 + NAME_BYTES + 16;

/// Where a machine stands in the list: the least comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Rank([u8; RANK_BYTES]);

impl Rank {
    /// The rank of a machine.
    #[must_use]
    pub fn of(pressing: Pressing, name: &str, machine: MachineId) -> Self {
        Self::with(pressing, &NameStart::of(name), machine)
    }

    /// The rank of a machine whose name has been prepared.
    #[must_use]
    pub fn with(pressing: Pressing, name: &NameStart, machine: MachineId) -> Self {
        let (runs, order) = match pressing {
            Pressing::TaggedOut(order) => (0, order),
            Pressing::Due(order) => (1, order),
        };
        let (state, first, Reverse(used)) = order.unwrap_or((State::Unknown, 0, Reverse(0)));
        let mut rank = [0; RANK_BYTES];
        (rank[0], rank[1]) = (runs, state as u8);
        rank[2..10].copy_from_slice(&ascending(first));
        rank[10..18].copy_from_slice(&ascending(used).map(|byte| !byte));
        rank[18..18 + NAME_BYTES].copy_from_slice(&name.0);
        rank[18 + NAME_BYTES..].copy_from_slice(&machine.0);
        Self(rank)
    }

    /// The bytes, in whose order ranks are.
    #[must_use]
    pub fn as_bytes(&self) -> &[u8; RANK_BYTES] {
        &self.0
    }

    /// The rank of these bytes.
    #[must_use]
    pub fn from_bytes(bytes: [u8; RANK_BYTES]) -> Self {
        Self(bytes)
    }
}

/// Bytes in whose order numbers are, the negative ones first.
fn ascending(number: i64) -> [u8; 8] {
    (number ^ i64::MIN).to_be_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rank(pressing: Pressing, name: &str, machine: u8) -> Rank {
        Rank::of(pressing, name, MachineId([machine; 16]))
    }

    fn due(name: &str, machine: u8, order: (State, i64, i64)) -> Rank {
        let (state, first, used) = order;
        rank(Pressing::Due(Some((state, first, Reverse(used)))), name, machine)
    }

    #[test]
    fn the_first_thing_comes_first() {
        use State::{Ahead, InWindow, PastWindow, Unknown};
        let long = "a machine whose name goes on for longer than a rank remembers, ";
        let order = [
            rank(Pressing::TaggedOut(Some((InWindow, -1000, Reverse(1000)))), "EX9", 9),
            rank(Pressing::TaggedOut(None), "EX1", 1),
            due("EX3", 1, (PastWindow, -2500, 2500)),
            due("ex2", 9, (PastWindow, -1200, 1200)),
            due("EX3", 1, (PastWindow, -1200, 1200)),
            due("EX3", 2, (PastWindow, -1200, 1200)),
            due("EX30", 1, (PastWindow, -1200, 1200)),
            due("EX3", 1, (InWindow, -5000, 5000)),
            due("EX3", 1, (Ahead, 1_777_000_000, 300)),
            due("EX3", 1, (Ahead, 1_778_000_000, 900)),
            due("EX3", 1, (Ahead, 1_778_000_000, 300)),
            due("EX3", 1, (Ahead, i64::MAX, 5)),
            rank(Pressing::Due(None), "EX3", 1),
        ];
        for (n, pair) in order.windows(2).enumerate() {
            assert!(pair[0] < pair[1], "{n}: {pair:?}");
        }
        let alike = [1, 2].map(|machine| due(&format!("{long}{machine}"), machine, (Unknown, 0, 0)));
        assert!(alike[0] < alike[1]);
        assert_eq!(Rank::from_bytes(*order[3].as_bytes()), order[3]);
    }
}
