//! Records against public rules: how long each is kept, what is missing, and what may not be struck.
//!
//! The source of each number stands beside it.

use crate::world::World;
use pintle_core::rules::{Date, Days, Field, Keep, KeepUntil, RULES, Source, find, keep_until, may_strike, report};
use serde_json::json;
use std::collections::BTreeSet;

fn day(text: &str) -> Date {
    text.parse().expect("a date")
}

fn keep(cited: &str) -> Keep {
    find(cited).expect(cited).keep
}

/// 49 CFR 396.11: three months; 396.21: fourteen; 396.3: a year, and six months after the vehicle leaves control (the
/// dates are arithmetic on the rules).
#[test]
fn retention_counts_calendar_months() {
    let left = |date: &str| Days { left: Some(day(date)), ..Days::default() };
    let through = |text: &str| KeepUntil::Through(day(text));
    for (cited, recorded, days, until) in [
        ("49 CFR 396.11", "2026-01-31", Days::default(), through("2026-04-30")),
        ("49 CFR 396.11", "2026-11-30", Days::default(), through("2027-02-28")),
        ("49 CFR 396.11", "2027-11-30", Days::default(), through("2028-02-29")),
        ("49 CFR 396.21", "2025-12-15", Days::default(), through("2027-02-15")),
        ("49 CFR 396.3", "2026-03-01", left("2026-07-01"), through("2027-03-01")),
        ("49 CFR 396.3", "2026-03-01", left("2027-01-01"), through("2027-07-01")),
        ("49 CFR 396.3", "2026-03-01", Days::default(), KeepUntil::AtLeast(day("2027-03-01"))),
        ("29 CFR 1926.1412(e)", "2026-08-31", Days::default(), through("2026-11-30")),
        ("29 CFR 1926.1412(f)", "2024-02-29", Days::default(), through("2025-02-28")),
        ("14 CFR 91.417", "2026-03-01", Days::default(), through("2027-03-01")),
        (
            "14 CFR 91.417",
            "2026-03-01",
            Days { superseded: Some(day("2026-06-01")), ..Days::default() },
            through("2026-06-01"),
        ),
        (
            "14 CFR 91.417",
            "2026-03-01",
            Days { superseded: Some(day("2028-06-01")), ..Days::default() },
            through("2027-03-01"),
        ),
        ("30 CFR 56.14100", "2026-03-01", Days::default(), KeepUntil::Corrected),
        (
            "30 CFR 56.14100",
            "2026-03-01",
            Days { corrected: Some(day("2026-03-04")), ..Days::default() },
            through("2026-03-04"),
        ),
        ("30 CFR 77.1606", "2026-03-01", Days::default(), KeepUntil::NotSaid),
        ("29 CFR 1910.178(q)(7)", "2026-03-01", Days::default(), KeepUntil::NotSaid),
        ("49 CFR 396.21", "9999-12-31", Days::default(), through("9999-12-31")),
    ] {
        assert_eq!(keep_until(keep(cited), day(recorded), days), until, "{cited} of {recorded} with {days:?}");
    }
}

#[test]
fn rules_are_found_as_they_are_cited() {
    for rule in &RULES {
        assert_eq!(find(rule.id), Some(rule));
        assert_eq!(find(&rule.id.to_lowercase().replace(' ', "")), Some(rule));
    }
    assert_eq!(find("49 CFR 396"), None);
    // From memory, not confirmed: the twelve months of 1926.1412(f), the fields of 396.21.
    let memory: Vec<&str> = RULES
        .iter()
        .filter(|rule| [rule.keep_source, rule.fields_source].contains(&Source::Memory))
        .map(|rule| rule.id)
        .collect();
    assert_eq!(memory, ["29 CFR 1926.1412(f)", "49 CFR 396.21"]);
}

fn missing(world: &World, cited: &str, inspections: &[&str]) -> Vec<Vec<Field>> {
    let named: BTreeSet<String> = inspections.iter().map(|task| (*task).to_owned()).collect();
    let report = report(&world.book(), &world.held, find(cited).expect(cited), &named);
    report.records.into_iter().map(|record| record.missing).collect()
}

#[test]
fn a_defect_run_with_before_it_was_corrected_is_told() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    let crack = world.record(0, 10, "finding_raised", json!({"sign": "crack", "urgency": "tagged out"}));
    let leak = world.record(0, 11, "finding_raised", json!({"sign": "leak", "urgency": "soon"}));
    world.record(0, 12, "finding_raised", json!({"sign": "other", "urgency": "watch"}));
    assert_eq!(missing(&world, "30 CFR 56.14100", &[]), [vec![], vec![], vec![Field::Description]]);
    world.record(0, 60, "shift_begun", json!({"reading": "100"}));
    let used = [vec![Field::HazardCorrectedBeforeUse], vec![], vec![Field::Description]];
    assert_eq!(missing(&world, "30 CFR 56.14100", &[]), used);
    world.record(0, 70, "repair_done", json!({"closes": [crack, leak], "remedy": "welded"}));
    assert_eq!(
        missing(&world, "30 CFR 56.14100", &[])[0],
        [Field::HazardCorrectedBeforeUse],
        "the repair came too late"
    );
    let daily = missing(&world, "49 CFR 396.11", &[]);
    assert_eq!(daily[1], [Field::CorrectedBeforeUse]);
    assert_eq!(daily[2], [Field::Description, Field::Correction, Field::CorrectedBeforeUse]);
    let first = report(&world.book(), &world.held, find("30 CFR 56.14100").expect("a rule"), &BTreeSet::new());
    // 2026-05-28T20:26:40Z and an offset of two hours: the day at the place.
    assert_eq!(first.records[0].keep, KeepUntil::Through(day("2026-05-28")));
    assert_eq!(first.records[2].keep, KeepUntil::Corrected);
    assert_eq!(first.records[0].what, "crack");
}

