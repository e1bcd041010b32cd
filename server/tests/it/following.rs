//! A device that goes on under a new key, for which its old one vouches.
//!
//! Promises: whoever cannot sign with both keys gets nothing, and nobody gains a right.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::{Answer, World};
use pintle_core::chain::{enrol_text, follow_text};
use pintle_core::ids::MachineId;
use pintle_core::permission::Role;
use pintle_openapi::endpoints::enrol::EnrolReply;
use pintle_openapi::endpoints::follow::FollowRequest;
use serde_json::json;

const EX3: MachineId = MachineId([3; 16]);

fn request(old: &Phone, new: &Phone, ends: bool) -> FollowRequest {
    let key = new.key().public();
    let text = follow_text(&old.organisation, &old.id(), &key);
    FollowRequest {
        organisation: old.organisation,
        device: old.id(),
        key,
        ends,
        old_proof: old.key().sign(&text),
        proof: new.key().sign(&text),
    }
}

async fn post(world: &World, request: &FollowRequest) -> Answer {
    world.post("/v1/follow", &serde_json::to_value(request).expect("JSON")).await
}

async fn both_go_on_where_a_copy_is_in_use(world: World) {
    let mut old = world.phone("K7", Role::Mechanic).await;
    old.record(EX3, 0, "machine_added", json!({"name": "EX3"}));
    old.sync(&world, 1).await;
    let mut new = Phone::new(&world, "ZZ");
    new.person = old.person.clone();
    let asked = request(&old, &new, false);
    let reply: EnrolReply = post(&world, &asked).await.reply();
    assert_eq!((reply.mark.as_str(), reply.role, reply.device), ("K72", Role::Mechanic, new.id()));
    let again: EnrolReply = post(&world, &asked).await.reply();
    assert_eq!((&again.mark, again.device), (&reply.mark, reply.device), "asked for twice, done once");
    new.enrolled(&again);
    new.record(EX3, 1, "note_left", json!({}));
    new.sync(&world, 1).await;
    old.record(EX3, 2, "note_left", json!({}));
    old.sync(&world, 2).await;
    assert_eq!(world.get_with("/v1/me", &new.token(&world).await).await.json()["person"]["id"], json!(old.person.id));
    assert_eq!(world.store.devices(world.organisation.id).await.expect("it answers").len(), 2);
}

async fn an_old_key_ends_with_the_new_one(world: World) {
    let mut old = world.phone("K7", Role::Crew).await;
    let token = old.token(&world).await;
    let new = Phone::new(&world, "ZZ");
    let asked = request(&old, &new, true);
    post(&world, &asked).await.json();
    world.get_with("/v1/me", &token).await.refused(403, "device-revoked", "");
    old.record(EX3, 0, "note_left", json!({}));
    let reply = old.sync(&world, 1).await;
    assert_eq!(reply.push.aside.iter().map(|a| a.code.as_str()).collect::<Vec<_>>(), ["device-revoked"], "kept, aside");
    let again: EnrolReply = post(&world, &asked).await.reply();
    assert_eq!(again.mark, "K72", "a lost reply is answered after the old key's end too");
    let third = Phone::new(&world, "Z3");
    post(&world, &request(&old, &third, false)).await.refused(409, "key-refused", "/key");
}

async fn nobody_follows_without_both_keys(world: World) {
    let old = world.phone("K7", Role::Owner).await;
    let other = world.phone("M2", Role::Crew).await;
    let new = Phone::new(&world, "ZZ");
    let good = request(&old, &new, false);
    let by = |place: &str, request: FollowRequest| (place.to_owned(), request);
    let text = follow_text(&old.organisation, &old.id(), &new.key().public());
    for (place, wrong) in [
        by("/old_proof", FollowRequest { old_proof: other.key().sign(&text), ..good.clone() }),
        by("/proof", FollowRequest { proof: other.key().sign(&text), ..good.clone() }),
        // Signed for another purpose, or for another device to be followed.
        by("/proof", FollowRequest { proof: new.key().sign(&enrol_text("x", &good.key)), ..good.clone() }),
        by("/old_proof", FollowRequest { device: other.id(), ..good.clone() }),
    ] {
        post(&world, &wrong).await.refused(422, "bad-signature", &place);
    }
    let unknown = request(
        &{
            let mut phone = Phone::new(&world, "Q1");
            phone.organisation = old.organisation;
            phone
        },
        &new,
        false,
    );
    post(&world, &unknown).await.refused(401, "unknown-device", "/device");
    // A key that is somebody's already, one's own too.
    post(&world, &request(&old, &other, false)).await.refused(409, "key-refused", "/key");
    post(&world, &request(&old, &old, false)).await.refused(409, "key-refused", "/key");
    let mut weak = good.clone();
    weak.key.0 = [0; 32];
    post(&world, &weak).await.refused(422, "bad-key", "/key");
    // Another organisation's name on it.
    let others = world.other_organisation().await;
    let foreign = FollowRequest { organisation: others.id, ..good };
    post(&world, &foreign).await.refused(401, "unknown-device", "/device");
    assert_eq!(world.store.devices(world.organisation.id).await.expect("it answers").len(), 2);
}

on_every_store! {
    both_go_on_where_a_copy_is_in_use
    an_old_key_ends_with_the_new_one
    nobody_follows_without_both_keys
}
