//! Entries held: one's own and those of others.
//!
//! Promises: an entry is added once and never changed; only its place in the ledger and its standing are learned later.
//! Lists come in a fixed order. Never gives back an entry that cannot be read: that is `damaged`, with its row.

use super::{Col, Tx, damaged};
use crate::problem::Problem;
use pintle_core::chain::{LogHead, Seal};
use pintle_core::entry::{Entry, EntryRef, Held};
use pintle_core::exchange::{Digest, Wanted};
use pintle_core::ids::{DeviceId, Hash, MachineId};
use rusqlite::{Row, params};

/// An entry that was not held before.
#[derive(Debug)]
pub struct NewEntry<'a> {
    /// The device whose log holds it.
    pub device: DeviceId,
    /// Its link.
    pub link: &'a Hash,
    /// The entry.
    pub entry: &'a Entry,
    /// Its place in the ledger, if it has one.
    pub placed: Option<Placed>,
}

/// What the ledger says about an entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Placed {
    /// Its position.
    pub position: u64,
    /// When the server received it.
    pub received_ms: i64,
    /// How far the device's clock was off, where marked.
    pub off_s: Option<i64>,
    /// Why it stands aside, if it does.
    pub aside: Option<String>,
}

const HELD: &str = "device, seq, link, position, received_ms, off_s, aside, bytes";

type HeldRow = (DeviceId, u64, Hash, Option<u64>, Option<i64>, Option<i64>, Option<String>, Vec<u8>);

fn held_row(r: &Row<'_>) -> rusqlite::Result<HeldRow> {
    Ok((
        r.get::<_, Col<_>>(0)?.0,
        r.get(1)?,
        r.get::<_, Col<_>>(2)?.0,
        r.get(3)?,
        r.get(4)?,
        r.get(5)?,
        r.get(6)?,
        r.get(7)?,
    ))
}

