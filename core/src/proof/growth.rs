//! One step of the tree behind the ledger: new entries in, new tiles, machines and the leaf of a roll out.
//!
//! Promises: the tree depends on the ledger and on where checkpoints were made, on nothing else; entries come in order
//! of position without a hole, or nothing is grown.
//!
//! Never: I/O. Who stores the step does it in one transaction or not at all.

use super::leaf::{MachineSoFar, RollLeaf, Row, entry_leaf_data, machine_leaf, roll_leaf_data};
use super::merkle::{Edge, leaf_hash};
use super::roll::{Line, Roll, key};
use super::tile::Growing;
use crate::ids::{Hash, MachineId, OrganisationId};
use std::collections::BTreeMap;

/// How far a tree has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reached {
    /// Number of leaves: entries and rolls.
    pub size: u64,
    /// The ledger position of the last entry in it.
    pub position: u64,
    /// The link of that entry; [`Hash::ZERO`] for none. If the ledger shows another one, it was changed beneath the tree.
    pub link: Hash,
}

impl Reached {
    /// A tree without leaves.
    pub const NOTHING: Self = Self { size: 0, position: 0, link: Hash::ZERO };
}

/// The ledger's tree and the trees of the machines that are touched.
#[derive(Debug, Clone)]
pub struct Growth {
    tree: Growing,
    position: u64,
    link: Hash,
    machines: BTreeMap<MachineId, Edge>,
}

/// An entry whose position is not the next one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("after position {after} of the ledger came {found}")]
pub struct Hole {
    /// The last position in the tree.
    pub after: u64,
    /// The one that came.
    pub found: u64,
}

impl Growth {
    /// From where the tree is. `machines` has the edge of every machine that the entries to come are about, empty for
    /// one that has none yet.
    #[must_use]
    pub fn new(tree: Growing, reached: &Reached, machines: BTreeMap<MachineId, Edge>) -> Self {
        Self { tree, position: reached.position, link: reached.link, machines }
    }

    /// Adds an entry.
    ///
    /// # Errors
    /// If its position is not the next one.
    pub fn push(&mut self, row: &Row) -> Result<(), Hole> {
        if row.position != self.position + 1 {
            return Err(Hole { after: self.position, found: row.position });
        }
        let so_far = row.machine.map(|machine| {
            let edge = self.machines.entry(machine).or_default();
            edge.push(machine_leaf(row));
            MachineSoFar { count: edge.size(), root: edge.root() }
        });
        self.tree.push(leaf_hash(&entry_leaf_data(row, so_far.as_ref())));
        (self.position, self.link) = (row.position, row.link);
        Ok(())
    }

    /// Ends the tree for a checkpoint: adds the leaf of the roll of all machines, those that were not touched included.
    pub fn call(&mut self, roll: &Roll, made_ms: i64) -> RollLeaf {
        let leaf = RollLeaf { machines: roll.machines(), made_ms, position: self.position, root: roll.root() };
        self.tree.push(leaf_hash(&roll_leaf_data(&leaf)));
        leaf
    }

    /// The tree.
    #[must_use]
    pub fn tree(&self) -> &Growing {
        &self.tree
    }

    /// The machines' trees.
    #[must_use]
    pub fn machines(&self) -> &BTreeMap<MachineId, Edge> {
        &self.machines
    }

    /// How far it has come.
    #[must_use]
    pub fn reached(&self) -> Reached {
        Reached { size: self.tree.size(), position: self.position, link: self.link }
    }
}

/// A machine's line of the roll.
#[must_use]
pub fn line(organisation: &OrganisationId, machine: &MachineId, count: u64, root: Hash) -> Line {
    Line { key: key(organisation, machine), count, root }
}
