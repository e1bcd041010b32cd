//! A full disk on either side, at every step: a clear answer, nothing half done, and it works again when there is room.
//!
//! Promises: the disk is a small file system in memory; room is left in steps of a page, so that each write of an act is
//! once the one that finds none.

use crate::mounted::Mounted;
use crate::photos::document;
use crate::whole::programs;
use pintle_tests::rounds::servers::{Device, Ran, Server, Start};
use serde_json::Value;
use std::path::Path;

/// A page of memory and of the database, in bytes.
const PAGE: u64 = 4_096;

fn start(disk: &Path) -> Start {
    let database = format!("sqlite:{}?mode=rwc", disk.join("ledger.db").display());
    Start { programs: programs(), folder: disk.parent().expect("a folder").to_owned(), database }
}

fn enrolled(start: &Start, server: &Server, device: &Device) {
    let said = match device.mark {
        "K7" => server.lines.join("\n"),
        _ => start.operator(&["code"]).expect("it runs").1,
    };
    let code = said.split_whitespace().last().expect("a code").to_owned();
    device.must(&["setup", "--name", device.mark, "--mark", device.mark]).expect("set up");
    device.must(&["enrol", &format!("http://{}", server.address), &code]).expect("enrolled");
}

fn problem(ran: &Ran) -> Value {
    serde_json::from_str(&ran.err).unwrap_or_else(|_| panic!("{ran:?}"))
}

#[test]
fn a_server_on_a_full_disk_says_so_and_goes_on_when_there_is_room() {
    let Some(disk) = Mounted::small(6 * 1024) else { return };
    let homes = tempfile::tempdir().expect("a folder");
    let (start, device) = (start(disk.path()), Device::new(&programs(), homes.path(), "K7"));
    let mut server = start.start().expect("a server");
    enrolled(&start, &server, &device);
    device.must(&["machine", "add", "EX3"]).expect("recorded");
    device.must(&["sync"]).expect("synced");
    let (mut refused, mut done) = (0, 0);
    for pages in 0..24 {
        for number in 0..3 {
            let text = format!("{pages} pages left, {number}: {}", "x".repeat(3_000));
            device.must(&["note", "EX3", &text]).expect("the device has room");
        }
        disk.leave(pages * PAGE);
        let ran = device.run(&["--json", "sync"]).expect("it runs");
        match ran.code {
            Some(0) => done += 1,
            Some(4) => {
                refused += 1;
                let said = problem(&ran).to_string();
                assert!(said.contains("storage-full") || said.contains("no room"), "{said}");
            }
            _ => panic!("{pages} pages: {ran:?}"),
        }
        assert!(server.runs(), "{pages} pages left, and the server ended");
        disk.make_room();
        let said = device.must(&["sync"]).expect("there is room again");
        assert!(!said.contains("restored"), "what was acknowledged is gone: {said}");
    }
    assert!(refused >= 1 && done >= 1, "{refused} refused, {done} done: the steps missed the border");
    // What was acknowledged after the disk had been full is there for another program too.
    let ledger = rusqlite::Connection::open(disk.path().join("ledger.db")).expect("it opens");
    let count: u64 = ledger.query_row("SELECT count(*) FROM ledger", [], |row| row.get(0)).expect("counted");
    let status: Value = serde_json::from_str(&device.must(&["--json", "status"]).expect("told")).expect("JSON");
    assert_eq!(status["waiting"], 0);
    assert!(count > 72, "{count} entries are in the file");
    drop(ledger);

    disk.leave(0);
    let (code, said) = start.operator(&["check"]).expect("it runs");
    assert!(code == 0 && said.contains("all sound"), "{code}: {said}");
    let (code, said) =
        start.operator(&["backup", &disk.path().join("copy.db").display().to_string()]).expect("it runs");
    assert!(code == 1 && said.contains("disk is full"), "{code}: {said}");
    let left: Vec<_> =
        std::fs::read_dir(disk.path()).expect("a folder").map(|file| file.expect("a file").file_name()).collect();
    assert!(left.iter().all(|name| !name.to_string_lossy().contains("copy")), "{left:?}");
    server.kill();
    match start.start() {
        Ok(server) => server.kill(),
        Err(why) => assert!(why.contains("disk is full"), "{why}"),
    }
    disk.make_room();
    let server = start.start().expect("a server, now that there is room");
    let (code, said) = start.operator(&["check"]).expect("it runs");
    assert!(code == 0 && said.contains("all sound"), "{code}: {said}");
    drop(server);
}

