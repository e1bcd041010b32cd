//! Statements, transactions, and the one place that begins them.
//!
//! Promises: a write is a named closure that is run again from the start when another transaction was in its way; it
//! takes effect only through [`Session::commit`], whose result alone a closure can return. Statements use `$1, $2 …`
//! on both databases.
//!
//! Never: a transaction without a name, a read-then-write without a lock.

use super::failure::{TxError, TxResult, judge};
use super::row::{Row, Table};
use super::{Dialect, SqlStore};
use crate::{StoreError, StoreResult};
use sea_orm::{
    AccessMode, ConnectionTrait, DatabaseConnection, DatabaseTransaction, IsolationLevel, SqliteTransactionMode,
    Statement, TransactionOptions, TransactionTrait, Value,
};
use std::future::Future;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tracing::Instrument as _;

/// How often a write is tried again after another transaction was in its way.
const RETRIES_MAX: u32 = 3;
/// First wait before a write is tried again, in milliseconds; doubled each time, and spread by up to as much again.
const RETRY_WAIT_MS: u64 = 10;
/// Most values bound in one statement: SQLite takes 32,766, PostgreSQL 65,535.
const BINDS_MAX: usize = 32_000;

/// A connection in use for one named act.
pub(super) struct Session<C> {
    connection: C,
    pub dialect: Dialect,
    pub act: &'static str,
}

/// A transaction.
pub(super) type Tx = Session<DatabaseTransaction>;

/// What a closure of [`SqlStore::run`] has achieved: made only by ending the transaction.
pub(super) struct Ended<T>(T);

impl<C: ConnectionTrait> Session<C> {
    fn statement(&self, sql: impl Into<String>, values: impl IntoIterator<Item = Value>) -> Statement {
        Statement::from_sql_and_values(self.connection.get_database_backend(), sql, values)
    }

    /// All rows of a query.
    pub async fn rows(
        &self,
        table: Table,
        sql: impl Into<String>,
        values: impl IntoIterator<Item = Value>,
    ) -> TxResult<Vec<Row>> {
        let statement = self.statement(sql, values);
        let rows = self.connection.query_all_raw(statement).await.map_err(|error| judge(self.act, error))?;
        Ok(rows.into_iter().map(|row| Row::new(table, row)).collect())
    }

    /// The one row of a query, if there is one.
    pub async fn row(
        &self,
        table: Table,
        sql: impl Into<String>,
        values: impl IntoIterator<Item = Value>,
    ) -> TxResult<Option<Row>> {
        let statement = self.statement(sql, values);
        let row = self.connection.query_one_raw(statement).await.map_err(|error| judge(self.act, error))?;
        Ok(row.map(|row| Row::new(table, row)))
    }

    /// An error of this act that is none of the database's.
    pub fn failed(&self, detail: impl Into<String>) -> TxError {
        StoreError::Failed { act: self.act, detail: detail.into() }.into()
    }

    /// The clause that locks the rows of a query to the transaction's end. SQLite has one writer and needs none.
    ///
    /// On PostgreSQL not the strongest lock: no key is ever changed, and a row that others refer to must not keep them
    /// from it. A transaction that has inserted a row of an organisation holds a share of the organisation's own row;
    /// two that then wanted all of it would wait for each other.
    pub fn for_update(&self) -> &'static str {
        match self.dialect {
            Dialect::Sqlite => "",
            Dialect::Postgres => " FOR NO KEY UPDATE",
        }
    }
}

impl Tx {
    /// Changes rows; gives how many.
    pub async fn change(&self, sql: impl Into<String>, values: impl IntoIterator<Item = Value>) -> TxResult<u64> {
        let statement = self.statement(sql, values);
        let done = self.connection.execute_raw(statement).await.map_err(|error| judge(self.act, error))?;
        Ok(done.rows_affected())
    }

    /// Changes exactly one row.
    pub async fn change_one(&self, sql: impl Into<String>, values: impl IntoIterator<Item = Value>) -> TxResult<()> {
        match self.change(sql, values).await? {
            1 => Ok(()),
            rows => Err(self.failed(format!("one row was to change, {rows} did"))),
        }
    }

    /// Inserts rows of equal length: `insert` is the statement up to `VALUES`, `tail` what follows the values.
    pub async fn insert(&self, insert: &str, rows: Vec<Vec<Value>>, tail: &str) -> TxResult<u64> {
        let Some(columns) = rows.first().map(Vec::len).filter(|columns| *columns > 0) else { return Ok(0) };
        let mut rows = rows.into_iter().peekable();
        let mut inserted = 0;
        while rows.peek().is_some() {
            let chunk: Vec<_> = rows.by_ref().take(BINDS_MAX / columns).collect();
            let sql = format!("{insert} VALUES {} {tail}", tuples(chunk.len(), columns));
            inserted += self.change(sql, chunk.into_iter().flatten()).await?;
        }
        Ok(inserted)
    }

    /// Makes the transaction's changes last.
    pub async fn commit<T>(self, value: T) -> TxResult<Ended<T>> {
        self.connection.commit().await.map_err(|error| judge(self.act, error))?;
        Ok(Ended(value))
    }

