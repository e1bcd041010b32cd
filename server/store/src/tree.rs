//! The ledger's tree behind the ledger: the port, and the step that every implementation takes the same.
//!
//! Promises: a tree is only ever added to, by one at a time, in one transaction a step; what is signed is what the
//! hashes that are kept lead to, and never smaller than what was signed before. A ledger or tile that is not what it
//! was is [`StoreError::Corrupt`], and nothing is signed.
//!
//! Never: a lock that a push waits for.

use crate::{StoreError, StoreResult};
use async_trait::async_trait;
use pintle_core::Entry;
use pintle_core::chain::Seal;
use pintle_core::ids::{Hash, MachineId, OrganisationId, PublicKey};
use pintle_core::proof::checkpoint::CheckpointKey;
use pintle_core::proof::growth::{Growth, Reached, line};
use pintle_core::proof::leaf::{RollLeaf, Row};
use pintle_core::proof::merkle::Edge;
use pintle_core::proof::roll::{Line, Roll};
use pintle_core::proof::tile::{Growing, TileId, Tiles};
use std::collections::{BTreeMap, BTreeSet};

/// A signed checkpoint, and what the last leaf under it says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CheckpointRecord {
    /// Number of leaves.
    pub size: u64,
    /// The epoch whose key signed it.
    pub epoch: u64,
    /// The roll under it: the leaf `size` − 1.
    pub roll: RollLeaf,
    /// The signed note.
    pub note: String,
}

/// What became of one step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Grown {
    /// The tree holds the whole ledger and its newest checkpoint is of this epoch, or another is at work.
    Nothing,
    /// Entries were added and there are more: no checkpoint yet.
    More,
    /// A checkpoint was signed.
    Signed(CheckpointRecord),
}

/// A signature line of another under a checkpoint.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cosignature {
    /// The name it is made under.
    pub name: String,
    /// The key that made it.
    pub key: PublicKey,
    /// When, by the signer's own clock, in seconds since 1970.
    pub time_s: u64,
    /// The line, as it stands in a note.
    pub line: String,
}

/// A time stamp of a checkpoint (RFC 3161) that was judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StampRecord {
    /// Size of the checkpoint.
    pub size: u64,
    /// Whose it is, as the operator's certificate of the authority names it.
    pub authority: String,
    /// The moment that it states, in seconds since 1970.
    pub at_s: i64,
    /// When it came, in milliseconds since 1970.
    pub received_ms: i64,
    /// The token.
    pub token: Vec<u8>,
}

/// A stamp, and the newest entry about a machine that lies under it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MachineStamp {
    /// The stamp.
    pub stamp: StampRecord,
    /// The checkpoint that it is of.
    pub checkpoint: CheckpointRecord,
    /// Entries about the machine under it.
    pub count: u64,
    /// Position of the last of these.
    pub position: u64,
    /// The place of its leaf in the ledger's tree, from 0.
    pub index: u64,
}

/// What a checkpoint says about one machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MachineStanding {
    /// The newest checkpoint.
    pub checkpoint: CheckpointRecord,
    /// The machine's line in its roll.
    pub line: Line,
    /// The proof of that line.
    pub proof: Vec<Hash>,
    /// Who has co-signed the checkpoint.
    pub cosignatures: Vec<Cosignature>,
}

/// A batch of a device's log as it came: from the first entry about the machine to the one that was sealed.
#[derive(Debug, Clone, PartialEq)]
pub struct SealedBatch {
    /// Position of the sealed entry.
    pub position: u64,
    /// The seal.
    pub seal: Seal,
    /// When the server received it, in milliseconds since 1970.
    pub received_ms: i64,
    /// The link before the first of `entries`; none where that is the first of its log.
    pub previous: Option<Hash>,
    /// Every entry of the stretch, whatever it is about.
    pub entries: Vec<BatchedEntry>,
}

