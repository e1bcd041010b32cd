//! A device that holds the machines of a site, or some of them: what comes, what is said of the others, and what it asks.
//!
//! What must hold each time: nothing that is here goes away; what is missing is named, never taken for all there is.

use crate::server::Server;
use crate::stage::Stage;
use insta::assert_snapshot;
use pintle_core::ids::MachineId;
use serde_json::Value;

fn enrolled(server: &Server, name: &str, mark: &str, seed: u64) -> Stage {
    let stage = Stage::new(name, seed);
    stage.set("COLUMNS", "100");
    stage.must(&format!("setup --mark {mark}"));
    stage.must(&format!("enrol {} 7KQF-2M9R-XW4T", server.url()));
    stage
}

/// Who has two machines at two sites, both at the server.
fn owner(server: &Server) -> Stage {
    let ines = enrolled(server, "Ines", "K7", 7);
    ines.script(&["machine add EX3 --site \"north pit\"", "machine add TR9 --site mill", "read TR9 812.5", "sync"]);
    ines
}

fn machine(stage: &Stage, name: &str) -> MachineId {
    let list: Value = serde_json::from_str(&stage.must("--json machines")).expect("JSON");
    let found = list["machines"].as_array().expect("a list").iter().find(|machine| machine["name"] == name);
    found.expect("it is there")["machine"].as_str().expect("an id").parse().expect("an id")
}

fn works_at_site(server: &Server, machines: &[MachineId]) {
    server.state.lock().expect("not poisoned").at_sites = machines.iter().copied().collect();
}

#[test]
fn what_works_at_a_site_comes_and_the_rest_is_named() {
    let server = Server::start();
    let ines = owner(&server);
    works_at_site(&server, &[machine(&ines, "EX3")]);
    let wen = enrolled(&server, "Wen", "R9", 99);
    let mut seen = wen.script(&["hold", "hold --site \"north pit\"", "sync", "hold", "machines", "grease EX3 4128"]);
    // The other machine is driven over, written about, and driven away.
    works_at_site(&server, &[machine(&ines, "EX3"), machine(&ines, "TR9")]);
    seen += &wen.script(&["sync", "machines", "log TR9"]);
    works_at_site(&server, &[machine(&ines, "EX3")]);
    ines.script(&["found TR9 crack right brake arm", "sync"]);
    seen += &wen.script(&["sync", "machines", "book TR9", "handover TR9", "due TR9", "hold", "doctor"]);
    // It is wanted by its name from here on, and all again.
    seen += &wen.script(&["hold tr9", "hold tr9", "sync", "handover TR9", "hold all", "sync", "hold", "doctor"]);
    assert_snapshot!(seen.replace(&server.url(), "http://SERVER"));
}

/// A machine that is added on a device which holds some is one of them.
#[test]
fn what_is_added_here_is_held_here() {
    let server = Server::start();
    let ines = owner(&server);
    let wen = enrolled(&server, "Wen", "R9", 99);
    wen.script(&["hold --site yard", "sync"]);
    let seen = wen.script(&["machine add LD1", "grease LD1", "hold", "sync", "book LD1"]);
    ines.must("sync");
    ines.script(&["note LD1 the bucket is at the smith", "sync"]);
    let seen = seen + &wen.script(&["sync", "log LD1", "hold --json"]);
    assert_snapshot!(seen.replace(&server.url(), "http://SERVER"));
}

#[test]
fn what_cannot_be_held_is_said_with_what_to_do() {
    let lone = Stage::with_machine();
    let mut seen = lone.script(&["hold", "hold EX3"]);
    let server = Server::start();
    let wen = enrolled(&server, "Wen", "R9", 99);
    server.next(&[crate::server::Act::Portal]);
    seen += &wen.script(&["hold EX7", "hold --site \"\"", "hold --site \"a\tb\""]);
    assert_snapshot!(seen.replace(&server.url(), "http://SERVER"));
}
