//! The paper as it is laid out: what stands on which page, and that nothing is lost, cut in silence or off the page.
//!
//! Promises: histories are those of core's own tests, with fixed keys; no font, file or program of the system is needed.
//! What poppler and others find in the PDF is looked at outside (`tests/outside/check_paper.py`).

use super::*;
use crate::press::proof;
use history_world::{EX3, Ledger, Said, pin, story, story_stamps};
use pintle_core::history::record::Reading;
use pintle_core::history::verdict::NOT_PROVED;
use serde_json::json;

#[path = "../../../../core/tests/it/history_world.rs"]
#[allow(dead_code, unreachable_pub, missing_docs, reason = "the world of core's tests, of which this takes a part")]
mod history_world;

fn read(lines: &[String]) -> Record {
    let mut reading = Reading::new(Some(pin()));
    lines.iter().for_each(|line| reading.line(line.as_bytes()));
    reading.finish()
}

fn pages_of(record: &Record, paper: Paper) -> proof::Pages {
    proof::pages(job(b"any bytes", record, &Summary::of(record), paper).expect("a job"))
}

/// Without the places where a line or a word may break.
fn together(text: &str) -> String {
    text.replace([' ', '\n', '\u{200B}', '\u{200E}'], "")
}

fn said(kind: &'static str, body: Value, text: Option<&str>) -> Said {
    let words = text.map(|text| json!({"salt": "AAAAAAAAAAAAAAAA", "text": text}));
    Said { kind, body, words, office: None, clock: None }
}

/// Two people, one with a long name; a finding that tags it out, a strike, a correction, a clock that was off.
fn doubtful(name: &str, text: &str) -> Ledger {
    let mut ledger = Ledger::new().crewed(&["Ines", name]);
    let machine = json!({"name": name, "serial": "A-1", "meter_kind": "hours"});
    let crack = json!({"sign": "crack", "point": name, "urgency": "tagged out"});
    let first = pintle_core::chain::DeviceKey::from_secret(&[1; 32]).public();
    let target = |seq: u64| json!({"device": pintle_core::ids::DeviceId::of_key(&first), "seq": seq});
    let all = [
        (0, said("machine_added", machine, None)),
        (0, said("meter_read", json!({"reading": "100"}), None)),
        (0, said("note_left", json!({}), Some("wrong machine"))),
        (1, said("finding_raised", crack, Some(text))),
        (0, said("struck", json!({"target": target(3)}), Some(text))),
        (0, said("corrected", json!({"target": target(2), "field": "/body/reading", "value": "99"}), None)),
        (1, said("meter_read", json!({"reading": "120"}), None)),
    ];
    for (device, said) in all {
        ledger.wait(23);
        if said.kind == "meter_read" && device == 1 {
            ledger.finds(Some(7_500), None);
        }
        let mut said = Some(said);
        ledger.push_as(device, &[Some(EX3)], &mut |_| said.take().expect("one entry"));
    }
    ledger
}

#[test]
fn the_first_page_says_what_is_doubtful_open_and_withheld_and_whose_word_it_is() {
    let record = read(&doubtful("EX3", "as long as a thumb").file(&["names", "office"]));
    let pages = pages_of(&record, Paper::A4);
    let first = together(&pages.texts[0]);
    for told in [
        "VALID",
        "the word of whoever gave you this paper",
        "1, of which 1 tags it out: it must not be run",
        "3 points: 1 clock off, 1 corrected, 1 struck",
        "No plan was set for it",
        "names, office",
        "7 entries by 2 devices",
    ] {
        assert!(first.contains(&together(told)), "{told} in {first}");
    }
    let all = together(&pages.texts.concat());
    for told in ["struck by K7-4", "reading was 100; corrected to 99 by K7-5", "2 h 05 min ahead", "as long as a thumb"]
    {
        assert!(all.contains(&together(told)), "{told} in {all}");
    }
    assert!(NOT_PROVED.iter().all(|what| all.contains(&together(what))));
    assert!(!all.contains("Ines"), "names are withheld");
}

