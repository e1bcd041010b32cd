//! What is due: the list, its order, the bar, and the second line of an answer.
//!
//! A list is always what a fold of all entries says, whatever was kept; an answer to a recording says the same.

use crate::stage::Stage;
use insta::assert_snapshot;
use serde_json::Value;

/// Three machines: one tagged out, one past due after a day in the water, one that nobody has read yet.
fn yard() -> Stage {
    let stage = Stage::with_machine();
    stage.script(&[
        "machine add LD1 --site \"mill lane\"",
        "read LD1 980",
        "machine add TR2",
        "grease EX3 4127.5",
        "grease LD1 980",
    ]);
    stage.pass_minutes(600);
    stage.script(&["end EX3 4136.5 --submerged 6", "read LD1 984", "found LD1 crack --point \"lift arm\""]);
    stage
}

#[test]
fn the_first_line_is_the_thing_to_do() {
    assert_snapshot!(yard().script(&["due", "due EX3", "due --site \"North Pit\"", "due TR2", "--quiet due"]));
}

#[test]
fn due_for_programs() {
    assert_snapshot!(yard().script(&["--json due", "--json due EX3"]));
}

#[test]
fn what_cannot_be_shown_is_told() {
    let stage = Stage::new("Ines", 7);
    assert_snapshot!(stage.script(&[
        "due",
        "due EX3",
        "due --site \"north pit\"",
        "machine add EX3 --site \"north pit\"",
        "due --site south",
        "due EX3 --site south",
    ]));
}

/// The second line of an answer, and the list, are those of a fold, whatever was recorded between.
#[test]
fn the_next_thing_is_said_at_once_and_is_the_first_of_the_list() {
    let stage = Stage::with_machine();
    let mut tenths = 41_275;
    let mut said = 0;
    for round in 0..40 {
        stage.pass_minutes(90);
        tenths += 9;
        let reading = format!("{}.{}", tenths / 10, tenths % 10);
        let line = match round % 8 {
            0 | 4 => format!("grease EX3 {reading}"),
            1 => format!("fuel EX3 120 {reading}"),
            2 => "end EX3 --submerged 2".to_owned(),
            3 => format!("grease EX3 {reading} --skip \"boom foot: mud\""),
            5 => format!("found EX3 squeak --reading {reading}"),
            6 => "grease EX3 --point \"boom foot\"".to_owned(),
            _ => format!("read EX3 {reading}"),
        };
        let answer: Value = serde_json::from_str(&stage.must(&format!("--json {line}"))).expect("JSON");
        let list: Value = serde_json::from_str(&stage.must("--json due EX3")).expect("JSON");
        let first = &list["due"][0]["due"][0];
        if let Some(next) = answer.get("next") {
            // The date rests on the use per day, which only the fold measures anew, and so do hours by condition.
            for field in ["task", "state", "clock", "left", "used_permille", "skipped"] {
                assert_eq!(next.get(field), first.get(field), "{line}: {field}");
            }
            said += 1;
        }
        if round % 3 == 0 {
            continue;
        }
        // Several in a row without a list between them, so that some wait to be taken in.
        stage.must("note EX3 all well");
    }
    assert_eq!(said, 35, "every answer but to findings and notes says the next thing");
}

/// Many recordings without a list between them: the answer goes on being the list's.
#[test]
fn a_run_of_recordings_is_taken_in() {
    let stage = Stage::with_machine();
    stage.must("grease EX3 4127.5");
    for tenth in 1..=30 {
        stage.pass_minutes(12);
        let answer: Value = serde_json::from_str(&stage.must(&format!(
            "--json read EX3 {}.{}",
            4127 + (5 + tenth) / 10,
            (5 + tenth) % 10
        )))
        .expect("JSON");
        assert_eq!(answer["next"]["left"], format!("{}", decimal(10_000 - tenth * 100)), "after {tenth} tenths");
    }
    let list: Value = serde_json::from_str(&stage.must("--json due EX3")).expect("JSON");
    assert_eq!(list["due"][0]["due"][0]["left"], "7");
}

fn decimal(milli: i64) -> pintle_core::decimal::Decimal {
    pintle_core::decimal::Decimal::from_milli(milli)
}

/// An outlook that is gone, or was kept by another version, is folded anew; nobody is told that the log is damaged.
#[test]
fn a_kept_outlook_is_never_the_truth() {
    let stage = yard();
    let before = stage.must("--json due");
    let database = rusqlite::Connection::open(stage.home().join("log.db")).expect("opens");
    for harm in [
        "DELETE FROM outlook",
        "UPDATE outlook SET json = '{}'",
        "UPDATE outlook SET json = 'x'",
        "UPDATE outlook SET made_by = 'another', json = replace(json, '10000', '99000')",
        "UPDATE outlook SET folded = 0, json = replace(json, '10000', '99000')",
        "UPDATE outlook SET counted = counted - 1, json = replace(json, '10000', '99000')",
    ] {
        database.execute(harm, []).expect(harm);
        assert_eq!(stage.must("--json due"), before, "{harm}");
        let harmed: i64 = database
            .query_row("SELECT count(*) FROM outlook WHERE folded = 1 AND json LIKE '%10000%'", [], |r| r.get(0))
            .expect("reads");
        assert_eq!(harmed, 3, "after {harm} all are kept anew");
    }
    assert_eq!(stage.must("doctor"), "10 entries in 1 log, 0 seals\nAll sound.\n");
}
