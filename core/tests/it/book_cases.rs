//! What a book says in the cases crews meet.
//!
//! Each test is one story, told with who had seen what.

use crate::world::World;
use pintle_core::entry::EntryRef;
use serde_json::{Value, json};

fn added(world: &mut World) -> EntryRef {
    let name = world.record(0, 0, "machine_added", json!({"name": "EX3", "meter_kind": "hours", "site": "north cut"}));
    (0..world.devices.len()).for_each(|d| world.sync(d));
    name
}

#[test]
fn two_corrections_made_apart_clash_until_one_is_chosen() {
    let mut world = World::new(3);
    added(&mut world);
    let fill = world.record(0, 10, "fuel_filled", json!({"litres": "12"}));
    (0..3).for_each(|d| world.sync(d));
    let a = world.record(1, 20, "corrected", json!({"target": fill, "field": "/body/litres", "value": "120"}));
    let b = world.record(2, 30, "corrected", json!({"target": fill, "field": "/body/litres", "value": "112"}));
    (0..3).for_each(|d| world.sync(d));

    let book = world.book();
    let [clash] = book.clashes.as_slice() else { panic!("one clash: {:?}", book.clashes) };
    assert_eq!(clash.used, b, "the later one is used until settled");
    let mut sides: Vec<(EntryRef, Value)> = clash.sides.iter().map(|s| (s.entry, s.value.clone())).collect();
    sides.sort_by_key(|s| s.0);
    let mut expected = vec![(a, json!("120")), (b, json!("112"))];
    expected.sort_by_key(|s| s.0);
    assert_eq!(sides, expected);
    assert_eq!(book.fuel.as_ref().map(|f| f.litres.to_string()).as_deref(), Some("112"));

    let settled = json!({"matter": clash.matter, "over": [a, b], "choice": {"entry": a}});
    let s1 = world.record(0, 40, "settled", settled.clone());
    let book = world.book();
    assert_eq!(book.clashes, [], "settled");
    assert_eq!(book.fuel.map(|f| f.litres.to_string()).as_deref(), Some("120"));

    // The same decision on another device, made apart: no clash. Another decision: a clash of its own, not a loop.
    world.record(1, 41, "settled", settled);
    assert_eq!(world.book().clashes, []);
    let s3 = world.record(2, 42, "settled", json!({"matter": clash.matter, "over": [a, b], "choice": {"entry": b}}));
    let book = world.book();
    let [second] = book.clashes.as_slice() else { panic!("one clash: {:?}", book.clashes) };
    assert_ne!(second.id, clash.id);
    assert!(second.sides.iter().any(|s| s.entry == s1) && second.sides.iter().any(|s| s.entry == s3));
    (0..3).for_each(|d| world.sync(d));
    let over: Vec<EntryRef> = second.sides.iter().map(|s| s.entry).collect();
    world.record(0, 50, "settled", json!({"matter": second.matter, "over": over, "choice": {"entry": s1}}));
    let book = world.book();
    assert_eq!(book.clashes, [], "settled for good");
    assert_eq!(book.fuel.map(|f| f.litres.to_string()).as_deref(), Some("120"));
}

#[test]
fn a_correction_made_in_knowledge_of_another_is_no_clash() {
    let mut world = World::new(2);
    added(&mut world);
    let fill = world.record(0, 10, "fuel_filled", json!({"litres": "12"}));
    world.record(0, 20, "corrected", json!({"target": fill, "field": "/body/litres", "value": "120"}));
    (0..2).for_each(|d| world.sync(d));
    world.sync(1);
    world.record(1, 5, "corrected", json!({"target": fill, "field": "/body/litres", "value": "121"}));
    let book = world.book();
    assert_eq!(book.clashes, []);
    let litres = book.fuel.map(|f| f.litres.to_string());
    assert_eq!(litres.as_deref(), Some("121"), "what was said last in knowledge counts, whatever the clocks say");
    assert_eq!(book.counts.corrected, 1);
}

