//! Outlooks of machines: what is due next, kept so that neither a recording nor a list of what is due folds a log.
//!
//! Promises: what another version of the program has kept, or what cannot be read, is as good as not there: it is
//! folded anew. Never the source of truth, and never a reason to call the log damaged.

use super::{Col, Tx};
use crate::problem::Problem;
use pintle_core::ids::MachineId;
use pintle_core::outlook::Outlook;
use rusqlite::params;
use std::collections::BTreeMap;

/// The program whose folds are read: its version, and a number that grows whenever a fold gives other outlooks.
const MADE_BY: &str = concat!(env!("CARGO_PKG_VERSION"), "/2");

/// A kept outlook.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// How many entries of this device about the machine it knows.
    pub counted: u64,
    /// How it came about.
    pub sort: Sort,
    /// The outlook.
    pub outlook: Outlook,
}

/// How a kept outlook came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sort {
    /// Folded from all entries.
    Folded,
    /// Folded, then moved on by newest entries: good for an answer at once, not for a list.
    MovedOn,
}

type Row = (u64, bool, String);

fn kept((counted, folded, json): Row) -> Option<Kept> {
    let outlook = serde_json::from_str(&json).ok()?;
    Some(Kept { counted, sort: if folded { Sort::Folded } else { Sort::MovedOn }, outlook })
}

impl Tx<'_> {
    /// What is kept of one machine.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn outlook(&self, machine: MachineId) -> Result<Option<Kept>, Problem> {
        const SQL: &str = "SELECT counted, folded, json FROM outlook WHERE machine = ? AND made_by = ?";
        let row = self.one("read", SQL, params![Col(machine), MADE_BY], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?;
        Ok(row.and_then(kept))
    }

    /// What is kept of every machine.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn outlooks(&self) -> Result<BTreeMap<MachineId, Kept>, Problem> {
        const SQL: &str = "SELECT machine, counted, folded, json FROM outlook WHERE made_by = ?";
        let rows = self.all("read", SQL, params![MADE_BY], |r| {
            Ok((r.get::<_, Col<_>>(0)?.0, (r.get(1)?, r.get(2)?, r.get(3)?)))
        })?;
        Ok(rows.into_iter().filter_map(|(machine, row)| Some((machine, kept(row)?))).collect())
    }

    /// Keeps an outlook.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn set_outlook(&self, machine: MachineId, kept: &Kept) -> Result<(), Problem> {
        const SQL: &str = "INSERT OR REPLACE INTO outlook (machine, counted, folded, made_by, json) \
                           VALUES (?, ?, ?, ?, ?)";
        // An outlook is plain texts, numbers and lists under text keys: it always has a JSON form.
        let json = serde_json::to_string(&kept.outlook).unwrap_or_default();
        let values = params![Col(machine), kept.counted, kept.sort == Sort::Folded, MADE_BY, json];
        self.execute("record", SQL, values).map(|_| ())
    }
}
