//! What somebody with a device of their own may try with entries and texts, where the other files do not.
//!
//! Promises: what a person recorded is kept, marked or set aside, and what is no request is refused, each with its code;
//! nothing is taken from anyone else by it.

use crate::on_every_store;
use crate::phone::Phone;
use crate::syncing::machine_of;
use crate::world::World;
use pintle_core::exchange::PushOutcome;
use pintle_core::ids::MachineId;
use pintle_store::Role;
use serde_json::{Value, json};

const EX3: MachineId = MachineId([3; 16]);

/// Spaces, line breaks, another order of keys and escaped characters say the same: links are of canonical bytes.
async fn an_entry_written_otherwise_is_the_same_entry(world: World) {
    let mut phone = world.phone("K7", Role::Crew).await;
    for minute in 0..3 {
        phone.record(EX3, minute, "note_left", json!({"handover": true}));
    }
    let plain = phone.request_value(&world, 1);
    let entry = plain["push"]["entries"][0].to_string();
    let odd = serde_json::to_string_pretty(&plain).expect("JSON").replace("note_left", "note\\u005fle\\u0066t");
    assert!(!odd.contains(&entry) && odd.contains("\\u005f"), "it is written otherwise");
    let reply: pintle_core::exchange::SyncReply = phone.send_bytes(&world, odd.as_bytes()).await.reply();
    assert_eq!((reply.push.outcome, reply.log), (PushOutcome::Accepted, phone.head()));
    phone.baton = reply.baton;
    let again = phone.send(&world, &phone.request(&world, phone.push(1))).await;
    assert_eq!((again.push.outcome, again.log), (PushOutcome::AlreadyHeld, phone.head()));
}

/// Machines are named by whoever sees them first, so an id may be named in two organisations: nothing of one is the other's.
async fn a_machine_s_id_in_two_organisations_is_two_machines(world: World) {
    let mut ours = world.phone("K7", Role::Owner).await;
    ours.record(EX3, 0, "meter_read", json!({"reading": "100"}));
    ours.sync(&world, 1).await;
    let other = world.other_organisation().await;
    let mut theirs = Phone::new(&world, "K7");
    let code = world.code_of(&other, Role::Owner).await;
    let reply = theirs.enrol(&world, &code).await;
    theirs.enrolled(&reply);
    theirs.record(EX3, 0, "meter_read", json!({"reading": "7"}));
    theirs.record(MachineId([4; 16]), 1, "meter_read", json!({"reading": "8"}));
    assert_eq!(theirs.sync(&world, 1).await.push.outcome, PushOutcome::Accepted, "it is theirs to record");
    for (phone, machines, reading) in [(&ours, 1, "100"), (&theirs, 2, "7")] {
        let token = phone.token(&world).await;
        let listed = world.get_with("/v1/machines", &token).await.json();
        assert_eq!(listed["items"].as_array().map(Vec::len), Some(machines));
        let entries = world.get_with(&format!("/v1/machines/{EX3}/entries"), &token).await.json();
        let entries = entries["items"].as_array().expect("items").clone();
        assert_eq!(entries.len(), 1, "{entries:?}");
        assert_eq!(entries[0]["entry"]["body"]["reading"], reading);
    }
}

/// A clock that is wrong keeps nobody from recording; a text that is no time stands aside.
async fn each_time_is_taken_marked_or_set_aside(world: World) {
    let mut phone = world.phone("K7", Role::Crew).await;
    let machine = machine_of(&phone);
    phone.record(machine, 0, "meter_read", json!({"reading": "1"}));
    let good = Value::Object(phone.log[0].as_map().clone());
    let times = [
        ("1970-01-01T00:00:00Z", None),
        ("2106-02-07T06:28:16Z", None),
        ("10000-01-01T00:00:00Z", Some("bad-time")),
        ("2016-12-31T23:59:60Z", Some("bad-time")),
        ("2026-05-04T07:12:33+99:99", Some("bad-time")),
        ("yesterday", Some("bad-time")),
    ];
    for (seq, (time, _)) in (2..).zip(times) {
        let mut entry = good.clone();
        entry["head"]["at"] = json!(time);
        entry["head"]["seq"] = json!(seq);
        entry["head"]["mseq"] = json!(seq);
        phone.append(entry);
    }
    let reply = phone.sync(&world, 1).await;
    assert_eq!((reply.push.outcome, reply.log), (PushOutcome::Accepted, phone.head()), "the log goes on");
    let aside = |seq| reply.push.aside.iter().find(|aside| aside.seq == seq).map(|aside| aside.code.as_str());
    for (seq, (time, code)) in (2..).zip(times) {
        assert_eq!(aside(seq), code, "{time}");
    }
    let off = |seq| reply.push.held.iter().find(|run| (run.from..=run.to).contains(&seq)).expect("held").off_s;
    assert!(off(3).is_some_and(|off_s| off_s > 70 * 365 * 86_400), "80 years ahead of its receipt: {:?}", off(3));
}

