//! The power is cut: what was acknowledged is there afterwards, on the server and on a device.
//!
//! Two models, and what each shows; see docs/DURABILITY.md. With a real file system whose disk is a file, a cut loses all
//! that the programs did not ask to be on the disk: shown beside a database that does not ask, which must lose. With the
//! write-ahead log itself, whatever was written after the last acknowledged commit is cut, torn, left out or turned to noise.

use crate::mounted::Mounted;
use crate::whole::programs;
use pintle_tests::rounds::dice::Dice;
use pintle_tests::rounds::ledger::{Ledger, acknowledged, lose_commits, texts_of};
use pintle_tests::rounds::servers::{Device, Server, Start, end};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Power cuts of the first model.
const CUTS: u64 = 5;
/// Bytes of a frame of the write-ahead log.
const FRAME_BYTES: usize = 24 + 4096;

fn serving(folder: &Path) -> (Start, PathBuf) {
    let file = folder.join("ledger.db");
    let database = format!("sqlite:{}?mode=rwc", file.display());
    (Start { programs: programs(), folder: folder.to_owned(), database }, file)
}

fn enrolled(server: &Server, device: &Device) {
    let lines = server.lines.join("\n");
    let code = lines.split_whitespace().last().expect("a code").to_owned();
    device.must(&["setup", "--name", device.mark, "--mark", device.mark]).expect("set up");
    device.must(&["enrol", &format!("http://{}", server.address), &code]).expect("enrolled");
    device.must(&["machine", "add", "EX3"]).expect("recorded");
    device.must(&["sync"]).expect("synced");
}

/// A database that commits and does not ask for its commits to be on the disk.
fn careless(path: &Path) -> Connection {
    let connection = Connection::open(path).expect("opens");
    let settings = "PRAGMA journal_mode = WAL; PRAGMA synchronous = OFF; CREATE TABLE IF NOT EXISTS t (n INTEGER)";
    connection.execute_batch(settings).expect("set");
    connection
}

fn rows(path: &Path) -> u64 {
    let counted = Connection::open(path).and_then(|c| c.query_row("SELECT count(*) FROM t", [], |row| row.get(0)));
    // A table that never came to the disk has no rows.
    counted.unwrap_or(0)
}

#[test]
fn a_power_cut_loses_nothing_that_was_acknowledged() {
    let Some(disk) = Mounted::ext4(48) else { return };
    let (start, file) = serving(disk.path());
    let device = Device::new(&programs(), disk.path(), "K7");
    let mut server = start.start().expect("a server");
    enrolled(&server, &device);
    let mut dice = Dice::new(5);
    let mut told = Vec::new();
    let mut careless_lost = 0;
    for cut in 0..CUTS {
        let url = format!("http://{}", server.address);
        Connection::open(device.home.join("log.db"))
            .and_then(|c| c.execute("UPDATE sync SET server = ?", [&url]))
            .expect("it has moved to another port");
        for number in 0..3 {
            let text = format!("cut {cut} number {number}");
            device.must(&["note", "EX3", &text]).expect("recorded");
            told.push(text);
        }
        device.must(&["sync"]).expect("synced");
        let control = careless(&disk.path().join("careless.db"));
        control.execute("INSERT INTO t VALUES (1)", []).expect("committed");
        // Something is under way when the power goes.
        let mut recording = device.start(&["note", "EX3", &format!("cut {cut} under way")]).expect("it starts");
        let mut sync = device.start(&["sync"]).expect("it starts");
        std::thread::park_timeout(Duration::from_millis(dice.below(60)));
        let placed = acknowledged(&device.home).expect("read");
        end(&mut recording);
        end(&mut sync);
        server.kill();
        let after = disk.after_a_power_cut();
        drop(control);

        let ledger = Ledger::Sqlite(after.path().join("ledger.db")).placed().expect("read");
        assert!(!placed.is_empty());
        for (position, entry) in &placed {
            assert_eq!(ledger.get(position), Some(entry), "cut {cut}: acknowledged, and not there");
        }
        let home = Device { home: after.path().join("K7"), ..device.clone() };
        let held = texts_of(&home.home).expect("read").join("\n");
        for text in &told {
            assert_eq!(held.matches(&format!("\"{text}\"")).count(), 1, "cut {cut}: {text:?} was told to be recorded");
        }
        home.must(&["doctor"]).expect("sound");
        let (code, said) = serving(after.path()).0.operator(&["check"]).expect("it runs");
        assert_eq!(code, 0, "cut {cut}: {said}");
        careless_lost += u32::from(rows(&after.path().join("careless.db")) < cut + 1);
        drop(after);
        server = start.start().expect("a server");
    }
    assert!(careless_lost >= 1, "a database that does not ask for the disk lost nothing: the cuts show nothing");
    drop(server);
    assert!(file.exists());
}

/// A database and its write-ahead log, as bytes.
#[derive(Clone)]
struct Files {
    database: Vec<u8>,
    log: Vec<u8>,
}

impl Files {
    fn of(database: &Path) -> Self {
        let log = PathBuf::from(format!("{}-wal", database.display()));
        Self { database: std::fs::read(database).expect("read"), log: std::fs::read(log).unwrap_or_default() }
    }

    fn write(&self, database: &Path) {
        std::fs::write(database, &self.database).expect("written");
        std::fs::write(format!("{}-wal", database.display()), &self.log).expect("written");
        // Its index is made anew from the log.
        let _ = std::fs::remove_file(format!("{}-shm", database.display()));
    }
}

