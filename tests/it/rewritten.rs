//! An operator who dates an entry back in the database, and has everything signed anew, with real programs: every device
//! that saw the ledger before says so.
//!
//! Promises: nothing is lost by it, what others record still comes, and what was shown stays on the device, for whoever
//! looks into it. A database that was put back to an older copy is no such case: the server notices that itself.

use crate::whole::House;
use pintle_tests::demo::scenario::Crew;
use rusqlite::Connection;
use serde_json::Value;

/// Leaves of the newest checkpoint that a device holds.
fn held(house: &House, crew: Crew) -> u64 {
    let database = Connection::open(house.stage.home(crew).join("log.db")).expect("it opens");
    let newest = database.query_row("SELECT max(size) FROM checkpoint", [], |row| row.get::<_, Option<u64>>(0));
    newest.expect("it reads").unwrap_or(0)
}

/// Has the server build its tree over the whole ledger, which it does before it makes a history.
fn grow(house: &mut House) {
    let file = house.stage.folder().join(format!("history-{}.gz", house.second)).display().to_string();
    house.must(Crew::K7, &["history", "EX3", "--to", &file]);
}

/// Syncs, and once more when a checkpoint is over all of it.
fn in_step(house: &mut House) {
    house.must(Crew::K7, &["sync"]);
    grow(house);
    house.must(Crew::K7, &["sync"]);
}

/// Dates the newest entry of EX3 back by a day, and takes away all that was built over it.
const FORGED: &str = "
    DROP TRIGGER ledger_update_refused;
    UPDATE ledger SET received_ms = received_ms - 86400000 WHERE position = (SELECT max(position) FROM ledger);
    DROP TRIGGER checkpoint_delete_refused;
    DELETE FROM tree_head; DELETE FROM tree_tile; DELETE FROM tree_machine; DELETE FROM checkpoint;";

#[test]
fn a_ledger_that_was_dated_back_is_noticed_by_who_saw_it() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7, Crew::M4]);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    in_step(&mut house);
    let before = held(&house, Crew::K7);
    house.must(Crew::K7, &["grease", "EX3", "4127.5"]);
    in_step(&mut house);
    let seen = held(&house, Crew::K7);
    assert!(before > 0 && seen > before, "{before}, then {seen}");

    house.stage.kill_server().expect("stopped");
    let database = Connection::open(house.stage.folder().join("ledger.db")).expect("it opens");
    database.execute_batch(FORGED).expect("it is changed");
    drop(database);
    house.stage.start_server("Valley crews").expect("a server");
    grow(&mut house);
    // All is sound, as far as the server can tell by itself.
    house.must(Crew::M4, &["sync"]);

    house.must(Crew::K7, &["note", "EX3", "rain all day"]);
    let ran = house.try_run(Crew::K7, &["sync"]);
    let said = (ran.stdout + &ran.stderr).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(ran.code == 1 && said.contains("The server's log is"), "{}: {said}", ran.code);
    assert!(said.contains("pintle doctor --evidence FILE"), "{said}");
    assert_eq!(held(&house, Crew::K7), seen, "the one it held stays");
    let status = house.json(Crew::K7, &["status"]).0;
    assert!(status.pointer("/sync/rewritten").is_some_and(Value::is_string), "{status}");
    assert_eq!(status.pointer("/sync/last/outcome"), Some(&Value::from("ledger-rewritten")));
    assert_eq!(status.pointer("/waiting"), Some(&Value::from(0)), "what it recorded went out all the same");

    // Who had not seen what it was before has nothing to say; what others record still comes.
    house.must(Crew::M4, &["fuel", "EX3", "120"]);
    house.must(Crew::M4, &["sync"]);
    house.try_run(Crew::K7, &["sync"]);
    for crew in [Crew::K7, Crew::M4] {
        let book = house.json(crew, &["book", "EX3"]).0;
        assert_eq!(book.pointer("/book/counts/entries"), Some(&Value::from(4)));
    }

    let file = house.stage.folder().join("evidence.json").display().to_string();
    house.must(Crew::K7, &["doctor", "--evidence", &file]);
    let ran = house.try_run(Crew::K7, &["doctor", "--evidence", &file]);
    let said = ran.stderr.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(ran.code == 1 && said.contains("evidence.json is there already"), "{said}");
    let evidence: Value = serde_json::from_slice(&std::fs::read(&file).expect("a file")).expect("JSON");
    let lines = |which: &str| -> Vec<String> {
        let note = evidence.pointer(&format!("/evidence/0/{which}/note")).and_then(Value::as_str).expect("a note");
        note.lines().map(str::to_owned).collect()
    };
    let (held, shown) = (lines("held"), lines("shown"));
    assert_eq!(held[0], shown[0], "of one log and epoch");
    assert_eq!(held[1], seen.to_string());
    assert_ne!(held[2], shown[2]);
    let ran = house.try_run(Crew::M4, &["doctor", "--evidence", &file]);
    assert!(ran.code == 1 && ran.stderr.contains("contradict"), "{}", ran.stderr);
}