impl Tx<'_> {
    fn held(&self, row: HeldRow) -> Result<Held, Problem> {
        let (device, seq, link, position, received_ms, off_s, aside, bytes) = row;
        let entry = Entry::from_trusted_bytes(&bytes)
            .map_err(|fault| damaged(self.path, "entry", &format!("{device}-{seq}"), &fault.to_string()))?;
        Ok(Held { device, link, position, received_ms, off_s, aside, entry })
    }

    fn helds(&self, clause: &str, values: impl rusqlite::Params) -> Result<Vec<Held>, Problem> {
        let rows = self.all("read", &format!("SELECT {HELD} FROM entry {clause}"), values, held_row)?;
        rows.into_iter().map(|row| self.held(row)).collect()
    }

    /// Adds an entry that is not held yet.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn add_entry(&self, new: &NewEntry<'_>) -> Result<(), Problem> {
        const SQL: &str = "INSERT INTO entry (device, seq, link, position, received_ms, off_s, aside, machine, at_s, \
                           kind, bytes) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)";
        let head = new.entry.head().ok();
        let placed = new.placed.as_ref();
        let values = params![
            Col(new.device),
            new.entry.seq(),
            Col(*new.link),
            placed.map(|p| p.position),
            placed.map(|p| p.received_ms),
            placed.and_then(|p| p.off_s),
            placed.and_then(|p| p.aside.as_deref()),
            head.and_then(|h| h.machine).map(Col),
            head.map_or(0, |h| h.at.second()),
            head.map_or("", |h| h.kind.as_str()),
            new.entry.canonical(),
        ];
        self.execute("record", SQL, values).map(|_| ())
    }

    /// Notes what the ledger says about an entry that is held.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn place_entry(&self, name: EntryRef, placed: &Placed) -> Result<(), Problem> {
        const SQL: &str =
            "UPDATE entry SET position = ?3, received_ms = ?4, off_s = ?5, aside = ?6 WHERE device = ?1 AND seq = ?2";
        let Placed { position, received_ms, off_s, aside } = placed;
        let values = params![Col(name.device), name.seq, position, received_ms, off_s, aside];
        self.execute("store", SQL, values).map(|_| ())
    }

    /// Moves an entry to the branch that was given up; `again` is where it was recorded once more.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn give_up(&self, name: EntryRef, again: EntryRef) -> Result<(), Problem> {
        const MOVE: &str = "INSERT INTO branch (device, seq, link, bytes, again_device, again_seq) \
                            SELECT device, seq, link, bytes, ?3, ?4 FROM entry WHERE device = ?1 AND seq = ?2";
        const DELETE: &str = "DELETE FROM entry WHERE device = ?1 AND seq = ?2";
        self.execute("record", MOVE, params![Col(name.device), name.seq, Col(again.device), again.seq])?;
        self.execute("record", DELETE, params![Col(name.device), name.seq]).map(|_| ())
    }

    /// Moves what another device had recorded from an entry on, in a ledger that has gone back since, to the branches:
    /// another entry stands under its number now. Gives the machines it was about.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn make_room(&self, name: EntryRef) -> Result<Vec<MachineId>, Problem> {
        const GONE: &str = "FROM entry WHERE device = ?1 AND seq >= ?2 AND position IS NULL";
        let (device, seq) = (Col(name.device), name.seq);
        let machines = format!("SELECT DISTINCT machine {GONE} AND machine IS NOT NULL");
        let machines = self.all("read", &machines, params![device, seq], |r| Ok(r.get::<_, Col<_>>(0)?.0))?;
        // A ledger may go back more than once; a branch is known by its link, so the same row again is the same entry.
        let keep = format!(
            "INSERT OR IGNORE INTO branch (device, seq, link, bytes, again_device, again_seq) \
             SELECT device, seq, link, bytes, device, seq {GONE}"
        );
        self.execute("store", &keep, params![device, seq])?;
        self.execute("store", &format!("DELETE {GONE}"), params![device, seq])?;
        Ok(machines)
    }

    /// Notes why an entry stands aside.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn set_aside(&self, name: EntryRef, code: &str) -> Result<(), Problem> {
        const SQL: &str = "UPDATE entry SET aside = ?3 WHERE device = ?1 AND seq = ?2";
        self.execute("store", SQL, params![Col(name.device), name.seq, code]).map(|_| ())
    }

    /// Forgets every place in the ledger: it is another ledger than it was.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn forget_places(&self) -> Result<(), Problem> {
        const SQL: &str = "UPDATE entry SET position = NULL, received_ms = NULL, off_s = NULL, aside = NULL \
                           WHERE position IS NOT NULL";
        self.execute("store", SQL, []).map(|_| ())
    }

    /// One entry.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn entry(&self, name: EntryRef) -> Result<Option<Held>, Problem> {
        let held = self.helds("WHERE device = ? AND seq = ?", params![Col(name.device), name.seq])?;
        Ok(held.into_iter().next())
    }

    /// The link of one entry.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn link(&self, name: EntryRef) -> Result<Option<Hash>, Problem> {
        const SQL: &str = "SELECT link FROM entry WHERE device = ? AND seq = ?";
        self.one("read", SQL, params![Col(name.device), name.seq], |r| Ok(r.get::<_, Col<_>>(0)?.0))
    }

    /// The link of one entry that a page has to agree with: one's own, or one that has a place in the ledger. Entries of
    /// others without a place come from a ledger that has gone back since.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn sure_link(&self, name: EntryRef, own: DeviceId) -> Result<Option<Hash>, Problem> {
        const SQL: &str =
            "SELECT link FROM entry WHERE device = ?1 AND seq = ?2 AND (position IS NOT NULL OR device = ?3)";
        let values = params![Col(name.device), name.seq, Col(own)];
        self.one("read", SQL, values, |r| Ok(r.get::<_, Col<_>>(0)?.0))
    }

    /// The position of one entry, if it is held and has one.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn position(&self, name: EntryRef) -> Result<Option<u64>, Problem> {
        const SQL: &str = "SELECT position FROM entry WHERE device = ? AND seq = ?";
        Ok(self.one("read", SQL, params![Col(name.device), name.seq], |r| r.get(0))?.flatten())
    }

    /// The entry at a position of the ledger, if it is held.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn entry_at(&self, position: u64) -> Result<Option<EntryRef>, Problem> {
        const SQL: &str = "SELECT device, seq FROM entry WHERE position = ?";
        self.one("read", SQL, params![position], |r| Ok(EntryRef { device: r.get::<_, Col<_>>(0)?.0, seq: r.get(1)? }))
    }

    /// The machine an entry is about.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn machine_of(&self, name: EntryRef) -> Result<Option<MachineId>, Problem> {
        const SQL: &str = "SELECT machine FROM entry WHERE device = ? AND seq = ?";
        let machine = self.one("read", SQL, params![Col(name.device), name.seq], |r| r.get::<_, Option<Col<_>>>(0))?;
        Ok(machine.flatten().map(|col| col.0))
    }

    /// How many entries of a device are about a machine.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn count_of(&self, device: DeviceId, machine: MachineId) -> Result<u64, Problem> {
        const SQL: &str = "SELECT count(*) FROM entry WHERE machine = ? AND device = ?";
        Ok(self.one("read", SQL, params![Col(machine), Col(device)], |r| r.get(0))?.unwrap_or(0))
    }

    /// Every entry about a machine, in the order in which it is told.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn entries_of(&self, machine: MachineId) -> Result<Vec<Held>, Problem> {
        self.helds("WHERE machine = ? ORDER BY at_s, device, seq", params![Col(machine)])
    }

    /// Every entry of a kind that decides which machines there are.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn deciding_entries(&self) -> Result<Vec<Held>, Problem> {
        self.helds("WHERE kind IN ('machine_added', 'settled', 'struck') ORDER BY device, seq", [])
    }

    /// Entries that were set aside, in the order in which they are told.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn asides(&self) -> Result<Vec<Held>, Problem> {
        self.helds("WHERE aside IS NOT NULL ORDER BY at_s, device, seq", [])
    }

    /// What decides whether entries that were set aside count.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn releases_and_strikes(&self) -> Result<Vec<Held>, Problem> {
        self.helds("WHERE kind IN ('released', 'struck') AND aside IS NULL ORDER BY device, seq", [])
    }

    /// Entries about no machine, in the order in which they are told.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn entries_of_none(&self) -> Result<Vec<Held>, Problem> {
        self.helds("WHERE machine IS NULL ORDER BY at_s, device, seq", [])
    }

    /// The newest entries by the time people claim, oldest first.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn newest_entries(&self, most: u32) -> Result<Vec<Held>, Problem> {
        let mut newest = self.helds("ORDER BY at_s DESC, device DESC, seq DESC LIMIT ?", params![most])?;
        newest.reverse();
        Ok(newest)
    }

    /// The newest entries of a machine by the time people claim, oldest first.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn newest_of(&self, machine: MachineId, most: u64) -> Result<Vec<Held>, Problem> {
        let clause = "WHERE machine = ? ORDER BY at_s DESC, device DESC, seq DESC LIMIT ?";
        let mut newest = self.helds(clause, params![Col(machine), most])?;
        newest.reverse();
        Ok(newest)
    }

    /// Entries of one device's log from a number on, in order: at most `entries_max`, and no more once `bytes_max` of
    /// canonical bytes are reached; at least one if there is one.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn log_from(
        &self,
        device: DeviceId,
        from: u64,
        entries_max: usize,
        bytes_max: u32,
    ) -> Result<Vec<Held>, Problem> {
        let sql = format!("SELECT {HELD} FROM entry WHERE device = ? AND seq >= ? ORDER BY seq");
        let mut statement = self.connection.prepare_cached(&sql).map_err(self.fail("read"))?;
        let mut rows = statement.query(params![Col(device), from]).map_err(self.fail("read"))?;
        let mut entries: Vec<Held> = Vec::new();
        let mut bytes = 0;
        while entries.len() < entries_max {
            let Some(row) = rows.next().map_err(self.fail("read"))? else { break };
            let row = held_row(row).map_err(self.fail("read"))?;
            bytes += row.7.len();
            if bytes > bytes_max as usize && !entries.is_empty() {
                break;
            }
            entries.push(self.held(row)?);
        }
        Ok(entries)
    }

    /// Number of the first entry of a device that has no position yet.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn first_unplaced(&self, device: DeviceId) -> Result<Option<u64>, Problem> {
        const SQL: &str = "SELECT min(seq) FROM entry WHERE device = ? AND position IS NULL";
        Ok(self.one("read", SQL, params![Col(device)], |r| r.get(0))?.flatten())
    }

    /// How many entries of a device have no position yet.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn unplaced(&self, device: DeviceId) -> Result<u64, Problem> {
        const SQL: &str = "SELECT count(*) FROM entry WHERE device = ? AND position IS NULL";
        Ok(self.one("read", SQL, params![Col(device)], |r| r.get(0))?.unwrap_or(0))
    }

    /// How many entries are held, of all devices.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn entries_held(&self) -> Result<u64, Problem> {
        Ok(self.one("read", "SELECT count(*) FROM entry", [], |r| r.get(0))?.unwrap_or(0))
    }

    /// The digest of what is held of some machines, and about none, with positions after `after` and up to `to`.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn digest(&self, of: &Wanted, after: u64, to: u64) -> Result<Digest, Problem> {
        const SQL: &str = "SELECT link, machine FROM entry WHERE position > ? AND position <= ?";
        let read = |r: &Row<'_>| Ok((r.get::<_, Col<Hash>>(0)?.0, r.get::<_, Option<Col<MachineId>>>(1)?.map(|m| m.0)));
        let found = self.all("read", SQL, params![after, to], read)?;
        let counted = found.iter().filter(|(_, machine)| of.takes(*machine));
        Ok(counted.fold(Digest::default(), |digest, (link, _)| digest.with(link)))
    }

    /// Every device whose log is held, at least in part.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn logs(&self) -> Result<Vec<DeviceId>, Problem> {
        self.all("read", "SELECT DISTINCT device FROM entry ORDER BY device", [], |r| Ok(r.get::<_, Col<_>>(0)?.0))
    }

    /// The end of a device's log as far as it is held without a hole, from `head` on.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn end_of_log(&self, device: DeviceId, mut head: LogHead) -> Result<LogHead, Problem> {
        while let Some(link) = self.link(EntryRef { device, seq: head.seq + 1 })? {
            head = LogHead { seq: head.seq + 1, link };
        }
        Ok(head)
    }

    /// Keeps a seal.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn add_seal(&self, seal: &Seal) -> Result<(), Problem> {
        const SQL: &str = "INSERT OR REPLACE INTO seal (device, to_seq, from_seq, link, signature) \
                           VALUES (?, ?, ?, ?, ?)";
        let values = params![Col(seal.device), seal.to, seal.from, Col(seal.link), Col(seal.signature)];
        self.execute("store", SQL, values).map(|_| ())
    }

    /// Every seal of a device's log.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn seals(&self, device: DeviceId) -> Result<Vec<Seal>, Problem> {
        const SQL: &str = "SELECT from_seq, to_seq, link, signature FROM seal WHERE device = ? ORDER BY to_seq";
        self.all("read", SQL, params![Col(device)], |r| {
            Ok(Seal {
                device,
                from: r.get(0)?,
                to: r.get(1)?,
                link: r.get::<_, Col<_>>(2)?.0,
                signature: r.get::<_, Col<_>>(3)?.0,
            })
        })
    }
}
