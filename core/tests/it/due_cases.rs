//! What is due, against published rules and in the cases crews meet.
//!
//! The source of each number stands beside it.

use crate::world::World;
use pintle_core::due::{Kept, State, count, due, tenths};
use pintle_core::plan::{self, Counting};
use serde_json::{Value, json};

/// Days since 1970 of a date.
fn days(date: &str) -> i64 {
    let moment: pintle_core::moment::Moment = format!("{date}T00:00:00Z").parse().expect("a date");
    moment.second() / 86_400
}

/// US Army, DA PAM 750-8, the 10 % variance; worked examples in PS Magazine 580 pp 52-54 and 636 p 31: in the window
/// (edges included) a service counts as done on the scheduled date, outside it on the actual date.
#[test]
fn the_army_window_rule() {
    for (done, kept, next) in [
        ("2006-03-30", Kept::OnTime, "2006-10-14"),
        ("2006-05-05", Kept::OnTime, "2006-10-14"),
        ("2006-05-10", Kept::Late, "2006-11-06"),
    ] {
        let counted = count(Counting::Window, 180, 18, days("2006-04-17"), days(done));
        assert_eq!((counted.kept, counted.due_milli), (kept, days(next)), "done {done}");
    }
    for (interval, due, done, kept, next) in [
        (250_000, 1_250_000, 1_262_000, Kept::OnTime, 1_500_000),
        (250_000, 1_250_000, 1_280_000, Kept::Late, 1_530_000),
        (250_000, 1_250_000, 1_210_000, Kept::Early, 1_460_000),
        (50_000, 100_000, 105_000, Kept::OnTime, 150_000),
        (50_000, 100_000, 105_001, Kept::Late, 155_001),
    ] {
        let counted = count(Counting::Window, interval, interval / 10, due, done);
        assert_eq!((counted.kept, counted.due_milli), (kept, next), "done at {done}");
    }
}

/// 14 CFR 91.409(b): the 100-hour limit may be exceeded by at most 10 hours on the way to the place of inspection; the
/// excess counts in the next 100 hours.
#[test]
fn the_hundred_hour_rule() {
    for (done, kept, next) in
        [(1_106_000, Kept::OnTime, 1_200_000), (1_095_000, Kept::OnTime, 1_195_000), (1_110_100, Kept::Late, 1_200_000)]
    {
        let counted = count(Counting::Earlier, 100_000, 10_000, 1_100_000, done);
        assert_eq!((counted.kept, counted.due_milli), (kept, next), "done at {done}");
    }
}

#[test]
fn from_done_and_on_the_grid() {
    assert_eq!(count(Counting::Done, 100, 10, 100, 130).due_milli, 230);
    assert_eq!(count(Counting::Due, 100, 10, 100, 130).due_milli, 200);
    assert_eq!(count(Counting::Due, 100, 10, 100, 200).due_milli, 300, "what has passed is skipped");
    assert_eq!(count(Counting::Due, 100, 10, 100, 60).due_milli, 100, "too early to count for it");
}

fn plan(tasks: &Value) -> Value {
    json!({"name": "tracked excavator", "source": "common practice, no source", "use_per_day": "8", "tasks": tasks})
}

/// The nesting of a service book: over 2,000 h the largest service due is the 50 h one 32 times, the 250 h one 4 times,
/// the 500 h one twice, the 1,000 h and the 2,000 h one once each: 40 in all (arithmetic).
#[test]
fn nested_services_over_two_thousand_hours() {
    let mut world = World::new(1);
    let every = [50, 250, 500, 1000, 2000];
    let tasks: Vec<Value> = every
        .iter()
        .enumerate()
        .map(|(n, h)| {
            let covers: Vec<String> = n.checked_sub(1).map(|m| format!("{} h", every[m])).into_iter().collect();
            json!({"task": format!("{h} h"), "every": {"hours": h.to_string()}, "covers": covers})
        })
        .collect();
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    world.record(0, 1, "plan_set", plan(&json!(tasks)));
    world.record(0, 2, "meter_read", json!({"reading": "0"}));
    let mut largest = std::collections::BTreeMap::new();
    for hours in (50..=2000).step_by(50) {
        let minute = hours * 60 * 2;
        world.record(0, minute, "meter_read", json!({"reading": hours.to_string()}));
        let book = world.book();
        let now = 1_780_000_000 + minute * 60;
        let due = due(&book, now, 0);
        let open = due.iter().filter(|d| d.state == State::InWindow && d.left.milli == 0);
        let task = open.map(|d| d.task.clone()).max_by_key(|t| t.trim_end_matches(" h").parse::<u32>().expect("hours"));
        let task = task.expect("something is due every 50 h");
        *largest.entry(task.clone()).or_insert(0) += 1;
        world.record(0, minute + 1, "task_done", json!({"task": task}));
    }
    let counts: Vec<(String, i32)> = every.iter().map(|h| format!("{h} h")).map(|t| (t.clone(), largest[&t])).collect();
    let expected = [("50 h", 32), ("250 h", 4), ("500 h", 2), ("1000 h", 1), ("2000 h", 1)];
    assert_eq!(counts, expected.map(|(t, n)| (t.to_owned(), n)));
}

