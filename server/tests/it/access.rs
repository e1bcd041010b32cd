//! Who may call what, endpoint by endpoint.
//!
//! Promises: an endpoint that is added is held to the table of rights without another line here; one whose access is
//! not by token must be named below, or the test fails. Nothing of one organisation is found by another.

use crate::billing::billed;
use crate::on_every_store;
use crate::phone::Phone;
use crate::world::{Answer, World};
use actix_web::test::TestRequest;
use pintle_core::fact::administration::Shown;
use pintle_core::ids::{Capability, CodeId, DeviceId, MachineId, OfficeId, ShareId};
use pintle_core::permission::{Right, Role};
use pintle_openapi::endpoint::target;
use pintle_openapi::endpoints::codes::CodeReply;
use pintle_openapi::endpoints::files::BYTES_MEDIA;
use pintle_openapi::endpoints::shares::ShareReply;
use pintle_openapi::endpoints::{Visit, visit_all};
use pintle_openapi::{Access, BodyForm, Endpoint, Method};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

const EX3: MachineId = MachineId([3; 16]);

/// One call as the contract shows it, with ids of a world in its path.
struct Sample {
    place: String,
    access: Access,
    method: Method,
    target: String,
    /// Names of the ids in the path.
    ids: Vec<String>,
    body: Option<Value>,
    /// Media type of the body.
    media: &'static str,
}

/// A call of every endpoint, with these ids where a path has one.
fn samples(ids: &BTreeMap<&str, String>) -> Vec<Sample> {
    struct All<'a> {
        ids: &'a BTreeMap<&'a str, String>,
        found: Vec<Sample>,
    }
    impl Visit for All<'_> {
        fn endpoint<E: Endpoint>(&mut self) {
            let example = E::example();
            let mut path = serde_json::to_value(&example.path).expect("JSON");
            let mut names = Vec::new();
            for (name, value) in path.as_object_mut().into_iter().flatten() {
                if let Some(id) = self.ids.get(name.as_str()) {
                    *value = Value::from(id.clone());
                    names.push(name.clone());
                }
            }
            let path: E::Path = serde_json::from_value(path).expect("a path of the contract");
            let mut query = serde_json::to_value(&example.query).expect("JSON");
            // A cursor belongs to whoever got it: a list is asked for from its beginning.
            let mut from_the_beginning = query.clone();
            from_the_beginning.as_object_mut().expect("an object").remove("after");
            if serde_json::from_value::<E::Query>(from_the_beginning.clone()).is_ok() {
                query = from_the_beginning;
            }
            for (name, value) in query.as_object_mut().into_iter().flatten() {
                if let Some(id) = self.ids.get(name.as_str()) {
                    *value = Value::from(id.clone());
                    names.push(name.clone());
                }
            }
            let query: E::Query = serde_json::from_value(query).expect("a query of the contract");
            let mut body = serde_json::to_value(&example.body).expect("JSON");
            if let Some(machine) = body.get_mut("machine") {
                *machine = Value::from(self.ids["machine"].clone());
                names.push("machine".to_owned());
            }
            self.found.push(Sample {
                place: format!("{} {}", E::METHOD.as_str(), E::PATH),
                access: E::ACCESS,
                method: E::METHOD,
                target: target::<E>(&path, &query),
                ids: names,
                body: (E::BODY != BodyForm::None).then_some(body),
                media: if matches!(E::BODY, BodyForm::Bytes { .. }) { BYTES_MEDIA } else { "application/json" },
            });
        }
    }
    let mut all = All { ids, found: Vec::new() };
    visit_all(&mut all);
    all.found
}

async fn call(world: &World, sample: &Sample, token: Option<&str>) -> Answer {
    let mut request = match sample.method {
        Method::Get => TestRequest::get(),
        Method::Post => TestRequest::post(),
    };
    request = request.uri(&sample.target);
    if let Some(token) = token {
        request = request.insert_header(("Authorization", format!("Bearer {token}")));
    }
    if let Some(body) = &sample.body {
        request = request.insert_header(("Content-Type", sample.media)).set_payload(body.to_string());
    }
    world.send(request).await
}

/// Ids that nothing has.
fn nothing() -> BTreeMap<&'static str, String> {
    BTreeMap::from([
        ("machine", MachineId([0x99; 16]).to_string()),
        ("device", DeviceId([0x99; 16]).to_string()),
        ("code", CodeId([0x99; 16]).to_string()),
        ("share", ShareId([0x99; 16]).to_string()),
        ("link", Capability([0x99; 32]).to_string()),
        ("bill", OfficeId([0x99; 16]).to_string()),
    ])
}

/// An organisation with an owner's phone, a machine, an open code and a share link; gives their ids.
async fn inhabited(world: &World, owner: &mut Phone) -> BTreeMap<&'static str, String> {
    owner.record(EX3, 0, "machine_added", json!({"name": "EX3"}));
    owner.sync(world, 1).await;
    let token = owner.token(world).await;
    let code: CodeReply = world.post_with("/v1/codes", &json!({"role": "crew"}), &token).await.reply();
    let share = json!({"machine": EX3, "days": 3, "shows": [Shown::Names]});
    let share: ShareReply = world.post_with("/v1/shares", &share, &token).await.reply();
    BTreeMap::from([
        ("machine", EX3.to_string()),
        ("device", owner.id().to_string()),
        ("code", code.report.id.to_string()),
        ("share", share.report.id.to_string()),
        ("link", share.link.to_string()),
        ("bill", billed(world, owner).await.to_string()),
    ])
}

