//! Keeps what happened in a run of the simulator that broke a law.
//!
//! Promises: a seed that failed leaves a file with every step of its run and what was wrong at the end; the same seed
//! writes the same file. Never part of a run: it runs the seed once more.

use crate::sim::bugs::Bug;
use crate::sim::{Outcome, Trace, run};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Writes `seed-N.txt` into a folder, which is made if need be; gives its place.
///
/// # Errors
/// If the file cannot be written.
pub fn keep(folder: &Path, seed: u64, bug: Option<Bug>) -> io::Result<PathBuf> {
    let outcome = run(seed, bug, Trace::Kept);
    fs::create_dir_all(folder)?;
    let place = folder.join(format!("seed-{seed}.txt"));
    fs::write(&place, format!("{}\n\n{}\n", outcome.trace.join("\n"), outcome.report()))?;
    Ok(place)
}

/// What is to be shown of a failed seed: its report, and where the whole run stands.
#[must_use]
pub fn told(folder: &Path, outcome: &Outcome) -> String {
    match keep(folder, outcome.seed, outcome.bug) {
        Ok(place) => format!("{}\n  {}", outcome.report(), place.display()),
        Err(error) => format!("{}\n  cannot write its steps to {}: {error}", outcome.report(), folder.display()),
    }
}
