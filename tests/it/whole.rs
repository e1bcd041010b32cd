//! The whole, with real programs: two devices and a server, and a server that is killed while they sync.
//!
//! Promises: what is compared is what people see, `pintle … --json`, to the byte; a round in which nothing was hit is
//! not counted as one.

use pintle_tests::demo::scenario::Crew;
use pintle_tests::demo::stage::{Ran, Setting, Stage, ran};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;

/// Rounds of the killing test; the delays of a round grow with its number.
const KILL_ROUNDS: u32 = 40;
/// Least rounds in which the kill must have come between request and answer, or the test has shown nothing.
const KILLS_MIN: usize = 5;

/// The folder with the programs that were built together with this test.
pub fn programs() -> PathBuf {
    let test = std::env::current_exe().expect("a test has a file");
    test.ancestors().nth(2).expect("target/debug/deps/it").to_owned()
}

pub fn setting(crew: Crew, second: u32) -> Setting {
    Setting {
        clock: format!("2026-05-04T{:02}:{:02}:{:02}+02:00", 6 + second / 3600, second / 60 % 60, second % 60),
        boot: format!("{}:{}", crew.mark(), 5000 + second),
    }
}

/// A server and devices in a folder of their own.
pub struct House {
    pub stage: Stage,
    pub second: u32,
    _folder: tempfile::TempDir,
}

impl House {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let stage = Stage::new(folder.path().join("stage"), programs()).expect("a stage");
        stage.server_clock(Some("2026-05-04T12:00:00+02:00")).expect("a clock");
        Self { stage, second: 0, _folder: folder }
    }

    pub fn must(&mut self, crew: Crew, arguments: &[&str]) -> String {
        self.second += 1;
        self.stage.must(crew, &setting(crew, self.second), arguments).expect("it succeeds").stdout
    }

    /// Whatever comes of it.
    pub fn try_run(&mut self, crew: Crew, arguments: &[&str]) -> Ran {
        self.second += 1;
        let arguments: Vec<String> = arguments.iter().map(|word| (*word).to_owned()).collect();
        self.stage.pintle(crew, &setting(crew, self.second), &arguments).expect("it runs")
    }

    pub fn enrol_all(&mut self, crews: &[Crew]) {
        for (n, crew) in crews.iter().enumerate() {
            self.must(*crew, &["setup", "--name", crew.owner(), "--mark", crew.mark()]);
            let code = if n == 0 { self.stage.first_code() } else { self.stage.another_code() }.expect("a code");
            let url = self.stage.url();
            self.must(*crew, &["enrol", &url, &code]);
        }
    }

    pub fn json(&mut self, crew: Crew, arguments: &[&str]) -> (Value, String) {
        let at = setting(crew, self.second);
        self.stage.json(crew, &at, arguments).expect("JSON")
    }
}

#[test]
fn two_devices_and_a_server_end_with_the_same_book_to_the_byte() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7, Crew::M4]);
    house.must(Crew::K7, &["machine", "add", "EX3", "--model", "tracked excavator"]);
    house.must(Crew::K7, &["sync"]);
    house.must(Crew::M4, &["sync"]);
    // Offline on both.
    house.must(Crew::K7, &["grease", "EX3", "4127.5", "--skip", "boom foot: under mud"]);
    house.must(Crew::M4, &["found", "EX3", "squeak", "--point", "stick"]);
    house.must(Crew::K7, &["note", "EX3", "left mirror loose", "--handover"]);
    house.must(Crew::M4, &["fuel", "EX3", "120"]);
    for crew in [Crew::K7, Crew::M4, Crew::K7] {
        house.must(crew, &["sync"]);
    }
    let (book, bytes) = house.json(Crew::K7, &["book", "EX3"]);
    assert_eq!(bytes, house.json(Crew::M4, &["book", "EX3"]).1);
    assert_eq!(book.pointer("/book/counts/entries"), Some(&Value::from(5)), "{book}");
    assert_eq!(house.json(Crew::K7, &["log", "EX3"]).1, house.json(Crew::M4, &["log", "EX3"]).1);
    assert_eq!(house.json(Crew::K7, &["clashes"]).1, house.json(Crew::M4, &["clashes"]).1);
}

