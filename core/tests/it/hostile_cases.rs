//! Hostile and odd input: whatever an entry says, the answer is a value or a fault with a stable code and its place.
//!
//! Generated logs hold entries that an honest device would never make, at every edge of what can be written: the fold,
//! what is due, the handover and the reports must all answer, and what they say must read back.

use crate::world::{EX3, World};
use pintle_core::book::{Book, book};
use pintle_core::due::{Due, State, due};
use pintle_core::entry::{Entry, EntryRef};
use pintle_core::fact::Fact;
use pintle_core::handover::{Handover, handover};
use pintle_core::ids::PersonId;
use pintle_core::moment::Moment;
use pintle_core::outlook::Outlook;
use pintle_core::plan::{self, Plan};
use pintle_core::rules::{RULES, may_strike, report};
use proptest::prelude::*;
use proptest::sample::select;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// Decimals at the edges of what can be written, some beyond.
const NUMBERS: &[&str] = &[
    "0",
    "0.001",
    "1",
    "9.999",
    "10",
    "4127.5",
    "999999.9",
    "9999999",
    "9999999.999",
    "10000000",
    "-1",
    "-0",
    "NaN",
    "inf",
    "1e9",
    "1.2345",
    "0x10",
    "٣",
    "",
    " 1",
];
/// Moments at the edges of the calendar, around a change of summer time, on a leap day, far ahead.
const MOMENTS: &[&str] = &[
    "1970-01-01T00:00:00Z",
    "1970-01-01T14:00:00+14:00",
    "2024-02-29T12:00:00+02:00",
    "2026-03-29T01:59:59+01:00",
    "2026-03-29T03:00:00+02:00",
    "2026-05-28T22:26:40+02:00",
    "2026-05-28T22:26:41+02:00",
    "2026-05-29T22:26:40-11:30",
    "2026-10-25T02:30:00+02:00",
    "2026-10-25T02:30:00+01:00",
    "2100-02-28T23:59:59Z",
    "9998-12-31T23:59:59Z",
    "9998-12-31T23:59:59-14:00",
];
const TASKS: &[&str] = &["grease", "oil", "tracks", "days"];
const METERS: &[&str] = &["hours", "km", "cycles", "tach hours", "days", "fills", "pump"];
/// Moments at which is asked, in seconds since 1970: no clock may bring the answer down.
const ASKED: &[i64] = &[i64::MIN, -1, 0, 1_780_000_000, 1_800_000_000, 253_402_300_799, i64::MAX];

fn number() -> impl Strategy<Value = Value> {
    // Mostly what can be read, so that the fold has something to compute with.
    prop_oneof![4 => select(&NUMBERS[..9]).prop_map(Value::from), 1 => select(NUMBERS).prop_map(Value::from)]
}

fn reading() -> impl Strategy<Value = Value> {
    (number(), proptest::option::of(select(METERS))).prop_map(|(reading, meter)| match meter {
        Some(meter) => json!({"reading": reading, "meter": meter}),
        None => json!({"reading": reading}),
    })
}

/// The fields of two objects together.
fn with(mut a: Value, b: Value) -> Value {
    if let (Value::Object(a), Value::Object(b)) = (&mut a, b) {
        a.extend(b);
    }
    a
}

fn every() -> impl Strategy<Value = Value> {
    let count = || proptest::option::weighted(0.3, select(&[0_i64, 1, 2, 365, 36_500, 36_501, -1, 4_294_967_296][..]));
    let meter = || proptest::option::weighted(0.5, number());
    (meter(), meter(), meter(), count(), count(), count()).prop_map(|(hours, km, pump, days, fills, shifts)| {
        let meters = [("hours", hours), ("km", km), ("pump", pump)];
        let counts = [("days", days), ("fills", fills), ("shifts", shifts)].map(|(n, v)| (n, v.map(Value::from)));
        let all = meters.into_iter().chain(counts).filter_map(|(name, value)| Some((name.to_owned(), value?)));
        Value::Object(all.collect())
    })
}

