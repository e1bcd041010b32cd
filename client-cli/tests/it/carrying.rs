//! Entries come to another device without any server, by file and by QR codes, and to the server by whoever gets there.
//!
//! What must hold each time: nothing is lost, doubled or half taken; the server needs the author's device no more.

use crate::server::Server;
use crate::stage::Stage;
use insta::assert_snapshot;
use pintle::problem::Exit;
use serde_json::Value;
use std::path::PathBuf;

fn enrolled(server: &Server, name: &str, mark: &str, seed: u64) -> Stage {
    let stage = Stage::new(name, seed);
    stage.set("COLUMNS", "100");
    stage.must(&format!("setup --mark {mark}"));
    stage.must(&format!("enrol {} 7KQF-2M9R-XW4T", server.url()));
    stage
}

/// Two devices that know each other, and a machine that both hold.
fn crew(server: &Server) -> (Stage, Stage) {
    let ines = enrolled(server, "Ines", "K7", 7);
    let wen = enrolled(server, "Wen", "R9", 99);
    ines.script(&["machine add EX3 --site \"north pit\"", "read EX3 4127.5", "sync"]);
    wen.must("sync");
    ines.must("sync");
    (ines, wen)
}

fn file(stage: &Stage, name: &str) -> PathBuf {
    stage.folder().join(name)
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).expect("JSON")
}

/// The author's device is gone for good after it wrote its file.
#[test]
fn what_was_carried_reaches_the_server_without_the_device_that_made_it() {
    let server = Server::start();
    let (ines, wen) = crew(&server);
    let stick = file(&ines, "crew.pintle");
    let out = format!("carry out {}", stick.display());
    let mut seen = ines.script(&["grease EX3 4128.0 --purge water", "found EX3 crack --point stick", &out, &out]);
    let elsewhere = file(&wen, "crew.pintle");
    std::fs::copy(&stick, &elsewhere).expect("the stick changes hands");
    let gone = json(&ines.must("--json log EX3"));
    drop(ines);
    let take = format!("carry in {}", elsewhere.display());
    seen +=
        &wen.script(&[&take, &take, "carry", "log EX3", "book EX3", "status", "sync", "carry", "log EX3", "doctor"]);
    assert_eq!(server.held(), 4);
    let log = json(&wen.must("--json log EX3"));
    let links = |log: &Value| -> Vec<Value> {
        log["entries"].as_array().expect("entries").iter().map(|entry| entry["link"].clone()).collect()
    };
    assert_eq!(links(&log), links(&gone), "all that the lost device held, as it was");
    assert!(log["entries"].as_array().expect("entries").iter().all(|entry| entry["position"].is_u64()));
    assert_snapshot!(seen.replace(&server.url(), "http://SERVER"));
}

#[test]
fn nothing_is_doubled_whoever_brings_it_first_and_nobody_is_said_not_to_have_known() {
    let server = Server::start();
    let (ines, wen) = crew(&server);
    let stick = file(&ines, "crew.pintle");
    ines.script(&["correct K7-2 reading 4128.5", "grease EX3 4129.0", &format!("carry out {}", stick.display())]);
    // Wen has read both before she speaks: what she says is known to have seen them.
    wen.must(&format!("carry in {}", stick.display()));
    wen.script(&["correct K7-2 reading 4128.0", "grease EX3 4129.1"]);
    let log = json(&wen.must("--json log EX3"));
    let heads = log["entries"].as_array().expect("entries").iter().map(|entry| &entry["entry"]["head"]);
    let named = heads.filter_map(|head| head["also_seen"].as_object());
    let also: Vec<u64> = named.flat_map(|named| named.values()).filter_map(Value::as_u64).collect();
    assert_eq!(also, [4, 4]);
    assert_eq!(wen.must("clashes"), "Nothing is disputed.\n");
    // Her phone comes to the server first; then his.
    assert!(wen.must("sync").contains("2 entries of others brought."));
    assert_eq!(server.held(), 6);
    let told = ines.must("sync");
    assert_eq!(server.held(), 6, "his device offers them again, and they are held already");
    assert!(told.contains("2 sent, 2 received"), "{told}");
    wen.must("sync");
    for line in ["--json book EX3", "--json log EX3", "clashes"] {
        assert_eq!(ines.must(line), wen.must(line), "{line}");
    }
    assert_eq!(wen.must("clashes"), "Nothing is disputed.\n");
    assert!(wen.must("carry").starts_with("Nothing that came by carry waits"));
    assert!(json(&wen.must(&format!("--json carry in {}", stick.display())))["known"] == 2);
    for stage in [&ines, &wen] {
        assert!(stage.must("doctor").contains("All sound."));
    }
}

