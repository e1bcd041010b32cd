//! What is set aside, and how the office lets it count.
//!
//! Promises: looked at through the list and through the machine's book, before and after.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::World;
use pintle_core::entry::EntryRef;
use pintle_core::exchange::PushOutcome;
use pintle_core::ids::MachineId;
use pintle_openapi::List;
use pintle_openapi::endpoints::aside::AsideItem;
use pintle_openapi::endpoints::book::BookReply;
use pintle_store::Role;
use serde_json::{Value, json};

const EX3: MachineId = MachineId([3; 16]);

/// A crew's device that was revoked with two entries still on it, and one of the office.
async fn revoked(world: &World) -> (Phone, Phone, String, Vec<EntryRef>) {
    let mut crew = world.phone("K7", Role::Crew).await;
    let mut office = world.phone("OF", Role::Office).await;
    let token = office.token(world).await;
    crew.record(EX3, 0, "machine_added", json!({"name": "EX3"}));
    crew.sync(world, 1).await;
    let target = format!("/v1/devices/{}/revoke", crew.id());
    let _: Value = world.post_with(&target, &json!({}), &token).await.reply();
    let finding = crew.record(EX3, 5, "finding_raised", json!({"sign": "leak", "urgency": "soon"}));
    let broken = crew.record(EX3, 6, "task_done", json!({"task": "grease", "minutes": -1}));
    assert_eq!(crew.sync(world, 2).await.push.outcome, PushOutcome::Revoked);
    office.sync(world, 1).await;
    (crew, office, token, vec![finding, broken])
}

async fn list(world: &World, token: &str, query: &str) -> List<AsideItem> {
    world.get_with(&format!("/v1/aside{query}"), token).await.reply()
}

async fn findings(world: &World, token: &str) -> usize {
    let reply: BookReply = world.get_with(&format!("/v1/machines/{EX3}/book"), token).await.reply();
    reply.book.findings.len()
}

async fn the_office_sees_and_lets_in_what_was_set_aside(world: World) {
    let (_, mut office, token, asides) = revoked(&world).await;
    let found = list(&world, &token, "").await;
    let told: Vec<_> = found.items.iter().map(|item| (item.code.as_str(), item.can_count, &item.released_by)).collect();
    assert_eq!(told, [("device-revoked", true, &vec![]), ("device-revoked", false, &vec![])]);
    let names: Vec<_> =
        found.items.iter().map(|item| EntryRef { device: item.entry.device, seq: item.entry.entry.seq() }).collect();
    assert_eq!(names, asides);
    assert_eq!(findings(&world, &token).await, 0);

    let first = list(&world, &token, "?limit=1").await;
    let next = first.next.expect("there is another");
    assert_eq!(list(&world, &token, &format!("?limit=1&after={next}")).await.items, found.items[1..]);

    let release = office.record(EX3, 60, "released", json!({"target": asides[0]}));
    assert_eq!(office.sync(&world, 1).await.push.outcome, PushOutcome::Accepted);
    let released: Vec<_> = list(&world, &token, "").await.items.into_iter().map(|item| item.released_by).collect();
    assert_eq!(released, [vec![release], vec![]]);
    assert_eq!(findings(&world, &token).await, 1);

    office.record(EX3, 70, "struck", json!({"target": release}));
    office.sync(&world, 2).await;
    assert!(list(&world, &token, "").await.items.iter().all(|item| item.released_by.is_empty()));
    assert_eq!(findings(&world, &token).await, 0);
}

/// A crew's release stands aside itself, and lets nothing in.
async fn a_crew_lets_nothing_in(world: World) {
    let (_, _, token, asides) = revoked(&world).await;
    let mut other = world.phone("M2", Role::Crew).await;
    other.record(EX3, 60, "released", json!({"target": asides[0]}));
    let reply = other.sync(&world, 1).await;
    let told: Vec<_> = reply.push.aside.iter().map(|aside| aside.code.as_str()).collect();
    assert_eq!(told, ["not-permitted"]);
    let found = list(&world, &token, "").await.items;
    assert_eq!(found.len(), 3);
    assert!(found.iter().all(|item| item.released_by.is_empty()));
    assert!(!found[2].can_count, "nobody lets a release in: the office makes its own");
    assert_eq!(findings(&world, &token).await, 0);
}

on_every_store! {
    the_office_sees_and_lets_in_what_was_set_aside
    a_crew_lets_nothing_in
}
