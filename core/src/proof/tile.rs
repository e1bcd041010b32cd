//! A tree's hashes as they are kept: in tiles of up to 256, each level of tiles over the one below.
//!
//! Promises: 32 bytes and an eighth of a percent of a row for each leaf; a proof reads at most one tile a level and its
//! neighbour. Hashes within a tile are computed when asked for. A tile that is full never changes.
//!
//! The form is that of C2SP tlog-tiles: tile (level, number) holds the roots of the full subtrees of 256^level leaves.

use super::merkle::{Edge, Node, node_hash};
use crate::ids::Hash;
use std::collections::{BTreeMap, BTreeSet};

/// Hashes in a full tile.
pub const TILE_HASHES: usize = 256;
/// Levels of the tree in one level of tiles.
const TILE_LEVELS: u32 = 8;
/// Levels of tiles of the largest tree.
const TILE_ROWS_MAX: u32 = 7;

/// Which tile: its level, and its number in it from the left, from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct TileId {
    /// Level of tiles, from 0.
    pub level: u32,
    /// Number in the level, from 0.
    pub number: u64,
}

/// Tiles as they were read or are to be written.
pub type Tiles = BTreeMap<TileId, Vec<Hash>>;

/// The tile that holds what a node is made of.
#[must_use]
pub fn tile_of(node: Node) -> TileId {
    TileId { level: node.level / TILE_LEVELS, number: node.index >> (TILE_LEVELS - node.level % TILE_LEVELS) }
}

/// The tiles that hold what several nodes are made of.
pub fn tiles_of(nodes: impl IntoIterator<Item = Node>) -> BTreeSet<TileId> {
    nodes.into_iter().map(tile_of).collect()
}

/// The hash of a node, from its tile; none if the tile is missing or not yet full enough.
#[must_use]
pub fn node_in(tiles: &Tiles, node: Node) -> Option<Hash> {
    let tile = tiles.get(&tile_of(node))?;
    let height = node.level % TILE_LEVELS;
    let first = usize::try_from((node.index << height) % TILE_HASHES as u64).ok()?;
    let mut row = tile.get(first..first + (1 << height))?.to_vec();
    while row.len() > 1 {
        row = row.chunks_exact(2).map(|pair| node_hash(&pair[0], &pair[1])).collect();
    }
    row.first().copied()
}

/// The tiles that are not full in a tree of `size` leaves: what must be read to add to it.
#[must_use]
pub fn open_tiles(size: u64) -> Vec<TileId> {
    let open = |level: u32| {
        let hashes = size >> (TILE_LEVELS * level);
        let number = hashes / TILE_HASHES as u64;
        (!hashes.is_multiple_of(TILE_HASHES as u64)).then_some(TileId { level, number })
    };
    (0..TILE_ROWS_MAX).filter_map(open).collect()
}

/// A tree that grows, and the tiles that have changed.
#[derive(Debug, Clone)]
pub struct Growing {
    size: u64,
    tiles: Tiles,
    changed: BTreeSet<TileId>,
}

impl Growing {
    /// A tree of `size` leaves with its [`open_tiles`]; none if one is missing or holds another number of hashes than
    /// it must: it would give a root that nobody else gets.
    #[must_use]
    pub fn new(size: u64, tiles: Tiles) -> Option<Self> {
        let whole = |id: &TileId| {
            let hashes = (size >> (TILE_LEVELS * id.level)) % TILE_HASHES as u64;
            tiles.get(id).is_some_and(|tile| tile.len() as u64 == hashes)
        };
        open_tiles(size).iter().all(whole).then_some(Self { size, tiles, changed: BTreeSet::new() })
    }

    /// Number of leaves.
    #[must_use]
    pub fn size(&self) -> u64 {
        self.size
    }

    /// Adds a leaf by its hash.
    pub fn push(&mut self, leaf: Hash) {
        let (mut hash, mut number) = (leaf, self.size);
        self.size += 1;
        for level in 0..TILE_ROWS_MAX {
            let id = TileId { level, number: number / TILE_HASHES as u64 };
            let tile = self.tiles.entry(id).or_default();
            tile.push(hash);
            let full = tile.len() == TILE_HASHES;
            self.changed.insert(id);
            if !full {
                break;
            }
            number = id.number;
            let whole = Node { level: (level + 1) * TILE_LEVELS, index: number };
            let below = Node { level: whole.level - 1, index: number * 2 };
            let halves = [below, Node { index: below.index + 1, ..below }].map(|node| node_in(&self.tiles, node));
            // Both halves lie in the tile that has just become full.
            let [Some(left), Some(right)] = halves else { break };
            hash = node_hash(&left, &right);
        }
    }

    /// The root now.
    #[must_use]
    pub fn root(&self) -> Hash {
        let nodes = super::merkle::Plan::root(self.size);
        let hashes = nodes.and_then(|plan| plan.read(|node| node_in(&self.tiles, node)));
        hashes.and_then(|hashes| hashes.first().copied()).unwrap_or_else(super::merkle::empty_root)
    }

    /// The right edge now; none only if the tiles were not this tree's.
    #[must_use]
    pub fn edge(&self) -> Option<Edge> {
        let Some(plan) = super::merkle::Plan::root(self.size) else { return Edge::new(0, Vec::new()) };
        let hashes: Option<Vec<Hash>> = plan.nodes().map(|node| node_in(&self.tiles, node)).collect();
        Edge::new(self.size, hashes?)
    }

    /// The tiles that have changed since it was read, as they are now.
    #[must_use]
    pub fn changed(&self) -> Tiles {
        let tile = |id: &TileId| self.tiles.get(id).map(|hashes| (*id, hashes.clone()));
        self.changed.iter().filter_map(tile).collect()
    }
}
