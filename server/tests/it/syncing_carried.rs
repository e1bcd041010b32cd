//! Entries that one device brings of another: taken by their seal alone, whoever brings them.
//!
//! Promises: what is carried stands in the ledger as if its own device had pushed it, once; nothing forged, foreign or
//! incomplete gets in; a fork is kept beside it.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::{BEGIN_MS, World};
use pintle_core::exchange::{Carried, PushAnswer, PushOutcome, Receipt, SyncReply};
use pintle_core::ids::{DeviceId, MachineId, PersonId};
use pintle_store::{Actor, Role};
use serde_json::json;

const EX3: MachineId = MachineId([3; 16]);

fn of(author: &Phone, from: usize) -> Carried {
    Carried { device: author.id(), push: author.push(from).expect("entries") }
}

async fn bring(world: &World, carrier: &mut Phone, carried: Carried) -> (PushAnswer, SyncReply) {
    let mut request = carrier.request(world, None);
    request.carried = Some(carried);
    let reply = carrier.send(world, &request).await;
    carrier.apply(&reply);
    let answer = reply.carried.clone().expect("an answer for what was carried");
    assert_eq!(Some(answer.device), request.carried.map(|carried| carried.device));
    (answer.answer, reply)
}

async fn what_is_carried_stands_there_once_whoever_brings_it(world: World) {
    let mut author = world.phone("K7", Role::Crew).await;
    let mut carrier = world.phone("R9", Role::Crew).await;
    let mut third = world.phone("T2", Role::Mechanic).await;
    author.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    author.sync(&world, 1).await;
    author.record(EX3, 1, "meter_read", json!({"reading": "2"}));
    author.record(EX3, 2, "note_left", json!({}));
    let before = world.end().await;
    // With an overlap: the first is held already.
    let (answer, reply) = bring(&world, &mut carrier, of(&author, 1)).await;
    assert_eq!((answer.outcome, world.end().await), (PushOutcome::Accepted, before + 2));
    assert_eq!(reply.push.outcome, PushOutcome::None);
    assert_eq!(reply.log, carrier.head(), "the carrier's own log is not touched");
    let last = answer.held.last().expect("a receipt");
    assert_eq!((last.to, last.position + (last.to - last.from)), (3, before + 2));
    for carrier in [&mut carrier, &mut third] {
        let (again, _) = bring(&world, carrier, of(&author, 2)).await;
        assert_eq!((again.outcome, world.end().await), (PushOutcome::AlreadyHeld, before + 2));
    }
    let own = author.sync(&world, 2).await;
    assert_eq!(own.push.outcome, PushOutcome::AlreadyHeld, "its own device comes later");
    let places =
        |held: &[Receipt]| -> Vec<u64> { held.iter().flat_map(|r| r.position..=r.position + r.to - r.from).collect() };
    assert_eq!(places(&own.push.held), [before + 1, before + 2]);
    assert_eq!((own.log, world.end().await), (author.head(), before + 2));
    author.record(EX3, 3, "meter_read", json!({"reading": "3"}));
    assert_eq!(author.sync(&world, 4).await.push.outcome, PushOutcome::Accepted, "and goes on");
}

