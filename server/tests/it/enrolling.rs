//! How a device is let in, and how it is not.
//!
//! Promises: whatever is refused has spent nothing: the same code lets the device in afterwards.
//! Never looks at how codes are stored; that is the store's contract.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::World;
use pintle_core::ids::PersonId;
use pintle_openapi::Role as WireRole;
use pintle_openapi::endpoints::me::MeReply;
use pintle_server::limits::{ENROL_FAILURES_MAX, ENROL_WINDOW_MS};
use pintle_store::Role;
use serde_json::{Value, json};

fn request(phone: &Phone, code: &str) -> Value {
    serde_json::to_value(phone.enrol_request(code)).expect("JSON")
}

async fn a_code_lets_one_device_in(world: World) {
    let code = world.code(Role::Mechanic).await;
    let mut phone = Phone::new(&world, "K7");
    let first = phone.enrol(&world, &code).await;
    assert_eq!((first.role, first.mark.as_str(), first.device), (WireRole::Mechanic, "K7", phone.id()));
    assert_eq!(first.organisation.id, world.organisation.id);
    assert_eq!(first.organisation.name, world.organisation.name);
    assert_eq!(first.store, world.store.identity().store);

    let again = phone.enrol(&world, &code).await;
    assert_eq!(again, first, "a repeated enrolment hands out the baton that counts");
    assert_eq!(phone.sync(&world, 1).await.organisation, world.organisation.id);

    let other = Phone::new(&world, "M2");
    world.post("/v1/enrol", &request(&other, &code)).await.refused(409, "code-used", "/code");
}

async fn a_code_may_be_typed_as_it_is_heard(world: World) {
    let code = world.code(Role::Crew).await;
    let typed = code.to_lowercase().replace('-', " ").replace('0', "o").replace('1', "l");
    let mut phone = Phone::new(&world, "K7");
    assert_eq!(phone.enrol(&world, &typed).await.role, WireRole::Crew);
}

async fn a_mark_that_is_taken_gets_a_digit(world: World) {
    let first = world.phone("K7", Role::Crew).await;
    let second = world.phone("K7", Role::Crew).await;
    assert_eq!(first.mark, "K7");
    assert_ne!(second.mark, "K7");
    assert!(second.mark.starts_with('K'), "{}", second.mark);
    let me: MeReply = world.get_with("/v1/me", &second.token(&world).await).await.reply();
    assert_eq!(me.mark, second.mark);
}

async fn a_code_expires(world: World) {
    let code = world.code(Role::Crew).await;
    world.ambient.forward_s(72 * 3600 + 1);
    let phone = Phone::new(&world, "K7");
    world.post("/v1/enrol", &request(&phone, &code)).await.refused(403, "code-unknown", "/code");
}