#[test]
fn time_stamps_are_told_as_claims_beside_the_one_command_that_judges_them() {
    let record = read(&story().file_stamped(&[], &story_stamps()));
    let all = together(&pages_of(&record, Paper::A4).texts.concat());
    for told in [
        "2 time stamps said to be of CN=root,O=Moor Time Works, that the first",
        "1 time stamp said to be of CN=root,O=Dale Time Works, that the first",
        "judged by pintle verify --authority",
    ] {
        assert!(all.contains(&together(told)), "{told} in {all}");
    }
}

#[test]
fn a_file_that_is_damaged_says_so_first_and_where() {
    let mut lines = story().file(&[]);
    let at = lines.iter().position(|line| line.contains("1004.5")).expect("a reading");
    lines[at] = lines[at].replace("1004.5", "904.5");
    let record = read(&lines);
    let first = together(&pages_of(&record, Paper::A4).texts[0]);
    let failure = record.verdict.failures[0].to_string();
    assert!(first.contains("INVALID") && first.contains(&together(&failure)), "{failure} in {first}");
    assert!(first.contains(&together("failure of the check, above")), "{first}");
    let cut = read(&lines[..3]);
    assert!(together(&pages_of(&cut, Paper::Letter).texts[0]).contains("INCOMPLETE"));
}

#[test]
fn texts_of_people_are_shown_as_they_are_and_stay_on_the_page() {
    let wide = "W".repeat(120);
    let names = [
        wide.as_str(),
        "\u{5e2}\u{5d3}\u{5d4} \u{5dc}\u{5d5}\u{5d9} 12",
        "\u{6f22}\u{5b57} \u{1f69c}",
        "#read(\"x\") $y$ *z*",
    ];
    for (name, paper) in names.into_iter().zip([Paper::A4, Paper::Letter, Paper::A4, Paper::Letter]) {
        let record = read(&doubtful(name, &name.repeat(3)).file(&[]));
        let pages = pages_of(&record, paper);
        assert_eq!((pages.lacking.len(), pages.outside.len()), (0, 0), "{name}: {pages:?}");
        let all = together(&pages.texts.concat());
        let shown = name.replace('\u{6f22}', "U+6F22").replace('\u{5b57}', "U+5B57").replace('\u{1f69c}', "U+1F69C");
        for word in shown.split(' ') {
            assert!(all.matches(word).count() >= 4, "{word} in {all}");
        }
    }
}

#[test]
fn the_same_file_is_the_same_bytes_and_lies_inside() {
    let record = read(&story().file(&[]));
    let summary = Summary::of(&record);
    let file = b"the bytes of a file, whatever they are";
    let made = |paper| pdf(file, &record, &summary, paper).expect("a document");
    let paper = made(Paper::A4);
    assert_eq!(paper, made(Paper::A4));
    assert_ne!(paper, made(Paper::Letter));
    let holds = |text: &[u8]| paper.windows(text.len()).filter(|part| *part == text).count();
    assert_eq!((holds(file), holds(b"/AFRelationship/Source")), (1, 1));
    let all = together(&pages_of(&record, Paper::A4).texts.concat());
    assert!(all.contains(&Hash::of(&[b"any bytes"]).hex()), "{all}");
}

#[test]
fn a_list_that_is_cut_says_by_how_much() {
    let mut ledger = Ledger::new();
    let leaks = LIST_ROWS_MAX + 3;
    for _ in 0..leaks.div_ceil(100) {
        ledger.push_as(0, &vec![Some(EX3); 100], &mut |_| {
            said("finding_raised", json!({"sign": "leak", "urgency": "watch"}), None)
        });
    }
    let record = read(&ledger.file(&[]));
    let found = record.entries.len();
    let sections =
        rows::sections(&record, &Summary::of(&record)).into_iter().map(|s| s.to_string()).collect::<String>();
    let told = format!("{} findings more are in the file inside and not printed here.", found - LIST_ROWS_MAX);
    assert!(sections.contains(&told), "{told}");
    assert_eq!(sections.matches("finding raised").count(), found, "but every entry is there");
}
