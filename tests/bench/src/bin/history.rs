//! Times making and checking a service history of 20,000 entries, beside hashing and checking signatures alone.
//!
//! Promises: six devices, batches of a dozen entries of which a quarter are about another machine, clock evidence,
//! one entry in eight with words and a random salt; made from what the ledger holds in memory to the bytes of the
//! file, checked from the bytes to the verdict. `history [RUNS]`. Exit code 1 if a target is missed.
//!
//! Not timed: reading the entries from a database.

#[path = "../../../../core/tests/it/history_world.rs"]
#[allow(dead_code, clippy::expect_used, reason = "a world of core's tests, of which a part is used here")]
mod history_world;

use flate2::Compression;
use flate2::bufread::GzDecoder;
use flate2::write::GzEncoder;
use history_world::{EX3, EX4, Ledger, Said, pin};
use pintle_bench::measure::{Outcome, Spread, milliseconds, ratio};
use pintle_core::chain::{DeviceKey, verify};
use pintle_core::entry::Clock;
use pintle_core::history::verdict::Standing;
use pintle_core::history::verify::Verifier;
use pintle_core::ids::{Hash, Salt};
use serde_json::json;
use std::hint::black_box;
use std::io::{BufRead as _, BufReader, Write as _};
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Entries about the machine.
const ENTRIES: usize = 20_000;
/// Entries of a batch; a quarter of them are about another machine.
const BATCH: usize = 12;
/// Most time to make the file, in milliseconds.
const MADE_MAX_MS: u64 = 2_000;
/// Most time to check it, in milliseconds.
const CHECKED_MAX_MS: u64 = 1_000;
/// Most bytes an entry.
const ENTRY_BYTES_MAX: usize = 250;
/// Runs unless asked otherwise.
const RUNS: usize = 9;

fn main() -> Outcome<ExitCode> {
    let runs: usize = std::env::args().nth(1).map_or(Ok(RUNS), |runs| runs.parse())?;
    let ledger = written();
    let [mut made, mut checked, mut hashing, mut signatures] = [const { Vec::<Duration>::new() }; 4];
    let mut file = Vec::new();
    for _ in 0..runs.max(1) {
        made.push(clocked(|| {
            file = gzip(&ledger.file(&["office"]))?;
            Ok(())
        })?);
        checked.push(clocked(|| check(&file))?);
        let lines = ledger.file(&["office"]);
        hashing.push(clocked(|| {
            lines.iter().for_each(|line| _ = black_box(Hash::of(&[line.as_bytes()])));
            Ok(())
        })?);
        signatures.push(clocked(sealed)?);
    }
    report(file.len(), [made, checked, hashing, signatures].map(Spread::of))
}

fn batches() -> usize {
    ENTRIES.div_ceil(BATCH - BATCH / 4)
}

/// A ledger in which the machine has its entries.
fn written() -> Ledger {
    let mut ledger = Ledger::of(6);
    let mut dice = 0x9e37_79b9_7f4a_7c15_u64;
    let mut roll = move || {
        dice ^= dice << 13;
        dice ^= dice >> 7;
        dice ^= dice << 17;
        dice
    };
    let mut left = ENTRIES;
    while left > 0 {
        let about = |n: usize| if n % 4 == 1 { Some(EX4) } else { Some(EX3) };
        let machines: Vec<_> = (0..BATCH).map(about).collect();
        left = left.saturating_sub(machines.iter().filter(|machine| **machine == Some(EX3)).count());
        let device = usize::try_from(roll() % 6).unwrap_or(0);
        let began_s = 1_777_000_000 + i64::try_from(roll() % 10_000_000).unwrap_or(0);
        let boot = format!("{:08x}", roll() & 0xffff_ffff);
        ledger.push_as(device, &machines, &mut |seq| {
            let clock = Some(Clock { boot: boot.clone(), began_s, wall: None });
            let reading = format!("{}.{}", 4000 + seq / 9, roll() % 10);
            let mut salt = [0; 12];
            salt[..8].copy_from_slice(&roll().to_be_bytes());
            salt[8..].copy_from_slice(&roll().to_be_bytes()[..4]);
            let words = format!("pin {} took a lot, seal {} wet", roll() % 40, roll() % 90);
            let words = seq.is_multiple_of(8).then(|| json!({"salt": Salt(salt).to_string(), "text": words}));
            match roll() % 4 {
                0 => Said {
                    kind: "fuel_filled",
                    body: json!({"litres": 80 + roll() % 90, "reading": reading}),
                    words,
                    office: None,
                    clock,
                },
                1 => Said { kind: "meter_read", body: json!({"reading": reading}), words, office: None, clock },
                2 => {
                    let conditions = json!({"dry": format!("{}", roll() % 9), "dusty": "2.5"});
                    Said {
                        kind: "shift_ended",
                        body: json!({"reading": reading, "conditions": conditions}),
                        words,
                        office: None,
                        clock,
                    }
                }
                _ => Said {
                    kind: "task_done",
                    body: json!({"task": "grease", "reading": reading, "purge": "clean"}),
                    words,
                    office: None,
                    clock,
                },
            }
        });
    }
    ledger
}

