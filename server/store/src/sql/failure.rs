//! What a database error means: one function judges them all, by the driver's codes, never by texts.
//!
//! Promises: an error that a second try can cure is told from one that it cannot; a full disk is never taken for an
//! outage. The text of a database's error goes to the log with its act, never to a client.
//!
//! Never: retries, logs.

use crate::StoreError;
use pintle_migrations::ledger::SchemaError;
use sea_orm::{DbErr, RuntimeErr, SqlxError};

/// An error inside a transaction.
#[derive(Debug)]
pub(super) struct TxError {
    /// What the caller is told unless a second try succeeds.
    pub error: StoreError,
    /// Whether the same work, done again from the start, may succeed.
    pub again: bool,
}

/// Result of a piece of work inside a transaction.
pub(super) type TxResult<T> = Result<T, TxError>;

impl From<StoreError> for TxError {
    fn from(error: StoreError) -> Self {
        Self { error, again: false }
    }
}

/// What is behind a driver's code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Meaning {
    /// Another transaction was in the way; this one has been rolled back.
    Contended,
    /// No room is left.
    Full,
    /// The database is not there, not ready, or too slow.
    Unavailable,
    /// The database's own pages or rows are not what they were written as.
    Damaged,
    /// Anything else.
    Other,
}

/// Judges a database's error.
pub(super) fn judge(act: &'static str, error: DbErr) -> TxError {
    let meaning = match &error {
        DbErr::ConnectionAcquire(_) => Meaning::Unavailable,
        DbErr::Conn(RuntimeErr::SqlxError(inner))
        | DbErr::Exec(RuntimeErr::SqlxError(inner))
        | DbErr::Query(RuntimeErr::SqlxError(inner)) => driver(inner),
        _ => Meaning::Other,
    };
    let detail = error.to_string();
    let again = meaning == Meaning::Contended;
    let error = match meaning {
        Meaning::Contended | Meaning::Unavailable => StoreError::Unavailable { act, detail },
        Meaning::Full => StoreError::Full { act },
        Meaning::Damaged => StoreError::Damaged { act, detail },
        Meaning::Other => StoreError::Failed { act, detail },
    };
    TxError { error, again }
}

/// Judges an error of the schema's migration.
pub(super) fn judge_schema(error: SchemaError) -> TxError {
    match error {
        SchemaError::Newer { step } => {
            let detail = format!("it holds step {step}, which this program does not know: a newer one has been here");
            StoreError::Schema { detail }.into()
        }
        SchemaError::Older { step } => {
            let detail = format!("it lacks step {step}: it is of an older program and not brought up to date yet");
            StoreError::Schema { detail }.into()
        }
        SchemaError::Database(error) => judge("migrate", error),
    }
}

fn driver(error: &SqlxError) -> Meaning {
    match error {
        SqlxError::Database(database) => {
            let code = database.code();
            let code = code.as_deref().unwrap_or_default();
            if database.try_downcast_ref::<sea_orm::SqlxSqliteError>().is_some() {
                code.parse().map_or(Meaning::Other, sqlite)
            } else {
                postgres(code)
            }
        }
        SqlxError::Io(io) if io.kind() == std::io::ErrorKind::StorageFull => Meaning::Full,
        SqlxError::Io(_)
        | SqlxError::Tls(_)
        | SqlxError::PoolTimedOut
        | SqlxError::PoolClosed
        | SqlxError::WorkerCrashed
        | SqlxError::Protocol(_) => Meaning::Unavailable,
        _ => Meaning::Other,
    }
}

/// SQLite's result codes (sqlite.org/rescode.html); an extended code keeps the primary one in its low byte.
fn sqlite(code: i32) -> Meaning {
    // IOERR_SHMSIZE: the index of the write-ahead log could not grow, for which only room is missing.
    if code == 10 | (19 << 8) {
        return Meaning::Full;
    }
    match code & 0xff {
        5 | 6 => Meaning::Contended,             // BUSY, LOCKED
        13 => Meaning::Full,                     // FULL
        11 | 26 => Meaning::Damaged,             // CORRUPT, NOTADB
        7 | 8 | 10 | 14 => Meaning::Unavailable, // NOMEM, READONLY, IOERR, CANTOPEN
        _ => Meaning::Other,
    }
}

/// PostgreSQL's SQLSTATE codes (appendix A of its manual).
fn postgres(code: &str) -> Meaning {
    match code {
        // Serialization failure, deadlock, lock not available; and a unique key that another transaction committed
        // first: decided afresh, what it committed is seen.
        "40001" | "40P01" | "55P03" | "23505" => Meaning::Contended,
        "53100" => Meaning::Full,
        // Data and index corrupted.
        "XX001" | "XX002" => Meaning::Damaged,
        // Statement timeout, idle-in-transaction timeout, and the server going down or coming up.
        "57014" | "25P03" | "57P01" | "57P02" | "57P03" | "57P05" => Meaning::Unavailable,
        // Connection exceptions, and no more memory or connections.
        _ if code.starts_with("08") || code.starts_with("53") => Meaning::Unavailable,
        _ => Meaning::Other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_mean_what_their_manuals_say() {
        for (code, meaning) in [
            (5, Meaning::Contended),
            (5 | (2 << 8), Meaning::Contended),
            (13, Meaning::Full),
            (10 | (3 << 8), Meaning::Unavailable),
            (10 | (19 << 8), Meaning::Full),
            (14, Meaning::Unavailable),
            (11, Meaning::Damaged),
            (11 | (3 << 8), Meaning::Damaged),
            (26, Meaning::Damaged),
            (19 | (8 << 8), Meaning::Other),
        ] {
            assert_eq!(sqlite(code), meaning, "{code}");
        }
        for (code, meaning) in [
            ("40001", Meaning::Contended),
            ("40P01", Meaning::Contended),
            ("55P03", Meaning::Contended),
            ("53100", Meaning::Full),
            ("53300", Meaning::Unavailable),
            ("08006", Meaning::Unavailable),
            ("57014", Meaning::Unavailable),
            ("XX001", Meaning::Damaged),
            ("23001", Meaning::Other),
            ("", Meaning::Other),
        ] {
            assert_eq!(postgres(code), meaning, "{code}");
        }
    }

    #[test]
    fn a_full_disk_is_no_outage_and_only_contention_is_tried_again() {
        let full = std::io::Error::from(std::io::ErrorKind::StorageFull);
        let full = judge("push", DbErr::Exec(RuntimeErr::SqlxError(std::sync::Arc::new(SqlxError::Io(full)))));
        assert!(matches!(full, TxError { error: StoreError::Full { act: "push" }, again: false }));
        let lost = std::sync::Arc::new(SqlxError::WorkerCrashed);
        let lost = judge("push", DbErr::Query(RuntimeErr::SqlxError(lost)));
        assert!(matches!(lost, TxError { error: StoreError::Unavailable { .. }, again: false }));
    }
}
