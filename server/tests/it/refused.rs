//! Every refused input of `POST /v1/sync`: status, code and place; and that nothing of it was taken.
//!
//! Promises: a table per kind of fault; each row damages one good request in one place, and after all rows that request
//! is taken as if nothing had been sent before.

use crate::on_every_store;
use crate::phone::{Phone, gzip, sync_post};
use crate::world::World;
use pintle_core::exchange::{PushOutcome, Wanted};
use pintle_core::ids::{MachineId, PersonId};
use pintle_store::Role;
use serde_json::{Value, json};

const EX3: MachineId = MachineId([3; 16]);

struct Case {
    name: &'static str,
    body: Vec<u8>,
    expected: (u16, &'static str, &'static str),
}

fn text(name: &'static str, body: impl Into<Vec<u8>>, expected: (u16, &'static str, &'static str)) -> Case {
    Case { name, body: body.into(), expected }
}

/// The request with the value at `pointer` replaced.
fn set(
    good: &Value,
    name: &'static str,
    pointer: &str,
    value: Value,
    expected: (u16, &'static str, &'static str),
) -> Case {
    let mut bad = good.clone();
    *bad.pointer_mut(pointer).expect(pointer) = value;
    text(name, serde_json::to_vec(&bad).expect("JSON"), expected)
}

/// The request with a field more in the object at `pointer`.
fn add(
    good: &Value,
    name: &'static str,
    pointer: &str,
    field: &str,
    expected: (u16, &'static str, &'static str),
) -> Case {
    let mut bad = good.clone();
    bad.pointer_mut(pointer).and_then(Value::as_object_mut).expect(pointer).insert(field.to_owned(), json!(1));
    text(name, serde_json::to_vec(&bad).expect("JSON"), expected)
}

/// The request with a field less in the object at `pointer`.
fn less(
    good: &Value,
    name: &'static str,
    pointer: &str,
    field: &str,
    expected: (u16, &'static str, &'static str),
) -> Case {
    let mut bad = good.clone();
    bad.pointer_mut(pointer).and_then(Value::as_object_mut).expect(pointer).remove(field).expect(field);
    text(name, serde_json::to_vec(&bad).expect("JSON"), expected)
}

/// The request with a piece of its text replaced.
fn cut(good: &Value, name: &'static str, from: &str, to: &str, expected: (u16, &'static str, &'static str)) -> Case {
    let whole = good.to_string();
    assert!(whole.contains(from), "{name}: {from} is not in {whole}");
    text(name, whole.replacen(from, to, 1), expected)
}

fn unreadable(good: &Value) -> Vec<Case> {
    let whole = good.to_string();
    let json = (400, "malformed-json", "");
    vec![
        text("empty", "", json),
        text("not JSON", "x", json),
        text("half a request", &whole.as_bytes()[..whole.len() / 2], (400, "malformed-json", "?")),
        text("a byte order mark", format!("\u{feff}{whole}"), json),
        text("something after the end", format!("{whole} {{}}"), json),
        text("NaN", whole.replacen("\"epoch\":1", "\"epoch\":NaN", 1), (400, "malformed-json", "/epoch")),
        text(
            "not UTF-8",
            [&whole.as_bytes()[..whole.len() - 1], b",\"x\":\"\xff\"}"].concat(),
            (400, "malformed-json", "/x"),
        ),
        text("too deep", "[".repeat(100_000), (400, "malformed-json", "?")),
        text("an array", "[]", (422, "malformed-request", "")),
        text("null", "null", (422, "malformed-request", "")),
        cut(good, "half a surrogate", "\"boot\":\"b\"", "\"boot\":\"\\ud800\"", (400, "malformed-json", "/clock/boot")),
        cut(good, "a key twice", "\"epoch\":1", "\"epoch\":1,\"epoch\":1", (400, "malformed-json", "/epoch")),
        cut(
            good,
            "a key twice in an entry",
            "\"v\":1",
            "\"v\":1,\"v\":1",
            (400, "malformed-json", "/push/entries/0/head/v"),
        ),
        cut(good, "a fraction", "\"v\":1", "\"v\":1.0", (422, "not-canonical", "/push/entries/0/head/v")),
        cut(good, "an exponent", "\"epoch\":1", "\"epoch\":1e0", (422, "not-canonical", "/epoch")),
        cut(good, "minus zero", "\"epoch\":1", "\"epoch\":-0", (422, "not-canonical", "/epoch")),
        cut(good, "2^53", "\"epoch\":1", "\"epoch\":9007199254740992", (422, "not-canonical", "/epoch")),
        cut(good, "2^63", "\"epoch\":1", "\"epoch\":9223372036854775808", (422, "not-canonical", "/epoch")),
        cut(good, "1e400", "\"epoch\":1", "\"epoch\":1e400", (400, "malformed-json", "/epoch")),
        cut(good, "U+0000", "\"boot\":\"b\"", "\"boot\":\"\\u0000\"", (422, "bad-text", "/clock/boot")),
    ]
}

