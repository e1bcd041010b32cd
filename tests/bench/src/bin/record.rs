//! Times recording one entry with `pintle` beside the smallest program that inserts one row durably, and beside
//! `git commit` of one line: whole processes, on one file system, in turns.
//!
//! Promises: every run of all three is counted, after some that warm up; ratios are of medians in one run of this
//! program. `record FOLDER-OF-PROGRAMS [RUNS]`. Ends with exit code 1 if `pintle` takes more than its target.

use pintle_bench::measure::{Outcome, Spread, milliseconds, ratio, timed};
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, ExitCode};
use std::time::Duration;

/// Most time recording may take, as a multiple of the bare insert.
const RATIO_MAX: f64 = 1.6;
/// Runs of each, unless asked otherwise.
const RUNS: usize = 200;
/// Runs that only warm up.
const WARM_UP: usize = 10;

fn git(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new("git");
    command.arg("-C").arg(folder).args(["-c", "user.name=bench", "-c", "user.email=bench@localhost"]);
    command.args(arguments);
    command
}

fn main() -> Outcome<ExitCode> {
    let mut arguments = std::env::args().skip(1);
    let programs = arguments.next().ok_or("record FOLDER-OF-PROGRAMS [RUNS]")?;
    let programs = std::path::absolute(programs)?;
    let runs: usize = arguments.next().map_or(Ok(RUNS), |runs| runs.parse())?;
    // On the disk where the project lies, not on a memory file system where syncing costs nothing.
    let folder = tempfile::Builder::new().prefix("bench-record").tempdir_in(&programs)?;
    let (home, row, repository) = (folder.path().join("home"), folder.path().join("row.db"), folder.path().join("git"));
    let pintle = |words: &[&str]| {
        let mut command = Command::new(programs.join("pintle"));
        command.arg("--home").arg(&home).args(words);
        command
    };
    let peer = |text: Option<&str>| {
        let mut command = Command::new(programs.join("peer_insert"));
        command.arg(&row).args(text);
        command
    };
    timed(&mut pintle(&["machine", "add", "EX3"]))?;
    timed(&mut peer(None))?;
    std::fs::create_dir(&repository)?;
    timed(&mut git(&repository, &["init", "-q"]))?;
    let mut times: [Vec<Duration>; 3] = Default::default();
    for run in 0..WARM_UP + runs {
        // The line is appended before git is timed; staging it is part of committing it.
        std::fs::write(repository.join("log"), format!("greased {run}\n"))?;
        timed(&mut git(&repository, &["add", "log"]))?;
        let took = [
            timed(&mut pintle(&["grease", "EX3"]))?,
            timed(&mut peer(Some("greased, all points, purge clean, the second line of the day")))?,
            timed(&mut git(&repository, &["commit", "-q", "-m", "greased"]))?,
        ];
        if run >= WARM_UP {
            times.iter_mut().zip(took).for_each(|(times, took)| times.push(took));
        }
    }
    let [pintle, peer, git] = times.map(Spread::of);
    let (pintle, peer, git) = (pintle.ok_or("no runs")?, peer.ok_or("no runs")?, git.ok_or("no runs")?);
    let mut out = std::io::stdout().lock();
    writeln!(out, "record: {runs} runs each, in turns; whole processes")?;
    for (name, spread) in [("pintle grease", pintle), ("bare insert", peer), ("git commit", git)] {
        let [quarter, median, three] = [spread.quarter, spread.median, spread.three_quarters].map(milliseconds);
        writeln!(out, "{name:>14}: median {median}, middle half {quarter} to {three}")?;
    }
    let to_peer = ratio(pintle.median, peer.median);
    writeln!(
        out,
        "pintle / bare insert: {to_peer:.2}; git commit / bare insert: {:.2}",
        ratio(git.median, peer.median)
    )?;
    let verdict = if to_peer <= RATIO_MAX { "met" } else { "MISSED" };
    writeln!(out, "target: at most {RATIO_MAX} times the bare insert: {verdict}")?;
    Ok(if to_peer <= RATIO_MAX { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
