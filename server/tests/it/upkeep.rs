//! Hands, keeping, records against a rule, telematics and bench cards, from the server: core's word.
//!
//! Promises: compared with core's own reckoning over the entries that were read; a document that is none is refused and
//! nothing is stored by any of these.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::World;
use actix_web::test::TestRequest;
use pintle_core::Held;
use pintle_core::bench::card;
use pintle_core::book::{book, keeping_by};
use pintle_core::decimal::Decimal;
use pintle_core::exchange::Pulled;
use pintle_core::ids::MachineId;
use pintle_core::plan::Counting;
use pintle_core::rules;
use pintle_core::telematics::Verdict;
use pintle_openapi::List;
use pintle_openapi::endpoints::telematics::TelematicsReply;
use pintle_openapi::endpoints::upkeep::{HandsReply, KeepingReply, RecordsReply};
use pintle_store::Role;
use serde_json::{Value, json};
use std::collections::BTreeSet;

const EX3: MachineId = MachineId([3; 16]);

async fn story(world: &World) -> (Phone, String) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    k7.record(EX3, 0, "machine_added", json!({"name": "EX3", "serial": "LD-17", "site": "river bend"}));
    k7.record(EX3, 1, "shift_begun", json!({"reading": "1000"}));
    k7.record(EX3, 600, "task_done", json!({"task": "grease", "reading": "1009.8"}));
    k7.record(EX3, 601, "shift_ended", json!({"reading": "1009.9"}));
    k7.record(EX3, 602, "finding_raised", json!({"sign": "leak", "urgency": "soon"}));
    k7.sync(world, 1).await;
    m2.sync(world, 1).await;
    m2.record(EX3, 1440, "shift_begun", json!({"reading": "1009.9"}));
    m2.record(EX3, 1800, "shift_ended", json!({"reading": "1015"}));
    m2.record(EX3, 3000, "task_done", json!({"task": "grease", "reading": "1030"}));
    m2.sync(world, 1).await;
    let token = k7.token(world).await;
    (k7, token)
}

async fn entries(world: &World, token: &str) -> Vec<Held> {
    let list: List<Pulled> = world.get_with(&format!("/v1/machines/{EX3}/entries"), token).await.reply();
    list.items.into_iter().map(Held::from).collect()
}

fn of(tail: &str) -> String {
    format!("/v1/machines/{EX3}{tail}")
}

async fn how_a_machine_was_kept_is_what_the_fold_says(world: World) {
    let (k7, token) = story(&world).await;
    let entries = entries(&world, &token).await;
    let book = book(EX3, &entries);
    let reply: HandsReply = world.get_with(&of("/hands"), &token).await.reply();
    assert_eq!((reply.machine.name.as_str(), &reply.hands), ("EX3", &book.hands));
    assert_eq!(reply.hands.expect("hands").life.people.len(), 2);
    assert_eq!(reply.names.people.get(&k7.person.id.to_string()), Some(&k7.person.name));

    let reply: KeepingReply = world.get_with(&of("/keeping"), &token).await.reply();
    assert_eq!((reply.counting, &reply.keeping), (None, &book.keeping));
    assert_eq!((reply.keeping[0].on_time, reply.keeping[0].late), (1, 1));
    for (word, counting) in
        [("window", Counting::Window), ("done", Counting::Done), ("due", Counting::Due), ("earlier", Counting::Earlier)]
    {
        let reply: KeepingReply = world.get_with(&of(&format!("/keeping?counting={word}")), &token).await.reply();
        assert_eq!((reply.counting, reply.keeping), (Some(counting), keeping_by(&entries, counting)), "{word}");
    }
    world.get_with(&of("/keeping?counting=guess"), &token).await.refused(422, "malformed-request", "counting");

    let reply: RecordsReply = world.get_with(&of("/records?rule=49cfr396.11"), &token).await.reply();
    let rule = rules::find("49 CFR 396.11").expect("a rule");
    assert_eq!(reply.report, rules::report(&book, &entries, rule, &BTreeSet::new()));
    assert_eq!(reply.report.records.len(), 1);
    assert!(!reply.report.records[0].missing.is_empty() && !reply.advice.is_empty());
    let monthly = "/records?rule=29%20CFR%201926.1412(e)";
    world.get_with(&of(monthly), &token).await.refused(422, "out-of-range", "inspections");
    let unknown = of(&format!("{monthly}&inspections=grease,rope"));
    world.get_with(&unknown, &token).await.refused(422, "out-of-range", "inspections");
    let known = of(&format!("{monthly}&inspections=%20grease,"));
    let reply: RecordsReply = world.get_with(&known, &token).await.reply();
    assert_eq!(reply.report.records.len(), 2);
    world.get_with(&of("/records?rule=no%20rule"), &token).await.refused(422, "out-of-range", "rule");
    world.get_with(&of("/records"), &token).await.refused(422, "malformed-request", "");
    for tail in ["/hands", "/keeping", "/records?rule=49cfr396.3"] {
        let nowhere = format!("/v1/machines/{}{tail}", MachineId([77; 16]));
        world.get_with(&nowhere, &token).await.refused(404, "not-found", "");
    }
    let rules: Value = world.get("/v1/rules").await.json();
    assert_eq!(rules["rules"].as_array().map(Vec::len), Some(rules::RULES.len()));
}

