//! Service histories: written, verified, withheld, and damaged in every way at every place.
//!
//! Promises: no damage passes as valid but to what the format calls a claim; an entry that was changed is named.

use crate::history_world::{BEGIN_S, Ledger, epoch_keys, pin, story};
use pintle_core::chain::DeviceKey;
use pintle_core::history::verdict::{Code, Standing, Verdict};
use pintle_core::history::verify::Verifier;
use pintle_core::ids::PublicKey;
use serde_json::{Value, json};

pub fn judged_by<'a>(pin: Option<PublicKey>, lines: impl IntoIterator<Item = &'a String>) -> Verdict {
    let mut verifier = Verifier::new(pin);
    lines.into_iter().for_each(|line| verifier.line(line.as_bytes()));
    verifier.finish()
}

pub fn judged<'a>(lines: impl IntoIterator<Item = &'a String>) -> Verdict {
    judged_by(Some(pin()), lines)
}

pub fn codes(verdict: &Verdict) -> Vec<Code> {
    verdict.failures.iter().map(|failure| failure.code).collect()
}

pub fn told(verdict: &Verdict) -> String {
    verdict.failures.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

pub fn value(line: &str) -> Value {
    serde_json::from_str(line).expect("JSON")
}

/// Where the lines of a kind stand.
pub fn places(lines: &[String], kind: &str) -> Vec<usize> {
    (0..lines.len()).filter(|at| lines[*at].starts_with(&format!("{{\"{kind}\""))).collect()
}

/// The name of the entry on each line; none for lines that are none.
pub fn names(lines: &[String]) -> Vec<Option<String>> {
    let mut seq = 0;
    let mut mark = String::new();
    lines
        .iter()
        .map(|line| {
            let line = value(line);
            if let Some(batch) = line.get("batch") {
                mark =
                    ["K7", "M2"][usize::try_from(batch["device"].as_u64().expect("an index")).expect("small")].into();
                seq = batch["first"].as_u64().expect("a number") - 1;
            }
            let is_entry = line.get("entry").is_some() || line.get("other").is_some();
            seq += u64::from(is_entry);
            is_entry.then(|| format!("{mark}-{seq}"))
        })
        .collect()
}

#[test]
fn a_good_file_is_valid_under_its_first_and_its_newest_key() {
    let lines = story().file(&[]);
    let [first, newest] = epoch_keys().map(|key| key.public());
    for key in [first, newest] {
        let verdict = judged_by(Some(key), &lines);
        assert_eq!((verdict.standing, told(&verdict)), (Standing::Valid, String::new()));
    }
    let about = judged(&lines).about;
    assert_eq!((about.entries, about.devices, about.aside, about.ahead), (9, 2, 0, 0));
    assert_eq!(about.organisation, "Valley crews");
    assert_eq!(about.signer, Some(newest.to_string()));
    assert_eq!(about.witnesses.len(), 1);
    let last = u64::try_from(BEGIN_S).expect("after 1970") + 6 * 3600 + 5;
    assert_eq!(about.witnesses[0].time_s, last, "the witness had it by then");
    let (gap_s, entry) = about.longest_gap.expect("there are entries");
    assert_eq!((gap_s, entry.as_str()), (1800, "K7-1"), "half an hour from the claim to the receipt");
    // Without a key to compare with nothing is said about who signed it.
    let verdict = judged_by(None, &lines);
    assert_eq!((verdict.standing, told(&verdict)), (Standing::CannotJudge, String::new()));
    let other = DeviceKey::from_secret(&[0x44; 32]).public();
    let verdict = judged_by(Some(other), &lines);
    assert_eq!((verdict.standing, codes(&verdict)), (Standing::Invalid, vec![Code::UnknownSigner]));
}

#[test]
fn what_is_withheld_is_gone_and_all_else_is_still_proved() {
    let ledger = story();
    let lines = ledger.file(&["words", "office", "names"]);
    let text = lines.join("\n");
    assert!(!text.contains("note 3") && !text.contains("120.00") && !text.contains("Ines"), "{text}");
    let verdict = judged(&lines);
    assert_eq!((verdict.standing, told(&verdict)), (Standing::Valid, String::new()));
    assert_eq!(verdict.about.withheld, ["names", "office", "words"]);
    assert!(verdict.about.with_withheld >= 3, "{:?}", verdict.about);
    assert!(ledger.file(&[]).join("\n").contains("120.00"));
    // Other machines' entries never stand there, withheld or not.
    let foreign = places(&lines, "other").len();
    assert!(foreign >= 4);
    assert!(!text.contains(&crate::history_world::EX4.to_string()));
}

/// A changed value anywhere is noticed, and where it is an entry's, the entry is named.
#[test]
fn every_field_changed_is_noticed_and_every_entry_named() {
    let lines = story().file(&["office"]);
    let names = names(&lines);
    let mut changed = 0;
    for at in 0..lines.len() {
        let whole = value(&lines[at]);
        for pointer in leaves(&whole, "") {
            // Claims that nothing proves, and the list says so.
            let unproved = [
                "/history/made_ms",
                "/history/organisation/name",
                "/history/withheld/0",
                "/person/",
                "/device/mark",
                "/device/person",
            ];
            if unproved.iter().any(|claim| pointer.starts_with(claim)) {
                continue;
            }
            let mut bent = whole.clone();
            bend(bent.pointer_mut(&pointer).expect("it is there"));
            let mut file = lines.clone();
            file[at] = bent.to_string();
            let verdict = judged(&file);
            let expected = match pointer.as_str() {
                // A batch that says that it is longer: what it says is missing.
                "/batch/to" | "/end/entries" | "/end/lines" => Standing::Incomplete,
                _ => Standing::Invalid,
            };
            assert_eq!(verdict.standing, expected, "line {} {pointer}: {}", at + 1, told(&verdict));
            if let Some(name) = &names[at] {
                let (mark, seq) = name.split_once('-').expect("a name");
                let next = format!("{mark}-{}", seq.parse::<u64>().expect("a number") + 1);
                let told = told(&verdict);
                assert!(told.contains(name.as_str()) || told.contains(&next), "{name} {pointer}: {told}");
                assert!(verdict.failures.len() <= 4, "the rest is not blamed: {told}");
            }
            changed += 1;
        }
    }
    assert!(changed > 150, "{changed}");
}

pub fn leaves(value: &Value, pointer: &str) -> Vec<String> {
    match value {
        Value::Object(map) => map.iter().flat_map(|(key, value)| leaves(value, &format!("{pointer}/{key}"))).collect(),
        Value::Array(list) => {
            list.iter().enumerate().flat_map(|(at, value)| leaves(value, &format!("{pointer}/{at}"))).collect()
        }
        _ => vec![pointer.to_owned()],
    }
}

pub fn bend(value: &mut Value) {
    *value = match value.take() {
        Value::Number(number) => json!(number.as_i64().expect("whole") + 1),
        Value::String(text) => {
            // The last characters of base64 have spare bits: one in the middle is changed to another of the alphabet.
            let middle = text.len() / 2;
            let other = if &text[middle..=middle] == "A" { "B" } else { "A" };
            json!(format!("{}{other}{}", &text[..middle], &text[middle + 1..]))
        }
        Value::Bool(held) => json!(!held),
        other => other,
    };
}

#[test]
fn every_line_that_is_missing_doubled_or_moved_is_noticed() {
    let lines = story().file(&[]);
    for at in 0..lines.len() {
        if lines[at].starts_with("{\"person\"") {
            continue;
        }
        let mut file = lines.clone();
        file.remove(at);
        let verdict = judged(&file);
        assert!(verdict.standing >= Standing::Incomplete, "without line {}: {}", at + 1, told(&verdict));
        let mut file = lines.clone();
        file.insert(at, lines[at].clone());
        let verdict = judged(&file);
        assert_eq!(verdict.standing, Standing::Invalid, "line {} twice: {}", at + 1, told(&verdict));
        if at + 1 < lines.len() && !lines[at + 1].starts_with("{\"person\"") {
            let mut file = lines.clone();
            file.swap(at, at + 1);
            let verdict = judged(&file);
            assert_eq!(verdict.standing, Standing::Invalid, "lines {} and {}: {}", at + 1, at + 2, told(&verdict));
        }
        let cut = judged(&lines[..at]);
        assert_eq!(cut.standing, Standing::Incomplete, "cut before line {}: {}", at + 1, told(&cut));
        assert!(codes(&cut).contains(&Code::FileCut));
    }
}

/// The lines of one batch and its entries.
fn batches(lines: &[String]) -> Vec<std::ops::Range<usize>> {
    let starts = places(lines, "batch");
    let ends = starts.iter().skip(1).copied().chain([lines.len() - 1]);
    starts.iter().copied().zip(ends).map(|(start, end)| start..end).collect()
}

#[test]
fn batches_left_out_moved_or_taken_from_another_device_are_named() {
    let lines = story().file(&[]);
    let batches = batches(&lines);
    assert_eq!(batches.len(), 5);
    // The middle of K7's log about this machine.
    let mut file = lines.clone();
    file.drain(batches[2].clone());
    let verdict = judged(&file);
    assert_eq!(verdict.standing, Standing::Incomplete, "{}", told(&verdict));
    assert!(
        told(&verdict).contains("2 of K7's entries about this machine are missing between K7-4 and K7-10"),
        "{}",
        told(&verdict)
    );
    // The tail, with an end that hides it.
    let mut file = lines.clone();
    file.drain(batches[4].clone());
    let end = file.len() - 1;
    file[end] = json!({"end": {"entries": 8, "lines": file.len()}}).to_string();
    let verdict = judged(&file);
    assert_eq!((verdict.standing, codes(&verdict)), (Standing::Incomplete, vec![Code::EntriesMissing]));
    assert!(told(&verdict).contains("1 of the machine's 9 entries are missing in all"), "{}", told(&verdict));
    // Two batches in the other order.
    let mut file = lines[..batches[0].start].to_vec();
    for batch in [0, 1, 3, 2, 4] {
        file.extend_from_slice(&lines[batches[batch].clone()]);
    }
    file.push(lines[lines.len() - 1].clone());
    let verdict = judged(&file);
    assert_eq!((verdict.standing, codes(&verdict)), (Standing::Invalid, vec![Code::BatchAltered]));
    assert!(told(&verdict).contains("M2-6 to M2-6"), "{}", told(&verdict));
    // In another device's name.
    for batch in &batches {
        let mut file = lines.clone();
        let mut bent = value(&lines[batch.start]);
        bent["batch"]["device"] = json!(1 - bent["batch"]["device"].as_u64().expect("an index"));
        file[batch.start] = bent.to_string();
        let verdict = judged(&file);
        // The other device has not been named yet before the first batch of it.
        let is_first = batch.start == batches[0].start;
        let expected = if is_first { Code::DamagedLine } else { Code::SealFalse };
        assert!(codes(&verdict).contains(&expected), "{}", told(&verdict));
    }
}

#[test]
fn an_older_checkpoint_does_not_pass_for_a_newer_one() {
    let (mut ledger, before) = (story(), story().file(&[]));
    ledger.push(0, &[Some(crate::history_world::EX3)]);
    let after = ledger.file(&[]);
    // The checkpoint of before over the entries of now: more entries than it counts.
    let mut file = after.clone();
    file[2] = before[2].clone();
    assert!(codes(&judged(&file)).contains(&Code::EntriesAdded));
    // And the newer checkpoint over the entries of before.
    let mut file = before.clone();
    file[2] = after[2].clone();
    assert_eq!((judged(&file).standing, codes(&judged(&file))), (Standing::Incomplete, vec![Code::EntriesMissing]));
    // Only its roll: it is not under the other checkpoint.
    let mut bent = value(&after[2]);
    bent["checkpoint"]["roll"] = value(&before[2])["checkpoint"]["roll"].clone();
    file = after.clone();
    file[2] = bent.to_string();
    assert!(codes(&judged(&file)).contains(&Code::RollNotProved));
}

#[test]
fn an_entry_of_another_machine_or_file_is_not_taken_in() {
    let lines = story().file(&[]);
    let mut other = Ledger::new();
    other.push(0, &[Some(crate::history_world::EX3), Some(crate::history_world::EX3)]);
    let names = names(&lines);
    for at in places(&lines, "entry") {
        let mut bent = value(&lines[at]);
        bent["entry"]["head"]["machine"] = json!(crate::history_world::EX4.to_string());
        let mut file = lines.clone();
        file[at] = bent.to_string();
        let verdict = judged(&file);
        let name = names[at].as_deref().expect("an entry");
        assert!(codes(&verdict).contains(&Code::EntryMisplaced), "{}", told(&verdict));
        assert!(told(&verdict).contains(name), "{name}: {}", told(&verdict));
    }
    // A machine's own lines under another machine's name.
    let mut file = lines.clone();
    file[0] = lines[0].replace(&crate::history_world::EX3.to_string(), &crate::history_world::EX4.to_string());
    let verdict = judged(&file);
    assert!(codes(&verdict).contains(&Code::CountNotProved), "{}", told(&verdict));
}

#[test]
fn hostile_bytes_get_an_answer() {
    let lines = story().file(&[]);
    let long = "x".repeat(pintle_core::history::LINE_BYTES_MAX + 1);
    for bad in ["", "{", "[]", "null", "{\"end\":{}}", "\u{feff}{}", "{\"history\":1,\"history\":2}", &long] {
        for at in 0..lines.len() {
            let mut file = lines.clone();
            file[at] = bad.to_owned();
            assert_eq!(judged(&file).standing, Standing::Invalid, "{} at line {}", &bad[..bad.len().min(20)], at + 1);
        }
    }
    assert_eq!(judged(&Vec::<String>::new()).standing, Standing::Incomplete);
    let newer = lines[0].replacen("\"v\":1", "\"v\":3", 1);
    let verdict = judged([&newer].into_iter().chain(&lines[1..]));
    assert_eq!((verdict.standing, codes(&verdict)), (Standing::CannotJudge, vec![Code::UnknownVersion]));
    // Bits at random places: never a panic, never valid but where they hit what nothing proves.
    let text = lines.join("\n");
    for at in (0..text.len()).step_by(29) {
        let mut bytes = text.clone().into_bytes();
        bytes[at] ^= 1 << (at % 7);
        let mut verifier = Verifier::new(Some(pin()));
        bytes.split(|byte| *byte == b'\n').for_each(|line| verifier.line(line));
        let line = text.as_bytes()[..at].iter().filter(|byte| **byte == b'\n').count();
        let unproved = line == 0 || lines[line].starts_with("{\"device\"") || lines[line].starts_with("{\"person\"");
        assert!(verifier.finish().standing != Standing::Valid || unproved, "byte {at} of line {}", line + 1);
    }
}
