//! Plays rounds in which real programs are killed at random moments, with a bad network between: see
//! `pintle_tests::rounds` for the laws.
//!
//! Promises: ends with 0 if every law held in every round, and says what was played; with 1 and the seed if not.

#![allow(clippy::disallowed_methods, reason = "a program for tests is an outermost layer")]
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a program for people")]

use pintle_tests::rounds::ledger::Ledger;
use pintle_tests::rounds::{Plan, Planted, play};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

const USAGE: &str = "rounds sqlite|postgres ROUNDS [SEED]
    postgres: PINTLE_TEST_DATABASE is the address of an empty database; three servers share it";

fn plan(arguments: &[String], folder: &Path) -> Option<Plan> {
    let (database, rounds) = (arguments.first()?, arguments.get(1)?.parse().ok()?);
    let seed = arguments.get(2).map_or(Some(1), |seed| seed.parse().ok())?;
    let programs = std::env::current_exe().ok()?.parent()?.to_owned();
    let (ledger, processes) = match database.as_str() {
        "sqlite" => (Ledger::Sqlite(folder.join("ledger.db")), 1),
        "postgres" => {
            let installed = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
            let newest: PathBuf = installed.map(|version| version.path().join("bin")).max().unwrap_or_default();
            (Ledger::Postgres(std::env::var("PINTLE_TEST_DATABASE").ok()?, newest), 3)
        }
        _ => return None,
    };
    let (planted, folder) = (Planted::Nothing, folder.to_owned());
    Some(Plan { rounds, seed, ledger, processes, planted, programs, folder })
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let folder = match tempfile::tempdir() {
        Ok(folder) => folder,
        Err(error) => {
            eprintln!("rounds: {error}");
            return ExitCode::FAILURE;
        }
    };
    let Some(plan) = plan(&arguments, folder.path()) else {
        eprintln!("{USAGE}");
        return ExitCode::from(2);
    };
    let began = Instant::now();
    match play(&plan) {
        Ok(played) => {
            println!("{played:?}\nevery law held, seed {}, {} s", plan.seed, began.elapsed().as_secs());
            ExitCode::SUCCESS
        }
        Err(broken) => {
            eprintln!("rounds: {broken}");
            let _kept = folder.keep();
            ExitCode::FAILURE
        }
    }
}
