//! Trees behind ledgers.
//!
//! Promises: roots and leaves are computed a second time here, from pages of the ledger; proofs are read from the
//! store's tiles and verified as an outsider would.

use crate::bed::{Bed, NOW_MS};
use crate::crew::{Device, EX3, EX4, all_after};
use crate::race::processes;
use pintle_core::chain::LogHead;
use pintle_core::ids::{Hash, MachineId, OrganisationId, PublicKey};
use pintle_core::proof::checkpoint::{Checkpoint, CheckpointKey, origin};
use pintle_core::proof::leaf::{MachineSoFar, Row, entry_leaf_data, machine_leaf, roll_leaf_data};
use pintle_core::proof::merkle::{Edge, Plan, leaf_hash, verify_consistency, verify_inclusion};
use pintle_core::proof::roll::{key, root_of};
use pintle_core::proof::tile::{node_in, tiles_of};
use pintle_store::{CheckpointRecord, Cosignature, Grown, StampRecord, StoreError};
use sea_orm::ConnectionTrait;
use std::collections::{BTreeMap, BTreeSet};
use std::task::Poll;

/// Grows a tree to its end; gives the checkpoint, if one was signed.
async fn grown(bed: &Bed, organisation: OrganisationId, rows_max: usize) -> Option<CheckpointRecord> {
    loop {
        match bed.store.tree_grow(organisation, rows_max, NOW_MS).await.expect("it grows") {
            Grown::More => {}
            Grown::Nothing => return None,
            Grown::Signed(checkpoint) => return Some(checkpoint),
        }
    }
}

/// The key that signs, from the secret that a bed's store is made with.
fn signer(bed: &Bed, organisation: OrganisationId, epoch: u64) -> PublicKey {
    CheckpointKey::new(&bed.store.identity().ledger_secret, organisation, epoch).public()
}

fn opened(bed: &Bed, organisation: OrganisationId, record: &CheckpointRecord) -> Checkpoint {
    let key = signer(bed, organisation, record.epoch);
    let checkpoint = Checkpoint::open(&record.note, &origin(&organisation, record.epoch), &key).expect("it is signed");
    assert_eq!(checkpoint.size, record.size);
    checkpoint
}

/// Every leaf of the ledger's tree, from its pages; rolls stand where `checkpoints` say.
async fn leaves(bed: &Bed, organisation: OrganisationId, checkpoints: &[CheckpointRecord]) -> Vec<Hash> {
    let page = bed.store.page(organisation, &all_after(0)).await.expect("a page");
    let mut machines: BTreeMap<MachineId, Edge> = BTreeMap::new();
    let mut leaves = Vec::new();
    for held in page.entries {
        let machine = held.entry.head().ok().and_then(|head| head.machine);
        let position = held.position.expect("it has one");
        let row = Row {
            position,
            device: held.device,
            seq: held.entry.seq(),
            link: held.link,
            machine,
            received_ms: held.received_ms.expect("it has one"),
            off_s: held.off_s,
            aside: held.aside,
        };
        let so_far = machine.map(|machine| {
            let edge = machines.entry(machine).or_default();
            edge.push(machine_leaf(&row));
            MachineSoFar { count: edge.size(), root: edge.root() }
        });
        leaves.push(leaf_hash(&entry_leaf_data(&row, so_far.as_ref())));
        for checkpoint in checkpoints.iter().filter(|checkpoint| checkpoint.roll.position == position) {
            leaves.push(leaf_hash(&roll_leaf_data(&checkpoint.roll)));
        }
    }
    leaves
}

fn root(leaves: &[Hash]) -> Hash {
    let mut edge = Edge::default();
    leaves.iter().for_each(|leaf| edge.push(*leaf));
    edge.root()
}

async fn proof(bed: &Bed, organisation: OrganisationId, plan: Option<Plan>) -> Vec<Hash> {
    let plan = plan.expect("there is such a proof");
    let tiles = bed.store.tiles(organisation, &tiles_of(plan.nodes())).await.expect("it answers");
    plan.read(|node| node_in(&tiles, node)).expect("every tile is there")
}

