//! Databases, captured exchanges and service histories of every schema that ever landed (`tests/old`): they open, are brought up to date, are
//! found sound, and sync; what a client of then sent is still answered; a history is as valid as it was.
//!
//! Promises: each folder was written by the programs of its time, see `tests/old/make`. A folder is never made again by a
//! later program: its reader would then be its writer.

use crate::postgres::Postgres;
use crate::whole::programs;
use flate2::read::GzDecoder;
use pintle_core::exchange::{PushOutcome, SyncReply, SyncRequest};
use pintle_core::history::verdict::{Standing, Verdict};
use pintle_core::history::verify::Verifier;
use pintle_core::stamp::Authority;
use pintle_openapi::endpoints::enrol::{EnrolReply, EnrolRequest};
use pintle_tests::rounds::servers::{Device, Start};
use rusqlite::Connection;
use serde_json::Value;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};

/// The folders, in order of the schema.
fn folders() -> Vec<(String, PathBuf)> {
    let all = std::fs::read_dir(crate::tidy::root().join("tests/old")).expect("a folder");
    let mut folders: Vec<_> = all
        .map(|item| item.expect("an item").path())
        .filter(|path| path.is_dir())
        .map(|path| (path.file_name().expect("a name").to_string_lossy().into_owned(), path))
        .collect();
    folders.sort();
    assert!(!folders.is_empty(), "the old databases are gone");
    folders
}

fn unpacked(file: &Path) -> Vec<u8> {
    let packed = std::fs::File::open(file).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
    let mut bytes = Vec::new();
    GzDecoder::new(packed).read_to_end(&mut bytes).expect("it was packed whole");
    bytes
}

/// Lays the devices out in a folder; they will ask the server at `url`.
fn devices(old: &Path, folder: &Path, url: &str) -> [Device; 2] {
    ["K7", "M4"].map(|mark| {
        let device = Device::new(&programs(), folder, mark);
        std::fs::create_dir_all(&device.home).expect("a folder");
        for file in ["log.db", "device.key"] {
            let bytes = unpacked(&old.join(mark).join(format!("{file}.gz")));
            std::fs::write(device.home.join(file), bytes).expect("written");
        }
        Connection::open(device.home.join("log.db"))
            .and_then(|log| log.execute("UPDATE sync SET server = ?", [url]))
            .expect("the server has moved");
        device
    })
}

fn sqlite(old: &Path, folder: &Path) -> Start {
    std::fs::write(folder.join("ledger.db"), unpacked(&old.join("ledger.db.gz"))).expect("written");
    let database = format!("sqlite:{}?mode=rwc", folder.join("ledger.db").display());
    Start { programs: programs(), folder: folder.to_owned(), database }
}

/// Devices of then bring what they had not sent; everybody has the same book, and nothing is wrong anywhere.
fn lives_on(name: &str, old: &Path, start: &Start) {
    let server = start.start().unwrap_or_else(|error| panic!("{name}: {error}"));
    let (code, said) = start.operator(&["check"]).expect("it runs");
    assert_eq!(code, 0, "{name}: {said}");
    let devices = devices(old, &start.folder, &format!("http://{}", server.address));
    let must = |device: &Device, words: &[&str]| device.must(words).unwrap_or_else(|error| panic!("{name}: {error}"));
    for device in &devices {
        assert!(must(device, &["doctor"]).contains("All sound."), "{name}");
    }
    must(&devices[1], &["note", "EX3", "after the upgrade"]);
    for index in [1, 0, 1] {
        must(&devices[index], &["sync"]);
    }
    let book = must(&devices[0], &["--json", "book", "EX3"]);
    assert_eq!(book, must(&devices[1], &["--json", "book", "EX3"]), "{name}");
    let book: Value = serde_json::from_str(&book).expect("JSON");
    assert_eq!(book.pointer("/book/counts/entries"), Some(&Value::from(10)), "{name}: {book}");
    for text in ["not sent yet", "after the upgrade", "left mirror loose"] {
        assert_eq!(must(&devices[0], &["--json", "log", "EX3"]).matches(&format!("\"{text}\"")).count(), 1, "{name}");
    }
    assert!(must(&devices[0], &["clashes"]).contains("412"), "{name}: the clash of then is still open");
    for device in &devices {
        assert!(must(device, &["doctor"]).contains("All sound."), "{name}");
    }
    let (code, said) = start.operator(&["check"]).expect("it runs");
    assert_eq!(code, 0, "{name}: {said}");
    server.kill();
}

