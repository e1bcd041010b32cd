//! What an outsider reads with a share link, and what not.
//!
//! Promises: replies are searched as texts for what must not be in them.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::{BEGIN_MS, World};
use pintle_core::exchange::Pulled;
use pintle_core::ids::{Capability, MachineId};
use pintle_core::permission::Role;
use pintle_openapi::List;
use pintle_openapi::endpoints::shares::{ShareReply, ShareReport, SharedReply};
use serde_json::{Value, json};

const EX3: MachineId = MachineId([3; 16]);
const EX4: MachineId = MachineId([4; 16]);

async fn story(world: &World) -> (Phone, String) {
    let mut owner = world.phone("OW", Role::Owner).await;
    owner.record(EX3, 0, "machine_added", json!({"name": "EX3", "serial": "A1"}));
    owner.record(EX4, 1, "machine_added", json!({"name": "EX4"}));
    let words = json!({"salt": "AAAAAAAAAAAAAAAA", "text": "rattles like the devil"});
    let office = json!({"salt": "AAAAAAAAAAAAAAAAAAAAAA", "customer": "Quarry North", "price": "120.00"});
    let body = json!({"sign": "squeak", "point": "boom", "urgency": "soon"});
    owner.record_parts(EX3, 2, "finding_raised", json!({"body": body, "words": words, "office": office}));
    for minute in 3..9 {
        owner.record(EX3, minute, "meter_read", json!({"reading": format!("12{minute}.5")}));
    }
    owner.sync(world, 1).await;
    let token = owner.token(world).await;
    (owner, token)
}

async fn link(world: &World, token: &str, shows: Value) -> ShareReply {
    world.post_with("/v1/shares", &json!({"machine": EX3, "days": 3, "shows": shows}), token).await.reply()
}

async fn a_link_shows_one_machine_and_no_more_than_was_asked(world: World) {
    let (owner, token) = story(&world).await;
    for (shows, names, words) in [
        (json!([]), false, false),
        (json!(["names"]), true, false),
        (json!(["words"]), false, true),
        (json!(["names", "words"]), true, true),
    ] {
        let share = link(&world, &token, shows.clone()).await;
        let book = world.get(&format!("/v1/shared/{}", share.link)).await;
        let entries = world.get(&format!("/v1/shared/{}/entries?limit=200", share.link)).await;
        for answer in [&book, &entries] {
            let text = answer.text();
            assert_eq!(answer.header("cache-control"), Some("no-store"));
            assert!(!text.contains("Quarry North") && !text.contains("120.00"), "prices and customers never: {text}");
            assert!(!text.contains("EX4"), "no other machine");
            assert_eq!(text.contains("rattles like the devil"), words, "{shows}");
        }
        assert_eq!(book.text().contains(&owner.person.name), names, "{shows}");
        let shared: SharedReply = book.reply();
        assert_eq!(
            (shared.organisation, shared.until_ms),
            (world.organisation.name.clone(), BEGIN_MS + 3 * 86_400_000)
        );
        assert_eq!(shared.book.findings.len(), 1);
        let withheld: Vec<&str> = shared.withheld.iter().map(String::as_str).collect();
        assert_eq!(withheld.contains(&"names"), !names);
        assert_eq!(withheld.contains(&"words"), !words);
        assert!(withheld.contains(&"office"));
        let list: List<Pulled> = entries.reply();
        assert_eq!(list.items.len(), 8);
        // Withheld parts stand as their hashes: the links are those of the log.
        let own: Vec<_> = owner.links[1..].iter().map(|head| head.link).collect();
        assert!(list.items.iter().all(|item| own.contains(&item.link)));
        let finding = list.items.iter().find(|item| item.entry.seq() == 3).expect("the finding");
        let before = &owner.links[2].link;
        assert_eq!(pintle_core::chain::link(before, &finding.entry), owner.links[3].link);
    }
}

