//! What is due, from the server: the fold's word, in the one order, and folded no more often than it must be.
//!
//! Promises: compared with core's own reckoning over the entries that were read; how much was folded is counted, not
//! timed.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::World;
use pintle_core::Held;
use pintle_core::agenda::MachineDue;
use pintle_core::book::{Book, book};
use pintle_core::due::{State, due};
use pintle_core::exchange::Pulled;
use pintle_core::fact::Choice;
use pintle_core::handover::handover;
use pintle_core::ids::MachineId;
use pintle_openapi::List;
use pintle_openapi::endpoints::due::{DueQuery, DueReply, MachineDueReply};
use pintle_openapi::endpoints::handover::HandoverReply;
use pintle_store::Role;
use serde_json::json;

/// Two hours after the world begins, at the place.
const AT: &str = "2026-05-04T19:06:40%2B02:00";
const AT_S: i64 = 1_777_914_400;
const OFFSET_S: i32 = 7200;

fn machine(n: u8) -> MachineId {
    MachineId([n; 16])
}

/// Five machines: 1 is ahead, 2 past due, 3 tagged out, 4 retired, 5 has no name; 6 is at another site, long past due.
async fn story(world: &World) -> (Phone, String) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    for (n, run) in [(1, 3), (2, 15), (3, 1), (4, 90), (6, 40)] {
        let site = if n == 6 { "North Pit" } else { "river bend" };
        k7.record(machine(n), 0, "machine_added", json!({"name": format!("EX{n}"), "site": site}));
        k7.record(machine(n), 1, "task_done", json!({"task": "grease", "reading": "1000"}));
        // Six days later: no machine runs more than the time that has passed.
        k7.record(machine(n), 60 * 24 * 6, "meter_read", json!({"reading": format!("{}", 1000 + run)}));
    }
    k7.record(machine(3), 2, "finding_raised", json!({"sign": "crack", "point": "boom", "urgency": "tagged out"}));
    k7.record(machine(4), 2, "machine_changed", json!({"retired": "sold"}));
    k7.record(machine(5), 2, "meter_read", json!({"reading": "5"}));
    k7.record(machine(1), 3, "task_done", json!({"task": "grease", "points": ["boom foot"], "reading": "1000"}));
    k7.record(machine(1), 4, "note_left", json!({"handover": true}));
    k7.sync(world, 1).await;
    let token = k7.token(world).await;
    (k7, token)
}

async fn book_of(world: &World, n: u8, token: &str) -> Book {
    let list: List<Pulled> = world.get_with(&format!("/v1/machines/{}/entries", machine(n)), token).await.reply();
    let held: Vec<Held> = list.items.into_iter().map(Held::from).collect();
    book(machine(n), &held)
}

fn machines(reply: &DueReply) -> Vec<MachineId> {
    reply.due.iter().map(|one| one.machine).collect()
}

async fn what_is_due_is_what_the_fold_says(world: World) {
    let (k7, token) = story(&world).await;
    let reply: DueReply = world.get_with(&format!("/v1/due?at={AT}"), &token).await.reply();
    assert_eq!(machines(&reply), [3, 6, 2, 1].map(machine), "tagged out first, then what is furthest past due");
    assert_eq!((reply.at.second(), reply.at.offset_s(), reply.next), (AT_S, OFFSET_S, None));
    for one in &reply.due {
        let n = one.machine.0[0];
        let book = book_of(&world, n, &token).await;
        assert_eq!(one.due, due(&book, AT_S, OFFSET_S));
        assert_eq!(one.tagged_out.len(), usize::from(n == 3));
        let target = format!("/v1/machines/{}/due?at={AT}", one.machine);
        let alone: MachineDueReply = world.get_with(&target, &token).await.reply();
        assert_eq!(alone.due, *one);
    }
    assert_eq!(reply.due[1].due[0].state, State::PastWindow);
    assert_eq!(reply.due[1].due[0].left.milli, -30_000, "it reads back though it is negative");
    assert_eq!(reply.names.devices.get(&k7.id().to_string()).map(String::as_str), Some("K7"), "of the finding");
    assert_eq!(reply.names.people.len(), 0, "nobody is mentioned");

    let nameless: MachineDueReply =
        world.get_with(&format!("/v1/machines/{}/due?at={AT}", machine(5)), &token).await.reply();
    assert_eq!(nameless.due.name, "");
    let now: DueReply = world.get_with("/v1/due", &token).await.reply();
    assert_eq!((now.at.second() * 1000, now.at.offset_s()), (crate::world::BEGIN_MS, 0));
}

