//! What the log must never hold, whatever it is set to: the real program at its loudest, through a story with
//! everything secret in it, taken and refused.
//!
//! Promises: every secret of the story is noted where it is made and looked for in all that was logged; the log is shown to
//! hold the story, so that an empty one is no success.

use crate::phone::Phone;
use crate::process::{Server, output};
use pintle_core::exchange::SyncReply;
use pintle_core::ids::{MachineId, StoreId};
use pintle_openapi::endpoints::enrol::EnrolReply;
use pintle_openapi::endpoints::token::TokenReply;
use pintle_server::ambient::System;
use pintle_store::{FreshSecrets, Store as _, sql::SqlStore};
use serde_json::json;
use std::path::Path;

const EX3: MachineId = MachineId([3; 16]);
const LOUD: (&str, &str) = ("PINTLE_LOG", "trace");

/// Everything that must not be logged, with its name.
#[derive(Default)]
struct Secrets(Vec<(&'static str, String)>);

impl Secrets {
    fn note(&mut self, name: &'static str, secret: impl ToString) {
        let secret = secret.to_string();
        assert!(secret.len() >= 12, "{name}: too short to be looked for");
        self.0.push((name, secret));
    }

    /// Bytes, in each of the ways in which a log would show them.
    fn note_bytes(&mut self, name: &'static str, bytes: &[u8]) {
        use base64::Engine as _;
        self.note(name, base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(bytes));
        self.note(name, base64::engine::general_purpose::STANDARD_NO_PAD.encode(bytes));
        self.note(name, bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>());
        self.note(name, format!("{bytes:?}").trim_matches(['[', ']']));
    }

    fn are_not_in(&self, log: &str) {
        for (name, secret) in &self.0 {
            let line = log.lines().find(|line| line.contains(secret.as_str()));
            assert!(line.is_none(), "the log holds a {name}: {line:?}");
        }
    }
}

/// One exchange; what it carried is noted.
fn exchange(server: &Server, phone: &mut Phone, secrets: &mut Secrets) {
    let request = phone.request_at(&System::start(), phone.push(1));
    // Not compressed: what is logged of it could be read.
    let body = serde_json::to_vec(&request).expect("JSON");
    let proof = phone.proof(&body);
    let reply: SyncReply = server.post("/v1/sync", &format!("\r\nPintle-Proof: {proof}"), &body);
    secrets.note("baton", request.baton);
    secrets.note("baton", reply.baton);
    secrets.note("proof", &proof);
    phone.apply(&reply);
}

fn enrol(server: &Server, phone: &mut Phone, secrets: &mut Secrets) {
    let code = server.code();
    let request = phone.enrol_request(&code);
    secrets.note("code", &code);
    secrets.note("code", code.replace('-', ""));
    secrets.note("proof", request.proof);
    let enrolled: EnrolReply = server.post("/v1/enrol", "", &serde_json::to_vec(&request).expect("JSON"));
    secrets.note("baton", enrolled.baton);
    phone.enrolled(&enrolled);
}

/// A token, and a read with it.
fn read(server: &Server, phone: &Phone, secrets: &mut Secrets) -> String {
    let assertion = phone.assertion(&phone.assertion_claims_at(&System::start()));
    let token: TokenReply = server.post("/v1/token", "", json!({"assertion": assertion}).to_string().as_bytes());
    let authorization = format!("Authorization: Bearer {}", token.access_token);
    let (status, ..) = server.send(&format!("GET /v1/machines/{EX3}/book HTTP/1.1\r\n{authorization}"), b"");
    assert_eq!(status, 200);
    for secret in [&assertion, &token.access_token] {
        secrets.note("token", secret);
        secrets.note("signature of a token", secret.rsplit('.').next().expect("three parts"));
        secrets.note("claims of a token", secret.split('.').nth(1).expect("three parts"));
    }
    token.access_token
}

/// All that is refused, each with something secret in it.
fn refused(server: &Server, phone: &Phone, token: &str, secrets: &mut Secrets) {
    let post = |target: &str, headers: &str, body: &[u8]| {
        server.send(&format!("POST {target} HTTP/1.1\r\nContent-Type: application/json{headers}"), body).0
    };
    let wrong = Phone::made(&System::start(), "M4").enrol_request("7KQF-2M9R-XW4T");
    secrets.note("code", "7KQF-2M9R-XW4T");
    secrets.note("proof", wrong.proof);
    assert_eq!(post("/v1/enrol", "", &serde_json::to_vec(&wrong).expect("JSON")), 403);
    assert_eq!(post("/v1/enrol", "", br#"{"code":"ZZZZ-HALF-WORD""#), 400);
    secrets.note("body", "ZZZZ-HALF-WORD");
    let body = json!({"note": "unreadable-words-of-a-body"}).to_string();
    let proof = phone.proof(body.as_bytes());
    secrets.note("body", "unreadable-words-of-a-body");
    secrets.note("proof", &proof);
    assert_eq!(post("/v1/sync", &format!("\r\nPintle-Proof: {proof}"), body.as_bytes()), 422);
    let good = serde_json::to_vec(&phone.request_at(&System::start(), phone.push(1))).expect("JSON");
    assert_eq!(post("/v1/sync", &format!("\r\nPintle-Proof: {proof}"), &good), 401);
    let forged = format!("{}AAAA", &token[..token.len() - 4]);
    secrets.note("forged token", &forged);
    for header in [format!("Authorization: Bearer {forged}"), format!("Authorization: Basic {forged}")] {
        assert_eq!(server.send(&format!("GET /v1/me HTTP/1.1\r\n{header}"), b"").0, 401);
    }
    let (status, ..) =
        server.send(&format!("GET /v1/me?access_token={token} HTTP/1.1\r\nCookie: a-cookie-of-ours=1"), b"");
    assert_eq!(status, 401);
    secrets.note("cookie", "a-cookie-of-ours");
    assert_eq!(post("/v1/token", "", json!({"assertion": "not-an-assertion-at-all"}).to_string().as_bytes()), 401);
    secrets.note("body", "not-an-assertion-at-all");
    // Not HTTP at all: what the library itself makes of it.
    server.send(&format!("BROKEN {token} \u{1}"), b"broken-bytes-of-a-body");
    secrets.note("body", "broken-bytes-of-a-body");
}

/// The secrets that the database holds.
fn of_the_database(folder: &Path, secrets: &mut Secrets) {
    let url = format!("sqlite:{}?mode=rwc", folder.join("pintle.db").display());
    let fresh =
        FreshSecrets { store: StoreId([0; 16]), cursor_secret: [0; 32], token_secret: [0; 32], ledger_secret: [0; 32] };
    actix_web::rt::System::new().block_on(async {
        let store = SqlStore::open(&url, fresh, 0).await.expect("a database");
        assert_ne!(store.identity().token_secret, [0; 32], "it is the server's own");
        secrets.note_bytes("secret of cursors", &store.identity().cursor_secret);
        secrets.note_bytes("secret of tokens", &store.identity().token_secret);
        secrets.note_bytes("secret of the server's logs", &store.identity().ledger_secret);
        for key in store.token_keys().await.expect("keys") {
            secrets.note_bytes("key of tokens", &key.seed);
        }
        store.close().await.expect("closed");
    });
}

#[test]
fn nothing_secret_is_logged_however_loud_the_log_is() {
    for form in ["text", "json"] {
        let folder = tempfile::tempdir().expect("a folder");
        let mut secrets = Secrets::default();
        let (exit, _, told) = output(folder.path(), &["organisation", "add", "Gravel crew", "--log", "trace"]);
        assert_eq!(exit, Some(0));
        let (_, shown, also_told) = output(folder.path(), &["code", "--role", "crew", "--log", "trace"]);
        secrets.note("code", shown.split_whitespace().last().expect("a code"));
        let (_, _, of_keys) = output(folder.path(), &["keys", "rotate", "--log", "trace"]);
        let server = Server::start(folder.path(), &[LOUD, ("PINTLE_LOG_FORMAT", form)]);
        let mut phone = Phone::made(&System::start(), "K7");
        secrets.note_bytes("key of a device", &phone.secret());
        phone.person.name = "Person with a long name".to_owned();
        secrets.note("name of a person", &phone.person.name);
        enrol(&server, &mut phone, &mut secrets);
        let parts = json!({"body": {}, "words": {"salt": "salt-of-the-words", "text": "left pin squeaks"},
            "office": {"salt": "salt-of-the-office", "customer": "customer-of-ours"}});
        phone.record_parts(EX3, 0, "note_left", parts);
        for words in ["salt-of-the-words", "left pin squeaks", "salt-of-the-office", "customer-of-ours"] {
            secrets.note("word of an entry", words);
        }
        exchange(&server, &mut phone, &mut secrets);
        exchange(&server, &mut phone, &mut secrets);
        let token = read(&server, &phone, &mut secrets);
        refused(&server, &phone, &token, &mut secrets);
        assert!(server.stop("-TERM").success());
        of_the_database(folder.path(), &mut secrets);

        let log = std::fs::read_to_string(folder.path().join("log")).expect("a log");
        let log = [log, told, also_told, of_keys].concat();
        for sign in ["TRACE", "/v1/sync", "/v1/enrol", "proof does not verify", "bad-proof", "device enrolled"] {
            assert!(log.contains(sign), "the log does not tell the story: no {sign}");
        }
        secrets.are_not_in(&log);
    }
}

#[test]
fn a_secret_in_a_log_is_found() {
    let mut secrets = Secrets::default();
    secrets.note_bytes("key", &[7; 32]);
    let shown = format!("key: {:?}", [7u8; 32]);
    for log in [
        shown.as_str(),
        "key: BwcHBwcHBwcHBwcHBwcHBwcHBwcHBwcHBwcHBwcHBwc",
        "0707070707070707070707070707070707070707070707070707070707070707",
    ] {
        let found = std::panic::catch_unwind(|| secrets.are_not_in(log));
        assert!(found.is_err(), "{log}");
    }
    secrets.are_not_in("nothing of it");
}
