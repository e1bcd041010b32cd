//! A device that holds a year of a yard: two hundred machines with a thousand entries each, in the client's own database.
//!
//! Promises: entries as a device makes them, under a plan of eleven tasks, one working day after the other; each machine
//! folded once, as it is after a day's work and a sync. The same in every run.

use crate::measure::Outcome;
use pintle::ambient::{Ambient, SinceBoot, Wall};
use pintle::glance;
use pintle::home::Home;
use pintle::plan_file::starter;
use pintle::problem::Problem;
use pintle::store::{NewEntry, Own, Tx};
use pintle_core::decimal::Decimal;
use pintle_core::entry::{ENTRY_VERSION, Entry, Head};
use pintle_core::fact::{
    Attributes, Condition, Fact, FuelFilled, MachineAdded, MeterKind, Purge, Reading, ShiftBegun, ShiftEnded, TaskDone,
};
use pintle_core::ids::{Hash, MachineId};
use pintle_core::moment::Moment;
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Machines of the yard.
pub const MACHINES: usize = 200;
/// Entries about each of them: some 250 working days.
pub const ENTRIES_EACH: usize = 1000;
/// 2026-05-04T06:50:00Z, the first morning.
const MORNING_S: i64 = 1_777_877_400;
const DAY_S: i64 = 86_400;

/// The evening of the last day, for `PINTLE_CLOCK`.
#[must_use]
pub fn last_evening() -> String {
    let days = i64::try_from(ENTRIES_EACH / 4).unwrap_or(0);
    Moment::at(MORNING_S + days * DAY_S + 36_000, 0).map_or_else(|_| String::new(), |at| at.text().to_owned())
}

/// The surroundings in which the device is made: always the same.
struct Still;

impl Ambient for Still {
    fn wall(&self) -> Wall {
        Wall { second: MORNING_S, zone: jiff::tz::TimeZone::UTC }
    }
    fn since_boot(&self) -> Option<SinceBoot> {
        None
    }
    fn random(&self, bytes: &mut [u8]) -> Result<(), Problem> {
        bytes.iter_mut().zip(Hash::of(&[b"yard"]).0.iter().cycle()).for_each(|(byte, drawn)| *byte = *drawn);
        Ok(())
    }
    fn variable(&self, _: &str) -> Option<String> {
        None
    }
    fn data_folder(&self) -> Option<PathBuf> {
        None
    }
    fn wait(&self, _: Duration) {}
}

/// Makes the device in a folder.
///
/// # Errors
/// If it cannot be written.
pub fn make(folder: &Path) -> Outcome<()> {
    let mut store = Home::find(Some(folder), &Still)?.open(&Still)?;
    let plan = match serde_json::to_value(starter("excavator")?.plan()?)? {
        Value::Object(plan) => plan,
        _ => return Err("a plan is a map".into()),
    };
    for number in 0..MACHINES {
        store.write("fill", |tx| {
            let mut own = tx.own()?;
            let machine = machine(tx, &mut own, number, &plan)?;
            tx.set_own(&own)?;
            glance::refold(tx, machine)
        })?;
    }
    Ok(())
}

fn machine(tx: &Tx<'_>, own: &mut Own, number: usize, plan: &Map<String, Value>) -> Result<MachineId, Problem> {
    let mut id = [0; 16];
    id.copy_from_slice(&Hash::of(&[b"machine of the yard", &number.to_be_bytes()]).0[..16]);
    let mut log = Log { tx, own, machine: MachineId(id), mseq: 0 };
    let attributes = Attributes { site: Some(format!("pit {}", number % 7)), ..Attributes::default() };
    let name = format!("EX{number}");
    log.add(MORNING_S - 600, &Fact::MachineAdded(MachineAdded { name, attributes, meter_kind: MeterKind::Hours }))?;
    log.add(MORNING_S - 300, &Fact::PlanSet(plan.clone()))?;
    let mut milli = 1_000_000 + i64::try_from(number).unwrap_or(0) * 10_000;
    let mut day = 0;
    while log.mseq < ENTRIES_EACH as u64 {
        let morning_s = MORNING_S + day * DAY_S;
        let ran = 6_000 + (day * 7 + i64::from(id[0])) % 3_000;
        for fact in day_of(day, milli, ran).into_iter().take(ENTRIES_EACH - usize::try_from(log.mseq).unwrap_or(0)) {
            let (after_s, fact) = fact;
            log.add(morning_s + after_s, &fact)?;
        }
        (milli, day) = (milli + ran, day + 1);
    }
    Ok(log.machine)
}

/// What is recorded on one day, with seconds after the morning.
fn day_of(day: i64, milli: i64, ran: i64) -> [(i64, Fact); 4] {
    let reading = |milli| Reading { reading: Some(Decimal::from_milli(milli)), meter: None };
    let hard = if day % 3 == 0 { Condition::Dusty } else { Condition::Dry };
    let done = TaskDone {
        task: if day % 30 == 29 { "service 250 h" } else { "grease" }.into(),
        points: Vec::new(),
        skipped: Vec::new(),
        purge: Some(Purge::Clean),
        purge_at: BTreeMap::new(),
        materials: Vec::new(),
        minutes: Some(12),
        reading: reading(milli),
    };
    let fuel = FuelFilled { litres: Decimal::from_milli(180_000), full: Some(true), reading: reading(milli) };
    let conditions = BTreeMap::from([(hard, Decimal::from_milli(2_000))]);
    [
        (0, Fact::ShiftBegun(ShiftBegun { operator: None, reading: reading(milli) })),
        (300, Fact::TaskDone(done)),
        (900, Fact::FuelFilled(fuel)),
        (35_000, Fact::ShiftEnded(ShiftEnded { operator: None, conditions, reading: reading(milli + ran) })),
    ]
}

/// The device's log, at its end.
struct Log<'a, 'b> {
    tx: &'a Tx<'b>,
    own: &'a mut Own,
    machine: MachineId,
    mseq: u64,
}

impl Log<'_, '_> {
    fn add(&mut self, second: i64, fact: &Fact) -> Result<(), Problem> {
        let (kind, body) = fact.write().unwrap_or_default();
        self.mseq += 1;
        let head = Head {
            v: ENTRY_VERSION,
            seq: self.own.head.seq + 1,
            machine: Some(self.machine),
            mseq: Some(self.mseq),
            seen: 0,
            also_seen: BTreeMap::new(),
            at: Moment::at(second, 0)?,
            by: self.own.person,
            kind: kind.to_owned(),
            clock: None,
        };
        let entry = Entry::new(&head, body, None, None)?;
        self.own.head = self.own.head.after(&entry);
        let (device, link) = (self.own.device, self.own.head.link);
        self.tx.add_entry(&NewEntry { device, link: &link, entry: &entry, placed: None })
    }
}