pub async fn a_tree_holds_what_the_ledger_does_and_proves_it(bed: Bed) {
    let organisation = bed.organisation(1).await;
    assert_eq!(bed.store.trees_behind().await.expect("it answers"), []);
    assert_eq!(grown(&bed, organisation, 10).await, None, "an empty ledger has nothing to sign");
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    let mut checkpoints = Vec::new();
    // Over the edge of a tile, with steps of other sizes than pushes.
    for (round, notes) in [(0usize, 3usize), (1, 280), (2, 1)] {
        let from = device.log.len() + 1;
        for n in 0..notes {
            device.note([Some(EX3), None, Some(EX4), Some(EX3)][(round + n) % 4], &format!("note {n}"));
        }
        device.push_on(&bed, from).await;
        assert_eq!(bed.store.trees_behind().await.expect("it answers"), [organisation]);
        let checkpoint = grown(&bed, organisation, 97).await.expect("a checkpoint");
        assert_eq!(bed.store.checkpoint(organisation).await.expect("it answers"), Some(checkpoint.clone()));
        assert_eq!(checkpoint.roll.position, bed.end(organisation).await);
        assert_eq!(checkpoint.roll.machines, 2);
        checkpoints.push(checkpoint);
        assert_eq!(bed.store.trees_behind().await.expect("it answers"), []);
        assert_eq!(grown(&bed, organisation, 97).await, None, "nothing is new");
    }
    let leaves = leaves(&bed, organisation, &checkpoints).await;
    let newest = opened(&bed, organisation, &checkpoints[2]);
    assert_eq!((newest.size, newest.root), (leaves.len() as u64, root(&leaves)));
    for (index, leaf) in leaves.iter().enumerate().step_by(13) {
        let index = index as u64;
        let proof = proof(&bed, organisation, Plan::inclusion(index, newest.size)).await;
        assert!(verify_inclusion(leaf, index, newest.size, &proof, &newest.root));
    }
    for older in &checkpoints[..2] {
        assert_eq!(bed.store.checkpoint_at(organisation, older.size).await.expect("it answers").as_ref(), Some(older));
        let older = opened(&bed, organisation, older);
        let proof = proof(&bed, organisation, Plan::consistency(older.size, newest.size)).await;
        assert!(verify_consistency(older.size, newest.size, &proof, &older.root, &newest.root));
    }
    assert_eq!(bed.store.checkpoint_at(organisation, newest.size - 1).await.expect("it answers"), None);
}