#[test]
fn a_greasing_recorded_by_two_people_counts_once_until_settled_as_two() {
    let mut world = World::new(2);
    added(&mut world);
    let grease = json!({"task": "grease", "reading": "4127.5", "skipped": [{"point": "boom foot", "reason": "mud"}]});
    let a = world.record(0, 60, "task_done", grease);
    let b = world.record(1, 75, "task_done", json!({"task": "grease", "reading": "4127.6"}));
    let book = world.book();
    assert_eq!((book.tasks[0].times, book.twins.len()), (1, 1));
    assert_eq!(book.tasks[0].skipped, [], "the other record says that the point was done");
    (0..2).for_each(|d| world.sync(d));
    world.sync(0);
    assert_eq!(world.book().twins[0].id, book.twins[0].id, "the id does not depend on sync");

    world.record(0, 90, "settled", json!({"matter": "task:grease", "over": [a, b], "choice": "both"}));
    let book = world.book();
    assert_eq!((book.tasks[0].times, book.twins.len()), (2, 0));
    world.record(0, 95, "settled", json!({"matter": "task:grease", "over": [b, a], "choice": "same"}));
    let book = world.book();
    assert_eq!((book.tasks[0].times, book.twins.len(), book.clashes.len()), (1, 0, 0), "changed one's mind, knowingly");
}

#[test]
fn a_greasing_known_to_the_second_person_is_a_second_greasing() {
    let mut world = World::new(2);
    added(&mut world);
    world.record(0, 60, "task_done", json!({"task": "grease", "reading": "4127.5"}));
    world.sync(0);
    world.sync(1);
    world.record(1, 75, "task_done", json!({"task": "grease", "reading": "4127.6"}));
    let book = world.book();
    assert_eq!((book.tasks[0].times, book.twins.len()), (2, 0));
}

#[test]
fn one_point_greased_afterwards_is_no_twin_of_the_whole_greasing() {
    let mut world = World::new(2);
    added(&mut world);
    world.record(0, 60, "task_done", json!({"task": "grease"}));
    world.record(1, 90, "task_done", json!({"task": "grease", "points": ["bucket pin"]}));
    let book = world.book();
    assert_eq!((book.tasks[0].times, book.twins.len()), (2, 0));
}

#[test]
fn a_tagged_out_machine_says_so_until_the_finding_is_mended_or_cleared() {
    let mut world = World::new(2);
    added(&mut world);
    let crack = world.record_words(
        0,
        10,
        "finding_raised",
        json!({"sign": "crack", "urgency": "tagged out"}),
        Some("boom, left weld"),
    );
    let squeak =
        world.record(0, 20, "finding_raised", json!({"sign": "squeak", "urgency": "watch", "point": "bucket pin"}));
    (0..2).for_each(|d| world.sync(d));
    let book = world.book();
    assert!(book.tagged_out);
    assert_eq!(book.findings.iter().map(|f| f.stamp.entry).collect::<Vec<_>>(), [crack, squeak]);
    assert_eq!(book.findings[0].text.as_deref(), Some("boom, left weld"));

    let mended = world.record(0, 30, "repair_done", json!({"closes": [crack], "remedy": "welded"}));
    let book = world.book();
    assert!(!book.tagged_out);
    assert_eq!((book.findings.len(), book.findings_ended), (1, 1));

    let cleared = world.record(1, 40, "finding_cleared", json!({"finding": crack}));
    let book = world.book();
    assert!(book.tagged_out, "while people disagree how it ended, the finding stays in view");
    assert_eq!(book.clashes.len(), 1);
    let over = [mended, cleared];
    (0..2).for_each(|d| world.sync(d));
    world.sync(0);
    world.record(
        0,
        50,
        "settled",
        json!({"matter": book.clashes[0].matter, "over": over, "choice": {"entry": mended}}),
    );
    assert!(!world.book().tagged_out);
}

#[test]
fn a_strike_takes_an_entry_out_and_striking_the_strike_brings_it_back() {
    let mut world = World::new(2);
    added(&mut world);
    let note = world.record_words(0, 10, "note_left", json!({"handover": true}), Some("pump hums"));
    assert_eq!(world.book().handover.len(), 1);
    let strike = world.record_words(0, 20, "struck", json!({"target": note}), Some("wrong machine"));
    assert_eq!((world.book().handover.len(), world.book().counts.struck), (0, 1));
    world.record(0, 30, "struck", json!({"target": strike}));
    assert_eq!(world.book().handover.len(), 1);
}

