//! An organisation with ten thousand machines: the ledger that is asked, made the way devices make it.
//!
//! Promises: every entry is chained, sealed and pushed as a device does it, one working day of all machines after the
//! other, so that the entries of one machine lie apart as they do in a real ledger. The same in every run but for the
//! secrets of the database.
//!
//! Never by statements of its own: what the store refuses fails the benchmark.

use pintle::plan_file::starter;
use pintle_bench::measure::Outcome;
use pintle_core::admit;
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::decimal::Decimal;
use pintle_core::entry::{ENTRY_VERSION, Entry, Head};
use pintle_core::exchange::{ClockSample, Person, Push};
use pintle_core::fact::{
    Attributes, Condition, Fact, FuelFilled, MachineAdded, MeterKind, Purge, Reading, ShiftBegun, ShiftEnded, TaskDone,
};
use pintle_core::ids::{Baton, DeviceId, Hash, MachineId, OrganisationId, PersonId, StoreId};
use pintle_core::limits::PUSH_ENTRIES_MAX;
use pintle_core::moment::Moment;
use pintle_store::sql::SqlStore;
use pintle_store::{Actor, DeviceScope, Enrolment, EnrolmentCode, FreshSecrets, Organisation, Role, Store};
use serde_json::Value;
use std::collections::BTreeMap;

/// 2026-05-04T06:50:00Z, the first morning.
const MORNING_S: i64 = 1_777_877_400;
const DAY_S: i64 = 86_400;

/// The one device that records it all, and where its log ends.
pub struct Recorder {
    /// The device's key.
    pub key: DeviceKey,
    /// The ledger.
    pub store: SqlStore,
    scope: DeviceScope,
    log: LogHead,
    waiting: Vec<Entry>,
    counts: Vec<u64>,
    /// Where each machine's meter stands, in thousandths of an hour.
    meters: Vec<i64>,
}

fn drawn(what: &str, number: usize) -> [u8; 16] {
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&Hash::of(&[b"fleet of the benchmark", what.as_bytes(), &number.to_be_bytes()]).0[..16]);
    bytes
}

/// The id of a machine.
#[must_use]
pub fn machine(number: usize) -> MachineId {
    MachineId(drawn("machine", number))
}

/// The evening of a day, as the benchmark asks.
///
/// # Errors
/// If it lies outside the calendar.
pub fn evening(day: i64) -> Outcome<Moment> {
    Ok(Moment::at(MORNING_S + day * DAY_S + 36_000, 0)?)
}

impl Recorder {
    /// Makes a ledger in a new database, with the one organisation and its one device.
    ///
    /// # Errors
    /// If the database refuses.
    pub async fn begin(database: &str, machines: usize) -> Outcome<Self> {
        let now_ms = MORNING_S * 1000;
        let secret = |what: &str| Hash::of(&[b"fleet of the benchmark", what.as_bytes()]).0;
        let fresh = FreshSecrets {
            store: StoreId(drawn("store", 0)),
            cursor_secret: secret("cursor"),
            token_secret: secret("token"),
            ledger_secret: secret("ledger"),
        };
        let store = SqlStore::open(database, fresh, now_ms).await?;
        let organisation = OrganisationId(drawn("organisation", 0));
        let key = DeviceKey::from_secret(&secret("device"));
        let code = EnrolmentCode { hash: Hash::of(&[b"code"]), role: Role::Owner, expires_ms: now_ms + 1000 };
        store.organisation_add(&Organisation { id: organisation, name: "Gravel crew".into() }, now_ms).await?;
        store.code_add(Actor::operator(organisation), &code, now_ms).await?;
        let person = Person { id: PersonId(drawn("person", 0)), name: "Mira".into() };
        let baton = Baton(drawn("baton", 0));
        store
            .enrol(&Enrolment { code: code.hash, key: key.public(), mark: "K7".into(), person, baton, now_ms })
            .await?;
        Ok(Self {
            scope: DeviceScope { organisation, device: DeviceId::of_key(&key.public()) },
            log: LogHead::empty(&key.public()),
            waiting: Vec::with_capacity(PUSH_ENTRIES_MAX),
            counts: vec![0; machines],
            meters: (0..machines).map(|number| 1_000_000 + i64::try_from(number).unwrap_or(0) * 100).collect(),
            key,
            store,
        })
    }

