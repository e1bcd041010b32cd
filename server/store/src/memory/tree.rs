//! Trees in memory.
//!
//! Promises: the same steps as the databases take; the contract suite compares.

use super::{Ledger, MemoryStore, State, no_such};
use crate::ledger::LedgerRow;
use crate::tree::{
    BatchedEntry, CheckpointRecord, Cosignature, Grown, MachineStamp, MachineStanding, MachineTree, SealedBatch,
    StampRecord, TreeHead, TreeStore, added, is_whole, leaf_index, lines, opened, signed, telling,
};
use crate::{StoreError, StoreResult, corrupt};
use async_trait::async_trait;
use pintle_core::Entry;
use pintle_core::ids::{MachineId, OrganisationId};
use pintle_core::proof::leaf::Row;
use pintle_core::proof::merkle::Edge;
use pintle_core::proof::roll::key;
use pintle_core::proof::tile::{TileId, Tiles, open_tiles};
use std::collections::{BTreeMap, BTreeSet};

/// An organisation's tree.
#[derive(Debug, Clone)]
pub(super) struct Tree {
    head: TreeHead,
    tiles: Tiles,
    machines: BTreeMap<MachineId, Edge>,
    checkpoints: BTreeMap<u64, CheckpointRecord>,
    cosignatures: BTreeMap<(u64, String), Cosignature>,
    stamps: BTreeMap<(u64, String), StampRecord>,
}

impl Default for Tree {
    fn default() -> Self {
        Self {
            head: TreeHead::nothing(),
            tiles: Tiles::new(),
            machines: BTreeMap::new(),
            checkpoints: BTreeMap::new(),
            cosignatures: BTreeMap::new(),
            stamps: BTreeMap::new(),
        }
    }
}

impl Tree {
    fn newest(&self) -> Option<&CheckpointRecord> {
        self.checkpoints.values().next_back()
    }

    fn kept(&self) -> BTreeMap<MachineId, MachineTree> {
        let tree =
            |(machine, edge): (&MachineId, &Edge)| (*machine, MachineTree { count: edge.size(), root: edge.root() });
        self.machines.iter().map(tree).collect()
    }
}

impl LedgerRow {
    fn leaf(&self) -> Row {
        Row {
            position: self.position,
            device: self.device,
            seq: self.seq,
            link: self.link,
            machine: self.machine,
            received_ms: self.received_ms,
            off_s: self.off_s,
            aside: self.aside.clone(),
        }
    }
}

impl Ledger {
    fn is_behind(&self, epoch: u64) -> bool {
        let rows = self.rows.len().saturating_sub(usize::try_from(self.tree.head.reached.position).unwrap_or(0));
        !is_whole(&self.tree.head, self.tree.newest().map(|newest| (newest.size, newest.epoch)), epoch, rows)
    }

    fn grow(
        &mut self,
        secret: &[u8; 32],
        organisation: OrganisationId,
        epoch: u64,
        rows_max: usize,
        now_ms: i64,
    ) -> StoreResult<Grown> {
        if !self.is_behind(epoch) {
            return Ok(Grown::Nothing);
        }
        let head = self.tree.head;
        let open = open_tiles(head.reached.size);
        let tiles = open.iter().filter_map(|id| Some((*id, self.tree.tiles.get(id)?.clone()))).collect();
        let link = self.row(head.reached.position).map(|row| row.link);
        let tree = opened(organisation, &head, link, tiles)?;
        let after = usize::try_from(head.reached.position).unwrap_or(usize::MAX);
        let rows: Vec<Row> = self.rows.iter().skip(after).take(rows_max).map(LedgerRow::leaf).collect();
        let touched: BTreeSet<MachineId> = rows.iter().filter_map(|row| row.machine).collect();
        let edges = touched.iter().filter_map(|id| Some((*id, self.tree.machines.get(id)?.clone()))).collect();
        let mut growth = added(organisation, &head, tree, edges, &rows)?;
        let checkpoint =
            (rows.len() < rows_max).then(|| signed(secret, organisation, epoch, &mut growth, self.tree.kept(), now_ms));
        self.tree.tiles.extend(growth.tree().changed());
        self.tree.machines.extend(growth.machines().clone());
        self.tree.head = TreeHead { reached: growth.reached(), root: growth.tree().root() };
        Ok(match checkpoint {
            None => Grown::More,
            Some(checkpoint) => {
                self.tree.checkpoints.insert(checkpoint.size, checkpoint.clone());
                Grown::Signed(checkpoint)
            }
        })
    }

