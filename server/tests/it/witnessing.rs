//! The checkpoint that an exchange shows, judged by the device's own rule.
//!
//! Promises: whoever follows an honest ledger is shown each time that it has only grown; whoever holds a checkpoint of a
//! ledger that was replaced under the same epoch and key is not.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::World;
use pintle_core::exchange::{CheckpointHeld, CheckpointShown, SyncReply};
use pintle_core::ids::MachineId;
use pintle_core::permission::Role;
use pintle_core::proof::checkpoint::origin;
use pintle_core::proof::watch::{HeldCheckpoint, NotShown, Watched, watch};
use serde_json::json;

const EX3: MachineId = MachineId([3; 16]);

/// An exchange of a device that holds a checkpoint, and begins its pull anew.
async fn exchange(world: &World, phone: &Phone, held: Option<&HeldCheckpoint>) -> SyncReply {
    let mut request = phone.request(world, None);
    request.checkpoint = Some(held.map_or(CheckpointHeld::default(), HeldCheckpoint::named));
    request.pull.cursor = None;
    phone.send(world, &request).await
}

async fn shown(world: &World, phone: &Phone, held: Option<&HeldCheckpoint>) -> Option<CheckpointShown> {
    exchange(world, phone, held).await.checkpoint
}

fn judged(phone: &Phone, held: Option<&HeldCheckpoint>, shown: &CheckpointShown) -> Watched {
    watch(&origin(&phone.organisation, phone.epoch), held, shown)
}

async fn grow(world: &World) {
    world.app.grow_trees().await.map_err(|refusal| format!("{refusal:?}")).expect("it grows");
}

/// A device records readings, and the tree is built over them.
async fn readings(world: &World, phone: &mut Phone, hours: &[&str]) {
    let from = phone.log.len() + 1;
    for hour in hours {
        phone.record(EX3, 1, "meter_read", json!({"reading": hour}));
    }
    phone.sync(world, from).await;
    grow(world).await;
}

/// The checkpoint that a device holds from then on.
fn newer(judged: Watched) -> HeldCheckpoint {
    let found = match judged {
        Watched::First(newer) | Watched::Grown(newer) => Some(newer),
        Watched::Unchanged | Watched::NotShown(_) => None,
    };
    found.expect("it is to be held")
}

async fn a_device_follows_a_ledger_that_grows(world: World) {
    let mut phone = world.phone("K7", Role::Crew).await;
    readings(&world, &mut phone, &["1", "2", "3"]).await;
    let first = shown(&world, &phone, None).await.expect("there is one");
    assert!(first.proof.is_empty());
    let mut held = newer(judged(&phone, None, &first));
    for hours in [&["4"][..], &["5", "6", "7", "8"], &["9", "10"]] {
        assert_eq!(shown(&world, &phone, Some(&held)).await, None, "nothing is new");
        readings(&world, &mut phone, hours).await;
        let next = shown(&world, &phone, Some(&held)).await.expect("it has grown");
        let judged = judged(&phone, Some(&held), &next);
        assert!(matches!(judged, Watched::Grown(_)), "{judged:?}");
        let grown = newer(judged);
        assert!(grown.size > held.size);
        held = grown;
    }
}

/// The reply has the field only for those who asked, and who know the store and epoch that answers.
async fn a_checkpoint_is_shown_to_whom_it_is_of_use(world: World) {
    let mut phone = world.phone("K7", Role::Crew).await;
    readings(&world, &mut phone, &["1"]).await;
    let plain = phone.request_value(&world, 2);
    assert_eq!(plain.get("checkpoint"), None);
    assert_eq!(phone.send_value(&world, &plain).await.json().get("checkpoint"), None, "not asked for");
    let mut other = phone.clone();
    other.epoch += 1;
    assert_eq!(shown(&world, &other, None).await, None, "of another epoch");
    let mut unknown = plain;
    unknown["checkpoint"] = json!({"size": 1, "note": "x"});
    phone.send_value(&world, &unknown).await.refused(422, "unknown-field", "/checkpoint/note");
    let revoke = pintle_store::Actor::operator(world.organisation.id);
    world.store.device_revoke(revoke, phone.id(), 1).await.expect("it is revoked");
    assert_eq!(shown(&world, &phone, None).await, None, "revoked");
}

on_every_store! {
    a_device_follows_a_ledger_that_grows
    a_checkpoint_is_shown_to_whom_it_is_of_use
}

/// Before there is a tree nothing is shown, and after the epoch was raised the first checkpoint under the new one.
#[actix_web::test]
async fn a_new_epoch_begins_anew() {
    let world = World::sqlite().await;
    let mut phone = world.phone("K7", Role::Crew).await;
    assert_eq!(shown(&world, &phone, None).await, None, "no tree yet");
    readings(&world, &mut phone, &["1", "2"]).await;
    let first = shown(&world, &phone, None).await.expect("there is one");
    let held = newer(judged(&phone, None, &first));
    world.store.epoch_raise(phone.epoch, phone.epoch + 5).await.expect("it is raised");
    let reply = exchange(&world, &phone, Some(&held)).await;
    assert_eq!(reply.checkpoint, None, "the device does not know the epoch yet");
    phone.apply(&reply);
    readings(&world, &mut phone, &["3"]).await;
    let anew = shown(&world, &phone, None).await.expect("there is one of the new epoch");
    assert_ne!(anew.key, first.key);
    assert!(matches!(judged(&phone, None, &anew), Watched::First(_)));
    // Taken for one of the old epoch, it would be none.
    let old = origin(&phone.organisation, phone.epoch - 5);
    assert_eq!(watch(&old, Some(&held), &anew), Watched::NotShown(NotShown::OtherKey));
}

/// The store is replaced by another history with the same keys and epoch: shorter, as long and longer than before.
#[actix_web::test]
async fn a_ledger_that_was_rewritten_is_not_shown_as_grown() {
    for (again, wanted) in [
        (&["7"][..], NotShown::Smaller),
        (&["7", "8", "9"], NotShown::OtherRoot),
        (&["7", "8", "9", "10", "11", "12"], NotShown::FalseProof),
    ] {
        let world = World::memory().await;
        let mut phone = world.phone("K7", Role::Crew).await;
        let before = phone.clone();
        let copy = world.memory.as_ref().expect("in memory").copy();
        readings(&world, &mut phone, &["1", "2", "3"]).await;
        let first = shown(&world, &phone, None).await.expect("there is one");
        let held = newer(judged(&phone, None, &first));
        let world = World::restored(copy, world).await;
        let mut forger = before;
        readings(&world, &mut forger, again).await;
        phone.baton = forger.baton;
        let reply = exchange(&world, &phone, Some(&held)).await;
        assert_eq!(reply.epoch, phone.epoch, "nobody has said so");
        let shown = reply.checkpoint.expect("it is another one");
        assert_eq!(judged(&phone, Some(&held), &shown), Watched::NotShown(wanted), "{again:?}");
    }
}
