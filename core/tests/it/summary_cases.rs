//! The summary of a history: what people are told of some thousand entries.
//!
//! Promises: numbers are worked by hand from what is recorded; nothing that was struck, corrected, set aside, withheld or
//! is in doubt is left out; a file that is damaged in any way still gets a summary.

use crate::history_world::{EX3, Ledger, Said, pin, story};
use pintle_core::book::book;
use pintle_core::chain::DeviceKey;
use pintle_core::due::Kept;
use pintle_core::entry::Held;
use pintle_core::history::record::{Reading, Record};
use pintle_core::history::summary::{Spoken, Summary};
use pintle_core::history::verdict::Standing;
use pintle_core::ids::DeviceId;
use serde_json::{Value, json};

fn read<'a>(lines: impl IntoIterator<Item = &'a String>) -> Record {
    let mut reading = Reading::new(Some(pin()));
    lines.into_iter().for_each(|line| reading.line(line.as_bytes()));
    reading.finish()
}

fn id_of(device: u8) -> DeviceId {
    DeviceId::of_key(&DeviceKey::from_secret(&[device + 1; 32]).public())
}

/// A machine with a plan, recorded by two people a day apart each.
struct Told(Ledger);

impl Told {
    fn new() -> Self {
        Self(Ledger::new().crewed(&["Ines", "Mattis"]))
    }

    /// One entry a day later; gives its number.
    fn say(&mut self, device: usize, kind: &'static str, body: Value, text: Option<&str>) -> u64 {
        self.0.wait(23);
        let mut number = 0;
        self.0.push_as(device, &[Some(EX3)], &mut |seq| {
            number = seq;
            let words = text.map(|text| json!({"salt": "AAAAAAAAAAAAAAAA", "text": text}));
            let office = (kind == "repair_done").then(|| json!({"salt": "BBBBBBBBBBBBBBBBBBBBBB", "price": "12"}));
            Said { kind, body: body.clone(), words, office, clock: None }
        });
        number
    }

    fn at(device: u8, seq: u64) -> Value {
        json!({"device": id_of(device), "seq": seq})
    }
}

/// Three greasings at 100, 110.5 and 123 under a plan of every 10 h, its window 1 h: the first has nothing before it, the
/// second is in its window (109 to 111), so that the next is due at 120, and the third is 3 h, 300 thousandths, too late.
fn greased() -> Told {
    let mut told = Told::new();
    let machine = json!({"name": "EX3", "make": "Made-up Works", "serial": "A-1", "meter_kind": "hours"});
    told.say(0, "machine_added", machine, None);
    let tasks = json!([
        {"task": "grease", "every": {"hours": "10"}, "window_percent": 10, "needs": ["grease NLGI 2 EP, 40 g"]},
        {"task": "engine oil", "every": {"hours": "20"}, "window_percent": 10}]);
    told.say(0, "plan_set", json!({"name": "excavator", "source": "the maker's manual", "tasks": tasks}), None);
    for (device, reading, skipped) in [(0, "100", None), (1, "110.5", Some("boom foot")), (0, "123", None)] {
        let skipped: Vec<Value> = skipped.iter().map(|point| json!({"point": point, "reason": "under mud"})).collect();
        let used = json!([{"name": "grease", "amount": "40", "unit": "g"}, {"name": "rags"}]);
        let body = json!({"task": "grease", "reading": reading, "skipped": skipped, "materials": used});
        told.say(device, "task_done", body, None);
    }
    told
}