async fn a_site_is_found_whatever_its_case(world: World) {
    let (_, token) = story(&world).await;
    let at = |site: &str| format!("/v1/due?site={site}&at={AT}");
    let reply: DueReply = world.get_with(&at("nORTH%20pit"), &token).await.reply();
    assert_eq!(machines(&reply), [machine(6)]);
    let reply: DueReply = world.get_with(&at("nowhere"), &token).await.reply();
    assert_eq!(reply.due, []);
    world.get_with(&at(""), &token).await.refused(422, "out-of-range", "site");
    world.get_with(&at("a%00b"), &token).await.refused(422, "bad-text", "site");
    for at in ["tomorrow", "2026-13-04T00:00:00Z", "12026-05-04T00:00:00Z", "-1", "NaN", ""] {
        world.get_with(&format!("/v1/due?at={at}"), &token).await.refused(422, "malformed-request", "at");
    }
}

/// The pages of a list are of one moment, whatever the clock does; a machine told already is not told again.
async fn pages_are_of_one_moment(world: World) {
    let (mut k7, token) = story(&world).await;
    let whole: DueReply = world.get_with("/v1/due?limit=200", &token).await.reply();
    let first: DueReply = world.get_with("/v1/due?limit=1", &token).await.reply();
    assert_eq!(first.due, whole.due[..1]);
    let mut told: Vec<MachineDue> = first.due;
    let mut next = first.next;
    while let Some(after) = next {
        world.ambient.forward_s(13);
        let page: DueReply = world.get_with(&format!("/v1/due?limit=1&after={after}"), &token).await.reply();
        assert_eq!(page.at, whole.at);
        assert!(page.due.len() == 1 && told.len() < 10);
        told.extend(page.due);
        next = page.next;
    }
    assert_eq!(told, whole.due);

    let first: DueReply = world.get_with(&format!("/v1/due?limit=2&at={AT}"), &token).await.reply();
    let after = first.next.expect("a cursor");
    k7.record(machine(6), 60 * 24 * 7, "task_done", json!({"task": "grease", "reading": "1041"}));
    k7.sync(&world, k7.log.len()).await;
    let rest: DueReply = world.get_with(&format!("/v1/due?at={AT}&after={after}"), &token).await.reply();
    assert!(machines(&rest).starts_with(&[machine(2)]), "greased since: it stands elsewhere now");
    for other in ["/v1/due?", "/v1/due?site=river%20bend&", "/v1/due?at=2026-05-04T19:06:41%2B02:00&", "/v1/machines?"]
    {
        world.get_with(&format!("{other}after={after}"), &token).await.refused(400, "invalid-cursor", "after");
    }
}

async fn a_handover_is_what_the_fold_says(world: World) {
    let (k7, token) = story(&world).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    m2.sync(&world, 1).await;
    let others = m2.token(&world).await;
    for (n, token, to) in [(1, &token, &k7.person), (1, &others, &m2.person), (3, &others, &m2.person)] {
        let book = book_of(&world, n, token).await;
        let target = format!("/v1/machines/{}/handover?at={AT}", machine(n));
        let reply: HandoverReply = world.get_with(&target, token).await.reply();
        assert_eq!(reply.handover, handover(&book, to.id, AT_S, OFFSET_S));
        assert_eq!((reply.to, reply.names.people.get(&to.id.to_string())), (to.id, Some(&to.name)));
        let named: HandoverReply = world.get_with(&format!("{target}&to={}", to.id), &others).await.reply();
        assert_eq!(named, reply, "whoever asks for them");
    }
    let target = format!("/v1/machines/{}/handover?to=somebody", machine(1));
    world.get_with(&target, &token).await.refused(422, "malformed-request", "to");
    let nowhere = format!("/v1/machines/{}/handover", machine(77));
    world.get_with(&nowhere, &token).await.refused(404, "not-found", "");
}