async fn only_the_author_s_seal_counts(world: World) {
    let mut author = world.phone("K7", Role::Crew).await;
    let mut carrier = world.phone("R9", Role::Owner).await;
    author.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    author.record(EX3, 1, "meter_read", json!({"reading": "2"}));
    let before = world.end().await;
    let honest = of(&author, 1);
    let mut forged = honest.clone();
    forged.push.signature.0[0] ^= 1;
    let mut shortened = honest.clone();
    shortened.push.entries.pop();
    let mut by_carrier = honest.clone();
    by_carrier.push.signature = carrier.key().seal(&carrier.organisation, 1, &author.head()).signature;
    for bad in [forged, shortened, by_carrier] {
        assert_eq!(bring(&world, &mut carrier, bad).await.0, PushAnswer::only(PushOutcome::BadSeal));
    }
    let gap = bring(&world, &mut carrier, of(&author, 2)).await.0;
    assert_eq!((gap.outcome, gap.seq, gap.held.len()), (PushOutcome::Gap, Some(1), 0));
    assert_eq!(world.end().await, before, "nothing was taken");
    let mut own = carrier.clone();
    own.record(EX3, 0, "note_left", json!({}));
    let mut request = carrier.request(&world, None);
    request.carried = Some(of(&own, 1));
    let answer = carrier.send_value(&world, &serde_json::to_value(&request).expect("JSON")).await;
    answer.refused(422, "out-of-range", "/carried/device");
    let mut request = carrier.request(&world, None);
    request.carried =
        Some(Carried { push: pintle_core::exchange::Push { from: 0, ..honest.push.clone() }, ..honest.clone() });
    let answer = carrier.send_value(&world, &serde_json::to_value(&request).expect("JSON")).await;
    answer.refused(422, "out-of-range", "/carried/push/from");
    assert_eq!(bring(&world, &mut carrier, honest).await.0.outcome, PushOutcome::Accepted);
}

/// A device of another organisation, one that nobody knows and the server's own are all answered alike.
async fn whose_device_it_is_is_not_told(world: World) {
    let mut carrier = world.phone("R9", Role::Owner).await;
    let other = world.other_organisation().await;
    let mut foreign = Phone::new(&world, "X1");
    let code = world.code_of(&other, Role::Crew).await;
    foreign.enrol(&world, &code).await;
    foreign.record(EX3, 0, "note_left", json!({}));
    let mut nobody = Phone::new(&world, "N0");
    nobody.organisation = carrier.organisation;
    nobody.record(EX3, 0, "note_left", json!({}));
    let directory = world.store.directory(carrier.organisation, 0).await.expect("reads").expect("a directory");
    let server = directory.devices.iter().find(|card| card.person == PersonId::OPERATOR).map(|card| card.id);
    let of_server = Carried { device: server.expect("the server's log"), ..of(&nobody, 1) };
    let unheard = Carried { device: DeviceId([9; 16]), ..of(&nobody, 1) };
    let before = world.end().await;
    for carried in [of(&foreign, 1), of(&nobody, 1), of_server, unheard] {
        assert_eq!(bring(&world, &mut carrier, carried).await.0, PushAnswer::only(PushOutcome::UnknownDevice));
    }
    assert_eq!(world.end().await, before);
}

/// The part would be gone for good: the device that made it would later hear that all is held.
async fn a_part_that_is_withheld_is_not_taken_unless_it_is_held(world: World) {
    let mut author = world.phone("K7", Role::Office).await;
    let mut carrier = world.phone("R9", Role::Crew).await;
    let words = json!({"body": {}, "words": {"salt": "c2FsdHNhbHRzYWx0", "text": "left pin is dry"}});
    author.record_parts(EX3, 0, "note_left", words);
    let mut withheld = of(&author, 1);
    withheld.push.entries = withheld.push.entries.into_iter().map(|entry| entry.withhold("words")).collect();
    let answer = bring(&world, &mut carrier, withheld.clone()).await.0;
    assert_eq!(answer, PushAnswer::only(PushOutcome::Withheld));
    assert_eq!(author.sync(&world, 1).await.push.outcome, PushOutcome::Accepted);
    assert_eq!(bring(&world, &mut carrier, withheld).await.0.outcome, PushOutcome::AlreadyHeld);
}