    fn batches(&self, machine: MachineId, after: u64, until: u64, rows_max: usize) -> StoreResult<Vec<SealedBatch>> {
        let mut batches: Vec<SealedBatch> = Vec::new();
        let mut rows = 0;
        let about = self.rows.iter().filter(|row| row.machine == Some(machine));
        for row in about.filter(|row| row.position > after && row.position <= until) {
            if batches.last().is_some_and(|batch| batch.position >= row.position) {
                rows += 1;
                continue;
            }
            if rows >= rows_max {
                break;
            }
            rows += 1;
            batches.extend(self.batch(row)?);
        }
        Ok(batches)
    }

    fn batch(&self, first: &LedgerRow) -> StoreResult<Option<SealedBatch>> {
        let Some((position, seal)) = self.seals.range(first.position..).next() else { return Ok(None) };
        let entry = |row: &LedgerRow| {
            let entry = Entry::from_trusted_bytes(&row.bytes)
                .map_err(|fault| corrupt("ledger", row.position, "bytes", &fault))?;
            let (machine, link, off_s, aside) = (row.machine, row.link, row.off_s, row.aside.clone());
            Ok(BatchedEntry { machine, link, off_s, aside, entry })
        };
        let stretch = self.rows.iter().filter(|row| (first.position..=*position).contains(&row.position));
        let before = self.rows.iter().find(|row| row.device == first.device && row.seq + 1 == first.seq);
        Ok(Some(SealedBatch {
            position: *position,
            seal: *seal,
            received_ms: first.received_ms,
            previous: before.map(|row| row.link),
            entries: stretch.map(entry).collect::<StoreResult<_>>()?,
        }))
    }
}

impl State {
    fn tree(&self, organisation: OrganisationId) -> Option<&Tree> {
        self.organisations.get(&organisation).map(|ledger| &ledger.tree)
    }
}

#[async_trait]
impl TreeStore for MemoryStore {
    async fn trees_behind(&self) -> StoreResult<Vec<OrganisationId>> {
        self.read("trees_behind", |state| {
            let behind = state.organisations.iter().filter(|(_, ledger)| ledger.is_behind(state.epoch()));
            Ok(behind.map(|(organisation, _)| *organisation).collect())
        })
    }

    async fn tree_grow(&self, organisation: OrganisationId, rows_max: usize, now_ms: i64) -> StoreResult<Grown> {
        let secret = self.identity.ledger_secret;
        self.write("tree_grow", |state| {
            let epoch = state.epoch();
            state.ledger("tree_grow", organisation)?.grow(&secret, organisation, epoch, rows_max.max(1), now_ms)
        })
    }

    async fn checkpoint(&self, organisation: OrganisationId) -> StoreResult<Option<CheckpointRecord>> {
        self.read("checkpoint", |state| Ok(state.tree(organisation).and_then(Tree::newest).cloned()))
    }

    async fn checkpoint_at(&self, organisation: OrganisationId, size: u64) -> StoreResult<Option<CheckpointRecord>> {
        self.read("checkpoint_at", |state| {
            Ok(state.tree(organisation).and_then(|tree| tree.checkpoints.get(&size)).cloned())
        })
    }

    async fn checkpoint_epochs(&self, organisation: OrganisationId) -> StoreResult<Vec<u64>> {
        self.read("checkpoint_epochs", |state| {
            let checkpoints = state.tree(organisation).map(|tree| tree.checkpoints.values());
            let epochs: BTreeSet<u64> = checkpoints.into_iter().flatten().map(|checkpoint| checkpoint.epoch).collect();
            Ok(epochs.into_iter().collect())
        })
    }

    async fn tiles(&self, organisation: OrganisationId, ids: &BTreeSet<TileId>) -> StoreResult<Tiles> {
        self.read("tiles", |state| {
            let Some(tree) = state.tree(organisation) else { return Ok(Tiles::new()) };
            Ok(ids.iter().filter_map(|id| Some((*id, tree.tiles.get(id)?.clone()))).collect())
        })
    }

    async fn cosignature_add(
        &self,
        organisation: OrganisationId,
        size: u64,
        cosignature: &Cosignature,
    ) -> StoreResult<bool> {
        self.write("cosignature_add", |state| {
            let tree = &mut state.ledger("cosignature_add", organisation)?.tree;
            let is_there = tree.checkpoints.contains_key(&size);
            if is_there {
                let key = (size, cosignature.name.clone());
                tree.cosignatures.entry(key).or_insert_with(|| cosignature.clone());
            }
            Ok(is_there)
        })
    }

    async fn cosignatures(&self, organisation: OrganisationId, size: u64) -> StoreResult<Vec<Cosignature>> {
        self.read("cosignatures", |state| {
            let Some(tree) = state.tree(organisation) else { return Ok(Vec::new()) };
            let of_size = tree.cosignatures.iter().filter(|((of, _), _)| *of == size);
            Ok(of_size.map(|(_, cosignature)| cosignature.clone()).collect())
        })
    }