/// A device at one site holds the machines that are there, says so of the others, and has all of one that is driven over.
#[test]
fn a_device_of_one_site_holds_what_works_there() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7, Crew::M4]);
    house.must(Crew::K7, &["machine", "add", "EX3", "--site", "north pit"]);
    house.must(Crew::K7, &["machine", "add", "TR9", "--site", "mill"]);
    house.must(Crew::K7, &["sync"]);
    house.must(Crew::M4, &["hold", "--site", "north pit"]);
    house.must(Crew::M4, &["sync"]);
    // What was there is known; of TR9 this device has never heard.
    let names = |house: &mut House| -> BTreeSet<String> {
        let (list, _) = house.json(Crew::M4, &["machines"]);
        let name = |machine: &Value| machine["name"].as_str().expect("a name").to_owned();
        list["machines"].as_array().expect("a list").iter().map(name).collect()
    };
    assert_eq!(names(&mut house), ["EX3".to_owned()].into());
    house.must(Crew::K7, &["read", "TR9", "812.5"]);
    house.must(Crew::K7, &["read", "EX3", "4127.5"]);
    for crew in [Crew::K7, Crew::M4] {
        house.must(crew, &["sync"]);
    }
    assert_eq!(house.json(Crew::K7, &["book", "EX3"]).1, house.json(Crew::M4, &["book", "EX3"]).1);
    // It is driven over: all of it comes, from its first day.
    house.must(Crew::K7, &["machine", "change", "TR9", "--site", "North Pit"]);
    for crew in [Crew::K7, Crew::M4] {
        house.must(crew, &["sync"]);
    }
    assert_eq!(names(&mut house), ["EX3".to_owned(), "TR9".to_owned()].into());
    assert_eq!(house.json(Crew::K7, &["book", "TR9"]).1, house.json(Crew::M4, &["book", "TR9"]).1);
    // And away again: what is here stays, and is not taken for all there is.
    house.must(Crew::K7, &["machine", "change", "TR9", "--site", "mill"]);
    house.must(Crew::K7, &["found", "TR9", "crack", "--point", "drawbar"]);
    for crew in [Crew::K7, Crew::M4] {
        house.must(crew, &["sync"]);
    }
    let (book, _) = house.json(Crew::M4, &["book", "TR9"]);
    assert_eq!((&book["held"], book.pointer("/book/counts/entries")), (&Value::Bool(false), Some(&Value::from(3))));
    let told = house.must(Crew::M4, &["handover", "TR9"]);
    assert!(told.contains("not held here"), "{told}");
    // By name, and all again.
    house.must(Crew::M4, &["hold", "TR9", "--site", "north pit"]);
    house.must(Crew::M4, &["sync"]);
    assert_eq!(house.json(Crew::K7, &["book", "TR9"]).1, house.json(Crew::M4, &["book", "TR9"]).1);
    house.must(Crew::M4, &["hold", "all"]);
    house.must(Crew::M4, &["sync"]);
    let (found, _) = house.json(Crew::M4, &["doctor"]);
    assert_eq!(found["faults"], Value::Array(Vec::new()), "{found}");
    assert_eq!(house.json(Crew::K7, &["due"]).1, house.json(Crew::M4, &["due"]).1);
}

/// Kills the server at moments spread over the length of an exchange, starts it again, and syncs until all is in.
#[test]
fn a_server_killed_during_sync_loses_and_doubles_nothing() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    let crews = [Crew::K7, Crew::M4];
    house.enrol_all(&crews);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    house.must(Crew::K7, &["sync"]);
    house.must(Crew::M4, &["sync"]);
    let mut recorded = 1;
    let mut hit = 0;
    for round in 0..KILL_ROUNDS {
        let crew = crews[(round % 2) as usize];
        house.must(crew, &["note", "EX3", &format!("note {round}")]);
        recorded += 1;
        house.second += 1;
        let at = setting(crew, house.second);
        let sync = house.stage.start_pintle(crew, &at, &["sync".to_owned()]).expect("it starts");
        std::thread::park_timeout(Duration::from_micros(u64::from(round) * 700));
        house.stage.kill_server().expect("killed");
        // The device gives up by itself: what it has is kept.
        hit += usize::from(ran(&sync.wait_with_output().expect("its output")).code == 75);
        house.stage.start_server("Valley crews").expect("the server again");
        if round % 4 == 3 {
            house.must(crew, &["sync"]);
        }
    }
    assert!(hit >= KILLS_MIN, "only {hit} of {KILL_ROUNDS} kills came before the answer");
    for crew in [Crew::K7, Crew::M4, Crew::K7] {
        house.must(crew, &["sync"]);
    }
    let (book, bytes) = house.json(Crew::K7, &["book", "EX3"]);
    assert_eq!(book.pointer("/book/counts/entries"), Some(&Value::from(recorded)));
    assert_eq!(bytes, house.json(Crew::M4, &["book", "EX3"]).1);
    for crew in crews {
        let (found, _) = house.json(crew, &["doctor"]);
        assert_eq!(found["faults"], Value::Array(Vec::new()), "{found}");
        assert_eq!(found["logs"], Value::from(3), "both devices' and the server's own: {found}");
    }
}

