//! Meters: several of a machine, replaced, rolled over, doubtful; and how much the machine runs a day.
//!
//! Each meter is judged by its own last reading, and never taken for another.

use crate::stage::Stage;
use insta::assert_snapshot;

#[test]
fn several_meters_are_kept_apart() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "read EX3 812 --meter hammer",
        "read EX3 +0.1 --meter Hammer",
        "read EX3 812.0 --meter hammer",
        "read EX3 +0.1 --meter hours",
        "read EX3 120300 --meter KM",
        "read EX3 120400 --meter kilometres",
        "read EX3 +3 --meter hamer",
        "read EX3 3 --meter hamer",
        "correct K7-8 meter hammer",
        "strike K7-8 typed wrong",
        "meter EX3",
        "meter EX3 --meter hammer",
        "meter EX3 --meter boom",
        "log EX3 -n 3",
    ]));
}

#[test]
fn a_change_or_rollover_never_makes_history_jump() {
    let stage = Stage::with_machine();
    stage.pass_minutes(24 * 60);
    assert_snapshot!(stage.script(&[
        "read EX3 12.5",
        "meter EX3 --old 4130 --new 12.5 --why replaced --at -3m",
        "read EX3 +0.1",
        "meter EX3",
        "read EX3 99998 --meter km",
        "read EX3 3 --meter km",
        "strike K7-7 it had rolled over",
        "meter EX3 --meter km --old +1.9 --new 0 --why \"rolled over\"",
        "read EX3 4 --meter km",
        "meter EX3 --meter km",
        "meter EX3 --old 5",
        "meter EX3 --old 5 --new +1 --why replaced",
        "correct K7-4 new +1",
    ]));
}

#[test]
fn use_per_day_is_shown_with_its_band_and_what_it_rests_on() {
    let stage = Stage::with_machine();
    let mut seen = stage.script(&["plan EX3 --starter excavator", "meter EX3"]);
    for (day, tenths) in [(1, 41_341), (2, 41_402), (3, 41_489), (4, 41_540)] {
        stage.pass_minutes(24 * 60 - 30);
        let reading = format!("{}.{}", tenths / 10, tenths % 10);
        seen += &stage.script(&[&format!("read EX3 {reading}{}", if day == 3 { " --quiet" } else { "" })]);
    }
    seen += &stage.script(&["read EX3 5200", "meter EX3", "--json meter EX3", "handover EX3"]);
    assert_snapshot!(seen);
}
