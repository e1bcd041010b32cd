//! The smallest program that reads what a list of what is due stands for: one pass over every entry of a device.
//!
//! The peer that `pintle due` is timed against. Same file, same SQLite; nothing is decoded, folded or printed but the
//! number of rows and bytes. `peer_pass FILE`.

use std::error::Error;
use std::io::Write as _;

fn main() -> Result<(), Box<dyn Error>> {
    let file = std::env::args_os().nth(1).ok_or("peer_pass FILE")?;
    let database = rusqlite::Connection::open(file)?;
    let mut statement = database.prepare("SELECT bytes FROM entry")?;
    let mut rows = statement.query([])?;
    let (mut count, mut bytes) = (0_u64, 0_u64);
    while let Some(row) = rows.next()? {
        count += 1;
        bytes += row.get_ref(0)?.as_blob()?.len() as u64;
    }
    writeln!(std::io::stdout(), "{count} rows, {bytes} bytes")?;
    Ok(())
}
