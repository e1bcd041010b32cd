//! Every command that records, as a person meets it.
//!
//! The first answer of a new device, words left out and words in any order, hazards and oddities.

use crate::stage::Stage;
use insta::assert_snapshot;
use pintle::problem::Exit;
use pintle::store::Store;
use pintle::ui::Terminals;
use std::io::Write;
use std::path::PathBuf;

#[test]
fn the_first_minute_of_a_new_device() {
    let stage = Stage::new("Ines", 7);
    assert_snapshot!(stage.script(&["grease EX3", "machine add EX3", "grease", "grease ex 4127.5", "me"]));
}

#[test]
fn greasing() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "grease EX3 4127.5",
        "grease +0.5h",
        "grease --point \"bucket pin\" --point stick --purge-at \"bucket pin=metal\"",
        "grease --skip \"boom foot: under mud\" --purge water --minutes 12",
        "grease --used \"grease NLGI 2 EP:120 g\" --words \"left pin took a lot\"",
        "done EX3 \"oil change\" 4128 --used \"oil 15W-40:12.5 l\" --used filter",
        "done \"500 h service\"",
        "done EX3 250 4128",
    ]));
}

#[test]
fn readings_fuel_and_shifts() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "read EX3 4127,6",
        "read 4127.7h",
        "read EX3 120310 --meter km",
        "fuel EX3 180 4127.7",
        "fuel 118.5 --full",
        "begin EX3 4127.7",
        "end --submerged 4.5 --dusty 1",
        "end EX3 +0.1",
        "meter EX3 --old 4127.8 --new 0 --why replaced",
        "read +0.1",
        "meter --old 99999.9 --new 0 --why rolled-over",
    ]));
}

#[test]
fn an_odd_reading_is_recorded_and_told() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "read EX3 4217.5",
        "correct K7-3 reading 4127.6",
        "read EX3 4100",
        "strike K7-5 misread",
        "read EX3 4127.7",
        "--at \"yesterday 17:00\" read EX3 4120",
        "--quiet read EX3 9000",
    ]));
}

#[test]
fn findings_repairs_and_hazards() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "found EX3 squeak",
        "found missing fitting sheared off in the gravel --point \"bucket pin\"",
        "found EX3 crack weld open a hand wide --point \"lift arm\"",
        "begin EX3 4127.5",
        "--quiet grease",
        "strike K7-5 typed by mistake",
        "repair --closes K7-4 --point \"bucket pin\" --cause \"sheared off\" --remedy \"new fitting\" --part \"fitting M10x1:1 pieces\" --minutes 35",
        "repair \"welded and checked\" --closes K7-5",
        "begin EX3",
        "found EX3 noise --urgency out",
        "clear K7-11 it was a stone in the track",
        "grease",
        "repair EX3 mirror fixed",
        "found leak --urgency watch --reading 4127.6",
    ]));
}

#[test]
fn notes_corrections_and_strikes() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "note EX3 the seat is wet",
        "note \"mind the left step\" --handover",
        "fuel EX3 18",
        "correct K7-5 litres 180",
        "correct 5 litres 175",
        "correct K7-5 at \"-2h\"",
        "correct K7-5 reading 4127.5",
        "correct K7-5 reading none",
        "correct K7-3 text the seat was wet",
        "correct k7-3 by Ines",
        "strike K7-6 that was right",
        "strike K7-5 wrong machine",
        "strike K7-13 it was the right machine",
        "log EX3",
    ]));
}

#[test]
fn who_and_when() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "me Rosa",
        "me",
        "grease",
        "me ines",
        "grease --as rosa",
        "grease --at 06:10",
        "grease --at -1d",
        "grease --at 2026-05-01T08:00:00Z",
        "setup --name \"Ines M.\"",
        "log",
    ]));
}

#[test]
fn machines_are_added_and_changed() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "machine add LD1 --make \"own build\" --model \"wheel loader\" --serial LD-5120 --site \"quarry road\"",
        "machine add TK2 --meter km",
        "machine change ld1 --site \"mill lane\" --name LD2",
        "machine change TK2 --retired sold",
        "read TK2 120310",
        "machines",
        "machines --all",
    ]));
}

#[test]
fn answers_for_programs() {
    let stage = Stage::with_machine();
    assert_snapshot!(stage.script(&[
        "--json grease EX3 4127.5 --purge clean --words \"all good\"",
        "--json found EX3 crack",
        "--json read EX3 9000",
        "--json correct K7-5 reading 4127.5",
        "--json strike K7-4 twice",
        "--json me",
        "--json me Rosa",
        "--json setup --name Rosa",
        "--json machine add LD1",
        "--json note EX3 seat wet --handover",
    ]));
}

/// Looks into the database at the moment the answer is written.
struct Probe {
    database: PathBuf,
    held_when_told: Vec<u64>,
}

impl Write for Probe {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let mut store = Store::open(&self.database).expect("opens").expect("is there");
        self.held_when_told.push(store.read(|tx| tx.entries_held()).expect("reads"));
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[test]
fn an_entry_is_durable_before_the_person_is_told() {
    let stage = Stage::with_machine();
    let mut probe = Probe { database: stage.home().join("log.db"), held_when_told: Vec::new() };
    for _ in 0..2 {
        let arguments = crate::stage::arguments("grease EX3");
        let exit = pintle::run(arguments, &stage, Terminals::default(), &mut probe, &mut Vec::new());
        assert_eq!(exit, Exit::Done);
    }
    assert_eq!(probe.held_when_told, [3, 4]);
}