pub async fn a_machine_s_whole_is_under_the_checkpoint(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let (mut one, mut two) =
        (Device::enrolled(&bed, 1, organisation).await, Device::enrolled(&bed, 2, organisation).await);
    assert_eq!(bed.store.machine_standing(organisation, EX3).await.expect("it answers"), None);
    for (machine, text) in [(None, "a"), (Some(EX4), "b"), (Some(EX3), "c"), (Some(EX4), "d"), (Some(EX3), "e")] {
        one.note(machine, text);
    }
    one.push_on(&bed, 1).await;
    two.note(Some(EX4), "f");
    two.push_on(&bed, 1).await;
    two.note(Some(EX3), "g");
    two.push_on(&bed, 2).await;
    let checkpoint = grown(&bed, organisation, 500).await.expect("a checkpoint");
    let standing = bed.store.machine_standing(organisation, EX3).await.expect("it answers").expect("it stands");
    assert_eq!(standing.checkpoint, checkpoint);
    assert_eq!((standing.line.key, standing.line.count), (key(&organisation, &EX3), 3));
    assert_eq!(root_of(&standing.line, &standing.proof), Some(checkpoint.roll.root));

    let batches =
        bed.store.machine_batches(organisation, EX3, 0, checkpoint.roll.position, 500).await.expect("batches");
    let told: Vec<_> = batches.iter().map(|b| (b.seal.device, b.seal.from, b.seal.to, b.entries.len())).collect();
    assert_eq!(told, [(one.id, 1, 5, 3), (two.id, 2, 2, 1)]);
    assert_eq!(batches[0].previous, Some(one.heads[2].link));
    assert_eq!(batches[1].previous, Some(two.heads[1].link));
    // Followed from there, the chain leads to the link that is sealed; and the machine's entries to its root.
    let mut edge = Edge::default();
    for batch in &batches {
        let mut head = LogHead { seq: batch.entries[0].entry.seq() - 1, link: batch.previous.expect("there is one") };
        for entry in &batch.entries {
            head = head.after(&entry.entry);
            assert_eq!(head.link, entry.link);
            if entry.machine == Some(EX3) {
                edge.push(machine_leaf(&Row {
                    position: 0,
                    device: batch.seal.device,
                    seq: head.seq,
                    link: head.link,
                    machine: entry.machine,
                    received_ms: batch.received_ms,
                    off_s: entry.off_s,
                    aside: entry.aside.clone(),
                }));
            }
        }
        assert_eq!((head.seq, head.link), (batch.seal.to, batch.seal.link));
    }
    assert_eq!((edge.size(), edge.root()), (standing.line.count, standing.line.root));
    let first = bed.store.machine_batches(organisation, EX3, 0, checkpoint.roll.position, 1).await.expect("batches");
    assert_eq!(first[..], batches[..1]);
    let rest = bed.store.machine_batches(organisation, EX3, first[0].position, checkpoint.roll.position, 1).await;
    assert_eq!(rest.expect("batches")[..], batches[1..]);
    let none = bed.store.machine_batches(organisation, EX3, 0, 2, 9).await.expect("batches");
    assert_eq!(none, [], "nothing beyond the position asked for");
    let stranger = bed.organisation(2).await;
    assert_eq!(bed.store.machine_standing(stranger, EX3).await.expect("it answers"), None);
    assert_eq!(bed.store.machine_batches(stranger, EX3, 0, 99, 9).await.expect("batches"), []);
}

pub async fn a_new_epoch_signs_under_its_own_key(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "a note");
    device.push_on(&bed, 1).await;
    let before = grown(&bed, organisation, 500).await.expect("a checkpoint");
    bed.store.epoch_raise(1, 7).await.expect("it is raised");
    assert_eq!(bed.store.trees_behind().await.expect("it answers"), [organisation]);
    let after = grown(&bed, organisation, 500).await.expect("a checkpoint without a new entry");
    assert_eq!((before.epoch, after.epoch), (1, 7));
    assert_eq!(bed.store.checkpoint_epochs(organisation).await.expect("it answers"), [1, 7]);
    let (older, newer) = (opened(&bed, organisation, &before), opened(&bed, organisation, &after));
    assert_ne!(older.origin, newer.origin);
    let proof = proof(&bed, organisation, Plan::consistency(older.size, newer.size)).await;
    assert!(verify_consistency(older.size, newer.size, &proof, &older.root, &newer.root));
}

