//! Trees, proofs and checkpoints against what others have published, and against another implementation.
//!
//! Sources: the 8-leaf reference tree of transparency-dev/merkle (`tests/vectors/rfc6962.json`, its commit named
//! there); checkpoints that the checksum database of Go and a Sigstore Rekor v2 log have signed, with their published
//! keys; the crate ct-merkle 0.3 for trees of any size.

use ct_merkle::mem_backed_tree::MemoryBackedTree;
use pintle_core::chain::DeviceKey;
use pintle_core::ids::{DeviceId, Hash, OrganisationId, PublicKey};
use pintle_core::proof::checkpoint::{Checkpoint, CheckpointKey, origin, vouched};
use pintle_core::proof::growth::{Growth, Reached, line};
use pintle_core::proof::leaf::{Row, entry_leaf_data, machine_leaf, roll_leaf_data};
use pintle_core::proof::merkle::{
    Edge, PROOF_HASHES_MAX, Plan, SIZE_MAX, empty_root, leaf_hash, verify_consistency, verify_inclusion,
};
use pintle_core::proof::note::{self, Judged, Kind, Note, Signer};
use pintle_core::proof::roll::Roll;
use pintle_core::proof::tile::{Growing, Tiles, node_in, open_tiles, tiles_of};
use proptest::prelude::{Just, ProptestConfig, Strategy, prop_assert, prop_assert_eq, proptest};
use serde::Deserialize;
use sha2::Sha256;
use std::collections::BTreeMap;

#[derive(Deserialize)]
struct Published {
    inclusion: Vec<Inclusion>,
    consistency: Vec<Consistency>,
}

#[derive(Deserialize)]
struct Inclusion {
    leaves_hex: Vec<String>,
    leaf_index: u64,
    tree_size: u64,
    root_hex: String,
    proof_hex: Vec<String>,
}

#[derive(Deserialize)]
struct Consistency {
    first: u64,
    second: u64,
    first_root_hex: String,
    second_root_hex: String,
    proof_hex: Vec<String>,
}

fn hex(text: &str) -> Vec<u8> {
    (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).expect("hexadecimal")).collect()
}

fn hash(text: &str) -> Hash {
    Hash::from_slice(&hex(text)).expect("32 bytes")
}

fn hashes(texts: &[String]) -> Vec<Hash> {
    texts.iter().map(|text| hash(text)).collect()
}

/// A tree, whole in memory.
fn grown(leaves: impl IntoIterator<Item = Hash>) -> (Tiles, Growing) {
    let mut tree = Growing::new(0, Tiles::new()).expect("an empty tree");
    leaves.into_iter().for_each(|leaf| tree.push(leaf));
    (tree.changed(), tree)
}

fn read(plan: Option<Plan>, tiles: &Tiles) -> Vec<Hash> {
    plan.expect("there is such a proof").read(|node| node_in(tiles, node)).expect("every tile is there")
}

#[test]
fn the_published_tree_and_its_proofs() {
    let published: Published = serde_json::from_str(include_str!("../vectors/rfc6962.json")).expect("vectors");
    assert!(published.inclusion.len() >= 3 && published.consistency.len() >= 5);
    // SHA-256 of nothing, as RFC 6962 section 2.1.1 has it.
    assert_eq!(empty_root(), hash("e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"));
    for case in &published.inclusion {
        let leaves: Vec<Hash> = case.leaves_hex.iter().map(|leaf| leaf_hash(&hex(leaf))).collect();
        let (tiles, tree) = grown(leaves.iter().copied());
        assert_eq!(tree.root(), hash(&case.root_hex));
        let proof = read(Plan::inclusion(case.leaf_index, case.tree_size), &tiles);
        assert_eq!(proof, hashes(&case.proof_hex));
        let leaf = leaves[usize::try_from(case.leaf_index).expect("small")];
        assert!(verify_inclusion(&leaf, case.leaf_index, case.tree_size, &proof, &hash(&case.root_hex)));
    }
    let eight = published.inclusion[0].leaves_hex.iter().map(|leaf| leaf_hash(&hex(leaf)));
    let (tiles, _) = grown(eight);
    for case in &published.consistency {
        let proof = read(Plan::consistency(case.first, case.second), &tiles);
        assert_eq!(proof, hashes(&case.proof_hex), "{} to {}", case.first, case.second);
        assert!(verify_consistency(
            case.first,
            case.second,
            &proof,
            &hash(&case.first_root_hex),
            &hash(&case.second_root_hex)
        ));
    }
}

