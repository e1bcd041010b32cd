//! The device's database: the only module that knows SQL.
//!
//! Promises: every write is one transaction that takes the database's write lock at its start, so that two runs at
//! once wait for each other instead of failing; a commit returns only after the disk has it (WAL, `synchronous=FULL`).
//! A row that the domain refuses is the problem `damaged`, naming table and row, never a panic. No type of the
//! database library leaves this module.
//!
//! Never: the clock, randomness, a decision.

mod carried;
mod checkpoints;
mod entries;
mod files;
mod looking;
mod machines;
mod outlooks;
mod people;
mod sync;

pub use carried::WaitingRun;
pub use checkpoints::Evidence;
pub use entries::{NewEntry, Placed};
pub use files::OwnFile;
pub use looking::BareRow;
pub use machines::{Glance, LastReading, TaggedOut};
pub use outlooks::{Kept, Sort};
pub use people::{DeviceRow, PersonRow};
pub use sync::{Outcome, SyncRow};

use crate::problem::{Code, Problem};
use pintle_core::chain::LogHead;
use pintle_core::ids::{DeviceId, Hash, MachineId, PersonId, PublicKey};
use pintle_migrations::device::STEPS;
use rusqlite::config::DbConfig;
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};
use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension as _, TransactionBehavior, params};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a run waits for another that is writing, in milliseconds: a sync page takes some hundred at worst.
const BUSY_TIMEOUT_MS: u64 = 10_000;
/// Bytes of the write-ahead log after which a commit moves them into the database and empties it: moving them costs two
/// more syncs, not moving them costs every later start a little reading. About twenty recordings. SQLite's own
/// automatic checkpoint is off: each run is the only one that has the database open, so the log it had copied would be
/// read again by the next run and never be emptied.
const WAL_BYTES_MAX: u64 = 100 * 4120;

/// SQLite's IOERR_SHMSIZE (sqlite.org/rescode.html).
const SHM_SIZE: i32 = 10 | (19 << 8);

/// The device's database, open.
pub struct Store {
    connection: Connection,
    path: PathBuf,
}

/// One transaction.
pub struct Tx<'a> {
    connection: &'a Connection,
    path: &'a Path,
}

/// What a device knows about itself; one row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Own {
    /// The device.
    pub device: DeviceId,
    /// Its public key.
    pub public_key: PublicKey,
    /// Where its log ends.
    pub head: LogHead,
    /// Its short name: `K7`.
    pub mark: String,
    /// Who is recording.
    pub person: PersonId,
    /// The machine of the last recording.
    pub last_machine: Option<MachineId>,
    /// The ledger position applied.
    pub seen: u64,
    /// The server's end of the log, where the tail was lost: recording waits.
    pub recover: Option<LogHead>,
}

/// Makes a new database at `path`, with its one device and its first person.
///
/// # Errors
/// If it cannot be written.
pub fn create(path: &Path, own: &Own, name: &str) -> Result<(), Problem> {
    for part in ["", "-wal", "-shm"] {
        // What a first use left that found no room. A log beside a file that it does not belong to is worse than none.
        let mut name = path.as_os_str().to_owned();
        name.push(part);
        let _ = std::fs::remove_file(name);
    }
    let fail = |e: rusqlite::Error| failed(path, "make", &e);
    let mut connection = Connection::open(path).map_err(fail)?;
    let mode: String = connection.query_row("PRAGMA journal_mode = WAL", [], |r| r.get(0)).map_err(fail)?;
    if mode != "wal" {
        return Err(Problem::new(Code::Unwritable, format!("{} cannot have a write-ahead log", path.display())));
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
    for step in STEPS {
        transaction.execute_batch(step.sql).map_err(fail)?;
        transaction.pragma_update(None, "user_version", step.version).map_err(fail)?;
    }
    let tx = Tx { connection: &transaction, path };
    tx.set_own(own)?;
    tx.add_person(own.person, name)?;
    transaction.commit().map_err(fail)?;
    // All of it must be in the one file before that gets its name: closing moves the write-ahead log too, and says nothing
    // when it cannot.
    let left: i64 = connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |r| r.get(0)).map_err(fail)?;
    if left != 0 {
        return Err(Problem::new(Code::Busy, format!("another program has {} open", path.display())).hint("try again"));
    }
    connection.close().map_err(|(_, e)| fail(e))
}

