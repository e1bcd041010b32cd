//! The schema of the device's database: landed steps are frozen, and what it promises holds.
//!
//! A digest that differs means that a step was edited which devices have run already.

use crate::stage::Stage;
use pintle_core::Hash;
use pintle_migrations::device::STEPS;

/// SHA-256 of every landed step. A step is never edited: a change is a new step, and a new line here.
const LANDED: &[(u32, &str)] = &[
    (1, "U49Fyd6v7TiVW7Vju4-BLDwfeaE76uUKCVDrObnHx2A"),
    (2, "eYKVxAs0B_svtwk0lB7NWUSXxNzmMzxYngefbuPQp4c"),
    (3, "6oR5YaG_e5ex76CDOHtIj0j4JpT_LPwYb_5eEyiR3YU"),
    (4, "RkhiMZTpNsVLa6vnFY0cs1hKMf9kE92un2OHvhvjQcE"),
    (5, "jovk0ACrGkOQKHkJJlNHLUXFdphx3llB7oludBQ5gv0"),
    (6, "hIDMXkZdxbVxWQ_sA3d6M_YEU-z5AH6O-6VbLDpciCU"),
    (7, "g39rennz_ekPn4gfzzJAAUaiZuuIpVwuKodoNAGI3G4"),
];

#[test]
fn landed_steps_are_never_edited() {
    let steps: Vec<(u32, String)> =
        STEPS.iter().map(|step| (step.version, Hash::of(&[step.sql.as_bytes()]).to_string())).collect();
    let landed: Vec<(u32, String)> = LANDED.iter().map(|(version, hash)| (*version, (*hash).to_owned())).collect();
    assert_eq!(steps, landed);
    assert!(STEPS.iter().zip(1..).all(|(step, version)| step.version == version), "numbered 1, 2, 3 …");
}

#[test]
fn the_database_is_durable_by_its_settings() {
    let stage = Stage::with_machine();
    let database = rusqlite::Connection::open(stage.home().join("log.db")).expect("opens");
    let mode: String = database.query_row("PRAGMA journal_mode", [], |r| r.get(0)).expect("reads");
    assert_eq!(mode, "wal");
    let strict: i64 = database
        .query_row("SELECT count(*) FROM pragma_table_list WHERE schema = 'main' AND type = 'table' AND strict = 0 AND name NOT LIKE 'sqlite_%'", [], |r| r.get(0))
        .expect("reads");
    assert_eq!(strict, 0, "every table is STRICT");
}