fn feed(serial: &str, hours: &str, at: &str) -> String {
    format!(
        r#"{{"Fleet": {{"Equipment": [{{"EquipmentHeader": {{"SerialNumber": "{serial}"}},
            "CumulativeOperatingHours": {{"Hour": {hours}, "datetime": "{at}"}}}}]}}}}"#
    )
}

fn post(token: &str, media: &str, document: &str) -> TestRequest {
    let request = TestRequest::post().uri("/v1/telematics").insert_header(("Content-Type", media.to_owned()));
    request.insert_header(("Authorization", format!("Bearer {token}"))).set_payload(document.to_owned())
}

/// Proposals are signed by a device; recorded, they are not proposed again.
async fn readings_become_entries_of_a_device(world: World) {
    let (mut k7, token) = story(&world).await;
    let document = feed("ld-17", "1031.25", "2026-05-04T15:06:40Z");
    let before = world.get_with(&of("/entries"), &token).await.json();
    let proposed: TelematicsReply = world.send(post(&token, "application/json", &document)).await.reply();
    assert_eq!(proposed.machines.len(), 1, "{proposed:?}");
    let one = &proposed.machines[0];
    assert_eq!((one.verdict, one.machine, one.proposals.len()), (Verdict::Matched, Some(EX3), 1));
    let again: TelematicsReply = world.send(post(&token, "application/json", &document)).await.reply();
    assert_eq!(again, proposed);
    assert_eq!(world.get_with(&of("/entries"), &token).await.json(), before, "nothing is stored");
    let xml = "<Fleet><Equipment><EquipmentHeader><SerialNumber>LD-17</SerialNumber></EquipmentHeader>\
               <CumulativeOperatingHours datetime=\"2026-05-04T15:06:40Z\"><Hour>1031.25</Hour></CumulativeOperatingHours>\
               </Equipment></Fleet>";
    for media in ["application/xml", "text/xml; charset=utf-8"] {
        let reply: TelematicsReply = world.send(post(&token, media, xml)).await.reply();
        assert_eq!(reply.machines[0].proposals, one.proposals, "{media}");
    }

    let proposal = &one.proposals[0];
    let minute = (proposal.at.second() - crate::world::BEGIN_MS / 1000 + 86_400) / 60;
    k7.record(EX3, minute, &proposal.kind, Value::Object(proposal.body.clone()));
    k7.sync(&world, k7.log.len()).await;
    let reply: TelematicsReply = world.send(post(&token, "application/json", &document)).await.reply();
    assert_eq!((reply.machines[0].verdict, reply.machines[0].proposals.len()), (Verdict::NothingNew, 0));
    let book = world.get_with(&of("/book"), &token).await.json();
    assert_eq!(book["book"]["meters"][0]["telematics"]["shown"], "1031.25");

    let stranger = feed("XX-1", "5", "2026-05-04T15:06:40Z");
    let reply: TelematicsReply = world.send(post(&token, "application/json", &stranger)).await.reply();
    assert_eq!((reply.machines[0].verdict, reply.machines[0].machine), (Verdict::Unmatched, None));
    let others = world.other_organisation().await;
    let code = world.code_of(&others, Role::Owner).await;
    let mut a1 = Phone::new(&world, "A1");
    a1.enrol(&world, &code).await;
    let theirs = a1.token(&world).await;
    let reply: TelematicsReply = world.send(post(&theirs, "application/json", &document)).await.reply();
    assert_eq!(reply.machines[0].verdict, Verdict::Unmatched, "another organisation has no such machine");
}

