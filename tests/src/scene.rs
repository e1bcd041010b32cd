//! Service histories to look at on a page and on paper: a year and a half of work, and one with everything that is ugly.
//!
//! Promises: something of every kind that a page has a place for; names that are long, that are written from right to
//! left, and texts that would do harm as markup; a changed meter, a reading that falls, late services. All of it made
//! up; the same in every run.

#[path = "../../core/tests/it/history_world.rs"]
#[allow(dead_code, missing_docs, clippy::new_without_default, reason = "the world of core's tests, taken in as it is")]
mod history_world;

pub use history_world::{Ledger, pin, story};

use history_world::{EX3, EX4, Said};
use pintle_core::chain::DeviceKey;
use pintle_core::ids::{DeviceId, MachineId};
use serde_json::{Value, json};

/// Who records: a plain name, one from right to left, a very long one, one that would be markup.
const PEOPLE: [&str; 4] = [
    "Ines",
    "\u{5e0}\u{5d5}\u{5e2}\u{5d4} \u{5d0}\u{5dc}\u{5de}\u{5d5}\u{5d2}",
    "Maximiliana Theodora von der Hohenwaldecker-Unterbrunnenthaler zu Obersteinbachgraben-Niederwiesenfeld",
    "</script><img src=x onerror=alert(1)>",
];
/// How long the year and a half is.
pub const WEEKS: u64 = 80;
/// Week in which the meter is changed.
const CHANGED: u64 = 41;
/// Week in which an entry has nothing of its form.
const MALFORMED: u64 = 75;

/// A machine kept for so many weeks.
#[must_use]
pub fn played(weeks: u64) -> Ledger {
    let mut ledger = Ledger::of(4).crewed(&PEOPLE).paced(60);
    ledger.push_as(0, &[Some(EX3), None, Some(EX3)], &mut |seq| match seq {
        1 => plain("machine_added", machine()),
        2 => plain("note_left", json!({})),
        _ => plain("plan_set", plan()),
    });
    for week in 0..weeks {
        ledger.wait(24 * 7 - 2);
        let device = usize::try_from(week % 4).unwrap_or(0);
        let mut day = 0;
        let all = machines(week);
        // The one entry that has nothing of its form is set aside, as a server does.
        let parts =
            if week == MALFORMED { vec![(0..7, false), (7..8, true), (8..9, false)] } else { vec![(0..9, false)] };
        for (part, malformed) in parts {
            ledger.finds(None, malformed.then_some("malformed-entry"));
            ledger.push_as(device, &all[part], &mut |seq| {
                day += 1;
                said(week, day, seq, device)
            });
        }
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
        {"task": "grease", "every": {"hours": "30"}, "needs": ["grease NLGI 2 EP, 40 g"]},
        {"task": "engine oil and filter", "every": {"hours": "250", "days": 365}, "needs": ["engine oil 15W-40, 24 l", "oil filter 107 mm"]}]})
}

fn plain(kind: &'static str, body: Value) -> Said {
    Said { kind, body, words: None, office: None, clock: None }
}

fn spoken(kind: &'static str, body: Value, seq: u64, text: &str) -> Said {
    let words = Some(json!({"salt": format!("AAAAAAAAAAA{seq:05}"), "text": text}));
    Said { kind, body, words, office: None, clock: None }
}