/// The operator puts yesterday's copy of the database back and tells nobody: the devices fill it again by themselves.
#[test]
fn a_server_put_back_to_an_older_copy_is_filled_again_by_the_devices() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    let crews = [Crew::K7, Crew::M4];
    house.enrol_all(&crews);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    let sync_all = |house: &mut House| {
        for crew in [Crew::K7, Crew::M4, Crew::K7] {
            house.must(crew, &["sync"]);
        }
    };
    sync_all(&mut house);
    house.stage.kill_server().expect("stopped");
    let files = |folder: &std::path::Path| {
        let all = std::fs::read_dir(folder).expect("a folder").map(|file| file.expect("a file").path());
        let of_ledger = |path: &PathBuf| path.file_name().is_some_and(|n| n.to_string_lossy().starts_with("ledger.db"));
        all.filter(of_ledger).collect::<Vec<_>>()
    };
    let folder = house.stage.folder().to_owned();
    let copy = folder.join("yesterday");
    std::fs::create_dir(&copy).expect("a folder");
    for file in files(&folder) {
        std::fs::copy(&file, copy.join(file.file_name().expect("a name"))).expect("copied");
    }
    house.stage.start_server("Valley crews").expect("a server");
    house.must(Crew::K7, &["grease", "EX3", "4127.5"]);
    house.must(Crew::M4, &["fuel", "EX3", "120"]);
    sync_all(&mut house);
    house.stage.kill_server().expect("stopped");
    for file in files(&folder) {
        std::fs::remove_file(file).expect("removed");
    }
    for file in files(&copy) {
        std::fs::copy(&file, folder.join(file.file_name().expect("a name"))).expect("put back");
    }
    house.stage.start_server("Valley crews").expect("a server");
    // Positions that both devices had seen are taken by another entry first.
    house.must(Crew::M4, &["note", "EX3", "after the copy"]);
    house.must(Crew::M4, &["sync"]);
    sync_all(&mut house);
    house.must(Crew::M4, &["sync"]);
    let (book, bytes) = house.json(Crew::K7, &["book", "EX3"]);
    assert_eq!(bytes, house.json(Crew::M4, &["book", "EX3"]).1);
    assert_eq!(book.pointer("/book/counts/entries"), Some(&Value::from(4)), "{book}");
    for crew in crews {
        let (status, _) = house.json(crew, &["status"]);
        assert_eq!(status.pointer("/waiting"), Some(&Value::from(0)), "{status}");
    }
}

/// The owner lets a device in, renames it, shows a machine to an outsider, and revokes the device again.
#[test]
fn an_owner_lets_in_renames_shows_and_revokes() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7]);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    house.must(Crew::K7, &["sync"]);
    house.must(Crew::M4, &["setup", "--name", Crew::M4.owner(), "--mark", "M4"]);
    let (made, _) = house.json(Crew::K7, &["devices", "code", "--role", "crew"]);
    // What a camera reads is enough to enrol.
    let scanned = made["scan"].as_str().expect("what is scanned").to_owned();
    house.must(Crew::M4, &["enrol", &scanned]);
    house.must(Crew::M4, &["sync"]);
    let refused = |house: &mut House, crew: Crew, words: &[&str]| {
        house.second += 1;
        let words: Vec<String> = words.iter().map(|word| (*word).to_owned()).collect();
        let run = house.stage.start_pintle(crew, &setting(crew, house.second), &words).expect("it starts");
        ran(&run.wait_with_output().expect("its output"))
    };
    let crew = refused(&mut house, Crew::M4, &["devices"]);
    assert_eq!(crew.code, 4, "{}", crew.stderr);
    let said = crew.stderr.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("Your role may not do this"), "{said}");

    house.must(Crew::K7, &["devices", "rename", "M4", "M5"]);
    let (shared, _) = house.json(Crew::K7, &["share", "EX3", "--days", "2"]);
    assert!(shared["link"].as_str().expect("a link").starts_with(&house.stage.url()), "{shared}");
    house.must(Crew::K7, &["devices", "revoke", "M5"]);
    house.must(Crew::M4, &["note", "EX3", "still here"]);
    let revoked = refused(&mut house, Crew::M4, &["sync"]);
    assert_eq!(revoked.code, 4, "{}", revoked.stderr);

    let (listed, _) = house.json(Crew::K7, &["devices"]);
    let marks: Vec<_> =
        listed["devices"].as_array().expect("devices").iter().map(|d| (&d["mark"], &d["revoked"])).collect();
    assert_eq!(format!("{marks:?}"), r#"[(String("K7"), Bool(false)), (String("M5"), Bool(true))]"#);
    // What the revoked device pushed is there, set aside, and everything the owner did is written down.
    house.must(Crew::K7, &["sync"]);
    let (log, _) = house.json(Crew::K7, &["log"]);
    let entries = log["entries"].as_array().expect("entries");
    let kinds: Vec<&str> =
        entries.iter().filter_map(|e| e.pointer("/entry/head/kind").or(e.get("kind"))?.as_str()).collect();
    for kind in ["code_made", "device_enrolled", "device_changed", "share_made", "device_revoked"] {
        assert!(kinds.contains(&kind), "{kind} is missing in {kinds:?}");
    }
    let (status, _) = house.json(Crew::K7, &["book", "EX3"]);
    assert_eq!(status.pointer("/book/counts/aside"), Some(&Value::from(1)), "{status}");
}

