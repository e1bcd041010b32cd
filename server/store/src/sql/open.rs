//! Opening a database: pools, settings of each connection, schema, identity.
//!
//! Promises: SQLite is in WAL mode and syncs at every commit; one connection writes and others only read. On PostgreSQL
//! no lock and no statement is waited for without end. Several processes opening one new database all succeed.
//!
//! Never: an address in a log or an error; it may hold a password.

use super::failure::{TxError, TxResult, judge, judge_schema};
use super::row::{Row, blob, signed};
use super::session::Backoff;
use super::{Dialect, STORE_IDENTITY, SqlStore};
use crate::{FreshSecrets, Identity, StoreError, StoreResult};
use pintle_core::ids::StoreId;
use sea_orm::sqlx::Connection as _;
use sea_orm::sqlx::sqlite::SqliteConnectOptions;
use sea_orm::{ConnectOptions, Database, DatabaseConnection};
use std::path::Path;
use std::time::Duration;

/// How long SQLite waits for another process that writes, in milliseconds. Within one process writers queue for the
/// one writing connection instead.
const SQLITE_BUSY_MS: u64 = 10_000;
/// Connections that only read, on SQLite. Reads are short; each costs a thread and a page cache of 2 MB.
const SQLITE_READERS_MAX: u32 = 4;
/// Rows a reader reads before they are taken from it. SQLite's thread and the asker's wake each other for every buffer of
/// rows, and pages of a thousand are read; all of a page is held anyway.
const SQLITE_ROWS_AHEAD: usize = 1_000;
/// Connections of each of the two pools on PostgreSQL: a server's default is 100 in all, for several processes.
const POSTGRES_CONNECTIONS_MAX: u32 = 10;
/// How long a caller waits for a connection of a pool, in milliseconds: a device is better told to come again.
const ACQUIRE_MS: u64 = 15_000;
/// How long PostgreSQL waits for a lock, in milliseconds: a push holds its own for some 10 ms.
const LOCK_MS: u64 = 3_000;
/// How long a statement may run on PostgreSQL, in milliseconds: the largest page takes some 100 ms.
const STATEMENT_MS: u64 = 20_000;
/// How long a transaction may stand idle on PostgreSQL, in milliseconds, before it is ended and its locks with it.
const IDLE_IN_TRANSACTION_MS: u64 = 20_000;
/// A connection of PostgreSQL that has been idle for so long, in milliseconds, is tested before it is used.
const TEST_AFTER_IDLE_MS: u64 = 10_000;
/// How often opening is tried while another process is changing SQLite into WAL mode, for which SQLite does not wait.
const WAL_TRIES_MAX: u32 = 8;

/// SQLite before 3.51.3 can damage a database when the WAL is reset.
const _: () = assert!(libsqlite3_sys::SQLITE_VERSION_NUMBER >= 3_051_003);

impl SqlStore {
    /// Opens the database at `url`, `sqlite:PATH?mode=rwc` or `postgres://…`, brings its schema up to date and, where
    /// it is new, gives it its identity from `fresh`.
    ///
    /// # Errors
    /// [`StoreError::Schema`] if a newer program has been at it, [`StoreError::Unavailable`] if it cannot be reached,
    /// and whatever else the database says.
    pub async fn open(url: &str, fresh: FreshSecrets, now_ms: i64) -> StoreResult<Self> {
        Box::pin(Self::open_url(url, &fresh, now_ms)).await.map_err(|error| error.error)
    }

    async fn open_url(url: &str, fresh: &FreshSecrets, now_ms: i64) -> TxResult<Self> {
        let dialect = dialect_of(url)?;
        if dialect == Dialect::Sqlite {
            private_file(url)?;
        }
        let (writer, reader) = match dialect {
            Dialect::Sqlite => (sqlite_writer(url).await?, sqlite_reader_options(url)),
            Dialect::Postgres => (connect(postgres_options(url)).await?, postgres_options(url)),
        };
        pintle_migrations::ledger::migrate(&writer).await.map_err(judge_schema)?;
        // Readers come after the schema: they could not make the file, nor would they find a table in it.
        let reader = connect(reader).await?;
        let mut store = Self { dialect, writer, reader, identity: placeholder(fresh), backoff: Backoff::default() };
        store.identity = store.identify(fresh, now_ms).await?;
        Ok(store)
    }