#[test]
fn hard_hours_count_more_and_the_reason_says_so() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    world.record(0, 1, "meter_read", json!({"reading": "4000"}));
    world.record(0, 2, "task_done", json!({"task": "grease"}));
    world.record(0, 12 * 60, "shift_ended", json!({"reading": "4007", "conditions": {"submerged": "1.5"}}));
    let book = world.book();
    let list = due(&book, 1_780_000_000 + 12 * 3600, 0);
    let grease = &list[0];
    assert_eq!(
        (grease.task.as_str(), grease.clock.as_str()),
        ("grease", "hours"),
        "the common plan holds until one is set"
    );
    assert_eq!(grease.why, "11.5 h since last, every 10; 1.5 h submerged counts 6");
    assert_eq!((grease.state, tenths(grease.left.milli).to_string().as_str()), (State::PastWindow, "-1.5"));
}

#[test]
fn whichever_clock_is_furthest_rules() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    // TM 9-2350-287-20-1: semiannual, or 1,500 miles, or 150 hours, whichever occurs first.
    let task = json!([{"task": "service", "every": {"hours": "150", "days": 180}}]);
    world.record(0, 1, "plan_set", plan(&task));
    world.record(0, 2, "meter_read", json!({"reading": "1000"}));
    world.record(0, 3, "task_done", json!({"task": "service"}));
    world.record(0, 60 * 24 * 30, "meter_read", json!({"reading": "1100"}));
    let book = world.book();
    let at = |day: i64| due(&book, 1_780_000_000 + day * 86_400, 0)[0].clone();
    assert_eq!((at(30).clock.as_str(), at(30).state), ("hours", State::Ahead));
    assert_eq!((at(175).clock.as_str(), at(175).state), ("days", State::InWindow));
    assert_eq!(at(199).state, State::PastWindow);
}

/// Whichever comes first is a matter of time, not of shares: 100 of 250 h used at 8 h a day come long before 182 of
/// 365 days. And so is what comes next: the small service in a week before the large one that is used further.
#[test]
fn what_comes_first_in_time_rules_and_stands_first() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    let tasks = json!([
        {"task": "oil", "every": {"hours": "250", "days": 365}},
        {"task": "tracks", "every": {"hours": "130"}},
        {"task": "walk round", "every": {"shifts": 1}, "window_percent": 0},
    ]);
    world.record(0, 1, "plan_set", plan(&tasks));
    world.record(0, 2, "meter_read", json!({"reading": "1000"}));
    world.record(0, 60 * 24 * 182, "meter_read", json!({"reading": "1100"}));
    let book = world.book();
    let list = due(&book, 1_780_000_000 + 182 * 86_400, 0);
    let told: Vec<(&str, &str, i64)> = list.iter().map(|d| (d.task.as_str(), d.clock.as_str(), d.left.milli)).collect();
    assert_eq!(told, [("walk round", "shifts", 1000), ("tracks", "hours", 30_000), ("oil", "hours", 150_000)]);
    // Nothing tells how much it runs: then the share decides.
    let mut body = plan(&json!([{"task": "oil", "every": {"hours": "250", "days": 365}}]));
    body.as_object_mut().expect("an object").remove("use_per_day");
    world.record(0, 60 * 24 * 182 + 1, "plan_set", body);
    assert_eq!(due(&world.book(), 1_780_000_000 + 182 * 86_400, 0)[0].clock, "days");
}

#[test]
fn without_a_reading_nothing_is_guessed() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    world.record(0, 1, "plan_set", plan(&json!([{"task": "service", "every": {"hours": "150"}}])));
    let list = due(&world.book(), 1_780_000_000, 0);
    assert_eq!((list[0].state, list[0].why.as_str()), (State::Unknown, "no reading of the hours yet"));
}

#[test]
fn the_record_of_keeping_up_counts_every_interval() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    world.record(0, 1, "plan_set", plan(&json!([{"task": "service", "every": {"hours": "100"}}])));
    world.record(0, 2, "meter_read", json!({"reading": "0"}));
    for (n, hours) in [(1, "95"), (2, "240"), (3, "270"), (4, "590")] {
        world.record(0, n * 60 * 24 * 30, "task_done", json!({"task": "service", "reading": hours}));
    }
    // Due 100, done 95: in the window. Due 200, done 240: late, next 340. Done 270: early, next 370. Done 590: late by 220.
    let book = world.book();
    let k = &book.keeping[0];
    assert_eq!((k.early, k.on_time, k.late, k.never, k.worst_permille), (1, 1, 2, 2, 2200));
    let by = |counting| world.keeping_by(counting).remove(0);
    assert_eq!(by(Counting::Window), *k);
    // On the grid: due 200, done 240: late. Due 300, done 270: early, and 300 stays due. Done 590: late by 290.
    let grid = by(Counting::Due);
    assert_eq!((grid.early, grid.on_time, grid.late, grid.never, grid.worst_permille), (1, 1, 2, 2, 2900));
    // From done: due 195, done 240: late by 45. Due 340, done 270: early. Due 370, done 590: late by 220.
    let done = by(Counting::Done);
    assert_eq!((done.early, done.on_time, done.late, done.never, done.worst_permille), (1, 1, 2, 2, 2200));
}

