//! The checkpoints that this device holds, and what was shown in their place and does not follow from them.
//!
//! Promises: one of each ledger and epoch, the newest that was shown to have the one before as its beginning. Evidence
//! stays beside the checkpoint that it contradicts; only a checkpoint that has that one as its beginning ends it, and two
//! of one size are never explained.

use super::{Col, Tx};
use crate::problem::Problem;
use pintle_core::exchange::CheckpointShown;
use pintle_core::ids::{Hash, StoreId};
use pintle_core::proof::watch::{HeldCheckpoint, NotShown};
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};
use rusqlite::{Row, params};

/// Two checkpoints of a ledger of which at most one can be true.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Evidence {
    /// The server's database.
    pub store: StoreId,
    /// Its epoch.
    pub epoch: u64,
    /// The one that this device holds.
    pub held: HeldCheckpoint,
    /// What was shown instead.
    pub shown: CheckpointShown,
    /// Why it does not follow.
    pub why: NotShown,
    /// When it was shown last, in seconds since 1970 by the device's clock.
    pub at_s: i64,
}

/// Why, as its stable name.
struct Why(NotShown);

impl FromSql for Why {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        NotShown::parse(value.as_str()?).map(Why).ok_or(FromSqlError::InvalidType)
    }
}

/// Hashes one after the other.
struct Hashes(Vec<Hash>);

impl FromSql for Hashes {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        let hashes = value.as_blob()?.chunks(Hash::LEN).map(Hash::from_slice);
        hashes.collect::<Result<_, _>>().map(Hashes).map_err(|e| FromSqlError::Other(Box::new(e)))
    }
}

impl ToSql for Hashes {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::from(self.0.iter().flat_map(|hash| hash.0).collect::<Vec<u8>>()))
    }
}

const HELD: &str = "key, note, size, root";

fn held(r: &Row<'_>) -> rusqlite::Result<HeldCheckpoint> {
    let (Col(key), Col(root)) = (r.get(0)?, r.get(3)?);
    Ok(HeldCheckpoint { key, note: r.get(1)?, size: r.get(2)?, root })
}

impl Tx<'_> {
    /// The checkpoint held of a ledger in an epoch.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn checkpoint(&self, store: StoreId, epoch: u64) -> Result<Option<HeldCheckpoint>, Problem> {
        let sql = format!("SELECT {HELD} FROM checkpoint WHERE store = ? AND epoch = ?");
        self.one("read", &sql, params![Col(store), epoch], held)
    }

    /// Holds a checkpoint in place of the one of that ledger and epoch, which is its beginning.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn hold_checkpoint(&self, store: StoreId, epoch: u64, newer: &HeldCheckpoint) -> Result<(), Problem> {
        const HOLD: &str = "INSERT INTO checkpoint (store, epoch, key, note, size, root) VALUES (?1, ?2, ?3, ?4, ?5, ?6) \
                            ON CONFLICT (store, epoch) DO UPDATE SET key = ?3, note = ?4, size = ?5, root = ?6";
        const END: &str = "UPDATE checkpoint SET shown_why = NULL, shown_at_s = NULL, shown_key = NULL, shown_note = NULL, \
                           shown_proof = NULL WHERE store = ? AND epoch = ?";
        // Beside two of one size stays the one that was held then, as it is.
        if self.evidence(store, epoch)?.is_some_and(|evidence| evidence.why == NotShown::OtherRoot) {
            return Ok(());
        }
        let HeldCheckpoint { key, note, size, root } = newer;
        self.execute("store", HOLD, params![Col(store), epoch, Col(*key), note, size, Col(*root)])?;
        self.execute("store", END, params![Col(store), epoch]).map(|_| ())
    }

    /// Keeps what was shown in place of the checkpoint held and does not follow from it; of several the first of two of one
    /// size, else the newest.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn keep_evidence(
        &self,
        store: StoreId,
        epoch: u64,
        (why, shown): (NotShown, &CheckpointShown),
        at_s: i64,
    ) -> Result<(), Problem> {
        const SQL: &str = "UPDATE checkpoint SET shown_why = ?3, shown_at_s = ?4, shown_key = ?5, shown_note = ?6, \
                           shown_proof = ?7 WHERE store = ?1 AND epoch = ?2 AND shown_why IS NOT 'other-root'";
        let proof = Hashes(shown.proof.clone());
        let values = params![Col(store), epoch, why.as_str(), at_s, Col(shown.key), shown.note, proof];
        self.execute("store", SQL, values).map(|_| ())
    }

    /// The evidence against a ledger in an epoch.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn evidence(&self, store: StoreId, epoch: u64) -> Result<Option<Evidence>, Problem> {
        let all = self.all_evidence()?;
        Ok(all.into_iter().find(|evidence| (evidence.store, evidence.epoch) == (store, epoch)))
    }

    /// All evidence, of earlier ledgers and epochs too.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn all_evidence(&self) -> Result<Vec<Evidence>, Problem> {
        let sql = format!(
            "SELECT {HELD}, store, epoch, shown_why, shown_at_s, shown_key, shown_note, shown_proof FROM checkpoint \
             WHERE shown_why IS NOT NULL ORDER BY shown_at_s, store, epoch"
        );
        self.all("read", &sql, [], |r| {
            let (Col(store), Why(why), Col(key), Hashes(proof)) = (r.get(4)?, r.get(6)?, r.get(8)?, r.get(10)?);
            let shown = CheckpointShown { note: r.get(9)?, key, proof };
            Ok(Evidence { store, epoch: r.get(5)?, held: held(r)?, shown, why, at_s: r.get(7)? })
        })
    }
}
