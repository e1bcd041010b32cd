//! Times a month's bills: 100,000 entries on 200 machines of 200 customers, from their stored bytes to 200 drafts.
//!
//! Promises: every run reads the entries from canonical bytes, as a server reads them from its database, finds the work,
//! proposes the lines and reckons the documents; every run is counted after some that warm up, and each must come to the
//! same sum. `bill [RUNS]`. Ends with exit code 1 if the median takes more than its target.

use pintle_bench::measure::{Outcome, Spread, milliseconds};
use pintle_core::bill::amount::Amount;
use pintle_core::bill::drafts::{Extras, drafts};
use pintle_core::bill::propose::{Ask, Names, propose};
use pintle_core::bill::trade::Trade;
use pintle_core::bill::work::works;
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::entry::{ENTRY_VERSION, Entry, Head, Held};
use pintle_core::ids::{DeviceId, Hash, MachineId, OfficeId, PersonId};
use pintle_core::moment::Moment;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Machines, each of one customer.
const MACHINES: u16 = 200;
/// Entries of each in the month.
const ENTRIES_EACH: i64 = 500;
/// Most time from bytes to drafts, in milliseconds.
const DRAFTS_MAX_MS: u64 = 2_000;
/// Runs, unless asked otherwise.
const RUNS: usize = 10;
/// Runs that only warm up.
const WARM_UP: usize = 2;
/// 2026-05-01T06:00:00Z.
const MONTH_S: i64 = 1_777_615_200;

/// One stored entry: its device, link, position and bytes.
struct Row(DeviceId, Hash, u64, Vec<u8>);

fn id(sort: u8, number: u16) -> [u8; 16] {
    let mut id = [sort; 16];
    id[..2].copy_from_slice(&number.to_be_bytes());
    id
}

fn object(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}

/// A log under a key of its own.
struct Log {
    device: DeviceId,
    head: LogHead,
    rows: Vec<Row>,
}

impl Log {
    fn new(number: u16) -> Self {
        let mut secret = [7; 32];
        secret[..2].copy_from_slice(&number.to_be_bytes());
        let key = DeviceKey::from_secret(&secret).public();
        Self { device: DeviceId::of_key(&key), head: LogHead::empty(&key), rows: Vec::new() }
    }

    fn add(
        &mut self,
        at_s: i64,
        machine: Option<MachineId>,
        kind: &str,
        body: Value,
        office: Option<Value>,
    ) -> Outcome<()> {
        let seq = self.head.seq + 1;
        let head = Head {
            v: ENTRY_VERSION,
            seq,
            machine,
            mseq: machine.map(|_| seq),
            seen: 0,
            also_seen: BTreeMap::new(),
            at: Moment::at(at_s, 7200)?,
            by: PersonId([1; 16]),
            kind: kind.to_owned(),
            clock: None,
        };
        let entry = Entry::new(&head, object(body), None, office.map(object))?;
        self.head = self.head.after(&entry);
        self.rows.push(Row(self.device, self.head.link, seq, entry.canonical()));
        Ok(())
    }
}

/// Greasing, fuel, shifts and now and then a repair with parts: a month of one machine.
fn month(number: u16) -> Outcome<Vec<Row>> {
    let mut log = Log::new(number);
    let machine = Some(MachineId(id(3, number)));
    for n in 0..ENTRIES_EACH {
        let at_s = MONTH_S + n * 5_000;
        let reading = format!("{}.{}", 4000 + n / 3, n % 10);
        let (kind, body) = match n % 5 {
            0 => ("shift_begun", json!({"reading": reading})),
            1 => (
                "task_done",
                json!({"task": "grease", "minutes": 12, "materials": [{"name": "grease NLGI 2", "amount": "40", "unit": "g"}]}),
            ),
            2 => (
                "repair_done",
                json!({"minutes": 75, "remedy": "new fitting", "parts": [{"name": "fitting M10x1", "amount": "2", "unit": "pieces"}]}),
            ),
            3 => ("fuel_filled", json!({"litres": "120", "reading": reading})),
            _ => ("shift_ended", json!({"reading": reading})),
        };
        log.add(at_s, machine, kind, body, None)?;
    }
    Ok(log.rows)
}