fn task() -> impl Strategy<Value = Value> {
    let counting = select(&["window", "done", "due", "earlier"][..]);
    let covers = proptest::collection::vec(select(TASKS), 0..3);
    (select(TASKS), every(), 0..60_u32, counting, covers, any::<bool>()).prop_map(
        |(task, every, window, counting, covers, weighed)| {
            json!({"task": task, "every": every, "window_percent": window, "counting": counting, "covers": covers,
                "weighed": weighed, "points": ["boom foot"]})
        },
    )
}

fn plan_body() -> impl Strategy<Value = Value> {
    let weights = proptest::option::of((select(&["submerged", "dusty", "lava"][..]), number()));
    let tasks = proptest::collection::vec(task(), 0..5);
    (tasks, weights, proptest::option::of(number())).prop_map(|(tasks, weights, use_per_day)| {
        let mut plan = json!({"name": "any", "source": "a test", "tasks": tasks});
        if let Some((condition, weight)) = weights {
            plan["weights"] = json!({condition: weight});
        }
        if let Some(use_per_day) = use_per_day {
            plan["use_per_day"] = use_per_day;
        }
        plan
    })
}

/// Kind and body of an entry; `"$"` stands for the name of an entry of the log.
fn act() -> impl Strategy<Value = (&'static str, Value)> {
    let conditions = proptest::collection::btree_map(select(&["submerged", "dusty", "dry"][..]), number(), 0..3);
    let field = select(
        &["/body/reading", "/body/litres", "/head/at", "/head/by", "/words/text", "/body/task", "/body/x/y"][..],
    );
    let value = prop_oneof![number(), select(MOMENTS).prop_map(Value::from), Just(Value::Null), Just(json!(["$"]))];
    let purge = select(&["clean", "metal", "lava"][..]);
    let minutes = select(&[0_i64, 43_200, 43_201, -1, 9_007_199_254_740_991][..]);
    prop_oneof![
        select(&["hours", "tach hours", "km", "moons"][..])
            .prop_map(|kind| ("machine_added", json!({"name": "EX3", "meter_kind": kind}))),
        reading().prop_map(|reading| ("meter_read", reading)),
        reading().prop_map(|reading| ("meter_read", with(reading, json!({"source": "telematics"})))),
        (number(), number(), select(&["replaced", "rolled over"][..])).prop_map(|(old, new, reason)| (
            "meter_changed",
            json!({"old_reading": old, "new_reading": new, "reason": reason})
        )),
        (number(), reading()).prop_map(|(litres, reading)| ("fuel_filled", with(reading, json!({"litres": litres})))),
        reading().prop_map(|reading| ("shift_begun", reading)),
        (conditions, reading()).prop_map(|(c, reading)| ("shift_ended", with(reading, json!({"conditions": c})))),
        (select(TASKS), reading(), purge, minutes, any::<bool>()).prop_map(|(task, reading, purge, minutes, part)| (
            "task_done",
            with(
                reading,
                json!({"task": task, "purge": purge, "minutes": minutes, "skipped": [{"point": "boom foot"}],
                    "points": if part { vec!["stick"] } else { vec![] }})
            )
        )),
        plan_body().prop_map(|plan| ("plan_set", plan)),
        Just(("finding_raised", json!({"sign": "crack", "urgency": "tagged out"}))),
        Just(("repair_done", json!({"closes": ["$", "$"]}))),
        Just(("finding_cleared", json!({"finding": "$"}))),
        (field, value).prop_map(|(field, value)| ("corrected", json!({"target": "$", "field": field, "value": value}))),
        Just(("struck", json!({"target": "$"}))),
        Just(("settled", json!({"matter": "task:grease", "over": ["$", "$"], "choice": "both"}))),
        Just(("settled", json!({"matter": "reading:hours", "over": ["$", "$"], "choice": {"entry": "$"}}))),
        Just(("note_left", json!({"handover": true}))),
    ]
}