/// Names are stored as given, whatever their form; what hides or breaks a text is refused.
async fn names_are_kept_byte_for_byte_and_none_hides_anything(world: World) {
    let mut phone = world.phone("K7", Role::Crew).await;
    for hidden in ['\u{0}', '\u{7}', '\u{1b}', '\u{85}', '\u{200b}', '\u{202e}', '\u{2066}', '\u{feff}'] {
        let mut request = phone.request_value(&world, 1);
        request["people"] = json!([{"id": "AQEBAQEBAQEBAQEBAQEBAQ", "name": format!("a{hidden}b")}]);
        let refused = phone.send_value(&world, &request).await.refusal();
        assert_eq!(refused, (422, "bad-text".to_owned(), "/people/0/name".to_owned()), "{hidden:?}");
    }
    // One letter and two characters that look like it; a Cyrillic look-alike.
    let names = ["\u{e9}va", "e\u{301}va", "\u{435}va", "eva"];
    let ids = ["AQEBAQEBAQEBAQEBAQEBAQ", "AgICAgICAgICAgICAgICAg", "AwMDAwMDAwMDAwMDAwMDAw", "BAQEBAQEBAQEBAQEBAQEBA"];
    let mut request = phone.request_value(&world, 1);
    request["people"] = ids.iter().zip(names).map(|(id, name)| json!({"id": id, "name": name})).collect();
    let reply: pintle_core::exchange::SyncReply = phone.send_value(&world, &request).await.reply();
    phone.baton = reply.baton;
    let directory = reply.directory.expect("it has grown");
    for (id, name) in ids.iter().zip(names) {
        assert!(directory.people.iter().any(|person| person.id.to_string() == *id && person.name == name), "{name}");
    }
}

/// Depth, breadth and length: refused as they are read, before anything is built of them.
async fn a_text_that_is_too_deep_or_too_wide_is_refused(world: World) {
    let mut phone = world.phone("K7", Role::Crew).await;
    phone.record(EX3, 0, "note_left", json!({}));
    let whole = phone.request_value(&world, 1).to_string();
    let marker = "\"body\":{}";
    assert!(whole.contains(marker));
    let with = |body: &str| whole.replacen(marker, &format!("\"body\":{{\"x\":{body}}}"), 1).into_bytes();
    let deep = format!("{}1{}", "[".repeat(129), "]".repeat(129));
    let keys: Vec<String> = (0..140_000).map(|n| format!("\"k{n}\":0")).collect();
    let many = format!("{{{}}}", keys.join(","));
    for (name, body, status) in [
        ("129 deep", with(&deep), 400),
        ("100,000 deep", with(&"[".repeat(100_000)), 400),
        ("140,000 keys of the request", format!("{{{},{}", &many[1..many.len() - 1], &whole[1..]).into_bytes(), 422),
        ("a text of 10 MB", with(&format!("\"{}\"", "x".repeat(10 << 20))), 413),
    ] {
        let (refused, code, place) = phone.send_bytes(&world, &body).await.refusal();
        assert_eq!(refused, status, "{name}: {code} at {place}");
    }
    assert_eq!(phone.sync(&world, 1).await.push.outcome, PushOutcome::Accepted, "nothing was taken, nothing is lost");
}

/// What a filter is given is looked for, and never understood.
async fn a_filter_is_no_pattern(world: World) {
    let mut phone = world.phone("K7", Role::Owner).await;
    phone.record(EX3, 0, "machine_added", json!({"name": "Loader", "site": "quarry road"}));
    phone.sync(&world, 1).await;
    let token = phone.token(&world).await;
    let due = async |site: &str| world.get_with(&format!("/v1/due?site={site}"), &token).await;
    assert_eq!(due("quarry%20road").await.json()["due"].as_array().map(Vec::len), Some(1));
    for site in ["%25", "quarry%25", "quarry_road", "quarry.road", ".*", "(a%2B)%2B%24", "%27%20OR%201%3D1--"] {
        let answer = due(site).await;
        assert_eq!(answer.status, 200, "{site}");
        assert_eq!(answer.json()["due"].as_array().map(Vec::len), Some(0), "{site}");
    }
}

on_every_store! {
    an_entry_written_otherwise_is_the_same_entry
    a_machine_s_id_in_two_organisations_is_two_machines
    each_time_is_taken_marked_or_set_aside
    names_are_kept_byte_for_byte_and_none_hides_anything
    a_text_that_is_too_deep_or_too_wide_is_refused
    a_filter_is_no_pattern
}
