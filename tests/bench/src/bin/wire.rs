//! Prints what a day's push weighs on the wire: twenty entries, all their hashes and the seal included.
//!
//! Promises: what is weighed is what a device sends, compressed as HTTP compresses it; beside the push stand the whole
//! body, the header with the proof, and what an idle exchange weighs. Ends with exit code 1 if an entry of the push weighs
//! more than the target.

use flate2::Compression;
use flate2::write::GzEncoder;
use pintle_bench::day;
use pintle_core::exchange::PROOF_HEADER;
use std::io::Write as _;
use std::process::ExitCode;

/// Most bytes an entry may weigh in a push of [`day::ENTRIES`], links and seal included.
const ENTRY_BYTES_MAX: usize = 70;

fn gzip(bytes: &[u8], level: u32) -> std::io::Result<usize> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::new(level));
    encoder.write_all(bytes)?;
    Ok(encoder.finish()?.len())
}

fn main() -> Result<ExitCode, Box<dyn std::error::Error>> {
    let (request, body, proof) = day::exchange()?;
    let push = serde_json::to_vec(&request.push)?;
    let empty = serde_json::to_vec(&pintle_core::exchange::SyncRequest { push: None, ..request })?;
    let header = format!("{PROOF_HEADER}: {proof}\r\n").len();
    let mut out = std::io::stdout().lock();
    writeln!(out, "wire: a push of {} entries in one exchange", day::ENTRIES)?;
    writeln!(
        out,
        "{:>8} {:>6} {:>9} {:>6} {:>6} {:>6}   bytes an entry: push, all",
        "", "push", "whole body", "proof", "all", "idle"
    )?;
    let mut within = false;
    let sizes = |level: Option<u32>, bytes: &[u8]| level.map_or(Ok(bytes.len()), |level| gzip(bytes, level));
    for (name, level) in [("as JSON", None), ("gzip -6", Some(6)), ("gzip -9", Some(9))] {
        let [push, whole, idle] = [sizes(level, &push)?, sizes(level, &body)?, sizes(level, &empty)?];
        let [of_push, of_all] = [push, whole + header].map(|bytes| bytes as f64 / day::ENTRIES as f64);
        writeln!(
            out,
            "{name:>8} {push:>6} {whole:>10} {header:>6} {:>6} {idle:>6}   {of_push:.1}, {of_all:.1}",
            whole + header
        )?;
        within = push <= ENTRY_BYTES_MAX * day::ENTRIES;
    }
    let verdict = if within { "met" } else { "MISSED" };
    writeln!(
        out,
        "target: at most {ENTRY_BYTES_MAX} bytes an entry of the push, its links and seal included: {verdict}"
    )?;
    Ok(if within { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