fn copy_folder(from: &std::path::Path, to: &std::path::Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for file in std::fs::read_dir(from).expect("a folder") {
        let file = file.expect("a file");
        std::fs::copy(file.path(), to.join(file.file_name())).expect("copied");
    }
}

/// A phone is restored onto another phone and both are used: the one that syncs second goes on as a device of its own,
/// by itself, and nothing that either recorded is lost.
#[test]
fn a_copy_of_a_device_goes_on_as_a_device_of_its_own() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7]);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    house.must(Crew::K7, &["sync"]);
    copy_folder(&house.stage.home(Crew::K7), &house.stage.home(Crew::M4));
    house.must(Crew::K7, &["note", "EX3", "from the first"]);
    house.must(Crew::M4, &["note", "EX3", "from the copy"]);
    house.must(Crew::K7, &["sync"]);
    house.must(Crew::M4, &["note", "EX3", "once more from the copy"]);
    let told = house.must(Crew::M4, &["sync"]);
    assert!(told.split_whitespace().collect::<Vec<_>>().join(" ").contains("This one goes on as K72"), "{told}");
    house.must(Crew::K7, &["sync"]);
    house.must(Crew::M4, &["sync"]);
    let (book, bytes) = house.json(Crew::K7, &["book", "EX3"]);
    assert_eq!(book.pointer("/book/counts/entries"), Some(&Value::from(4)), "{book}");
    assert_eq!(bytes, house.json(Crew::M4, &["book", "EX3"]).1);
    for words in ["from the first", "from the copy", "once more from the copy"] {
        assert_eq!(bytes.matches(&format!("\"{words}\"")).count(), 1, "{words}: {bytes}");
    }
    // Both go on, and each under its own name.
    house.must(Crew::K7, &["note", "EX3", "K7 later"]);
    house.must(Crew::M4, &["note", "EX3", "K72 later"]);
    for crew in [Crew::K7, Crew::M4, Crew::K7] {
        house.must(crew, &["sync"]);
    }
    let (log, _) = house.json(Crew::K7, &["log", "EX3"]);
    assert!(log.to_string().contains("K72"), "{log}");
    for crew in [Crew::K7, Crew::M4] {
        let (found, _) = house.json(crew, &["doctor"]);
        assert_eq!(found["faults"], Value::Array(Vec::new()), "{found}");
    }
}

/// A key is changed without anyone being asked; the old one ends, and what was not sent yet goes out under the new one.
#[test]
fn a_key_is_changed_and_nothing_is_lost() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7]);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    house.must(Crew::K7, &["sync"]);
    house.must(Crew::K7, &["note", "EX3", "not sent yet"]);
    house.must(Crew::K7, &["enrol", "--anew"]);
    house.must(Crew::K7, &["sync"]);
    let (listed, _) = house.json(Crew::K7, &["devices"]);
    let marks: Vec<_> =
        listed["devices"].as_array().expect("devices").iter().map(|d| (&d["mark"], &d["revoked"])).collect();
    assert_eq!(format!("{marks:?}"), r#"[(String("K7"), Bool(true)), (String("K72"), Bool(false))]"#);
    let (book, _) = house.json(Crew::K7, &["book", "EX3"]);
    assert_eq!(book.pointer("/book/counts/entries"), Some(&Value::from(2)), "{book}");
}
