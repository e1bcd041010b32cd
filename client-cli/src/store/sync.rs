//! What is remembered between exchanges, and what a person still has to hear.
//!
//! Promises: cursor, position and digest are written together with the entries they speak of, by the same transaction.
//! Never a key, never a code.

use super::{Col, Tx};
use crate::problem::{Code, Problem};
use pintle_core::exchange::{Digest, Wanted};
use pintle_core::ids::{Baton, MachineId, OrganisationId, StoreId};
use pintle_openapi::Role;
use rusqlite::types::Type;
use rusqlite::{Row, params};
use std::collections::BTreeSet;

/// What is remembered between exchanges; one row, there once the device is enrolled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SyncRow {
    /// Where the server is.
    pub server: String,
    /// The organisation.
    pub organisation: OrganisationId,
    /// Its name.
    pub organisation_name: String,
    /// The server's database.
    pub store: StoreId,
    /// Its epoch.
    pub epoch: u64,
    /// The baton of the last reply applied.
    pub baton: Baton,
    /// The cursor of the last page stored.
    pub cursor: Option<String>,
    /// Digest of what is held up to the position seen.
    pub digest: Digest,
    /// Pushing waits for a person: two copies of this device are in use.
    pub copied: bool,
    /// Version of the directory held.
    pub directory: u64,
    /// Page size in bytes that worked last.
    pub bytes_max: u32,
    /// How the last sync ended.
    pub last: Option<Outcome>,
    /// What the device's person may do; unknown where it was enrolled by a program that did not keep it.
    pub role: Option<Role>,
    /// The machines the device wants.
    pub wanted: Wanted,
    /// Whether the server has been told so.
    pub wanted_told: bool,
    /// The machines that the cursor was made for, without sites: of these all that stands before it is here.
    pub held: Wanted,
}

/// How a sync ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outcome {
    /// When, in seconds since 1970 by the device's clock.
    pub at_s: i64,
    /// `done`, or the code of the problem.
    pub code: String,
}

fn sync_row(r: &Row<'_>) -> rusqlite::Result<SyncRow> {
    let sum: [u8; 8] = r.get(8)?;
    let last = match (r.get::<_, Option<i64>>(12)?, r.get::<_, Option<String>>(13)?) {
        (Some(at_s), Some(code)) => Some(Outcome { at_s, code }),
        _ => None,
    };
    Ok(SyncRow {
        server: r.get(0)?,
        organisation: r.get::<_, Col<_>>(1)?.0,
        organisation_name: r.get(2)?,
        store: r.get::<_, Col<_>>(3)?.0,
        epoch: r.get(4)?,
        baton: r.get::<_, Col<_>>(5)?.0,
        cursor: r.get(6)?,
        digest: Digest { count: r.get(7)?, sum: u64::from_be_bytes(sum) },
        copied: r.get(9)?,
        directory: r.get(10)?,
        bytes_max: r.get(11)?,
        last,
        role: r.get::<_, Option<String>>(14)?.as_deref().and_then(Role::parse),
        wanted: wanted(r, 15)?,
        wanted_told: r.get(16)?,
        held: held(r, 17)?,
    })
}

/// The machines wanted: all where the column has none.
fn wanted(r: &Row<'_>, column: usize) -> rusqlite::Result<Wanted> {
    let damaged = |error| rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(error));
    let text: Option<String> = r.get(column)?;
    text.map_or(Ok(Wanted::default()), |text| serde_json::from_str(&text).map_err(damaged))
}

/// The machines held, their ids one after the other: all where the column has none.
fn held(r: &Row<'_>, column: usize) -> rusqlite::Result<Wanted> {
    let damaged = |error| rusqlite::Error::FromSqlConversionFailure(column, Type::Blob, Box::new(error));
    let Some(bytes) = r.get::<_, Option<Vec<u8>>>(column)? else { return Ok(Wanted::default()) };
    let machines = bytes.chunks(MachineId::LEN).map(MachineId::from_slice).collect::<Result<BTreeSet<_>, _>>();
    machines.map(Wanted::only).map_err(damaged)
}

