//! Telematics documents: both spellings, every odd value, hostile bytes, and readings that disagree with people.
//!
//! The documents are made up here after the field names of ISO 15143-3; makers and machines are of no real firm.

use crate::world::{EX3, World};
use pintle_core::ids::MachineId;
use pintle_core::limits::{TELEMATICS_BYTES_MAX, TELEMATICS_MACHINES_MAX};
use pintle_core::telematics::{Candidate, Judged, Report, Verdict, judge, read};
use proptest::prelude::*;
use serde_json::{Value, json};

/// 2026-06-01T00:00:00Z.
const NOW_S: i64 = 1_780_272_000;

const XML: &str = r#"<?xml version="1.0" encoding="utf-8"?>
<Fleet xmlns="urn:example" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" version="1" snapshotTime="2026-05-29T06:00:00Z">
  <Links><rel>self</rel><href>https://feed.invalid/Fleet/1</href></Links>
  <Equipment>
    <EquipmentHeader>
      <UnitInstallDateTime>0001-01-01T00:00:00Z</UnitInstallDateTime>
      <OEMName>Maker &amp; Sons</OEMName><Model>EX22</Model>
      <EquipmentID>EX3</EquipmentID><SerialNumber>a-1042</SerialNumber><PIN>PINA1042</PIN>
    </EquipmentHeader>
    <Location datetime="2026-05-29T05:58:00Z"><Latitude>49.237090</Latitude><Longitude>-8.093496</Longitude></Location>
    <CumulativeOperatingHours datetime="2026-05-29T05:50:11.250Z"><Hour>PT4127H30M</Hour></CumulativeOperatingHours>
    <CumulativeIdleHours><Hour>903.25</Hour><datetime>2026-05-29T05:50:11Z</datetime></CumulativeIdleHours>
    <FuelUsed datetime="0001-01-01T00:00:00Z"><FuelUnits>liter</FuelUnits><FuelConsumed>61204.5</FuelConsumed></FuelUsed>
    <Distance datetime="2026-05-29T05:50:11Z"><OdometerUnits>mile</OdometerUnits><Odometer>10</Odometer></Distance>
  </Equipment>
  <Equipment><EquipmentHeader><PIN>TR9-77</PIN></EquipmentHeader></Equipment>
</Fleet>"#;

fn json_twin() -> Value {
    json!({
        "version": "1", "snapshotTime": "2026-05-29T06:00:00Z",
        "Links": [{"rel": "self", "href": "https://feed.invalid/Fleet/1"}],
        "Equipment": [
            {
                "EquipmentHeader": {"UnitInstallDateTime": "0001-01-01T00:00:00Z", "OEMName": "Maker & Sons", "Model": "EX22",
                    "EquipmentID": "EX3", "SerialNumber": "a-1042", "PIN": "PINA1042"},
                "Location": {"datetime": "2026-05-29T05:58:00Z", "Latitude": 49.237_090, "Longitude": -8.093_496},
                "CumulativeOperatingHours": {"Datetime": "2026-05-29T05:50:11.250Z", "Hour": 4127.5},
                "CumulativeIdleHours": {"dateTime": "2026-05-29T05:50:11Z", "Hour": "903.250"},
                "FuelUsed": {"datetime": "0001-01-01T00:00:00Z", "FuelUnits": "LITRE", "FuelConsumed": 61204.5},
                "Distance": {"datetime": "2026-05-29T05:50:11Z", "OdometerUnits": "Miles", "Odometer": 10}
            },
            {"EquipmentHeader": {"PIN": "TR9-77", "SerialNumber": null}}
        ]
    })
}

fn one(equipment: &Value) -> Report {
    let reports = read(json!({"Equipment": [equipment]}).to_string().as_bytes()).expect("a document");
    reports.into_iter().next().expect("one machine")
}

