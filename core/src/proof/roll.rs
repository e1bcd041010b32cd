//! The roll of machines: how many entries the ledger holds of each, under one hash.
//!
//! Promises: the same machines give the same hash; a machine has exactly one place in it, given by its key, so that
//! nobody can be shown a shorter count under the same hash; an outsider learns nothing of the other machines but that
//! there are some.
//!
//! The form: a machine's key is SHA-256("pintle/machine/1\n" ‖ organisation ‖ machine). Its leaf is SHA-256(0x02 ‖ key ‖
//! count, 8 bytes big-endian ‖ root of its own tree). A part of the roll without machines is 32 zero bytes; with one, its
//! leaf; with more, SHA-256(0x03 ‖ part whose next bit is 0 ‖ part whose next bit is 1), bits taken from the key's first.

use crate::ids::{Hash, MachineId, OrganisationId};

/// Domain line of a machine's key.
const DOMAIN_MACHINE: &[u8] = b"pintle/machine/1\n";
/// Most hashes of a proof: one for each bit of a key.
pub const PROOF_HASHES_MAX: usize = 256;

/// What the roll says of one machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Line {
    /// Its place.
    pub key: Hash,
    /// Number of its entries.
    pub count: u64,
    /// Root of its own tree.
    pub root: Hash,
}

/// Where a machine stands in the roll.
#[must_use]
pub fn key(organisation: &OrganisationId, machine: &MachineId) -> Hash {
    Hash::of(&[DOMAIN_MACHINE, &organisation.0, &machine.0])
}

impl Line {
    fn hash(&self) -> Hash {
        Hash::of(&[&[2], &self.key.0, &self.count.to_be_bytes(), &self.root.0])
    }
}

fn bit(key: &Hash, depth: usize) -> bool {
    key.0.get(depth / 8).is_some_and(|byte| byte >> (7 - depth % 8) & 1 == 1)
}

/// Lines in the order of their keys.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Roll(Vec<Line>);

impl Roll {
    /// A roll of these lines, in any order. Of two with one key the first counts.
    #[must_use]
    pub fn new(mut lines: Vec<Line>) -> Self {
        lines.sort_by_key(|line| line.key);
        lines.dedup_by_key(|line| line.key);
        Self(lines)
    }

    /// How many machines there are.
    #[must_use]
    pub fn machines(&self) -> u64 {
        self.0.len() as u64
    }

    /// The hash of it all.
    #[must_use]
    pub fn root(&self) -> Hash {
        part(&self.0, 0)
    }

    /// A machine's line, and the proof of it: the hashes beside its way down, from its leaf to the root.
    #[must_use]
    pub fn prove(&self, key: &Hash) -> Option<(Line, Vec<Hash>)> {
        let mut lines = self.0.as_slice();
        let mut beside = Vec::new();
        for depth in 0..PROOF_HASHES_MAX {
            if lines.len() <= 1 {
                break;
            }
            let (zeros, ones) = halves(lines, depth);
            let (taken, other) = if bit(key, depth) { (ones, zeros) } else { (zeros, ones) };
            beside.push(part(other, depth + 1));
            lines = taken;
        }
        beside.reverse();
        let line = lines.first().filter(|line| line.key == *key)?;
        Some((*line, beside))
    }
}

fn halves(lines: &[Line], depth: usize) -> (&[Line], &[Line]) {
    lines.split_at(lines.partition_point(|line| !bit(&line.key, depth)))
}

fn part(lines: &[Line], depth: usize) -> Hash {
    match lines {
        [] => Hash::ZERO,
        // Keys differ, so that no two lines ever come to the last bit together.
        [line] => line.hash(),
        [line, ..] if depth >= PROOF_HASHES_MAX => line.hash(),
        lines => {
            let (zeros, ones) = halves(lines, depth);
            inner(&part(zeros, depth + 1), &part(ones, depth + 1))
        }
    }
}

fn inner(zeros: &Hash, ones: &Hash) -> Hash {
    Hash::of(&[&[3], &zeros.0, &ones.0])
}

/// The hash of the roll that a line's proof leads to; none if it is longer than a key has bits.
#[must_use]
pub fn root_of(line: &Line, proof: &[Hash]) -> Option<Hash> {
    if proof.len() > PROOF_HASHES_MAX {
        return None;
    }
    let depths = (0..proof.len()).rev();
    Some(proof.iter().zip(depths).fold(line.hash(), |hash, (beside, depth)| {
        if bit(&line.key, depth) { inner(beside, &hash) } else { inner(&hash, beside) }
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(n: u64) -> Line {
        Line { key: Hash::of(&[&n.to_be_bytes()]), count: n + 1, root: Hash::of(&[b"root", &n.to_be_bytes()]) }
    }

    #[test]
    fn every_line_is_proved_and_nothing_else_is() {
        assert_eq!(Roll::default().root(), Hash::ZERO);
        for size in [1, 2, 3, 7, 64, 300] {
            let roll = Roll::new((0..size).rev().map(line).collect());
            let root = roll.root();
            assert_eq!(roll.machines(), size);
            for n in (0..size).step_by(1 + usize::try_from(size / 16).expect("small")) {
                let (found, proof) = roll.prove(&line(n).key).expect("it is there");
                assert_eq!(found, line(n));
                assert_eq!(root_of(&found, &proof), Some(root));
                for wrong in [
                    Line { count: found.count - 1, ..found },
                    Line { root: Hash::ZERO, ..found },
                    Line { key: line(size).key, ..found },
                ] {
                    assert_ne!(root_of(&wrong, &proof), Some(root));
                }
                for cut in 0..proof.len() {
                    assert_ne!(root_of(&found, &proof[..cut]), Some(root));
                }
            }
            assert_eq!(roll.prove(&line(size).key), None);
        }
    }

    #[test]
    fn keys_that_share_their_first_bits_are_told_apart_further_down() {
        let (mut low, mut high) = ([0xff; 32], [0xff; 32]);
        (low[31], high[31]) = (0xfe, 0xff);
        let lines = [low, high].map(|key| Line { key: Hash(key), ..line(1) });
        let roll = Roll::new(lines.to_vec());
        let (found, proof) = roll.prove(&lines[1].key).expect("it is there");
        assert_eq!((found, proof.len()), (lines[1], 256));
        assert_eq!(root_of(&found, &proof), Some(roll.root()));
        assert_eq!(root_of(&found, &[vec![Hash::ZERO], proof].concat()), None, "no key has so many bits");
    }
}
