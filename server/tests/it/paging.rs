//! Lists in pages: complete, in order, stable while entries come in, and with cursors that fit nowhere else.
//!
//! Promises: lists are read with pages of every size and compared to the whole.
//! Never relies on what stands inside a cursor.

use crate::on_every_store;
use crate::world::World;
use pintle_core::ids::MachineId;
use pintle_store::Role;
use serde_json::{Value, json};
use std::collections::BTreeSet;

fn machine(n: u8) -> MachineId {
    MachineId([n; 16])
}

/// All pages of a list, as texts of their items; `meanwhile` runs between the pages.
async fn pages(world: &World, target: &str, token: &str, limit: usize) -> Vec<String> {
    let mut items = Vec::new();
    let mut after = String::new();
    loop {
        let separator = if target.contains('?') { '&' } else { '?' };
        let page = world.get_with(&format!("{target}{separator}limit={limit}{after}"), token).await.json();
        let list = page["items"].as_array().expect("items");
        assert!(!list.is_empty() && list.len() <= limit, "{target}: a page of {}", list.len());
        items.extend(list.iter().map(Value::to_string));
        match page["next"].as_str() {
            Some(next) => after = format!("&after={next}"),
            None => return items,
        }
        assert!(items.len() < 1_000);
    }
}

async fn every_list_is_complete_whatever_the_page(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    for n in 1..=7 {
        k7.record(machine(n), 0, "machine_added", json!({"name": format!("EX{n}")}));
        k7.record(machine(n), 1, "finding_raised", json!({"sign": "play", "urgency": "soon"}));
        k7.record(machine(n), 2, "task_done", json!({"task": "grease", "reading": "10"}));
        m2.record(machine(n), 3, "task_done", json!({"task": "grease", "reading": "10"}));
    }
    k7.sync(&world, 1).await;
    m2.sync(&world, 1).await;
    let token = k7.token(&world).await;
    let entries = format!("/v1/machines/{}/entries", machine(3));
    for (target, count) in [("/v1/machines", 7), ("/v1/findings", 7), ("/v1/clashes", 7), (&*entries, 4)] {
        let whole = pages(&world, target, &token, 200).await;
        assert_eq!(whole.len(), count, "{target}");
        assert_eq!(whole.iter().collect::<BTreeSet<_>>().len(), count, "{target}: nothing twice");
        for limit in [1, 2, 3, 7] {
            assert_eq!(pages(&world, target, &token, limit).await, whole, "{target} by {limit}");
        }
    }
}

async fn what_comes_in_meanwhile_neither_repeats_nor_hides(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    for n in [2, 4, 6, 8] {
        k7.record(machine(n), 0, "machine_added", json!({"name": format!("EX{n}")}));
    }
    k7.sync(&world, 1).await;
    let token = k7.token(&world).await;
    let ids = |page: &Value| -> Vec<String> {
        page["items"]
            .as_array()
            .expect("items")
            .iter()
            .map(|item| item["id"].as_str().expect("an id").to_owned())
            .collect()
    };
    let first = world.get_with("/v1/machines?limit=2", &token).await.json();
    assert_eq!(ids(&first), [machine(2).to_string(), machine(4).to_string()]);
    // One before the cursor, one after it.
    k7.record(machine(1), 1, "machine_added", json!({"name": "EX1"}));
    k7.record(machine(7), 1, "machine_added", json!({"name": "EX7"}));
    k7.sync(&world, 5).await;
    let next = first["next"].as_str().expect("a cursor");
    let second = world.get_with(&format!("/v1/machines?limit=10&after={next}"), &token).await.json();
    assert_eq!(ids(&second), [machine(6).to_string(), machine(7).to_string(), machine(8).to_string()]);
}

async fn a_cursor_fits_its_own_list_only(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    for n in 1..=3 {
        k7.record(machine(n), 0, "machine_added", json!({"name": format!("EX{n}")}));
        k7.record(machine(n), 1, "finding_raised", json!({"sign": "play", "urgency": "soon"}));
        k7.record(machine(n), 2, "finding_raised", json!({"sign": "leak", "urgency": "soon"}));
    }
    k7.sync(&world, 1).await;
    let token = k7.token(&world).await;
    let next = |page: Value| page["next"].as_str().expect("a cursor").to_owned();
    let machines = next(world.get_with("/v1/machines?limit=1", &token).await.json());
    let one = format!("/v1/findings?limit=1&machine={}", machine(1));
    let findings = next(world.get_with(&one, &token).await.json());
    let entries = next(world.get_with(&format!("/v1/machines/{}/entries?limit=1", machine(1)), &token).await.json());
    let wrong = [
        format!("/v1/findings?after={machines}"),
        format!("/v1/clashes?after={machines}"),
        format!("/v1/machines?after={findings}"),
        format!("/v1/findings?after={findings}"),
        format!("/v1/findings?machine={}&after={findings}", machine(2)),
        format!("/v1/machines/{}/entries?after={entries}", machine(2)),
        format!("/v1/machines/{}/entries?after={machines}", machine(1)),
        format!("/v1/machines?after={}", &machines[..machines.len() - 1]),
        format!("/v1/machines?after={machines}A"),
        format!("/v1/machines?after={}", machines.replacen('A', "B", 1)),
    ];
    for target in wrong {
        let answer = world.get_with(&target, &token).await;
        assert_eq!(answer.refusal(), (400, "invalid-cursor".to_owned(), "after".to_owned()), "{target}");
    }
    let others = world.other_organisation().await;
    let code = world.code_of(&others, Role::Owner).await;
    let mut a1 = crate::phone::Phone::new(&world, "A1");
    a1.enrol(&world, &code).await;
    let theirs = a1.token(&world).await;
    world.get_with(&format!("/v1/machines?after={machines}"), &theirs).await.refused(400, "invalid-cursor", "after");
    assert_eq!(world.get_with(&format!("/v1/machines?after={machines}"), &token).await.status, 200);
}

on_every_store! {
    every_list_is_complete_whatever_the_page
    what_comes_in_meanwhile_neither_repeats_nor_hides
    a_cursor_fits_its_own_list_only
}