async fn entries_come_page_by_page(world: World) {
    let (_, token) = story(&world).await;
    let share = link(&world, &token, json!([])).await;
    let mut target = format!("/v1/shared/{}/entries?limit=3", share.link);
    let mut seqs = Vec::new();
    let mut pages = 0;
    loop {
        let list: List<Pulled> = world.get(&target).await.reply();
        seqs.extend(list.items.iter().map(|item| item.entry.seq()));
        pages += 1;
        let Some(next) = list.next else { break };
        // A cursor is one link's own.
        let other = link(&world, &token, json!([])).await;
        let foreign = format!("/v1/shared/{}/entries?limit=3&after={next}", other.link);
        world.get(&foreign).await.refused(400, "invalid-cursor", "after");
        target = format!("/v1/shared/{}/entries?limit=3&after={next}", share.link);
    }
    assert_eq!((pages, seqs), (3, vec![1, 3, 4, 5, 6, 7, 8, 9]));
    world.get(&format!("/v1/shared/{}/entries?limit=0", share.link)).await.refused(422, "out-of-range", "limit");
}

async fn a_link_ends_and_is_counted(world: World) {
    let (owner, token) = story(&world).await;
    let (first, second) = (link(&world, &token, json!([])).await, link(&world, &token, json!([])).await);
    assert_ne!(first.link, second.link);
    let at = |share: &ShareReply| format!("/v1/shared/{}", share.link);
    for _ in 0..3 {
        world.get(&at(&first)).await.json();
    }
    let list: List<ShareReport> = world.get_with("/v1/shares", &token).await.reply();
    let opened = |list: &List<ShareReport>, share: &ShareReply| {
        let found = list.items.iter().find(|item| item.id == share.report.id).expect("it is listed");
        (found.opened_count, found.opened_ms, found.made_by, found.ended_ms)
    };
    assert_eq!(opened(&list, &first), (3, Some(BEGIN_MS), owner.person.id, None));
    assert_eq!(opened(&list, &second), (0, None, owner.person.id, None));
    let whole = world.get_with("/v1/shares", &token).await.text();
    assert!(!whole.contains(&first.link.to_string()), "a link is told once");

    let end = format!("/v1/shares/{}/end", first.report.id);
    for _ in 0..2 {
        let ended: ShareReport = world.post_with(&end, &json!({}), &token).await.reply();
        assert_eq!(ended.ended_ms, Some(BEGIN_MS));
    }
    world.get(&at(&first)).await.refused(404, "not-found", "");
    world.get(&format!("{}/entries", at(&first))).await.refused(404, "not-found", "");
    world.get(&at(&second)).await.json();
    world.ambient.forward_s(3 * 86_400 - 1);
    world.get(&at(&second)).await.json();
    world.ambient.forward_s(1);
    world.get(&at(&second)).await.refused(404, "not-found", "");
}

async fn what_is_no_link_is_not_found(world: World) {
    let (_, token) = story(&world).await;
    let share = link(&world, &token, json!([])).await;
    let known = share.link.to_string();
    for wrong in [
        Capability([0; 32]).to_string(),
        known[..42].to_owned(),
        format!("{known}A"),
        known.to_lowercase(),
        share.report.id.to_string(),
        "%00".to_owned(),
        "..%2f..".to_owned(),
    ] {
        world.get(&format!("/v1/shared/{wrong}")).await.refused(404, "not-found", "");
    }
    // A link is no token, and a token no link.
    world.get_with("/v1/machines", &known).await.refused(401, "invalid-token", "");
    let days = json!({"machine": EX3, "days": 367});
    world.post_with("/v1/shares", &days, &token).await.refused(422, "out-of-range", "/days");
    let shows = json!({"machine": EX3, "days": 3, "shows": ["prices"]});
    world.post_with("/v1/shares", &shows, &token).await.refused(422, "malformed-request", "/shows/0");
    let machine = json!({"machine": MachineId([9; 16]), "days": 3});
    world.post_with("/v1/shares", &machine, &token).await.refused(404, "not-found", "");
}

on_every_store! {
    a_link_shows_one_machine_and_no_more_than_was_asked
    entries_come_page_by_page
    a_link_ends_and_is_counted
    what_is_no_link_is_not_found
}
