//! Times what is due on ten thousand machines with two million entries, asked of a real server over HTTP, beside one pass
//! over the same rows in SQLite.
//!
//! Promises: four figures, each with its limit: the first answer of a server that has just started, with its views in
//! the database; an answer when nothing has changed; an answer after one late entry; the pass. A request is timed whole,
//! from connecting to the last byte. `due_server FOLDER-OF-PROGRAMS [MACHINES [ENTRIES-EACH]]`. Ends with exit code 1 if a
//! limit is passed. Filling the ledger and folding it for the first time are told, not judged.

use pintle_bench::measure::{Outcome, Spread, milliseconds, ratio};
use pintle_bench_server::fleet::{Recorder, evening};
use pintle_bench_server::server::Server;
use std::io::Write as _;
use std::path::Path;
use std::process::ExitCode;
use std::time::{Duration, Instant};

const MACHINES: usize = 10_000;
const ENTRIES_EACH: u64 = 200;
/// The first answer of a server that has just started.
const COLD_MAX: Duration = Duration::from_secs(1);
/// An answer when nothing has changed.
const UNCHANGED_MAX: Duration = Duration::from_millis(50);
/// The first answer as a multiple of one pass over all rows: it must not pass over them.
const COLD_RATIO_MAX: f64 = 1.0;
/// An answer after one late entry as a multiple of the first one: one machine is folded, not all.
const LATE_RATIO_MAX: f64 = 0.5;
/// Starts of the server.
const STARTS: usize = 5;
/// Requests when nothing has changed, and after a late entry each.
const REQUESTS: usize = 40;

#[allow(clippy::disallowed_methods, reason = "a benchmark measures time")]
fn timed<T>(act: impl FnOnce() -> Outcome<T>) -> Outcome<(Duration, T)> {
    let began = Instant::now();
    let done = act()?;
    Ok((began.elapsed(), done))
}

/// One pass over all rows: their number and the bytes of their entries.
fn pass(database: &Path) -> Outcome<(u64, u64)> {
    let connection = rusqlite::Connection::open(database)?;
    let mut statement =
        connection.prepare("SELECT machine, at_s, bytes FROM ledger ORDER BY organisation, position")?;
    let mut rows = statement.query([])?;
    let (mut count, mut bytes) = (0, 0);
    while let Some(row) = rows.next()? {
        count += 1;
        bytes += row.get_ref(2)?.as_blob()?.len() as u64;
    }
    Ok((count, bytes))
}

fn main() -> Outcome<ExitCode> {
    let mut arguments = std::env::args().skip(1);
    let programs =
        std::path::absolute(arguments.next().ok_or("due_server FOLDER-OF-PROGRAMS [MACHINES [ENTRIES-EACH]]")?)?;
    let machines = arguments.next().map_or(Ok(MACHINES), |number| number.parse())?;
    let entries_each = arguments.next().map_or(Ok(ENTRIES_EACH), |number| number.parse())?;
    let folder = tempfile::Builder::new().prefix("bench-due-server").tempdir_in(&programs)?;
    let file = folder.path().join("ledger.db");
    let database = format!("sqlite:{}?mode=rwc", file.display());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut out = std::io::stdout().lock();

    let (filled, (mut recorder, days)) = timed(|| {
        runtime.block_on(async {
            let mut recorder = Recorder::begin(&database, machines).await?;
            let days = recorder.fill(entries_each).await?;
            Ok((recorder, days))
        })
    })?;
    let at = evening(days - 1)?;
    let start = || Server::start(&programs.join("pintle-server"), &database, &recorder.key, &recorder.store);
    let (folded, first) = {
        let server = start()?;
        timed(|| server.due(&at))?
    };
    writeln!(out, "filled {machines} machines with {entries_each} entries each in {:.0} s", filled.as_secs_f64())?;
    writeln!(out, "folded them for the first time in {:.1} s", folded.as_secs_f64())?;

    let (mut cold, mut unchanged, mut late, mut passes) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for _ in 0..STARTS {
        passes.push(timed(|| pass(&file))?.0);
        let server = start()?;
        let (took, answer) = timed(|| server.due(&at))?;
        if answer != first {
            return Err("a server that has started anew gives another answer".into());
        }
        cold.push(took);
    }
    let server = start()?;
    server.due(&at)?;
    for _ in 0..REQUESTS {
        unchanged.push(timed(|| server.due(&at))?.0);
    }
    for number in 0..REQUESTS {
        runtime.block_on(recorder.record_late(number * (machines / REQUESTS).max(1) % machines, days / 2))?;
        late.push(timed(|| server.due(&at))?.0);
    }
    let (rows, bytes) = pass(&file)?;
    let told = |runs| Spread::of(runs).ok_or("no runs");
    let (cold, unchanged, late, passed) = (told(cold)?, told(unchanged)?, told(late)?, told(passes)?);
    writeln!(
        out,
        "due on {machines} machines, {rows} entries of {bytes} bytes; whole requests, a page of 50 machines"
    )?;
    let figures =
        [("just started", cold), ("nothing changed", unchanged), ("one late entry", late), ("pass over rows", passed)];
    for (name, spread) in figures {
        let [quarter, median, three] = [spread.quarter, spread.median, spread.three_quarters].map(milliseconds);
        writeln!(out, "{name:>16}: median {median}, middle half {quarter} to {three}")?;
    }
    let (cold_ratio, late_ratio) = (ratio(cold.median, passed.median), ratio(late.median, cold.median));
    writeln!(out, "just started / pass over rows: {cold_ratio:.2}, at most {COLD_RATIO_MAX}")?;
    writeln!(out, "one late entry / just started: {late_ratio:.2}, at most {LATE_RATIO_MAX}")?;
    let kept = [
        ("just started", cold.median <= COLD_MAX, COLD_MAX),
        ("nothing changed", unchanged.median <= UNCHANGED_MAX, UNCHANGED_MAX),
    ];
    for (name, within, limit) in kept {
        writeln!(out, "{name}: at most {}: {}", milliseconds(limit), if within { "kept" } else { "MISSED" })?;
    }
    let all = kept.iter().all(|(_, within, _)| *within) && cold_ratio <= COLD_RATIO_MAX && late_ratio <= LATE_RATIO_MAX;
    Ok(if all { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