#[test]
fn it_goes_on_from_hand_to_hand() {
    let server = Server::start();
    let (ines, wen) = crew(&server);
    let marek = enrolled(&server, "Marek", "T2", 1234);
    marek.must("sync");
    wen.must("sync");
    ines.script(&["grease EX3", "fuel EX3 120"]);
    wen.script(&["note EX3 left pin is dry"]);
    let (first, second) = (file(&ines, "a.pintle"), file(&wen, "b.pintle"));
    ines.must(&format!("carry out {}", first.display()));
    wen.must(&format!("carry in {}", first.display()));
    let out = json(&wen.must(&format!("--json carry out {}", second.display())));
    assert_eq!((&out["entries"], &out["logs"]), (&3.into(), &2.into()));
    let taken = json(&marek.must(&format!("--json carry in {}", second.display())));
    assert_eq!((&taken["entries"], &taken["known"]), (&3.into(), &0.into()));
    let told = marek.must("sync");
    assert!(told.contains("3 entries of others brought."), "{told}");
    assert_eq!(server.held(), 5);
    for stage in [&ines, &wen] {
        stage.must("sync");
    }
    assert_eq!(server.held(), 5);
    marek.must("sync");
    assert_eq!(ines.must("--json log EX3"), marek.must("--json log EX3"));
}

/// Every byte of a file matters: cut anywhere, changed anywhere, lines moved, it is refused, and nothing of it is taken.
#[test]
fn a_file_that_is_not_whole_is_refused_and_nothing_of_it_is_taken() {
    let server = Server::start();
    let (ines, wen) = crew(&server);
    let stick = file(&ines, "crew.pintle");
    ines.script(&["grease EX3", "note EX3 left pin is dry", &format!("carry out {}", stick.display())]);
    let whole = std::fs::read(&stick).expect("the file");
    let before = wen.must("--json log EX3");
    let bad = file(&wen, "bad.pintle");
    let refused = |bytes: &[u8], what: &str| {
        std::fs::write(&bad, bytes).expect("writes");
        let ran = wen.run(&format!("--json carry in {}", bad.display()));
        assert_eq!(ran.exit, Exit::NotDone, "{what}: {}", ran.out);
        let problem = json(&ran.err)["problem"].clone();
        assert_eq!(problem["code"], "carry-refused", "{what}: {problem}");
        assert!(problem["sentence"].as_str().expect("a sentence").contains("nothing of it was taken"), "{problem}");
        problem["sentence"].as_str().expect("a sentence").to_owned()
    };
    for cut in (0..whole.len()).step_by(whole.len() / 60) {
        refused(&whole[..cut], &format!("cut after {cut}"));
    }
    for at in (0..whole.len()).step_by(whole.len() / 60) {
        let mut changed = whole.clone();
        changed[at] ^= 1;
        refused(&changed, &format!("byte {at}"));
    }
    let lines: Vec<&str> = std::str::from_utf8(&whole).expect("text").lines().collect();
    let mut moved = lines.clone();
    moved.swap(1, 2);
    assert!(refused((moved.join("\n") + "\n").as_bytes(), "moved").contains("out of order"));
    let mut doubled = lines.clone();
    doubled.insert(1, lines[1]);
    refused((doubled.join("\n") + "\n").as_bytes(), "doubled");
    refused(b"", "empty");
    refused(&vec![b'{'; 100_000], "deep");
    refused(b"PINTLE1:AAAAAAAA:1/1:AA", "codes of nothing");
    assert_eq!(wen.must("--json log EX3"), before, "nothing was taken");
    assert!(wen.must("carry").starts_with("Nothing that came by carry waits"));
}

/// Someone writes a file anew, with a right end, around what they changed: the seal tells.
#[test]
fn a_file_written_anew_around_a_change_is_refused_by_its_seal() {
    use pintle_core::carry::Bundle;
    use pintle_core::entry::Entry;
    use pintle_core::ids::OrganisationId;
    let server = Server::start();
    let (ines, wen) = crew(&server);
    let stick = file(&ines, "crew.pintle");
    ines.script(&["grease EX3", "note EX3 left pin is dry", &format!("carry out {}", stick.display())]);
    let honest = Bundle::read(&std::fs::read(&stick).expect("the file")).expect("whole");
    let bad = file(&wen, "bad.pintle");
    let said = |bundle: &Bundle| {
        std::fs::write(&bad, bundle.write().expect("bytes")).expect("writes");
        let ran = wen.run(&format!("--json carry in {}", bad.display()));
        (ran.exit, ran.out + &ran.err)
    };
    let mut altered = honest.clone();
    let mut value = serde_json::to_value(&altered.runs[0].push.entries[1]).expect("JSON");
    value["words"]["text"] = "left pin is greased".into();
    altered.runs[0].push.entries[1] = Entry::from_value(value).expect("an entry");
    let (exit, told) = said(&altered);
    assert!(exit == Exit::NotDone && told.contains("was changed since its devices sealed it"), "{told}");
    let mut shortened = honest.clone();
    shortened.runs[0].push.entries.pop();
    assert!(said(&shortened).1.contains("was changed since"));
    let mut renumbered = honest.clone();
    renumbered.runs[0].push.entries.remove(0);
    assert!(said(&renumbered).1.contains("carry-refused"));
    let mut of_another = honest.clone();
    of_another.runs[0].device = pintle_core::DeviceId([7; 16]);
    let (exit, told) = said(&of_another);
    assert_eq!((exit, &json(&told)["entries"]), (Exit::Done, &0.into()), "nobody knows that device: {told}");
    assert_eq!(json(&told)["unknown"][0]["entries"], 2);
    let mut elsewhere = honest.clone();
    elsewhere.organisation = OrganisationId([4; 16]);
    assert!(said(&elsewhere).1.contains("another organisation"));
    assert_eq!(json(&wen.must("--json status"))["carried"], 0);
    // With one run that is good and one that is not, neither is taken.
    let mut half = honest.clone();
    half.runs.push(altered.runs[0].clone());
    assert!(said(&half).1.contains("carry-refused"));
    assert_eq!(json(&wen.must("--json status"))["carried"], 0);
    assert_eq!(said(&honest).0, Exit::Done);
    assert_eq!(json(&wen.must("--json status"))["carried"], 2);
}

