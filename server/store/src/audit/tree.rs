//! Judging the tree behind a ledger: it is built once more from the entries, and compared with what is kept and signed.
//!
//! Promises: what no chain covers (when an entry was received, whether it stands aside, how far a clock was off) is
//! covered here, from the first checkpoint on. A change is told once, at the first checkpoint that it breaks. Where
//! entries are missing there is nothing to build, and that is told elsewhere.
//!
//! Never: SQL.

use super::{Finder, Wrong, hex};
use crate::ledger::LedgerRow;
use crate::tree::{CheckpointRecord, MachineTree, TreeHead};
use pintle_core::ids::{Hash, MachineId, OrganisationId};
use pintle_core::proof::checkpoint::{Checkpoint, CheckpointKey};
use pintle_core::proof::growth::{Growth, Reached, line};
use pintle_core::proof::leaf::Row;
use pintle_core::proof::roll::Roll;
use pintle_core::proof::tile::{Growing, Tiles};
use std::collections::{BTreeMap, VecDeque};

/// What is kept of a tree. What could not be read is none.
#[derive(Debug, Default)]
pub(crate) struct Kept {
    pub head: Option<TreeHead>,
    pub tiles: Option<Tiles>,
    pub machines: Option<BTreeMap<MachineId, MachineTree>>,
    /// By size.
    pub checkpoints: Vec<CheckpointRecord>,
}

/// Builds a tree beside the walk through its ledger.
pub(crate) struct TreeJudge {
    organisation: OrganisationId,
    secret: [u8; 32],
    kept: Kept,
    next: VecDeque<CheckpointRecord>,
    /// None where entries are missing, or there is no tree.
    growth: Option<Growth>,
    broken: bool,
}

impl TreeJudge {
    pub fn new(organisation: OrganisationId, secret: [u8; 32], mut kept: Kept) -> Self {
        let next = std::mem::take(&mut kept.checkpoints).into();
        let nothing = Growing::new(0, Tiles::new());
        let growth = nothing.filter(|_| kept.head.is_some());
        let growth = growth.map(|tree| Growth::new(tree, &Reached::NOTHING, BTreeMap::new()));
        Self { organisation, secret, kept, next, growth, broken: false }
    }

    /// The next row of the ledger, with the link it was counted with.
    pub fn row(&mut self, finder: &mut Finder, row: &LedgerRow, link: &Hash) {
        let (Some(growth), Some(head)) = (&mut self.growth, &self.kept.head) else { return };
        if row.position > head.reached.position {
            return;
        }
        let leaf = Row {
            position: row.position,
            device: row.device,
            seq: row.seq,
            link: *link,
            machine: row.machine,
            received_ms: row.received_ms,
            off_s: row.off_s,
            aside: row.aside.clone(),
        };
        if growth.push(&leaf).is_err() {
            self.growth = None;
            return;
        }
        while self.next.front().is_some_and(|next| next.roll.position == row.position) {
            if let Some(checkpoint) = self.next.pop_front() {
                self.checkpoint(finder, &checkpoint);
            }
        }
    }

    fn checkpoint(&mut self, finder: &mut Finder, record: &CheckpointRecord) {
        let Some(growth) = &mut self.growth else { return };
        let machines = growth.machines().iter();
        let lines = machines.map(|(machine, edge)| line(&self.organisation, machine, edge.size(), edge.root()));
        let roll = growth.call(&Roll::new(lines.collect()), record.roll.made_ms);
        let built = (growth.tree().size(), growth.tree().root());
        let key = CheckpointKey::new(&self.secret, self.organisation, record.epoch);
        let said = Checkpoint::open(&record.note, &key.origin(), &key.public());
        let Some(said) = said else {
            let detail = "its note is not signed by the server's key";
            return finder.add(Wrong::CheckpointWrong, "checkpoint", record.size, detail);
        };
        let same = (said.size, said.root) == built && record.size == built.0 && record.roll == roll;
        if !same && !self.broken {
            self.broken = true;
            let detail = format!("the entries up to position {} do not lead to what it signs", record.roll.position);
            finder.add(Wrong::CheckpointWrong, "checkpoint", record.size, detail);
        }
    }

    /// The ledger is at its end; `missing` of its positions say nothing, and that is told elsewhere.
    pub fn end(self, finder: &mut Finder, missing: usize) {
        let (Some(growth), Some(head)) = (&self.growth, &self.kept.head) else { return };
        let short = growth.reached().position < head.reached.position;
        if self.broken || (short && missing > 0) {
            return;
        }
        if let Some(left) = self.next.front() {
            let detail = format!("it signs entries up to {}, which the tree has not", left.roll.position);
            finder.add(Wrong::CheckpointWrong, "checkpoint", left.size, detail);
        }
        if (growth.reached(), growth.tree().root()) != (head.reached, head.root) {
            finder.add(Wrong::TreeWrong, "tree_head", "", "it is not what the entries lead to");
            return;
        }
        let built = growth.tree().changed();
        if let Some(tiles) = &self.kept.tiles {
            let ids = built.keys().chain(tiles.keys()).collect::<std::collections::BTreeSet<_>>();
            for id in ids.into_iter().filter(|id| built.get(id) != tiles.get(id)) {
                let row = format!("level {} number {}", id.level, id.number);
                finder.add(Wrong::TreeWrong, "tree_tile", row, "its hashes are not those of the entries");
            }
        }
        for (machine, kept) in self.kept.machines.iter().flatten() {
            let edge = growth.machines().get(machine).map(|edge| (edge.size(), edge.root()));
            if edge != Some((kept.count, kept.root)) {
                let detail = "its root is not that of the machine's entries";
                finder.add(Wrong::TreeWrong, "tree_machine", hex(&machine.0), detail);
            }
        }
    }
}
