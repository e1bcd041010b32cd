//! What nobody would type in good faith, and what a tired thumb does: an answer each, with a code and a hint.
//!
//! What must hold each time: no panic, and nothing recorded where something is refused.

use crate::stage::Stage;
use insta::assert_snapshot;
use pintle::problem::Exit;
use serde_json::Value;

/// Texts where a number belongs.
const NUMBERS: &[&str] = &[
    "-1",
    "-0",
    "-4127.5",
    "--5",
    "NaN",
    "nan",
    "inf",
    "-inf",
    "Infinity",
    "1e9",
    "1e-3",
    "0x10",
    "99999999",
    "99999999999999999999999999",
    "1.2345",
    ".",
    "..",
    "1.2.3",
    "1,2,3",
    "٣٤",
    "½",
    "1 000",
    "1_000",
    "",
    " ",
    "é",
    "\u{202e}5",
    "5\u{0}",
    "+",
    "+-5",
    "++5",
    "+99999999",
    "-9223372036854775808",
    "9223372036854775807",
    "💧",
];

/// Texts where a time belongs.
const TIMES: &[&str] = &[
    "12026-05-04 07:00",
    "-2026-05-04 07:00",
    "2026-02-29 07:00",
    "2026-02-30 07:00",
    "2026-13-01 07:00",
    "0000-01-01 00:00",
    "1969-12-31 23:59",
    "9999-12-31 23:59",
    "24:00",
    "07:60",
    "7",
    "-",
    "-1",
    "-99999999999d",
    "-9223372036854775807s",
    "-1y",
    "2026-05-04T07:00:60Z",
    "2026-05-04T07:00:00+99:00",
    "2026-05-04T07:00",
    "tomorrow 07:00",
    "",
    " ",
    "NaN",
    "٠٧:١٠",
    "07:1O",
    "💧",
];

/// Every command that takes a number, with its place marked.
const TAKE_NUMBERS: &[&str] = &[
    "read EX3 {}",
    "read {}",
    "read EX3 {} --meter km",
    "grease EX3 {}",
    "grease EX3 --minutes {}",
    "grease EX3 --used \"grease:{}\"",
    "done EX3 wash {}",
    "fuel EX3 {}",
    "fuel EX3 90 {}",
    "begin EX3 {}",
    "end EX3 {}",
    "end EX3 --submerged {}",
    "end EX3 --dusty {}",
    "found EX3 squeak --reading {}",
    "repair EX3 --minutes {}",
    "repair EX3 --reading {}",
    "repair EX3 --part \"seal:{}\"",
    "meter EX3 --old {} --new 0 --why replaced",
    "meter EX3 --old 4128 --new {} --why replaced",
    "correct K7-2 reading {}",
    "correct K7-3 litres {}",
    "correct K7-4 minutes {}",
    "correct K7-5 submerged {}",
    "bench gun --before {} --after 5 --strokes 3",
    "bench bearing {} 20",
    "log EX3 -n {}",
    "strike {} x",
    "clear {} x",
    "settle {} same",
];

fn story() -> Stage {
    let stage = Stage::with_machine();
    for line in ["fuel EX3 90", "grease EX3 --minutes 5", "end EX3 --submerged 1"] {
        stage.must(line);
    }
    stage
}

fn entries(stage: &Stage) -> u64 {
    let answer: Value = serde_json::from_str(&stage.must("--json status")).expect("JSON");
    answer["held"].as_u64().expect("a number")
}

/// Either it is done, or it says with a code and a hint why not, and nothing is recorded.
fn answered(stage: &Stage, held: &mut u64, line: &str) -> Exit {
    let ran = stage.run(&format!("--json {line}"));
    let now = entries(stage);
    if ran.exit == Exit::Done {
        *held = now;
        return ran.exit;
    }
    assert_eq!(now, *held, "{line}: nothing is recorded where it is refused");
    let problem: Value = serde_json::from_str(&ran.err).expect(line);
    let text = |key: &str| problem["problem"][key].as_str().unwrap_or_default().to_owned();
    assert!(!text("code").is_empty() && !text("sentence").is_empty(), "{line}: {}", ran.err);
    let by_core = text("code") == "broken-rule";
    assert!(by_core || !text("hint").is_empty(), "{line} has no hint: {}", ran.err);
    ran.exit
}

#[test]
fn numbers_that_are_none() {
    let stage = story();
    let mut held = entries(&stage);
    for command in TAKE_NUMBERS {
        for number in NUMBERS {
            answered(&stage, &mut held, &command.replace("{}", &format!("\"{number}\"")));
        }
    }
    for line in ["book EX3", "due", "handover EX3", "meter EX3", "keeping EX3", "log EX3", "doctor"] {
        stage.must(line);
    }
}

#[test]
fn times_that_are_none() {
    let stage = story();
    let mut held = entries(&stage);
    for time in TIMES {
        let exit = answered(&stage, &mut held, &format!("grease EX3 --at \"{time}\""));
        let good = *time == "2026-05-04T07:00";
        assert_eq!(exit == Exit::Done, good, "{time}");
        answered(&stage, &mut held, &format!("correct K7-4 at \"{time}\""));
    }
}

#[test]
fn readings_that_cannot_be_are_told_apart() {
    let stage = story();
    assert_snapshot!(stage.script(&[
        "read EX3 -5",
        "read -5",
        "read EX3 NaN",
        "read EX3 99999999",
        "read EX3 4127.55555",
        "read EX3 +99999999",
        "read EX3 9999999.999",
        "fuel EX3 -20",
        "end EX3 --submerged -1",
        "grease EX3 --minutes -5",
        "grease EX3 --minutes NaN",
        "repair EX3 --minutes 99999",
    ]));
}

#[test]
fn leap_days_far_years_and_times_to_come() {
    let stage = story();
    assert_snapshot!(stage.script(&[
        "grease EX3 --at \"2024-02-29 07:00\"",
        "grease EX3 --at \"2026-02-29 07:00\"",
        "grease EX3 --at \"12026-05-04 07:00\"",
        "grease EX3 --at 07:13",
        "read EX3 4130 --at 17:00",
        "correct K7-8 at \"yesterday 17:00\"",
        "grease EX3 --at \"9998-12-31 23:59\"",
        "strike K7-10 a slip",
        "--json read EX3 4131 --at 18:00",
        "due EX3",
    ]));
}

#[test]
fn the_days_on_which_clocks_change() {
    let stage = story();
    // Forward on Sunday 29 March 2026 at 02:00, back on Sunday 25 October at 03:00.
    stage.move_to("CET-1CEST,M3.5.0,M10.5.0/3");
    stage.pass_minutes(200 * 24 * 60);
    let seen = stage.script(&[
        "grease EX3 --at \"2026-03-29 01:59\"",
        "grease EX3 --at \"2026-03-29 02:30\"",
        "grease EX3 --at \"2026-03-29 03:00\"",
        "grease EX3 --at \"2026-10-25 01:59\"",
        "grease EX3 --at \"2026-10-25 02:30\"",
        "correct K7-9 at 2026-10-25T02:30:00+01:00",
        "grease EX3 --at \"2026-10-25 03:00\"",
        "read EX3 4127.5 --at \"2026-10-24 12:00\"",
        // The day has 25 hours: 25 h of running can be true, 26 cannot.
        "read EX3 4152.5 --at \"2026-10-25 12:00\"",
        "read EX3 4153.6 --at \"2026-10-25 12:00\"",
    ]);
    assert_snapshot!(seen);
}