impl Store {
    /// Opens the database; none if there is no such file.
    ///
    /// # Errors
    /// If it is damaged, newer than this program, or cannot be read.
    pub fn open(path: &Path) -> Result<Option<Self>, Problem> {
        let fail = |e: rusqlite::Error| failed(path, "open", &e);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        // Asked before: another first run may move the file into its place at any moment, and it never goes away.
        if !path.exists() {
            return Ok(None);
        }
        let connection = Connection::open_with_flags(path, flags).map_err(fail)?;
        connection.busy_timeout(Duration::from_millis(BUSY_TIMEOUT_MS)).map_err(fail)?;
        connection.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).map_err(fail)?;
        connection.execute_batch("PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 0;").map_err(fail)?;
        let mut store = Self { connection, path: path.to_path_buf() };
        store.bring_up_to_date()?;
        Ok(Some(store))
    }

    /// Where the database lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Runs `work` in one transaction that writes. `act` names it in errors.
    ///
    /// # Errors
    /// As `work`, or if the database cannot be written; then nothing was.
    pub fn write<T>(
        &mut self,
        act: &'static str,
        work: impl FnOnce(&Tx<'_>) -> Result<T, Problem>,
    ) -> Result<T, Problem> {
        let path = self.path.clone();
        let fail = |e: rusqlite::Error| failed(&path, act, &e);
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
        let done = work(&Tx { connection: &transaction, path: &path })?;
        transaction.commit().map_err(fail)?;
        self.empty_long_wal();
        Ok(done)
    }

    /// Moves a long write-ahead log into the database. What was committed is durable with or without it, so a failure
    /// (another run is reading, the disk is full) only means that the next run tries again.
    fn empty_long_wal(&self) {
        let mut wal = self.path.clone().into_os_string();
        wal.push("-wal");
        if std::fs::metadata(wal).map_or(0, |file| file.len()) <= WAL_BYTES_MAX {
            return;
        }
        let at_once = self.connection.busy_timeout(Duration::ZERO);
        let _moved = at_once.and_then(|()| self.connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE);"));
        let _patient = self.connection.busy_timeout(Duration::from_millis(BUSY_TIMEOUT_MS));
    }

    /// Runs `work` on one unchanging view of the database.
    ///
    /// # Errors
    /// As `work`, or if the database cannot be read.
    pub fn read<T>(&mut self, work: impl FnOnce(&Tx<'_>) -> Result<T, Problem>) -> Result<T, Problem> {
        let path = self.path.clone();
        let fail = |e: rusqlite::Error| failed(&path, "read", &e);
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Deferred).map_err(fail)?;
        work(&Tx { connection: &transaction, path: &path })
    }

    /// What SQLite itself finds wrong with the file, line by line; nothing if it is sound.
    ///
    /// # Errors
    /// If the file cannot be read at all.
    pub fn check_file(&mut self) -> Result<Vec<String>, Problem> {
        self.read(|tx| {
            let fail = |e: rusqlite::Error| failed(tx.path, "check", &e);
            let mut statement = tx.connection.prepare("PRAGMA integrity_check").map_err(fail)?;
            let lines = statement.query_map([], |r| r.get::<_, String>(0)).map_err(fail)?;
            let lines: Vec<String> = lines.collect::<Result<_, _>>().map_err(fail)?;
            Ok(lines.into_iter().filter(|line| line != "ok").collect())
        })
    }

    /// Runs the steps of the schema that the file lacks.
    fn bring_up_to_date(&mut self) -> Result<(), Problem> {
        let newest = STEPS.last().map_or(0, |step| step.version);
        let version = |c: &Connection| c.query_row("PRAGMA user_version", [], |r| r.get::<_, u32>(0));
        let found = version(&self.connection).map_err(|e| failed(&self.path, "open", &e))?;
        if found == newest {
            return Ok(());
        }
        if found > newest {
            let sentence = format!("the log in {} was written by a newer pintle", self.path.display());
            return Err(Problem::new(Code::NewerLog, sentence).hint("install that version; nothing is lost"));
        }
        self.write("bring up to date", |tx| {
            let fail = |e: rusqlite::Error| failed(tx.path, "bring up to date", &e);
            let found = version(tx.connection).map_err(fail)?;
            for step in STEPS.iter().filter(|step| step.version > found) {
                tx.connection.execute_batch(step.sql).map_err(fail)?;
                tx.connection.pragma_update(None, "user_version", step.version).map_err(fail)?;
            }
            Ok(())
        })
    }
}

