//! Readings of the machines' own transmitters from a file: recorded once, beside what people read.
//!
//! The documents are made up here after the field names of ISO 15143-3.

use crate::stage::Stage;
use insta::assert_snapshot;
use serde_json::json;

/// Three machines of which two are here; the times lie on the Monday morning of the stage, in UTC.
fn feed(hours: &str) -> String {
    json!({"Equipment": [
        {
            "EquipmentHeader": {"EquipmentID": "digger 3", "SerialNumber": "a-1042"},
            "CumulativeOperatingHours": {"datetime": "2026-05-04T05:01:00Z", "Hour": hours},
            "Distance": {"datetime": "2026-05-04T05:01:00Z", "OdometerUnits": "mile", "Odometer": 10},
            "FuelUsed": {"datetime": "2026-05-04T05:01:00Z", "FuelUnits": "gallon", "FuelConsumed": 5}
        },
        {
            "EquipmentHeader": {"EquipmentID": "LD1"},
            "CumulativeOperatingHours": {"datetime": "2026-05-04T04:00:00Z", "Hour": "PT812H30M"}
        },
        {
            "EquipmentHeader": {"EquipmentID": "TR9", "PIN": "PIN-77"},
            "CumulativeOperatingHours": {"datetime": "2026-05-04T04:00:00Z", "Hour": 5}
        }
    ]})
    .to_string()
}

fn yard() -> Stage {
    let stage = Stage::with_machine();
    stage.script(&[
        "machine change EX3 --serial A-1042",
        "read EX3 6100 --meter km",
        "machine add LD1",
        "machine add BK2",
    ]);
    stage
}

fn write(stage: &Stage, name: &str, text: &str) -> String {
    let path = stage.folder().join(name);
    std::fs::write(&path, text).expect("writes");
    path.display().to_string()
}

#[test]
fn readings_are_recorded_once_at_their_own_times() {
    let stage = yard();
    let file = write(&stage, "feed.json", &feed("4127.5"));
    assert_snapshot!(stage.script(&[
        &format!("import {file} --propose"),
        "log -n 2",
        &format!("import {file}"),
        &format!("import {file}"),
        "log EX3",
        "log LD1",
        "grease",
        "book EX3",
    ]));
}

#[test]
fn a_transmitter_that_contradicts_a_person_is_told() {
    let stage = yard();
    let file = write(&stage, "feed.json", &feed("4300"));
    assert_snapshot!(stage.script(&[&format!("import {file} --quiet"), "book EX3"]));
}

#[test]
fn an_import_for_programs() {
    let stage = yard();
    let file = write(&stage, "feed.json", &feed("4127.5"));
    assert_snapshot!(stage.script(&[&format!("--json import {file}")]));
}

#[test]
fn a_file_that_cannot_be_read_records_nothing() {
    let stage = yard();
    let before = stage.must("log --json");
    let deep = format!("{}1{}", "[".repeat(5000), "]".repeat(5000));
    let files = [
        ("none.json", None),
        ("empty.json", Some(String::new())),
        ("half.json", Some(feed("4127.5")[..200].to_owned())),
        ("other.xml", Some("<Orders/>".to_owned())),
        ("entity.xml", Some("<!DOCTYPE a [<!ENTITY b \"c\">]><Fleet>&b;</Fleet>".to_owned())),
        ("deep.json", Some(deep)),
        ("large.json", Some(" ".repeat(5 << 20))),
        ("odd.json", Some(feed("NaN"))),
        ("minus.json", Some(feed("-5"))),
        ("future.json", Some(feed("4127.5").replace("2026-05-04", "2026-05-05"))),
        ("year.json", Some(feed("4127.5").replace("2026-05-04", "12026-05-04"))),
    ];
    let mut seen = String::new();
    for (name, text) in files {
        let path = match text {
            Some(text) => write(&stage, name, &text),
            None => stage.folder().join(name).display().to_string(),
        };
        seen.push_str(&stage.script(&[&format!("import {path} --propose")]));
    }
    assert_eq!(stage.must("log --json"), before);
    assert_snapshot!(seen);
}
