//! Prints a service history of a year and a half for looking at its page: the key to check it with, then its lines.
//!
//! Promises: something of every kind that the page has a place for; names that are long, that are written from right to
//! left, and texts that would do harm as markup; a changed meter, a reading that falls, late services. All of it made
//! up. `history_scene [WEEKS] [WITHHELD…]`: 80 weeks make some 700 entries.

#[path = "../../../core/tests/it/history_world.rs"]
#[allow(dead_code, reason = "a part of the world is for the tests of core alone")]
mod history_world;

use history_world::{EX3, EX4, Ledger, Said, pin};
use pintle_core::chain::DeviceKey;
use pintle_core::ids::{DeviceId, MachineId};
use serde_json::{Value, json};
use std::io::{self, Write as _};

/// Who records: a plain name, one from right to left, a very long one, one that would be markup.
const PEOPLE: [&str; 4] = [
    "Ines",
    "\u{5e0}\u{5d5}\u{5e2}\u{5d4} \u{5d0}\u{5dc}\u{5de}\u{5d5}\u{5d2}",
    "Maximiliana Theodora von der Hohenwaldecker-Unterbrunnenthaler zu Obersteinbachgraben-Niederwiesenfeld",
    "</script><img src=x onerror=alert(1)>",
];
const WEEKS: u64 = 80;
/// Week in which the meter is changed.
const CHANGED: u64 = 41;

fn main() -> io::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let weeks = arguments.next().and_then(|weeks| weeks.parse().ok()).unwrap_or(WEEKS);
    let withheld: Vec<String> = arguments.collect();
    let withheld: Vec<&str> = withheld.iter().map(String::as_str).collect();
    let mut out = io::stdout().lock();
    writeln!(out, "{}", pin())?;
    played(weeks).file(&withheld).iter().try_for_each(|line| writeln!(out, "{line}"))
}

fn played(weeks: u64) -> Ledger {
    let mut ledger = Ledger::of(4).crewed(&PEOPLE);
    ledger.push_as(0, &[Some(EX3), None, Some(EX3)], &mut |seq| match seq {
        1 => plain("machine_added", machine()),
        2 => plain("note_left", json!({})),
        _ => plain("plan_set", plan()),
    });
    for week in 0..weeks {
        ledger.wait(24 * 7 - 2);
        let device = usize::try_from(week % 4).unwrap_or(0);
        let mut day = 0;
        ledger.push_as(device, &machines(week), &mut |seq| {
            day += 1;
            said(week, day, seq, device)
        });
    }
    ledger
}

fn machines(week: u64) -> Vec<Option<MachineId>> {
    (0..9).map(|n| if n == 6 && week.is_multiple_of(3) { Some(EX4) } else { Some(EX3) }).collect()
}

fn machine() -> Value {
    json!({"name": "EX3 <b>the old one</b> \u{5de}\u{5d7}\u{5e4}\u{5e8}", "make": "Made-up Works", "model": "tracked excavator, 22 t",
           "serial": "A-1042-7731", "site": "lower meadow", "meter_kind": "hours"})
}

fn plan() -> Value {
    json!({"name": "tracked excavator", "source": "common practice, no source", "tasks": [
        {"task": "grease", "every": {"hours": "10", "fills": 1}, "needs": ["grease NLGI 2 EP, 40 g"]},
        {"task": "engine oil and filter", "every": {"hours": "250", "days": 365}, "needs": ["engine oil 15W-40, 24 l", "oil filter 107 mm"]}]})
}

fn plain(kind: &'static str, body: Value) -> Said {
    Said { kind, body, words: None, office: None, clock: None }
}

fn spoken(kind: &'static str, body: Value, seq: u64, text: &str) -> Said {
    let words = Some(json!({"salt": format!("AAAAAAAAAAA{seq:05}"), "text": text}));
    Said { kind, body, words, office: None, clock: None }
}

