//! The week of the demonstration, played without an audience: what the server answers is what every device answers.
//!
//! Promises: real programs; whole documents are compared, names included, for each machine of the week: what is due, the
//! handover, the book, how it was kept, its records against a rule; and the bench cards.

use pintle_core::chain::DeviceKey;
use pintle_core::ids::{DeviceId, StoreId};
use pintle_core::moment::Moment;
use pintle_openapi::endpoints::token::{AssertionClaims, AssertionHeader, assertion};
use pintle_tests::demo::scenario::{Crew, What, week};
use pintle_tests::demo::stage::{Setting, Stage};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Monday, 4 May 2026, 00:00 at the place.
const MONDAY_S: i64 = 1_777_845_600;
const OFFSET_S: i32 = 7200;
/// Friday evening, in minutes of the week.
const EVENING: i64 = 4 * 1440 + 18 * 60;
const MACHINES: [&str; 5] = ["EX3", "LD1", "TR2", "BH4", "CR5"];

fn text(second: i64) -> String {
    Moment::at(second, OFFSET_S).expect("a moment").to_string()
}

fn setting(crew: Crew, minute: i64) -> Setting {
    let second = MONDAY_S + minute * 60;
    Setting { clock: text(second), boot: format!("{}boot:{}", crew.mark(), 100_000 + (minute + 2000) * 60) }
}

struct Week {
    stage: Stage,
    token: String,
    _folder: tempfile::TempDir,
}

impl Week {
    /// Plays the week up to Friday evening, when all logs have come together.
    fn played() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let mut stage = Stage::new(folder.path().join("stage"), crate::whole::programs()).expect("a stage");
        let mut names: BTreeMap<&str, String> = BTreeMap::new();
        stage.server_clock(Some(&text(MONDAY_S))).expect("a clock");
        stage.start_server("Valley crews").expect("a server");
        for act in week() {
            stage.server_clock(Some(&text(MONDAY_S + act.minute * 60))).expect("a clock");
            let at = setting(act.crew, act.minute);
            match act.what {
                What::Syncs => stage.must(act.crew, &at, &["sync"]).map(|_| ()).expect("it syncs"),
                What::Enrols => enrol(&mut stage, act.crew, &at),
                What::Types { arguments, keep } => {
                    let known = |a: &String| a.strip_prefix('{').and_then(|a| names.get(a.strip_suffix('}')?)).cloned();
                    let filled: Vec<String> = arguments.iter().map(|a| known(a).unwrap_or_else(|| a.clone())).collect();
                    let ran = stage.pintle(act.crew, &at, &filled).expect("it runs");
                    assert_eq!(ran.code, 0, "{filled:?}: {}{}", ran.stdout, ran.stderr);
                    if let Some(keep) = keep {
                        names.insert(keep, named(&ran.stdout, act.crew));
                    }
                }
            }
        }
        for (n, crew) in [Crew::R9, Crew::K7, Crew::M4, Crew::R9, Crew::K7].into_iter().enumerate() {
            let minute = EVENING + i64::try_from(n).expect("a few");
            stage.server_clock(Some(&text(MONDAY_S + minute * 60))).expect("a clock");
            stage.must(crew, &setting(crew, minute), &["sync"]).expect("it syncs");
        }
        let token = token(&stage);
        Self { stage, token, _folder: folder }
    }

    fn said(&mut self, crew: Crew, minute: i64, arguments: &[&str]) -> Value {
        self.stage.json(crew, &setting(crew, minute), arguments).expect("JSON").0
    }

    fn answered(&self, target: &str) -> Value {
        let asked = ureq::get(format!("{}{target}", self.stage.url()));
        read(asked.header("Authorization", format!("Bearer {}", self.token)).call().expect(target))
    }
}

fn read(mut reply: ureq::http::Response<ureq::Body>) -> Value {
    serde_json::from_slice(&reply.body_mut().read_to_vec().expect("a body")).expect("JSON")
}

fn enrol(stage: &mut Stage, crew: Crew, at: &Setting) {
    if crew != Crew::M4 {
        stage.must(crew, at, &["setup", "--name", crew.owner(), "--mark", crew.mark()]).expect("it is set up");
    }
    let code = if crew == Crew::K7 { stage.first_code() } else { stage.another_code() }.expect("a code");
    let url = stage.url();
    stage.must(crew, at, &["enrol", &url, &code]).expect("it is enrolled");
}

/// The entry that an answer names.
fn named(answer: &str, crew: Crew) -> String {
    let start = format!("{}-", crew.mark());
    let word = answer.split_whitespace().find(|word| word.starts_with(&start)).expect("an entry is named");
    word.trim_end_matches(|c: char| !c.is_ascii_digit()).to_owned()
}

/// A token for the phone K7, by its own key.
fn token(stage: &Stage) -> String {
    let secret = std::fs::read(stage.home(Crew::K7).join("device.key")).expect("a key");
    let key = DeviceKey::from_secret(secret[..32].try_into().expect("32 bytes"));
    let id = DeviceId::of_key(&key.public()).to_string();
    let ledger = rusqlite::Connection::open(stage.folder().join("ledger.db")).expect("a ledger");
    let store: Vec<u8> =
        ledger.query_row("SELECT store FROM store_identity", [], |row| row.get(0)).expect("a store id");
    let store = StoreId(store.try_into().expect("16 bytes"));
    let now_s = MONDAY_S + (EVENING + 4) * 60;
    let claims = AssertionClaims {
        iss: id.clone(),
        sub: id.clone(),
        aud: store.to_string(),
        iat: now_s,
        exp: now_s + 60,
        jti: "same answer".into(),
    };
    let header = AssertionHeader { alg: "EdDSA".into(), typ: "JWT".into(), kid: id };
    let request = json!({"assertion": assertion(&header, &claims, |text| key.sign(text))});
    let asked = ureq::post(format!("{}/v1/token", stage.url())).header("Content-Type", "application/json");
    let reply = read(asked.send(request.to_string().as_bytes()).expect("a token"));
    reply["access_token"].as_str().expect("a token").to_owned()
}