    /// Records all machines and then one working day after the other, until each machine has its entries.
    ///
    /// # Errors
    /// If the store refuses.
    pub async fn fill(&mut self, entries_each: u64) -> Outcome<i64> {
        // Eleven tasks on four sorts of clocks, each with what is needed and what to mind.
        let Value::Object(plan) = serde_json::to_value(starter("excavator")?.plan()?)? else {
            return Err("a plan is a map".into());
        };
        for number in 0..self.counts.len() {
            let attributes = Attributes {
                site: Some(format!("pit {}", number % 70)),
                serial: Some(format!("SN-{number}")),
                ..Attributes::default()
            };
            let added = MachineAdded { name: format!("EX{number}"), attributes, meter_kind: MeterKind::Hours };
            self.record(number, MORNING_S - 600, &Fact::MachineAdded(added)).await?;
            self.record(number, MORNING_S - 300, &Fact::PlanSet(plan.clone())).await?;
        }
        let mut day = 0;
        while self.counts.iter().any(|count| *count < entries_each) {
            for number in 0..self.counts.len() {
                self.day(number, day, entries_each).await?;
            }
            day += 1;
        }
        self.push().await?;
        Ok(day)
    }

    async fn day(&mut self, number: usize, day: i64, entries_each: u64) -> Outcome<()> {
        let before = self.meters[number];
        let ran = 6_000 + (day * 7 + i64::from(machine(number).0[0])) % 3_000;
        for (after_s, fact) in day_of(day, number, before, ran) {
            if self.counts[number] < entries_each {
                self.record(number, MORNING_S + day * DAY_S + after_s, &fact).await?;
            }
        }
        self.meters[number] = before + ran;
        Ok(())
    }

    /// Records a greasing of a machine on a day that is long past, and pushes it.
    ///
    /// # Errors
    /// If the store refuses.
    pub async fn record_late(&mut self, number: usize, day: i64) -> Outcome<()> {
        let fact = Fact::TaskDone(greased("grease", Reading::default()));
        self.record(number, MORNING_S + day * DAY_S + 20_000, &fact).await?;
        self.push().await
    }

    async fn record(&mut self, number: usize, second: i64, fact: &Fact) -> Outcome<()> {
        let (kind, body) = fact.write().ok_or("a fact is written")?;
        self.counts[number] += 1;
        let head = Head {
            v: ENTRY_VERSION,
            seq: self.log.seq + self.waiting.len() as u64 + 1,
            machine: Some(machine(number)),
            mseq: Some(self.counts[number]),
            seen: 0,
            also_seen: BTreeMap::new(),
            at: Moment::at(second, 0)?,
            by: PersonId(drawn("person", number % 40)),
            kind: kind.to_owned(),
            clock: None,
        };
        self.waiting.push(Entry::new(&head, body, None, None)?);
        if self.waiting.len() == PUSH_ENTRIES_MAX { self.push().await } else { Ok(()) }
    }

    async fn push(&mut self) -> Outcome<()> {
        let entries = std::mem::take(&mut self.waiting);
        let Some(last) = entries.last() else { return Ok(()) };
        let at = last.head().map_err(|fault| fault.to_string())?.at.clone();
        let (from, previous) = (self.log.seq + 1, self.log.link);
        let log = entries.iter().fold(self.log, |head, entry| head.after(entry));
        let signature = self.key.seal(&self.scope.organisation, from, &log).signature;
        let push = Push { from, previous, entries, signature };
        let checked = admit::check(push, &self.key.public(), &self.scope.organisation).map_err(|e| format!("{e:?}"))?;
        let now_ms = at.second() * 1000;
        let clock = ClockSample { at, boot: None, up_s: None };
        let pushed = self.store.push(self.scope, &checked, &clock, now_ms).await?;
        if pushed.head != log || !pushed.answer.aside.is_empty() {
            return Err(format!("the ledger did not take everything: {:?}", pushed.answer.outcome).into());
        }
        self.log = log;
        Ok(())
    }
}

fn greased(task: &str, reading: Reading) -> TaskDone {
    TaskDone {
        task: task.into(),
        points: Vec::new(),
        skipped: Vec::new(),
        purge: Some(Purge::Clean),
        purge_at: BTreeMap::new(),
        materials: Vec::new(),
        minutes: Some(12),
        reading,
    }
}

/// What is recorded on one day, with seconds after the morning.
fn day_of(day: i64, number: usize, milli: i64, ran: i64) -> [(i64, Fact); 4] {
    let reading = |milli| Reading { reading: Some(Decimal::from_milli(milli)), meter: None };
    let hard = if day % 3 == 0 { Condition::Dusty } else { Condition::Dry };
    let service = day % 30 == i64::try_from(number % 30).unwrap_or(0);
    let done = greased(if service { "service 250 h" } else { "grease" }, reading(milli));
    let fuel = FuelFilled { litres: Decimal::from_milli(180_000), full: Some(true), reading: reading(milli) };
    let conditions = BTreeMap::from([(hard, Decimal::from_milli(2_000))]);
    [
        (0, Fact::ShiftBegun(ShiftBegun { operator: None, reading: reading(milli) })),
        (300, Fact::TaskDone(done)),
        (900, Fact::FuelFilled(fuel)),
        (35_000, Fact::ShiftEnded(ShiftEnded { operator: None, conditions, reading: reading(milli + ran) })),
    ]
}
