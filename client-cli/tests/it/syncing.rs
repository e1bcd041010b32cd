//! Logs come together: two devices, one server, and a network that does what networks do.
//!
//! What must hold each time: nothing recorded is lost or doubled, and the person hears what happened.

use crate::server::{Act, Server};
use crate::stage::Stage;
use insta::assert_snapshot;
use pintle::problem::Exit;
use pintle_core::exchange::PushOutcome;
use pintle_core::permission::Role;
use pintle_openapi::problem::Problem;

fn enrolled(server: &Server, name: &str, mark: &str, seed: u64) -> Stage {
    let stage = Stage::new(name, seed);
    stage.must(&format!("setup --mark {mark}"));
    stage.must(&format!("enrol {} 7KQF-2M9R-XW4T", server.url()));
    stage
}

fn without_port(text: &str, server: &Server) -> String {
    text.replace(&server.url(), "http://SERVER")
}

fn equal_in_json(a: &Stage, b: &Stage) {
    for line in ["--json book EX3", "--json log EX3", "--json log -n 1000", "--json clashes", "--json machines --all"] {
        assert_eq!(a.must(line), b.must(line), "{line}");
    }
}

#[test]
fn two_devices_disagree_and_settle() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    let wen = enrolled(&server, "Wen", "R9", 99);
    let mut seen = ines.script(&["machine add EX3", "fuel EX3 18 4127.5", "sync"]);
    seen += &wen.script(&["sync", "correct K7-2 litres 168", "grease EX3 4127.6", "found EX3 squeak --point stick"]);
    seen += &ines.script(&["correct K7-2 litres 180", "grease EX3 4127.7 --purge water", "sync"]);
    seen += &wen.script(&["sync"]);
    seen += &ines.script(&["sync", "sync", "clashes", "book EX3"]);
    equal_in_json(&ines, &wen);
    assert_eq!(server.held(), 7);
    let clashes = ines.must("clashes");
    let id = |kind: &str| {
        let line = clashes.lines().find(|line| line.contains(kind)).expect(kind);
        line.split(' ').next().expect("an id").to_owned()
    };
    seen += &wen.script(&[
        &format!("settle {} K7-3 Ines held the pump", id("clash: litres")),
        &format!("settle {} both", id("clash: litres")),
        &format!("settle {} same", id("twin: grease")),
        "clashes",
        "sync",
    ]);
    seen += &ines.script(&["sync", "clashes", "log EX3"]);
    equal_in_json(&ines, &wen);
    assert_eq!(ines.must("doctor"), "9 entries in 2 logs, 0 seals\nAll sound.\n");
    assert_snapshot!(without_port(&seen, &server));
}

#[test]
fn one_machine_added_twice_can_be_settled_as_one() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    let wen = enrolled(&server, "Wen", "R9", 99);
    let mut seen = ines.script(&["machine add EX3 --serial EX-7731", "read EX3 4127.5", "sync"]);
    seen += &wen.script(&["machine add EX3 --serial EX-7731", "found EX3 crack", "sync", "grease EX3", "clashes"]);
    let clashes = wen.must("clashes");
    let id = clashes.split(' ').next().expect("an id").to_owned();
    seen += &wen.script(&[&format!("settle {id} same"), "machines", "grease EX3", "sync"]);
    seen += &ines.script(&["sync", "sync", "machines --all", "begin EX3", "sync"]);
    seen += &wen.script(&["sync", "book EX3"]);
    equal_in_json(&ines, &wen);
    for stage in [&ines, &wen] {
        assert!(stage.must("doctor").contains("All sound."));
    }
    assert_snapshot!(without_port(&seen, &server));
}

#[test]
fn whatever_the_network_does_nothing_is_lost_or_doubled() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    ines.script(&["machine add EX3", "grease EX3", "read EX3 4127.5"]);
    server.next(&[Act::LoseReply]);
    let mut seen = ines.script(&["sync"]);
    assert_eq!(server.held(), 3);
    ines.must("grease");
    server.next(&[Act::Portal, Act::Portal, Act::Portal]);
    seen += &ines.script(&["sync"]);
    server.next(&[Act::LoseReply, Act::LoseReply, Act::LoseReply]);
    seen += &ines.script(&["sync", "status"]);
    server.next(&[Act::Refuse(Problem::StorageFull)]);
    seen += &ines.script(&["sync", "--json status"]);
    server.next(&[Act::Refuse(Problem::UnknownDevice)]);
    seen += &ines.script(&["--json sync"]);
    seen += &ines.script(&["sync", "--json sync"]);
    assert_eq!(server.held(), 4);
    assert_eq!(ines.must("doctor"), "4 entries in 1 log, 0 seals\nAll sound.\n");
    assert!(!ines.waits_ms.borrow().is_empty(), "a lost reply is waited out before it is asked for again");
    assert_snapshot!(without_port(&seen, &server));
}