/// One late entry folds one machine; nothing new, none; and a server that has just started, none at all.
async fn only_what_has_changed_is_folded(world: World) {
    let (mut k7, token) = story(&world).await;
    assert_eq!(world.app.folds(), 0);
    let first = world.get_with(&format!("/v1/due?at={AT}"), &token).await.json();
    assert_eq!(world.app.folds(), 6);
    for target in
        ["/v1/due", "/v1/machines", "/v1/findings", "/v1/clashes", &format!("/v1/machines/{}/book", machine(2))]
    {
        world.get_with(target, &token).await.json();
    }
    assert_eq!(world.app.folds(), 6, "nothing has changed");

    let restarted = world.another_process();
    let caller = restarted.caller(&token).await.expect("a caller");
    let query = DueQuery { at: "2026-05-04T19:06:40+02:00".parse().ok(), ..DueQuery::default() };
    let cold = restarted.due(&caller, &query).await.expect("it answers");
    assert_eq!((serde_json::to_value(cold).expect("JSON"), restarted.folds()), (first, 0));

    // Told late: it belongs between two entries that are known.
    k7.record(machine(6), 60 * 24, "task_done", json!({"task": "grease", "reading": "1002"}));
    k7.sync(&world, k7.log.len()).await;
    let late = world.get_with(&format!("/v1/due?at={AT}"), &token).await.json();
    assert_eq!(world.app.folds(), 7, "one machine");
    let seen = restarted.due(&caller, &query).await.expect("it answers");
    assert_eq!(
        (serde_json::to_value(seen).expect("JSON"), restarted.folds()),
        (late, 0),
        "another process has folded it"
    );
}

async fn machines_settled_to_be_one_are_due_as_one(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    let mut a = k7.record(machine(1), 0, "machine_added", json!({"name": "EX1", "site": "pit"}));
    k7.record(machine(1), 1, "meter_read", json!({"reading": "10"}));
    let mut b = m2.record(machine(2), 2, "machine_added", json!({"name": "EX1", "site": "pit"}));
    m2.record(machine(2), 60 * 24, "meter_read", json!({"reading": "30"}));
    k7.sync(&world, 1).await;
    m2.sync(&world, 1).await;
    let token = k7.token(&world).await;
    let apart: DueReply = world.get_with(&format!("/v1/due?at={AT}"), &token).await.reply();
    assert_eq!(apart.due.len(), 2);
    k7.sync(&world, 3).await;
    if b < a {
        std::mem::swap(&mut a, &mut b);
    }
    k7.record(machine(1), 4, "settled", json!({"matter": "machine", "over": [a, b], "choice": Choice::Same}));
    k7.sync(&world, 3).await;
    let one: DueReply = world.get_with(&format!("/v1/due?at={AT}"), &token).await.reply();
    assert_eq!(machines(&one), [machine(1)]);
    assert_eq!(one.due[0].due[0].used_permille, 2000, "20 of 10 hours, read on two devices");
    let folds = world.app.folds();
    let by_other: MachineDueReply =
        world.get_with(&format!("/v1/machines/{}/due?at={AT}", machine(2)), &token).await.reply();
    assert_eq!(by_other.due, one.due[0]);
    assert_eq!(world.app.folds(), folds, "kept in memory");
}

on_every_store! {
    what_is_due_is_what_the_fold_says
    a_site_is_found_whatever_its_case
    pages_are_of_one_moment
    a_handover_is_what_the_fold_says
    only_what_has_changed_is_folded
    machines_settled_to_be_one_are_due_as_one
}
