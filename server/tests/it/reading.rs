//! What the read endpoints say: the fold's word, within one's own organisation, kept by its tag.
//!
//! Promises: books are compared with core's own fold over the entries that were read.
//! Never trusts a kept view: each case changes the ledger and reads again.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::{World, recorded};
use actix_web::test::TestRequest;
use pintle_core::Held;
use pintle_core::book::book;
use pintle_core::exchange::Pulled;
use pintle_core::fact::Choice;
use pintle_core::ids::MachineId;
use pintle_openapi::List;
use pintle_openapi::endpoints::book::BookReply;
use pintle_openapi::endpoints::clashes::{ClashItem, ClashSort};
use pintle_openapi::endpoints::due::DueReply;
use pintle_openapi::endpoints::findings::FindingItem;
use pintle_openapi::endpoints::machines::MachineCard;
use pintle_openapi::names::Names;
use pintle_store::Role;
use serde_json::json;

const EX3: MachineId = MachineId([3; 16]);
const EX4: MachineId = MachineId([4; 16]);
const TR9: MachineId = MachineId([9; 16]);

/// Two phones, two machines, a finding, a twin and a clash.
async fn story(world: &World) -> (Phone, Phone, String) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    k7.record(EX3, 0, "machine_added", json!({"name": "EX3", "site": "gravel pit"}));
    k7.record(EX3, 5, "task_done", json!({"task": "grease", "reading": "1204.5"}));
    k7.record(TR9, 6, "machine_added", json!({"name": "TR9"}));
    k7.sync(world, 1).await;
    m2.record(EX3, 7, "task_done", json!({"task": "grease", "reading": "1204.5"}));
    m2.record(EX3, 8, "finding_raised", json!({"sign": "crack", "point": "boom", "urgency": "tagged out"}));
    m2.record(EX3, 9, "machine_changed", json!({"site": "north pit"}));
    k7.record(EX3, 10, "machine_changed", json!({"site": "river bend"}));
    m2.sync(world, 1).await;
    k7.sync(world, 4).await;
    let token = k7.token(world).await;
    (k7, m2, token)
}

async fn all_entries(world: &World, machine: MachineId, token: &str) -> Vec<Pulled> {
    let list: List<Pulled> = world.get_with(&format!("/v1/machines/{machine}/entries"), token).await.reply();
    assert_eq!(list.next, None);
    list.items
}

async fn a_book_is_what_the_fold_says(world: World) {
    let (k7, m2, token) = story(&world).await;
    let start = world.end().await - (k7.log.len() + m2.log.len()) as u64;
    let entries = all_entries(&world, EX3, &token).await;
    assert_eq!(entries.iter().map(|p| p.position - start).collect::<Vec<_>>(), [1, 2, 4, 5, 6, 7]);
    let held: Vec<Held> = entries.into_iter().map(Held::from).collect();
    let expected = serde_json::to_string(&book(EX3, &held)).expect("JSON");
    for _ in 0..2 {
        let reply: BookReply = world.get_with(&format!("/v1/machines/{EX3}/book"), &token).await.reply();
        assert_eq!(serde_json::to_string(&reply.book).expect("JSON"), expected, "kept or computed: the same");
        assert_eq!(reply.names.people.get(&k7.person.id.to_string()), Some(&k7.person.name));
        assert_eq!(reply.names.devices.get(&m2.id().to_string()).map(String::as_str), Some("M2"));
    }
}

async fn a_new_entry_shows_at_once(world: World) {
    let (mut k7, _, token) = story(&world).await;
    let target = format!("/v1/machines/{TR9}/book");
    let before: BookReply = world.get_with(&target, &token).await.reply();
    assert!(!before.book.tagged_out);
    k7.record(TR9, 11, "finding_raised", json!({"sign": "leak", "urgency": "tagged out"}));
    k7.sync(&world, 5).await;
    let after: BookReply = world.get_with(&target, &token).await.reply();
    assert!(after.book.tagged_out);
    let card: MachineCard = world.get_with(&format!("/v1/machines/{TR9}"), &token).await.reply();
    assert!(card.tagged_out && card.findings == 1 && card.digest.count == 2, "{card:?}");
}