#[test]
fn a_strike_and_a_correction_made_apart_clash() {
    let mut world = World::new(2);
    added(&mut world);
    let fill = world.record(0, 10, "fuel_filled", json!({"litres": "12"}));
    (0..2).for_each(|d| world.sync(d));
    let strike = world.record(0, 20, "struck", json!({"target": fill}));
    let correction = world.record(1, 30, "corrected", json!({"target": fill, "field": "/body/litres", "value": "120"}));
    let book = world.book();
    assert_eq!((book.fuel, book.clashes.len()), (None, 1));
    (0..2).for_each(|d| world.sync(d));
    world.sync(0);
    let settle =
        json!({"matter": book.clashes[0].matter, "over": [strike, correction], "choice": {"entry": correction}});
    world.record(0, 40, "settled", settle);
    let book = world.book();
    assert_eq!(book.fuel.map(|f| f.litres.to_string()).as_deref(), Some("120"));
    assert_eq!(book.clashes, []);
}

#[test]
fn readings_that_cannot_both_be_true_clash_if_made_apart_and_are_doubtful_if_not() {
    let mut world = World::new(2);
    added(&mut world);
    world.record(0, 5, "meter_read", json!({"reading": "4120"}));
    (0..2).for_each(|d| world.sync(d));
    let high = world.record(0, 60, "meter_read", json!({"reading": "4217.5"}));
    let low = world.record(1, 90, "meter_read", json!({"reading": "4121.5"}));
    let book = world.book();
    let [clash] = book.clashes.as_slice() else { panic!("one clash: {:?}", book.clashes) };
    assert_eq!(clash.matter, "reading:hours");
    assert_eq!(clash.used, low, "the believed one is used");
    assert_eq!(book.meters[0].reading.as_ref().map(|r| r.stamp.entry), Some(low));
    assert_eq!(book.meters[0].doubtful[0].stamp.entry, high);
    (0..2).for_each(|d| world.sync(d));
    world.sync(1);
    let over = [high, low];
    world.record(1, 95, "settled", json!({"matter": "reading:hours", "over": over, "choice": {"entry": low}}));
    assert_eq!(world.book().clashes, []);

    let slip = world.record(1, 120, "meter_read", json!({"reading": "1422"}));
    let book = world.book();
    assert_eq!(book.clashes, [], "one author, no disagreement");
    assert!(book.doubts.iter().any(|d| d.entry == slip && d.code == "reading-doubtful"));
    world.record(1, 121, "corrected", json!({"target": slip, "field": "/body/reading", "value": "4122"}));
    let book = world.book();
    assert_eq!(book.meters[0].reading.as_ref().map(|r| r.shown.to_string()).as_deref(), Some("4122"));
    assert!(!book.doubts.iter().any(|d| d.entry == slip));
}

#[test]
fn a_meter_change_never_makes_history_jump() {
    let mut world = World::new(1);
    added(&mut world);
    world.record(0, 10, "meter_read", json!({"reading": "4321"}));
    world.record(0, 20, "meter_changed", json!({"old_reading": "4321", "new_reading": "1200", "reason": "replaced"}));
    world.record(0, 90, "meter_read", json!({"reading": "1201"}));
    let book = world.book();
    let reading = book.meters[0].reading.clone().expect("a reading");
    assert_eq!((reading.shown.to_string(), reading.life.to_string()), ("1201".into(), "4322".into()));
    assert_eq!((book.meters[0].doubtful.len(), book.meters[0].changes), (0, 1));
}

#[test]
fn skipped_points_stay_until_they_are_done() {
    let mut world = World::new(1);
    added(&mut world);
    let skip =
        json!({"task": "grease", "skipped": [{"point": "boom foot", "reason": "under mud"}, {"point": "swing gear"}]});
    world.record(0, 10, "task_done", skip);
    let skipped = |world: &World| world.book().tasks[0].skipped.iter().map(|s| s.point.clone()).collect::<Vec<_>>();
    assert_eq!(skipped(&world), ["boom foot", "swing gear"]);
    world.record(0, 700, "task_done", json!({"task": "grease", "points": ["boom foot"]}));
    assert_eq!(skipped(&world), ["swing gear"]);
    world.record(0, 1500, "task_done", json!({"task": "grease"}));
    assert_eq!(skipped(&world), Vec::<String>::new());
}