fn outside(size: u64) -> MemoryBackedTree<Sha256, [u8; 8]> {
    let mut tree = MemoryBackedTree::new();
    (0..size).for_each(|n| tree.push(n.to_be_bytes()));
    tree
}

fn ours(size: u64) -> (Tiles, Growing) {
    grown((0..size).map(|n| leaf_hash(&n.to_be_bytes())))
}

fn chunks(bytes: &[u8]) -> Vec<Hash> {
    bytes.chunks_exact(32).map(|hash| Hash::from_slice(hash).expect("32 bytes")).collect()
}

fn root(tree: &MemoryBackedTree<Sha256, [u8; 8]>) -> Hash {
    Hash::from_slice(tree.root().as_bytes()).expect("32 bytes")
}

#[test]
fn every_small_tree_is_that_of_another_implementation() {
    for size in 1..=40u64 {
        let (theirs, (tiles, tree)) = (outside(size), ours(size));
        assert_eq!(tree.root(), root(&theirs), "{size}");
        for index in 0..size {
            let proof = read(Plan::inclusion(index, size), &tiles);
            let wanted = theirs.prove_inclusion(usize::try_from(index).expect("small"));
            assert_eq!(proof, chunks(wanted.as_bytes()), "{index} in {size}");
        }
        for older in 1..size {
            let proof = read(Plan::consistency(older, size), &tiles);
            let wanted = theirs.prove_consistency(usize::try_from(size - older).expect("small"));
            assert_eq!(proof, chunks(wanted.as_bytes()), "{older} to {size}");
            assert!(verify_consistency(older, size, &proof, &root(&outside(older)), &tree.root()));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, failure_persistence: None, ..ProptestConfig::default() })]

    /// Over the edges of tiles: 256, 512, 65,536 leaves.
    #[test]
    fn a_large_tree_grown_in_steps_is_that_of_another_implementation(
        (size, index, older) in (prop_size()).prop_flat_map(|size| (Just(size), 0..size, 1..=size)),
    ) {
        let theirs = outside(size);
        let mut kept = Tiles::new();
        let mut edge = Edge::default();
        for (from, to) in [(0, older), (older, size)] {
            // As a follower does: only the open tiles are read, only the changed ones written.
            let open = open_tiles(from).into_iter().map(|id| (id, kept[&id].clone())).collect();
            let mut tree = Growing::new(from, open).expect("its open tiles");
            for n in from..to {
                tree.push(leaf_hash(&n.to_be_bytes()));
                edge.push(leaf_hash(&n.to_be_bytes()));
            }
            let read = tree.edge();
            prop_assert_eq!(read.as_ref(), Some(&edge));
            kept.extend(tree.changed());
        }
        prop_assert_eq!(edge.root(), root(&theirs));
        prop_assert_eq!(read(Plan::root(size), &kept), vec![root(&theirs)]);
        let plan = Plan::inclusion(index, size).expect("a leaf of it");
        // Each level of tiles is read at most twice: on the way up, and at the right edge.
        prop_assert!(tiles_of(plan.nodes()).len() <= 2 * 3);
        let proof = read(Some(plan), &kept);
        prop_assert_eq!(&proof, &chunks(theirs.prove_inclusion(usize::try_from(index).expect("small")).as_bytes()));
        prop_assert!(verify_inclusion(&leaf_hash(&index.to_be_bytes()), index, size, &proof, &root(&theirs)));
        let proof = read(Plan::consistency(older, size), &kept);
        prop_assert_eq!(&proof, &chunks(theirs.prove_consistency(usize::try_from(size - older).expect("small")).as_bytes()));
    }
}

fn prop_size() -> impl Strategy<Value = u64> {
    // 65,536 leaves fill a tile of the second level; they take a second, so they come rarely.
    proptest::prop_oneof![7 => 1u64..1500, 8 => 250u64..260, 1 => 65_530u64..65_540]
}

