//! Laws every endpoint keeps.
//!
//! Promises: an endpoint that is added is held to them without another line here.
//! Never compares texts that may be reworded; those are in the generated files.

use pintle_core::chain::{enrol_text, sync_text, verify, verify_seal};
use pintle_core::fault::code;
use pintle_core::ids::DeviceId;
use pintle_openapi::endpoint::{problems, target};
use pintle_openapi::endpoints::{Visit, visit_all};
use pintle_openapi::errors_page::{ASIDE, page};
use pintle_openapi::{Access, BodyForm, Endpoint, Method, Problem, ProblemDocument, sample, spec};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::collections::BTreeSet;
use std::fmt::Debug;

fn reads_back<T: Serialize + DeserializeOwned + PartialEq + Debug>(place: &str, value: &T) {
    let text = serde_json::to_string(value).expect(place);
    let back = serde_json::from_str::<T>(&text).map_err(|error| format!("{place}: {error} in {text}"));
    assert_eq!(back.as_ref(), Ok(value), "{place}");
}

struct Laws {
    routes: BTreeSet<(&'static str, Method)>,
    operations: BTreeSet<&'static str>,
    document: Value,
}

impl Visit for Laws {
    fn endpoint<E: Endpoint>(&mut self) {
        let place = format!("{} {}", E::METHOD.as_str(), E::PATH);
        assert!(self.routes.insert((E::PATH, E::METHOD)), "{place} is there twice");
        assert!(self.operations.insert(E::OPERATION), "{place}: its operation name is taken");
        assert!(!E::SUMMARY.ends_with('.') && E::SUMMARY.len() <= 80, "{place}: summary");
        assert!(E::DESCRIPTION.ends_with('.'), "{place}: description");
        let example = E::example();
        reads_back(&format!("{place} path"), &example.path);
        reads_back(&format!("{place} query"), &example.query);
        reads_back(&format!("{place} body"), &example.body);
        reads_back(&format!("{place} reply"), &example.reply);
        assert!(!target::<E>(&example.path, &example.query).contains(['{', '}', ' ']), "{place}: target");

        let operation = &self.document["paths"][E::PATH][E::METHOD.as_str().to_lowercase()];
        assert_eq!(operation["operationId"], E::OPERATION, "{place} is missing in the document");
        assert_eq!(operation["requestBody"].is_null(), E::BODY == BodyForm::None, "{place}");
        assert_eq!(
            operation["security"].as_array().map(Vec::len),
            Some(match E::ACCESS {
                Access::Public | Access::BodyProof | Access::Link => 0,
                Access::DeviceProof | Access::Token(_) => 1,
            }),
            "{place}"
        );
        let media = E::REPLY_MEDIA;
        assert!(
            operation["responses"]["200"]["content"][media]["example"].is_object()
                || operation["responses"]["200"]["content"][media]["example"].is_string(),
            "{place}: reply example"
        );
        for problem in problems::<E>() {
            let response = &operation["responses"][problem.status().to_string()];
            let codes =
                &response["content"]["application/problem+json"]["schema"]["allOf"][1]["properties"]["code"]["enum"];
            assert!(
                codes.as_array().is_some_and(|codes| codes.contains(&problem.code().into())),
                "{place}: {problem:?}"
            );
        }
    }
}

#[test]
fn every_endpoint_keeps_the_laws() {
    let document = serde_json::from_str(&spec::document_text()).expect("JSON");
    let mut laws = Laws { routes: BTreeSet::new(), operations: BTreeSet::new(), document };
    visit_all(&mut laws);
    assert_eq!(laws.routes.len(), 67);
    let documented: usize = laws.document["paths"]
        .as_object()
        .expect("paths")
        .values()
        .map(|item| item.as_object().map_or(0, |i| i.len()))
        .sum();
    assert_eq!(documented, laws.routes.len(), "the document has routes of its own");
    assert_eq!(laws.document["openapi"], "3.1.0");
}

#[test]
fn every_reference_of_the_document_leads_somewhere() {
    fn walk(value: &Value, root: &Value, found: &mut usize) {
        match value {
            Value::Object(map) => {
                if let Some(Value::String(reference)) = map.get("$ref") {
                    let pointer = reference.strip_prefix('#').expect("a local reference");
                    assert!(root.pointer(pointer).is_some(), "{reference} leads nowhere");
                    *found += 1;
                }
                map.values().for_each(|v| walk(v, root, found));
            }
            Value::Array(list) => list.iter().for_each(|v| walk(v, root, found)),
            _ => {}
        }
    }
    let document: Value = serde_json::from_str(&spec::document_text()).expect("JSON");
    let mut found = 0;
    walk(&document, &document, &mut found);
    assert!(found > 100, "only {found} references");
}

#[test]
fn the_table_of_problems_is_whole() {
    let mut codes = BTreeSet::new();
    for problem in Problem::ALL {
        assert!(codes.insert(problem.code()), "{} is there twice", problem.code());
        assert!(problem.code().bytes().all(|c| c.is_ascii_lowercase() || c == b'-'), "{}", problem.code());
        assert!((400..600).contains(&problem.status()), "{}", problem.code());
        assert!(problem.title().ends_with('.') && problem.hint().ends_with(['.', '/']), "{}", problem.code());
        assert_eq!(Problem::from_code(problem.code()), Some(*problem));
        let document = ProblemDocument::new(*problem, "r");
        let text = serde_json::to_vec(&document).expect("JSON");
        assert_eq!(ProblemDocument::read(&text), Some(document));
        assert!(page().contains(&format!("| `{}` |", problem.code())));
    }
    assert_eq!(ProblemDocument::read(br#"{"type":"about:blank","title":"Bad Gateway","status":502}"#), None);
    assert_eq!(ProblemDocument::read(b"<html>"), None);
}

/// Every problem is answered by some endpoint, so that none is documented and never sent.
#[test]
fn no_problem_is_idle() {
    struct All(BTreeSet<Problem>);
    impl Visit for All {
        fn endpoint<E: Endpoint>(&mut self) {
            self.0.extend(problems::<E>());
        }
    }
    let mut all = All(BTreeSet::new());
    visit_all(&mut all);
    let idle: Vec<_> = Problem::ALL.iter().filter(|p| !all.0.contains(p)).collect();
    assert!(idle.is_empty(), "{idle:?}");
}

/// The codes of core that concern a request as a whole are problems; the others set an entry aside.
#[test]
fn every_code_of_core_is_explained() {
    let all = [
        code::MALFORMED_JSON,
        code::NOT_CANONICAL,
        code::BAD_TEXT,
        code::MALFORMED_ENTRY,
        code::OUT_OF_RANGE,
        code::BAD_TIME,
        code::CHAIN_MISMATCH,
        code::ENTRY_TOO_LARGE,
        code::MACHINE_SEQUENCE_GAP,
        code::DEVICE_REVOKED,
        code::BAD_TARGET,
    ];
    for code in all {
        let aside = ASIDE.iter().any(|(aside, _)| *aside == code);
        assert!(aside || Problem::from_code(code).is_some(), "{code} is explained nowhere");
    }
}

/// The examples are not only of the right form: their signatures are true.
#[test]
fn the_examples_are_really_signed() {
    let enrol = sample::enrol_request();
    assert!(verify(&enrol.key, &enrol_text(&enrol.code, &enrol.key), &enrol.proof));
    let sync = sample::sync_request();
    assert_eq!(sync.device, DeviceId::of_key(&enrol.key));
    let push = sync.push.clone().expect("a push");
    let checked = pintle_core::admit::check(push, &enrol.key, &sync.organisation).expect("a true seal");
    assert_eq!(checked.entries.len(), 2);
    assert!(checked.entries.iter().all(|entry| entry.fault.is_none()), "{:?}", checked.entries);
    assert!(verify_seal(&enrol.key, &sync.organisation, &checked.seal));
    assert!(!verify(&enrol.key, &sync_text(b"{}"), &enrol.proof));
    assert_eq!(sample::clashes().len(), 1, "the story has a twin");
    assert_eq!(sample::findings().len(), 1, "and a finding");
}