#[test]
fn an_inspection_lacks_what_it_does_not_say() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "CR5"}));
    world.record(0, 10, "task_done", json!({"task": "monthly"}));
    world.record(0, 11, "task_done", json!({"task": "grease"}));
    let (items, results, seal) = (Field::Items, Field::Results, Field::Signature);
    assert_eq!(missing(&world, "29 CFR 1926.1412(e)", &["monthly"]), [vec![items, results, seal]]);
    world.push(0);
    assert_eq!(missing(&world, "29 CFR 1926.1412(e)", &["monthly"]), [vec![items, results]]);
    world.record_words(0, 20, "task_done", json!({"task": "monthly"}), Some("ropes, hooks, brakes: in order"));
    world.push(0);
    assert_eq!(missing(&world, "29 CFR 1926.1412(e)", &["monthly"])[1], []);
    assert_eq!(missing(&world, "29 CFR 1926.1412(e)", &[]), [[]; 0], "nothing was said to be an inspection");
    assert_eq!(missing(&world, "49 CFR 396.21", &["monthly"])[1], [Field::Identification]);
}

#[test]
fn upkeep_is_held_to_the_meter_the_plan_and_the_parts() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "LD1", "make": "M", "serial": "7", "site": "pit"}));
    world.record(0, 1, "task_done", json!({"task": "oil"}));
    world.record(
        0,
        2,
        "task_done",
        json!({"task": "grease", "reading": "100", "materials": [{"name": "NLGI 2 EP", "amount": "40", "unit": "g"}]}),
    );
    world.record(0, 3, "repair_done", json!({"reading": "101", "parts": [{"name": "fitting M10x1"}]}));
    world.push(0);
    let worth = missing(&world, "worth showing", &[]);
    assert_eq!(worth[0], [Field::TotalTime, Field::Materials, Field::DueDate], "the common plan has no oil");
    assert_eq!(worth[1], []);
    assert_eq!(worth[2], [Field::Description, Field::Materials]);
    assert_eq!(missing(&world, "14 CFR 91.417", &[]), [vec![Field::TotalTime], vec![], vec![Field::Description]]);
    assert_eq!(missing(&world, "49 CFR 396.3", &[]), [vec![Field::DueDate], vec![], vec![Field::Description]]);
    world.record(0, 4, "machine_changed", json!({"retired": "sold"}));
    let after = report(&world.book(), &world.held, find("49 CFR 396.3").expect("a rule"), &BTreeSet::new());
    assert_eq!(after.records[0].keep, KeepUntil::Through(day("2027-05-28")));
    let json = serde_json::to_value(&after.records[0]).expect("JSON");
    assert_eq!((&json["keep"], &json["missing"]), (&json!({"through": "2027-05-28"}), &json!(["due_date"])));
}

/// 30 CFR 56.14100(d): a record of a hazardous defect is kept until it is corrected.
#[test]
fn the_only_record_of_an_open_hazard_is_not_struck() {
    let mut world = World::new(2);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    let crack = json!({"sign": "crack", "point": "boom", "urgency": "tagged out"});
    let first = world.record(0, 10, "finding_raised", crack.clone());
    let leak = world.record(0, 11, "finding_raised", json!({"sign": "leak", "urgency": "soon"}));
    assert!(!may_strike(&world.book(), first));
    assert!(may_strike(&world.book(), leak), "it is no hazard");
    let second = world.record(1, 20, "finding_raised", crack);
    assert!(may_strike(&world.book(), first) && may_strike(&world.book(), second), "there are two records of it");
    world.record(0, 21, "struck", json!({"target": first}));
    assert!(!may_strike(&world.book(), second), "now it is the only one");
    world.record(1, 30, "repair_done", json!({"closes": [second], "remedy": "welded"}));
    assert!(may_strike(&world.book(), second), "the correction is linked");
    let elsewhere = world.record(0, 40, "finding_raised", json!({"sign": "crack", "urgency": "tagged out"}));
    world.record(1, 41, "finding_raised", json!({"sign": "crack", "point": "stick", "urgency": "tagged out"}));
    assert!(!may_strike(&world.book(), elsewhere), "another crack is another matter");
}