#[test]
fn both_spellings_say_the_same() {
    let xml = read(XML.as_bytes()).expect("XML");
    assert_eq!(xml, read(json_twin().to_string().as_bytes()).expect("JSON"));
    let first = &xml[0];
    assert_eq!(first.faults, []);
    let value = |a: &Option<pintle_core::telematics::Amount>| {
        a.as_ref().map(|a| (a.value.to_string(), a.at.as_ref().map(|at| at.text().to_owned())))
    };
    let at = Some("2026-05-29T05:50:11Z".to_owned());
    assert_eq!(value(&first.hours), Some(("4127.5".into(), at.clone())));
    assert_eq!(value(&first.idle_hours), Some(("903.25".into(), at.clone())));
    assert_eq!(value(&first.km), Some(("16.093".into(), at)), "10 international miles are 16.09344 km");
    assert_eq!(value(&first.fuel_litres), Some(("61204.5".into(), None)), "the year 1 is no time");
    let location = first.location.as_ref().expect("a location");
    assert_eq!((location.latitude_udeg, location.longitude_udeg), (49_237_090, -8_093_496));
    assert_eq!((xml[1].pin.as_deref(), xml[1].serial.as_deref(), xml[1].hours.as_ref()), (Some("TR9-77"), None, None));
}

#[test]
fn wrappings_that_feeds_use_are_read() {
    let page = json_twin();
    let count = |v: Value| read(v.to_string().as_bytes()).expect("a document").len();
    assert_eq!(count(json!({"Fleet": page})), 2);
    assert_eq!(count(json!([page, page])), 4);
    assert_eq!(count(json!({"Equipment": page["Equipment"][0]})), 1);
    assert_eq!(count(json!({"Equipment": []})), 0);
    assert_eq!(count(json!({})), 0);
    assert_eq!(read("\u{feff}<Fleet/>".as_bytes()), Ok(vec![]));
    assert_eq!(read(b"<a:Fleet xmlns:a='urn:x'><a:Equipment/></a:Fleet>").map(|r| r.len()), Ok(1));
    let inside = read(b"<Fleet><Equipment><EquipmentHeader SerialNumber='x'/><CumulativeOperatingHours><Hour><![CDATA[1.5]]></Hour></CumulativeOperatingHours></Equipment></Fleet>");
    let inside = inside.expect("a document");
    assert_eq!(inside[0].hours.as_ref().map(|h| h.value.milli), Some(1500));
    assert_eq!(inside[0].serial.as_deref(), Some("x"));
}

/// A value that cannot be is left out and named; the rest of the machine stands.
#[test]
fn an_odd_value_is_named_with_its_place() {
    for (element, field, value, code) in [
        ("CumulativeOperatingHours", "Hour", json!(-1), "out-of-range"),
        ("CumulativeOperatingHours", "Hour", json!("NaN"), "out-of-range"),
        ("CumulativeOperatingHours", "Hour", json!("INF"), "out-of-range"),
        ("CumulativeOperatingHours", "Hour", json!(1e300), "out-of-range"),
        ("CumulativeOperatingHours", "Hour", json!(2_147_483_648_u64), "out-of-range"),
        ("CumulativeOperatingHours", "Hour", json!("P1Y"), "out-of-range"),
        ("CumulativeOperatingHours", "Hour", json!(true), "out-of-range"),
        ("CumulativeOperatingHours", "Hour", json!("0x1f"), "out-of-range"),
        ("CumulativeOperatingHours", "datetime", json!("12026-05-04T07:12:33Z"), "bad-time"),
        ("CumulativeOperatingHours", "datetime", json!("2026-02-29T07:12:33Z"), "bad-time"),
        ("FuelUsed", "FuelConsumed", json!("1e3"), "out-of-range"),
        ("Distance", "Odometer", json!("٣"), "out-of-range"),
        ("Location", "Latitude", json!(91), "out-of-range"),
    ] {
        let mut equipment = json_twin()["Equipment"][0].clone();
        equipment[element][field] = value.clone();
        equipment[element].as_object_mut().expect("fields").retain(|name, _| field != "datetime" || name != "Datetime");
        let report = one(&equipment);
        let place = format!("/Equipment/0/{element}/{field}");
        let told: Vec<(&str, &str)> = report.faults.iter().map(|f| (&*f.code, &*f.pointer)).collect();
        assert_eq!(told, [(code, &*place)], "{element}/{field} = {value}");
        assert_eq!(report.serial.as_deref(), Some("a-1042"));
    }
    let mut gallons = json_twin()["Equipment"][0].clone();
    gallons["FuelUsed"]["FuelUnits"] = json!("gallon");
    let report = one(&gallons);
    assert!(report.fuel_litres.is_none() && report.faults[0].detail.contains("imperial"), "{:?}", report.faults);
    let twice = b"<Fleet><Equipment><Distance><Odometer>1</Odometer></Distance><Distance/></Equipment></Fleet>";
    assert_eq!(read(twice).expect("a document")[0].faults[0].pointer, "/Equipment/0/Distance");
    let name = one(&json!({"EquipmentHeader": {"SerialNumber": "a\u{202e}b"}}));
    assert_eq!((name.serial, name.faults[0].code.as_str()), (None, "bad-text"));
}