async fn lists_tell_of_all_machines(world: World) {
    let (k7, m2, token) = story(&world).await;
    let machines: List<MachineCard> = world.get_with("/v1/machines", &token).await.reply();
    let told: Vec<_> = machines
        .items
        .iter()
        .map(|m| (m.id, m.name.as_deref(), m.tagged_out, m.findings, m.clashes, m.digest.count))
        .collect();
    assert_eq!(told, [(EX3, Some("EX3"), true, 1, 2, 6), (TR9, Some("TR9"), false, 0, 0, 1)]);

    let findings: List<FindingItem> = world.get_with("/v1/findings", &token).await.reply();
    assert_eq!(findings.items.len(), 1);
    assert_eq!(
        (findings.items[0].machine_name.as_deref(), findings.items[0].finding.stamp.by),
        (Some("EX3"), m2.person.id)
    );
    let narrowed: List<FindingItem> = world.get_with(&format!("/v1/findings?machine={TR9}"), &token).await.reply();
    assert_eq!(narrowed.items, []);

    let clashes: List<ClashItem> = world.get_with("/v1/clashes", &token).await.reply();
    let mut told: Vec<_> = clashes.items.iter().map(|c| (c.matter.as_str(), c.sort, c.sides.len())).collect();
    told.sort_unstable_by_key(|(matter, ..)| *matter);
    assert_eq!(told, [("attribute:site", ClashSort::Clash, 2), ("task:grease", ClashSort::Twin, 2)]);
    let site = clashes.items.iter().find(|c| c.sort == ClashSort::Clash).expect("the clash");
    assert_eq!(site.used.map(|entry| entry.device), Some(k7.id()), "the later one is used");
}

async fn machines_settled_to_be_one_count_as_one(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    let mut a = k7.record(EX3, 0, "machine_added", json!({"name": "EX3", "site": "pit"}));
    k7.record(EX3, 1, "meter_read", json!({"reading": "10"}));
    let mut b = m2.record(EX4, 2, "machine_added", json!({"name": "EX3", "site": "pit"}));
    m2.record(EX4, 3, "finding_raised", json!({"sign": "leak", "urgency": "soon"}));
    k7.sync(&world, 1).await;
    m2.sync(&world, 1).await;
    let token = k7.token(&world).await;
    let clashes: List<ClashItem> = world.get_with("/v1/clashes", &token).await.reply();
    let told: Vec<_> = clashes.items.iter().map(|c| (c.matter.as_str(), c.sort, c.machine)).collect();
    assert_eq!(told, [("machine", ClashSort::Machines, if k7.id() < m2.id() { EX3 } else { EX4 })]);

    k7.sync(&world, 3).await;
    if b < a {
        std::mem::swap(&mut a, &mut b);
    }
    k7.record(EX3, 4, "settled", json!({"matter": "machine", "over": [a, b], "choice": Choice::Same}));
    k7.sync(&world, 3).await;
    let clashes: List<ClashItem> = world.get_with("/v1/clashes", &token).await.reply();
    assert_eq!(clashes.items, []);
    let other: MachineCard = world.get_with(&format!("/v1/machines/{EX4}"), &token).await.reply();
    assert_eq!(other.counts_as, Some(EX3));
    let by_one: BookReply = world.get_with(&format!("/v1/machines/{EX3}/book"), &token).await.reply();
    let by_other: BookReply = world.get_with(&format!("/v1/machines/{EX4}/book"), &token).await.reply();
    assert_eq!(by_one, by_other);
    assert_eq!((by_one.book.machine, by_one.book.counts.entries, by_one.book.findings.len()), (EX3, 5, 1));
    let findings: List<FindingItem> = world.get_with(&format!("/v1/findings?machine={EX4}"), &token).await.reply();
    assert_eq!(findings.items.iter().map(|f| f.machine).collect::<Vec<_>>(), [EX3], "under the machine it counts as");
}