pub async fn others_sign_a_checkpoint_once_each(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "a note");
    device.push_on(&bed, 1).await;
    let size = grown(&bed, organisation, 500).await.expect("a checkpoint").size;
    let key = device.key;
    let line =
        |name: &str, time_s| Cosignature { name: name.to_owned(), key, time_s, line: format!("{name} at {time_s}") };
    assert!(bed.store.cosignature_add(organisation, size, &line("b", 7)).await.expect("it answers"));
    assert!(bed.store.cosignature_add(organisation, size, &line("a", 8)).await.expect("it answers"));
    assert!(bed.store.cosignature_add(organisation, size, &line("b", 9)).await.expect("it answers"));
    assert!(!bed.store.cosignature_add(organisation, size + 1, &line("c", 7)).await.expect("it answers"));
    let standing = bed.store.machine_standing(organisation, EX3).await.expect("it answers").expect("it stands");
    assert_eq!(standing.cosignatures, [line("a", 8), line("b", 7)]);
    let newest = |name: &'static str| bed.store.cosigned_newest(organisation, name);
    let size_of = |found: Option<CheckpointRecord>| found.map(|checkpoint| checkpoint.size);
    device.note(Some(EX3), "another note");
    device.push_on(&bed, 2).await;
    let next = grown(&bed, organisation, 500).await.expect("a checkpoint").size;
    assert!(bed.store.cosignature_add(organisation, next, &line("b", 12)).await.expect("it answers"));
    assert_eq!(size_of(newest("a").await.expect("it answers")), Some(size));
    assert_eq!(size_of(newest("b").await.expect("it answers")), Some(next));
    assert_eq!(size_of(newest("c").await.expect("it answers")), None);
    let at = |size| bed.store.cosignatures(organisation, size);
    assert_eq!(at(size).await.expect("it answers"), [line("a", 8), line("b", 7)]);
    assert_eq!(at(next).await.expect("it answers"), [line("b", 12)]);
    assert_eq!(at(next + 1).await.expect("it answers"), []);
}

pub async fn stamps_say_which_entries_lie_under_them(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    let stamp = |size, authority: &str, at_s| StampRecord {
        size,
        authority: authority.to_owned(),
        at_s,
        received_ms: at_s * 1000 + 1,
        token: format!("{authority} at {at_s}").into_bytes(),
    };
    let stamps = |machine, until, most| bed.store.machine_stamps(organisation, machine, until, most);
    assert_eq!(stamps(EX3, u64::MAX >> 1, 64).await.expect("it answers"), []);
    let mut checkpoints = Vec::new();
    for (batch, machines) in [&[EX3, EX4][..], &[EX4], &[EX3, EX3, EX4], &[EX3]].into_iter().enumerate() {
        let from = device.log.len() + 1;
        machines.iter().for_each(|machine| _ = device.note(Some(*machine), "a note"));
        let to = device.push_on(&bed, from).await;
        assert!(to.answer.aside.is_empty(), "batch {batch}");
        checkpoints.push(grown(&bed, organisation, 500).await.expect("a checkpoint"));
    }
    for (nth, checkpoint) in checkpoints.iter().enumerate() {
        let at_s = 100 + i64::try_from(nth).expect("few");
        assert!(bed.store.stamp_add(organisation, &stamp(checkpoint.size, "hill", at_s)).await.expect("it answers"));
    }
    let [first, second, third, fourth] = &checkpoints[..] else { panic!("four") };
    // The first of an authority stays, another one stands beside it, and there is none of what was never signed.
    assert!(bed.store.stamp_add(organisation, &stamp(second.size, "hill", 7)).await.expect("it answers"));
    assert!(bed.store.stamp_add(organisation, &stamp(third.size, "dale", 50)).await.expect("it answers"));
    assert!(!bed.store.stamp_add(organisation, &stamp(fourth.size + 1, "hill", 8)).await.expect("it answers"));
    let newest = |authority| bed.store.stamp_newest(organisation, authority);
    assert_eq!(newest("hill").await.expect("it answers"), Some((fourth.size, 103_001)));
    assert_eq!(newest("dale").await.expect("it answers"), Some((third.size, 50_001)));
    assert_eq!(newest("moor").await.expect("it answers"), None);

    let found = stamps(EX3, u64::MAX >> 1, 64).await.expect("it answers");
    let told: Vec<_> = found.iter().map(|found| (found.stamp.clone(), found.count)).collect();
    // The second is over no more entries about EX3 than the first.
    let expected = [
        (stamp(first.size, "hill", 100), 1),
        (stamp(third.size, "dale", 50), 3),
        (stamp(third.size, "hill", 102), 3),
        (stamp(fourth.size, "hill", 103), 4),
    ];
    assert_eq!(told, expected);
    assert_eq!(stamps(EX3, third.roll.position, 64).await.expect("it answers"), found[..3]);
    // Of four two for each authority: of three of hill the first and the last.
    let some = [found[0].clone(), found[1].clone(), found[3].clone()];
    assert_eq!(stamps(EX3, fourth.roll.position, 4).await.expect("it answers"), some);
    assert_eq!(stamps(EX4, u64::MAX >> 1, 64).await.expect("it answers").len(), 4);

    // Each is what an outsider can prove: the last entry's leaf lies under the stamped checkpoint at that place.
    let leaves = leaves(&bed, organisation, &checkpoints).await;
    for found in found {
        let checkpoint = opened(&bed, organisation, &found.checkpoint);
        assert_eq!(found.stamp.size, checkpoint.size);
        let leaf = leaves[usize::try_from(found.index).expect("small")];
        let proof = proof(&bed, organisation, Plan::inclusion(found.index, checkpoint.size)).await;
        assert!(verify_inclusion(&leaf, found.index, checkpoint.size, &proof, &checkpoint.root), "{found:?}");
    }
}

