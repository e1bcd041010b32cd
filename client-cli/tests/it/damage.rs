//! The damage matrix of a device: each kind of damage at each place is told with its code and its place, no page of the
//! file makes the program panic, and what lies on other pages is still read.
//!
//! Rows are damaged behind the program's back, pages of the file are overwritten one by one.

use crate::stage::Stage;
use pintle::problem::Exit;
use rusqlite::Connection;
use serde_json::Value;
use std::path::PathBuf;

const PAGE_BYTES: usize = 4096;

fn lived() -> Stage {
    let stage = Stage::with_machine();
    for line in
        ["grease EX3 4130", "found EX3 squeak --point stick", "machine add EX4", "note EX4 \"left mirror loose\""]
    {
        stage.must(line);
    }
    stage
}

fn database(stage: &Stage) -> PathBuf {
    stage.home().join("log.db")
}

/// Everything in one file.
fn settled(stage: &Stage) -> PathBuf {
    let path = database(stage);
    let connection = Connection::open(&path).expect("opens");
    connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").expect("one file");
    path
}

fn damaged(stage: &Stage, change: &str) {
    let connection = Connection::open(database(stage)).expect("opens");
    let triggers = "SELECT name FROM sqlite_master WHERE type = 'trigger'";
    let mut statement = connection.prepare(triggers).expect("a list");
    let names: Vec<String> =
        statement.query_map([], |row| row.get(0)).expect("a list").collect::<Result<_, _>>().expect("names");
    for name in names {
        connection.execute_batch(&format!("DROP TRIGGER {name}")).expect("it goes");
    }
    connection.execute_batch(&format!("PRAGMA ignore_check_constraints = ON; {change}")).expect("changed");
}

fn told(stage: &Stage) -> Vec<String> {
    let ran = stage.run("--json doctor");
    let report: Value = serde_json::from_str(&ran.out).expect("a report");
    let faults = report["faults"].as_array().expect("faults");
    assert_eq!(ran.exit == Exit::Done, faults.is_empty(), "{}", ran.err);
    let text = |fault: &Value, key: &str| fault[key].as_str().expect("a text").to_owned();
    faults
        .iter()
        .map(|fault| format!("{} {}", text(fault, "code"), text(fault, "place")).trim_end().to_owned())
        .collect()
}

/// What is done, and what must be told of it.
const MATRIX: &[(&str, &[&str])] = &[
    (
        "UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), '4130', '4230') AS BLOB) WHERE seq = 3",
        &["entry-altered K7-3"],
    ),
    (
        "UPDATE entry SET bytes = CAST('no json' AS BLOB) WHERE seq = 3",
        &["entry-unreadable K7-3", "row-unreadable machine"],
    ),
    ("UPDATE entry SET bytes = CAST(' ' || CAST(bytes AS TEXT) AS BLOB) WHERE seq = 3", &["entry-altered K7-3"]),
    ("UPDATE entry SET link = zeroblob(32) WHERE seq = 3", &["entry-altered K7-3", "entry-altered K7-4"]),
    ("UPDATE entry SET link = zeroblob(3) WHERE seq = 3", &["row-unreadable K7-3", "row-unreadable machine"]),
    ("UPDATE entry SET kind = 'note_left' WHERE seq = 3", &["column-altered K7-3"]),
    ("UPDATE entry SET at_s = 5 WHERE seq = 3", &["column-altered K7-3"]),
    ("DELETE FROM entry WHERE seq = 4", &["number-missing K7-4", "glance-wrong EX3"]),
    ("DELETE FROM entry WHERE seq = 6", &["number-missing K7-6", "head-wrong K7-6", "glance-wrong EX4"]),
    ("UPDATE own SET head_seq = 5", &["head-wrong K7-5"]),
    ("UPDATE own SET head_link = zeroblob(32)", &["head-wrong K7-6"]),
    ("UPDATE own SET public_key = zeroblob(32)", &["key-lost device.key", "entry-altered K7-1"]),
    ("UPDATE own SET head_link = zeroblob(3)", &["row-unreadable own", "row-unreadable machine"]),
    ("UPDATE machine SET reading_milli = 7 WHERE name = 'EX3'", &["glance-wrong EX3"]),
    ("UPDATE machine SET own_count = 9 WHERE name = 'EX3'", &["glance-wrong EX3"]),
    ("DELETE FROM machine WHERE name = 'EX4'", &["glance-wrong EX4"]),
    ("UPDATE machine SET tagged_out = 'no json'", &["row-unreadable machine"]),
    ("INSERT INTO device VALUES (zeroblob(16), 'M4', zeroblob(32), zeroblob(16), 0)", &["device-altered M4"]),
    (
        "INSERT INTO branch VALUES (zeroblob(16), 1, zeroblob(32), zeroblob(2), zeroblob(16), 9)",
        &["branch-broken ~AAAAAA-1"],
    ),
    (
        "INSERT INTO file (sha256, device, seq, bytes, media, name) SELECT zeroblob(32), device, 3, 5, 'image/jpeg', 'x' FROM own",
        &["file-lost K7-3"],
    ),
];