#[test]
fn a_wrong_proof_is_refused_whatever_is_wrong_with_it() {
    let (size, index) = (37u64, 21u64);
    let (tiles, tree) = ours(size);
    let leaf = leaf_hash(&index.to_be_bytes());
    let proof = read(Plan::inclusion(index, size), &tiles);
    let good = |index, size, proof: &[Hash]| verify_inclusion(&leaf, index, size, proof, &tree.root());
    assert!(good(index, size, &proof));
    for other in (0..size + 3).filter(|other| *other != index) {
        assert!(!good(other, size, &proof), "index {other}");
    }
    // The size is not under the root: RFC 9162 sizes with the same way up give the same answer. A checkpoint signs both.
    assert!(!good(index, 16, &proof) && !good(index, 0, &proof) && !good(index, 100, &proof));
    for at in 0..proof.len() {
        let mut bent = proof.clone();
        bent[at].0[at] ^= 1;
        assert!(!good(index, size, &bent));
        assert!(!good(index, size, &proof[..at]));
        let mut swapped = proof.clone();
        swapped.swap(at, 0);
        assert!(at == 0 || !good(index, size, &swapped));
    }
    assert!(!good(index, size, &[proof.clone(), vec![tree.root()]].concat()));

    let (older, old_root) = (13u64, ours(13).1.root());
    let proof = read(Plan::consistency(older, size), &tiles);
    let good = |older, proof: &[Hash]| verify_consistency(older, size, proof, &old_root, &tree.root());
    assert!(good(older, &proof));
    for at in 0..proof.len() {
        let mut bent = proof.clone();
        bent[at].0[at] ^= 0x80;
        assert!(!good(older, &bent) && !good(older, &proof[..at]));
    }
    assert!(!good(12, &proof) && !good(14, &proof) && !good(0, &proof) && !good(size + 1, &proof));
    assert!(!good(older, &[proof.clone(), vec![old_root]].concat()));
    assert!(!verify_consistency(0, size, &[], &empty_root(), &tree.root()), "nothing is not held against nothing");
    assert!(verify_consistency(size, size, &[], &tree.root(), &tree.root()));
    assert!(!verify_consistency(size, size, &[], &old_root, &tree.root()));
}

#[test]
fn hostile_numbers_are_answered_at_once() {
    let long = vec![Hash::ZERO; PROOF_HASHES_MAX + 1];
    for size in [1, SIZE_MAX, SIZE_MAX + 1, u64::MAX] {
        for index in [0, size - 1] {
            assert!(!verify_inclusion(&Hash::ZERO, index, size, &long, &Hash::ZERO));
            assert!(!verify_inclusion(&Hash::ZERO, index, size, &long[1..], &Hash::ZERO));
        }
        assert!(!verify_consistency(1, size, &long, &Hash::ZERO, &Hash::ZERO));
    }
    assert_eq!((Plan::inclusion(3, 3), Plan::inclusion(0, u64::MAX)), (None, None));
    assert_eq!((Plan::consistency(0, 3), Plan::consistency(4, 3), Plan::consistency(1, u64::MAX)), (None, None, None));
    let longest = Plan::inclusion(0, SIZE_MAX).expect("the largest tree").nodes().count();
    assert!(longest < 2 * PROOF_HASHES_MAX, "{longest}");
    assert_eq!(Edge::new(3, vec![Hash::ZERO]), None);
    assert!(Growing::new(300, Tiles::new()).is_none(), "without its open tiles no tree goes on");
}

/// The key of the checksum database of Go, as its client has it built in (`golang.org/x/mod`, `knownGOSUMDB`).
const SUMDB_KEY: &str = "sum.golang.org+033de0ae+Ac4zctda0e5eza+HJyk9SxEdh+s3Ux18htTTAD8OuAn8";
/// The key of log2025-1.rekor.sigstore.dev from Sigstore's trusted root: the raw key within its PKIX form.
const REKOR_KEY: &str = "t8rlp1knGwjfbcXAYPYAkn0XiLz1x8O4t0YkEhie244";

