//! The program itself: started, spoken to over TCP, told to stop, started again.
//!
//! Promises: each server listens on a free port of 127.0.0.1, on a database in a folder of its own, and is gone at the
//! end of its test.

use crate::phone::{Phone, gzip};
use pintle_core::exchange::{PushOutcome, SyncReply};
use pintle_core::ids::MachineId;
use pintle_openapi::ProblemDocument;
use pintle_openapi::endpoints::enrol::EnrolReply;
use pintle_openapi::endpoints::token::TokenReply;
use pintle_server::ambient::System;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{Shutdown, TcpStream};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};

const EX3: MachineId = MachineId([3; 16]);

pub struct Server {
    child: Child,
    /// Lines before the one that says where it listens.
    lines: Vec<String>,
    address: String,
}

pub fn program(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pintle-server"));
    command.current_dir(folder).env_clear().stdin(Stdio::null());
    command
}

pub fn output(folder: &Path, arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = program(folder).args(arguments).output().expect("it runs");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (output.status.code(), text(output.stdout), text(output.stderr))
}

impl Server {
    pub fn start(folder: &Path, settings: &[(&str, &str)]) -> Self {
        let log = std::fs::File::options().create(true).append(true).open(folder.join("log")).expect("a log file");
        let mut command = program(folder);
        command.args(["--listen", "127.0.0.1:0"]).envs(settings.iter().copied());
        let mut child = command.stdout(Stdio::piped()).stderr(log).spawn().expect("it starts");
        let mut lines = Vec::new();
        let mut out = BufReader::new(child.stdout.take().expect("piped"));
        loop {
            let mut line = String::new();
            assert_ne!(out.read_line(&mut line).expect("a line"), 0, "it ended: {lines:?}");
            match line.trim_end().strip_prefix("listening on http://") {
                Some(address) => return Self { child, lines, address: address.to_owned() },
                None => lines.push(line.trim_end().to_owned()),
            }
        }
    }

    pub fn send(&self, head: &str, body: &[u8]) -> (u16, String, Vec<u8>) {
        let mut stream = TcpStream::connect(&self.address).expect("it listens");
        let length = body.len();
        let head = format!("{head}\r\nHost: {}\r\nConnection: close\r\nContent-Length: {length}\r\n\r\n", self.address);
        stream.write_all(head.as_bytes()).expect("it takes the head");
        stream.write_all(body).expect("it takes the body");
        answer(stream)
    }

    pub fn post<T: DeserializeOwned>(&self, target: &str, headers: &str, body: &[u8]) -> T {
        let head = format!("POST {target} HTTP/1.1\r\nContent-Type: application/json{headers}");
        let (status, _, body) = self.send(&head, body);
        assert_eq!(status, 200, "{}", String::from_utf8_lossy(&body));
        serde_json::from_slice(&body).expect("a reply of the contract")
    }

    /// The code in the line that tells the owner what to type.
    pub fn code(&self) -> String {
        let line = self.lines.iter().find(|line| line.contains("pintle enrol")).expect("a line to type");
        assert_eq!(line.split_whitespace().nth(2), Some(&*format!("http://{}", self.address)));
        line.split_whitespace().last().expect("a code").to_owned()
    }

    pub fn stop(mut self, signal: &str) -> ExitStatus {
        let pid = self.child.id().to_string();
        assert!(Command::new("kill").args([signal, &pid]).status().expect("kill runs").success());
        self.child.wait().expect("it ends")
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // A test that failed half way leaves no server behind; one that was stopped has ended before.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn answer(mut stream: TcpStream) -> (u16, String, Vec<u8>) {
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).expect("an answer");
    let end = bytes.windows(4).position(|four| four == b"\r\n\r\n").expect("the end of the head");
    let head = String::from_utf8(bytes[..end].to_vec()).expect("ASCII");
    let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).expect("a status");
    (status, head, bytes[end + 4..].to_vec())
}

fn exchange(server: &Server, phone: &mut Phone, from: usize) -> (SyncReply, String) {
    let body = serde_json::to_vec(&phone.request_at(&System::start(), phone.push(from))).expect("JSON");
    let proof = phone.proof(&body);
    let headers = format!("\r\nPintle-Proof: {proof}\r\nContent-Encoding: gzip");
    let reply: SyncReply = server.post("/v1/sync", &headers, &gzip(&body));
    phone.apply(&reply);
    (reply, proof)
}