    async fn cosigned_newest(&self, organisation: OrganisationId, name: &str) -> StoreResult<Option<CheckpointRecord>> {
        self.read("cosigned_newest", |state| {
            let Some(tree) = state.tree(organisation) else { return Ok(None) };
            let newest = tree.cosignatures.keys().rfind(|(_, of)| of == name);
            Ok(newest.and_then(|(size, _)| tree.checkpoints.get(size)).cloned())
        })
    }

    async fn stamp_add(&self, organisation: OrganisationId, stamp: &StampRecord) -> StoreResult<bool> {
        self.write("stamp_add", |state| {
            let tree = &mut state.ledger("stamp_add", organisation)?.tree;
            let is_there = tree.checkpoints.contains_key(&stamp.size);
            if is_there {
                let key = (stamp.size, stamp.authority.clone());
                tree.stamps.entry(key).or_insert_with(|| stamp.clone());
            }
            Ok(is_there)
        })
    }

    async fn stamp_newest(&self, organisation: OrganisationId, authority: &str) -> StoreResult<Option<(u64, i64)>> {
        self.read("stamp_newest", |state| {
            let stamps = state.tree(organisation).map(|tree| tree.stamps.values());
            let newest = stamps.into_iter().flatten().rfind(|stamp| stamp.authority == authority);
            Ok(newest.map(|stamp| (stamp.size, stamp.received_ms)))
        })
    }

    async fn machine_stamps(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        until: u64,
        most: usize,
    ) -> StoreResult<Vec<MachineStamp>> {
        self.read("machine_stamps", |state| {
            let Some(ledger) = state.organisations.get(&organisation) else { return Ok(Vec::new()) };
            let tree = &ledger.tree;
            let over = |stamp: &&StampRecord| {
                tree.checkpoints.get(&stamp.size).is_some_and(|checkpoint| checkpoint.roll.position <= until)
            };
            let mut stamps: Vec<&StampRecord> = tree.stamps.values().filter(over).collect();
            stamps.sort_by(|a, b| (a.size, a.at_s, &a.authority).cmp(&(b.size, b.at_s, &b.authority)));
            let reached = |stamp: &&'_ StampRecord| tree.checkpoints.get(&stamp.size).map(|found| found.roll.position);
            let reached: Vec<(&str, u64)> =
                stamps.iter().filter_map(|stamp| Some((stamp.authority.as_str(), reached(stamp)?))).collect();
            let about = ledger.rows.iter().filter(|row| row.machine == Some(machine) && row.position <= until);
            let positions: Vec<u64> = about.map(|row| row.position).collect();
            let mut found = Vec::new();
            for (place, count, position) in telling(&positions, &reached, most) {
                let Some(stamp) = stamps.get(place).copied() else { continue };
                let first = tree.checkpoints.values().find(|checkpoint| checkpoint.roll.position >= position);
                let index = first.and_then(|first| leaf_index(position, (first.size, first.roll.position)));
                if let (Some(index), Some(checkpoint)) = (index, tree.checkpoints.get(&stamp.size)) {
                    let (stamp, checkpoint) = (stamp.clone(), checkpoint.clone());
                    found.push(MachineStamp { stamp, checkpoint, count, position, index });
                }
            }
            Ok(found)
        })
    }

    async fn machine_standing(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
    ) -> StoreResult<Option<MachineStanding>> {
        self.read("machine_standing", |state| {
            let Some((tree, checkpoint)) = state.tree(organisation).and_then(|tree| Some((tree, tree.newest()?)))
            else {
                return Ok(None);
            };
            if checkpoint.size != tree.head.reached.size {
                return Err(StoreError::Unavailable { act: "machine_standing", detail: BETWEEN.into() });
            }
            let found = lines(&organisation, &tree.kept()).prove(&key(&organisation, &machine));
            let of_size = tree.cosignatures.iter().filter(|((size, _), _)| *size == checkpoint.size);
            Ok(found.map(|(line, proof)| MachineStanding {
                checkpoint: checkpoint.clone(),
                line,
                proof,
                cosignatures: of_size.map(|(_, cosignature)| cosignature.clone()).collect(),
            }))
        })
    }

    async fn machine_batches(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        after: u64,
        until: u64,
        rows_max: usize,
    ) -> StoreResult<Vec<SealedBatch>> {
        self.read("machine_batches", |state| {
            let ledger = state.organisations.get(&organisation);
            let ledger = ledger.ok_or_else(|| no_such("machine_batches", "organisation"))?;
            ledger.batches(machine, after, until, rows_max.max(1))
        })
    }
}

/// Why there is no standing while a long ledger is being added.
const BETWEEN: &str = "the tree is being built; its next checkpoint comes in a moment";
