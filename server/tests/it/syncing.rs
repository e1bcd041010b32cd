//! Pushing: each outcome, and that the same bytes again do no harm.
//!
//! Promises: asks what a device is told and what others then receive, over the same wire as they do.
//! Never decides what is right: expected are PROTOCOL's own words.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::{BEGIN_MS, World, recorded};
use pintle_core::chain::DeviceKey;
use pintle_core::exchange::{PullOutcome, PushOutcome, Receipt};
use pintle_core::ids::MachineId;
use pintle_store::Role;
use serde_json::json;

const EX3: MachineId = MachineId([3; 16]);

/// A machine id of this phone's own, so that worlds may share a database.
pub fn machine_of(phone: &Phone) -> MachineId {
    MachineId(phone.id().0)
}

async fn a_day_goes_out_and_comes_in(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    let start = world.end().await;
    k7.record(EX3, 0, "machine_added", json!({"name": "EX3"}));
    k7.record(EX3, 5, "meter_read", json!({"reading": "1204.5"}));
    let reply = k7.sync(&world, 1).await;
    assert_eq!(reply.push.outcome, PushOutcome::Accepted);
    assert_eq!(reply.push.held, [Receipt { from: 1, to: 2, position: start + 1, received_ms: BEGIN_MS, off_s: None }]);
    assert_eq!((reply.log, reply.push.aside.len()), (k7.head(), 0));
    assert_eq!(reply.pull.outcome, PullOutcome::Page);
    assert_eq!((recorded(&reply.pull.entries).len(), reply.pull.position, reply.pull.more), (0, start + 2, false));
    assert_eq!(reply.pull.entries.len() as u64, start, "what the server has written down comes like anyone's entries");
    let mut marks: Vec<_> = reply.directory.expect("a directory").devices.into_iter().map(|card| card.mark).collect();
    marks.sort_unstable();
    assert_eq!(marks, ["K7", "M2", "SV"]);

    let reply = m2.sync(&world, 1).await;
    assert_eq!(reply.push.outcome, PushOutcome::None);
    let from_k7 = recorded(&reply.pull.entries);
    let pulled: Vec<_> = from_k7.iter().map(|p| (p.position, p.device, p.link)).collect();
    assert_eq!(pulled, [(start + 1, k7.id(), k7.links[1].link), (start + 2, k7.id(), k7.links[2].link)]);
    assert_eq!(from_k7[1].entry, k7.log[1], "entries arrive as they were made");
    let seals: Vec<_> = reply.pull.seals.iter().filter(|seal| seal.device == k7.id()).collect();
    assert_eq!(seals.len(), 1);
    assert_eq!(reply.pull.digest.count, start + 2);
    assert!(pintle_core::chain::verify_seal(&k7.key().public(), &k7.organisation, seals[0]));

    let reply = m2.sync(&world, 1).await;
    assert_eq!((reply.pull.entries.len(), reply.directory), (0, None), "an idle exchange brings nothing");
}

/// The reply was lost: the same bytes get the same places and the same baton.
async fn the_same_bytes_again_change_nothing(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let start = world.end().await;
    k7.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    let body = serde_json::to_vec(&k7.request(&world, k7.push(1))).expect("JSON");
    let first: pintle_core::exchange::SyncReply = k7.send_bytes(&world, &body).await.reply();
    world.ambient.forward_s(90);
    for _ in 0..3 {
        let again: pintle_core::exchange::SyncReply = k7.send_bytes(&world, &body).await.reply();
        assert_eq!(again.push.outcome, PushOutcome::AlreadyHeld);
        assert_eq!((&again.push.held, again.baton, again.log), (&first.push.held, first.baton, first.log));
        assert_eq!(again.pull, first.pull);
    }
    k7.apply(&first);
    k7.record(EX3, 1, "meter_read", json!({"reading": "2"}));
    let reply = k7.sync(&world, 1).await;
    assert_eq!(reply.push.outcome, PushOutcome::Accepted, "an overlap is recognised, the rest is new");
    assert_eq!(
        reply.push.held.iter().map(|run| (run.from, run.to, run.position)).collect::<Vec<_>>(),
        [(1, 1, start + 1), (2, 2, start + 2)]
    );
}

async fn a_gap_is_told(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    for n in 0..4 {
        k7.record(EX3, n, "meter_read", json!({"reading": "1"}));
    }
    let start = world.end().await;
    let reply = k7.sync(&world, 3).await;
    assert_eq!((reply.push.outcome, reply.push.seq), (PushOutcome::Gap, Some(1)));
    assert_eq!((reply.log.seq, reply.pull.position, reply.push.held.len()), (0, start, 0), "nothing was taken");
    assert_eq!(k7.sync(&world, 1).await.push.outcome, PushOutcome::Accepted);
}

async fn compressed_and_shuffled_is_taken_too(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    for n in 0..20 {
        k7.record(EX3, n, "note_left", json!({}));
    }
    let mut request = k7.request(&world, k7.push(1));
    if let Some(push) = &mut request.push {
        push.entries.reverse();
        push.entries.swap(3, 11);
    }
    let reply = k7.send_gzip(&world, &request).await;
    assert_eq!((reply.push.outcome, reply.log), (PushOutcome::Accepted, k7.head()));
    let run: Vec<_> = reply.push.held.iter().map(|run| (run.from, run.to)).collect();
    assert_eq!(run, [(1, 20)]);
}

