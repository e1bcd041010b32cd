//! Two copies of one device: forks, old batons, and a server that is another one than it was.
//!
//! Promises: whatever a copy pushes is found again beside the ledger, and the first goes on undisturbed.
//! Never two at the same moment: races are the store's contract.

use crate::on_every_store;
use crate::world::{World, recorded};
use pintle_core::exchange::{PullOutcome, PushOutcome};
use pintle_core::ids::{MachineId, StoreId};
use pintle_store::Role;
use serde_json::json;

const EX3: MachineId = MachineId([3; 16]);

/// A phone restored onto another phone: both record, and their numbers meet.
async fn a_fork_is_told_and_both_branches_are_kept(world: World) {
    let mut one = world.phone("K7", Role::Crew).await;
    one.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    one.sync(&world, 1).await;
    let mut two = one.clone();
    one.record(EX3, 1, "meter_read", json!({"reading": "2"}));
    two.record(EX3, 2, "meter_read", json!({"reading": "3"}));
    two.record(EX3, 3, "note_left", json!({}));
    let first = one.sync(&world, 2).await;
    assert_eq!(first.push.outcome, PushOutcome::Accepted);
    // One exchange behind, the copy's baton is still good; its entries are not.
    let second = two.sync(&world, 2).await;
    assert_eq!((second.push.outcome, second.push.seq), (PushOutcome::Fork, Some(2)));
    assert_eq!(second.log, one.head(), "the ledger keeps what it held");
    let branches = world.store.branches(world.organisation.id).await.expect("branches");
    let kept: Vec<_> = branches.iter().map(|b| (b.device, b.from, b.count, b.link)).collect();
    assert_eq!(kept, [(two.id(), 2, 2, two.head().link)], "and the branch stands beside it");

    let again = two.sync(&world, 2).await;
    assert_ne!(again.push.outcome, PushOutcome::Accepted);
    assert_eq!(world.store.branches(world.organisation.id).await.expect("branches").len(), 1, "once");
}

async fn an_old_baton_shows_a_copy(world: World) {
    let mut one = world.phone("K7", Role::Crew).await;
    let mut two = one.clone();
    one.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    one.sync(&world, 1).await;
    one.sync(&world, 1).await;
    two.record(EX3, 2, "meter_read", json!({"reading": "3"}));
    let baton = two.baton;
    let reply = two.sync(&world, 1).await;
    assert_eq!(reply.push.outcome, PushOutcome::Copy);
    assert_eq!((reply.log, reply.baton), (one.head(), baton), "nothing is handed to the copy");
    assert_eq!(reply.pull.outcome, PullOutcome::Page, "it may still hear");
    let branches = world.store.branches(world.organisation.id).await.expect("branches");
    assert_eq!(branches.iter().map(|b| (b.from, b.count)).collect::<Vec<_>>(), [(1, 1)], "what it pushed is kept");

    let mut request = two.request(&world, None);
    request.wanted = Some(pintle_core::exchange::Wanted::only([EX3]));
    let reply = two.send(&world, &request).await;
    assert_eq!(reply.push.outcome, PushOutcome::Copy, "also where nothing is pushed");
    one.record(EX3, 4, "meter_read", json!({"reading": "2"}));
    let reply = one.sync(&world, 2).await;
    assert_eq!(
        (reply.push.outcome, reply.pull.outcome),
        (PushOutcome::Accepted, PullOutcome::Page),
        "the first goes on"
    );
    assert_eq!(reply.pull.code, None, "and wants what it wanted");
}

async fn a_lost_reply_is_no_copy(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let first = k7.send(&world, &k7.request(&world, None)).await;
    let second = k7.send(&world, &k7.request(&world, None)).await;
    let third = k7.send(&world, &k7.request(&world, None)).await;
    assert_eq!((first.baton, second.baton), (second.baton, third.baton), "the same baton is sent again");
    k7.apply(&third);
    let next = k7.sync(&world, 1).await;
    assert_ne!(next.baton, third.baton);
    assert_eq!(next.push.outcome, PushOutcome::None);
}