#[test]
fn a_plan_that_breaks_a_rule_is_named_with_its_place() {
    let read = |tasks: Value| {
        let body = plan(&tasks);
        plan::read(body.as_object().expect("an object")).map_err(|f| (f.code, f.pointer))
    };
    assert!(read(json!([{"task": "a", "every": {"fills": 1}}])).is_ok());
    let range = "out-of-range".to_owned();
    assert_eq!(read(json!([])), Err((range.clone(), "/tasks".into())));
    assert_eq!(read(json!([{"task": "a", "every": {}}])), Err(("malformed-entry".into(), "/tasks/0/every".into())));
    assert_eq!(
        read(json!([{"task": "a", "every": {"hours": "0"}}])),
        Err((range.clone(), "/tasks/0/every/hours".into()))
    );
    assert_eq!(
        read(json!([{"task": "a", "every": {"days": 1}}, {"task": "a", "every": {"days": 1}}])),
        Err((range, "/tasks/1/task".into()))
    );
    assert_eq!(
        read(json!([{"task": "a", "every": {"days": 1}, "covers": ["b"]}])),
        Err(("bad-target".into(), "/tasks/0/covers".into()))
    );
}

#[test]
fn hands_are_shared_by_hours_of_shifts() {
    let mut world = World::new(2);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    for (device, minute, from, to) in [(0, 60, "100", "106"), (1, 1500, "106", "108")] {
        world.record(device, minute, "shift_begun", json!({"reading": from}));
        world.record(device, minute + 500, "shift_ended", json!({"reading": to}));
    }
    let hands = world.book().hands.expect("hands").life;
    // 1/Σp² of 3/4 and 1/4 is 1.6 (arithmetic).
    assert_eq!(
        (hands.by.as_str(), hands.total.to_string(), hands.effective.to_string()),
        ("hours", "8".into(), "1.6".into())
    );
    assert_eq!(hands.people.iter().map(|p| p.amount.to_string()).collect::<Vec<_>>(), ["6", "2"]);
}

/// What squeaks is past due: common practice, no source.
#[test]
fn a_squeak_makes_its_point_past_due_until_it_is_greased_or_ended() {
    let plan = plan(&json!([
        {"task": "grease", "points": ["boom foot", "bucket"], "every": {"hours": "10"}, "weighed": true},
        {"task": "air filter", "every": {"hours": "200"}, "weighed": true},
        {"task": "swing bearing", "points": ["swing bearing"], "every": {"hours": "50"}, "weighed": true},
        {"task": "oil", "points": ["boom foot"], "every": {"hours": "250"}}]));
    let past = |world: &World| -> Vec<(String, String)> {
        let list = due(&world.book(), 1_780_000_000 + 60 * 60, 0);
        let past = list.into_iter().filter(|due| due.state == State::PastWindow);
        past.map(|due| (due.task, format!("{} [{}]", due.why, due.squeaks.len()))).collect()
    };
    let told = |task: &str, why: &str| (task.to_owned(), why.to_owned());
    let squeaking = |point: Option<&str>| {
        let mut world = World::new(1);
        world.record(0, 0, "machine_added", json!({"name": "EX3"}));
        world.record(0, 1, "plan_set", plan.clone());
        world.record(0, 2, "task_done", json!({"task": "grease", "reading": "1000.5"}));
        let mut body = json!({"sign": "squeak", "urgency": "watch", "reading": "1001.5"});
        if let Some(point) = point {
            body["point"] = json!(point);
        }
        let finding = world.record(0, 90, "finding_raised", body);
        (world, finding)
    };
    let grease = told("grease", "it squeaks at boom foot; 1 h since last, every 10 [1]");
    let (mut world, finding) = squeaking(Some("boom foot"));
    assert_eq!(past(&world), [grease]);
    world.record(0, 95, "task_done", json!({"task": "grease", "points": ["bucket"]}));
    world.record(0, 96, "task_done", json!({"task": "grease", "skipped": [{"point": "boom foot"}]}));
    assert_eq!(past(&world).len(), 1, "the point itself was not reached");
    world.record(0, 97, "task_done", json!({"task": "grease", "points": ["boom foot"]}));
    assert_eq!(past(&world), []);
    assert_eq!(world.book().findings.len(), 1, "whether it is silent now a person has to say");
    world.record(0, 98, "struck", json!({"target": {"device": world.held[0].device, "seq": 7}}));
    assert_eq!(past(&world).len(), 1, "struck, it was never greased");
    world.record(0, 99, "finding_cleared", json!({"finding": finding}));
    assert_eq!(past(&world), []);

    let tasks = |point| -> Vec<String> { past(&squeaking(point).0).into_iter().map(|(task, _)| task).collect() };
    assert_eq!(tasks(Some("swing bearing")), ["swing bearing"]);
    assert_eq!(tasks(None), ["grease"], "nobody said where");
    assert_eq!(tasks(Some("door")), ["grease"], "no task has the point");
}