    /// Ends a transaction that has nothing to change.
    pub async fn leave<T>(self, value: T) -> TxResult<Ended<T>> {
        self.connection.rollback().await.map_err(|error| judge(self.act, error))?;
        Ok(Ended(value))
    }
}

/// `($1,$2),($3,$4)` …
fn tuples(rows: usize, columns: usize) -> String {
    let tuple = |row: usize| format!("({})", places(row * columns + 1, columns));
    (0..rows).map(tuple).collect::<Vec<_>>().join(",")
}

/// `$5,$6,$7` …: `count` places from `first`.
pub(super) fn places(first: usize, count: usize) -> String {
    (first..first + count).map(|place| format!("${place}")).collect::<Vec<_>>().join(",")
}

/// Waits between tries: doubled each time, and spread so that two that met do not meet again. The spread comes from
/// a counter, for which no randomness is needed.
#[derive(Debug, Default)]
pub(super) struct Backoff {
    drawn: AtomicU64,
}

impl Backoff {
    fn wait_ms(&self, tries: u32) -> u64 {
        let base = RETRY_WAIT_MS << tries.min(10);
        // Multiplying by 2^64 divided by the golden ratio scatters a counter evenly (Knuth, TAOCP 3, 6.4).
        let drawn = self.drawn.fetch_add(1, Ordering::Relaxed).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        base + (drawn >> 32) % base
    }

    /// Waits before try `tries` + 2.
    pub async fn wait(&self, tries: u32) {
        tokio::time::sleep(Duration::from_millis(self.wait_ms(tries))).await;
    }
}

impl SqlStore {
    /// Runs a write: `work` ends the transaction it is given, and is called again where another was in the way.
    pub(super) async fn run<T, W, F>(&self, act: &'static str, work: W) -> StoreResult<T>
    where
        W: Fn(Tx) -> F + Send + Sync,
        F: Future<Output = TxResult<Ended<T>>> + Send,
        T: Send,
    {
        let span = tracing::debug_span!("store_write", act);
        async {
            let mut tries = 0;
            loop {
                match self.attempt(act, &work).await {
                    Ok(Ended(value)) => return Ok(value),
                    Err(TxError { error, again: true }) if tries < RETRIES_MAX => {
                        tracing::debug!(act, tries, %error, "a write is tried again");
                        self.backoff.wait(tries).await;
                        tries += 1;
                    }
                    Err(TxError { error, .. }) => return Err(error),
                }
            }
        }
        .instrument(span)
        .await
    }

    async fn attempt<T, W, F>(&self, act: &'static str, work: &W) -> TxResult<Ended<T>>
    where
        W: Fn(Tx) -> F,
        F: Future<Output = TxResult<Ended<T>>>,
    {
        let options = TransactionOptions {
            sqlite_transaction_mode: (self.dialect == Dialect::Sqlite).then_some(SqliteTransactionMode::Immediate),
            ..TransactionOptions::default()
        };
        work(self.begin(&self.writer, act, options).await?).await
    }

    /// Runs a read of several statements, all of which see one moment of the database.
    pub(super) async fn look<T, W, F>(&self, act: &'static str, work: W) -> StoreResult<T>
    where
        W: FnOnce(Tx) -> F,
        F: Future<Output = TxResult<Ended<T>>>,
    {
        let options = match self.dialect {
            // A deferred transaction sees the moment of its first read.
            Dialect::Sqlite => TransactionOptions::default(),
            Dialect::Postgres => TransactionOptions {
                isolation_level: Some(IsolationLevel::RepeatableRead),
                access_mode: Some(AccessMode::ReadOnly),
                ..TransactionOptions::default()
            },
        };
        let outcome = async { work(self.begin(&self.reader, act, options).await?).await };
        let Ended(value) = outcome.instrument(tracing::debug_span!("store_read", act)).await.map_err(|e| e.error)?;
        Ok(value)
    }

    /// A session for one reading statement.
    pub(super) fn reading(&self, act: &'static str) -> Session<DatabaseConnection> {
        Session { connection: self.reader.clone(), dialect: self.dialect, act }
    }

    #[allow(clippy::disallowed_methods, reason = "the runner: the one place of the store that begins transactions")]
    async fn begin(&self, pool: &DatabaseConnection, act: &'static str, options: TransactionOptions) -> TxResult<Tx> {
        let connection = pool.begin_with_options(options).await.map_err(|error| judge(act, error))?;
        Ok(Session { connection, dialect: self.dialect, act })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_numbered_through() {
        assert_eq!(tuples(2, 3), "($1,$2,$3),($4,$5,$6)");
        assert_eq!(places(3, 2), "$3,$4");
    }

    #[test]
    fn waits_grow_and_differ() {
        let backoff = Backoff::default();
        let waits: Vec<_> = (0..3).map(|tries| backoff.wait_ms(tries)).collect();
        for (tries, wait) in waits.iter().enumerate() {
            let base = RETRY_WAIT_MS << tries;
            assert!((base..2 * base).contains(wait), "{waits:?}");
        }
        let spread: std::collections::BTreeSet<_> = (0..8).map(|_| backoff.wait_ms(2)).collect();
        assert!(spread.len() > 4, "{spread:?}");
    }
}