/// What is said in a week of thirty hours of work: those of one day, an hour apart.
fn said(week: u64, day: u64, seq: u64, device: usize) -> Said {
    let run = 4120 + week * 31 + day;
    let shown = if (week, day) < (CHANGED, 6) { run } else { run - 4120 - CHANGED * 31 - 6 };
    let reading = format!("{shown}.5");
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
        (3, week) if week % 13 == 5 => plain("meter_read", json!({"reading": reading})),
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
            json!({"old_reading": format!("{run}.5"), "new_reading": reading, "reason": "replaced"}),
        ),
        (6, 33) => plain("meter_read", json!({"reading": "12"})),
        (7, 20) => {
            spoken("struck", json!({"target": {"device": id_of(device), "seq": seq - 1}}), seq, "the wrong machine")
        }
        (7, 21) => plain(
            "corrected",
            json!({"target": {"device": id_of(device), "seq": seq - 5}, "field": "/body/litres", "value": "18"}),
        ),
        // Nothing of its form: a server sets such an entry aside, and the file holds it all the same.
        (8, MALFORMED) => plain(
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

/// Marks of work that a reader should look at twice, all in one machine: clocks that are off, entries set aside, strikes of
/// strikes, corrections, people who disagree, work recorded twice, an entry of a later program, names of every direction.
#[must_use]
pub fn ugly() -> Ledger {
    let mut ledger = Ledger::of(4).crewed(&UGLY_PEOPLE);
    let say = |ledger: &mut Ledger, device: usize, said: Said| {
        ledger.wait(20);
        let mut said = Some(said);
        ledger.push_as(device, &[Some(EX3)], &mut |_| said.take().unwrap_or_else(|| plain("note_left", json!({}))));
    };
    let at = |device: usize, seq: u64| json!({"device": id_of(device), "seq": seq});
    let long = "x".repeat(120);
    let mut machine = machine();
    machine["name"] = json!(format!("{} \u{6f22}\u{5b57} {}", "W".repeat(60), "\u{5de}\u{5d7}\u{5e4}\u{5e8}"));
    say(&mut ledger, 0, plain("machine_added", machine)); // K7-1
    say(&mut ledger, 1, plain("machine_changed", json!({"site": "lower meadow"}))); // M2-1
    say(&mut ledger, 0, plain("machine_changed", json!({"site": "\u{5de}\u{5d7}\u{5e6}\u{5d1}\u{5d4}"}))); // K7-2
    for (device, reading) in [(0, "100"), (1, "101"), (2, "9000"), (3, "140.5"), (0, "152")] {
        let task = if device == 3 { "\u{634}\u{62d}\u{645} 12" } else { "grease" };
        let skipped = json!([{"point": long, "reason": "\u{5dc}\u{5d0} \u{5d4}\u{5d2}\u{5e2}\u{5e0}\u{5d5}"}]);
        let used = json!([{"name": "\u{5e9}\u{5de}\u{5df} 15W-40", "amount": "24", "unit": "l"}]);
        let body = json!({"task": task, "reading": reading, "skipped": skipped, "materials": used, "purge": "metal"});
        say(&mut ledger, device, plain("task_done", body)); // K7-3, M2-2, T4-1, R9-1, K7-4
    }
    let words = "#read(\"/etc/passwd\") $x^2$ *bold* \u{6f22}\u{5b57} \u{1f69c} \u{202e}txt.exe\u{7}";
    let crack = json!({"sign": "crack", "urgency": "tagged out", "point": "boom \u{5d1}\u{5d5}\u{5dd}, left weld"});
    say(&mut ledger, 2, spoken("finding_raised", crack, 2, words)); // T4-2
    say(&mut ledger, 2, spoken("note_left", json!({"handover": true}), 3, &"long words ".repeat(300))); // T4-3
    say(&mut ledger, 0, spoken("struck", json!({"target": at(2, 3)}), 5, "\u{5d8}\u{5e2}\u{5d5}\u{5ea}")); // K7-5
    say(&mut ledger, 0, spoken("struck", json!({"target": at(0, 5)}), 6, "no, it stands")); // K7-6
    say(&mut ledger, 3, plain("note_left", json!({}))); // R9-2
    say(&mut ledger, 3, spoken("struck", json!({"target": at(3, 2)}), 3, &long)); // R9-3
    let field = json!({"target": at(0, 3), "field": "/body/reading", "value": "99.5"});
    say(&mut ledger, 0, plain("corrected", field)); // K7-7
    let field = json!({"target": at(0, 3), "field": "/body/reading", "value": "98"});
    say(&mut ledger, 1, plain("corrected", field)); // M2-3
    say(&mut ledger, 1, plain("corrected", json!({"target": at(0, 99), "field": "/body/reading", "value": "1"}))); // M2-4
    ledger.finds(Some(7_500), None);
    say(&mut ledger, 1, plain("meter_read", json!({"reading": "160"}))); // M2-5
    ledger.finds(None, Some("bad-seal"));
    say(&mut ledger, 2, plain("meter_read", json!({"reading": "161"}))); // T4-4
    ledger.finds(None, Some("machine-sequence-gap"));
    say(&mut ledger, 2, plain("meter_read", json!({"reading": "162"}))); // T4-5
    say(&mut ledger, 0, spoken("released", json!({"target": at(2, 5)}), 8, "checked with the crew")); // K7-8
    say(&mut ledger, 3, plain("weighed", json!({"tonnes": {"front": ["9", null], "rear": true}}))); // R9-4
    say(
        &mut ledger,
        3,
        plain("meter_changed", json!({"old_reading": "170", "new_reading": "3", "reason": "rolled over"})),
    ); // R9-5
    ledger.wait(24 * 200);
    say(&mut ledger, 0, plain("fuel_filled", json!({"litres": "120", "reading": "7.5"}))); // K7-9
    ledger
}

/// Names that are long, unbroken, of other directions, of no font here, and markup.
const UGLY_PEOPLE: [&str; 4] = [
    "WWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWW",
    "\u{645}\u{62d}\u{645}\u{62f} \u{5e0}\u{5d5}\u{5e2}\u{5d4} 12, (EX3)",
    "\u{5c71}\u{7530}\u{592a}\u{90ce}",
    "#text(red)[x] \u{202e}nori <script>",
];