async fn what_is_refused_spends_nothing(world: World) {
    let code = world.code(Role::Crew).await;
    let mut phone = Phone::new(&world, "K7");
    let good = request(&phone, &code);
    let identity = "AQAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";
    let bytes = |count: usize| json!("A".repeat((count * 4).div_ceil(3)));
    let cases: Vec<(&str, Value, u16, &str, &str)> = vec![
        ("/code", json!("0000-0000-0000"), 422, "bad-signature", "/proof"),
        ("/code", json!(7), 422, "malformed-request", "/code"),
        ("/key", bytes(0), 422, "malformed-request", "/key"),
        ("/key", bytes(31), 422, "malformed-request", "/key"),
        ("/key", bytes(33), 422, "malformed-request", "/key"),
        ("/key", bytes(64), 422, "malformed-request", "/key"),
        ("/key", json!(identity), 422, "bad-key", "/key"),
        ("/key", json!("_".repeat(42) + "8"), 422, "bad-signature", "/proof"),
        ("/mark", json!("k7"), 422, "out-of-range", "/mark"),
        ("/mark", json!("K"), 422, "out-of-range", "/mark"),
        ("/mark", json!("K7K7K"), 422, "out-of-range", "/mark"),
        ("/mark", json!("K\u{200b}"), 422, "out-of-range", "/mark"),
        ("/person/name", json!(""), 422, "out-of-range", "/person/name"),
        ("/person/name", json!("x".repeat(121)), 422, "out-of-range", "/person/name"),
        ("/person/name", json!("a\u{202e}b"), 422, "bad-text", "/person/name"),
        ("/person/name", json!("a\u{0}b"), 422, "bad-text", "/person/name"),
        ("/person/id", json!("x"), 422, "malformed-request", "/person/id"),
        ("/person/id", json!(PersonId::OPERATOR), 422, "out-of-range", "/person/id"),
        ("/proof", json!("x"), 422, "malformed-request", "/proof"),
        ("/proof", json!("A".repeat(86)), 422, "bad-signature", "/proof"),
    ];
    for (pointer, value, status, refusal, place) in cases {
        let mut bad = good.clone();
        *bad.pointer_mut(pointer).expect(pointer) = value.clone();
        let answer = world.post("/v1/enrol", &bad).await;
        assert_eq!(answer.refusal(), (status, refusal.to_owned(), place.to_owned()), "{pointer} = {value}");
    }
    let mut unknown = good.clone();
    unknown["role"] = json!("owner");
    world.post("/v1/enrol", &unknown).await.refused(422, "unknown-field", "/role");
    let mut missing = good.clone();
    missing.as_object_mut().expect("an object").remove("mark");
    world.post("/v1/enrol", &missing).await.refused(422, "malformed-request", "");

    assert_eq!(phone.enrol(&world, &code).await.role, WireRole::Crew, "the code is still good");
}

async fn another_purpose_is_no_proof(world: World) {
    let code = world.code(Role::Crew).await;
    let phone = Phone::new(&world, "K7");
    let mut request = request(&phone, &code);
    request["proof"] = json!(phone.proof(code.as_bytes()));
    world.post("/v1/enrol", &request).await.refused(422, "bad-signature", "/proof");
}

async fn guessing_is_slowed_down(world: World) {
    let phone = Phone::new(&world, "K7");
    for _ in 0..ENROL_FAILURES_MAX {
        world.post("/v1/enrol", &request(&phone, "0000-0000-0000")).await.refused(403, "code-unknown", "/code");
    }
    let answer = world.post("/v1/enrol", &request(&phone, "0000-0000-0000")).await;
    answer.refused(429, "too-many-requests", "");
    assert_eq!(answer.header("retry-after"), Some("601"));
    world.ambient.forward_s(ENROL_WINDOW_MS / 1000);
    let code = world.code(Role::Crew).await;
    assert_eq!(world.post("/v1/enrol", &request(&phone, &code)).await.status, 200);
}

async fn a_key_belongs_to_one_organisation_and_not_to_a_revoked_device(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let others = world.other_organisation().await;
    let code = world.code_of(&others, Role::Owner).await;
    world.post("/v1/enrol", &request(&phone, &code)).await.refused(409, "key-refused", "/key");
    let mut fresh = Phone::new(&world, "A1");
    assert_eq!(fresh.enrol(&world, &code).await.organisation.id, others.id, "the code has not been spent");

    world.operator().revoke(Some(&world.organisation.name), "k7").await.expect("revoked");
    let code = world.code(Role::Crew).await;
    world.post("/v1/enrol", &request(&phone, &code)).await.refused(409, "key-refused", "/key");
}

on_every_store! {
    a_code_lets_one_device_in
    a_code_may_be_typed_as_it_is_heard
    a_mark_that_is_taken_gets_a_digit
    a_code_expires
    what_is_refused_spends_nothing
    another_purpose_is_no_proof
    guessing_is_slowed_down
    a_key_belongs_to_one_organisation_and_not_to_a_revoked_device
}