#[test]
fn a_server_s_first_start_on_a_full_disk_leaves_nothing_that_stands_in_the_way() {
    let Some(disk) = Mounted::small(4 * 1024) else { return };
    let start = start(disk.path());
    let mut ended = 0;
    for pages in (0..120).step_by(12) {
        disk.leave(pages * PAGE);
        match start.start() {
            Ok(server) => server.kill(),
            Err(why) => {
                assert!(why.contains("disk is full"), "{pages} pages: {why}");
                ended += 1;
            }
        }
        disk.make_room();
        drop(start.start().expect("there is room"));
        for name in ["ledger.db", "ledger.db-wal", "ledger.db-shm"] {
            // Those that are there: the next step begins anew.
            let _ = std::fs::remove_file(disk.path().join(name));
        }
    }
    assert!(ended >= 3, "only {ended} starts found no room");
}

/// Done, or told that the disk is full.
fn done_or_full(ran: &Ran, what: &str) -> bool {
    match ran.code {
        Some(0) => true,
        Some(1) => {
            let said = problem(ran);
            assert_eq!(said["problem"]["code"], "disk-full", "{what}: {said}");
            false
        }
        _ => panic!("{what}: {ran:?}"),
    }
}

#[test]
fn a_device_on_a_full_disk_says_so_and_records_when_there_is_room() {
    let Some(disk) = Mounted::small(3 * 1024) else { return };
    let device = Device::new(&programs(), disk.path(), "K7");
    let (mut first_full, mut full) = (0, 0);
    for pages in 0..70 {
        disk.leave(pages * PAGE);
        let ran = device.run(&["--json", "machine", "add", "EX3"]).expect("it runs");
        let done = done_or_full(&ran, &format!("first use, {pages} pages"));
        first_full += u32::from(!done);
        disk.make_room();
        if !done {
            device.must(&["machine", "add", "EX3"]).expect("there is room");
        }
        assert!(device.must(&["doctor"]).expect("sound").contains("1 entry in 1 log"), "{pages} pages");
        if pages % 10 != 9 {
            std::fs::remove_dir_all(&device.home).expect("the next begins anew");
        } else {
            for more in 0..6 {
                let text = format!("{pages} and {more}");
                disk.leave(more * PAGE);
                let done = done_or_full(&device.run(&["--json", "note", "EX3", &text]).expect("it runs"), &text);
                full += u32::from(!done);
                disk.make_room();
                if !done {
                    device.must(&["note", "EX3", &text]).expect("there is room");
                }
                let log = device.must(&["--json", "log", "EX3"]).expect("read");
                assert_eq!(log.matches(&format!("\"{text}\"")).count(), 1, "{log}");
            }
            device.must(&["doctor"]).expect("sound");
            std::fs::remove_dir_all(&device.home).expect("the next begins anew");
        }
    }
    assert!(first_full >= 5 && full >= 3, "{first_full} first uses and {full} recordings found no room");
}

/// Two chunks of a file and a bit.
const DOCUMENT_BYTES: usize = 2 * 262_144 + 100;

fn files(folder: &Path) -> Vec<String> {
    let Ok(found) = std::fs::read_dir(folder) else { return Vec::new() };
    found.map(|item| item.expect("an item").file_name().to_string_lossy().into_owned()).collect()
}

#[test]
fn a_server_whose_disk_of_photos_is_full_takes_entries_and_the_photo_when_there_is_room() {
    let Some(disk) = Mounted::small(3 * 1024) else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let mut start = start(&folder.path().join("here"));
    start.database = format!("sqlite:{}?mode=rwc", folder.path().join("ledger.db").display());
    std::os::unix::fs::symlink(disk.path(), folder.path().join("ledger.db.files")).expect("a link");
    let mut server = start.start().expect("a server");
    let device = Device::new(&programs(), folder.path(), "K7");
    enrolled(&start, &server, &device);
    device.must(&["machine", "add", "EX3"]).expect("recorded");
    let (mut refused, mut done) = (0, 0);
    for step in 0..12 {
        let bill = folder.path().join(format!("bill-{step}.pdf"));
        document(&bill, DOCUMENT_BYTES + step);
        device.must(&["note", "EX3", &format!("step {step}"), "--photo", &bill.display().to_string()]).expect("noted");
        // Room for no chunk, for one, for both and not for the whole, and for all.
        disk.leave(step as u64 * 25 * PAGE * 2);
        let ran = device.run(&["--json", "sync"]).expect("it runs");
        assert!(server.runs(), "step {step}: the server ended");
        assert_eq!(ran.code, Some(0), "the entries are in: {ran:?}");
        let said: Value = serde_json::from_str(&ran.out).expect("JSON");
        match said["photos"]["brought"].as_u64() {
            Some(1) => done += 1,
            _ => {
                assert!(said.to_string().contains("The server has no room left"), "{said}");
                refused += 1;
            }
        }
        disk.make_room();
        device.must(&["sync"]).expect("there is room again");
        let status: Value = serde_json::from_str(&device.must(&["--json", "status"]).expect("told")).expect("JSON");
        assert_eq!((&status["photos"], &status["waiting"]), (&Value::from(0), &Value::from(0)), "step {step}");
        // The next begins with the whole disk.
        for organisation in files(disk.path()) {
            std::fs::remove_dir_all(disk.path().join(organisation)).expect("removed");
        }
    }
    assert!(refused >= 3 && done >= 2, "{refused} refused, {done} done: the steps missed the border");
}