/// One entry of a batch.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchedEntry {
    /// The machine it counts for.
    pub machine: Option<MachineId>,
    /// Its link.
    pub link: Hash,
    /// How far the device's clock was off, in seconds, where that is marked.
    pub off_s: Option<i64>,
    /// Why it stands aside, if it does.
    pub aside: Option<String>,
    /// The entry.
    pub entry: Entry,
}

/// The storage of trees. The doc comment of each method is its contract, as with [`crate::Store`].
#[async_trait]
pub trait TreeStore: Send + Sync + 'static {
    /// The organisations whose trees lack entries of their ledgers, or a checkpoint of this epoch.
    async fn trees_behind(&self) -> StoreResult<Vec<OrganisationId>>;

    /// Adds at most `rows_max` entries to an organisation's tree, and signs a checkpoint once it holds the whole ledger.
    /// One transaction. Where another is at it, nothing is done.
    async fn tree_grow(&self, organisation: OrganisationId, rows_max: usize, now_ms: i64) -> StoreResult<Grown>;

    /// The newest checkpoint, if there is one.
    async fn checkpoint(&self, organisation: OrganisationId) -> StoreResult<Option<CheckpointRecord>>;

    /// The checkpoint of a size, if one was signed.
    async fn checkpoint_at(&self, organisation: OrganisationId, size: u64) -> StoreResult<Option<CheckpointRecord>>;

    /// The epochs in which checkpoints were signed, from the first.
    async fn checkpoint_epochs(&self, organisation: OrganisationId) -> StoreResult<Vec<u64>>;

    /// The tiles asked for that there are, as they are now.
    async fn tiles(&self, organisation: OrganisationId, ids: &BTreeSet<TileId>) -> StoreResult<Tiles>;

    /// Keeps a signature line under a checkpoint, the first of a name; says whether there is such a checkpoint.
    async fn cosignature_add(
        &self,
        organisation: OrganisationId,
        size: u64,
        cosignature: &Cosignature,
    ) -> StoreResult<bool>;

    /// The signature lines under the checkpoint of a size, by name.
    async fn cosignatures(&self, organisation: OrganisationId, size: u64) -> StoreResult<Vec<Cosignature>>;

    /// The newest checkpoint that has a signature line of a name.
    async fn cosigned_newest(&self, organisation: OrganisationId, name: &str) -> StoreResult<Option<CheckpointRecord>>;

    /// Keeps a stamp of a checkpoint, the first of an authority; says whether there is such a checkpoint.
    async fn stamp_add(&self, organisation: OrganisationId, stamp: &StampRecord) -> StoreResult<bool>;

    /// The newest stamp of an authority: the size of its checkpoint, and when it came.
    async fn stamp_newest(&self, organisation: OrganisationId, authority: &str) -> StoreResult<Option<(u64, i64)>>;

    /// The stamps of checkpoints up to ledger position `until` that tell something of a machine, in order of the entries
    /// about it that they are over: of each authority's over the same entries the first, and of these at most `most`, shared
    /// among the authorities, evenly chosen, with the first and the last.
    async fn machine_stamps(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        until: u64,
        most: usize,
    ) -> StoreResult<Vec<MachineStamp>>;

    /// What the newest checkpoint says of a machine, all of one moment; none before it says anything.
    async fn machine_standing(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
    ) -> StoreResult<Option<MachineStanding>>;

    /// The batches with entries about a machine, sealed after position `after` and up to `until`, in order of position:
    /// those of the next `rows_max` entries about it, at least one batch if there is one.
    async fn machine_batches(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        after: u64,
        until: u64,
        rows_max: usize,
    ) -> StoreResult<Vec<SealedBatch>>;
}

/// A machine's own tree, as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct MachineTree {
    pub count: u64,
    pub root: Hash,
}

/// Where a tree stands, as it is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct TreeHead {
    pub reached: Reached,
    pub root: Hash,
}

impl TreeHead {
    pub fn nothing() -> Self {
        Self { reached: Reached::NOTHING, root: pintle_core::proof::merkle::empty_root() }
    }
}