/// What another library's reader sees on a screen.
fn scanned(shown: &str) -> Vec<String> {
    const PIXELS: usize = 4;
    // A line of a code is drawn with these alone; its quiet zone is all white.
    let is_code = |line: &&str| !line.is_empty() && line.chars().all(|c| "█▀▄ ".contains(c));
    let mut texts = Vec::new();
    let mut code: Vec<Vec<char>> = Vec::new();
    for line in shown.lines().chain([""]) {
        if is_code(&line) {
            code.push(line.chars().collect());
            continue;
        }
        if let Some(first) = code.first() {
            let dark = |x: usize, y: usize| {
                let drawn = code.get(y / 2).and_then(|row| row.get(x));
                matches!((drawn, y % 2), (Some('█'), _) | (Some('▀'), 0) | (Some('▄'), 1))
            };
            let side = first.len() * PIXELS;
            let mut seen = rqrr::PreparedImage::prepare_from_bitmap(side, side, |x, y| dark(x / PIXELS, y / PIXELS));
            texts.push(seen.detect_grids().first().expect("a code").decode().expect("a text").1);
            code.clear();
        }
    }
    texts
}

#[test]
fn one_entry_goes_over_by_camera_on_screens_of_every_width() {
    let server = Server::start();
    for (columns, codes_max) in [("40", 16), ("60", 5), ("80", 4)] {
        let (ines, wen) = crew(&server);
        ines.set("COLUMNS", columns);
        ines.must("note EX3 left pin is dry, the grease fitting is broken off");
        let shown = ines.must("carry qr");
        let width: usize = columns.parse().expect("a number");
        assert!(shown.lines().all(|line| line.chars().count() <= width), "{shown}");
        let mut texts = scanned(&shown);
        assert!(!texts.is_empty() && texts.len() <= codes_max, "{} codes at {columns}", texts.len());
        let all = json(&ines.must("--json carry qr"))["codes"].clone();
        assert_eq!(serde_json::to_value(&texts).expect("JSON"), all);
        texts.reverse();
        let typed = file(&wen, "scanned.txt");
        std::fs::write(&typed, texts.join("\r\n")).expect("writes");
        let taken = json(&wen.must(&format!("--json carry in --text {}", typed.display())));
        assert_eq!((&taken["entries"], &taken["apart"]), (&1.into(), &Value::Array(vec![])));
        assert!(wen.must("log EX3").contains("the grease fitting is broken off"));
        std::fs::write(&typed, texts[1..].join("\n")).expect("writes");
        let ran = wen.run(&format!("carry in --text {}", typed.display()));
        assert!(ran.exit == Exit::NotDone && ran.err.contains("codes that are missing"), "{}", ran.err);
    }
}

#[test]
fn two_copies_that_meet_by_carry_are_both_kept() {
    let server = Server::start();
    let (ines, wen) = crew(&server);
    let copy = file(&wen, "copy");
    copy_folder(&ines.home(), &copy);
    let (first, second) = (file(&wen, "first.pintle"), file(&wen, "second.pintle"));
    ines.script(&["grease EX3", "fuel EX3 120", &format!("carry out {}", first.display())]);
    std::fs::remove_dir_all(ines.home()).expect("away");
    copy_folder(&copy, &ines.home());
    ines.script(&["found EX3 crack", &format!("carry out {}", second.display())]);
    wen.must(&format!("carry in {}", first.display()));
    let told = wen.must(&format!("carry in {}", second.display()));
    assert!(told.contains("From K7-3 on it contradicts what is here"), "{told}");
    let synced = wen.must("sync");
    assert!(synced.contains("What came by carry contradicts the log from a device's entry 3 on"), "{synced}");
    assert_eq!(server.held(), 4, "one branch in the ledger, the other is the server's to keep");
    assert!(wen.must("carry").starts_with("Nothing that came by carry waits"));
    assert!(wen.must("doctor").contains("All sound."));
}

fn copy_folder(from: &std::path::Path, to: &std::path::Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for item in std::fs::read_dir(from).expect("a folder") {
        let item = item.expect("a file");
        std::fs::copy(item.path(), to.join(item.file_name())).expect("copies");
    }
}