#[test]
fn each_old_sqlite_database_is_backed_up_brought_up_to_date_and_lives_on() {
    for (name, old) in folders() {
        let folder = tempfile::tempdir().expect("a folder");
        let start = sqlite(&old, folder.path());
        // Looked at as it lies, it is told to be older, and nothing is changed; or it is of today.
        let (code, said) = start.operator(&["check"]).expect("it runs");
        assert!((code == 1 && said.contains("it lacks step")) || code == 0, "{name}: {code}: {said}");
        let (code, said) = start.operator(&["backup", "before.db"]).expect("it runs");
        assert!(code == 0 && (said.contains("not looked through") || said.contains("all sound")), "{name}: {said}");
        lives_on(&name, &old, &start);
        // Back to the evening before the upgrade, with the program of today.
        let (code, said) = start.operator(&["restore", "before.db"]).expect("it runs");
        assert!(code == 0 && said.contains("all sound"), "{name}: {code}: {said}");
    }
}

#[test]
fn each_old_postgres_database_is_brought_up_to_date_and_lives_on() {
    let dumps: Vec<_> = folders().into_iter().filter(|(_, old)| old.join("ledger.sql.gz").exists()).collect();
    assert!(!dumps.is_empty(), "there is no dump");
    for (index, (name, old)) in dumps.iter().enumerate() {
        let Some(postgres) = Postgres::new(&format!("old{index}")) else { return };
        let folder = tempfile::tempdir().expect("a folder");
        let dump = folder.path().join("ledger.sql");
        std::fs::write(&dump, unpacked(&old.join("ledger.sql.gz"))).expect("written");
        postgres.load(&dump);
        let (programs, folder, database) = (programs(), folder.path().to_owned(), postgres.url.clone());
        let start = Start { programs, folder, database };
        let server = start.start().unwrap_or_else(|error| panic!("{name}: {error}"));
        let (code, said) = start.operator(&["check"]).expect("it runs");
        assert_eq!(code, 0, "{name}: {said}");
        let (code, said) = start.operator(&["devices"]).expect("it runs");
        assert!(code == 0 && said.contains("K7") && said.contains("Ines"), "{name}: {said}");
        server.kill();
    }
}

/// What a history of then is found to be today, under its key and with its authority, if it has one.
fn judged(history: &[u8], key: &str, authority: Option<&[u8]>) -> Verdict {
    let believed = authority.map(|pem| Authority::read_pem(pem).expect("a certificate")).unwrap_or_default();
    let mut verifier = Verifier::new(Some(key.trim().parse().expect("a key"))).believing(believed);
    BufReader::new(GzDecoder::new(history)).split(b'\n').for_each(|line| verifier.line(&line.expect("it inflates")));
    verifier.finish()
}

#[test]
fn each_old_service_history_is_as_valid_as_it_was() {
    let mut names = Vec::new();
    for (name, old) in folders() {
        let files = std::fs::read_dir(&old).expect("a folder").map(|item| item.expect("an item").path());
        for file in files.filter(|path| path.extension().is_some_and(|ending| ending == "history")) {
            let history = std::fs::read(&file).expect("read");
            let key = std::fs::read_to_string(file.with_extension("key")).expect("its key");
            let authority = std::fs::read(file.with_extension("pem")).ok();
            let verdict = judged(&history, &key, authority.as_deref());
            let told = format!("{name}, {}: {:?}", file.display(), verdict.failures);
            assert_eq!(verdict.standing, Standing::Valid, "{told}");
            assert!(verdict.about.entries >= 7 && verdict.about.devices == 2, "{told}");
            let which = file.file_stem().expect("a name").to_string_lossy().into_owned();
            assert_eq!(verdict.about.withheld.is_empty(), which == "open", "{told}");
            let (is_witnessed, is_stamped) = (["stamped", "witnessed"].contains(&&*which), which == "stamped");
            assert_eq!(verdict.about.witnesses.len(), usize::from(is_witnessed), "{told}");
            assert_eq!(verdict.about.stamps.proved(), if is_stamped { 8 } else { 0 }, "{told}");
            names.push(which);
        }
    }
    names.sort();
    names.dedup();
    assert_eq!(names, ["open", "stamped", "withheld", "witnessed"], "of each sort one at least is kept");
}

/// One message of a capture: its head in lines, and its body without what HTTP did to it.
struct Message {
    head: String,
    body: Vec<u8>,
}

