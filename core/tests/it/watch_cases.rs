//! What a device makes of the checkpoints that it is shown.
//!
//! Promises: every honest growth is taken, and no device that holds a checkpoint of what was rewritten takes another one,
//! whatever is shown to it as proof. The trees and proofs used here are held against another implementation and against
//! published ones in `proof_cases`.

use pintle_core::exchange::CheckpointShown;
use pintle_core::ids::{Hash, OrganisationId};
use pintle_core::proof::checkpoint::CheckpointKey;
use pintle_core::proof::merkle::{Plan, empty_root, leaf_hash};
use pintle_core::proof::tile::{Growing, Tiles, node_in};
use pintle_core::proof::watch::{HeldCheckpoint, NotShown, Watched, watch};
use proptest::prelude::{ProptestConfig, prop_assert, prop_assert_eq, proptest};

const ORGANISATION: OrganisationId = OrganisationId([9; 16]);

fn key(secret: u8, epoch: u64) -> CheckpointKey {
    CheckpointKey::new(&[secret; 32], ORGANISATION, epoch)
}

/// A ledger of so many leaves; from `other_from` on they are others.
struct Ledger {
    tiles: Tiles,
    root: Hash,
    size: u64,
}

impl Ledger {
    fn new(size: u64, other_from: Option<u64>) -> Self {
        let mut tree = Growing::new(0, Tiles::new()).expect("an empty tree");
        for n in 0..size {
            let other = other_from.is_some_and(|from| n >= from);
            tree.push(leaf_hash(&[&n.to_be_bytes()[..], &[u8::from(other)]].concat()));
        }
        Self { tiles: tree.changed(), root: tree.root(), size }
    }

    fn proof(&self, from: u64, to: u64) -> Vec<Hash> {
        let plan = Plan::consistency(from, to);
        plan.and_then(|plan| plan.read(|node| node_in(&self.tiles, node))).unwrap_or_default()
    }

    fn shown(&self, by: &CheckpointKey, from: u64) -> CheckpointShown {
        CheckpointShown { note: by.sign(self.size, self.root), key: by.public(), proof: self.proof(from, self.size) }
    }

    fn held(&self, by: &CheckpointKey) -> HeldCheckpoint {
        HeldCheckpoint::open(&by.origin(), by.public(), &by.sign(self.size, self.root)).expect("its own")
    }
}

#[test]
fn the_first_is_believed_and_growth_is_taken() {
    let by = key(1, 1);
    let (small, large) = (Ledger::new(5, None), Ledger::new(12, None));
    assert_eq!(watch(&by.origin(), None, &small.shown(&by, 0)), Watched::First(small.held(&by)));
    let held = small.held(&by);
    assert_eq!(watch(&by.origin(), Some(&held), &small.shown(&by, 5)), Watched::Unchanged);
    assert_eq!(watch(&by.origin(), Some(&held), &large.shown(&by, 5)), Watched::Grown(large.held(&by)));
}

#[test]
fn each_reason_has_its_name() {
    let by = key(1, 1);
    let (small, large) = (Ledger::new(5, None), Ledger::new(12, None));
    let held = large.held(&by);
    let judged = |shown: &CheckpointShown| watch(&by.origin(), Some(&held), shown);
    let good = Ledger::new(20, None).shown(&by, 12);
    assert!(matches!(judged(&good), Watched::Grown(_)));
    let note = |note: String| CheckpointShown { note, ..good.clone() };
    for (why, shown) in [
        (NotShown::Smaller, small.shown(&by, 0)),
        (NotShown::OtherRoot, Ledger::new(12, Some(3)).shown(&by, 12)),
        (NotShown::FalseProof, Ledger::new(20, Some(3)).shown(&by, 12)),
        (NotShown::FalseProof, CheckpointShown { proof: Vec::new(), ..good.clone() }),
        (NotShown::FalseProof, CheckpointShown { proof: vec![Hash::ZERO; 10_000], ..good.clone() }),
        (NotShown::OtherKey, Ledger::new(20, None).shown(&key(2, 1), 12)),
        // Signed by another, who does not say so.
        (NotShown::Unsigned, note(key(2, 1).sign(20, Ledger::new(20, None).root))),
        // A true checkpoint of another epoch.
        (NotShown::Unreadable, note(key(1, 2).sign(20, Ledger::new(20, None).root))),
        (NotShown::Unreadable, note(String::new())),
        (NotShown::Unreadable, note("x".repeat(1_000_000))),
        // An empty tree could hide anything: whatever is held next would be a beginning.
        (NotShown::Unsigned, note(by.sign(0, empty_root()))),
    ] {
        assert_eq!(judged(&shown), Watched::NotShown(why), "{:.60}", shown.note);
        assert_eq!(NotShown::parse(why.as_str()), Some(why));
    }
    let first = |shown: &CheckpointShown| watch(&by.origin(), None, shown);
    assert_eq!(first(&note(key(2, 1).sign(20, held.root))), Watched::NotShown(NotShown::Unsigned));
    assert_eq!(first(&note(by.sign(0, empty_root()))), Watched::NotShown(NotShown::Unsigned));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// From whatever size on a device holds it, it follows an honest ledger.
    #[test]
    fn honest_growth_is_always_taken(from in 1u64..600, more in 1u64..600) {
        let by = key(1, 1);
        let held = Ledger::new(from, None).held(&by);
        let grown = Ledger::new(from + more, None);
        prop_assert_eq!(watch(&by.origin(), Some(&held), &grown.shown(&by, from)), Watched::Grown(grown.held(&by)));
    }

    /// Whoever holds a checkpoint over a leaf that was rewritten notices, though the server signs with the right key and
    /// proves as well as it can: with the proof of the new tree, with that of the old one, with hashes of both.
    #[test]
    fn a_rewritten_ledger_is_noticed_by_every_device(
        held_size in 1u64..300, back in 0u64..300, now in 1u64..600, mix in 0usize..20,
    ) {
        let by = key(1, 1);
        let rewritten_from = back % held_size;
        let old = Ledger::new(held_size.max(now), None);
        let held = Ledger::new(held_size, None).held(&by);
        let new = Ledger::new(now, Some(rewritten_from));
        let mut proofs = vec![new.proof(held_size, now), old.proof(held_size, now), Vec::new()];
        let mixed = proofs[1].iter().take(mix).chain(proofs[0].iter().skip(mix)).copied().collect();
        proofs.push(mixed);
        for proof in proofs {
            let shown = CheckpointShown { proof, ..new.shown(&by, 0) };
            let watched = watch(&by.origin(), Some(&held), &shown);
            prop_assert!(matches!(watched, Watched::NotShown(_)), "{held_size} from {rewritten_from}, now {now}: {watched:?}");
        }
    }
}