pub async fn many_at_work_on_one_tree_build_it_once(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    let stores = processes(&bed).await;
    let mut checkpoints = Vec::new();
    for round in 0..12 {
        let from = device.log.len() + 1;
        (0..9).for_each(|n| _ = device.note([Some(EX3), Some(EX4)][n % 2], "a note"));
        // Four grow it while a push is under way.
        let tasks: Vec<_> = (0..4)
            .map(|n| {
                let store = stores[(round + n) % stores.len()].clone();
                tokio::spawn(async move { store.tree_grow(organisation, 7, NOW_MS).await.expect("it answers") })
            })
            .collect();
        device.push_on(&bed, from).await;
        for task in tasks {
            if let Grown::Signed(checkpoint) = task.await.expect("it ends") {
                checkpoints.push(checkpoint);
            }
        }
    }
    checkpoints.extend(grown(&bed, organisation, 7).await);
    checkpoints.sort_by_key(|checkpoint| checkpoint.size);
    let sizes: BTreeSet<u64> = checkpoints.iter().map(|checkpoint| checkpoint.size).collect();
    assert_eq!(sizes.len(), checkpoints.len(), "no size is signed twice");
    let leaves = leaves(&bed, organisation, &checkpoints).await;
    for checkpoint in &checkpoints {
        let size = usize::try_from(checkpoint.size).expect("small");
        assert_eq!(opened(&bed, organisation, checkpoint).root, root(&leaves[..size]));
    }
    assert_eq!(checkpoints.last().map(|last| last.roll.position), Some(bed.end(organisation).await));
}

pub async fn a_step_dropped_anywhere_leaves_nothing_half_done(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    let mut dropped = 0;
    for round in 0..40 {
        let from = device.log.len() + 1;
        (0..3).for_each(|n| _ = device.note([Some(EX3), Some(EX4), None][n % 3], "a note"));
        device.push_on(&bed, from).await;
        let mut left = round % 20 + 1;
        let mut step = bed.store.tree_grow(organisation, 100, NOW_MS);
        let ended = std::future::poll_fn(|context| {
            left -= 1;
            match step.as_mut().poll(context) {
                Poll::Pending if left == 0 => Poll::Ready(false),
                Poll::Pending => Poll::Pending,
                Poll::Ready(_) => Poll::Ready(true),
            }
        })
        .await;
        drop(step);
        dropped += usize::from(!ended);
    }
    if bed.url.is_some() {
        assert!(dropped > 0, "none was dropped");
    }
    // Which of them were signed after all is not known to the caller, but to the database.
    grown(&bed, organisation, 100).await;
    let mut checkpoints = Vec::new();
    let newest = bed.store.checkpoint(organisation).await.expect("it answers").expect("there is one");
    for size in 1..=newest.size {
        checkpoints.extend(bed.store.checkpoint_at(organisation, size).await.expect("it answers"));
    }
    assert_eq!(newest.roll.position, bed.end(organisation).await);
    let leaves = leaves(&bed, organisation, &checkpoints).await;
    assert_eq!(opened(&bed, organisation, &newest).root, root(&leaves));
}

