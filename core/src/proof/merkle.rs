//! The hashes and proofs of a Merkle tree as RFC 9162 section 2.1 defines them.
//!
//! Promises: leaf = SHA-256(0x00 ‖ data), node = SHA-256(0x01 ‖ left ‖ right), the empty tree SHA-256(""). Checking a
//! proof takes time and room for its own length only, and at most [`PROOF_HASHES_MAX`] hashes, whatever sizes it claims.
//!
//! Never: a panic, whatever the numbers; a tree of more than [`SIZE_MAX`] leaves.

use crate::ids::Hash;

/// Most hashes of an inclusion or consistency proof: one for each level of the largest tree, and one more where an
/// older tree ends inside a subtree.
pub const PROOF_HASHES_MAX: usize = 63;
/// Most leaves of a tree, so that every size and position is a whole number of JSON here.
pub const SIZE_MAX: u64 = crate::limits::INTEGER_MAX.unsigned_abs();

/// The hash of a leaf.
#[must_use]
pub fn leaf_hash(data: &[u8]) -> Hash {
    Hash::of(&[&[0], data])
}

/// The hash of a node above two others.
#[must_use]
pub fn node_hash(left: &Hash, right: &Hash) -> Hash {
    Hash::of(&[&[1], &left.0, &right.0])
}

/// The root of a tree without leaves.
#[must_use]
pub fn empty_root() -> Hash {
    Hash::of(&[])
}

/// A full subtree: at `level` 0 a leaf, at level n the root over 2^n leaves, counted from the left from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Node {
    /// Its height.
    pub level: u32,
    /// How many full subtrees of this height stand before it.
    pub index: u64,
}

/// The full subtrees that leaves `from` to `to` (without it) fall into, from the left; they rise and then fall in height.
fn full_nodes(from: u64, to: u64) -> Vec<Node> {
    let mut nodes = Vec::new();
    let mut at = from;
    while at < to {
        // As high as its place allows and as its end allows.
        let level = at.trailing_zeros().min((to - at).ilog2());
        nodes.push(Node { level, index: at >> level });
        at += 1 << level;
    }
    nodes
}

/// Where a tree of `size` leaves splits: the largest power of two below it. `size` is at least 2.
fn split(size: u64) -> u64 {
    1 << (size - 1).ilog2()
}

/// The hash over full subtrees that stand side by side and fall in height: how a tree is hashed whose right edge is
/// not full.
fn fold_right(hashes: impl DoubleEndedIterator<Item = Hash>) -> Option<Hash> {
    hashes.rev().reduce(|right, left| node_hash(&left, &right))
}

/// A proof that has still to be read: for each of its hashes the full subtrees it is made of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    steps: Vec<Vec<Node>>,
}

impl Plan {
    /// The proof that leaf `index`, from 0, is in the tree of the first `size` leaves; none if it has no such leaf.
    #[must_use]
    pub fn inclusion(index: u64, size: u64) -> Option<Self> {
        if index >= size || size > SIZE_MAX {
            return None;
        }
        let mut steps = Vec::new();
        let (mut from, mut to) = (0, size);
        while to - from > 1 {
            let middle = from + split(to - from);
            if index < middle {
                steps.push(full_nodes(middle, to));
                to = middle;
            } else {
                steps.push(full_nodes(from, middle));
                from = middle;
            }
        }
        steps.reverse();
        Some(Self { steps })
    }

    /// The proof that the tree of the first `older` leaves is the beginning of the tree of the first `newer`; none if
    /// there is nothing to prove it with: `older` is 0 or more than `newer`. For equal sizes it is empty.
    #[must_use]
    pub fn consistency(older: u64, newer: u64) -> Option<Self> {
        if older == 0 || older > newer || newer > SIZE_MAX {
            return None;
        }
        let mut steps = Vec::new();
        let (mut from, mut to) = (0, newer);
        // Ends: the range shrinks, and its end reaches `older` at the latest when one leaf is left.
        while to != older {
            let middle = from + split(to - from);
            if older <= middle {
                steps.push(full_nodes(middle, to));
                to = middle;
            } else {
                steps.push(full_nodes(from, middle));
                from = middle;
            }
        }
        if from > 0 {
            steps.push(full_nodes(from, to));
        }
        steps.reverse();
        Some(Self { steps })
    }

    /// The root of the tree of the first `size` leaves, as a proof of one hash; none for the empty tree.
    #[must_use]
    pub fn root(size: u64) -> Option<Self> {
        (1..=SIZE_MAX).contains(&size).then(|| Self { steps: vec![full_nodes(0, size)] })
    }