fn office() -> Outcome<Vec<Row>> {
    let mut log = Log::new(u16::MAX);
    let rates = OfficeId(id(4, 0));
    let mut write = |written: Value| {
        log.add(MONTH_S, None, "office_written", json!({}), Some(json!({"salt": "x", "written": written})))
    };
    write(json!({"seller": {"party": {"name": "Valley crews", "vat_id": "DE1", "address": {"country": "DE"}}}}))?;
    write(json!({"rates": {"id": rates, "value": {"name": "standard", "from": "2026-01-01", "currency": "EUR",
        "labour": [{"name": "day", "from": "06:00", "until": "18:00", "per_hour": "85"}, {"name": "night", "per_hour": "120"}],
        "call_out": "60", "machines": [{"per_hour": "95"}], "markup_percent": "25",
        "parts": [{"name": "fitting M10x1", "unit": "EA", "cost": "2"}, {"name": "grease NLGI 2", "unit": "KGM", "price": "9.5"}],
        "tax": {"category": "S", "percent": "19"}}}}))?;
    for number in 0..MACHINES {
        let (customer, job) = (OfficeId(id(5, number)), OfficeId(id(6, number)));
        write(
            json!({"customer": {"id": customer, "value": {"party": {"name": format!("customer {number}"), "address": {"country": "DE"}}, "rates": rates}}}),
        )?;
        write(
            json!({"job": {"id": job, "value": {"name": "dig", "customer": customer, "machines": [MachineId(id(3, number))], "from": "2026-05-01"}}}),
        )?;
    }
    Ok(log.rows)
}

fn held(rows: &[Row]) -> Outcome<Vec<Held>> {
    let one = |Row(device, link, position, bytes): &Row| {
        let entry = Entry::from_trusted_bytes(bytes)?;
        Ok(Held {
            device: *device,
            link: *link,
            position: Some(*position),
            received_ms: Some(0),
            off_s: None,
            aside: None,
            entry,
        })
    };
    rows.iter().map(one).collect()
}

/// From bytes to drafts: how many, how many lines, and what they come to.
fn bills(office: &[Row], machines: &BTreeMap<MachineId, Vec<Row>>) -> Outcome<(usize, usize, Amount)> {
    let trade = Trade::of(&held(office)?);
    let mut found = BTreeMap::new();
    for (machine, rows) in machines {
        found.insert(*machine, works(&held(rows)?, &trade));
    }
    let ask =
        Ask { from: "2026-05-01".parse()?, until: "2026-05-31".parse()?, customer: None, job: None, machine: None };
    let proposal = propose(&found, &trade, &Names::default(), &ask);
    let mut made = 0;
    let id = || {
        made += 1;
        OfficeId(id(9, made))
    };
    let documents = drafts(&proposal, &trade, &ask, &Extras::default(), id)?;
    let lines = documents.iter().map(|document| document.lines.len()).sum();
    Ok((documents.len(), lines, Amount::sum(documents.iter().map(|document| document.totals.payable))?))
}

#[allow(clippy::disallowed_methods, reason = "a benchmark measures time")]
fn main() -> Outcome<ExitCode> {
    let runs: usize = std::env::args().nth(1).map_or(Ok(RUNS), |runs| runs.parse())?;
    let office = office()?;
    let mut machines = BTreeMap::new();
    for number in 0..MACHINES {
        machines.insert(MachineId(id(3, number)), month(number)?);
    }
    let first = bills(&office, &machines)?;
    if first.0 != usize::from(MACHINES) {
        return Err(format!("{} drafts", first.0).into());
    }
    let mut times: Vec<Duration> = Vec::new();
    for run in 0..WARM_UP + runs {
        let began = Instant::now();
        let again = bills(&office, &machines)?;
        let took = began.elapsed();
        if again != first {
            return Err("two runs differ".into());
        }
        if run >= WARM_UP {
            times.push(took);
        }
    }
    let spread = Spread::of(times).ok_or("no runs")?;
    let mut out = std::io::stdout().lock();
    let entries = i64::from(MACHINES) * ENTRIES_EACH;
    writeln!(out, "bill: {entries} entries to {} drafts with {} lines, {} EUR", first.0, first.1, first.2.fixed(2))?;
    let [quarter, median, three] = [spread.quarter, spread.median, spread.three_quarters].map(milliseconds);
    writeln!(out, "{:>31}: median {median}, middle half {quarter} to {three}", "from bytes to drafts")?;
    let met = spread.median <= Duration::from_millis(DRAFTS_MAX_MS);
    writeln!(out, "target: at most {DRAFTS_MAX_MS} ms: {}", if met { "met" } else { "MISSED" })?;
    Ok(if met { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