/// What may have become of the frames after the last that was on the disk: each case is a log that begins with the first
/// `synced` bytes of `log`.
fn after_a_cut(log: &[u8], synced: usize, dice: &mut Dice) -> Vec<(String, Vec<u8>)> {
    let mut cases = Vec::new();
    let unsynced = log.len() - synced;
    for _ in 0..8 {
        let kept = synced + dice.below(unsynced as u64) as usize;
        cases.push((format!("cut at {kept}"), log[..kept].to_vec()));
        let mut torn = log.to_vec();
        torn[kept..].fill(0);
        cases.push((format!("zeros from {kept}"), torn));
        let mut noisy = log.to_vec();
        noisy[kept..].iter_mut().for_each(|byte| *byte ^= dice.next() as u8);
        cases.push((format!("noise from {kept}"), noisy));
        // Written in another order: some frames are there, others are not.
        let mut holes = log.to_vec();
        let frames = unsynced.div_ceil(FRAME_BYTES);
        for frame in 0..frames {
            if dice.below(2) == 0 {
                let from = synced + frame * FRAME_BYTES;
                let to = (from + FRAME_BYTES).min(holes.len());
                holes[from..to].fill(0);
            }
        }
        cases.push(("frames left out".to_owned(), holes));
    }
    cases
}

#[test]
fn a_device_s_log_comes_up_with_all_that_was_told_whatever_became_of_the_rest() {
    let folder = tempfile::tempdir().expect("a folder");
    let device = Device::new(&programs(), folder.path(), "K7");
    device.must(&["machine", "add", "EX3"]).expect("recorded");
    let database = device.home.join("log.db");
    let mut states = vec![Files::of(&database)];
    for number in 0..6 {
        device.must(&["note", "EX3", &format!("note {number}")]).expect("recorded");
        states.push(Files::of(&database));
    }
    let mut dice = Dice::new(3);
    let mut cases = 0;
    for told in [1, 4] {
        let last = states[told..].iter().take_while(|files| files.database == states[told].database).last();
        let last = last.expect("the state itself").clone();
        let synced = states[told].log.len();
        assert!(last.log.len() > synced && last.log[..synced] == states[told].log[..], "the log grows");
        for (name, log) in after_a_cut(&last.log, synced, &mut dice) {
            cases += 1;
            Files { log, ..last.clone() }.write(&database);
            device.must(&["doctor"]).unwrap_or_else(|error| panic!("{told} told, {name}: {error}"));
            let texts = texts_of(&device.home).expect("read").join("\n");
            let there = (0..6).take_while(|number| texts.contains(&format!("\"note {number}\""))).count();
            assert!(there >= told, "{told} were told, {name}: {there} are there");
            assert_eq!(texts.matches("\"note ").count(), there, "{name}: one without those before it");
        }
    }
    assert!(cases >= 60, "{cases}");
    // The model can fail: a commit that had been told and is gone is noticed.
    states[4].write(&database);
    assert_eq!(lose_commits(&database, 1).expect("taken"), 1);
    assert!(!texts_of(&device.home).expect("read").join("\n").contains("\"note 3\""));
}

#[test]
fn a_server_s_ledger_comes_up_with_all_that_was_acknowledged_whatever_became_of_the_rest() {
    let folder = tempfile::tempdir().expect("a folder");
    let (start, file) = serving(folder.path());
    let device = Device::new(&programs(), folder.path(), "K7");
    let server = start.start().expect("a server");
    enrolled(&server, &device);
    let mut states = Vec::new();
    for number in 0..4 {
        device.must(&["note", "EX3", &format!("note {number}")]).expect("recorded");
        device.must(&["sync"]).expect("synced");
        states.push((Files::of(&file), acknowledged(&device.home).expect("read")));
    }
    server.kill();
    let mut dice = Dice::new(9);
    let (last, _) = states.last().expect("a state").clone();
    let (first, told) = &states[1];
    let synced = first.log.len();
    assert!(last.database == first.database && last.log[..synced] == first.log[..], "no page was moved meanwhile");
    let sound = |name: &str, told: &std::collections::BTreeMap<u64, _>| {
        let placed = Ledger::Sqlite(file.clone()).placed().expect("read");
        assert!(told.iter().all(|(position, entry)| placed.get(position) == Some(entry)), "{name}: {placed:?}");
        let (code, said) = start.operator(&["check"]).expect("it runs");
        assert_eq!(code, 0, "{name}: {said}");
    };
    for (name, log) in after_a_cut(&last.log, synced, &mut dice) {
        Files { log, ..last.clone() }.write(&file);
        sound(&name, told);
    }
    // The power goes while the log is moved into the database: each page of it may be the old one or the new one. The log
    // is on the disk before the first is moved, and is not begun anew before the last is on the disk.
    last.write(&file);
    let connection = Connection::open(&file).expect("opens");
    connection.execute_batch("PRAGMA wal_checkpoint(PASSIVE)").expect("moved");
    drop(connection);
    let moved = std::fs::read(&file).expect("read");
    let all = &states.last().expect("a state").1;
    for _ in 0..6 {
        let mut mixed = moved.clone();
        for (at, page) in mixed.chunks_mut(4096).enumerate() {
            let old = last.database.get(at * 4096..at * 4096 + page.len());
            match old.filter(|_| dice.below(2) == 0) {
                Some(old) => page.copy_from_slice(old),
                None if dice.below(4) == 0 && at > 0 => page.fill(0),
                None => {}
            }
        }
        Files { database: mixed, log: last.log.clone() }.write(&file);
        sound("pages half moved", all);
    }
}