#[test]
fn what_cannot_be_computed_is_counted_and_shown() {
    let mut world = World::new(1);
    added(&mut world);
    world.record(0, 10, "weighed", json!({"anything": [1, {"at": "all"}]}));
    let bad = world.record(0, 11, "task_done", json!({"task": 5}));
    let lone = world.record(0, 12, "struck", json!({"target": {"device": world.devices[0].id, "seq": 99}}));
    let odd = world.record(0, 13, "fuel_filled", json!({"litres": "12"}));
    let wrong = world.record(0, 14, "corrected", json!({"target": odd, "field": "/body/litres", "value": "a lot"}));
    let book = world.book();
    assert_eq!((book.counts.entries, book.counts.newer, book.counts.aside), (6, 1, 1));
    let doubts: Vec<(EntryRef, &str)> = book.doubts.iter().map(|d| (d.entry, d.code.as_str())).collect();
    assert_eq!(doubts, [(bad, "set-aside"), (lone, "target-unknown"), (wrong, "correction-unusable")]);
    assert_eq!(book.fuel.map(|f| f.litres.to_string()).as_deref(), Some("12"));
}

fn stand_aside(world: &mut World, name: EntryRef, code: &str) {
    world.held.iter_mut().find(|held| held.name() == name).expect("it is held").aside = Some(code.into());
}

fn doubts_of(world: &World) -> Vec<(EntryRef, String, String)> {
    world.book().doubts.into_iter().map(|doubt| (doubt.entry, doubt.code, doubt.detail)).collect()
}

/// What was set aside counts once someone with the right says so, and says that it had been.
#[test]
fn what_is_released_counts_and_says_so() {
    let mut world = World::new(2);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    let finding = world.record(0, 1, "finding_raised", json!({"sign": "leak", "urgency": "soon"}));
    stand_aside(&mut world, finding, "device-revoked");
    assert!(world.book().findings.is_empty());
    assert_eq!(world.book().counts.aside, 1);

    let release = world.record(1, 5, "released", json!({"target": finding}));
    let book = world.book();
    assert_eq!(book.findings.iter().map(|f| f.stamp.entry).collect::<Vec<_>>(), [finding]);
    assert_eq!(book.counts.aside, 0);
    assert_eq!(doubts_of(&world), [(finding, "released".into(), "device-revoked, released".into())]);

    // Another says the same: it stays one release's worth. Striking one leaves the other; striking both, none.
    let again = world.record(0, 6, "released", json!({"target": finding}));
    world.record(1, 7, "struck", json!({"target": release}));
    assert_eq!(world.book().findings.len(), 1);
    let strike = world.record(1, 8, "struck", json!({"target": again}));
    assert!(world.book().findings.is_empty());
    // Whoever strikes the strike undoes it.
    world.record(1, 9, "struck", json!({"target": strike}));
    assert_eq!(world.book().findings.len(), 1);
}

#[test]
fn a_release_that_stands_aside_lets_nothing_in() {
    let mut world = World::new(2);
    let finding = world.record(0, 1, "finding_raised", json!({"sign": "leak", "urgency": "soon"}));
    stand_aside(&mut world, finding, "device-revoked");
    let release = world.record(0, 2, "released", json!({"target": finding}));
    stand_aside(&mut world, release, "not-permitted");
    let second = world.record(1, 3, "released", json!({"target": release}));
    let book = world.book();
    assert!(book.findings.is_empty());
    assert_eq!(book.counts.aside, 2);
    assert!(book.doubts.iter().any(|doubt| doubt.entry == second && doubt.code == "release-unusable"), "{book:?}");
}

#[test]
fn what_cannot_be_computed_or_only_the_server_says_is_not_let_in() {
    use pintle_core::release::{Releasable, releasable};
    let mut world = World::new(1);
    let broken = world.record(0, 1, "task_done", json!({"task": "grease", "minutes": -1}));
    stand_aside(&mut world, broken, "out-of-range");
    let revoking = world.record(0, 2, "device_revoked", json!({"device": "AgICAgICAgICAgICAgICAg"}));
    stand_aside(&mut world, revoking, "not-permitted");
    let plain = world.record(0, 3, "note_left", json!({}));
    for target in [broken, revoking, plain] {
        world.record(0, 4, "released", json!({"target": target}));
    }
    assert_eq!(world.book().counts.aside, 2);
    let judged: Vec<Releasable> = world.held.iter().take(3).map(releasable).collect();
    assert_eq!(judged, [Releasable::Unreadable, Releasable::NotForPeople, Releasable::Counts]);
}