fn changed_beneath(organisation: OrganisationId, column: &'static str, detail: &str) -> StoreError {
    StoreError::Corrupt { table: "tree_head", row: organisation.to_string(), column, detail: detail.to_owned() }
}

/// The tree to go on with. `ledger_link` is what the ledger holds at the position that the tree has reached.
pub(crate) fn opened(
    organisation: OrganisationId,
    head: &TreeHead,
    ledger_link: Option<Hash>,
    tiles: Tiles,
) -> StoreResult<Growing> {
    let reached = &head.reached;
    if reached.position > 0 && ledger_link != Some(reached.link) {
        let detail = "the ledger does not hold what the tree was built over; nothing is signed";
        return Err(changed_beneath(organisation, "link", detail));
    }
    let tree = Growing::new(reached.size, tiles)
        .ok_or_else(|| changed_beneath(organisation, "size", "tiles of the tree are missing or damaged"))?;
    if tree.root() != head.root {
        return Err(changed_beneath(organisation, "root", "the tiles of the tree do not lead to its root"));
    }
    Ok(tree)
}

/// Adds entries.
pub(crate) fn added(
    organisation: OrganisationId,
    head: &TreeHead,
    tree: Growing,
    machines: BTreeMap<MachineId, Edge>,
    rows: &[Row],
) -> StoreResult<Growth> {
    let mut growth = Growth::new(tree, &head.reached, machines);
    for row in rows {
        growth.push(row).map_err(|hole| changed_beneath(organisation, "position", &hole.to_string()))?;
    }
    Ok(growth)
}

/// The roll of an organisation: the machines as they were kept, those of `growth` as they are now.
fn roll(organisation: &OrganisationId, kept: BTreeMap<MachineId, MachineTree>, growth: &Growth) -> Roll {
    let mut machines = kept;
    for (machine, edge) in growth.machines() {
        machines.insert(*machine, MachineTree { count: edge.size(), root: edge.root() });
    }
    lines(organisation, &machines)
}

/// The roll of machines as they are kept.
pub(crate) fn lines(organisation: &OrganisationId, machines: &BTreeMap<MachineId, MachineTree>) -> Roll {
    Roll::new(machines.iter().map(|(machine, tree)| line(organisation, machine, tree.count, tree.root)).collect())
}

/// Ends a tree that holds the whole ledger and signs it.
pub(crate) fn signed(
    secret: &[u8; 32],
    organisation: OrganisationId,
    epoch: u64,
    growth: &mut Growth,
    kept: BTreeMap<MachineId, MachineTree>,
    now_ms: i64,
) -> CheckpointRecord {
    let roll = roll(&organisation, kept, growth);
    let roll = growth.call(&roll, now_ms);
    let size = growth.tree().size();
    let note = CheckpointKey::new(secret, organisation, epoch).sign(size, growth.tree().root());
    CheckpointRecord { size, epoch, roll, note }
}

/// Whether the tree has nothing to do: nothing new, and the newest checkpoint is over all of it in this epoch.
pub(crate) fn is_whole(head: &TreeHead, newest: Option<(u64, u64)>, epoch: u64, rows: usize) -> bool {
    let is_signed = newest.is_some_and(|(size, signed_in)| size == head.reached.size && signed_in == epoch);
    rows == 0 && (head.reached.position == 0 || is_signed)
}

/// Which stamps tell something of a machine: for each its place among `stamps` (their authorities, and the positions up to
/// which their checkpoints count, rising), the number of entries under it, and the position of the last of these; in order of
/// these numbers. `most` is shared among the authorities, each of which gets one at least.
pub(crate) fn telling(positions: &[u64], stamps: &[(&str, u64)], most: usize) -> Vec<(usize, u64, u64)> {
    let mut authorities: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (place, (authority, _)) in stamps.iter().enumerate() {
        authorities.entry(authority).or_default().push(place);
    }
    let each = most / authorities.len().max(1);
    let mut found: Vec<(usize, u64, u64)> = Vec::new();
    for places in authorities.values() {
        let reached: Vec<u64> = places.iter().filter_map(|place| Some(stamps.get(*place)?.1)).collect();
        for (nth, count, last) in telling_of_one(positions, &reached, each) {
            found.extend(places.get(nth).map(|place| (*place, count, last)));
        }
    }
    found.sort_by_key(|(place, count, _)| (*count, *place));
    found
}

