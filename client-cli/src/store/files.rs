//! The photos and documents that this device recorded, and where they are known to be.
//!
//! Promises: a file is noted in the transaction that records the entry which names it. That a server has all of it counts for
//! one database in one epoch: after a restore it is looked at again.
//! Never the bytes: these lie beside the database.

use super::{Col, Tx};
use crate::problem::Problem;
use pintle_core::entry::EntryRef;
use pintle_core::ids::StoreId;
use pintle_core::photo::FileRef;
use rusqlite::{Row, params};

/// A file of this device, and the entry by which it is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OwnFile {
    /// The file; its thumbnail stands in the entry only.
    pub file: FileRef,
    /// An entry in the log that names it.
    pub entry: EntryRef,
}

/// Where copies of a device went apart, the entry stands in the log under another name.
const OWN: &str = "SELECT f.sha256, f.bytes, f.media, f.name, coalesce(b.again_device, f.device), coalesce(b.again_seq, f.seq) \
                   FROM file AS f LEFT JOIN branch AS b ON b.device = f.device AND b.seq = f.seq \
                   AND NOT EXISTS (SELECT 1 FROM entry AS e WHERE e.device = f.device AND e.seq = f.seq)";

fn own_file(r: &Row<'_>) -> rusqlite::Result<OwnFile> {
    let (Col(sha256), Col(device)) = (r.get(0)?, r.get(4)?);
    let file = FileRef { sha256, bytes: r.get(1)?, media: r.get(2)?, name: r.get(3)?, thumbnail: None };
    Ok(OwnFile { file, entry: EntryRef { device, seq: r.get(5)? } })
}

impl Tx<'_> {
    /// Notes a file of an entry; one that was recorded before stays as it is.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn add_file(&self, entry: EntryRef, file: &FileRef) -> Result<(), Problem> {
        const SQL: &str =
            "INSERT OR IGNORE INTO file (sha256, device, seq, bytes, media, name) VALUES (?, ?, ?, ?, ?, ?)";
        let FileRef { sha256, bytes, media, name, thumbnail: _ } = file;
        self.execute("store", SQL, params![Col(*sha256), Col(entry.device), entry.seq, bytes, media, name]).map(|_| ())
    }

    /// The files that are not known to be with a server, in the order of their entries.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn files_waiting(&self, store: StoreId, epoch: u64) -> Result<Vec<OwnFile>, Problem> {
        let sql = format!(
            "{OWN} WHERE f.there_store IS NOT ?1 OR f.there_epoch IS NOT ?2 ORDER BY f.device, f.seq, f.sha256"
        );
        self.all("read", &sql, params![Col(store), epoch], own_file)
    }

    /// The files that the server of this device, if it has one, is not known to have.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn files_not_there(&self) -> Result<Vec<OwnFile>, Problem> {
        let sql = format!(
            "{OWN} WHERE NOT EXISTS (SELECT 1 FROM sync AS s WHERE s.store = f.there_store AND s.epoch = f.there_epoch) \
             ORDER BY f.device, f.seq, f.sha256"
        );
        self.all("read", &sql, [], own_file)
    }

    /// Notes that a server has all of a file.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn file_there(&self, file: &FileRef, store: StoreId, epoch: u64) -> Result<(), Problem> {
        const SQL: &str = "UPDATE file SET there_store = ?2, there_epoch = ?3 WHERE sha256 = ?1";
        self.execute("store", SQL, params![Col(file.sha256), Col(store), epoch]).map(|_| ())
    }
}
