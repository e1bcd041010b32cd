//! The smallest program that does what recording has to do: opens a SQLite database and inserts one row durably.
//!
//! The peer that `pintle` is timed against. Same SQLite, same journal (WAL) and the same `synchronous=FULL`; no entry,
//! no hash, no check, one table. `peer_insert FILE TEXT`; `peer_insert FILE` only makes the database.

use std::error::Error;

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args_os().skip(1);
    let file = arguments.next().ok_or("peer_insert FILE [TEXT]")?;
    let text = arguments.next().map(|text| text.to_string_lossy().into_owned());
    let database = rusqlite::Connection::open(file)?;
    database.busy_timeout(std::time::Duration::from_secs(5))?;
    let Some(text) = text else {
        database.execute_batch(
            "PRAGMA journal_mode=WAL; CREATE TABLE IF NOT EXISTS line (number INTEGER PRIMARY KEY, text TEXT NOT NULL) STRICT;",
        )?;
        return Ok(());
    };
    database.execute_batch("PRAGMA synchronous=FULL; BEGIN IMMEDIATE;")?;
    database.execute("INSERT INTO line (text) VALUES (?1)", [text])?;
    database.execute_batch("COMMIT;")?;
    Ok(())
}