#[test]
fn the_server_answers_what_every_device_answers() {
    let mut week = Week::played();
    let minute = EVENING + 30;
    let at = text(MONDAY_S + minute * 60).replace('+', "%2B");
    // Who has synced last holds everything; so does the server.
    let crew = Crew::K7;
    let due = week.said(crew, minute, &["due"]);
    let mut answered = week.answered(&format!("/v1/due?at={at}"));
    assert_eq!(answered.as_object_mut().and_then(|reply| reply.remove("next")), Some(Value::Null));
    assert_eq!(answered, due);
    assert_eq!(due["due"].as_array().map(Vec::len), Some(MACHINES.len()), "{due}");
    assert!(due["due"][0]["tagged_out"].as_array().is_some_and(|why| !why.is_empty()), "one is tagged out: {due}");
    let site = week.said(crew, minute, &["due", "--site", "lower meadow"]);
    assert_eq!(week.answered(&format!("/v1/due?site=Lower%20Meadow&at={at}"))["due"], site["due"]);

    for machine in MACHINES {
        let one = week.said(crew, minute, &["due", machine]);
        let id = one["due"][0]["machine"].as_str().expect("an id").to_owned();
        let of = |tail: &str| format!("/v1/machines/{id}/{tail}");
        let answered = week.answered(&of(&format!("due?at={at}")));
        assert_eq!(answered, json!({"at": one["at"], "due": one["due"][0], "names": one["names"]}), "{machine}");
        let handover = week.said(crew, minute, &["handover", machine]);
        assert_eq!(week.answered(&of(&format!("handover?at={at}"))), handover, "{machine}");
        let other = week.said(crew, minute, &["handover", machine, "--as", "Wen"]);
        let to = other["to"].as_str().expect("a person");
        assert_eq!(week.answered(&of(&format!("handover?to={to}&at={at}"))), other, "{machine}");
        let book = week.said(crew, minute, &["book", machine]);
        assert_eq!(week.answered(&of("book")), book, "{machine}");
        assert_eq!(week.answered(&of("hands"))["hands"], book["book"]["hands"], "{machine}");
        for counting in ["window", "done", "due", "earlier"] {
            let kept = week.said(crew, minute, &["keeping", machine, "--counting", counting]);
            assert_eq!(week.answered(&of(&format!("keeping?counting={counting}"))), kept, "{machine} {counting}");
        }
        assert_eq!(week.answered(&of("keeping")), week.said(crew, minute, &["keeping", machine]), "{machine}");
        for (rule, asked) in [("49 CFR 396.11", "49%20CFR%20396.11"), ("30 CFR 56.14100", "30cfr56.14100")] {
            let records = week.said(crew, minute, &["keeping", machine, "--rule", rule]);
            assert_eq!(week.answered(&of(&format!("records?rule={asked}"))), records, "{machine} {rule}");
        }
    }
    assert_eq!(week.answered("/v1/rules"), week.said(crew, minute, &["keeping", "--rules"]));
}

#[test]
fn the_bench_card_is_the_same_from_both() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut stage = Stage::new(folder.path().join("stage"), crate::whole::programs()).expect("a stage");
    stage.start_server("Valley crews").expect("a server");
    for (arguments, target) in [
        (&["thread", "M10x1"][..], "thread?thread=M10x1"),
        (
            &["thread", "1/4-28", "--off-centre", "0.3", "--sets", "number,metric"],
            "thread?thread=1%2F4-28&off_centre=0.3&sets=number,metric",
        ),
        (&["thread", "1/8 NPT", "--off-centre", "2"], "thread?thread=1%2F8%20NPT&off_centre=2"),
        (&["grease", "KP2K-20"], "grease?grease=KP2K-20"),
        (&["grease", "ISO-L-XBCHB", "2"], "grease?grease=ISO-L-XBCHB%202"),
        (&["grease", "280"], "grease?grease=280"),
        (&["grease", "300"], "grease?grease=300"),
        (&["gun", "--before", "512", "--after", "497", "--strokes", "10"], "gun?before=512&after=497&strokes=10"),
        (
            &["gun", "--before", "512", "--after", "497.5", "--strokes", "9", "--need", "9"],
            "gun?before=512&after=497.5&strokes=9&need=9",
        ),
        (&["bearing", "90", "20"], "bearing?outer=90&width=20"),
        (&["bearing", "90", "20.5", "--stroke", "1.5"], "bearing?outer=90&width=20.5&stroke=1.5"),
    ] {
        let said = stage.json(Crew::K7, &setting(Crew::K7, 0), &[&["bench"], arguments].concat()).expect("JSON").0;
        let answered = read(ureq::get(format!("{}/v1/bench/{target}", stage.url())).call().expect(target));
        assert_eq!(answered, said, "{target}");
    }
}