#[test]
fn checkpoints_of_public_logs_are_read_and_verified() {
    let sumdb = Signer::from_vkey(SUMDB_KEY).expect("a key");
    assert_eq!(sumdb.vkey(), SUMDB_KEY);
    let rekor_key: PublicKey = REKOR_KEY.replace('+', "-").replace('/', "_").parse().expect("32 bytes");
    let rekor = Signer { name: "log2025-1.rekor.sigstore.dev".into(), kind: Kind::Log, key: rekor_key };
    for (whole, signer, origin, size) in [
        (include_str!("../vectors/checkpoint_sumdb.txt"), &sumdb, "go.sum database tree", 57_389_448),
        (include_str!("../vectors/checkpoint_rekor.txt"), &rekor, "log2025-1.rekor.sigstore.dev", 22_578_297),
    ] {
        let note = Note::read(whole).expect("a note");
        assert_eq!(note.judge(signer), Judged::Signed(None), "{origin}");
        assert_eq!(note.write(), whole);
        let checkpoint = Checkpoint::read(&note.text).expect("a checkpoint");
        assert_eq!((checkpoint.origin.as_str(), checkpoint.size), (origin, size));
        assert_eq!(checkpoint.text(), note.text);
        let larger = Note::read(&whole.replacen(&size.to_string(), &(size + 1).to_string(), 1)).expect("a note");
        assert_eq!(larger.judge(signer), Judged::False);
        let witness = Signer { kind: Kind::Witness, ..signer.clone() };
        assert_eq!(note.judge(&witness), Judged::Absent, "another kind of key is another key");
    }
}

const ORGANISATION: OrganisationId = OrganisationId([7; 16]);

#[test]
fn a_checkpoint_is_read_in_one_exact_form_and_only_from_its_own_log() {
    let key = CheckpointKey::new(&[1; 32], ORGANISATION, 1);
    let signed = key.sign(18, Hash([9; 32]));
    let log = origin(&ORGANISATION, 1);
    let open = |note: &str| Checkpoint::open(note, &log, &key.public());
    assert_eq!(open(&signed), Some(Checkpoint { origin: log.clone(), size: 18, root: Hash([9; 32]) }));
    assert_eq!(Checkpoint::open(&signed, &origin(&ORGANISATION, 2), &key.public()), None);
    assert_eq!(Checkpoint::open(&signed, &log, &CheckpointKey::new(&[1; 32], ORGANISATION, 2).public()), None);
    let broken = [
        signed.replacen("18", "018", 1),
        signed.replacen("18", "+18", 1),
        signed.replacen("18", "", 1),
        signed.replace('\n', "\r\n"),
        signed.replacen('\u{2014}', "-", 1),
        signed.trim_end().to_owned(),
        signed.replacen('=', "", 1),
        signed.replacen("\n\n", "\n", 1),
        format!("{signed}\n"),
        format!("{signed}x"),
        signed.replacen("pintle/", "pintle/x", 1),
        String::new(),
        "\n\n\n".to_owned(),
    ];
    for whole in broken {
        assert_eq!(open(&whole), None, "{whole:?}");
    }
    // A flipped bit anywhere in the text or the signature is seen; the note's own name and id only say which key to try.
    let flipped = |at: usize| {
        let mut bytes = signed.clone().into_bytes();
        bytes[at] ^= 1;
        String::from_utf8(bytes).ok().and_then(|whole| open(&whole))
    };
    assert!((0..signed.len()).all(|at| flipped(at).is_none()));
    let crowd = signed.lines().last().expect("a signature").to_owned() + "\n";
    assert!(open(&(signed.clone() + &crowd.repeat(note::LINES_MAX - 1))).is_some());
    assert_eq!(open(&(signed.clone() + &crowd.repeat(note::LINES_MAX))), None, "more lines than are read");
}

