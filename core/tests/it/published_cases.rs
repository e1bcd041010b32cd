//! Published rules through the whole: entries, fold, what is due. The source of each number stands beside it.
//!
//! The rules' bare arithmetic is held by the tests of `count`; here a crew records, and the plan says how it counts.

use crate::world::World;
use pintle_core::book::Keeping;
use pintle_core::due::{Due, State, due};
use pintle_core::meter::has_rolled_over;
use pintle_core::moment::Moment;
use serde_json::{Value, json};

/// Minutes from the world's fixed morning to a moment.
fn minute(at: &str) -> i64 {
    let at: Moment = at.parse().expect("a moment");
    (at.second() - 1_780_000_000) / 60
}

fn plan(tasks: &Value) -> Value {
    json!({"name": "any", "source": "a test", "use_per_day": "8", "tasks": tasks})
}

/// A machine that has run so many hours, going by a plan, on a given day.
fn machine(tasks: &Value, hours: &str) -> World {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    world.record(0, 1, "plan_set", plan(tasks));
    world.record(0, 2, "meter_read", json!({"reading": hours}));
    world
}

fn now(world: &World, minute: i64) -> Vec<Due> {
    due(&world.book(), 1_780_000_000 + minute * 60, 7200)
}

fn of<'a>(list: &'a [Due], task: &str) -> &'a Due {
    list.iter().find(|due| due.task == task).expect(task)
}

/// Hours at which a task that was done at each of `done` is due next, and how it was kept.
fn next_due(task: &Value, start: &str, done: &[&str]) -> (i64, Keeping) {
    let mut world = machine(&json!([task]), start);
    let mut at = 0;
    for reading in [&[start], done].concat() {
        at += 60 * 24 * 60;
        world.record(0, at, "task_done", json!({"task": "service", "reading": reading}));
    }
    let book = world.book();
    (book.tracks[0].due_milli, book.keeping[0].clone())
}

/// US Army, DA PAM 750-8, the 10 % variance; worked in PS Magazine 580 pp 52-54 and 636 p 31. First the hours.
#[test]
fn army_variance_in_hours() {
    let service = json!({"task": "service", "every": {"hours": "250"}});
    for (done, next, kept) in
        [("1262", 1_500_000, (0, 1, 0)), ("1280", 1_530_000, (0, 0, 1)), ("1210", 1_460_000, (1, 0, 0))]
    {
        let (due, keeping) = next_due(&service, "1000", &[done]);
        assert_eq!((due, (keeping.early, keeping.on_time, keeping.late)), (next, kept), "done at {done}");
    }
    // The edge belongs to the window; a tenth of an hour more does not.
    let fifty = json!({"task": "service", "every": {"hours": "50"}});
    assert_eq!(next_due(&fifty, "50", &["105"]).0, 150_000);
    assert_eq!(next_due(&fifty, "50", &["105.1"]).0, 155_100);
    // Some services allow no variance.
    let strict = json!({"task": "service", "every": {"hours": "50"}, "window_percent": 0});
    assert_eq!(next_due(&strict, "50", &["100"]).1.on_time, 1);
    assert_eq!(next_due(&strict, "50", &["100.1"]).1.late, 1);
    assert_eq!(next_due(&strict, "50", &["99.9"]).1.early, 1);
}

/// The same in days: last done 2005-10-19, every 180 days, so due 2006-04-17 with a window 2006-03-30 to 2006-05-05.
#[test]
fn army_variance_in_days() {
    let day = |date: &str| minute(&format!("{date}T10:00:00+02:00")) / (24 * 60);
    for (done, next, kept) in [
        ("2006-03-29", "2006-09-25", (1, 0, 0)),
        ("2006-03-30", "2006-10-14", (0, 1, 0)),
        ("2006-05-05", "2006-10-14", (0, 1, 0)),
        ("2006-05-06", "2006-11-02", (0, 0, 1)),
        ("2006-05-10", "2006-11-06", (0, 0, 1)),
    ] {
        let mut world = World::new(1);
        let at = |date: &str| minute(&format!("{date}T10:00:00+02:00"));
        world.record(0, at("2005-10-19"), "machine_added", json!({"name": "EX3"}));
        let tasks = json!([{"task": "service", "every": {"days": 180}}]);
        world.record(0, at("2005-10-19") + 1, "plan_set", plan(&tasks));
        world.record(0, at("2005-10-19") + 2, "task_done", json!({"task": "service"}));
        world.record(0, at(done), "task_done", json!({"task": "service"}));
        let book = world.book();
        let due = now(&world, at(done) + 1);
        let left = due[0].left.milli / 1000;
        assert_eq!(left, day(next) - day(done), "done {done}");
        let k = &book.keeping[0];
        assert_eq!((k.early, k.on_time, k.late), kept, "done {done}");
    }
}