fn telling_of_one(positions: &[u64], stamps: &[u64], most: usize) -> Vec<(usize, u64, u64)> {
    let mut found: Vec<(usize, u64, u64)> = Vec::new();
    for (place, until) in stamps.iter().enumerate() {
        let count = positions.partition_point(|position| position <= until);
        let Some(last) = count.checked_sub(1).and_then(|at| positions.get(at)) else { continue };
        if found.last().is_none_or(|(_, before, _)| *before < count as u64) {
            found.push((place, count as u64, *last));
        }
    }
    let (all, most) = (found.len(), most.max(1));
    if all <= most {
        return found;
    }
    // The first and the last stay; between them every so many.
    (0..most).filter_map(|nth| found.get(nth * (all - 1) / (most - 1).max(1)).copied()).collect()
}

/// The place of an entry's leaf: the first checkpoint over it has a size and reaches a position, and each checkpoint has put
/// one leaf of its own after the entries.
pub(crate) fn leaf_index(position: u64, first_over: (u64, u64)) -> Option<u64> {
    let (size, reaches) = first_over;
    let own_leaves = size.checked_sub(reaches)?;
    (position.checked_sub(1)? + own_leaves).checked_sub(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stamps_that_tell_something_are_the_first_over_more_entries() {
        // Entries at 2, 3 and 9; stamps of checkpoints up to 1, 2, 5, 8, 9, 20.
        let stamps = [1, 2, 5, 8, 9, 20];
        assert_eq!(telling_of_one(&[2, 3, 9], &stamps, 64), [(1, 1, 2), (2, 2, 3), (4, 3, 9)]);
        assert_eq!(telling_of_one(&[2, 3, 9], &stamps, 2), [(1, 1, 2), (4, 3, 9)]);
        assert_eq!(telling_of_one(&[2, 3, 9], &stamps, 1), [(1, 1, 2)]);
        assert_eq!(telling_of_one(&[], &stamps, 64), []);
        assert_eq!(telling_of_one(&[30], &stamps, 64), []);
        let many: Vec<u64> = (1..=100).collect();
        let some = telling_of_one(&many, &many, 10);
        assert_eq!((some.len(), some[0], some[9]), (10, (0, 1, 1), (99, 100, 100)));
    }

    #[test]
    fn each_authority_has_its_share_of_the_stamps() {
        let stamps = [("hill", 2), ("dale", 2), ("hill", 3), ("hill", 9), ("dale", 9)];
        let all = [(0, 1, 2), (1, 1, 2), (2, 2, 3), (3, 3, 9), (4, 3, 9)];
        assert_eq!(telling(&[2, 3, 9], &stamps, 64), all);
        assert_eq!(telling(&[2, 3, 9], &stamps, 4), [all[0], all[1], all[3], all[4]]);
        assert_eq!(telling(&[2, 3, 9], &stamps, 1), [all[0], all[1]]);
        assert_eq!(telling(&[2, 3, 9], &[], 1), []);
    }

    #[test]
    fn a_leaf_stands_behind_the_leaves_of_checkpoints_before_it() {
        // Entries 1 to 3, a checkpoint's leaf, entries 4 and 5, a checkpoint's leaf.
        for (position, first_over, index) in [(1, (4, 3), 0), (3, (4, 3), 2), (4, (7, 5), 4), (5, (7, 5), 5)] {
            assert_eq!(leaf_index(position, first_over), Some(index));
        }
        assert_eq!(leaf_index(0, (1, 0)), None);
        assert_eq!(leaf_index(1, (1, 2)), None);
    }
}