    /// Opens a database as it lies, to look at it: nothing is made, migrated or written, and it may be damaged. Its
    /// identity may then not be the one it has; see [`SqlStore::audit`].
    ///
    /// # Errors
    /// [`StoreError::Unavailable`] if there is none, [`StoreError::Schema`] if this program is not of its schema, and
    /// [`StoreError::Damaged`] if not even that can be told.
    pub async fn open_as_it_lies(url: &str) -> StoreResult<Self> {
        Box::pin(Self::look_at(url)).await.map_err(|error| error.error)
    }

    async fn look_at(url: &str) -> TxResult<Self> {
        let dialect = dialect_of(url)?;
        let options = match dialect {
            Dialect::Sqlite => sqlite_looker_options(url),
            Dialect::Postgres => postgres_options(url),
        };
        let reader = connect(options).await?;
        let nobody = FreshSecrets {
            store: StoreId([0; 16]),
            cursor_secret: [0; 32],
            token_secret: [0; 32],
            ledger_secret: [0; 32],
        };
        let (writer, backoff) = (reader.clone(), Backoff::default());
        let mut store = Self { dialect, writer, reader, identity: placeholder(&nobody), backoff };
        match pintle_migrations::ledger::compare(&store.reader).await.map_err(judge_schema) {
            // Where the steps cannot be read the rest may still be.
            Ok(()) | Err(TxError { error: StoreError::Damaged { .. }, .. }) => {}
            Err(error) => return Err(error),
        }
        match store.identity_read().await {
            Ok(identity) => store.identity = identity,
            Err(TxError { error: error @ StoreError::Unavailable { .. }, .. }) => return Err(error.into()),
            // The audit says what is wrong with it.
            Err(_) => {}
        }
        Ok(store)
    }

    async fn identity_read(&self) -> TxResult<Identity> {
        let session = self.reading("identify");
        let row = session.row(STORE_IDENTITY, IDENTITY_SELECT, []).await?;
        read_identity(&row.ok_or_else(|| session.failed("it has no identity"))?)
    }

    /// Reads the identity, having written it where there was none. Of several processes one's secrets last.
    async fn identify(&self, fresh: &FreshSecrets, now_ms: i64) -> StoreResult<Identity> {
        self.run("identify", |tx| async move {
            let insert = "INSERT INTO store_identity (one, store, epoch, cursor_secret, token_secret, created_ms) \
                          VALUES (1, $1, 1, $2, $3, $4) ON CONFLICT (one) DO NOTHING";
            let values = [blob(&fresh.store.0), blob(&fresh.cursor_secret), blob(&fresh.token_secret), signed(now_ms)];
            tx.change(insert, values).await?;
            // A database of before the server kept a log of its own has no secret for it yet.
            let upgrade = "UPDATE store_identity SET ledger_secret = $1 WHERE ledger_secret IS NULL";
            tx.change(upgrade, [blob(&fresh.ledger_secret)]).await?;
            let row = tx.row(STORE_IDENTITY, IDENTITY_SELECT, []).await?;
            let identity = read_identity(&row.ok_or_else(|| tx.failed("it has no identity"))?)?;
            tx.commit(identity).await
        })
        .await
    }
}

const IDENTITY_SELECT: &str = "SELECT one, store, cursor_secret, token_secret, ledger_secret FROM store_identity";

fn read_identity(row: &Row) -> TxResult<Identity> {
    Ok(Identity {
        store: StoreId(row.bytes("store")?),
        cursor_secret: row.bytes("cursor_secret")?,
        token_secret: row.bytes("token_secret")?,
        ledger_secret: row.bytes("ledger_secret")?,
    })
}