/// What is said in a week: some thirty hours of work.
fn said(week: u64, day: u64, seq: u64, device: usize) -> Said {
    let run = 4120 + week * 31 + day * 3;
    let shown = if (week, day) < (CHANGED, 6) { run } else { run - 4120 - CHANGED * 31 };
    let reading = format!("{shown}.{}", seq % 10);
    // K7's first push had three entries, so that the second of a later week has its number from the week.
    let raised = |week: u64| json!({"device": id_of(device), "seq": seq_of(device, week, 4)});
    match (day, week) {
        (1, _) => plain("shift_begun", json!({"reading": reading})),
        (2, _) => plain("fuel_filled", json!({"litres": format!("{}", 90 + week), "reading": reading})),
        (3, 17) => spoken(
            "task_done",
            json!({"task": "grease", "reading": reading, "purge": "metal", "skipped": [{"point": "boom foot", "reason": "under mud"}]}),
            seq,
            "left pin took a lot",
        ),
        (3, _) => plain("task_done", json!({"task": "grease", "reading": reading, "purge": "clean", "minutes": 12})),
        (4, week) if week.is_multiple_of(10) => {
            let words = "<script>alert('finding')</script> \u{5e1}\u{5d3}\u{5e7} \u{5d1}\u{5e4}\u{5d9}\u{5df}";
            spoken(
                "finding_raised",
                json!({"sign": "crack", "urgency": if week == 70 { "tagged out" } else { "soon" }, "point": "boom, left weld"}),
                seq,
                words,
            )
        }
        (5, week) if week % 10 == 4 && week > 10 => {
            let parts =
                json!([{"name": "grease fitting M10x1", "amount": "2", "unit": "pieces"}, {"name": "weld wire"}]);
            let closes = json!([raised(week - 4)]);
            plain(
                "repair_done",
                json!({"closes": closes, "point": "boom, left weld", "cause": "bent by a stone", "remedy": "welded", "parts": parts, "minutes": 95, "reading": reading}),
            )
        }
        (5, week) if week % 9 == 8 => {
            let materials = json!([{"name": "engine oil 15W-40", "amount": "24", "unit": "l"}, {"name": "oil filter 107 mm", "amount": "1", "unit": "piece"}]);
            plain(
                "task_done",
                json!({"task": "engine oil and filter", "reading": reading, "materials": materials, "minutes": 70}),
            )
        }
        (6, CHANGED) => plain(
            "meter_changed",
            json!({"old_reading": run.to_string(), "new_reading": reading, "reason": "replaced"}),
        ),
        (6, 33) => plain("meter_read", json!({"reading": "12"})),
        (7, 20) => {
            spoken("struck", json!({"target": {"device": id_of(device), "seq": seq - 1}}), seq, "the wrong machine")
        }
        (7, 21) => plain(
            "corrected",
            json!({"target": {"device": id_of(device), "seq": seq - 5}, "field": "/body/litres", "value": "18"}),
        ),
        // Nothing of its form: a server sets such an entry aside, a file may hold it all the same.
        (8, 55) => plain(
            "task_done",
            json!({"task": {"a": [1]}, "points": "all", "skipped": [null, {"point": {}}], "materials": [null, {"name": {"x": 1}}],
                   "reading": {"b": 1}, "purge": [2]}),
        ),
        (8, week) if week.is_multiple_of(5) => spoken("note_left", json!({"handover": true}), seq, "mirror is loose"),
        (9, _) => plain("shift_ended", json!({"reading": reading, "conditions": {"dry": "20", "muddy": "6"}})),
        _ => plain("meter_read", json!({"reading": reading})),
    }
}

fn id_of(device: usize) -> DeviceId {
    let number = u8::try_from(device).unwrap_or(0) + 1;
    DeviceId::of_key(&DeviceKey::from_secret(&[number; 32]).public())
}

/// The number of what a device said as the `day`-th in a week.
fn seq_of(device: usize, week: u64, day: u64) -> u64 {
    let before = if device == 0 { 3 } else { 0 };
    before + (week / 4) * 9 + day
}