#[test]
fn services_are_held_to_the_plan_one_by_one_and_in_all() {
    let told = greased();
    let record = read(&told.0.file(&[]));
    assert_eq!(record.verdict.standing, Standing::Valid, "{:?}", record.verdict.failures);
    let summary = Summary::of(&record);
    assert_eq!(summary.kept_in_all(), [1, 0, 1, 0]);
    assert_eq!(summary.services_count(), 3);
    let kept: Vec<Option<Kept>> = summary.services[0].rows.iter().map(|row| row.kept).collect();
    assert_eq!(kept, [None, Some(Kept::OnTime), Some(Kept::Late)]);
    let late: Vec<_> = summary.late.iter().map(|late| (late.said.entry.as_str(), late.over_permille)).collect();
    assert_eq!(late, [("K7-4", 300)]);
    // Oil was never changed: 23 h since the first reading, 20 h and 2 h of grace are allowed.
    let overdue: Vec<&str> = summary.overdue.iter().map(|one| one.task.as_str()).collect();
    assert_eq!(overdue, ["engine oil"]);
    assert_eq!(summary.plan.tasks[0].1, "10 hours");
    assert_eq!(summary.plan.tasks[0].2, ["grease NLGI 2 EP, 40 g"]);
    // The third greasing was of everything.
    assert_eq!(summary.skipped, []);
    let used: Vec<_> = summary.materials.iter().map(|m| (m.name.as_str(), m.times, m.unsaid, m.total.milli)).collect();
    assert_eq!(used, [("grease", 3, 0, 120_000), ("rags", 3, 3, 0)]);
    assert_eq!(summary.materials[0].last_in, ["K7-3", "M2-1", "K7-4"]);
    let hands: Vec<_> = summary.hands.iter().map(|hand| (hand.person.as_str(), hand.entries)).collect();
    assert_eq!(hands, [("Ines", 4), ("Mattis", 1)]);
    assert_eq!(summary.hands[0].devices, [("K7".to_owned(), 4)]);
    let life: Vec<i64> = summary.meters[0].readings.iter().map(|reading| reading.life.milli).collect();
    assert_eq!(life, [100_000, 110_500, 123_000]);
    assert_eq!((summary.doubtful.len(), summary.disputes.len()), (0, 0), "{:?}", summary.doubtful);
}

#[test]
fn the_summary_has_the_books_numbers() {
    let record = read(&greased().0.file(&[]));
    let (summary, book) = (Summary::of(&record), book(EX3, &record.entries));
    assert_eq!(summary.keeping, book.keeping);
    let rows = summary.services.iter().flat_map(|task| &task.rows);
    let late = rows.filter(|row| row.kept == Some(Kept::Late)).count() as u64;
    assert_eq!(late, book.keeping.iter().map(|one| one.late).sum::<u64>());
    assert_eq!(summary.late.len() as u64, late);
    assert_eq!(summary.open_findings().0, book.findings.len() as u64);
    assert_eq!(summary.ran.map(|ran| ran.share), book.hands.map(|hands| hands.life));
}

#[test]
fn findings_have_their_ends_and_a_meter_that_was_changed_runs_on() {
    let mut told = greased();
    let crack = json!({"sign": "crack", "point": "boom", "urgency": "tagged out"});
    let first = told.say(0, "finding_raised", crack.clone(), Some("as long as a thumb"));
    told.say(0, "finding_raised", json!({"sign": "leak", "urgency": "soon"}), None);
    let third = told.say(0, "finding_raised", crack, None);
    let repair = json!({"closes": [Told::at(0, first)], "point": "boom", "remedy": "welded", "minutes": 95});
    told.say(1, "repair_done", repair, None);
    told.say(1, "finding_cleared", json!({"finding": Told::at(0, third)}), Some("paint only"));
    told.say(0, "meter_changed", json!({"old_reading": "130", "new_reading": "2", "reason": "replaced"}), None);
    told.say(0, "meter_read", json!({"reading": "5"}), None);
    let summary = Summary::of(&read(&told.0.file(&[])));
    let ends: Vec<_> = summary.findings.iter().map(|f| (f.open, f.end.as_ref().map(|end| end.repaired))).collect();
    assert_eq!(ends, [(false, Some(true)), (true, None), (false, Some(false))]);
    assert_eq!(summary.open_findings(), (1, 0));
    assert_eq!(summary.findings[0].text, Spoken::Words("as long as a thumb".into()));
    assert_eq!(summary.findings[0].what, ["tagged out", "crack", "boom"]);
    assert_eq!((summary.repairs.len(), summary.repairs[0].minutes), (1, Some(95)));
    // 130 of the old one, and 3 of the new.
    assert_eq!(summary.meters[0].readings.last().expect("a reading").life.milli, 133_000);
    let change = &summary.changes[0];
    assert_eq!((change.old.milli, change.new.milli, change.meter.as_str()), (130_000, 2_000, "hours"));
}

