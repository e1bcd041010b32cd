//! One person's day with two machines as twenty entries, and the exchange that brings them to the server.
//!
//! Promises: entries as a device makes them, with clock evidence, salts and free text; every id, salt and key is drawn
//! from a hash, so that it compresses as badly as a random one. The same in every run.

use pintle_core::chain::{self, DeviceKey, LogHead};
use pintle_core::decimal::Decimal;
use pintle_core::entry::{Clock, Entry, Head};
use pintle_core::exchange::{ClockSample, Digest, PROTOCOL, PullAsk, Push, SyncRequest};
use pintle_core::fact::{
    Condition, Fact, FindingRaised, FuelFilled, Material, NoteLeft, Purge, Reading, RepairDone, ShiftBegun, ShiftEnded,
    Sign, Skipped, TaskDone, Urgency,
};
use pintle_core::fault::Fault;
use pintle_core::ids::{
    Baton, DeviceId, Hash, MachineId, OrganisationId, PersonId, RequestId, Salt, Signature, StoreId,
};
use pintle_core::limits::PAGE_BYTES_START;
use pintle_core::moment::Moment;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// Entries of the day.
pub const ENTRIES: usize = 20;
/// The log had so many entries before the day began.
const LOG_BEFORE: u64 = 391;
/// 2026-05-04T06:50:00+02:00.
const MORNING_S: i64 = 1_777_870_200;
const OFFSET_S: i32 = 7_200;

/// Sixteen bytes that look random, by name.
fn drawn(name: &str) -> [u8; 16] {
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&Hash::of(&[b"day of the benchmark", name.as_bytes()]).0[..16]);
    bytes
}

fn decimal(milli: i64) -> Decimal {
    Decimal::from_milli(milli)
}

fn at(milli: i64) -> Reading {
    Reading { reading: Some(decimal(milli)), meter: None }
}

/// One act of the day: minute after the morning, machine, what happened, and what was written about it.
type Act = (i64, &'static str, Fact, Option<&'static str>);

fn greased(milli: i64, points: &[&str], skipped: &[(&str, &str)], purge: Purge) -> Fact {
    Fact::TaskDone(TaskDone {
        task: "grease".into(),
        points: points.iter().map(|p| (*p).to_owned()).collect(),
        skipped: skipped.iter().map(|(p, r)| Skipped { point: (*p).into(), reason: Some((*r).into()) }).collect(),
        purge: Some(purge),
        purge_at: BTreeMap::new(),
        // Nobody weighs grease: it is pumped until clean grease shows.
        materials: Vec::new(),
        minutes: Some(12),
        reading: at(milli),
    })
}

fn found(sign: Sign, point: &str, milli: i64) -> Fact {
    let (point, urgency) = (Some(point.into()), sign.default_urgency());
    Fact::FindingRaised(FindingRaised { sign, point, urgency, reading: at(milli) })
}

fn fuelled(litres_milli: i64, milli: i64) -> Fact {
    Fact::FuelFilled(FuelFilled { litres: decimal(litres_milli), full: Some(true), reading: at(milli) })
}

fn begun(milli: i64) -> Fact {
    Fact::ShiftBegun(ShiftBegun { operator: None, reading: at(milli) })
}

fn ended(condition: Condition, hours_milli: i64, milli: i64) -> Fact {
    let conditions = BTreeMap::from([(condition, decimal(hours_milli))]);
    Fact::ShiftEnded(ShiftEnded { operator: None, conditions, reading: at(milli) })
}

fn acts() -> Vec<Act> {
    let noted = |handover| Fact::NoteLeft(NoteLeft { handover });
    vec![
        (0, "EX3", begun(4_127_500), None),
        (4, "EX3", greased(4_127_500, &[], &[("boom foot", "not reached")], Purge::Clean), None),
        (15, "EX3", fuelled(212_000, 4_127_500), None),
        (71, "EX3", found(Sign::Squeak, "bucket pin left", 4_128_600), Some("squeaks when curling")),
        (74, "EX3", greased(4_128_600, &["bucket pin left"], &[], Purge::Dirty), None),
        (183, "EX3", noted(false), Some("waited an hour for the lorry")),
        (246, "EX3", Fact::MeterRead(at(4_131_200).into()), None),
        (
            250,
            "EX3",
            found(Sign::MissingFitting, "stick cylinder rod end", 4_131_300),
            Some("broken off at the thread"),
        ),
        (
            282,
            "EX3",
            Fact::RepairDone(RepairDone {
                closes: vec![pintle_core::EntryRef { device: device(), seq: LOG_BEFORE + 8 }],
                point: Some("stick cylinder rod end".into()),
                cause: Some("hit a stone".into()),
                remedy: Some("drilled out, new fitting".into()),
                parts: vec![Material {
                    name: "grease fitting M10x1 straight".into(),
                    amount: Some(decimal(1000)),
                    unit: Some("pieces".into()),
                }],
                minutes: Some(25),
                reading: at(4_131_300),
            }),
            None,
        ),
        (286, "EX3", greased(4_131_300, &["stick cylinder rod end"], &[], Purge::Water), None),
        (290, "EX3", ended(Condition::Muddy, 3_800, 4_131_300), None),
        (301, "L2", begun(9_802_100), None),
        (304, "L2", greased(9_802_100, &[], &[], Purge::Clean), None),
        (350, "L2", fuelled(96_500, 9_802_800), None),
        (
            410,
            "L2",
            Fact::FindingRaised(FindingRaised {
                sign: Sign::Leak,
                point: Some("tilt cylinder".into()),
                urgency: Urgency::Watch,
                reading: at(9_803_700),
            }),
            Some("a drop a minute at the gland"),
        ),
        (468, "L2", Fact::MeterRead(at(9_804_600).into()), None),
        (530, "L2", greased(9_805_600, &["centre pivot"], &[], Purge::Clean), None),
        (548, "L2", ended(Condition::Dusty, 3_500, 9_805_800), None),
        (551, "L2", noted(true), Some("top up hydraulic oil before the start, the can is in the box")),
        (553, "EX3", noted(true), Some("boom foot still to be greased")),
    ]
}