fn many_machines() -> Vec<MachineId> {
    (0..2001u128).map(|n| MachineId(n.to_be_bytes())).collect()
}

fn of_another_form(good: &Value) -> Vec<Case> {
    let form = |pointer| (422, "malformed-request", pointer);
    vec![
        add(good, "an unknown field", "", "role", (422, "unknown-field", "/role")),
        add(good, "an unknown field deeper", "/pull", "since", (422, "unknown-field", "/pull/since")),
        add(
            good,
            "an unknown part of an entry",
            "/push/entries/0",
            "received_at",
            (422, "malformed-entry", "/push/entries/0/received_at"),
        ),
        less(good, "no organisation", "", "organisation", form("")),
        less(good, "no pull", "", "pull", form("")),
        less(good, "no seal", "/push", "signature", form("/push")),
        set(good, "a text for a number", "/epoch", json!("1"), form("/epoch")),
        set(good, "a negative epoch", "/epoch", json!(-1), form("/epoch")),
        set(good, "null for a push", "/clock/up_s", json!("x"), form("/clock/up_s")),
        set(good, "an id too short", "/device", json!("AAAA"), form("/device")),
        set(good, "an id with padding", "/device", json!("AAAAAAAAAAAAAAAAAAAAAA=="), form("/device")),
        set(good, "spare bits in an id", "/request", json!("AAAAAAAAAAAAAAAAAAAAAB"), form("/request")),
        set(good, "a time that is none", "/clock/at", json!("2026-02-30T00:00:00Z"), form("/clock/at")),
        set(good, "a digest as a number", "/digest/sum", json!(5), form("/digest/sum")),
        set(good, "a digest with a sign", "/digest/sum", json!("+5"), form("/digest/sum")),
        set(good, "a page beyond 32 bits", "/pull/bytes_max", json!(4_294_967_296u64), form("/pull/bytes_max")),
        set(good, "protocol 2", "/protocol", json!(2), (422, "unsupported-protocol", "/protocol")),
        set(good, "protocol 0", "/protocol", json!(0), (422, "unsupported-protocol", "/protocol")),
        set(good, "protocol as text", "/protocol", json!("1"), form("/protocol")),
        set(
            good,
            "201 people",
            "/people",
            Value::Array(vec![json!({"id": "AQEBAQEBAQEBAQEBAQEBAQ", "name": "x"}); 201]),
            (422, "out-of-range", "/people"),
        ),
        set(
            good,
            "2001 machines",
            "/wanted",
            json!({"machines": many_machines()}),
            (422, "out-of-range", "/wanted/machines"),
        ),
        set(
            good,
            "21 sites",
            "/wanted",
            json!({"sites": (0..21).map(|n| format!("site {n}")).collect::<Vec<_>>()}),
            (422, "out-of-range", "/wanted/sites"),
        ),
        set(
            good,
            "a site without name",
            "/wanted",
            json!({"sites": ["a", " "]}),
            (422, "out-of-range", "/wanted/sites/0"),
        ),
        set(good, "a machine that is none", "/wanted", json!({"machines": ["x"]}), form("/wanted/machines/0")),
        set(
            good,
            "a person without name",
            "/people",
            json!([{"id": "AQEBAQEBAQEBAQEBAQEBAQ", "name": " "}]),
            (422, "out-of-range", "/people/0/name"),
        ),
        set(
            good,
            "a hidden character",
            "/people",
            json!([{"id": "AQEBAQEBAQEBAQEBAQEBAQ", "name": "a\u{202e}b"}]),
            (422, "bad-text", "/people/0/name"),
        ),
    ]
}