#[test]
fn whatever_is_struck_corrected_withheld_or_odd_is_told() {
    let mut told = greased();
    let slip = told.say(0, "meter_read", json!({"reading": "9000"}), None);
    let struck = told.say(0, "note_left", json!({}), Some("wrong machine"));
    told.say(0, "struck", json!({"target": Told::at(0, struck)}), Some("not this one"));
    let wrong = told.say(0, "fuel_filled", json!({"litres": "1200"}), None);
    let fixed = json!({"target": Told::at(0, wrong), "field": "/body/litres", "value": "120"});
    told.say(0, "corrected", fixed, None);
    told.say(0, "weighed", json!({"tonnes": "22"}), None);
    let gone = json!({"target": Told::at(0, 900), "field": "/body/litres", "value": "1"});
    told.say(0, "corrected", gone, None);
    told.say(1, "repair_done", json!({"remedy": "none"}), Some("for the office"));
    let summary = Summary::of(&read(&told.0.file(&["words", "office", "names"])));
    let points: Vec<_> = summary.doubtful.iter().map(|d| (d.entry.clone(), d.code.as_str())).collect();
    let expected = [
        (format!("K7-{slip}"), "reading-doubtful"),
        (format!("K7-{struck}"), "struck"),
        (format!("K7-{wrong}"), "corrected"),
        (format!("K7-{}", wrong + 2), "newer"),
        (format!("K7-{}", wrong + 3), "target-unknown"),
    ];
    assert_eq!(points, expected);
    let why = summary.doubtful.iter().map(|doubt| doubt.why.replace('\u{200E}', "")).collect::<Vec<_>>();
    assert_eq!(why[1], format!("struck by K7-{}", struck + 1));
    assert_eq!(why[2], format!("litres was 1200; corrected to 120 by K7-{}", wrong + 1));
    assert_eq!(summary.fuel.map(|(fills, litres)| (fills, litres.milli)), Some((1, 120_000)));
    assert!(!summary.meters[0].readings.iter().find(|r| r.shown.milli == 9_000_000).expect("it is there").believed);
    // Withheld is said, counted, and gone.
    assert_eq!(summary.withheld.said, ["names", "office", "words"]);
    assert_eq!(summary.withheld.parts, [("office".to_owned(), 1), ("words".to_owned(), 3)].into());
    let repair = &summary.repairs[0];
    assert_eq!((repair.said.by.as_str(), &repair.text), ("person 2", &Spoken::Withheld));
    let told = serde_json::to_string(&summary).expect("JSON");
    assert!(!told.contains("for the office") && !told.contains("Mattis") && !told.contains("not this one"));
    let marks: Vec<&str> = summary.entries.iter().flat_map(|entry| entry.marks.iter().map(String::as_str)).collect();
    let struck_by = format!("struck by K7-{}", struck + 1);
    assert_eq!(marks, [struck_by.as_str(), &format!("corrected by K7-{}", wrong + 1), "office withheld"]);
}

#[test]
fn people_who_disagree_and_the_longest_silence_are_told() {
    let mut told = greased();
    told.say(1, "machine_changed", json!({"site": "lower meadow"}), None);
    told.say(0, "machine_changed", json!({"site": "north"}), None);
    told.0.wait(24 * 50);
    told.say(0, "meter_read", json!({"reading": "124"}), None);
    let summary = Summary::of(&read(&told.0.file(&[])));
    assert_eq!(summary.disputes.len(), 1, "{:?}", summary.disputes);
    let dispute = summary.disputes[0].replace('\u{200E}', "");
    assert_eq!(
        dispute,
        "People disagree about the machine's site: K7-5 says north; M2-2 says lower meadow. Until someone settles it K7-5 \
         counts."
    );
    let silence = summary.silence.expect("there are entries");
    assert_eq!((silence.from.entry.as_str(), silence.to.entry.as_str()), ("K7-5", "K7-6"));
    assert_eq!(silence.length_s, (24 * 50 + 24) * 3600);
}

#[test]
fn positions_are_lent_to_the_same_entries_only() {
    let mut record = read(&story().file(&[]));
    let held = |at: usize, position| Held { position: Some(position), ..record.entries[at].clone() };
    let other = Held { link: record.entries[1].link, ..held(2, 12) };
    let lent = [held(0, 3), held(1, 5), other];
    assert_eq!(record.lend_positions(&lent), record.entries.len() - 2);
    assert_eq!(record.entries.iter().filter_map(|held| held.position).collect::<Vec<_>>(), [3, 5]);
}

#[test]
fn any_bytes_get_a_summary() {
    let lines = greased().0.file(&[]);
    let text = lines.join("\n");
    for at in (0..text.len()).step_by(37) {
        let mut bytes = text.clone().into_bytes();
        bytes[at] ^= 1 << (at % 7);
        let mut reading = Reading::new(Some(pin()));
        bytes.split(|byte| *byte == b'\n').for_each(|line| reading.line(line));
        let record = reading.finish();
        assert_eq!(Summary::of(&record).entries.len(), record.entries.len(), "byte {at}");
    }
    for cut in 0..lines.len() {
        let record = read(&lines[..cut]);
        assert_eq!(record.verdict.standing, Standing::Incomplete);
        assert_eq!(Summary::of(&record).entries.len(), record.entries.len());
    }
}
