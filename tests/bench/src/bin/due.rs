//! Times `pintle due` on a device that holds 200 machines with 200,000 entries, beside one pass over the same rows.
//!
//! Promises: whole processes, in turns, every run counted after some that warm up. Timed as a crew meets it: with
//! everything folded; after a day on which ten machines were recorded about, which folds ten thousand entries and writes
//! what came of it durably; and the very first time after an update, when nothing is kept.
//! `due FOLDER-OF-PROGRAMS [RUNS]`. Ends with exit code 1 if one of the first two takes more than its target.

use pintle_bench::measure::{Outcome, Spread, milliseconds, ratio, timed};
use pintle_bench::yard::{ENTRIES_EACH, MACHINES, last_evening, make};
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, ExitCode};
use std::time::Duration;

/// Most time the list may take, in milliseconds: what a person does not notice as waiting.
const DUE_MAX_MS: u64 = 100;
/// Most time it may take after such a day, as a multiple of one pass over the rows: a ratio, because a write waits for a
/// disk that others use too.
const RECORDED_RATIO_MAX: f64 = 4.0;
/// Runs of each, unless asked otherwise.
const RUNS: usize = 50;
/// Runs of the first time after an update: each folds everything.
const RUNS_ANEW: usize = 5;
/// Runs that only warm up.
const WARM_UP: usize = 5;
/// Machines recorded about since the last list.
const RECORDED: usize = 10;

fn main() -> Outcome<ExitCode> {
    let mut arguments = std::env::args().skip(1);
    let programs = std::path::absolute(arguments.next().ok_or("due FOLDER-OF-PROGRAMS [RUNS]")?)?;
    let runs: usize = arguments.next().map_or(Ok(RUNS), |runs| runs.parse())?;
    let folder = tempfile::Builder::new().prefix("bench-due").tempdir_in(&programs)?;
    let home = folder.path().join("home");
    make(&home)?;
    let pintle = |words: &[&str]| {
        let mut command = Command::new(programs.join("pintle"));
        command.env("PINTLE_CLOCK", last_evening()).env("TZ", "UTC").arg("--home").arg(&home).args(words);
        command
    };
    let pass = || {
        let mut command = Command::new(programs.join("peer_pass"));
        command.arg(home.join("log.db"));
        command
    };
    check(&mut pintle(&["--json", "due"]))?;
    let [mut kept, mut recorded, mut passes, mut anew] = [const { Vec::<Duration>::new() }; 4];
    for run in 0..WARM_UP + runs {
        for machine in 0..RECORDED {
            timed(&mut pintle(&["fuel", &format!("EX{machine}"), "90"]))?;
        }
        let took = [timed(&mut pintle(&["due"]))?, timed(&mut pintle(&["due"]))?, timed(&mut pass())?];
        if run >= WARM_UP {
            let lists = [&mut recorded, &mut kept, &mut passes];
            lists.into_iter().zip(took).for_each(|(times, took)| times.push(took));
        }
    }
    for _ in 0..RUNS_ANEW {
        forget_outlooks(&home)?;
        anew.push(timed(&mut pintle(&["due"]))?);
    }
    report([kept, recorded, passes, anew].map(Spread::of))
}

/// The list is the whole one.
#[allow(clippy::disallowed_methods, reason = "a benchmark runs programs")]
fn check(due: &mut Command) -> Outcome<()> {
    let answer: serde_json::Value = serde_json::from_slice(&due.output()?.stdout)?;
    let machines = answer["due"].as_array().map_or(0, Vec::len);
    if machines == MACHINES { Ok(()) } else { Err(format!("{machines} machines are listed").into()) }
}

/// As after an update: what another version has folded is as good as not there.
fn forget_outlooks(home: &Path) -> Outcome<()> {
    let database = rusqlite::Connection::open(home.join("log.db"))?;
    database.execute_batch("UPDATE outlook SET made_by = 'another';")?;
    Ok(())
}

fn report(spreads: [Option<Spread>; 4]) -> Outcome<ExitCode> {
    let [Some(kept), Some(recorded), Some(pass), Some(anew)] = spreads else { return Err("no runs".into()) };
    let mut out = std::io::stdout().lock();
    writeln!(out, "due: {MACHINES} machines, {} entries; whole processes, in turns", MACHINES * ENTRIES_EACH)?;
    let told = [
        ("all folded", kept),
        ("ten machines recorded about", recorded),
        ("nothing kept (after an update)", anew),
        ("one pass over the rows", pass),
    ];
    for (name, spread) in told {
        let [quarter, median, three] = [spread.quarter, spread.median, spread.three_quarters].map(milliseconds);
        writeln!(out, "{name:>31}: median {median}, middle half {quarter} to {three}")?;
    }
    let to_pass = |spread: Spread| ratio(spread.median, pass.median);
    writeln!(
        out,
        "beside one pass: all folded {:.2}, ten recorded {:.2}, nothing kept {:.2}",
        to_pass(kept),
        to_pass(recorded),
        to_pass(anew)
    )?;
    let quick = kept.median <= Duration::from_millis(DUE_MAX_MS);
    let beside = to_pass(recorded) <= RECORDED_RATIO_MAX;
    let verdict = |met| if met { "met" } else { "MISSED" };
    writeln!(out, "target: all folded, at most {DUE_MAX_MS} ms: {}", verdict(quick))?;
    writeln!(out, "target: ten recorded, at most {RECORDED_RATIO_MAX} passes: {}", verdict(beside))?;
    Ok(if quick && beside { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
