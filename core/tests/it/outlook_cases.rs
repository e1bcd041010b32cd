//! The outlook a device keeps says what the fold says.
//!
//! Generated days of one machine: after every entry that was taken in, both give the same list, given the use per day,
//! which only the fold measures anew.

use crate::world::{EX3, World};
use pintle_core::book::book;
use pintle_core::due::{Due, due};
use pintle_core::fact::Fact;
use pintle_core::outlook::{Advanced, Outlook};
use proptest::prelude::*;
use serde_json::{Value, json};

fn without_reasons(mut list: Vec<Due>) -> Vec<Due> {
    // The words tell hard hours, which only the fold sums by condition.
    list.iter_mut().for_each(|due| due.why = due.why.split(';').next().unwrap_or_default().to_owned());
    list
}

fn plan() -> Value {
    json!({"name": "tracked excavator", "source": "common practice, no source", "tasks": [
        {"task": "grease", "points": ["boom foot", "bucket"], "every": {"hours": "10", "fills": 1}, "counting": "done",
            "weighed": true},
        {"task": "oil", "every": {"hours": "250", "days": 180}, "covers": ["grease"]},
        {"task": "tracks", "every": {"shifts": 2}, "counting": "due"}]})
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_was_taken_in_is_what_the_fold_says(acts in proptest::collection::vec((0..12u8, 1..400i64, 0..100i64), 1..60)) {
        let mut world = World::new(1);
        world.record(0, 0, "machine_added", json!({"name": "EX3"}));
        world.record(0, 1, "plan_set", plan());
        world.record(0, 2, "meter_read", json!({"reading": "1000"}));
        let mut outlook = Outlook::of(&world.book());
        let (mut minute, mut tenths, mut taken) = (2, 10_000, 0);
        let mut squeak = None;
        for (act, later, run) in acts {
            minute += later;
            // Never more than the time that has passed, so that every reading can be believed.
            tenths += run.min(later / 6);
            let hours = format!("{}.{}", tenths / 10, tenths % 10);
            let (kind, body) = match (act, &squeak) {
                (9, Some(finding)) => ("repair_done", json!({"closes": [finding], "remedy": "greased"})),
                (10, Some(finding)) => ("finding_cleared", json!({"finding": finding})),
                (act, _) => match act {
                0 => ("meter_read", json!({"reading": hours})),
                1 => ("fuel_filled", json!({"litres": "100", "reading": hours})),
                2 => ("task_done", json!({"task": "grease", "reading": hours, "skipped": [{"point": "boom foot"}]})),
                3 => ("task_done", json!({"task": "grease", "points": ["boom foot"], "reading": hours})),
                4 => ("task_done", json!({"task": "oil", "reading": hours})),
                5 => ("shift_ended", json!({"reading": hours, "conditions": {"submerged": "1", "dry": "2"}})),
                6 => ("finding_raised", json!({"sign": "squeak", "urgency": "watch"})),
                7 => ("task_done", json!({"task": "tracks", "reading": hours})),
                8 => ("finding_raised", json!({"sign": "squeak", "point": "boom foot", "urgency": "soon"})),
                11 => ("finding_raised", json!({"sign": "leak", "point": "boom foot", "urgency": "soon"})),
                _ => ("fuel_filled", json!({"litres": "50"})),
                },
            };
            let recorded = world.record(0, minute, kind, body);
            if kind == "finding_raised" {
                squeak = Some(recorded);
            }
            let held = world.held.last().expect("just recorded");
            let fact = Fact::read(held.entry.head().expect("a head"), &held.entry).expect("a fact");
            match outlook.advance(held, &fact) {
                Advanced::TakenIn => taken += 1,
                Advanced::Fold => outlook = Outlook::of(&world.book()),
            }
            let now = 1_780_000_000 + minute * 60;
            let book = book(EX3, &world.held);
            let list = outlook.due(now, 7200);
            let firsts = outlook.firsts(now, 7200);
            for at in [now, now / 86_400 * 86_400 - 7200, now / 86_400 * 86_400 + 86_399 - 7200, now + 86_400] {
                let first = outlook.due(at, 7200).first().map(|due| due.order(at));
                let same_day = (at + 7200) / 86_400 == (now + 7200) / 86_400;
                prop_assert_eq!(firsts.at(at, 7200), same_day.then_some(first));
                prop_assert_eq!(firsts.at(at, 0), None);
            }
            let text = serde_json::to_string(&list).expect("JSON");
            prop_assert_eq!(serde_json::from_str::<Vec<Due>>(&text).expect("it reads back"), list);
            // The use per day is measured by the fold only; with the same, even the dates are the same.
            let mut told = outlook.clone();
            told.meters.iter_mut().zip(&book.meters).for_each(|(dial, meter)| dial.rate = meter.rate);
            prop_assert_eq!(without_reasons(told.due(now, 7200)), without_reasons(due(&book, now, 7200)));
        }
        prop_assert!(taken > 0);
    }
}

#[test]
fn what_changes_what_stands_is_left_to_the_fold() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    let read = world.record(0, 2, "meter_read", json!({"reading": "1000"}));
    let mut outlook = Outlook::of(&world.book());
    for (minute, kind, body) in [
        (3, "corrected", json!({"target": read, "field": "/body/reading", "value": "900"})),
        (4, "struck", json!({"target": read})),
        (5, "plan_set", plan()),
        (6, "meter_read", json!({"reading": "2000"})),
        (7, "meter_read", json!({"reading": "999"})),
        (1, "note_left", json!({})),
    ] {
        world.record(0, minute, kind, body);
        let held = world.held.last().expect("just recorded");
        let fact = Fact::read(held.entry.head().expect("a head"), &held.entry).expect("a fact");
        let before = outlook.clone();
        assert_eq!(outlook.advance(held, &fact), Advanced::Fold, "{kind}");
        assert_eq!(outlook, before, "{kind}");
    }
}
