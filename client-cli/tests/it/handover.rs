//! What the person taking a machine is told, and the pages that show how it was kept and by whose hands.
//!
//! One machine passes through three people; what one noticed, the next reads.

use crate::stage::Stage;
use insta::assert_snapshot;

/// A week of two operators: hard hours, a skipped point, a finding, notes, services late and in time.
fn week() -> Stage {
    let stage = Stage::with_machine();
    stage.script(&["me Rosa", "me Ines", "grease EX3 4127.5 --purge clean"]);
    let mut tenths = 41_275;
    for day in 0..6 {
        let who = if day % 3 == 2 { "Rosa" } else { "Ines" };
        let reading = |tenths: i64| format!("{}.{}", tenths / 10, tenths % 10);
        stage.must(&format!("begin EX3 {} --as {who}", reading(tenths)));
        stage.pass_minutes(9 * 60);
        tenths += 70 + day * 3;
        stage.must(&format!("end EX3 {} --as {who} --dusty {}", reading(tenths), day % 2));
        stage.must(&format!("fuel EX3 {} --as {who}", 90 + day));
        match day {
            1 => stage.must("grease EX3 --skip \"boom foot: under mud\" --purge water --purge-at \"bucket pin=metal\""),
            3 => String::new(),
            _ => stage.must("grease EX3 --purge clean --point stick --point \"bucket link\""),
        };
        stage.pass_minutes(15 * 60);
    }
    stage.script(&[
        "note EX3 the left mirror is loose --handover --as Rosa",
        "note EX3 diesel can is in the box --as Rosa",
        "found EX3 squeak --point stick --as Rosa when curling",
        "me Tom",
    ]);
    stage
}

#[test]
fn what_the_next_operator_must_know() {
    let stage = week();
    let mut seen =
        stage.script(&["handover EX3", "handover --as Rosa", "found EX3 crack --point \"lift arm\" weld open"]);
    seen.push_str(&stage.script(&["handover EX3 --as Ines", "--quiet handover EX3"]));
    assert_snapshot!(seen);
}

#[test]
fn a_handover_with_nothing_to_tell() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "grease EX3",
        "handover EX3",
        "machine add LD1",
        "handover LD1",
        "handover EX9",
        "handover EX3 --as Nobody",
        "--json handover LD1",
    ]));
}

#[test]
fn the_book_shows_how_it_was_kept_and_by_whom() {
    let stage = week();
    assert_snapshot!(stage.script(&["plan EX3 --starter excavator", "book EX3"]));
}

#[test]
fn how_it_was_kept_by_any_counting_and_what_a_rule_would_miss() {
    let stage = week();
    stage.must("found EX3 crack --point boom");
    stage.pass_minutes(1);
    stage.must("begin EX3 4175");
    assert_snapshot!(stage.script(&[
        "keeping EX3",
        "keeping --counting done",
        "keeping --counting due",
        "keeping --counting earlier",
        "keeping --counting never",
        "keeping --rules",
        "keeping EX3 --rule 30cfr56.14100",
        "keeping EX3 --rule \"49 CFR 396.3\"",
        "keeping EX3 --rule \"29 CFR 1926.1412(f)\"",
        "keeping EX3 --rule \"29 CFR 1926.1412(f)\" --inspection grease",
        "keeping EX3 --rule \"29 CFR 1926.1412(f)\" --inspection look",
        "keeping EX3 --rule \"worth showing\"",
        "keeping EX3 --rule \"1 CFR 1\"",
        "--json keeping EX3 --counting done",
        "--json keeping EX3 --rule \"30 CFR 56.14100\"",
        "machine add LD1",
        "keeping LD1",
        "keeping LD1 --rule \"30 CFR 56.14100\"",
    ]));
}

#[test]
fn every_page_fits_a_phone() {
    let stage = week();
    stage.must("plan EX3 --starter excavator");
    for line in
        ["book EX3", "handover EX3", "due", "due EX3", "plan EX3", "log EX3", "machines", "keeping EX3", "meter EX3"]
    {
        let page = stage.must(line);
        let widest = page.lines().max_by_key(|line| line.chars().count()).unwrap_or_default();
        assert!(widest.chars().count() <= 40, "{line}: {widest:?}");
    }
}
