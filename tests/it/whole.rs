//! The whole, with real programs: two devices and a server, and a server that is killed while they sync.
//!
//! Promises: what is compared is what people see, `pintle … --json`, to the byte; a round in which nothing was hit is
//! not counted as one.

use pintle_tests::demo::scenario::Crew;
use pintle_tests::demo::stage::{Setting, Stage, ran};
use serde_json::Value;
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

fn setting(crew: Crew, second: u32) -> Setting {
    Setting {
        clock: format!("2026-05-04T{:02}:{:02}:{:02}+02:00", 6 + second / 3600, second / 60 % 60, second % 60),
        boot: format!("{}:{}", crew.mark(), 5000 + second),
    }
}

struct House {
    stage: Stage,
    second: u32,
    _folder: tempfile::TempDir,
}

impl House {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let stage = Stage::new(folder.path().join("stage"), programs()).expect("a stage");
        stage.server_clock(Some("2026-05-04T12:00:00+02:00")).expect("a clock");
        Self { stage, second: 0, _folder: folder }
    }

    fn must(&mut self, crew: Crew, arguments: &[&str]) -> String {
        self.second += 1;
        self.stage.must(crew, &setting(crew, self.second), arguments).expect("it succeeds").stdout
    }

    fn enrol_all(&mut self, crews: &[Crew]) {
        for (n, crew) in crews.iter().enumerate() {
            self.must(*crew, &["setup", "--name", crew.owner(), "--mark", crew.mark()]);
            let code = if n == 0 { self.stage.first_code() } else { self.stage.another_code() }.expect("a code");
            let url = self.stage.url();
            self.must(*crew, &["enrol", &url, &code]);
        }
    }

    fn json(&mut self, crew: Crew, arguments: &[&str]) -> (Value, String) {
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