#[allow(clippy::disallowed_methods, reason = "a benchmark measures time")]
fn clocked(work: impl FnOnce() -> Outcome<()>) -> Outcome<Duration> {
    let began = Instant::now();
    work()?;
    Ok(began.elapsed())
}

fn gzip(lines: &[String]) -> Outcome<Vec<u8>> {
    let mut file = GzEncoder::new(Vec::new(), Compression::best());
    for line in lines {
        file.write_all(line.as_bytes())?;
        file.write_all(b"\n")?;
    }
    Ok(file.finish()?)
}

fn check(file: &[u8]) -> Outcome<()> {
    let mut verifier = Verifier::new(Some(pin()));
    for line in BufReader::new(GzDecoder::new(file)).split(b'\n') {
        verifier.line(&line?);
    }
    let verdict = verifier.finish();
    let entries = usize::try_from(verdict.about.entries)?;
    if verdict.standing == Standing::Valid && entries >= ENTRIES { Ok(()) } else { Err("it does not verify".into()) }
}

/// As many signatures as the file has seals.
fn sealed() -> Outcome<()> {
    let key = DeviceKey::from_secret(&[1; 32]);
    let (text, public) = ([7; 110], key.public());
    let signature = key.sign(&text);
    let good = (0..batches()).all(|_| verify(&public, black_box(&text), &signature));
    if good { Ok(()) } else { Err("a signature does not verify".into()) }
}

fn report(bytes: usize, spreads: [Option<Spread>; 4]) -> Outcome<ExitCode> {
    let [Some(made), Some(checked), Some(hashing), Some(signatures)] = spreads else { return Err("no runs".into()) };
    let mut out = std::io::stdout().lock();
    writeln!(out, "service history: {ENTRIES} entries in {} batches; {} bytes an entry", batches(), bytes / ENTRIES)?;
    for (name, spread) in
        [("made", made), ("checked", checked), ("its lines hashed", hashing), ("its seals checked", signatures)]
    {
        let [quarter, median, three] = [spread.quarter, spread.median, spread.three_quarters].map(milliseconds);
        writeln!(out, "{name:>31}: median {median}, middle half {quarter} to {three}")?;
    }
    let bare = hashing.median + signatures.median;
    let beside = [made, checked].map(|spread| ratio(spread.median, bare));
    writeln!(out, "beside hashing and seals alone: made {:.2}, checked {:.2}", beside[0], beside[1])?;
    let met = [
        (format!("made in at most {MADE_MAX_MS} ms"), made.median <= Duration::from_millis(MADE_MAX_MS)),
        (format!("checked in at most {CHECKED_MAX_MS} ms"), checked.median <= Duration::from_millis(CHECKED_MAX_MS)),
        (format!("at most {ENTRY_BYTES_MAX} bytes an entry"), bytes / ENTRIES <= ENTRY_BYTES_MAX),
    ];
    for (target, is_met) in &met {
        writeln!(out, "target: {target}: {}", if *is_met { "met" } else { "MISSED" })?;
    }
    Ok(if met.iter().all(|(_, is_met)| *is_met) { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