async fn a_request_that_knows_another_ledger_pushes_and_starts_over(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    m2.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    m2.sync(&world, 1).await;
    k7.sync(&world, 1).await;
    k7.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    for (store, epoch) in [(StoreId([9; 16]), k7.epoch), (k7.store, k7.epoch + 1)] {
        let mut request = k7.request(&world, k7.push(1));
        (request.store, request.epoch) = (store, epoch);
        request.baton = pintle_core::ids::Baton([0xee; 16]);
        let reply = k7.send(&world, &request).await;
        assert!(matches!(reply.push.outcome, PushOutcome::Accepted | PushOutcome::AlreadyHeld), "{:?}", reply.push);
        assert_eq!((reply.store, reply.epoch), (world.store.identity().store, k7.epoch));
        assert_ne!(reply.baton, request.baton, "it gets a baton of this ledger");
        k7.baton = reply.baton;
        k7.cursor = None;
    }
    let reply = k7.sync(&world, 1).await;
    assert_eq!((reply.push.outcome, recorded(&reply.pull.entries).len()), (PushOutcome::AlreadyHeld, 1));
}

/// What an operator does after a disk has died: the copy of last night is put in its place, and the server started.
#[actix_web::test]
async fn a_ledger_restored_from_a_copy_is_told_and_filled_again_by_the_devices() {
    let world = World::memory().await;
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    let start = world.end().await;
    k7.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    k7.sync(&world, 1).await;
    m2.sync(&world, 1).await;
    let copy = world.memory.as_ref().expect("a store in memory").copy();
    k7.record(EX3, 1, "meter_read", json!({"reading": "2"}));
    k7.sync(&world, 2).await;
    m2.record(EX3, 2, "meter_read", json!({"reading": "3"}));
    m2.sync(&world, 1).await;
    k7.sync(&world, 3).await;

    let world = World::restored(copy, world).await;
    k7.record(EX3, 3, "note_left", json!({}));
    let (epoch, cursor, baton) = (k7.epoch, k7.cursor.clone(), k7.baton);
    let told = k7.sync(&world, 3).await;
    let raised = told.epoch;
    assert_eq!((raised > epoch, told.pull.outcome), (true, PullOutcome::Refused), "the epoch says so");
    assert_eq!(
        (told.push.outcome, told.push.seq),
        (PushOutcome::Gap, Some(2)),
        "no copy, and nothing beside the ledger"
    );
    k7.cursor = None;
    let filled = k7.sync(&world, 1).await;
    assert_eq!((filled.push.outcome, filled.log), (PushOutcome::Accepted, k7.head()));
    let mut m2_cursor = m2.cursor.take();
    let filled = m2.sync(&world, 1).await;
    assert_eq!((filled.epoch, filled.push.outcome), (raised, PushOutcome::Accepted), "the other one as well");
    assert_eq!(filled.pull.position, start + 4, "all four are there again");
    assert_eq!(world.store.branches(world.organisation.id).await.expect("branches"), []);

    // What was made before the restore cannot raise the epoch once more.
    m2.cursor = m2_cursor.take();
    assert_eq!(m2.sync(&world, 2).await.pull.code.as_deref(), Some("other-epoch"));
    (k7.epoch, k7.cursor, k7.baton) = (epoch, cursor, baton);
    assert_eq!(k7.sync(&world, 4).await.epoch, raised);
    assert_eq!(world.store.epoch().await.expect("it answers"), raised);
}

/// It has pulled nothing by which the older ledger could be told from the one it saw; without its baton it would be taken for
/// a copy of itself.
#[actix_web::test]
async fn a_restored_ledger_is_known_by_a_baton_alone() {
    let world = World::memory().await;
    let mut k7 = world.phone("K7", Role::Crew).await;
    k7.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    k7.sync(&world, 1).await;
    let copy = world.memory.as_ref().expect("a store in memory").copy();
    for _ in 0..3 {
        k7.sync(&world, 2).await;
    }
    let world = World::restored(copy, world).await;
    let epoch = k7.epoch;
    k7.cursor = None;
    let told = k7.sync(&world, 1).await;
    assert!(told.epoch > epoch && told.push.outcome == PushOutcome::AlreadyHeld, "{told:?}");
    // An old one is still a copy of the device.
    let mut old = k7.clone();
    for _ in 0..3 {
        k7.sync(&world, 2).await;
    }
    old.record(EX3, 1, "note_left", json!({}));
    assert_eq!(old.sync(&world, 2).await.push.outcome, PushOutcome::Copy);
}

on_every_store! {
    a_fork_is_told_and_both_branches_are_kept
    an_old_baton_shows_a_copy
    a_lost_reply_is_no_copy
    a_request_that_knows_another_ledger_pushes_and_starts_over
}