fn named(value: Value, pick: &mut impl FnMut() -> EntryRef) -> Value {
    match value {
        Value::String(text) if text == "$" => json!(pick()),
        Value::Array(items) => items.into_iter().map(|item| named(item, pick)).collect(),
        Value::Object(map) => map.into_iter().map(|(key, item)| (key, named(item, pick))).collect(),
        other => other,
    }
}

/// A step: which device, when, what, what it refers to, whether it syncs first.
type Step = (usize, &'static str, (&'static str, Value), usize, bool);

fn world(steps: Vec<Step>) -> World {
    let mut world = World::new(2);
    let mut names = vec![world.record(0, 0, "machine_added", json!({"name": "EX3"}))];
    for (device, at, (kind, body), mut picked, syncs) in steps {
        if syncs {
            world.sync(device);
        }
        let mut pick = || {
            picked = picked.wrapping_mul(31).wrapping_add(7);
            names[picked % names.len()]
        };
        let body = named(body, &mut pick);
        let at: Moment = at.parse().expect("a moment");
        names.push(world.record_at(device, at, kind, body, Some("words")));
    }
    world
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    proptest::collection::vec((0..2usize, select(MOMENTS), act(), any::<usize>(), any::<bool>()), 1..40)
}

/// Reads back as what it was.
fn reads_back<T: serde::Serialize + serde::de::DeserializeOwned + PartialEq + std::fmt::Debug>(value: &T) {
    let text = serde_json::to_string(value).expect("JSON");
    assert_eq!(&serde_json::from_str::<T>(&text).expect("reads back"), value);
}

fn ask_everything(book: &Book, world: &World) {
    reads_back(book);
    let outlook = Outlook::of(book);
    reads_back(&outlook);
    let tasks: BTreeSet<String> = book.plan_in_force().tasks.into_iter().map(|task| task.task).collect();
    for now_s in ASKED {
        for offset_s in [0, 7200, -14 * 3600, 14 * 3600] {
            let list: Vec<Due> = due(book, *now_s, offset_s);
            assert_eq!(list.iter().map(|due| due.task.clone()).collect::<BTreeSet<_>>(), tasks);
            assert!(list.iter().all(|due| !due.why.is_empty() && due.used_permille >= 0));
            reads_back(&list);
        }
        let told: Handover = handover(book, PersonId([1; 16]), *now_s, 7200);
        reads_back(&told);
    }
    for rule in &RULES {
        let told = report(book, &world.held, rule, &BTreeSet::from(["grease".to_owned()]));
        assert!(serde_json::to_value(&told).is_ok());
    }
    assert!(world.held.iter().filter(|held| may_strike(book, held.name())).count() <= world.held.len());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// Nothing that can be recorded brings the fold, what is due, the handover or a report down.
    #[test]
    fn nothing_recorded_brings_the_book_down(steps in steps()) {
        let mut world = world(steps);
        ask_everything(&world.book(), &world);
        // Taken in one after the other, as a device does it.
        let last = world.held.pop().expect("an entry");
        let mut outlook = Outlook::of(&book(EX3, &world.held));
        if let Ok(fact) = last.entry.head().map_err(Clone::clone).and_then(|head| Fact::read(head, &last.entry)) {
            let _ = outlook.advance(&last, &fact);
            reads_back(&outlook);
            ASKED.iter().for_each(|now_s| drop(outlook.due(*now_s, 7200)));
        }
    }

    /// The order in which hostile entries arrive does not matter either.
    #[test]
    fn hostile_entries_keep_the_law_of_the_fold(steps in steps()) {
        let mut world = world(steps);
        let forwards = serde_json::to_string(&world.book()).expect("JSON");
        world.held.reverse();
        prop_assert_eq!(forwards, serde_json::to_string(&world.book()).expect("JSON"));
    }

    /// A plan is read, or refused with a code and its place; what is read is written and read as the same.
    #[test]
    fn a_plan_is_read_or_refused_with_its_place(body in plan_body()) {
        match plan::read(body.as_object().expect("an object")) {
            Ok(plan) => {
                let written = serde_json::to_value(&plan).expect("JSON");
                let again: Plan = plan::read(written.as_object().expect("an object")).expect("reads back");
                prop_assert_eq!(plan, again);
            }
            Err(fault) => {
                prop_assert!(["out-of-range", "malformed-entry", "bad-target"].contains(&fault.code.as_str()), "{}", fault);
                prop_assert!(fault.pointer.is_empty() || body.pointer(&fault.pointer).is_some(), "{}", fault);
            }
        }
    }
}