/// The device's key.
#[must_use]
pub fn key() -> DeviceKey {
    DeviceKey::from_secret(&Hash::of(&[b"day of the benchmark", b"secret"]).0)
}

fn device() -> DeviceId {
    DeviceId::of_key(&key().public())
}

/// The entries of the day, in order.
///
/// # Errors
/// If core no longer takes what this module makes.
pub fn entries() -> Result<Vec<Entry>, Fault> {
    let mut counts = BTreeMap::from([("EX3", 164_u64), ("L2", 71)]);
    let mut entries = Vec::new();
    for (seq, (minute, machine, fact, text)) in (LOG_BEFORE + 1..).zip(acts()) {
        let count = counts.entry(machine).or_default();
        *count += 1;
        let second = MORNING_S + minute * 60 + i64::try_from(seq * 7 % 60).unwrap_or_default();
        let (kind, body) = fact.write().unwrap_or(("note_left", Map::new()));
        let head = Head {
            v: 1,
            seq,
            machine: Some(MachineId(drawn(machine))),
            mseq: Some(*count),
            seen: 1_204,
            also_seen: BTreeMap::new(),
            at: Moment::at(second, OFFSET_S)?,
            by: PersonId(drawn("person")),
            kind: kind.to_owned(),
            clock: Some(Clock { boot: "5f0e12aa".into(), began_s: MORNING_S - 81_231, wall: None }),
        };
        let mut salt = Salt([0; 12]);
        salt.0.copy_from_slice(&drawn(&format!("salt {seq}"))[..12]);
        let salt = salt.to_string();
        let words = text.map(|text| Map::from_iter([("salt".into(), salt.into()), ("text".into(), Value::from(text))]));
        let entry = Entry::new(&head, body, words, None)?;
        Fact::read(&head, &entry)?;
        entries.push(entry);
    }
    Ok(entries)
}

/// The day as one exchange: its body, and the header that proves it.
///
/// # Errors
/// As [`entries`].
pub fn exchange() -> Result<(SyncRequest, Vec<u8>, Signature), Fault> {
    let organisation = OrganisationId(drawn("organisation"));
    let entries = entries()?;
    let before = LogHead { seq: LOG_BEFORE, link: Hash::of(&[b"the log before"]) };
    let log = entries.iter().fold(before, |head, entry| head.after(entry));
    let signature = key().seal(&organisation, before.seq + 1, &log).signature;
    let request = SyncRequest {
        protocol: PROTOCOL,
        request: RequestId(drawn("request")),
        organisation,
        device: device(),
        store: StoreId(drawn("store")),
        epoch: 1,
        baton: Baton(drawn("baton")),
        clock: ClockSample {
            at: Moment::at(MORNING_S + 10 * 3600, OFFSET_S)?,
            boot: Some("5f0e12aa".into()),
            up_s: Some(117_231),
        },
        log,
        push: Some(Push { from: before.seq + 1, previous: before.link, entries, signature }),
        carried: None,
        pull: PullAsk {
            // A cursor is some 60 authenticated bytes.
            cursor: Some([drawn("a"), drawn("b"), drawn("c"), drawn("d")].map(|part| Baton(part).to_string()).concat()),
            bytes_max: PAGE_BYTES_START,
            own: false,
        },
        wanted: None,
        digest: Digest { count: 1_204, sum: Hash::of(&[b"sum"]).prefix() },
        checkpoint: None,
        directory: 3,
        people: Vec::new(),
    };
    let body = serde_json::to_vec(&json!(request)).unwrap_or_default();
    let proof = key().sign(&chain::sync_text(&body));
    Ok((request, body, proof))
}

#[cfg(test)]
mod tests {
    use super::*;
    use pintle_core::admit;

    #[test]
    fn the_day_is_a_push_that_a_server_takes_whole() {
        let (request, body, proof) = exchange().expect("a day");
        assert!(chain::verify(&key().public(), &chain::sync_text(&body), &proof));
        assert_eq!(serde_json::from_slice::<SyncRequest>(&body).expect("reads back"), request);
        let checked = admit::check(request.push.expect("a push"), &key().public(), &request.organisation);
        let checked = checked.expect("a chain and seal that hold");
        assert_eq!(checked.entries.len(), ENTRIES);
        for entry in &checked.entries {
            assert_eq!(entry.fault, None);
        }
    }
}