#[test]
fn a_device_whose_disk_is_full_keeps_a_photo_whole_or_not_at_all() {
    let Some(disk) = Mounted::small(10 * 1024) else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let device = Device::new(&programs(), disk.path(), "K7");
    device.must(&["machine", "add", "EX3"]).expect("recorded");
    let (mut full, mut noted) = (0, 0);
    for step in 0..16 {
        let bill = folder.path().join(format!("bill-{step}.pdf"));
        document(&bill, 200_000 + step);
        let (bill, text) = (bill.display().to_string(), format!("step {step}"));
        let words = ["--json", "note", "EX3", &text, "--photo", &bill];
        disk.leave(step as u64 * 4 * PAGE);
        let done = done_or_full(&device.run(&words).expect("it runs"), &text);
        full += usize::from(!done);
        disk.make_room();
        let kept = files(&device.home.join("files"));
        assert!(kept.iter().all(|name| name.ends_with(".pdf")), "half a file is left: {kept:?}");
        let log = device.must(&["--json", "log", "EX3"]).expect("read");
        assert_eq!(log.matches(&format!("\"{text}\"")).count(), usize::from(done), "{log}");
        if !done {
            device.must(&words).expect("there is room");
        }
        noted += 1;
        let out = disk.path().join("out");
        disk.leave(step as u64 * 4 * PAGE);
        done_or_full(
            &device.run(&["--json", "photos", "EX3", "--to", &out.display().to_string()]).expect("it runs"),
            "put",
        );
        disk.make_room();
        assert!(files(&out).iter().all(|name| name.ends_with(".pdf")), "half a file is left: {:?}", files(&out));
        std::fs::remove_dir_all(&out).ok();
    }
    assert!(full >= 4, "{full} photos found no room");
    let log = device.must(&["--json", "log", "EX3"]).expect("read");
    assert_eq!(log.matches("step ").count(), noted);
}

#[test]
fn a_device_whose_disk_gets_full_while_it_syncs_loses_nothing() {
    let Some(disk) = Mounted::small(3 * 1024) else { return };
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::create_dir(folder.path().join("server")).expect("a folder");
    let start = start(&folder.path().join("server"));
    let server = start.start().expect("a server");
    let (one, other) = (Device::new(&programs(), folder.path(), "K7"), Device::new(&programs(), disk.path(), "M4"));
    enrolled(&start, &server, &one);
    enrolled(&start, &server, &other);
    one.must(&["machine", "add", "EX3"]).expect("recorded");
    one.must(&["sync"]).expect("synced");
    other.must(&["sync"]).expect("synced");
    let mut full = 0;
    for pages in 0..10 {
        for number in 0..4 {
            one.must(&["note", "EX3", &format!("page {pages} number {number}: {}", "x".repeat(900))])
                .expect("recorded");
        }
        one.must(&["sync"]).expect("synced");
        other.must(&["note", "EX3", &format!("mine {pages}")]).expect("recorded");
        disk.leave(pages * PAGE);
        let ran = other.run(&["--json", "sync"]).expect("it runs");
        full += u32::from(!done_or_full(&ran, &format!("sync, {pages} pages")));
        disk.make_room();
        other.must(&["sync"]).expect("there is room");
        one.must(&["sync"]).expect("synced");
        assert_eq!(one.must(&["--json", "book", "EX3"]), other.must(&["--json", "book", "EX3"]));
    }
    assert!(full >= 2, "{full} syncs found no room");
    one.must(&["doctor"]).expect("sound");
    other.must(&["doctor"]).expect("sound");
    let (code, said) = start.operator(&["check"]).expect("it runs");
    assert!(code == 0, "{said}");
    drop(server);
}
