//! A machine that must not be run: every page says so first, and only some may say that it is no fault.
//!
//! What counts is what an entry does: a clearance, a lower urgency and a strike are judged alike.

use crate::server::Server;
use crate::stage::Stage;
use insta::assert_snapshot;
use pintle_openapi::Role;

fn enrolled(server: &Server, role: Role) -> Stage {
    server.state.lock().expect("not poisoned").role = Some(role);
    let stage = Stage::with_machine();
    stage.must(&format!("enrol {} 7KQF-2M9R-XW4T", server.url()));
    stage.must("found EX3 crack --point boom weld open");
    stage
}

#[test]
fn every_page_about_it_begins_with_the_hazard() {
    let stage = Stage::with_machine();
    stage.must("machine add AA1");
    stage.must("found EX3 crack --point boom weld open");
    let recording = [
        "grease EX3",
        "done EX3 wash",
        "read EX3 4128",
        "fuel EX3 90",
        "begin EX3",
        "end EX3",
        "note EX3 wet",
        "found EX3 squeak",
        "correct K7-11 litres 91",
        "repair EX3 mirror",
        "meter EX3 --old 4128 --new 0 --why replaced",
        "machine change EX3 --site pit",
        "plan EX3 --starter excavator",
    ];
    let reading = ["book EX3", "handover EX3", "due", "due EX3", "plan EX3", "log EX3", "machines", "status"];
    for line in recording.into_iter().chain(reading) {
        for quiet in ["", "--quiet "] {
            let answer = stage.must(&format!("{quiet}{line}"));
            let first = answer.lines().next().unwrap_or_default();
            assert!(first.contains("TAGGED OUT: crack, boom"), "{quiet}{line}: {answer}");
        }
    }
    assert!(!stage.must("grease AA1").contains("TAGGED"), "the other machine may be run");
}

#[test]
fn a_crew_ends_a_hazard_by_mending_it_only() {
    let server = Server::start();
    let stage = enrolled(&server, Role::Crew);
    let seen = stage.script(&[
        "clear K7-3 looks fine to me",
        "correct K7-3 urgency watch",
        "strike K7-3 typed by mistake",
        "--json clear K7-3 looks fine to me",
        "machines",
        "found EX3 squeak",
        "clear K7-4 it was the bucket",
        "repair --closes K7-3 \"welded, checked by Tom\"",
        "machines",
    ]);
    assert_snapshot!(seen);
}

#[test]
fn what_raised_the_urgency_is_not_struck_by_a_crew_either() {
    let server = Server::start();
    let stage = enrolled(&server, Role::Crew);
    let seen = stage.script(&[
        "repair --closes K7-3 welded",
        "found EX3 noise",
        "correct K7-5 urgency out",
        "strike K7-6 it is not so bad",
        "strike K7-4 it was not welded after all",
        "machines",
    ]);
    assert_snapshot!(seen);
}

#[test]
fn one_of_two_records_of_a_hazard_may_be_struck() {
    let stage = Stage::with_machine();
    stage.script(&["found EX3 crack --point boom", "found EX3 crack --point boom", "found EX3 crack --point stick"]);
    assert_snapshot!(stage.script(&["strike K7-5 x", "strike K7-3 written twice", "strike K7-4 x", "machines"]));
}

#[test]
fn a_mechanic_the_office_and_the_owner_clear_it() {
    for role in [Role::Mechanic, Role::Office, Role::Owner] {
        let server = Server::start();
        let stage = enrolled(&server, role);
        assert!(stage.run("--json strike K7-3 x").err.contains("pintle clear"), "{role:?}");
        stage.must("clear K7-3 a scratch in the paint");
        assert!(!stage.must("machines").contains("TAGGED"), "{role:?}");
    }
}

#[test]
fn a_new_code_gives_another_role_and_nothing_is_sent_twice() {
    let server = Server::start();
    let stage = enrolled(&server, Role::Crew);
    stage.must("sync");
    server.state.lock().expect("not poisoned").role = Some(Role::Mechanic);
    let enrol = format!("enrol {} 9QQF-2M9R-XW4T", server.url());
    let seen = stage.script(&[&enrol, "clear K7-3 a scratch in the paint", "sync", "status"]);
    assert_snapshot!(seen.replace(&server.url(), "http://SERVER"));
    let elsewhere = Server::start();
    let ran = stage.run(&format!("enrol {} 9QQF-2M9R-XW4T", elsewhere.url()));
    assert!(ran.err.contains("already"), "{}", ran.err);
}
