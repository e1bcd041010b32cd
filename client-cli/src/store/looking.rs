//! Reading rows as they lie, for whoever looks for damage.
//!
//! Promises: a row is given though the domain would refuse it; one that cannot be read at all is an error for that row
//! alone. Nothing here is used to answer anything else.
//!
//! Never: a judgement; that is `crate::examine`'s.

use super::{Col, Tx};
use crate::problem::Problem;
use pintle_core::ids::{DeviceId, Hash, MachineId};
use rusqlite::{Row, params};

/// An entry's row, with its columns as they stand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BareRow {
    /// Its number in the device's log.
    pub seq: u64,
    /// Its link.
    pub link: Hash,
    /// Its place in the ledger.
    pub position: Option<u64>,
    /// Why it stands aside.
    pub aside: Option<String>,
    /// The machine, as the column says.
    pub machine: Option<MachineId>,
    /// When, as the column says.
    pub at_s: i64,
    /// The kind, as the column says.
    pub kind: String,
    /// What should be an entry.
    pub bytes: Vec<u8>,
}

const BARE: &str = "seq, link, position, aside, machine, at_s, kind, bytes";

fn bare_row(r: &Row<'_>) -> rusqlite::Result<BareRow> {
    Ok(BareRow {
        seq: r.get(0)?,
        link: r.get::<_, Col<_>>(1)?.0,
        position: r.get(2)?,
        aside: r.get(3)?,
        machine: r.get::<_, Option<Col<_>>>(4)?.map(|c| c.0),
        at_s: r.get(5)?,
        kind: r.get(6)?,
        bytes: r.get(7)?,
    })
}

impl Tx<'_> {
    /// Rows of one device's log from a number on.
    ///
    /// # Errors
    /// If one of them cannot be read.
    pub fn bare_from(&self, device: DeviceId, from: u64, most: u32) -> Result<Vec<BareRow>, Problem> {
        let sql = format!("SELECT {BARE} FROM entry WHERE device = ? AND seq >= ? ORDER BY seq LIMIT ?");
        self.all("read", &sql, params![Col(device), from, most], bare_row)
    }

    /// One row of a device's log.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn bare(&self, device: DeviceId, seq: u64) -> Result<Option<BareRow>, Problem> {
        let sql = format!("SELECT {BARE} FROM entry WHERE device = ? AND seq = ?");
        self.one("read", &sql, params![Col(device), seq], bare_row)
    }

    /// Machines that entries are about and that have no glance.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn machines_without_glance(&self) -> Result<Vec<MachineId>, Problem> {
        const SQL: &str = "SELECT DISTINCT machine FROM entry WHERE machine IS NOT NULL \
                           AND machine NOT IN (SELECT id FROM machine) ORDER BY machine";
        self.all("read", SQL, [], |r| Ok(r.get::<_, Col<_>>(0)?.0))
    }

    /// Entries of the branch that was given up which are recorded again nowhere: device and number of each.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn branch_not_recorded_again(&self) -> Result<Vec<(DeviceId, u64)>, Problem> {
        const SQL: &str = "SELECT b.device, b.seq FROM branch AS b WHERE \
                           NOT EXISTS (SELECT 1 FROM entry AS e WHERE e.device = b.again_device AND e.seq = b.again_seq) \
                           AND NOT EXISTS (SELECT 1 FROM branch AS c WHERE c.device = b.again_device AND c.seq = b.again_seq) \
                           ORDER BY b.device, b.seq";
        self.all("read", SQL, [], |r| Ok((r.get::<_, Col<_>>(0)?.0, r.get(1)?)))
    }
}
