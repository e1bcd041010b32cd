//! A minute of what `tests/rounds` does at length: real programs, killed at random moments, a bad network between them.
//!
//! Promises: the laws are those of `pintle_tests::rounds`; a fault that is planted is noticed by them, or they show
//! nothing.

use crate::postgres::Postgres;
use crate::whole::programs;
use pintle_tests::rounds::ledger::Ledger;
use pintle_tests::rounds::{Plan, Planted, Played, play};
use std::path::Path;

/// Rounds on SQLite and PostgreSQL: some 20 seconds each on two cores that have nothing else to do.
const ROUNDS_SQLITE: u32 = 24;
const ROUNDS_POSTGRES: u32 = 12;
/// Rounds within which the planted fault must have been noticed.
const ROUNDS_PLANTED: u32 = 40;

fn plan(folder: &Path, ledger: Ledger, rounds: u32) -> Plan {
    let processes = if matches!(ledger, Ledger::Sqlite(_)) { 1 } else { 3 };
    let (planted, folder) = (Planted::Nothing, folder.to_owned());
    Plan { rounds, seed: 11, ledger, processes, planted, programs: programs(), folder }
}

fn shown(played: Told) -> Played {
    played.unwrap_or_else(|broken| panic!("{broken}"))
}

type Told = Result<Played, String>;

#[test]
fn nothing_is_lost_or_doubled_on_sqlite() {
    let folder = tempfile::tempdir().expect("a folder");
    let played = shown(play(&plan(folder.path(), Ledger::Sqlite(folder.path().join("ledger.db")), ROUNDS_SQLITE)));
    assert!(played.servers_killed >= 6 && played.syncs_killed >= 4 && played.compared > 100, "{played:?}");
    assert!(played.connections.1 * 10 > played.connections.0, "{played:?}");
}

/// Three processes share one database behind the network; of them one is killed in the middle, and the others go on.
#[test]
fn nothing_is_lost_or_doubled_by_three_servers_on_postgres() {
    let Some(postgres) = Postgres::new("rounds") else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let ledger = Ledger::Postgres(postgres.url.clone(), postgres.programs.clone());
    let played = shown(play(&plan(folder.path(), ledger, ROUNDS_POSTGRES)));
    assert!(played.servers_killed >= 3 && played.compared > 50, "{played:?}");
    assert!(played.syncs_survived >= 1, "no sync ended well while one of three servers was dead: {played:?}");
}

#[test]
fn a_server_that_acknowledges_too_early_is_noticed() {
    let folder = tempfile::tempdir().expect("a folder");
    let sound = plan(folder.path(), Ledger::Sqlite(folder.path().join("ledger.db")), ROUNDS_PLANTED);
    let noticed = play(&Plan { planted: Planted::AcknowledgedTooEarly, ..sound });
    let told = noticed.expect_err("what was acknowledged was lost, and nobody noticed");
    assert!(told.contains("was told that"), "{told}");
}