/// Whatever was changed beneath the tree, nothing more is signed, and it is said which row is wrong.
pub async fn nothing_is_signed_over_what_was_changed(bed: Bed) {
    for (change, table) in [
        ("UPDATE tree_tile SET hashes = (SELECT link FROM ledger WHERE position = 1) WHERE level = 0", "tree_head"),
        ("DELETE FROM tree_tile", "tree_head"),
        ("UPDATE tree_head SET root = link", "tree_head"),
        ("UPDATE tree_head SET link = root", "tree_head"),
        ("UPDATE tree_machine SET root = (SELECT link FROM ledger WHERE position = 1)", "tree_machine"),
        ("UPDATE tree_machine SET entry_count = entry_count + 4", "tree_machine"),
    ] {
        let organisation = bed.organisation(1).await;
        let raw = bed.raw().await;
        let mut device = Device::enrolled(&bed, 1, organisation).await;
        (0..2).for_each(|_| _ = device.note(Some(EX3), "a note"));
        device.push_on(&bed, 1).await;
        let newest = grown(&bed, organisation, 500).await.expect("a checkpoint");
        raw.execute_unprepared(change).await.expect(change);
        device.note(Some(EX3), "another");
        device.push_on(&bed, 3).await;
        let refused = bed.store.tree_grow(organisation, 500, NOW_MS).await.expect_err(change);
        assert!(matches!(&refused, StoreError::Corrupt { table: told, .. } if *told == table), "{change}: {refused:?}");
        assert_eq!(bed.store.checkpoint(organisation).await.expect("it answers"), Some(newest), "{change}");
        break_up(&bed, &raw).await;
    }
}

/// Empties the tables of a case, so that the next can begin.
async fn break_up(bed: &Bed, raw: &sea_orm::DatabaseConnection) {
    let guards: Vec<String> = if bed.is_sqlite() {
        ["ledger_update", "ledger_delete", "seal_delete", "checkpoint_delete"]
            .map(|guard| format!("DROP TRIGGER IF EXISTS {guard}_refused"))
            .into()
    } else {
        ["ledger", "seal", "checkpoint"]
            .map(|table| {
                let guard = if table == "checkpoint" {
                    "checkpoint_change_refused"
                } else {
                    &format!("{table}_change_refused")
                };
                format!("DROP TRIGGER IF EXISTS {guard} ON {table}")
            })
            .into()
    };
    let tables = [
        "checkpoint",
        "tree_machine",
        "tree_tile",
        "tree_head",
        "seal",
        "ledger",
        "device_machine",
        "machine_head",
        "mark_past",
        "device",
        "enrolment_code",
        "ledger_head",
        "person",
        "organisation",
    ];
    for sql in guards.into_iter().chain(tables.map(|table| format!("DELETE FROM {table}"))) {
        raw.execute_unprepared(&sql).await.expect(&sql);
    }
}

pub async fn checkpoints_and_stamps_refuse_update_and_delete(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "a note");
    device.push_on(&bed, 1).await;
    let newest = grown(&bed, organisation, 500).await.expect("a checkpoint");
    let stamp = StampRecord {
        size: newest.size,
        authority: "hill".to_owned(),
        at_s: 100,
        received_ms: 100_001,
        token: vec![1],
    };
    assert!(bed.store.stamp_add(organisation, &stamp).await.expect("it answers"));
    let raw = bed.raw().await;
    for sql in [
        "UPDATE checkpoint SET made_ms = 0",
        "DELETE FROM checkpoint",
        "UPDATE stamp SET at_s = 1",
        "DELETE FROM stamp",
    ] {
        let error = raw.execute_unprepared(sql).await.expect_err(sql).to_string();
        assert!(error.contains("is never changed"), "{sql}: {error}");
    }
    assert_eq!(bed.store.checkpoint(organisation).await.expect("it answers"), Some(newest));
}