#[test]
fn a_server_that_asks_to_wait_is_waited_for() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    ines.script(&["machine add EX3", "grease EX3", "read EX3 4127.5"]);
    let later = Act::Later(Problem::TooManyRequests, 7);
    server.next(&[later, later]);
    let mut seen = ines.script(&["sync"]);
    assert_eq!((ines.waits_ms.take(), server.held()), (vec![7_000, 7_000], 3));
    ines.must("grease");
    // Longer than a person stands beside it: it stops, and has not asked a second time.
    server.next(&[Act::Later(Problem::Busy, 600)]);
    seen += &ines.script(&["sync", "status"]);
    assert_eq!((ines.waits_ms.take(), server.held()), (vec![], 3));
    server.next(&[later, later, later]);
    seen += &ines.script(&["--json sync", "sync"]);
    assert_eq!(server.held(), 4);
    assert_snapshot!(without_port(&seen, &server));
}

#[test]
fn no_server_at_all() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    ines.script(&["machine add EX3", "grease"]);
    let gone = Stage::new("Wen", 9);
    // Port 9 of this machine: nobody listens there.
    assert_snapshot!(gone.script(&["enrol http://127.0.0.1:9 7KQF-2M9R-XW4T", "machine add EX3", "grease"]));
}

#[test]
fn enrolment_as_it_goes_wrong() {
    let server = Server::start();
    let ines = Stage::new("Ines", 7);
    ines.script(&["setup --mark K7", "machine add EX3"]);
    server.next(&[Act::Refuse(Problem::CodeUsed), Act::Portal, Act::LoseReply]);
    let enrol = format!("enrol {} 7KQF-2M9R-XW4T", server.url());
    let seen = ines.script(&[&enrol, &enrol, &enrol, &enrol, &enrol, "sync", "setup --mark Z9"]);
    assert_snapshot!(without_port(&seen, &server));
}

#[test]
fn a_server_that_contradicts_itself_is_not_believed() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    let wen = enrolled(&server, "Wen", "R9", 99);
    ines.script(&["machine add EX3", "grease", "sync"]);
    wen.must("sync");
    ines.script(&["grease", "sync"]);
    server.next(&[Act::Rewrite]);
    let before = wen.must("--json log EX3");
    let mut seen = wen.script(&["sync"]);
    assert_eq!(wen.must("--json log EX3"), before, "nothing of it was stored");
    server.next(&[Act::SpoilDigest]);
    seen += &wen.script(&["sync", "status"]);
    server.next(&[Act::SpoilDigest, Act::SpoilDigest, Act::SpoilDigest]);
    seen += &wen.script(&["sync", "sync", "doctor"]);
    assert_snapshot!(without_port(&seen, &server));
}

#[test]
fn a_restored_server_is_filled_again() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    ines.script(&["machine add EX3", "grease", "read 4127.5", "sync"]);
    {
        let mut state = server.state.lock().expect("not poisoned");
        state.epoch = 2;
        state.forget_after(1);
    }
    let seen = ines.script(&["grease", "sync", "sync", "doctor"]);
    assert_eq!(server.held(), 4);
    assert_snapshot!(without_port(&seen, &server));
}

/// The device's folder is put back as it was some entries ago, as after a power loss or from a backup.
#[test]
fn a_lost_tail_comes_back_before_anything_is_recorded() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    ines.script(&["machine add EX3", "grease", "sync"]);
    let copy = copy_of(&ines);
    ines.script(&["read EX3 4127.5", "found EX3 crack", "sync"]);
    put_back(&ines, &copy);
    server.next(&[Act::Answer, Act::LoseReply, Act::LoseReply, Act::LoseReply]);
    let seen = ines.script(&["log", "sync", "grease", "status", "sync", "grease", "sync", "doctor"]);
    assert_eq!(server.held(), 5);
    assert_snapshot!(without_port(&seen, &server));
}

/// Two copies of one device both record: both branches are kept, the later one goes on as a device of its own.
#[test]
fn two_copies_of_a_device() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    ines.script(&["machine add EX3", "grease", "sync"]);
    let copy = copy_of(&ines);
    ines.script(&["fuel EX3 120", "sync"]);
    let theirs = copy_of(&ines);
    put_back(&ines, &copy);
    let mut seen =
        ines.script(&["found EX3 squeak", "repair --closes K7-3 greased it", "sync", "status", "grease", "sync"]);
    let enrol = format!("enrol {} 1111-2222-3333 --anew", server.url());
    seen += &ines.script(&[&enrol, "sync", "log EX3", "doctor"]);
    let mine = copy_of(&ines);
    put_back(&ines, &theirs);
    ines.must("sync");
    let other = ines.must("--json book EX3");
    put_back(&ines, &mine);
    ines.must("sync");
    let names = |text: &str| text.len();
    assert_eq!(names(&ines.must("--json book EX3")), names(&other));
    assert_eq!(server.held(), 6);
    assert_snapshot!(without_port(&seen, &server));
}

