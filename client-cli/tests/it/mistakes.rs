//! What is not understood or cannot be done: a sentence, a hint that can be typed, an exit code, and nothing recorded.
//!
//! Also files that are damaged, newer, missing or in the wrong place: told, and left alone.

use crate::stage::Stage;
use insta::assert_snapshot;
use pintle::problem::Exit;

#[test]
fn unknown_and_unclear_words() {
    let stage = Stage::with_machine();
    stage.script(&["machine add EX4", "machine add LD1", "machine add \"Big Digger\"", "me Rosa", "me Ines"]);
    let before = stage.must("log --json");
    assert_snapshot!(stage.script(&[
        "grease EX9",
        "grease E",
        "grease Big",
        "grease EX3 12a34",
        "read EX3",
        "read LD1 +4.5",
        "fuel EX3 lots",
        "found EX3 wobble",
        "found EX3 crack --urgency now",
        "grease EX3 --purge sand",
        "grease EX3 --purge-at metal",
        "grease EX3 --used \"grease:some\"",
        "grease EX3 --at tomorrow",
        "grease EX3 --as Rsoa",
        "grease EX3 --minutes 99999999",
        "grease EX3 --minutes many",
        "done EX3",
        "note EX3",
        "note wet",
        "meter EX3 --old 1 --new 2 --why bored",
        "machine add ex3",
        "machine add \" \"",
        "machine change EX3",
        "me \"\"",
        "setup --mark K",
        "setup --mark 7K",
        "greese EX3",
        "strike K7-1",
        "",
    ]));
    // The one greasing of `Big` fits one machine and is recorded.
    let entries = |json: &str| json.matches("\"kind\":").count();
    assert_eq!(entries(&stage.must("log --json")), entries(&before) + 1);
}

#[test]
fn entries_that_are_not_there_or_not_of_that_kind() {
    let stage = Stage::with_machine();
    stage.script(&["found EX3 squeak", "correct K7-2 reading 4128"]);
    assert_snapshot!(stage.script(&[
        "strike K7-99 x",
        "strike R9-1 x",
        "strike K7 x",
        "correct K7-2 litres 5",
        "correct K7-2 reading five",
        "correct K7-4 reading 5",
        "correct K7-3 urgency later",
        "correct K7-3 at never",
        "correct K7-3 by Nobody",
        "correct K7-3 point \u{202e}x",
        "repair --closes K7-2",
        "clear K7-1 because",
        "settle ABC same",
        "settle ABC",
    ]));
}

#[test]
fn mistakes_for_programs() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "--json grease EX9",
        "--json grease EX3 --at tomorrow",
        "--json note EX3 \"a\u{1}b\"",
        "greese --json",
        "--json sync",
    ]));
}

#[test]
fn without_a_server_everything_but_sync_works() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "sync",
        "enrol http://log.example.org ABC",
        "enrol ftp://log.example.org ABC",
        "status",
        "clashes",
    ]));
}

#[test]
fn a_home_that_cannot_be_used() {
    let stage = Stage::new("Ines", 7);
    let file = stage.folder().join("a-file");
    std::fs::write(&file, "x").expect("writes");
    let line = format!("--home {}/log grease EX3", file.display());
    let ran = stage.run(&line);
    assert_eq!(ran.exit, Exit::NotDone);
    assert_snapshot!(ran.err);
}

#[test]
fn a_damaged_database_is_told_and_left_alone() {
    let stage = Stage::with_machine();
    let database = stage.home().join("log.db");
    for file in ["log.db-wal", "log.db-shm"] {
        std::fs::remove_file(stage.home().join(file)).expect("removes");
    }
    std::fs::write(&database, "this is not a database, and long enough to look like none at all ".repeat(100))
        .expect("writes");
    assert_snapshot!(stage.script(&["grease EX3", "doctor", "--json book EX3"]));
    assert!(std::fs::read(&database).expect("reads").starts_with(b"this is not"));
}

#[test]
fn a_changed_entry_is_found_by_the_doctor() {
    let stage = Stage::with_machine();
    let database = rusqlite::Connection::open(stage.home().join("log.db")).expect("opens");
    let change = "UPDATE entry SET bytes = replace(bytes, '4127.5', '4100.0') WHERE seq = 2";
    assert!(database.execute(change, []).is_err(), "the table itself refuses to change an entry");
    assert!(database.execute("DELETE FROM entry WHERE seq = 2", []).is_err(), "or to delete it");
    database.execute_batch("DROP TRIGGER entry_is_not_changed").expect("drops");
    let change =
        "UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), '4127.5', '4100.0') AS BLOB) WHERE seq = 2";
    assert_eq!(database.execute(change, []).expect("changes"), 1);
    assert_snapshot!(stage.script(&["doctor"]));
}

#[test]
fn a_log_of_a_newer_program_is_left_alone() {
    let stage = Stage::with_machine();
    let database = rusqlite::Connection::open(stage.home().join("log.db")).expect("opens");
    database.pragma_update(None, "user_version", 999).expect("updates");
    drop(database);
    assert_snapshot!(stage.script(&["grease EX3"]));
}

#[test]
fn a_lost_key_does_not_stop_recording() {
    let stage = Stage::with_machine();
    std::fs::remove_file(stage.home().join("device.key")).expect("removes");
    assert_snapshot!(stage.script(&["grease EX3", "doctor"]));
}

/// The database gone, the key still there: a second log under the old key would contradict the first.
#[test]
fn a_key_whose_log_is_gone_is_not_used_again() {
    let stage = Stage::with_machine();
    let key = std::fs::read(stage.home().join("device.key")).expect("reads");
    for file in ["log.db", "log.db-wal", "log.db-shm"] {
        std::fs::remove_file(stage.home().join(file)).expect("removes");
    }
    stage.must("machine add EX3");
    assert_ne!(std::fs::read(stage.home().join("device.key")).expect("reads"), key);
    assert_eq!(std::fs::read(stage.home().join("device.key.1")).expect("kept"), key);
}