#[test]
fn a_witness_signs_a_time_too_and_strangers_lines_are_passed_over() {
    let key = CheckpointKey::new(&[1; 32], ORGANISATION, 1);
    let device = DeviceKey::from_secret(&[5; 32]);
    let name = "witness.example/hill".to_owned();
    let signer = Signer { name: name.clone(), kind: Kind::Witness, key: device.public() };
    assert_eq!(Signer::from_vkey(&signer.vkey()), Some(signer.clone()));
    let mut note = Note::read(&key.sign(3, Hash([9; 32]))).expect("a note");
    assert_eq!(note.judge(&signer), Judged::Absent);
    note.lines.push(note::witness(&note.text, &name, &device, 1_780_000_000));
    let read = Note::read(&note.write()).expect("a note");
    assert_eq!(read.judge(&signer), Judged::Signed(Some(1_780_000_000)));
    assert!(Checkpoint::open(&note.write(), &key.origin(), &key.public()).is_some());
    // The same under another time, and a log's signature in a witness's place, are false.
    let mut later = note.clone();
    later.lines[1].signature[7] ^= 1;
    assert_eq!(later.judge(&signer), Judged::False);
    let mut plain = note.clone();
    plain.lines[1].signature = [&[0; 8][..], &device.sign(note.text.as_bytes()).0].concat();
    assert_eq!(plain.judge(&signer), Judged::False);
    for wrong in ["", "a+00000000+AQ==", &signer.vkey().replacen('+', "++", 1), &signer.vkey()[1..]] {
        assert_eq!(Signer::from_vkey(wrong), None, "{wrong}");
    }
}

#[test]
fn each_key_vouches_for_the_next_and_for_nothing_else() {
    let [one, two, three] = [1, 2, 3].map(|epoch| CheckpointKey::new(&[1; 32], ORGANISATION, epoch));
    let proof = one.vouch(&two);
    let [a, b, c] = [&one, &two, &three].map(CheckpointKey::public);
    assert!(vouched(&ORGANISATION, (1, &a), (2, &b), &proof));
    assert!(!vouched(&ORGANISATION, (1, &a), (3, &b), &proof));
    assert!(!vouched(&ORGANISATION, (2, &a), (2, &b), &proof));
    assert!(!vouched(&ORGANISATION, (1, &a), (2, &c), &proof));
    assert!(!vouched(&ORGANISATION, (1, &b), (2, &b), &proof));
    assert!(!vouched(&OrganisationId([8; 16]), (1, &a), (2, &b), &proof));
}

fn row(position: u64, machine: Option<u8>) -> Row {
    Row {
        position,
        device: DeviceId([3; 16]),
        seq: position,
        link: Hash([u8::try_from(position).expect("small"); 32]),
        machine: machine.map(|machine| pintle_core::ids::MachineId([machine; 16])),
        received_ms: 1_780_000_000_000,
        off_s: None,
        aside: None,
    }
}

#[test]
fn a_ledger_grows_its_tree_its_machines_and_its_roll() {
    let rows = [row(1, Some(1)), row(2, None), row(3, Some(2)), row(4, Some(1))];
    let tree = Growing::new(0, Tiles::new()).expect("an empty tree");
    let mut growth = Growth::new(tree, &Reached::NOTHING, BTreeMap::new());
    rows.iter().for_each(|row| growth.push(row).expect("the next one"));
    let hole = growth.push(&row(6, None)).expect_err("5 is missing");
    assert_eq!((hole.after, hole.found), (4, 6));
    let lines = growth.machines().iter().map(|(machine, edge)| line(&ORGANISATION, machine, edge.size(), edge.root()));
    let roll = Roll::new(lines.collect());
    let leaf = growth.call(&roll, 1_780_000_001_000);
    assert_eq!((leaf.machines, leaf.position), (2, 4));
    assert_eq!(growth.reached(), Reached { size: 5, position: 4, link: Hash([4; 32]) });

    // The same by hand.
    let mut one = Edge::default();
    let mut by_hand = Edge::default();
    for row in &rows {
        let so_far = row.machine.map(|machine| {
            let mut edge = if machine.0[0] == 1 { one.clone() } else { Edge::default() };
            edge.push(machine_leaf(row));
            if machine.0[0] == 1 {
                one = edge.clone();
            }
            pintle_core::proof::leaf::MachineSoFar { count: edge.size(), root: edge.root() }
        });
        by_hand.push(leaf_hash(&entry_leaf_data(row, so_far.as_ref())));
    }
    by_hand.push(leaf_hash(&roll_leaf_data(&leaf)));
    assert_eq!(growth.tree().root(), by_hand.root());
    let so_far = pintle_core::proof::leaf::MachineSoFar { count: 1, root: machine_leaf(&rows[0]) };
    let text = String::from_utf8(entry_leaf_data(&rows[0], Some(&so_far))).expect("JSON");
    assert!(text.starts_with(r#"{"count":1,"device":"AwMDAwMDAwMDAwMDAwMDAw","link":"AQEB"#), "{text}");
}