/// The ledger went back, and another branch of a device's log is in it since: on every other device it takes the place
/// of the branch that was lost.
#[test]
fn what_the_ledger_lost_makes_room_for_what_it_has() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    let joe = enrolled(&server, "Joe", "K8", 8);
    ines.script(&["machine add EX3", "sync"]);
    let copy = copy_of(&ines);
    ines.script(&["fuel EX3 120", "grease EX3", "sync"]);
    joe.must("sync");
    {
        let mut state = server.state.lock().expect("not poisoned");
        state.epoch = 2;
        state.forget_after(1);
    }
    put_back(&ines, &copy);
    ines.script(&["read EX3 4127.5", "sync"]);
    joe.must("sync");
    equal_in_json(&ines, &joe);
    assert!(joe.must("--json book EX3").contains("4127.5"));
    joe.must("doctor");
}

#[test]
fn the_office_lets_in_what_was_set_aside() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    ines.script(&["machine add EX3", "found EX3 leak --point boom", "sync"]);
    let joe = enrolled(&server, "Joe", "K8", 8);
    {
        let mut state = server.state.lock().expect("not poisoned");
        state.ledger[1].aside = Some("device-revoked".into());
        state.role = Some(Role::Office);
    }
    let wen = enrolled(&server, "Wen", "R9", 99);
    let mut seen = wen.script(&[
        "aside",
        "sync",
        "aside",
        "book EX3",
        "release K7-1 it was there",
        "release K7-2 Ines was still on it",
        "aside",
        "log EX3",
        "sync",
    ]);
    seen += &joe.script(&["sync", "aside", "release K7-2 I saw it too", "book EX3"]);
    equal_in_json(&wen, &joe);
    assert_eq!(wen.must("--json aside"), joe.must("--json aside"));
    seen += &wen.script(&["strike R9-1 Ines was not there", "aside", "--json aside"]);
    assert_snapshot!(without_port(&seen, &server));
}

/// `K7-2` means the same entry for ever, also once the device is called otherwise.
#[test]
fn entries_keep_the_names_they_were_called_by() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    ines.script(&["machine add EX3", "fuel EX3 18", "sync"]);
    let wen = enrolled(&server, "Wen", "R9", 99);
    wen.must("sync");
    server.state.lock().expect("not poisoned").rename("K7", "K8");
    ines.must("sync");
    let mut seen = wen.script(&["sync", "correct K7-2 litres 180", "correct K8-2 litres 181", "correct K9-2 litres 1"]);
    seen += &ines.script(&["strike K7-2 not mine", "log EX3"]);
    assert_snapshot!(without_port(&seen, &server));
}

/// The ledger gave places again that this device had learned: it forgets them once, says so, and goes on.
#[test]
fn places_that_moved_are_learned_anew() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    let wen = enrolled(&server, "Wen", "R9", 99);
    ines.script(&["machine add EX3", "fuel EX3 18", "sync"]);
    wen.script(&["sync", "grease EX3", "sync"]);
    {
        let mut state = server.state.lock().expect("not poisoned");
        state.ledger.rotate_right(1);
        for (index, held) in state.ledger.iter_mut().enumerate() {
            held.position = Some(index as u64 + 1);
        }
    }
    assert_snapshot!(without_port(&ines.script(&["sync", "sync", "log EX3", "doctor"]), &server));
}

#[test]
fn a_revoked_device_hears_so() {
    let server = Server::start();
    let ines = enrolled(&server, "Ines", "K7", 7);
    ines.script(&["machine add EX3", "grease"]);
    server.state.lock().expect("not poisoned").outcome = Some(PushOutcome::Revoked);
    let ran = ines.run("sync");
    assert_eq!(ran.exit, Exit::NotDone, "{ran:?}");
    assert!(ran.err.contains("revoked"), "{ran:?}");
    assert!(ines.must("status").contains("2 waiting"), "nothing is lost");
}

fn copy_of(stage: &Stage) -> Vec<(String, Vec<u8>)> {
    ["log.db", "log.db-wal", "device.key"]
        .map(|name| (name.to_owned(), std::fs::read(stage.home().join(name)).expect("reads")))
        .to_vec()
}

fn put_back(stage: &Stage, copy: &[(String, Vec<u8>)]) {
    let _ = std::fs::remove_file(stage.home().join("log.db-shm"));
    for (name, bytes) in copy {
        std::fs::write(stage.home().join(name), bytes).expect("writes");
    }
}

#[test]
fn who_is_let_in_is_who_was_named() {
    let server = Server::start();
    let enrol = format!("enrol {} 7KQF-2M9R-XW4T --as Mira", server.url());
    let fresh = Stage::new("operator", 7);
    fresh.must(&enrol);
    let told = fresh.must("me");
    assert!(told.starts_with("Mira is recording on"), "{told}");
    assert!(!told.contains("Also here"), "nobody had recorded yet, so it is the same person: {told}");
    // With entries in the log the name is somebody else's.
    let used = Stage::new("Ines", 8);
    used.must("machine add EX3");
    used.must(&enrol);
    let told = used.must("me");
    assert!(told.starts_with("Mira is recording on") && told.contains("Also here: Ines"), "{told}");
    assert_eq!(used.run(&enrol.replace("Mira", "x\u{202e}y")).exit, Exit::NotDone);
}