/// Each clock has its own window: 180 days or 250 h, done in the window of one and outside that of the other.
#[test]
fn army_variance_of_each_clock_by_itself() {
    let tasks = json!([{"task": "service", "every": {"hours": "250", "days": 180}}]);
    let mut world = machine(&tasks, "1000");
    let done = 170 * 24 * 60;
    world.record(0, done, "task_done", json!({"task": "service", "reading": "1210"}));
    let book = world.book();
    let track = |clock: &str| book.tracks.iter().find(|t| t.clock == clock).expect("a clock").clone();
    assert_eq!(track("hours").due_milli, 1_460_000, "early on the hours: counted from done");
    let days = track("days");
    assert_eq!(days.due_milli - days.from_milli, 180_000);
    assert_eq!(now(&world, done)[0].clock, "hours", "250 h at 8 a day come before 190 days");
    let first_day = (1_780_000_000 + 7200) / 86_400;
    assert_eq!(days.due_milli / 1000, first_day + 360, "in the window of the days: counted from due");
}

/// 14 CFR 91.409(b): at most 10 hours over on the way to the inspection, and the excess counts in the next 100 hours.
#[test]
fn hundred_hour_inspection() {
    let inspection = json!({"task": "service", "every": {"hours": "100"}, "counting": "earlier"});
    for (done, next, late) in [("1106", 1_200_000, 0), ("1095", 1_195_000, 0), ("1110.1", 1_200_000, 1)] {
        let (due, keeping) = next_due(&inspection, "1000", &[done]);
        assert_eq!((due, keeping.late), (next, late), "done at {done}");
    }
    assert_eq!(next_due(&inspection, "1000", &["1106", "1208", "1299"]).0, 1_399_000);
    // An early one: this rule brings the next one forward, the Army's leaves it where it was.
    let army = json!({"task": "service", "every": {"hours": "100"}});
    assert_eq!(next_due(&army, "1000", &["1095"]).0, 1_200_000);
}

/// TM 9-2350-287-20-1: semiannual, or 1,500 miles (2,414.016 km), or 150 hours, whichever occurs first.
#[test]
fn semiannual_miles_or_hours_whichever_first() {
    let tasks = json!([{"task": "service", "every": {"days": 182, "km": "2414.016", "hours": "150"}}]);
    let day = 24 * 60;
    for (days, hours, km, clock, state) in [
        (170, "1010", "20100", "days", State::InWindow),
        (100, "1020", "22300", "km", State::InWindow),
        (100, "1140", "20100", "hours", State::InWindow),
        (100, "1020", "22700", "km", State::PastWindow),
        (30, "1020", "20100", "hours", State::Ahead),
    ] {
        let mut world = machine(&tasks, "1000");
        world.record(0, 3, "meter_read", json!({"reading": "20000", "meter": "km"}));
        world.record(0, 4, "task_done", json!({"task": "service"}));
        world.record(0, days * day, "meter_read", json!({"reading": hours}));
        world.record(0, days * day, "meter_read", json!({"reading": km, "meter": "km"}));
        let list = now(&world, days * day);
        assert_eq!((list[0].clock.as_str(), list[0].state), (clock, state), "{days} d, {hours} h, {km} km");
    }
}