#[test]
fn each_kind_of_damage_is_told_with_its_place() {
    for (change, expected) in MATRIX {
        let stage = lived();
        damaged(&stage, change);
        let seen: Vec<String> = told(&stage).into_iter().filter(|line| line != "file-damaged").collect();
        assert_eq!(seen, *expected, "{change}");
    }
}

#[test]
fn a_glance_that_was_wrong_is_right_afterwards() {
    let stage = lived();
    damaged(&stage, "DELETE FROM machine; UPDATE own SET last_machine = NULL");
    assert_eq!(told(&stage), ["glance-wrong EX3", "glance-wrong EX4"]);
    assert_eq!(told(&stage), Vec::<String>::new());
    assert!(stage.must("book EX3").contains("4130"));
}

#[test]
fn each_page_of_the_file_may_be_torn() {
    let stage = lived();
    let path = settled(&stage);
    let whole = std::fs::read(&path).expect("read");
    let pages = whole.len() / PAGE_BYTES;
    assert!(pages > 10, "{pages}");
    let (mut reports, mut read) = (0, 0);
    for page in 0..pages {
        for torn_bytes in [PAGE_BYTES, PAGE_BYTES / 2] {
            for fill in [0x00_u8, 0xa5] {
                let mut torn = whole.clone();
                torn[page * PAGE_BYTES..page * PAGE_BYTES + torn_bytes].fill(fill);
                for beside in ["log.db-wal", "log.db-shm"] {
                    let _ = std::fs::remove_file(stage.home().join(beside));
                }
                std::fs::write(&path, &torn).expect("written");
                let ran = stage.run("--json doctor");
                let problem = format!("page {page}, {torn_bytes} bytes of {fill:#04x}: {}{}", ran.out, ran.err);
                match serde_json::from_str::<Value>(&ran.out) {
                    Ok(report) => {
                        reports += 1;
                        read += report["entries"].as_u64().expect("a number");
                        let sound = report["faults"].as_array().expect("faults").is_empty();
                        // A page that nothing is on may be torn unseen; then all is there.
                        assert!(!sound || report["entries"] == 6, "{problem}");
                    }
                    // What cannot be opened at all says so, and what to do.
                    Err(_) => {
                        assert!(ran.exit == Exit::NotDone && ran.err.contains("\"code\":\"damaged\""), "{problem}")
                    }
                }
                for line in ["due", "book EX3", "log", "status", "note EX3 x"] {
                    let ran = stage.run(line);
                    assert!(ran.exit == Exit::Done || !ran.err.is_empty(), "{line}: {problem}");
                }
            }
        }
    }
    assert!(reports > 2 * pages, "only {reports} of {} were looked through", 4 * pages);
    assert!(read > 4 * reports as u64, "{read} entries read in {reports} reports");
}

#[test]
fn half_a_file_is_told() {
    let stage = lived();
    let path = settled(&stage);
    let whole = std::fs::read(&path).expect("read");
    for bytes in [0, 1, 100, PAGE_BYTES, whole.len() / 2, whole.len() - PAGE_BYTES] {
        for beside in ["log.db-wal", "log.db-shm"] {
            let _ = std::fs::remove_file(stage.home().join(beside));
        }
        std::fs::write(&path, &whole[..bytes]).expect("written");
        let ran = stage.run("doctor");
        assert_eq!(ran.exit, Exit::NotDone, "{bytes} bytes: {}", ran.out);
        assert!(!ran.err.contains("All sound"), "{bytes} bytes");
    }
}