#[test]
fn it_is_told_to_stop_and_knows_everything_when_it_starts_again() {
    let folder = tempfile::tempdir().expect("a folder");
    let ambient = System::start();
    let server = Server::start(folder.path(), &[("PINTLE_LOG_FORMAT", "json"), ("PINTLE_ORGANISATION", "Gravel crew")]);
    let code = server.code();
    let mut phone = Phone::made(&ambient, "K7");
    let request = serde_json::to_vec(&phone.enrol_request(&code)).expect("JSON");
    let enrolled: EnrolReply = server.post("/v1/enrol", "", &request);
    assert_eq!((enrolled.organisation.name.as_str(), enrolled.role), ("Gravel crew", pintle_openapi::Role::Owner));
    phone.enrolled(&enrolled);
    phone.record_parts(EX3, 0, "note_left", json!({"body": {}, "words": {"salt": "x", "text": "left pin squeaks"}}));
    let (reply, proof) = exchange(&server, &mut phone, 1);
    assert_eq!(reply.push.outcome, PushOutcome::Accepted);
    let assertion = phone.assertion(&phone.assertion_claims_at(&ambient));
    let body = json!({"assertion": assertion}).to_string();
    let token: TokenReply = server.post("/v1/token", "", body.as_bytes());
    let authorization = format!("Authorization: Bearer {}", token.access_token);
    let (status, _, machines) = server.send(&format!("GET /v1/machines HTTP/1.1\r\n{authorization}"), b"");
    assert_eq!(status, 200);
    assert_eq!(serde_json::from_slice::<Value>(&machines).expect("JSON")["items"][0]["id"], json!(EX3));
    assert!(server.stop("-TERM").success(), "told to stop, it ends well");

    let log = std::fs::read_to_string(folder.path().join("log")).expect("a log");
    for line in log.lines() {
        assert!(serde_json::from_str::<Value>(line).is_ok(), "not JSON: {line}");
    }
    assert_eq!(log.matches("\"route\":\"/v1/sync\"").count(), 1, "{log}");
    let secrets = [&code, &proof, &token.access_token, &assertion, "Bearer", "squeaks", "Person K7"];
    for secret in secrets {
        assert!(!log.contains(secret), "the log holds {secret}");
    }

    let server = Server::start(folder.path(), &[]);
    assert_eq!(server.lines, Vec::<String>::new(), "an organisation with a device needs no code");
    let (reply, _) = exchange(&server, &mut phone, 1);
    assert_eq!((reply.push.outcome, reply.store), (PushOutcome::AlreadyHeld, enrolled.store));
    let (status, ..) = server.send(&format!("GET /v1/me HTTP/1.1\r\n{authorization}"), b"");
    assert_eq!(status, 200, "a token outlives the process");
    assert!(server.stop("-INT").success());
}

