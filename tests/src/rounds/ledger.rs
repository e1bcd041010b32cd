//! What a ledger and a device hold, read from outside, beside the programs that write.
//!
//! Promises: reads the databases as they lie, whether a program has them open or was killed a moment ago.
//! Never a write.

use rusqlite::{Connection, OpenFlags};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Where the server keeps its ledger.
#[derive(Debug, Clone)]
pub enum Ledger {
    /// A file.
    Sqlite(PathBuf),
    /// An address, and the folder with PostgreSQL's own programs.
    Postgres(String, PathBuf),
}

/// An entry's place: device, number and link, in hexadecimal digits.
pub type Placed = (String, u64, String);

/// What failed, in words.
pub type Told<T> = Result<T, String>;

impl Ledger {
    /// Its address for `pintle-server`.
    #[must_use]
    pub fn url(&self) -> String {
        match self {
            Self::Sqlite(file) => format!("sqlite:{}?mode=rwc", file.display()),
            Self::Postgres(url, _) => url.clone(),
        }
    }

    /// Every entry by position.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn placed(&self) -> Told<BTreeMap<u64, Placed>> {
        let rows = self.rows("lower(hex(link))", "encode(link, 'hex')")?;
        Ok(rows.into_iter().map(|(position, device, seq, link)| (position, (device, seq, link))).collect())
    }

    /// The canonical text of every entry, in order of position.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn texts(&self) -> Told<Vec<String>> {
        let rows = self.rows("CAST(bytes AS TEXT)", "convert_from(bytes, 'UTF8')")?;
        Ok(rows.into_iter().map(|(_, _, _, text)| text).collect())
    }

    fn rows(&self, sqlite: &str, postgres: &str) -> Told<Vec<(u64, String, u64, String)>> {
        match self {
            Self::Sqlite(file) => {
                let sql = format!("SELECT position, lower(hex(device)), seq, {sqlite} FROM ledger ORDER BY position");
                read(file, &sql)
            }
            Self::Postgres(url, programs) => {
                let sql =
                    format!("SELECT position, encode(device, 'hex'), seq, {postgres} FROM ledger ORDER BY position");
                let mut psql = Command::new(programs.join("psql"));
                let output = psql.args(["--no-psqlrc", "-At", "-F", "\u{1f}", "-c", &sql, url]).output();
                let output = output.map_err(|error| format!("psql: {error}"))?;
                if !output.status.success() {
                    return Err(format!("psql: {}", String::from_utf8_lossy(&output.stderr)));
                }
                let text = String::from_utf8(output.stdout).map_err(|error| error.to_string())?;
                text.lines().map(line).collect()
            }
        }
    }
}

fn line(line: &str) -> Told<(u64, String, u64, String)> {
    let mut parts = line.splitn(4, '\u{1f}');
    let mut part = || parts.next().ok_or_else(|| format!("psql said {line:?}"));
    let (position, device, seq, rest) = (part()?, part()?, part()?, part()?);
    let number = |text: &str| text.parse::<u64>().map_err(|error| format!("{line:?}: {error}"));
    Ok((number(position)?, device.to_owned(), number(seq)?, rest.to_owned()))
}

fn read(file: &Path, sql: &str) -> Told<Vec<(u64, String, u64, String)>> {
    let told = |error: rusqlite::Error| format!("{}: {error}", file.display());
    let connection = Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_WRITE).map_err(told)?;
    connection.busy_timeout(std::time::Duration::from_secs(10)).map_err(told)?;
    let mut statement = connection.prepare(sql).map_err(told)?;
    let rows = statement.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?))).map_err(told)?;
    rows.collect::<Result<_, _>>().map_err(told)
}

/// What a device holds with a position: it was told so by the server.
///
/// # Errors
/// If it cannot be read.
pub fn acknowledged(home: &Path) -> Told<BTreeMap<u64, Placed>> {
    let sql = "SELECT position, lower(hex(device)), seq, lower(hex(link)) FROM entry WHERE position IS NOT NULL";
    let rows = read(&home.join("log.db"), sql)?;
    Ok(rows.into_iter().map(|(position, device, seq, link)| (position, (device, seq, link))).collect())
}

/// The canonical text of every entry that a device holds.
///
/// # Errors
/// If it cannot be read.
pub fn texts_of(home: &Path) -> Told<Vec<String>> {
    let sql = "SELECT seq, lower(hex(device)), seq, CAST(bytes AS TEXT) FROM entry ORDER BY device, seq";
    Ok(read(&home.join("log.db"), sql)?.into_iter().map(|(_, _, _, text)| text).collect())
}

/// Takes the last `count` commits out of the write-ahead log of an SQLite file that nobody has open: as if they had been
/// acknowledged before they were on the disk. Gives how many it took.
///
/// # Errors
/// If the files cannot be read or written.
pub fn lose_commits(file: &Path, count: usize) -> std::io::Result<usize> {
    // The form of the file: sqlite.org/fileformat2.html, section 4. A header of 32 bytes with the page size at 8 and the
    // salts at 16; frames of 24 bytes and a page, with the salts at 8, where the number at 4 is not zero at a commit.
    let path = PathBuf::from(format!("{}-wal", file.display()));
    let bytes = match std::fs::read(&path) {
        Ok(bytes) if bytes.len() > 32 => bytes,
        Ok(_) => return Ok(0),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(0),
        Err(error) => return Err(error),
    };
    let number = |at: usize| u32::from_be_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
    let frame = 24 + number(8) as usize;
    let mut ends = vec![32];
    for at in (32..bytes.len().saturating_sub(frame - 1)).step_by(frame) {
        if bytes[at + 8..at + 16] != bytes[16..24] {
            break;
        }
        if number(at + 4) != 0 {
            ends.push(at + frame);
        }
    }
    let keep = ends.len().saturating_sub(1 + count);
    let lost = ends.len() - 1 - keep;
    if lost > 0 {
        std::fs::OpenOptions::new().write(true).open(&path)?.set_len(ends[keep] as u64)?;
    }
    Ok(lost)
}