#[test]
fn what_is_no_document_is_refused() {
    let deep = |open: &str, close: &str, n: usize| [open.repeat(n), close.repeat(n)].concat();
    let attributes = format!("<Fleet {}/>", (0..100_000).map(|n| format!("a{n}='' ")).collect::<String>());
    let elements = format!("<Fleet>{}</Fleet>", "<a/>".repeat(200_000));
    let numbers = format!("[{}0]", "0,".repeat(200_000));
    let bomb = "<!DOCTYPE x [<!ENTITY a 'aaaa'><!ENTITY b '&a;&a;&a;&a;'>]><Fleet>&b;</Fleet>";
    for (what, text) in [
        ("nothing", ""),
        ("a word", "Fleet"),
        ("null", "null"),
        ("a number", "1"),
        ("JSON cut short", r#"{"Equipment": ["#),
        ("JSON and more", "{} {}"),
        ("a field twice", r#"{"Equipment": [], "Equipment": []}"#),
        ("a list of numbers", "[1]"),
        ("a leading zero", r#"{"Equipment": [{"Distance": {"Odometer": 01}}]}"#),
        ("half a number", r#"{"Equipment": [{"Distance": {"Odometer": -}}]}"#),
        ("a number for a name", r#"{1: 2}"#),
        ("not a number", r#"{"Equipment": [{"Distance": {"Odometer": NaN}}]}"#),
        ("an open string", r#"{"Equipment"#),
        ("JSON too deep", &deep("[", "]", 100_000)),
        ("JSON a little too deep", &deep("[", "]", 34)),
        ("JSON too many", &numbers),
        ("XML cut short", "<Fleet><Equipment>"),
        ("XML crossed", "<Fleet><a></Fleet></a>"),
        ("two roots", "<Fleet/><Fleet/>"),
        ("another root", "<html><body/></html>"),
        ("text after", "<Fleet/>text"),
        ("a fleet of text", "<Fleet>text</Fleet>"),
        ("XML too deep", &deep("<Fleet>", "</Fleet>", 100_000)),
        ("XML too many", &elements),
        ("too many attributes", &attributes),
        ("entities", bomb),
        ("an unknown entity", "<Fleet>&nbsp;</Fleet>"),
        ("an entity in an attribute", "<Fleet a='&x;'/>"),
        ("U+0000 by reference", "<Fleet>&#0;</Fleet>"),
        ("another encoding", "<?xml version='1.0' encoding='latin1'?><Fleet/>"),
    ] {
        let fault = read(text.as_bytes()).map(|reports| reports.len()).expect_err(what);
        assert_eq!(fault.code, "malformed-document", "{what}: {fault}");
    }
    assert_eq!(read(b"<Fleet>\xff</Fleet>").expect_err("not UTF-8").code, "malformed-document");
    assert_eq!(read(&vec![b' '; TELEMATICS_BYTES_MAX + 1]).expect_err("too large").code, "payload-too-large");
    let many = format!("{{\"Equipment\": [{}0]}}", "0,".repeat(TELEMATICS_MACHINES_MAX));
    let fault = read(many.as_bytes()).expect_err("too many machines");
    assert_eq!((fault.code.as_str(), fault.pointer.as_str()), ("out-of-range", "/Equipment"));
    let fault = read(b"<Fleet>\n  <a>\n</Fleet>").expect_err("crossed");
    assert!(fault.detail.contains("line 3"), "{fault}");
    let fault = read(b"{\n\"a\": [1, 2.5,\n\"b\"").expect_err("cut short");
    assert!(fault.detail.contains("line 3"), "{fault}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is done to the bytes, the answer is a value.
    #[test]
    fn damaged_documents_are_answered(
        json in any::<bool>(), cut in 0..2000usize, edits in proptest::collection::vec((0..2000usize, any::<u8>()), 0..6)
    ) {
        let mut bytes = if json { json_twin().to_string().into_bytes() } else { XML.as_bytes().to_vec() };
        for (at, byte) in edits {
            let at = at % bytes.len();
            bytes[at] = byte;
        }
        bytes.truncate(bytes.len().saturating_sub(cut % 50));
        match read(&bytes) {
            Ok(reports) => prop_assert!(judge(reports, &[], NOW_S).iter().all(|j| j.verdict == Verdict::Unmatched)),
            Err(fault) => prop_assert!(!fault.detail.is_empty()),
        }
    }
}

fn told(judged: &[Judged]) -> Vec<(Verdict, Vec<String>)> {
    judged.iter().map(|j| (j.verdict, j.proposals.iter().map(|p| json!(p.body).to_string()).collect())).collect()
}

fn excavator() -> World {
    let mut world = World::new(2);
    world.record(0, 0, "machine_added", json!({"name": "EX3", "serial": "A-1042"}));
    world.record(0, 1, "meter_read", json!({"reading": "12.5", "meter": "km"}));
    world
}

#[test]
fn reports_find_their_machine_and_are_proposed_once() {
    let mut world = excavator();
    let candidate = Candidate::of(&world.book()).expect("a serial number");
    let reports = read(XML.as_bytes()).expect("XML");
    let judged = judge(reports.clone(), std::slice::from_ref(&candidate), NOW_S);
    let hours = r#"{"reading":"4127.5","source":"telematics"}"#.to_owned();
    let km = r#"{"meter":"km","reading":"16.093","source":"telematics"}"#.to_owned();
    assert_eq!(told(&judged), [(Verdict::Matched, vec![hours, km]), (Verdict::Unmatched, vec![])]);
    assert_eq!(judged[0].machine, Some(EX3));
    // The same page twice in one document, and once more after it was recorded.
    let again = judge([reports.clone(), reports.clone()].concat(), std::slice::from_ref(&candidate), NOW_S);
    assert_eq!(again[2].verdict, Verdict::NothingNew);
    for proposal in &judged[0].proposals {
        let minute = (proposal.at.second() - 1_780_000_000) / 60 + 1;
        world.record(0, minute, &proposal.kind, Value::Object(proposal.body.clone()));
    }
    let recorded = Candidate::of(&world.book()).expect("a serial number");
    assert_eq!(told(&judge(reports.clone(), &[recorded], NOW_S))[0], (Verdict::NothingNew, vec![]));
    let twin = Candidate { machine: MachineId([4; 16]), serial: Some(" a-1042 ".into()), name: None, meters: vec![] };
    assert_eq!(judge(reports.clone(), &[candidate.clone(), twin], NOW_S)[0].verdict, Verdict::Ambiguous);
    let by_pin = Candidate { serial: Some("pina1042".into()), ..candidate.clone() };
    assert_eq!(judge(reports.clone(), &[by_pin], NOW_S)[0].machine, Some(EX3));
    let early = judge(reports, &[candidate], 1_000_000_000);
    assert_eq!(early[0].verdict, Verdict::NothingNew, "a reading from the future is not proposed");
    let faults: Vec<&str> = early[0].report.faults.iter().map(|f| f.pointer.as_str()).collect();
    assert_eq!(faults, ["/Equipment/0/CumulativeOperatingHours/datetime", "/Equipment/0/Distance/datetime"]);
}

#[test]
fn a_machine_without_its_number_is_found_by_its_name() {
    let report = |serial: Option<&str>| Report {
        equipment_id: Some(" ex3".into()),
        serial: serial.map(str::to_owned),
        ..Report::default()
    };
    let machine = |serial: Option<&str>| Candidate {
        machine: EX3,
        serial: serial.map(str::to_owned),
        name: Some("EX3".into()),
        meters: vec![],
    };
    let found = |serial: Option<&str>, of: Option<&str>| judge(vec![report(serial)], &[machine(of)], NOW_S)[0].machine;
    assert_eq!(found(None, None), Some(EX3));
    assert_eq!(found(None, Some("A-1042")), Some(EX3));
    assert_eq!(found(Some("B-7"), None), Some(EX3));
    assert_eq!(found(Some("B-7"), Some("A-1042")), None, "two numbers are two machines");
    let two = judge(vec![report(None)], &[machine(None), machine(None)], NOW_S);
    assert_eq!(two[0].verdict, Verdict::Ambiguous);
}

/// A transmitter is one more source: where it contradicts a person who had not seen it, both stand until one is chosen.
#[test]
fn a_transmitter_and_a_person_may_disagree() {
    let mut world = excavator();
    world.record(0, 60, "meter_read", json!({"reading": "4100.2"}));
    world.record(1, 120, "meter_read", json!({"reading": "4102.2", "source": "telematics"}));
    world.record(0, 300, "meter_read", json!({"reading": "4102.5"}));
    for device in [0, 1, 0] {
        world.push(device);
    }
    let book = world.book();
    let meter = &book.meters[0];
    assert_eq!(book.clashes.len(), 1, "{:?}", book.clashes);
    assert_eq!(book.clashes[0].matter, "reading:hours");
    let transmitted = meter.telematics.as_ref().expect("a reading by telematics");
    assert_eq!((transmitted.shown.to_string(), transmitted.source.as_deref()), ("4102.2".into(), Some("telematics")));
    assert!(
        meter.doubtful.iter().chain(&meter.reading).any(|r| r.source.is_none()),
        "people's readings have no source"
    );
    assert_eq!(
        meter.reading.as_ref().map(|r| r.shown.to_string()),
        Some("4102.5".into()),
        "of two that cannot both be true the first one read is believed"
    );
    assert_eq!(meter.doubtful.len(), 1);
}

/// Whoever imports a feed has neither run the machine nor read its notes.
#[test]
fn importing_is_not_having_the_machine() {
    let mut world = excavator();
    world.record(0, 10, "note_left", json!({"handover": true}));
    for device in [0, 1] {
        world.push(device);
    }
    world.sync(1);
    let before = world.book();
    world.record(1, 20, "meter_read", json!({"reading": "4102.2", "source": "telematics"}));
    let after = world.book();
    assert_eq!((&after.people, &after.hands), (&before.people, &before.hands));
    assert_eq!(after.handover[0].known_to, before.handover[0].known_to);
    world.record(1, 30, "meter_read", json!({"reading": "4103"}));
    assert_eq!(world.book().handover[0].known_to.len(), 2, "who reads the meter at the machine is told nothing twice");
}