impl Tx<'_> {
    fn fail(&self, act: &'static str) -> impl Fn(rusqlite::Error) -> Problem {
        let path = self.path.to_path_buf();
        move |error| failed(&path, act, &error)
    }

    fn execute(&self, act: &'static str, sql: &str, values: impl rusqlite::Params) -> Result<usize, Problem> {
        let mut statement = self.connection.prepare_cached(sql).map_err(self.fail(act))?;
        statement.execute(values).map_err(self.fail(act))
    }

    fn one<T>(
        &self,
        act: &'static str,
        sql: &str,
        values: impl rusqlite::Params,
        read: impl FnOnce(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Option<T>, Problem> {
        let mut statement = self.connection.prepare_cached(sql).map_err(self.fail(act))?;
        statement.query_row(values, read).optional().map_err(self.fail(act))
    }

    fn all<T>(
        &self,
        act: &'static str,
        sql: &str,
        values: impl rusqlite::Params,
        read: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, Problem> {
        let mut statement = self.connection.prepare_cached(sql).map_err(self.fail(act))?;
        let rows = statement.query_map(values, read).map_err(self.fail(act))?;
        rows.collect::<Result<_, _>>().map_err(self.fail(act))
    }

    /// What the device knows about itself.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn own(&self) -> Result<Own, Problem> {
        const SQL: &str = "SELECT device, public_key, head_seq, head_link, mark, person, last_machine, seen, \
                           recover_seq, recover_link FROM own";
        let own = self.one("read", SQL, [], |r| {
            let recover = match (r.get::<_, Option<u64>>(8)?, r.get::<_, Option<Col<Hash>>>(9)?) {
                (Some(seq), Some(Col(link))) => Some(LogHead { seq, link }),
                _ => None,
            };
            Ok(Own {
                device: r.get::<_, Col<_>>(0)?.0,
                public_key: r.get::<_, Col<_>>(1)?.0,
                head: LogHead { seq: r.get(2)?, link: r.get::<_, Col<_>>(3)?.0 },
                mark: r.get(4)?,
                person: r.get::<_, Col<_>>(5)?.0,
                last_machine: r.get::<_, Option<Col<_>>>(6)?.map(|c| c.0),
                seen: r.get(7)?,
                recover,
            })
        })?;
        own.ok_or_else(|| damaged(self.path, "own", "1", "it is missing"))
    }

    /// Writes what the device knows about itself.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn set_own(&self, own: &Own) -> Result<(), Problem> {
        const SQL: &str = "INSERT INTO own (one, device, public_key, head_seq, head_link, mark, person, last_machine, \
                           seen, recover_seq, recover_link) VALUES (1, ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) \
                           ON CONFLICT (one) DO UPDATE SET device = ?1, public_key = ?2, head_seq = ?3, \
                           head_link = ?4, mark = ?5, person = ?6, last_machine = ?7, seen = ?8, recover_seq = ?9, \
                           recover_link = ?10";
        let values = params![
            Col(own.device),
            Col(own.public_key),
            own.head.seq,
            Col(own.head.link),
            own.mark,
            Col(own.person),
            own.last_machine.map(Col),
            own.seen,
            own.recover.map(|r| r.seq),
            own.recover.map(|r| Col(r.link)),
        ];
        self.execute("record", SQL, values).map(|_| ())
    }
}

/// An id, hash or key as a column of bytes.
struct Col<T>(T);

macro_rules! columns {
    ($($name:ty),+) => { $(
        impl ToSql for Col<$name> {
            fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
                Ok(ToSqlOutput::Borrowed(ValueRef::Blob(&self.0.0)))
            }
        }
        impl FromSql for Col<$name> {
            fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
                let bytes = value.as_blob()?;
                <$name>::from_slice(bytes).map(Col).map_err(|e| FromSqlError::Other(Box::new(e)))
            }
        }
    )+ };
}

columns!(
    DeviceId,
    Hash,
    MachineId,
    PersonId,
    PublicKey,
    pintle_core::ids::Baton,
    pintle_core::ids::OrganisationId,
    pintle_core::ids::Signature,
    pintle_core::ids::StoreId
);

/// A row that the domain refuses.
fn damaged(path: &Path, table: &str, row: &str, detail: &str) -> Problem {
    let sentence = format!("the log in {} is damaged: table {table}, row {row}", path.display());
    Problem::new(Code::Damaged, sentence).hint("see what is still sound: pintle doctor").detail(detail)
}

/// What the database said, in the words of the person who is at the machine.
fn failed(path: &Path, act: &str, error: &rusqlite::Error) -> Problem {
    let file = path.display();
    let code = match error {
        // The index of the write-ahead log could not grow: only room is missing for that.
        rusqlite::Error::SqliteFailure(e, _) if e.extended_code == SHM_SIZE => Some(ErrorCode::DiskFull),
        rusqlite::Error::SqliteFailure(e, _) => Some(e.code),
        _ => None,
    };
    let problem = match code {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            let sentence = format!("another pintle has been writing to {file} for {} s", BUSY_TIMEOUT_MS / 1000);
            Problem::new(Code::Busy, sentence).hint("try again")
        }
        Some(ErrorCode::DiskFull) => Problem::new(Code::DiskFull, format!("cannot {act} in {file}: the disk is full"))
            .hint("make room, then again"),
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
            Problem::new(Code::Damaged, format!("the log in {file} is damaged"))
                .hint("see what is still sound: pintle doctor")
        }
        Some(
            ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied | ErrorCode::SystemIoFailure,
        ) => Problem::new(Code::Unwritable, format!("cannot {act} in {file}: it cannot be written"))
            .hint("keep the log elsewhere: pintle --home DIR …"),
        _ => match error {
            rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::InvalidColumnType(..)
            | rusqlite::Error::IntegralValueOutOfRange(..) => {
                Problem::new(Code::Damaged, format!("the log in {file} is damaged"))
                    .hint("see what is still sound: pintle doctor")
            }
            _ => Problem::new(Code::DatabaseFailed, format!("cannot {act} in {file}")).hint("pintle doctor"),
        },
    };
    problem.detail(error)
}
