//! Pages that are read: log, book, machines, status.
//!
//! One small story, looked at from all sides.

use crate::stage::Stage;
use insta::assert_snapshot;

fn story() -> Stage {
    let stage = Stage::with_machine();
    stage.script(&[
        "me Rosa",
        "begin EX3",
        "fuel EX3 180 4127.6",
        "grease EX3 --skip \"boom foot: under mud\" --purge water --purge-at \"bucket pin=metal\"",
        "found EX3 missing fitting sheared off --point \"bucket pin\"",
        "found EX3 crack --point \"lift arm\"",
        "note EX3 mind the left step --handover",
        "note EX3 mirror wiped",
    ]);
    stage.pass_minutes(600);
    stage.script(&[
        "end EX3 4136.5 --submerged 6",
        "correct K7-4 litres 175",
        "strike K7-9 wrong machine",
        "repair --closes K7-6 --remedy \"new fitting\" --part \"fitting M10x1:1 pieces\" new one holds",
        "machine add LD1",
        "me Ines",
    ]);
    stage
}

#[test]
fn the_book_of_a_machine() {
    assert_snapshot!(story().script(&["book EX3", "book", "book LD1", "--quiet book EX3"]));
}

#[test]
fn the_log_of_a_machine_and_of_all() {
    assert_snapshot!(story().script(&["log EX3", "log --last 3", "log LD1 -n 1"]));
}

#[test]
fn machines_and_status() {
    assert_snapshot!(story().script(&["machines", "--quiet machines", "status", "--quiet status"]));
}

#[test]
fn pages_for_programs() {
    assert_snapshot!(story().script(&["--json book EX3", "--json log EX3 -n 2", "--json machines", "--json status"]));
}

#[test]
fn an_empty_device() {
    let stage = Stage::new("Ines", 7);
    assert_snapshot!(stage.script(&["machines", "log", "book", "status", "doctor", "clashes"]));
}

/// After a thousand entries the glance still says what the fold says.
#[test]
fn glances_stay_true() {
    let stage = Stage::with_machine();
    let mut tenths = 41_275;
    for round in 0..60 {
        tenths += 1;
        let reading = format!("{}.{}", tenths / 10, tenths % 10);
        let lines = [
            format!("read EX3 {reading}"),
            format!("grease EX3 {reading}"),
            format!("found EX3 squeak --reading {reading}"),
            format!("correct K7-{} reading {reading}", 3 + round * 5),
            format!("fuel EX3 {}", 100 + round),
        ];
        for line in &lines {
            stage.pass_minutes(2);
            stage.must(line);
        }
    }
    assert_eq!(stage.must("doctor"), "302 entries in 1 log, 0 seals\nAll sound.\n");
}