/// Stands in until the identity has been read.
fn placeholder(fresh: &FreshSecrets) -> Identity {
    let FreshSecrets { store, cursor_secret, token_secret, ledger_secret } = fresh.clone();
    Identity { store, cursor_secret, token_secret, ledger_secret }
}

pub(super) fn dialect_of(url: &str) -> StoreResult<Dialect> {
    let refused = |detail: &str| Err(StoreError::Failed { act: "open", detail: detail.to_owned() });
    if url.starts_with("postgres://") || url.starts_with("postgresql://") {
        return Ok(Dialect::Postgres);
    }
    if !url.starts_with("sqlite:") {
        return refused("an address begins with sqlite: or postgres://");
    }
    if url.contains(":memory:") || url.contains("mode=memory") {
        return refused("SQLite in memory has no place for readers beside the writer; give a file");
    }
    Ok(Dialect::Sqlite)
}

/// Makes the file of a new SQLite database so that no other user of the machine can read it: it holds the secrets that
/// cursors and tokens hang on. SQLite gives the files beside it the same rights.
fn private_file(url: &str) -> StoreResult<()> {
    let refused = |detail: String| StoreError::Failed { act: "open", detail };
    let options: SqliteConnectOptions =
        url.parse().map_err(|error| refused(format!("the address is none: {error}")))?;
    if !url.contains("mode=rwc") {
        return Ok(());
    }
    let path = options.get_filename();
    if path.exists() {
        Ok(())
    } else {
        private_new(path).or_else(|error| if path.exists() { Ok(()) } else { Err(error) })
    }
}

/// Makes an empty file that no other user of the machine can read; one that is there already is an error.
pub(super) fn private_new(path: &Path) -> StoreResult<()> {
    let mut file = std::fs::OpenOptions::new();
    file.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut file, 0o600);
    match file.open(path) {
        Ok(_) => Ok(()),
        Err(error) if error.kind() == std::io::ErrorKind::StorageFull => Err(StoreError::Full { act: "open" }),
        Err(error) => {
            let detail = format!("the file {} cannot be made: {error}", path.display());
            Err(StoreError::Unavailable { act: "open", detail })
        }
    }
}

pub(super) async fn connect(options: ConnectOptions) -> TxResult<DatabaseConnection> {
    Database::connect(options).await.map_err(|error| judge("open", error))
}

fn quiet(url: &str, connections_max: u32) -> ConnectOptions {
    let mut options = ConnectOptions::new(url);
    options
        .max_connections(connections_max)
        .acquire_timeout(Duration::from_millis(ACQUIRE_MS))
        .sqlx_logging(false)
        .record_stmt_in_spans(false);
    options
}

fn sqlite_options(url: &str, connections_max: u32) -> ConnectOptions {
    let mut options = quiet(url, connections_max);
    options.test_before_acquire(false).idle_timeout(None::<Duration>).max_lifetime(None::<Duration>);
    // On a full disk SQLite ends a transaction by itself, or cannot commit it (sqlite.org/lang_transaction.html, "Response to
    // errors"). The driver then believes to be inside one for ever, and what it begins next is a part of it that never lasts.
    // Such a connection is thrown away. The ping makes sure that what was still to be undone has been.
    options.map_sqlx_sqlite_pool_opts(|pool| {
        pool.before_acquire(|connection, _| {
            Box::pin(async move {
                connection.ping().await?;
                Ok(!connection.is_in_transaction())
            })
        })
    });
    options
}

/// The one connection that writes. `recursive_triggers` lets the ledger's triggers see a row that REPLACE removes.
async fn sqlite_writer(url: &str) -> TxResult<DatabaseConnection> {
    let backoff = Backoff::default();
    let mut tries = 0;
    loop {
        let mut options = sqlite_options(url, 1);
        options.map_sqlx_sqlite_opts(|sqlite| {
            sqlite
                .busy_timeout(Duration::from_millis(SQLITE_BUSY_MS))
                .pragma("journal_mode", "WAL")
                .pragma("synchronous", "FULL")
                .pragma("recursive_triggers", "ON")
        });
        match connect(options).await {
            Err(error) if error.again && tries < WAL_TRIES_MAX => {
                backoff.wait(tries).await;
                tries += 1;
            }
            outcome => return outcome,
        }
    }
}

