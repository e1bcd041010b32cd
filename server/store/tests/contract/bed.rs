//! Where a case runs: a new, empty store in memory, in an SQLite file, or in a PostgreSQL database of its own.
//!
//! Promises: no case sees another's rows; a case for PostgreSQL fails, and says how to run it, where there is none.

use crate::crew::all_after;
use pintle_core::ids::{Hash, OrganisationId, StoreId};
use pintle_store::memory::MemoryStore;
use pintle_store::sql::SqlStore;
use pintle_store::{FreshSecrets, Organisation, Store};
use sea_orm::{ConnectionTrait, Database, DatabaseConnection};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// The moment at which cases begin, in milliseconds since 1970.
pub const NOW_MS: i64 = 1_780_000_000_000;

/// A store and what is behind it.
pub struct Bed {
    pub store: Arc<dyn Store>,
    /// The database's address; none for memory.
    pub url: Option<String>,
    file: Option<tempfile::TempDir>,
}

/// Secrets that differ by their first byte.
pub fn secrets(first: u8) -> FreshSecrets {
    FreshSecrets {
        store: StoreId([first; 16]),
        cursor_secret: [first; 32],
        token_secret: [first ^ 0xff; 32],
        ledger_secret: [first ^ 0x55; 32],
    }
}

impl Bed {
    pub async fn memory() -> Self {
        Self { store: Arc::new(MemoryStore::new(secrets(1))), url: None, file: None }
    }

    pub async fn sqlite() -> Self {
        let (file, url) = sqlite_file();
        let store = SqlStore::open(&url, secrets(1), NOW_MS).await.expect("a new SQLite database opens");
        Self { store: Arc::new(store), url: Some(url), file: Some(file) }
    }

    pub async fn postgres() -> Self {
        let url = postgres_database().await;
        let store = SqlStore::open(&url, secrets(1), NOW_MS).await.expect("a new PostgreSQL database opens");
        Self { store: Arc::new(store), url: Some(url), file: None }
    }

    /// A connection beside the store, for what no store would do.
    pub async fn raw(&self) -> DatabaseConnection {
        Database::connect(self.url.as_deref().expect("a database has an address")).await.expect("it can be reached")
    }

    /// Whether the database is SQLite.
    pub fn is_sqlite(&self) -> bool {
        self.file.is_some()
    }

    /// Adds an organisation whose id repeats one byte.
    pub async fn organisation(&self, byte: u8) -> OrganisationId {
        let id = OrganisationId([byte; 16]);
        let organisation = Organisation { id, name: format!("organisation {byte}") };
        self.store.organisation_add(&organisation, NOW_MS).await.expect("an organisation is added");
        id
    }

    /// Where a ledger ends now. Once devices have been let in it holds what the server has written down about that, and
    /// what a case adds has the positions after it.
    pub async fn end(&self, organisation: OrganisationId) -> u64 {
        self.store.digest(organisation).await.expect("it answers").count
    }

    /// The links of a ledger's entries, for what has been written down before a case begins to count.
    pub async fn links(&self, organisation: OrganisationId) -> Vec<Hash> {
        let page = self.store.page(organisation, &all_after(0)).await.expect("a page");
        page.entries.iter().map(|held| held.link).collect()
    }
}

/// A new SQLite file and its address.
pub fn sqlite_file() -> (tempfile::TempDir, String) {
    let folder = tempfile::tempdir().expect("a folder can be made");
    let url = format!("sqlite:{}?mode=rwc", folder.path().join("ledger.sqlite").display());
    (folder, url)
}

/// A new, empty PostgreSQL database; gives its address.
pub async fn postgres_database() -> String {
    static MADE: AtomicU64 = AtomicU64::new(0);
    let server = postgres_server();
    let name = format!("pintle_store_{}_{}", std::process::id(), MADE.fetch_add(1, Ordering::Relaxed));
    let (before, _) = server.rsplit_once('/').expect("the address ends in /DATABASE");
    let connection = Database::connect(&server).await.expect("the server of PINTLE_TEST_POSTGRES can be reached");
    for sql in [
        format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)"),
        format!("CREATE DATABASE {name} TEMPLATE template0 ENCODING 'UTF8'"),
    ] {
        connection.execute_unprepared(&sql).await.expect("the test may create databases");
    }
    connection.close().await.expect("it closes");
    format!("{before}/{name}")
}

#[allow(clippy::disallowed_methods, reason = "the tests' outermost layer: where the test server is, is its setting")]
fn postgres_server() -> String {
    std::env::var("PINTLE_TEST_POSTGRES").expect(
        "no PostgreSQL to test on: run tests/run, which starts one, or set PINTLE_TEST_POSTGRES to the address of a \
         server where databases may be created, such as postgres://user@127.0.0.1:5432/postgres",
    )
}