/// Nested services: the 1,000 h service done at 1,012 h does the 50, 250 and 500 h ones too; the 2,000 h one stays.
#[test]
fn a_large_service_does_the_small_ones() {
    let every = [50, 250, 500, 1000, 2000];
    let task = |n: usize| {
        let covers: Vec<String> = n.checked_sub(1).map(|m| format!("{} h", every[m])).into_iter().collect();
        json!({"task": format!("{} h", every[n]), "every": {"hours": every[n].to_string()}, "covers": covers})
    };
    let mut world = machine(&json!((0..5).map(task).collect::<Vec<_>>()), "0");
    let at = 60 * 24 * 100;
    world.record(0, at, "task_done", json!({"task": "1000 h", "reading": "1012"}));
    let list = now(&world, at);
    let left = |task: &str| of(&list, task).left.to_string();
    // 1,012 is late for the 50, 250 and 500 h ones, never done before: from done. In the window of the 1,000: from due.
    assert_eq!([left("50 h"), left("250 h"), left("500 h")], ["50", "250", "500"]);
    assert_eq!([left("1000 h"), left("2000 h")], ["988", "988"]);
    assert!(of(&list, "2000 h").why.contains("never done"), "{}", of(&list, "2000 h").why);
}

/// Weights of hard hours, (practice): three to four times a day in water or heavy dust instead of once. Seven hours of
/// the meter of which so many were hard, against a greasing every 10 h.
#[test]
fn submerged_and_dusty_hours_are_weighed() {
    let tasks = json!([{"task": "grease", "every": {"hours": "10"}, "weighed": true, "counting": "done"},
        {"task": "oil", "every": {"hours": "10"}, "counting": "done"}]);
    for (conditions, used, state) in [
        (json!({"submerged": "1"}), "10", State::InWindow),
        (json!({"submerged": "1.5"}), "11.5", State::PastWindow),
        (json!({"dusty": "1"}), "9", State::InWindow),
        (json!({"dusty": "3"}), "13", State::PastWindow),
        (json!({"muddy": "1"}), "8", State::Ahead),
        (json!({"submerged": "1", "dusty": "1"}), "12", State::PastWindow),
        (json!({"dry": "7", "frost": "2"}), "7", State::Ahead),
    ] {
        let mut world = machine(&tasks, "4000");
        world.record(0, 3, "task_done", json!({"task": "grease", "reading": "4000"}));
        world.record(0, 4, "task_done", json!({"task": "oil", "reading": "4000"}));
        world.record(0, 600, "shift_ended", json!({"reading": "4007", "conditions": conditions}));
        let list = now(&world, 600);
        let grease = of(&list, "grease");
        assert_eq!(grease.state, state, "{conditions}");
        assert!(grease.why.starts_with(&format!("{used} h since last, every 10")), "{}", grease.why);
        assert_eq!(of(&list, "oil").left.to_string(), "3", "oil does not care: {conditions}");
    }
}

/// Grease at every fuel fill, (practice): the plan that holds until one is set.
#[test]
fn grease_is_due_at_every_fuel_fill() {
    let common = pintle_core::plan::common();
    assert!(common.source.contains("practice") && common.source.contains("no source"), "{}", common.source);
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    world.record(0, 1, "meter_read", json!({"reading": "4000.5"}));
    world.record(0, 2, "task_done", json!({"task": "grease"}));
    assert_eq!(now(&world, 100)[0].state, State::Ahead);
    world.record(0, 300, "fuel_filled", json!({"litres": "100", "reading": "4003"}));
    let list = now(&world, 300);
    assert_eq!((list[0].task.as_str(), list[0].clock.as_str(), list[0].state), ("grease", "fills", State::InWindow));
}

/// Life is the sum of segments: the old meter stops at 4,321.0, the new one starts at 0, or a used one at 1,200.
#[test]
fn life_is_the_sum_of_segments() {
    for (new, shown, life) in [("0", "5", "4326"), ("1200", "1205", "4326")] {
        let mut world = machine(&json!([{"task": "oil", "every": {"hours": "250"}}]), "4321");
        let change = json!({"old_reading": "4321", "new_reading": new, "reason": "replaced"});
        world.record(0, 10, "meter_changed", change);
        world.record(0, 600, "meter_read", json!({"reading": shown}));
        let book = world.book();
        let reading = book.meters[0].reading.clone().expect("a reading");
        assert_eq!((reading.shown.to_string(), reading.life.to_string()), (shown.into(), life.into()));
        assert_eq!(book.tracks[0].now_milli, Some(4_326_000));
    }
}