/// Code and place of the fault of an entry.
fn refused(at: &str, kind: &str, body: &Value) -> (String, String) {
    let entry = json!({"head": {"v": 1, "seq": 1, "machine": EX3, "mseq": 1, "seen": 0, "at": at,
        "by": PersonId([1; 16]), "kind": kind}, "body": body});
    let entry = match Entry::from_value(entry) {
        Ok(entry) => entry,
        Err(fault) => return (fault.code, fault.pointer),
    };
    let fault = match entry.head() {
        Ok(head) => Fact::read(head, &entry).expect_err("hostile"),
        Err(fault) => fault.clone(),
    };
    (fault.code, fault.pointer)
}

#[test]
fn each_hostile_value_has_its_fault() {
    const DAY: &str = "2026-05-04T07:12:33+02:00";
    for (at, kind, body, code, pointer) in [
        (DAY, "meter_read", json!({"reading": "-1"}), "malformed-entry", "/body"),
        (DAY, "meter_read", json!({"reading": "NaN"}), "malformed-entry", "/body"),
        (DAY, "meter_read", json!({"reading": "Infinity"}), "malformed-entry", "/body"),
        (DAY, "meter_read", json!({"reading": "1e308"}), "malformed-entry", "/body"),
        (DAY, "meter_read", json!({"reading": "9999999.9999"}), "malformed-entry", "/body"),
        (DAY, "meter_read", json!({"reading": "2147483648"}), "malformed-entry", "/body"),
        (DAY, "meter_read", json!({"reading": 4127}), "malformed-entry", "/body"),
        (DAY, "meter_read", json!({"reading": 4127.5}), "not-canonical", "/body/reading"),
        (DAY, "meter_read", json!({"reading": 9_223_372_036_854_775_807_i64}), "not-canonical", "/body/reading"),
        (
            DAY,
            "meter_changed",
            json!({"old_reading": "1", "new_reading": "-1", "reason": "replaced"}),
            "malformed-entry",
            "/body",
        ),
        (DAY, "fuel_filled", json!({"litres": "-120"}), "malformed-entry", "/body"),
        (DAY, "shift_ended", json!({"conditions": {"submerged": "-6"}}), "malformed-entry", "/body"),
        (DAY, "shift_ended", json!({"conditions": {"lava": "6"}}), "malformed-entry", "/body"),
        (DAY, "task_done", json!({"task": "grease", "minutes": -1}), "out-of-range", "/body/minutes"),
        (DAY, "task_done", json!({"task": "grease", "minutes": 43_201}), "out-of-range", "/body/minutes"),
        ("12026-05-04T07:12:33Z", "note_left", json!({}), "bad-time", "/head/at"),
        ("9999-01-01T00:00:00Z", "note_left", json!({}), "bad-time", "/head/at"),
        ("1969-12-31T23:59:59Z", "note_left", json!({}), "bad-time", "/head/at"),
        ("2026-02-29T07:12:33Z", "note_left", json!({}), "bad-time", "/head/at"),
        ("2100-02-29T07:12:33Z", "note_left", json!({}), "bad-time", "/head/at"),
        ("2026-05-04T24:00:00Z", "note_left", json!({}), "bad-time", "/head/at"),
        ("2016-12-31T23:59:60Z", "note_left", json!({}), "bad-time", "/head/at"),
        ("2026-05-04T07:12:33+15:00", "note_left", json!({}), "bad-time", "/head/at"),
    ] {
        assert_eq!(refused(at, kind, &body), (code.into(), pointer.into()), "{at} {kind} {body}");
    }
}