fn held_bytes(held: &Wanted) -> Option<Vec<u8>> {
    held.machines.as_ref().map(|machines| machines.iter().flat_map(|machine| machine.0).collect())
}

impl Tx<'_> {
    /// The machines of which all is here that the ledger had up to the position seen.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn machines_held(&self) -> Result<Wanted, Problem> {
        Ok(self.one("read", "SELECT held FROM sync", [], |r| held(r, 0))?.unwrap_or_default())
    }

    /// Whether all is here that the ledger had about a machine up to the position seen. Where this is a copy, what the ledger
    /// has under its own name is not.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn sees(&self, machine: Option<MachineId>) -> Result<bool, Problem> {
        let row = self.one("read", "SELECT held, copied FROM sync", [], |r| Ok((held(r, 0)?, r.get::<_, bool>(1)?)))?;
        let (held, copied) = row.unwrap_or_default();
        Ok(held.takes(machine) && !copied)
    }

    /// What is remembered between exchanges; none before enrolment.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn sync(&self) -> Result<Option<SyncRow>, Problem> {
        const SQL: &str = "SELECT server, organisation, organisation_name, store, epoch, baton, cursor, digest_count, \
                           digest_sum, copied, directory, bytes_max, last_at_s, last_outcome, \
                           role, wanted, wanted_told, held FROM sync";
        self.one("read", SQL, [], sync_row)
    }

    /// What is remembered between exchanges by a device that is enrolled.
    ///
    /// # Errors
    /// `not-enrolled`, and if it cannot be read.
    pub fn enrolled(&self) -> Result<SyncRow, Problem> {
        self.sync()?.ok_or_else(|| {
            Problem::new(Code::NotEnrolled, "this device knows no server yet; everything is kept here")
                .hint("pintle enrol URL CODE")
        })
    }

    /// Writes what is remembered between exchanges.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn set_sync(&self, row: &SyncRow) -> Result<(), Problem> {
        const SQL: &str = "INSERT OR REPLACE INTO sync (one, server, organisation, organisation_name, store, epoch, \
                           baton, cursor, digest_count, digest_sum, copied, directory, bytes_max, last_at_s, \
                           last_outcome, role, wanted, wanted_told, held) \
                           VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)";
        // A set of machines always has a JSON form.
        let wanted = (!row.wanted.is_all()).then(|| serde_json::to_string(&row.wanted).unwrap_or_default());
        let values = params![
            row.server,
            Col(row.organisation),
            row.organisation_name,
            Col(row.store),
            row.epoch,
            Col(row.baton),
            row.cursor,
            row.digest.count,
            row.digest.sum.to_be_bytes(),
            row.copied,
            row.directory,
            row.bytes_max,
            row.last.as_ref().map(|l| l.at_s),
            row.last.as_ref().map(|l| l.code.as_str()),
            row.role.map(Role::as_str),
            wanted,
            row.wanted_told,
            held_bytes(&row.held),
        ];
        self.execute("store", SQL, values).map(|_| ())
    }

    /// Forgets the server: the device begins anew.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn forget_sync(&self) -> Result<(), Problem> {
        self.execute("store", "DELETE FROM sync", []).map(|_| ())
    }

    /// Keeps a notice until it has been shown.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn add_notice(&self, at_s: i64, code: &str, sentence: &str) -> Result<(), Problem> {
        const SQL: &str = "INSERT INTO notice (at_s, code, sentence) VALUES (?, ?, ?)";
        self.execute("store", SQL, params![at_s, code, sentence]).map(|_| ())
    }

    /// The newest notices, newest first: when, code, sentence.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn notices(&self, most: u32) -> Result<Vec<(i64, String, String)>, Problem> {
        const SQL: &str = "SELECT at_s, code, sentence FROM notice ORDER BY number DESC LIMIT ?";
        self.all("read", SQL, params![most], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
    }
}