fn pushes(good: &Value) -> Vec<Case> {
    let entry = |pointer| (422, "malformed-entry", pointer);
    let range = |pointer| (422, "out-of-range", pointer);
    let first = &good["push"]["entries"][0];
    vec![
        set(good, "an entry that is a text", "/push/entries/1", json!("x"), entry("/push/entries/1")),
        set(
            good,
            "an entry without body",
            "/push/entries/1",
            json!({"head": {"seq": 2}}),
            entry("/push/entries/1/body"),
        ),
        set(good, "an entry without head", "/push/entries/1", json!({"body": {}}), entry("/push/entries/1/head")),
        set(good, "a body that is a list", "/push/entries/2/body", json!([]), entry("/push/entries/2/body")),
        set(
            good,
            "a part both there and withheld",
            "/push/entries/2",
            {
                let mut both = first.clone();
                both["withheld"] = json!({"body": "A".repeat(43)});
                both
            },
            entry("/push/entries/2/withheld"),
        ),
        set(good, "number 0", "/push/entries/0/head/seq", json!(0), range("/push/entries/0/head/seq")),
        set(good, "number -1", "/push/entries/0/head/seq", json!(-1), range("/push/entries/0/head/seq")),
        set(
            good,
            "number 2^53",
            "/push/entries/0/head/seq",
            json!(1u64 << 53),
            (422, "not-canonical", "/push/entries/0/head/seq"),
        ),
        set(
            good,
            "number 2^63",
            "/push/entries/0/head/seq",
            json!(1u64 << 63),
            (422, "not-canonical", "/push/entries/0/head/seq"),
        ),
        set(good, "a number as text", "/push/entries/0/head/seq", json!("1"), range("/push/entries/0/head/seq")),
        set(good, "a hole in the numbers", "/push/entries/2/head/seq", json!(9), range("/push/entries/2/head/seq")),
        set(good, "a number twice", "/push/entries/1/head/seq", json!(1), range("/push/entries/1/head/seq")),
        set(good, "from 0", "/push/from", json!(0), range("/push/from")),
        set(good, "from beyond the entries", "/push/from", json!(2), range("/push/entries/0/head/seq")),
        set(good, "no entries", "/push/entries", json!([]), range("/push/entries")),
        set(good, "501 entries", "/push/entries", Value::Array(vec![first.clone(); 501]), range("/push/entries")),
        set(
            good,
            "another's first link",
            "/push/previous",
            json!("A".repeat(43)),
            (422, "chain-mismatch", "/push/previous"),
        ),
    ]
}

async fn every_refused_request_names_code_and_place(world: World) {
    let (phone, good) = ready(&world).await;
    let start = world.end().await;
    for case in [unreadable(&good), of_another_form(&good), pushes(&good)].into_iter().flatten() {
        let (status, code, place) = phone.send_bytes(&world, &case.body).await.refusal();
        assert_eq!((status, code.as_str()), (case.expected.0, case.expected.1), "{} at {place}", case.name);
        // "?": where a text breaks off is the reader's business.
        assert!(case.expected.2 == "?" || place == case.expected.2, "{}: at {place}", case.name);
    }
    nothing_was_taken(&world, phone, start).await;
}