    /// Every full subtree that has to be read.
    pub fn nodes(&self) -> impl Iterator<Item = Node> + '_ {
        self.steps.iter().flatten().copied()
    }

    /// The hashes of the proof; none if a subtree cannot be read.
    pub fn read(&self, mut node: impl FnMut(Node) -> Option<Hash>) -> Option<Vec<Hash>> {
        let step = |nodes: &Vec<Node>| {
            let hashes: Option<Vec<Hash>> = nodes.iter().map(|place| node(*place)).collect();
            fold_right(hashes?.into_iter())
        };
        self.steps.iter().map(step).collect()
    }
}

/// The root that an inclusion proof leads to (RFC 9162 section 2.1.3.2); none if its length cannot be right.
#[must_use]
pub fn root_of_inclusion(leaf: &Hash, index: u64, size: u64, proof: &[Hash]) -> Option<Hash> {
    if index >= size || size > SIZE_MAX || proof.len() > PROOF_HASHES_MAX {
        return None;
    }
    let (mut place, mut last) = (index, size - 1);
    let mut hash = *leaf;
    for step in proof {
        if last == 0 {
            return None;
        }
        if place & 1 == 1 || place == last {
            hash = node_hash(step, &hash);
            // At the right edge levels without a neighbour are passed over.
            while place & 1 == 0 && place != 0 {
                place >>= 1;
                last >>= 1;
            }
        } else {
            hash = node_hash(&hash, step);
        }
        place >>= 1;
        last >>= 1;
    }
    (last == 0).then_some(hash)
}

/// Whether the proof shows that leaf `index`, from 0, is in the tree of `size` leaves with that root.
#[must_use]
pub fn verify_inclusion(leaf: &Hash, index: u64, size: u64, proof: &[Hash], root: &Hash) -> bool {
    root_of_inclusion(leaf, index, size, proof).as_ref() == Some(root)
}

/// Whether the proof shows that the tree of `older` leaves is the beginning of the tree of `newer` leaves (RFC 9162
/// section 2.1.4.2). A tree without leaves proves nothing and is not accepted as the older.
#[must_use]
pub fn verify_consistency(older: u64, newer: u64, proof: &[Hash], older_root: &Hash, newer_root: &Hash) -> bool {
    if older == 0 || older > newer || newer > SIZE_MAX || proof.len() > PROOF_HASHES_MAX {
        return false;
    }
    if older == newer {
        return proof.is_empty() && older_root == newer_root;
    }
    let mut steps = proof.iter();
    let (mut place, mut last) = (older - 1, newer - 1);
    while place & 1 == 1 {
        place >>= 1;
        last >>= 1;
    }
    // The older tree is one full subtree: its root is the first hash, and not sent.
    let first = if older.is_power_of_two() { Some(older_root) } else { steps.next() };
    let Some(first) = first else { return false };
    let (mut old, mut new) = (*first, *first);
    for step in steps {
        if last == 0 {
            return false;
        }
        if place & 1 == 1 || place == last {
            old = node_hash(step, &old);
            new = node_hash(step, &new);
            while place & 1 == 0 && place != 0 {
                place >>= 1;
                last >>= 1;
            }
        } else {
            new = node_hash(&new, step);
        }
        place >>= 1;
        last >>= 1;
    }
    last == 0 && old == *older_root && new == *newer_root
}

/// The right edge of a growing tree: what is needed to go on hashing, without the leaves. At most one full subtree of
/// each height, from the left and falling.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Edge {
    size: u64,
    hashes: Vec<Hash>,
}

impl Edge {
    /// From its size and hashes as [`Edge::hashes`] gave them; none if their number cannot be right.
    #[must_use]
    pub fn new(size: u64, hashes: Vec<Hash>) -> Option<Self> {
        (size <= SIZE_MAX && hashes.len() == size.count_ones() as usize).then_some(Self { size, hashes })
    }

    /// Number of leaves.
    #[must_use]
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The hashes of the full subtrees, from the left.
    #[must_use]
    pub fn hashes(&self) -> &[Hash] {
        &self.hashes
    }

    /// Adds a leaf by its hash.
    pub fn push(&mut self, leaf: Hash) {
        let mut hash = leaf;
        for _ in 0..self.size.trailing_ones() {
            // As many hashes stand at the end as the size has ones at its end.
            let Some(left) = self.hashes.pop() else { break };
            hash = node_hash(&left, &hash);
        }
        self.hashes.push(hash);
        self.size += 1;
    }

    /// The root.
    #[must_use]
    pub fn root(&self) -> Hash {
        fold_right(self.hashes.iter().copied()).unwrap_or_else(empty_root)
    }
}