/// The messages of one direction of a connection.
fn messages(bytes: &[u8]) -> Vec<Message> {
    let (mut all, mut rest) = (Vec::new(), bytes);
    while let Some(end) = rest.windows(4).position(|four| four == b"\r\n\r\n") {
        let head = String::from_utf8_lossy(&rest[..end]).to_lowercase();
        rest = &rest[end + 4..];
        let field = |name: &str| head.lines().find_map(|line| line.strip_prefix(name)).map(str::trim);
        let mut body = Vec::new();
        if field("transfer-encoding:") == Some("chunked") {
            loop {
                let line = rest.windows(2).position(|two| two == b"\r\n").expect("a size");
                let size = usize::from_str_radix(&String::from_utf8_lossy(&rest[..line]), 16).expect("hexadecimal");
                body.extend_from_slice(&rest[line + 2..line + 2 + size]);
                rest = &rest[line + 2 + size + 2..];
                if size == 0 {
                    break;
                }
            }
        } else {
            let length = field("content-length:").map_or(0, |length| length.parse().expect("a number"));
            body.extend_from_slice(&rest[..length]);
            rest = &rest[length..];
        }
        if field("content-encoding:") == Some("gzip") {
            let mut plain = Vec::new();
            GzDecoder::new(&body[..]).read_to_end(&mut plain).expect("gzip");
            body = plain;
        }
        all.push(Message { head, body });
    }
    assert!(rest.is_empty(), "a message is cut off");
    all
}

/// Sends bytes as they were sent then; gives the one answer.
fn sent(address: std::net::SocketAddr, bytes: &[u8]) -> Message {
    let mut stream = TcpStream::connect(address).expect("it listens");
    stream.write_all(bytes).expect("taken");
    stream.shutdown(std::net::Shutdown::Write).expect("the end");
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).expect("an answer");
    messages(&answer).pop().expect("a message")
}

#[test]
fn each_captured_exchange_is_read_and_answered_today() {
    for (name, old) in folders() {
        let folder = tempfile::tempdir().expect("a folder");
        let start = sqlite(&old, folder.path());
        let server = start.start().unwrap_or_else(|error| panic!("{name}: {error}"));
        let (mut enrolments, mut exchanges, mut pushed) = (0, 0, 0);
        for number in 0.. {
            let file = |which: &str| old.join(format!("wire/{number:02}-{which}.gz"));
            if !file("request").exists() {
                break;
            }
            let bytes = unpacked(&file("request"));
            let replies = messages(&unpacked(&file("reply")));
            for (request, reply) in messages(&bytes).iter().zip(&replies) {
                let told = |error: serde_json::Error| panic!("{name}, {number}: {error}");
                if request.head.starts_with("post /v1/enrol ") {
                    enrolments += 1;
                    serde_json::from_slice::<EnrolRequest>(&request.body).unwrap_or_else(told_as(&name));
                    serde_json::from_slice::<EnrolReply>(&reply.body).unwrap_or_else(told_as(&name));
                } else if request.head.starts_with("post /v1/sync ") {
                    exchanges += 1;
                    let asked: SyncRequest = serde_json::from_slice(&request.body).unwrap_or_else(told);
                    let then: SyncReply = serde_json::from_slice(&reply.body).unwrap_or_else(told_as(&name));
                    assert_eq!(then.request, asked.request, "{name}, {number}");
                    pushed += asked.push.map_or(0, |push| push.entries.len());
                }
            }
            if messages(&bytes).iter().all(|request| request.head.starts_with("post /v1/sync ")) {
                // The same bytes once more: nothing is taken twice, and the answer is one of today's protocol.
                for request in split(&bytes) {
                    let answer = sent(server.address, request);
                    assert!(answer.head.starts_with("http/1.1 200"), "{name}, {number}: {}", answer.head);
                    let reply: SyncReply = serde_json::from_slice(&answer.body).unwrap_or_else(told_as(&name));
                    let outcome = reply.push.outcome;
                    let known = [PushOutcome::None, PushOutcome::AlreadyHeld, PushOutcome::Copy];
                    assert!(known.contains(&outcome), "{name}, {number}: {outcome:?}");
                }
            }
        }
        assert!(enrolments >= 2 && exchanges >= 6 && pushed >= 7, "{name}: {enrolments} {exchanges} {pushed}");
        server.kill();
        let (code, said) = start.operator(&["check"]).expect("it runs");
        assert_eq!(code, 0, "{name}: {said}");
    }
}

fn told_as<T>(name: &str) -> impl Fn(serde_json::Error) -> T {
    move |error| panic!("{name}: {error}")
}

/// The requests of a connection, each with its own bytes.
fn split(bytes: &[u8]) -> Vec<&[u8]> {
    let places = bytes.windows(5).enumerate().filter(|(_, five)| *five == b"POST ");
    let mut starts: Vec<usize> = places.map(|(at, _)| at).collect();
    starts.push(bytes.len());
    starts.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect()
}