async fn every_refused_proof_takes_nothing(world: World) {
    let (phone, good) = ready(&world).await;
    let other = world.phone("M2", Role::Crew).await;
    let start = world.end().await;
    let stranger = Phone::new(&world, "X1");
    let body = serde_json::to_vec(&good).expect("JSON");
    let with = |proof: String| world.send(sync_post(&proof).set_payload(body.clone()));
    with(other.proof(&body)).await.refused(401, "bad-proof", "Pintle-Proof");
    with(phone.proof(b"{}")).await.refused(401, "bad-proof", "Pintle-Proof");
    with("x".to_owned()).await.refused(401, "bad-proof", "Pintle-Proof");
    with("A".repeat(86)).await.refused(401, "bad-proof", "Pintle-Proof");
    with(String::new()).await.refused(401, "bad-proof", "Pintle-Proof");
    world.post_bytes("/v1/sync", &body).await.refused(401, "proof-missing", "Pintle-Proof");
    let twice = sync_post(&phone.proof(&body)).append_header(("pintle-proof", phone.proof(&body)));
    world.send(twice.set_payload(body.clone())).await.refused(400, "bad-header", "pintle-proof");

    let mut unknown = good.clone();
    unknown["device"] = json!(stranger.id());
    stranger.send_value(&world, &unknown).await.refused(401, "unknown-device", "/device");
    let mut elsewhere = good.clone();
    elsewhere["organisation"] = json!(world.other_organisation().await.id);
    phone.send_value(&world, &elsewhere).await.refused(403, "wrong-organisation", "/organisation");
    nothing_was_taken(&world, phone, start).await;
}

async fn every_refused_body_is_bounded(world: World) {
    let (phone, good) = ready(&world).await;
    let body = serde_json::to_vec(&good).expect("JSON");
    let post = || sync_post(&phone.proof(&body));
    let encoded = |encoding: &'static str| post().insert_header(("Content-Encoding", encoding));

    world.send(post().set_payload(vec![b' '; (2 << 20) + 1])).await.refused(413, "payload-too-large", "");
    let bomb = gzip(&vec![b' '; 150 << 20]);
    assert!(bomb.len() < 256 * 1024);
    world.send(encoded("gzip").set_payload(bomb)).await.refused(413, "payload-too-large", "");
    world.send(encoded("gzip").set_payload(vec![0; 256 * 1024 + 1])).await.refused(413, "payload-too-large", "");
    world.send(encoded("gzip").set_payload(body.clone())).await.refused(400, "malformed-json", "");
    world.send(encoded("gzip").set_payload(gzip(&gzip(&body)))).await.refused(400, "malformed-json", "");
    for encoding in ["br", "zstd", "deflate", "gzip, gzip", "gzip;q=1", "x-gzip"] {
        world.send(encoded(encoding).set_payload(body.clone())).await.refused(
            415,
            "unsupported-encoding",
            "Content-Encoding",
        );
    }
    for media in ["text/plain", "application/json; charset=latin1", "application/jsonx", "multipart/form-data"] {
        let post = post().insert_header(("Content-Type", media)).set_payload(body.clone());
        world.send(post).await.refused(415, "unsupported-media-type", "Content-Type");
    }
    let post = post().insert_header(("Content-Type", "Application/JSON; Charset=UTF-8")).set_payload(body.clone());
    assert_eq!(world.send(post).await.status, 200, "and the request itself is good");
}

/// A device with three entries to push, and that request as JSON.
async fn ready(world: &World) -> (Phone, Value) {
    let mut phone = world.phone("K7", Role::Crew).await;
    for n in 0..3 {
        phone.record(EX3, n, "meter_read", json!({"reading": "1"}));
    }
    let mut request = phone.request(world, phone.push(1));
    request.clock.boot = Some("b".to_owned());
    request.clock.up_s = Some(1);
    request.people = vec![phone.person.clone()];
    request.wanted = Some(Wanted::default());
    (phone, serde_json::to_value(request).expect("JSON"))
}

/// `start` is where the ledger ended before.
async fn nothing_was_taken(world: &World, mut phone: Phone, start: u64) {
    let reply = phone.sync(world, 1).await;
    assert_eq!(
        (reply.push.outcome, reply.pull.position),
        (PushOutcome::Accepted, start + 3),
        "the ledger was empty, the baton good"
    );
    let directory = reply.directory.expect("a directory");
    let mut people = directory.people.iter().filter(|person| person.id != PersonId::OPERATOR);
    assert!(people.all(|person| person.name.starts_with("Person ")), "{directory:?}");
}

on_every_store! {
    every_refused_request_names_code_and_place
    every_refused_proof_takes_nothing
    every_refused_body_is_bounded
}
