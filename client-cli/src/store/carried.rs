//! Runs of other devices' entries that came by carry, as they came: what the server is still to be given.
//!
//! Promises: a run is kept whole and unchanged, seal and all, also where its entries make room for others. Whether it
//! waits is computed from the places that entries have, so that a ledger that has gone back is offered it again.
//!
//! Never: an entry of one's own; that is pushed.

use super::{Col, Tx, damaged};
use crate::problem::Problem;
use pintle_core::chain::LogHead;
use pintle_core::exchange::Carried;
use pintle_core::ids::{DeviceId, Hash};
use pintle_core::limits::ALSO_SEEN_MAX;
use rusqlite::params;
use std::collections::BTreeMap;

/// A run that waits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WaitingRun {
    /// The device that made it.
    pub device: DeviceId,
    /// Its first entry.
    pub from: u64,
    /// Where it ends.
    pub end: LogHead,
    /// When it came, in seconds since 1970 by this device's clock.
    pub came_at_s: i64,
    /// What the server said of it last, if it could not be placed.
    pub said: Option<String>,
}

/// What the server says of a run once it needs it no more: it holds all of it, in the ledger or beside it, or it cannot be
/// what it says it is.
const OVER: &str = "('held', 'fork', 'bad_seal')";

/// Its end has no place in the ledger.
const UNPLACED: &str = "NOT EXISTS (SELECT 1 FROM entry WHERE entry.device = carried.device AND entry.seq = carried.to_seq \
                        AND entry.link = carried.link AND entry.position IS NOT NULL)";

/// Its entries are those that are held: of two branches of a log, the one that people have seen counted goes first.
const COUNTED: &str = "EXISTS (SELECT 1 FROM entry WHERE entry.device = carried.device AND entry.seq = carried.to_seq \
                       AND entry.link = carried.link)";

impl Tx<'_> {
    /// Keeps a run for the server. The same again changes nothing.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn carried_add(&self, run: &WaitingRun, bytes: &[u8]) -> Result<(), Problem> {
        const SQL: &str = "INSERT OR IGNORE INTO carried (device, from_seq, to_seq, link, bytes, came_at_s) \
                           VALUES (?, ?, ?, ?, ?, ?)";
        let end = &run.end;
        let values = params![Col(run.device), run.from, end.seq, Col(end.link), bytes, run.came_at_s];
        self.execute("store", SQL, values).map(|_| ())
    }

    /// The runs that are not known to be with the server, by device and number.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn carried_waiting(&self) -> Result<Vec<WaitingRun>, Problem> {
        let sql = format!(
            "SELECT device, from_seq, to_seq, link, came_at_s, said FROM carried \
             WHERE (said IS NULL OR said NOT IN {OVER}) AND {UNPLACED} \
             ORDER BY device, {COUNTED} DESC, to_seq, from_seq, link"
        );
        self.all("read", &sql, [], |r| {
            Ok(WaitingRun {
                device: r.get::<_, Col<_>>(0)?.0,
                from: r.get(1)?,
                end: LogHead { seq: r.get(2)?, link: r.get::<_, Col<Hash>>(3)?.0 },
                came_at_s: r.get(4)?,
                said: r.get(5)?,
            })
        })
    }

    /// How many runs wait, by device.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn carried_counts(&self) -> Result<BTreeMap<DeviceId, u64>, Problem> {
        let mut counts = BTreeMap::new();
        self.carried_waiting()?.iter().for_each(|run| *counts.entry(run.device).or_insert(0) += 1);
        Ok(counts)
    }

    /// A run as it came.
    ///
    /// # Errors
    /// If it cannot be read, `damaged` if it is none.
    pub fn carried_run(&self, run: &WaitingRun) -> Result<Option<Carried>, Problem> {
        const SQL: &str = "SELECT bytes FROM carried WHERE device = ? AND from_seq = ? AND to_seq = ? AND link = ?";
        let values = params![Col(run.device), run.from, run.end.seq, Col(run.end.link)];
        let bytes = self.one("read", SQL, values, |r| r.get::<_, Vec<u8>>(0))?;
        let read = |bytes: Vec<u8>| serde_json::from_slice(&bytes);
        let row = format!("{}-{}", run.device, run.end.seq);
        bytes.map(read).transpose().map_err(|e| damaged(self.path, "carried", &row, &e.to_string()))
    }

    /// Notes what the server said of the runs of a device that end there.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn carried_said(&self, device: DeviceId, end: &LogHead, said: &str) -> Result<(), Problem> {
        const SQL: &str = "UPDATE carried SET said = ? WHERE device = ? AND to_seq = ? AND link = ?";
        self.execute("store", SQL, params![said, Col(device), end.seq, Col(end.link)]).map(|_| ())
    }

    /// The first entry of the longest run of a device that ends there; the end itself if there is none.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn carried_from(&self, device: DeviceId, end: &LogHead) -> Result<u64, Problem> {
        const SQL: &str = "SELECT min(from_seq) FROM carried WHERE device = ? AND to_seq = ? AND link = ?";
        let from =
            self.one("read", SQL, params![Col(device), end.seq, Col(end.link)], |r| r.get::<_, Option<u64>>(0))?;
        Ok(from.flatten().unwrap_or(end.seq))
    }

    /// Forgets what the server said: its ledger is another one than it was.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn carried_again(&self) -> Result<(), Problem> {
        self.execute("store", "UPDATE carried SET said = NULL WHERE said IS NOT NULL", []).map(|_| ())
    }

    /// Up to which number logs of other devices are held without a hole, where some of that came by carry and has no
    /// place in the ledger yet: what an entry made now names as seen beside it.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn also_seen(&self) -> Result<BTreeMap<DeviceId, u64>, Problem> {
        const WHOLE: &str = "SELECT max(seq) FROM \
            (SELECT seq, row_number() OVER (ORDER BY seq) AS n FROM entry WHERE device = ?) WHERE seq = n";
        const FIRST: &str = "SELECT min(seq) FROM entry WHERE device = ? AND position IS NULL";
        let sql = format!("SELECT DISTINCT device FROM carried WHERE {UNPLACED} ORDER BY device LIMIT {ALSO_SEEN_MAX}");
        let devices = self.all("read", &sql, [], |r| Ok(r.get::<_, Col<DeviceId>>(0)?.0))?;
        let mut seen = BTreeMap::new();
        for device in devices {
            let whole: Option<u64> = self.one("read", WHOLE, params![Col(device)], |r| r.get(0))?.flatten();
            let first: Option<u64> = self.one("read", FIRST, params![Col(device)], |r| r.get(0))?.flatten();
            seen.extend(whole.zip(first).filter(|(whole, first)| first <= whole).map(|(whole, _)| (device, whole)));
        }
        Ok(seen)
    }
}