/// A plan names the place of each hostile value.
#[test]
fn each_hostile_plan_has_its_fault() {
    let one = |every: Value| json!({"name": "any", "source": "a test", "tasks": [{"task": "oil", "every": every}]});
    let more = |field: &str, value: Value| {
        let mut plan = one(json!({"days": 1}));
        plan[field] = value;
        plan
    };
    for (plan, code, pointer) in [
        (one(json!({"hours": "0"})), "out-of-range", "/tasks/0/every/hours"),
        (one(json!({"days": 0})), "out-of-range", "/tasks/0/every/days"),
        (one(json!({"days": 36_501})), "out-of-range", "/tasks/0/every/days"),
        (one(json!({"fills": 4_294_967_295_u32})), "out-of-range", "/tasks/0/every/fills"),
        (one(json!({"days": -1})), "malformed-entry", ""),
        (one(json!({"hours": "-1"})), "malformed-entry", ""),
        (one(json!({"hours": "NaN"})), "malformed-entry", ""),
        (one(json!({"hours": "1e9"})), "malformed-entry", ""),
        (one(json!({"a\u{202e}b": "1"})), "bad-text", "/tasks/0/every"),
        (more("use_per_day", json!("0")), "out-of-range", "/use_per_day"),
        (more("use_per_day", json!("-8")), "malformed-entry", ""),
        (more("weights", json!({"dusty": "0"})), "out-of-range", "/weights/dusty"),
        (more("weights", json!({"dusty": "100.001"})), "out-of-range", "/weights/dusty"),
        (more("tasks", json!([])), "out-of-range", "/tasks"),
        (more("name", json!("\u{0}")), "bad-text", "/name"),
    ] {
        let fault = plan::read(plan.as_object().expect("an object")).expect_err("hostile");
        assert_eq!((fault.code.as_str(), fault.pointer.as_str()), (code, pointer), "{plan}");
    }
}

fn at(text: &str) -> Moment {
    text.parse().expect("a moment")
}

/// Calendar days, not 24 hours: a task of one day is due on the next day of the place, however long that day is.
#[test]
fn days_are_the_days_of_the_place() {
    for (done, asked, offset_s, left) in [
        // The day of 25 hours: 24 h 59 min later it is still the same day.
        ("2026-10-25T00:00:30+02:00", "2026-10-25T23:59:30+01:00", 3600, 1),
        ("2026-10-25T00:00:30+02:00", "2026-10-26T00:00:30+01:00", 3600, 0),
        // The day of 23 hours.
        ("2026-03-29T00:00:30+01:00", "2026-03-29T23:59:30+02:00", 7200, 1),
        ("2026-03-29T00:00:30+01:00", "2026-03-30T00:00:30+02:00", 7200, 0),
        // A leap day is a day.
        ("2024-02-28T12:00:00Z", "2024-02-29T12:00:00Z", 0, 0),
        ("2024-02-28T12:00:00Z", "2024-03-01T12:00:00Z", 0, -1),
        ("2025-02-28T12:00:00Z", "2025-03-01T12:00:00Z", 0, 0),
        ("2100-02-28T12:00:00Z", "2100-03-01T12:00:00Z", 0, 0),
    ] {
        let mut world = World::new(1);
        world.record_at(0, at(done), "machine_added", json!({"name": "EX3"}), None);
        let tasks = json!([{"task": "walk round", "every": {"days": 1}, "window_percent": 0}]);
        let plan = json!({"name": "any", "source": "a test", "tasks": tasks});
        world.record_at(0, at(done), "plan_set", plan, None);
        world.record_at(0, at(done), "task_done", json!({"task": "walk round"}), None);
        let list = due(&world.book(), at(asked).second(), offset_s);
        assert_eq!(list[0].left.milli, left * 1000, "done {done}, asked {asked}");
    }
    // A year of 365 days from a leap day ends on the last of February, one of 366 days on the first of March less one.
    let mut world = World::new(1);
    world.record_at(0, at("2024-02-29T12:00:00Z"), "machine_added", json!({"name": "EX3"}), None);
    let plan = json!({"name": "any", "source": "a test", "tasks": [{"task": "year", "every": {"days": 365}}]});
    world.record_at(0, at("2024-02-29T12:00:00Z"), "plan_set", plan, None);
    world.record_at(0, at("2024-02-29T12:00:00Z"), "task_done", json!({"task": "year"}), None);
    let when = due(&world.book(), at("2024-03-01T12:00:00Z").second(), 0)[0].when.expect("a day");
    assert_eq!(when.second, at("2025-02-28T00:00:00Z").second());
}