async fn a_fork_that_is_carried_is_kept_beside_the_ledger(world: World) {
    let mut one = world.phone("K7", Role::Crew).await;
    let mut carrier = world.phone("R9", Role::Crew).await;
    one.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    let mut two = one.clone();
    one.record(EX3, 1, "meter_read", json!({"reading": "2"}));
    two.record(EX3, 2, "meter_read", json!({"reading": "3"}));
    one.sync(&world, 1).await;
    let answer = bring(&world, &mut carrier, of(&two, 1)).await.0;
    assert_eq!((answer.outcome, answer.seq), (PushOutcome::Fork, Some(2)));
    let branches = world.store.branches(world.organisation.id).await.expect("branches");
    let kept: Vec<_> = branches.iter().map(|b| (b.device, b.from, b.count, b.link)).collect();
    assert_eq!(kept, [(two.id(), 2, 1, two.head().link)]);

    // A run that goes on there leads nowhere in the ledger, and is not left waiting for ever either.
    let forked = two.head();
    two.record(EX3, 3, "meter_read", json!({"reading": "4"}));
    let beside = two.head();
    assert_eq!(bring(&world, &mut carrier, of(&two, 3)).await.0.outcome, PushOutcome::Fork);
    two.record(EX3, 3, "meter_read", json!({"reading": "5"}));
    for _ in 0..2 {
        let answer = bring(&world, &mut carrier, of(&two, 4)).await.0;
        assert_eq!((answer.outcome, answer.seq), (PushOutcome::Fork, Some(4)));
    }
    let branches = world.store.branches(world.organisation.id).await.expect("branches");
    let mut kept: Vec<_> = branches.iter().map(|b| (b.from, b.count, b.previous, b.link)).collect();
    kept.sort_by_key(|(from, ..)| *from);
    assert_eq!(kept[1..], [(3, 1, forked.link, beside.link), (4, 1, beside.link, two.head().link)], "once");
    // What follows what nobody brought has to wait.
    two.record(EX3, 3, "meter_read", json!({"reading": "6"}));
    two.record(EX3, 3, "meter_read", json!({"reading": "7"}));
    let answer = bring(&world, &mut carrier, of(&two, 6)).await.0;
    assert_eq!((answer.outcome, answer.seq), (PushOutcome::Gap, Some(3)));
}

/// A device that was put back pushes with an old baton, hears that it is a copy, and records once more under another key
/// what was kept beside the ledger. The same by carry must not come into the ledger then.
async fn what_is_kept_beside_the_ledger_does_not_come_into_it_by_carry(world: World) {
    let mut one = world.phone("K7", Role::Crew).await;
    let mut carrier = world.phone("R9", Role::Crew).await;
    let mut old = one.clone();
    one.sync(&world, 1).await;
    one.sync(&world, 1).await;
    old.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    assert_eq!(old.sync(&world, 1).await.push.outcome, PushOutcome::Copy);
    let before = world.end().await;
    let answer = bring(&world, &mut carrier, of(&old, 1)).await.0;
    assert_eq!((answer.outcome, answer.seq, world.end().await), (PushOutcome::Fork, Some(1), before));
    let again = world.store.branches(world.organisation.id).await.expect("branches");
    assert_eq!(again.iter().map(|b| (b.from, b.count)).collect::<Vec<_>>(), [(1, 1)], "once");
}

/// What a device made before it was revoked may come after; the office judges, as if it had come itself.
async fn what_a_revoked_device_made_is_set_aside(world: World) {
    let mut author = world.phone("K7", Role::Crew).await;
    let mut carrier = world.phone("R9", Role::Crew).await;
    author.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    let actor = Actor::operator(world.organisation.id);
    world.store.device_revoke(actor, author.id(), BEGIN_MS).await.expect("revokes");
    let answer = bring(&world, &mut carrier, of(&author, 1)).await.0;
    assert_eq!(answer.outcome, PushOutcome::Revoked);
    let aside: Vec<_> = answer.aside.iter().map(|a| (a.seq, a.code.as_str(), a.pointer.as_str())).collect();
    assert_eq!(aside, [(1, "device-revoked", "/carried/push/entries/0")]);
}

on_every_store! {
    what_is_carried_stands_there_once_whoever_brings_it
    only_the_author_s_seal_counts
    whose_device_it_is_is_not_told
    a_part_that_is_withheld_is_not_taken_unless_it_is_held
    a_fork_that_is_carried_is_kept_beside_the_ledger
    what_is_kept_beside_the_ledger_does_not_come_into_it_by_carry
    what_a_revoked_device_made_is_set_aside
}