async fn a_seal_of_another_is_refused_and_the_page_still_comes(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    m2.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    m2.sync(&world, 1).await;
    k7.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    let wrong = [
        m2.key().seal(&k7.organisation, 1, &k7.head()).signature,
        k7.key().seal(&pintle_core::ids::OrganisationId([9; 16]), 1, &k7.head()).signature,
        k7.key().seal(&k7.organisation, 1, &k7.links[0]).signature,
        k7.key().sign(&pintle_core::chain::sync_text(b"x")),
        DeviceKey::from_secret(&[7; 32]).sign(b""),
    ];
    for signature in wrong {
        let mut push = k7.push(1).expect("entries");
        push.signature = signature;
        let request = k7.request(&world, Some(push));
        let reply = k7.send(&world, &request).await;
        k7.baton = reply.baton;
        assert_eq!(reply.push.outcome, PushOutcome::BadSeal);
        assert_eq!((reply.log.seq, recorded(&reply.pull.entries).len()), (0, 1), "nothing taken, the page comes");
    }
    let mut push = k7.push(1).expect("entries");
    let flipped = k7.log[0].as_map().clone();
    let mut flipped = serde_json::Value::Object(flipped);
    flipped["body"]["reading"] = json!("2");
    push.entries = vec![pintle_core::Entry::from_value(flipped).expect("an entry")];
    let reply = k7.send(&world, &k7.request(&world, Some(push))).await;
    assert_eq!(reply.push.outcome, PushOutcome::BadSeal, "one changed digit breaks the seal");
}

async fn what_breaks_a_rule_is_taken_and_set_aside(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let machine = machine_of(&k7);
    k7.record(machine, 0, "meter_read", json!({"reading": "1.0"}));
    k7.record(machine, 1, "meter_read", json!({"reading": "minus"}));
    k7.record(machine, 2, "a_kind_of_tomorrow", json!({"x": {"y": 1}}));
    k7.record_parts(machine, 3, "note_left", json!({"body": {}, "words": {"salt": "x", "text": "a\u{202e}b"}}));
    k7.record_parts(machine, 4, "note_left", json!({"body": {}, "words": {"salt": "x", "text": "x".repeat(40_000)}}));
    let mut skipped = serde_json::Value::Object(k7.log[0].as_map().clone());
    skipped["head"]["mseq"] = json!(9);
    k7.append(skipped);
    let reply = k7.sync(&world, 1).await;
    assert_eq!(reply.push.outcome, PushOutcome::Accepted);
    assert_eq!(reply.log, k7.head(), "the log goes on");
    let aside: Vec<(u64, &str, &str)> =
        reply.push.aside.iter().map(|aside| (aside.seq, &*aside.code, &*aside.pointer)).collect();
    assert_eq!(
        aside,
        [
            (2, "malformed-entry", "/push/entries/1/body"),
            (4, "bad-text", "/push/entries/3/words/text"),
            (5, "entry-too-large", "/push/entries/4"),
            (6, "machine-sequence-gap", "/push/entries/5/head/mseq"),
        ]
    );
    let mut m2 = world.phone("M2", Role::Crew).await;
    let reply = m2.sync(&world, 1).await;
    let delivered: Vec<_> =
        reply.pull.entries.iter().filter_map(|p| p.aside.clone().map(|code| (p.position, code))).collect();
    assert_eq!(delivered.len(), 4, "and is delivered, marked: {delivered:?}");
}

async fn a_revoked_device_pushes_but_does_not_read(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    k7.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    k7.sync(&world, 1).await;
    let token = k7.token(&world).await;
    world.operator().revoke(Some(&world.organisation.name), "K7").await.expect("revoked");
    world.get_with("/v1/me", &token).await.refused(403, "device-revoked", "");
    let assertion = k7.assertion(&k7.assertion_claims(&world));
    world.post("/v1/token", &json!({"assertion": assertion})).await.refused(403, "device-revoked", "");

    k7.record(EX3, 1, "meter_read", json!({"reading": "2"}));
    let reply = k7.sync(&world, 2).await;
    assert_eq!(reply.push.outcome, PushOutcome::Revoked);
    assert_eq!(reply.push.aside.iter().map(|a| (a.seq, a.code.as_str())).collect::<Vec<_>>(), [(2, "device-revoked")]);
    assert_eq!((reply.pull.outcome, reply.pull.entries.len(), reply.directory), (PullOutcome::Closed, 0, None));
    let reply = m2.sync(&world, 1).await;
    let aside: Vec<_> = recorded(&reply.pull.entries).iter().map(|p| p.aside.as_deref()).collect();
    assert_eq!(aside, [None, Some("device-revoked")], "kept for the office to judge");
}

async fn clocks_that_are_off_are_marked(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    k7.record(EX3, 24 * 60 + 30, "meter_read", json!({"reading": "1"}));
    k7.record(EX3, 24 * 60 - 30, "meter_read", json!({"reading": "1"}));
    let reply = k7.sync(&world, 1).await;
    let off: Vec<_> = reply.push.held.iter().map(|run| (run.from, run.to, run.off_s)).collect();
    assert_eq!(off, [(1, 1, Some(1800)), (2, 2, None)], "nothing is made after it was received");
}

on_every_store! {
    a_day_goes_out_and_comes_in
    the_same_bytes_again_change_nothing
    a_gap_is_told
    compressed_and_shuffled_is_taken_too
    a_seal_of_another_is_refused_and_the_page_still_comes
    what_breaks_a_rule_is_taken_and_set_aside
    a_revoked_device_pushes_but_does_not_read
    clocks_that_are_off_are_marked
}