/// A reading from the future is kept and told; it does not hide what people read before and after it.
#[test]
fn a_reading_from_the_future_is_told() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    world.record(0, 1, "meter_read", json!({"reading": "4000"}));
    let ahead = world.record_at(0, at("9998-12-31T23:59:59Z"), "meter_read", json!({"reading": "4001"}), None);
    for hours in [10, 20, 30] {
        let reading = (4000 + hours / 2).to_string();
        world.record(0, hours * 60, "meter_read", json!({"reading": reading}));
    }
    world.push(0);
    let book = world.book();
    let doubts: Vec<(EntryRef, &str)> = book.doubts.iter().map(|d| (d.entry, d.code.as_str())).collect();
    assert_eq!(doubts, [(ahead, "reading-doubtful"), (ahead, "time-ahead")]);
    assert_eq!(book.meters[0].reading.as_ref().map(|r| r.shown.to_string()).as_deref(), Some("4015"));
    let list = due(&book, 1_780_000_000 + 30 * 3600, 7200);
    assert_eq!(list[0].state, State::PastWindow, "15 h on the meter since the first record, every 10");
    // An honest clock that is a little fast is not accused.
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    world.push(0);
    let received_ms = world.held[0].entry.head().expect("a head").at.second() * 1000;
    for (early_s, told) in [(299, false), (301, true)] {
        world.held[0].received_ms = Some(received_ms - early_s * 1000);
        assert_eq!(world.book().doubts.iter().any(|d| d.code == "time-ahead"), told, "{early_s} s");
    }
    world.held[0].off_s = Some(3600);
    world.held[0].received_ms = Some(received_ms - 3_600_000);
    let codes: Vec<String> = world.book().doubts.into_iter().map(|d| d.code).collect();
    assert_eq!(codes, ["clock-off"], "told once");
}

/// More litres, hours or kilometres than any meter shows: sums that must read back, on the device and on the server.
#[test]
fn sums_beyond_any_meter_read_back() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    for minute in 1..=3 {
        world.record(0, minute, "fuel_filled", json!({"litres": "9999999.999"}));
    }
    world.record(
        0,
        4,
        "meter_changed",
        json!({"old_reading": "0", "new_reading": "9999999.999", "reason": "replaced"}),
    );
    world.record(0, 5, "meter_read", json!({"reading": "1"}));
    for (day, km) in [(0, "0"), (1, "1"), (2, "2"), (3, "9999999")] {
        world.record(0, 10 + day * 1440, "meter_read", json!({"reading": km, "meter": "km"}));
    }
    world.record_at(
        0,
        Moment::at(1_780_000_000 + 4330 * 60 + 1, 7200).expect("in range"),
        "meter_read",
        json!({"reading": "9999999.999", "meter": "km"}),
        None,
    );
    world.record(0, 5000, "shift_ended", json!({"conditions": {"submerged": "9999999.999"}}));
    let book = world.book();
    assert_eq!(book.fuel.as_ref().map(|f| f.litres.to_string()).as_deref(), Some("29999999.997"));
    assert_eq!(book.meters[0].reading.as_ref().map(|r| r.life.to_string()).as_deref(), Some("-9999998.999"));
    ask_everything(&book, &world);
}
