//! Times a new device that catches up with two hundred thousand entries through the feed, beside one that would be given
//! them as one file.
//!
//! Promises: the device is the real program against a real server, over a line on which every byte is counted; the file is
//! the same entries, with links, places and times, compressed whole, and taking it is inflating it and writing each line
//! as a row of a bare durable SQLite table, unchecked: the least that any snapshot would cost. `newcomer
//! FOLDER-OF-PROGRAMS [MACHINES [ENTRIES-EACH]]`. Ends with exit code 1 if a limit is passed.

use flate2::Compression;
use flate2::read::GzDecoder;
use flate2::write::GzEncoder;
use pintle_bench::measure::{Outcome, ratio};
use pintle_bench_server::fleet::Recorder;
use pintle_bench_server::line::Line;
use pintle_bench_server::server::Server;
use rusqlite::{Connection, TransactionBehavior, params};
use serde_json::{Value, json};
use std::fs::File;
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Command, ExitCode};
use std::time::{Duration, Instant};

const MACHINES: usize = 1_000;
const ENTRIES_EACH: u64 = 200;
/// What the feed may weigh on the line, as a multiple of the file.
const BYTES_RATIO_MAX: f64 = 1.5;
/// What catching up may take, as a multiple of taking the file unchecked: the device hashes every entry, checks every
/// seal, indexes, and folds every machine.
const TIME_RATIO_MAX: f64 = 20.0;

#[allow(clippy::disallowed_methods, reason = "a benchmark measures time")]
fn timed<T>(act: impl FnOnce() -> Outcome<T>) -> Outcome<(Duration, T)> {
    let began = Instant::now();
    let done = act()?;
    Ok((began.elapsed(), done))
}

/// Writes the ledger into one compressed file; the number of its lines.
fn write_file(database: &Path, file: &Path) -> Outcome<u64> {
    let connection = Connection::open(database)?;
    let mut statement =
        connection.prepare("SELECT position, device, link, received_ms, bytes FROM ledger ORDER BY position")?;
    let mut rows = statement.query([])?;
    let mut out = GzEncoder::new(File::create(file)?, Compression::default());
    let mut lines = 0;
    let hex = |bytes: Vec<u8>| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    while let Some(row) = rows.next()? {
        let entry: Value = serde_json::from_slice(row.get_ref(4)?.as_blob()?)?;
        let line = json!({
            "position": row.get::<_, i64>(0)?, "device": hex(row.get(1)?), "link": hex(row.get(2)?),
            "received_ms": row.get::<_, i64>(3)?, "entry": entry
        });
        writeln!(out, "{line}")?;
        lines += 1;
    }
    out.finish()?.sync_all()?;
    Ok(lines)
}

/// Takes the file: inflated, and each line a row.
fn take_file(file: &Path, database: &Path) -> Outcome<u64> {
    let mut connection = Connection::open(database)?;
    connection.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;")?;
    connection.execute_batch("CREATE TABLE line (number INTEGER PRIMARY KEY, text BLOB NOT NULL) STRICT;")?;
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut lines = 0;
    {
        let mut insert = transaction.prepare("INSERT INTO line VALUES (?1, ?2)")?;
        for line in BufReader::new(GzDecoder::new(File::open(file)?)).lines() {
            lines += 1;
            insert.execute(params![lines, line?.as_bytes()])?;
        }
    }
    transaction.commit()?;
    Ok(lines)
}

/// Runs a program to its good end and gives what it wrote.
fn run(command: &mut Command) -> Outcome<String> {
    let done = command.output()?;
    if !done.status.success() {
        return Err(format!("{command:?}: {}{}", text(&done.stdout), text(&done.stderr)).into());
    }
    Ok(text(&done.stdout))
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn main() -> Outcome<ExitCode> {
    let mut arguments = std::env::args().skip(1);
    let programs =
        std::path::absolute(arguments.next().ok_or("newcomer FOLDER-OF-PROGRAMS [MACHINES [ENTRIES-EACH]]")?)?;
    let machines = arguments.next().map_or(Ok(MACHINES), |number| number.parse())?;
    let entries_each = arguments.next().map_or(Ok(ENTRIES_EACH), |number| number.parse())?;
    let folder = tempfile::Builder::new().prefix("bench-newcomer").tempdir_in(&programs)?;
    let ledger = folder.path().join("ledger.db");
    let database = format!("sqlite:{}?mode=rwc", ledger.display());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let mut out = std::io::stdout().lock();

    let recorder = runtime.block_on(async {
        let mut recorder = Recorder::begin(&database, machines).await?;
        recorder.fill(entries_each).await?;
        Ok::<_, Box<dyn std::error::Error>>(recorder)
    })?;
    let file = folder.path().join("ledger.gz");
    let rows = write_file(&ledger, &file)?;
    let file_bytes = std::fs::metadata(&file)?.len();
    let (file_time, taken) = timed(|| take_file(&file, &folder.path().join("lines.db")))?;

    let server = Server::start(&programs.join("pintle-server"), &database, &recorder.key, &recorder.store)?;
    let line = Line::to(server.port()?)?;
    let mut code = Command::new(programs.join("pintle-server"));
    let said = run(code.arg("code").env("PINTLE_DATABASE", &database))?;
    let code = said.split_whitespace().last().ok_or("no code")?.to_owned();
    let home = folder.path().join("newcomer");
    let pintle = |arguments: &[&str]| {
        let mut command = Command::new(programs.join("pintle"));
        run(command.arg("--home").arg(&home).args(arguments))
    };
    pintle(&["setup", "--name", "Ines", "--mark", "N2"])?;
    let (feed_time, _) = timed(|| {
        pintle(&["enrol", &line.url(), &code])?;
        pintle(&["sync"])
    })?;
    let counted = line.counted();
    let held: u64 = Connection::open(home.join("log.db"))?.query_row("SELECT count(*) FROM entry", [], |r| r.get(0))?;
    // Its own enrolment is in the ledger since.
    if taken != rows || held < rows {
        return Err(format!("{rows} entries in the ledger, {taken} taken from the file, {held} on the device").into());
    }

    let bytes = ratio_of(counted.down + counted.up, file_bytes);
    let time = ratio(feed_time, file_time);
    writeln!(out, "a new device and {rows} entries about {machines} machines")?;
    writeln!(out, "   one file: {file_bytes} bytes, {:.1} s unchecked into a bare table", file_time.as_secs_f64())?;
    writeln!(
        out,
        "   the feed: {} bytes down, {} up, {} connections, {:.1} s",
        counted.down,
        counted.up,
        counted.connections,
        feed_time.as_secs_f64()
    )?;
    writeln!(out, "bytes, feed / file: {bytes:.2}, at most {BYTES_RATIO_MAX}")?;
    writeln!(out, "time, feed / file: {time:.1}, at most {TIME_RATIO_MAX}")?;
    Ok(if bytes <= BYTES_RATIO_MAX && time <= TIME_RATIO_MAX { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn ratio_of(of: u64, to: u64) -> f64 {
    of as f64 / to as f64
}