async fn what_is_no_feed_is_refused(world: World) {
    let (_, token) = story(&world).await;
    for bad in ["", "{", "[1", "<Fleet>", "<!DOCTYPE x [<!ENTITY a \"b\">]><Fleet/>", "<Other/>", "7", "\"x\""] {
        world.send(post(&token, "application/json", bad)).await.refused(422, "malformed-document", "");
    }
    let bytes = TestRequest::post().uri("/v1/telematics").insert_header(("Content-Type", "application/json"));
    let bytes = bytes.insert_header(("Authorization", format!("Bearer {token}"))).set_payload(vec![0xff, 0xfe]);
    world.send(bytes).await.refused(422, "malformed-document", "");
    world.send(post(&token, "text/csv", "x")).await.refused(415, "unsupported-media-type", "Content-Type");
    let large = " ".repeat(pintle_core::limits::TELEMATICS_BYTES_MAX + 1);
    let answer = world.send(post(&token, "application/json", &large)).await;
    assert_eq!(answer.refusal().1, "payload-too-large");
    let odd = feed("LD-17", "-4", "2026-05-04T15:06:40Z");
    let reply: TelematicsReply = world.send(post(&token, "application/json", &odd)).await.reply();
    assert_eq!((reply.machines[0].proposals.len(), reply.machines[0].report.faults.len()), (0, 1));
}

async fn the_bench_needs_no_token(world: World) {
    let json = |card| serde_json::to_value(card).expect("JSON");
    let sets = ["metric", "inch"].map(str::to_owned);
    let thread = card::thread("1/4-28", Decimal::from_milli(300), &sets).expect("a card");
    let same = "/v1/bench/thread?thread=1%2F4-28&off_centre=0.3";
    assert_eq!(world.get(same).await.json(), json(serde_json::to_value(thread).expect("JSON")));
    for (target, parameter) in [
        ("/v1/bench/thread?thread=M10x99", "thread"),
        ("/v1/bench/thread?thread=M10x1&off_centre=40", "off_centre"),
        ("/v1/bench/thread?thread=M10x1&sets=metric,wood", "sets"),
        ("/v1/bench/thread?thread=M10x1&sets=metric,metric,metric,metric,metric,metric", "sets"),
        ("/v1/bench/grease?grease=butter", "grease"),
        ("/v1/bench/gun?before=1&after=2&strokes=10", "after"),
        ("/v1/bench/gun?before=500&after=490&strokes=-10", "after"),
        ("/v1/bench/gun?before=500&after=490&strokes=10&need=0", "need"),
        ("/v1/bench/bearing?outer=0&width=20", "outer"),
        ("/v1/bench/bearing?outer=90&width=20&stroke=0", "stroke"),
    ] {
        world.get(target).await.refused(422, "out-of-range", parameter);
    }
    for (target, parameter) in [
        ("/v1/bench/thread?thread=M10x1&off_centre=NaN", "off_centre"),
        ("/v1/bench/gun?before=500&after=490&strokes=1e3", "strokes"),
        ("/v1/bench/bearing?outer=-90&width=20", "outer"),
    ] {
        world.get(target).await.refused(422, "malformed-request", parameter);
    }
}

on_every_store! {
    how_a_machine_was_kept_is_what_the_fold_says
    readings_become_entries_of_a_device
    what_is_no_feed_is_refused
    the_bench_needs_no_token
}