/// Every endpoint: without a token, with the token of each role, with that of a revoked device.
async fn every_endpoint_asks_for_its_right(world: World) {
    let mut tokens = Vec::new();
    for (number, role) in Role::ALL.into_iter().enumerate() {
        let phone = world.phone(&format!("R{number}"), role).await;
        tokens.push((role, phone.token(&world).await));
    }
    let revoked = world.phone("RX", Role::Owner).await;
    let revoked_token = revoked.token(&world).await;
    world.operator().revoke(Some(&world.organisation.name), "RX").await.expect("revoked");

    let mut without_token = BTreeSet::new();
    let mut rights = BTreeSet::new();
    for sample in samples(&nothing()) {
        let Access::Token(right) = sample.access else {
            without_token.insert(sample.place.clone());
            continue;
        };
        rights.insert(right);
        call(&world, &sample, None).await.refused(401, "token-missing", "");
        call(&world, &sample, Some(&revoked_token)).await.refused(403, "device-revoked", "");
        for (role, token) in &tokens {
            let answer = call(&world, &sample, Some(token)).await;
            if role.may(right) {
                assert!(![401, 403].contains(&answer.status), "{} as {role:?}: {}", sample.place, answer.text());
            } else {
                answer.refused(403, "forbidden", "");
            }
        }
    }
    // Whoever adds an endpoint without a token says here why that is right.
    let expected = [
        "GET /.well-known/jwks.json", // public keys
        "GET /docs/",                 // the contract
        "GET /healthz",               // says that the process lives
        "GET /openapi.json",          // the contract
        "GET /readyz",                // says that the database answers
        "GET /v1/bench/bearing",      // handbook arithmetic, nobody's data
        "GET /v1/bench/grease",
        "GET /v1/bench/gun",
        "GET /v1/bench/thread",
        "GET /v1/rules",                      // public rules
        "GET /v1/shared/{link}",              // the link is the right
        "GET /v1/shared/{link}/entries",      // the link is the right
        "GET /v1/shared/{link}/history",      // the link is the right
        "GET /v1/shared/{link}/history/page", // the link is the right
        "GET /v1/shared/{link}/history/pdf",  // the link is the right
        "POST /v1/enrol",                     // the code and the key's signature are
        "POST /v1/follow",                    // the signatures of both keys are
        "POST /v1/sync",                      // the device's signature is
        "POST /v1/token",                     // the assertion is
    ];
    assert_eq!(without_token.iter().map(String::as_str).collect::<Vec<_>>(), expected);
    assert!(rights.contains(&Right::ManageCrew) && rights.contains(&Right::ReadMachines), "{rights:?}");
}

/// Every id of one organisation, asked for by another's owner: as if it were not there, and nothing changes.
async fn nothing_of_another_organisation_is_found(world: World) {
    let mut owner = world.phone("K7", Role::Owner).await;
    let theirs = inhabited(&world, &mut owner).await;
    let others = world.other_organisation().await;
    let mut stranger = Phone::new(&world, "X1");
    let code = world.code_of(&others, Role::Owner).await;
    stranger.enrol(&world, &code).await;
    let token = stranger.token(&world).await;
    let before = world.store.digest(world.organisation.id).await.expect("it answers");

    let mut asked = BTreeSet::new();
    for (theirs, nothing) in samples(&theirs).iter().zip(samples(&nothing())) {
        if theirs.ids.is_empty() || !matches!(theirs.access, Access::Token(_)) {
            continue;
        }
        asked.extend(theirs.ids.iter().cloned());
        let found = call(&world, theirs, Some(&token)).await;
        let random = call(&world, &nothing, Some(&token)).await;
        assert_eq!(found.status, 404, "{}: {}", theirs.place, found.text());
        let shape = |answer: &Answer| {
            let mut document: Value = serde_json::from_slice(&answer.body).expect("JSON");
            document["request"] = Value::Null;
            document
        };
        assert_eq!(shape(&found), shape(&random), "{}", theirs.place);
    }
    assert_eq!(asked.iter().map(String::as_str).collect::<Vec<_>>(), ["bill", "code", "device", "machine", "share"]);
    assert_eq!(world.store.digest(world.organisation.id).await.expect("it answers"), before, "nothing was written");

    // What lists have nothing to do with ids: they are empty there.
    for list in
        ["/v1/machines", "/v1/findings", "/v1/clashes", "/v1/codes", "/v1/shares", "/v1/bill/drafts", "/v1/bill/issued"]
    {
        assert_eq!(world.get_with(list, &token).await.json()["items"], json!([]), "{list}");
    }
    let devices = world.get_with("/v1/devices", &token).await.json();
    assert_eq!(devices["items"].as_array().map(Vec::len), Some(1), "one's own only: {devices}");
    // And one's own organisation finds them all; files, which are found by an entry that names them, in `files.rs`.
    let token = owner.token(&world).await;
    let own = |s: &&Sample| s.method == Method::Get && !s.ids.is_empty() && !s.place.contains("/files/");
    for sample in samples(&theirs).iter().filter(own) {
        let answer = call(&world, sample, Some(&token)).await;
        assert_eq!(answer.status, 200, "{}: {}", sample.place, answer.text());
    }
}

on_every_store! {
    every_endpoint_asks_for_its_right
    nothing_of_another_organisation_is_found
}