fn sqlite_reader_options(url: &str) -> ConnectOptions {
    let mut options = sqlite_options(url, SQLITE_READERS_MAX);
    options.map_sqlx_sqlite_opts(|sqlite| {
        sqlite
            .busy_timeout(Duration::from_millis(SQLITE_BUSY_MS))
            .row_buffer_size(SQLITE_ROWS_AHEAD)
            .pragma("query_only", "ON")
    });
    options
}

/// Connections that look at a file that must be there already, and change nothing of it.
fn sqlite_looker_options(url: &str) -> ConnectOptions {
    let mut options = sqlite_options(url, SQLITE_READERS_MAX);
    options.map_sqlx_sqlite_opts(|sqlite| must_exist(sqlite).pragma("query_only", "ON"));
    options
}

/// One connection to a file that must be there already, with nothing set on it.
pub(super) fn sqlite_plain_options(url: &str) -> ConnectOptions {
    let mut options = sqlite_options(url, 1);
    options.map_sqlx_sqlite_opts(must_exist);
    options
}

fn must_exist(options: SqliteConnectOptions) -> SqliteConnectOptions {
    options.create_if_missing(false).busy_timeout(Duration::from_millis(SQLITE_BUSY_MS))
}

fn postgres_options(url: &str) -> ConnectOptions {
    // The driver's front end knows the shorter of the two usual names of the scheme.
    let url = url.strip_prefix("postgresql://").map_or_else(|| url.to_owned(), |rest| format!("postgres://{rest}"));
    let mut options = quiet(&url, POSTGRES_CONNECTIONS_MAX);
    options.test_before_acquire_if_idle_for(Duration::from_millis(TEST_AFTER_IDLE_MS)).map_sqlx_postgres_opts(
        |postgres| {
            postgres.application_name("pintle").options([
                ("default_transaction_isolation", String::from("read committed")),
                ("lock_timeout", LOCK_MS.to_string()),
                ("statement_timeout", STATEMENT_MS.to_string()),
                ("idle_in_transaction_session_timeout", IDLE_IN_TRANSACTION_MS.to_string()),
            ])
        },
    );
    options
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Organisation, Store};
    use pintle_core::ids::OrganisationId;
    use sea_orm::{ConnectionTrait, Statement};

    async fn opened(folder: &tempfile::TempDir) -> SqlStore {
        let url = format!("sqlite:{}?mode=rwc", folder.path().join("ledger.sqlite").display());
        let fresh = FreshSecrets {
            store: StoreId([1; 16]),
            cursor_secret: [2; 32],
            token_secret: [3; 32],
            ledger_secret: [4; 32],
        };
        SqlStore::open(&url, fresh, 0).await.expect("a new file opens")
    }

    async fn pragma<T: sea_orm::TryGetable>(pool: &DatabaseConnection, name: &str) -> T {
        let statement = Statement::from_string(pool.get_database_backend(), format!("PRAGMA {name}"));
        let row = pool.query_one_raw(statement).await.expect("it answers").expect("one row");
        row.try_get_by_index(0).expect("its value")
    }

    #[tokio::test]
    async fn sqlite_syncs_at_every_commit_and_readers_only_read() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = opened(&folder).await;
        assert_eq!(pragma::<String>(&store.writer, "journal_mode").await, "wal");
        assert_eq!(pragma::<i64>(&store.writer, "synchronous").await, 2, "FULL");
        assert_eq!(pragma::<i64>(&store.writer, "foreign_keys").await, 1);
        assert_eq!(pragma::<i64>(&store.reader, "query_only").await, 1);
        let refused = store.reader.execute_unprepared("DELETE FROM machine_view").await;
        assert!(refused.expect_err("a reader writes nothing").to_string().contains("readonly"));
    }

    #[cfg(unix)]
    #[tokio::test]
    async fn no_other_user_can_read_a_new_sqlite_file() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().expect("a folder");
        let store = opened(&folder).await;
        store
            .organisation_add(&Organisation { id: OrganisationId([1; 16]), name: "north".into() }, 0)
            .await
            .expect("added");
        let mut files = 0;
        for file in std::fs::read_dir(folder.path()).expect("the folder is read") {
            let file = file.expect("a file");
            let mode = file.metadata().expect("its rights").permissions().mode();
            assert_eq!(mode & 0o777, 0o600, "{:?}", file.file_name());
            files += 1;
        }
        assert_eq!(files, 3, "database, log and index of the log");
    }

    #[tokio::test]
    async fn a_full_sqlite_file_is_told_and_works_again_when_there_is_room() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = opened(&folder).await;
        let pages: i64 = pragma(&store.writer, "page_count").await;
        pragma::<i64>(&store.writer, &format!("max_page_count = {}", pages + 1)).await;
        let large = Organisation { id: OrganisationId([1; 16]), name: "n".repeat(100_000) };
        let full = store.organisation_add(&large, 0).await;
        assert!(matches!(full, Err(StoreError::Full { act: "organisation_add" })), "{full:?}");
        assert_eq!(store.organisations().await.expect("reading goes on"), []);
        pragma::<i64>(&store.writer, &format!("max_page_count = {}", pages + 1000)).await;
        store.organisation_add(&large, 0).await.expect("there is room again");
        assert_eq!(store.organisations().await.expect("it answers"), [large]);
    }

    #[tokio::test]
    async fn replace_does_not_get_past_the_ledger_s_triggers() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = opened(&folder).await;
        let rows = "
            INSERT INTO organisation VALUES (zeroblob(16), 'north', 0, 0);
            INSERT INTO person VALUES (zeroblob(16), zeroblob(16), 'Bo');
            INSERT INTO device (device, organisation, key, mark, mark_folded, person, role, revoked, head_seq, head_link,
                baton, baton_before, enrolled_ms) VALUES (zeroblob(16), zeroblob(16), zeroblob(32), 'K7', 'k7',
                zeroblob(16), 'crew', 0, 0, zeroblob(32), zeroblob(16), zeroblob(16), 0);
            INSERT INTO ledger VALUES (zeroblob(16), 1, zeroblob(16), 1, zeroblob(32), x'', NULL, NULL, 0, NULL, NULL,
                '{}', 0, 1, 0)";
        store.writer.execute_unprepared(&rows.replace("'{}'", "x'7b7d'")).await.expect("rows are inserted");
        let refused = store.writer.execute_unprepared("REPLACE INTO ledger SELECT * FROM ledger").await;
        assert!(refused.expect_err("it would remove a row").to_string().contains("is never changed"));
    }

    #[tokio::test]
    async fn an_address_that_cannot_be_used_is_refused_by_its_kind() {
        let fresh = || FreshSecrets {
            store: StoreId([1; 16]),
            cursor_secret: [2; 32],
            token_secret: [3; 32],
            ledger_secret: [4; 32],
        };
        for url in ["mysql://x", "", "ledger.sqlite", "sqlite::memory:", "sqlite://x?mode=memory"] {
            let refused = SqlStore::open(url, fresh(), 0).await.expect_err(url);
            assert!(matches!(refused, StoreError::Failed { act: "open", .. }), "{url}: {refused:?}");
        }
        let folder = tempfile::tempdir().expect("a folder");
        let missing = format!("sqlite:{}?mode=rw", folder.path().join("none.sqlite").display());
        let refused = SqlStore::open(&missing, fresh(), 0).await.expect_err("there is no such file");
        assert!(matches!(refused, StoreError::Unavailable { act: "open", .. }), "{refused:?}");
    }
}