/// A roll over is one only where the drop is near full scale: 9,999.9 to 0.0.
#[test]
fn a_roll_over_is_near_full_scale() {
    for (old, new, rolled) in [
        ("9999.9", "0", true),
        ("9990", "3.5", true),
        ("99999.9", "0", true),
        ("999.9", "0.1", true),
        ("4321", "0", false),
        ("9999.9", "5000", false),
        ("99.9", "0", false),
        ("0", "0", false),
        ("9999999.999", "0", true),
    ] {
        assert_eq!(has_rolled_over(old.parse().expect(old), new.parse().expect(new)), rolled, "{old} to {new}");
    }
    let told = |old: &str| {
        let mut world = machine(&json!([{"task": "oil", "every": {"hours": "250"}}]), old);
        world.record(0, 5, "meter_changed", json!({"old_reading": old, "new_reading": "0", "reason": "rolled over"}));
        world.record(0, 600, "meter_read", json!({"reading": "5"}));
        let book = world.book();
        let life = book.meters[0].reading.as_ref().map(|r| r.life.to_string());
        (life, book.doubts.into_iter().map(|d| d.code).collect::<Vec<_>>())
    };
    assert_eq!(told("9999.9"), (Some("10004.9".into()), vec![]));
    assert_eq!(told("4321"), (Some("4326".into()), vec!["rollover-doubtful".into()]), "kept, and told");
}

/// Plausible: 0 ≤ run ≤ time elapsed + 0.1 h. A local day has 25 hours where summer time ends, 23 where it begins.
#[test]
fn a_local_day_may_have_25_hours() {
    for (from, to, run, believed) in [
        ("2026-10-25T00:00:00+02:00", "2026-10-26T00:00:00+01:00", "25", true),
        ("2026-10-25T00:00:00+02:00", "2026-10-26T00:00:00+01:00", "25.1", true),
        ("2026-10-25T00:00:00+02:00", "2026-10-26T00:00:00+01:00", "25.2", false),
        ("2026-03-29T00:00:00+01:00", "2026-03-30T00:00:00+02:00", "23.1", true),
        ("2026-03-29T00:00:00+01:00", "2026-03-30T00:00:00+02:00", "23.2", false),
        ("2026-05-04T00:00:00+02:00", "2026-05-05T00:00:00+02:00", "24.1", true),
        ("2026-05-04T00:00:00+02:00", "2026-05-05T00:00:00+02:00", "24.2", false),
    ] {
        let mut world = World::new(1);
        world.record(0, minute(from) - 1, "machine_added", json!({"name": "EX3"}));
        world.record(0, minute(from), "meter_read", json!({"reading": "0"}));
        world.record(0, minute(to), "meter_read", json!({"reading": run}));
        assert_eq!(world.book().meters[0].doubtful.is_empty(), believed, "{run} h from {from} to {to}");
    }
}

/// Tach hours: rated 2,200 rpm, 1,650 on average: an hour of the clock shows 0.75 (arithmetic). The kind is kept, and
/// the maker's interval is meant for the meter the machine has.
#[test]
fn tach_hours_are_kept_apart_from_clock_hours() {
    let mut world = World::new(1);
    world.record(0, 0, "machine_added", json!({"name": "TR1", "meter_kind": "tach hours"}));
    world.record(0, 1, "plan_set", plan(&json!([{"task": "oil", "every": {"hours": "250"}}])));
    world.record(0, 0, "meter_read", json!({"reading": "4000.5"}));
    let shown = 8 * 1000 * 1650 / 2200;
    assert_eq!(shown, 6000);
    world.record(0, 8 * 60, "meter_read", json!({"reading": "4006.5"}));
    let book = world.book();
    assert_eq!((book.meters[0].kind.as_str(), book.meters[0].meter.as_str()), ("tach hours", "hours"));
    assert_eq!(now(&world, 8 * 60)[0].left.to_string(), "244");
    world.record(0, 9 * 60, "meter_read", json!({"reading": "4008.5"}));
    assert_eq!(world.book().meters[0].doubtful.len(), 1, "it never shows more than has passed");
}
