//! The shape of every answer: problem documents for whatever goes wrong, headers, methods, documents of the service.
//!
//! Promises: walks all endpoints of the contract, so that a new one is held to the same shape.
//! Never needs a database: memory is enough where nothing is stored.

use crate::world::World;
use actix_web::http::Method;
use actix_web::test::TestRequest;
use pintle_core::ids::MachineId;
use pintle_openapi::endpoint::target;
use pintle_openapi::endpoints::{Visit, visit_all};
use pintle_openapi::{Access, Endpoint};
use pintle_store::Role;
use serde_json::Value;
use std::collections::BTreeSet;

const POLICY: &str = "default-src 'none'; frame-ancestors 'none'";

/// Every endpoint of the contract: target of its example, method, access.
fn all() -> Vec<(String, &'static str, Access)> {
    struct All(Vec<(String, &'static str, Access)>);
    impl Visit for All {
        fn endpoint<E: Endpoint>(&mut self) {
            let example = E::example();
            // Empty where it may be.
            let query = serde_json::from_value(serde_json::json!({})).unwrap_or(example.query);
            self.0.push((target::<E>(&example.path, &query), E::METHOD.as_str(), E::ACCESS));
        }
    }
    let mut all = All(Vec::new());
    visit_all(&mut all);
    all.0
}

/// A target without its query.
fn path_of(target: &str) -> &str {
    target.split('?').next().unwrap_or_default()
}

fn request(method: &str, target: &str) -> TestRequest {
    TestRequest::default().method(Method::from_bytes(method.as_bytes()).expect("a method")).uri(target)
}

#[actix_web::test]
async fn every_endpoint_is_served_and_takes_no_other_method() {
    let world = World::memory().await;
    for (target, method, access) in all() {
        let answer = world.send(request(method, &target)).await;
        match (access, method) {
            (Access::Link, _) => answer.refused(404, "not-found", ""),
            (Access::Token(_), _) => answer.refused(401, "token-missing", ""),
            (_, "POST") => answer.refused(415, "unsupported-media-type", "Content-Type"),
            _ => assert_eq!(answer.status, 200, "{target}"),
        }
        // A path may have a method that reads and one that adds.
        let of_path =
            all().into_iter().filter(|(other, ..)| path_of(other) == path_of(&target)).map(|(_, method, _)| method);
        let of_path: BTreeSet<&str> = of_path.collect();
        let allowed: Vec<&str> = ["GET", "HEAD", "POST"]
            .into_iter()
            .filter(|m| of_path.contains(if *m == "HEAD" { "GET" } else { m }))
            .collect();
        for other in ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "BREW"] {
            let answer = world.send(request(other, &target)).await;
            if allowed.contains(&other) {
                assert_ne!(answer.status, 405, "{other} {target}");
            } else {
                assert_eq!(
                    (answer.status, answer.header("allow")),
                    (405, Some(&*allowed.join(", "))),
                    "{other} {target}"
                );
                answer.refused(405, "method-not-allowed", "");
            }
        }
        let overridden = request("POST", &target).insert_header(("X-HTTP-Method-Override", "GET"));
        assert_eq!(world.send(overridden).await.status == 405, !of_path.contains("POST"), "{target}");
    }
}

#[actix_web::test]
async fn an_unknown_path_is_not_found() {
    let world = World::memory().await;
    for target in [
        "/",
        "/v1",
        "/v1/",
        "/v1/sync/",
        "/v2/sync",
        "/metrics",
        "/docs/../etc/passwd",
        "/docs/x.js",
        "/%00",
        "/v1//me",
        "//",
    ] {
        world.get(target).await.refused(404, "not-found", "");
    }
}

#[actix_web::test]
async fn every_answer_is_dressed() {
    let world = World::memory().await;
    let token = world.phone("K7", Role::Crew).await.token(&world).await;
    let answers = [
        world.get("/healthz").await,
        world.get("/nowhere").await,
        world.get_with("/v1/me", &token).await,
        world.get("/openapi.json").await,
    ];
    let mut ids = std::collections::BTreeSet::new();
    for answer in answers {
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(answer.header("content-security-policy"), Some(POLICY));
        assert_eq!(answer.header("referrer-policy"), Some("no-referrer"));
        assert!(answer.header("access-control-allow-origin").is_none());
        assert!(ids.insert(answer.header("pintle-request").expect("an id").to_owned()), "ids differ");
    }
    let foreign = request("GET", "/healthz").insert_header(("Origin", "http://example.invalid"));
    assert!(world.send(foreign).await.header("access-control-allow-origin").is_none());
}

#[actix_web::test]
async fn a_path_or_query_of_another_form_is_refused() {
    let world = World::memory().await;
    let token = world.phone("K7", Role::Crew).await.token(&world).await;
    for machine in ["x", "AAAA", "..%2f..%2fetc%2fpasswd", "%00", "AAAAAAAAAAAAAAAAAAAAAB", "' OR 1=1"] {
        let machine = machine.replace(' ', "%20");
        world.get_with(&format!("/v1/machines/{machine}"), &token).await.refused(404, "not-found", "");
        world.get_with(&format!("/v1/machines/{machine}/book"), &token).await.refused(404, "not-found", "");
    }
    let cases = [
        ("/v1/machines?limit=0", 422, "out-of-range", "limit"),
        ("/v1/machines?limit=201", 422, "out-of-range", "limit"),
        ("/v1/machines?limit=-1", 422, "out-of-range", "limit"),
        ("/v1/machines?limit=1e9", 422, "out-of-range", "limit"),
        ("/v1/machines?limit=1000000000000000000000", 422, "out-of-range", "limit"),
        ("/v1/machines?limit=", 422, "out-of-range", "limit"),
        ("/v1/machines?limit=5&limit=6", 422, "malformed-request", "limit"),
        ("/v1/machines?sort=id;DROP", 422, "unknown-field", "sort"),
        ("/v1/machines?after=", 400, "invalid-cursor", "after"),
        ("/v1/machines?after=AAAA", 400, "invalid-cursor", "after"),
        ("/v1/findings?machine=x", 422, "malformed-request", "machine"),
        ("/v1/findings?machine=AAAAAAAAAAAAAAAAAAAAAA", 404, "not-found", ""),
        ("/v1/clashes?filter=%00", 422, "unknown-field", "filter"),
        ("/v1/me?x=1", 422, "unknown-field", "x"),
    ];
    for (target, status, code, place) in cases {
        let refusal = world.get_with(target, &token).await.refusal();
        assert_eq!(refusal, (status, code.to_owned(), place.to_owned()), "{target}");
    }
    let unknown = MachineId([7; 16]);
    for tail in ["", "/book", "/entries"] {
        world.get_with(&format!("/v1/machines/{unknown}{tail}"), &token).await.refused(404, "not-found", "");
    }
}

#[actix_web::test]
async fn replies_are_compressed_for_those_who_ask() {
    let world = World::memory().await;
    let get = |encoding: &'static str| request("GET", "/openapi.json").insert_header(("Accept-Encoding", encoding));
    let plain = world.get("/openapi.json").await;
    assert_eq!(plain.header("content-encoding"), None);
    let packed = world.send(get("gzip")).await;
    assert_eq!(packed.header("content-encoding"), Some("gzip"));
    assert!(packed.body.len() * 4 < plain.body.len(), "{} of {}", packed.body.len(), plain.body.len());
    assert_eq!(packed.header("etag"), plain.header("etag"), "the tag names the document, not its compression");
    world.send(get("br, identity;q=0")).await.refused(406, "not-acceptable", "");
}

#[actix_web::test]
async fn the_documentation_is_whole_and_loads_nothing_from_elsewhere() {
    let world = World::memory().await;
    let document: Value = world.get("/openapi.json").await.json();
    assert_eq!(document, serde_json::from_str::<Value>(&pintle_openapi::spec::document_text()).expect("JSON"));
    let page = world.get("/docs/").await;
    assert_eq!((page.status, page.header("content-type")), (200, Some("text/html; charset=utf-8")));
    let policy = page.header("content-security-policy").expect("a policy");
    assert!(policy.starts_with("default-src 'none'; script-src 'self';") && !policy.contains("http"), "{policy}");
    let text = page.text();
    for reference in text.split(['"', '\'']).filter(|text| text.contains("//")) {
        assert!(!reference.starts_with("http") && !reference.starts_with("//"), "the page refers to {reference}");
    }
    let mut files = 0;
    for file in text.split('"').filter_map(|text| text.strip_prefix("./")) {
        let answer = world.get(&format!("/docs/{file}")).await;
        assert_eq!(answer.status, 200, "{file}");
        files += 1;
    }
    assert!(files >= 4, "the page names {files} files");
    let settings = world.get("/docs/swagger-initializer.js").await.text();
    assert!(settings.contains("/openapi.json") && settings.contains("\"validatorUrl\": \"none\""), "{settings}");
    let bare = world.get("/docs").await;
    assert_eq!((bare.status, bare.header("location")), (308, Some("/docs/")));
    world.get("/docs/nothing.js").await.refused(404, "not-found", "");
}