async fn nothing_is_told_to_another_organisation(world: World) {
    let (_, _, ours) = story(&world).await;
    let others = world.other_organisation().await;
    let code = world.code_of(&others, Role::Owner).await;
    let mut a1 = Phone::new(&world, "A1");
    a1.enrol(&world, &code).await;
    let theirs = a1.token(&world).await;
    for tail in ["", "/book", "/entries", "/due", "/handover", "/hands", "/keeping"] {
        let target = format!("/v1/machines/{EX3}{tail}");
        assert_eq!(world.get_with(&target, &ours).await.status, 200);
        let hidden = world.get_with(&target, &theirs).await;
        let nowhere = world.get_with(&format!("/v1/machines/{EX4}{tail}"), &theirs).await;
        hidden.refused(404, "not-found", "");
        let shape = |answer: &crate::world::Answer| {
            let mut document = answer.problem();
            document.request.clear();
            document
        };
        assert_eq!(shape(&hidden), shape(&nowhere), "like what is not there");
    }
    for list in ["/v1/machines", "/v1/findings", "/v1/clashes"] {
        assert_eq!(world.get_with(list, &theirs).await.json(), json!({"items": [], "next": null}));
    }
    let due: DueReply = world.get_with("/v1/due", &theirs).await.reply();
    assert!(due.due.is_empty() && due.next.is_none() && due.names == Names::default());
    let reply = a1.sync(&world, 1).await;
    // Their own code and device are written down, and that is all.
    assert_eq!((recorded(&reply.pull.entries).len(), reply.pull.position, reply.pull.digest.count), (0, 2, 2));
    let mut marks: Vec<_> = reply.directory.expect("a directory").devices.into_iter().map(|card| card.mark).collect();
    marks.sort_unstable();
    assert_eq!(marks, ["A1", "SV"]);
    // The same machine id in another organisation is another machine.
    a1.record(EX3, 0, "machine_added", json!({"name": "theirs"}));
    a1.sync(&world, 1).await;
    let card: MachineCard = world.get_with(&format!("/v1/machines/{EX3}"), &ours).await.reply();
    assert_eq!(card.name.as_deref(), Some("EX3"));
}

async fn an_unchanged_reply_is_not_sent_again(world: World) {
    let (mut k7, _, token) = story(&world).await;
    let targets = [
        "/v1/machines".to_owned(),
        "/v1/findings".to_owned(),
        "/v1/clashes".to_owned(),
        format!("/v1/machines/{EX3}"),
        format!("/v1/machines/{EX3}/book"),
        format!("/v1/machines/{EX3}/entries"),
    ];
    let get = |target: &str, tags: &str| {
        let get = TestRequest::get().uri(target).insert_header(("Authorization", format!("Bearer {token}")));
        get.insert_header(("If-None-Match", tags))
    };
    let mut tags = Vec::new();
    for target in &targets {
        let answer = world.get_with(target, &token).await;
        let tag = answer.header("etag").expect("a tag").to_owned();
        assert_eq!(answer.header("cache-control"), Some("private, no-cache"));
        for held in [tag.clone(), format!("\"x\", {tag}"), "*".to_owned()] {
            let again = world.send(get(target, &held)).await;
            assert_eq!((again.status, again.body.len(), again.header("etag")), (304, 0, Some(&*tag)), "{target}");
        }
        assert_eq!(world.send(get(target, "W/\"x\"")).await.status, 200);
        tags.push(tag);
    }
    k7.record(EX3, 20, "finding_raised", json!({"sign": "squeak", "urgency": "soon"}));
    k7.record(EX3, 21, "machine_changed", json!({"site": "somewhere else"}));
    k7.sync(&world, 5).await;
    for (target, tag) in targets.iter().zip(&tags).filter(|(target, _)| *target != "/v1/clashes") {
        assert_eq!(world.send(get(target, tag)).await.status, 200, "{target} has changed");
    }
}

on_every_store! {
    a_book_is_what_the_fold_says
    a_new_entry_shows_at_once
    lists_tell_of_all_machines
    machines_settled_to_be_one_count_as_one
    nothing_is_told_to_another_organisation
    an_unchanged_reply_is_not_sent_again
}