#[test]
fn the_operator_has_commands() {
    let folder = tempfile::tempdir().expect("a folder");
    let run = |arguments: &[&str]| output(folder.path(), arguments);
    let (exit, _, complaint) = run(&["code"]);
    assert_eq!(exit, Some(1));
    assert!(complaint.contains("pintle-server organisation add NAME"), "{complaint}");
    let (exit, shown, _) = run(&["organisation", "add", "Gravel crew", "--url", "https://pintle.example"]);
    assert_eq!(exit, Some(0));
    assert!(shown.contains("  pintle enrol https://pintle.example "), "{shown}");
    let (exit, _, complaint) = run(&["organisation", "add", "Gravel crew"]);
    assert_eq!(
        (exit, complaint.as_str()),
        (Some(1), "pintle-server: there is an organisation \"Gravel crew\" already\n")
    );

    let server = Server::start(folder.path(), &[]);
    let mut phone = Phone::made(&System::start(), "K7");
    let (_, shown, _) = run(&["code", "--role", "mechanic"]);
    let code = shown.split_whitespace().last().expect("a code");
    let request = serde_json::to_vec(&phone.enrol_request(code)).expect("JSON");
    let enrolled: EnrolReply = server.post("/v1/enrol", "", &request);
    phone.enrolled(&enrolled);
    let (_, shown, _) = run(&["devices"]);
    assert!(shown.contains(&phone.id().to_string()) && shown.contains("Person K7"), "{shown}");
    assert_eq!(run(&["revoke", "k7"]).0, Some(0));
    assert!(run(&["devices"]).1.contains("revoked"));
    let (_, shown, _) = run(&["restored"]);
    let epoch = shown.strip_suffix(": with their next sync devices offer again what this copy lacks\n");
    let epoch = epoch.and_then(|shown| shown.strip_prefix("epoch ")?.parse::<u64>().ok());
    assert!(epoch.is_some_and(|epoch| epoch > 1_700_000_000), "the time in seconds: {shown}");
    let (reply, _) = exchange(&server, &mut phone, 1);
    assert_eq!(reply.pull.outcome, pintle_core::exchange::PullOutcome::Closed, "at once");

    let keys = |arguments: &[&str]| {
        let (exit, shown, complaint) = run(arguments);
        assert_eq!(exit, Some(0), "{complaint}");
        shown.lines().map(|line| line.trim().split_once("  ").expect("name and state").1.to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(keys(&["keys"]), ["signs"]);
    let lines = keys(&["keys", "rotate"]);
    assert!(lines[0] == "signs" && lines[1].starts_with("signs from 2"), "{lines:?}");
    assert_eq!(keys(&["keys", "rotate", "--at-once", "--database", "sqlite:pintle.db"]), ["over", "signs"]);

    for (arguments, exit) in [
        (&["revoke", "X9"][..], 1),
        (&["code", "--organisation", "Nobody"], 1),
        (&["code", "--role", "king"], 2),
        (&["code", "--hours", "0"], 2),
        (&["--listen", "nowhere"], 2),
        (&["--database", "postgres://127.0.0.1:1/none", "devices"], 2),
        (&["devices", "--database", "nonsense:x"], 1),
        (&["dance"], 2),
    ] {
        let (code, _, complaint) = run(arguments);
        assert_eq!(code, Some(exit), "{arguments:?}: {complaint}");
        assert!(!complaint.is_empty() && !complaint.contains("panicked"), "{arguments:?}: {complaint}");
    }
    let taken = run(&["--listen", &server.address]);
    assert_eq!(taken.0, Some(1));
    assert!(taken.2.contains("cannot listen on"), "{}", taken.2);
}

/// What the HTTP library answers before any of our code is reached: refused, and the server lives.
/// However loud the log is, nobody writes a line of their own into it, nor anything a terminal would obey.
#[test]
fn nobody_writes_lines_into_the_log() {
    for form in ["text", "json"] {
        let folder = tempfile::tempdir().expect("a folder");
        let server = Server::start(folder.path(), &[("PINTLE_LOG", "trace,h2=off"), ("PINTLE_LOG_FORMAT", form)]);
        for head in [
            "GET /v1/x%0aFORGED%1b%5b2J%0d%0aFORGED HTTP/1.1",
            "GET /v1/machines?site=%0aFORGED%1b%5b2J HTTP/1.1",
            "GET /v1/me HTTP/1.1\r\nAuthorization: Bearer x\ty\r\nPintle-Request: a%0aFORGED",
            "GET /v1/me HTTP/1.1\r\nUser-Agent: \x1b[2J",
            "GET /v1/me HTTP/1.1\r\nX-Id: a\nFORGED",
        ] {
            let (status, ..) = server.send(head, b"");
            assert!((400..500).contains(&status), "{head:?}: {status}");
        }
        server.stop("-TERM");
        let log = std::fs::read_to_string(folder.path().join("log")).expect("the log");
        assert!(log.lines().count() > 5, "it is loud");
        assert!(!log.contains('\u{1b}'), "an escape character");
        for line in log.lines() {
            assert!(!line.starts_with("FORGED"), "{line}");
            assert!(form == "text" || serde_json::from_str::<serde_json::Value>(line).is_ok(), "{line}");
        }
    }
}

#[test]
fn what_is_not_http_does_no_harm() {
    let folder = tempfile::tempdir().expect("a folder");
    let server = Server::start(folder.path(), &[]);
    let host = format!("Host: {}\r\n", server.address);
    let raw = [
        "\u{0}\u{1}\u{2}\r\n\r\n".to_owned(),
        "GET / HTTP/9.9\r\n\r\n".to_owned(),
        format!("POST /v1/sync HTTP/1.1\r\n{host}Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"),
        format!("POST /v1/sync HTTP/1.1\r\n{host}Content-Length: 5\r\nContent-Length: 6\r\n\r\n{{}}"),
        format!("GET /healthz HTTP/1.1\r\n{host}{}\r\n", "X: y\r\n".repeat(200)),
        format!("GET /healthz HTTP/1.1\r\n{host}X: {}\r\n\r\n", "y".repeat(140_000)),
        format!("GET /{} HTTP/1.1\r\n{host}\r\n", "x".repeat(140_000)),
    ];
    for text in raw {
        let mut stream = TcpStream::connect(&server.address).expect("it listens");
        // It may close before it has read all of it.
        let _ = stream.write_all(text.as_bytes());
        let _ = stream.shutdown(Shutdown::Write);
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes);
        let status = String::from_utf8_lossy(&bytes).split(' ').nth(1).map(str::to_owned);
        assert!(status.is_none_or(|status| status.starts_with('4')), "{text:.60}: {}", String::from_utf8_lossy(&bytes));
    }
    let head =
        format!("POST /v1/sync HTTP/1.1\r\n{host}Content-Type: application/json\r\nContent-Length: 3000000\r\n\r\n");
    let mut stream = TcpStream::connect(&server.address).expect("it listens");
    stream.write_all(head.as_bytes()).expect("it takes the head");
    let (status, head, body) = answer(stream);
    assert_eq!((status, ProblemDocument::read(&body).map(|d| d.code)), (413, Some("payload-too-large".to_owned())));
    assert!(head.to_lowercase().contains("connection: close"), "the rest of the body is not wanted: {head}");
    let (status, ..) = server.send("GET /healthz HTTP/1.1", b"");
    assert_eq!(status, 200);
    assert!(server.stop("-TERM").success());
}
