//! Copies of an SQLite database, and whether anybody else has it open.
//!
//! Promises: a copy is the database at one moment, while others write; it is in one file that only its owner reads, and
//! on the disk when the call returns. What is copied is never changed, and need not be of this program's schema.
//!
//! Never: a file written over. PostgreSQL has programs of its own for this.

use super::failure::judge;
use super::open::{connect, dialect_of, private_new, sqlite_plain_options};
use super::{Dialect, SqlStore};
use crate::{StoreError, StoreResult};
use sea_orm::sqlx::sqlite::SqliteConnectOptions;
use sea_orm::{ConnectionTrait, DatabaseConnection, DbBackend, Statement, Value};
use std::path::{Path, PathBuf};

impl SqlStore {
    /// The file that an address of SQLite names; none for PostgreSQL.
    ///
    /// # Errors
    /// If the address is none.
    pub fn file(url: &str) -> StoreResult<Option<PathBuf>> {
        if dialect_of(url)? == Dialect::Postgres {
            return Ok(None);
        }
        let options: SqliteConnectOptions = url.parse().map_err(|error: sea_orm::SqlxError| StoreError::Failed {
            act: "open",
            detail: format!("the address is none: {error}"),
        })?;
        Ok(Some(options.get_filename().to_path_buf()))
    }

    /// Copies the database at `url` to a file that is not there yet. Others may read and write meanwhile; what they
    /// commit after it has begun is not in the copy.
    ///
    /// # Errors
    /// [`StoreError::Full`], [`StoreError::Damaged`] and their like; nothing is left at `to` then.
    pub async fn copy(url: &str, to: &Path) -> StoreResult<()> {
        private_new(to)?;
        let copied = Self::copy_into(url, to).await;
        if copied.is_err() {
            // Half a copy is none. If it cannot be removed either, the error that is told says enough.
            let _ = std::fs::remove_file(to);
        }
        copied
    }

    async fn copy_into(url: &str, to: &Path) -> StoreResult<()> {
        let database = Self::plain(url).await?;
        let path = to.to_str().ok_or_else(|| unwritable(to, "its name is not UTF-8"))?;
        let vacuum =
            Statement::from_sql_and_values(DbBackend::Sqlite, "VACUUM INTO $1", [Value::String(Some(path.to_owned()))]);
        database.execute_raw(vacuum).await.map_err(|error| judge("copy", error).error)?;
        database.close().await.map_err(|error| judge("copy", error).error)?;
        // SQLite does not wait for the disk here.
        let synced = std::fs::File::open(to).and_then(|file| file.sync_all());
        synced.map_err(|error| unwritable(to, &error.to_string()))
    }

    /// Whether another process has the SQLite database at `url` open. A file that cannot be read as a database is
    /// nobody's.
    ///
    /// # Errors
    /// If the address is none.
    pub async fn in_use(url: &str) -> StoreResult<bool> {
        let Ok(database) = Self::plain(url).await else { return Ok(false) };
        // In this mode SQLite asks for the whole file, which it does not get while another connection is on it.
        let alone = "PRAGMA locking_mode = EXCLUSIVE; PRAGMA busy_timeout = 0; BEGIN IMMEDIATE; ROLLBACK";
        let outcome = database.execute_unprepared(alone).await.map_err(|error| judge("look", error));
        // What matters is known; a failure to close is of no interest.
        let _ = database.close().await;
        Ok(outcome.is_err_and(|error| error.again))
    }

    async fn plain(url: &str) -> StoreResult<DatabaseConnection> {
        if dialect_of(url)? == Dialect::Postgres {
            let detail = "PostgreSQL is copied with its own programs, see docs/OPERATIONS.md".to_owned();
            return Err(StoreError::Failed { act: "copy", detail });
        }
        connect(sqlite_plain_options(url)).await.map_err(|error| error.error)
    }
}

fn unwritable(path: &Path, detail: &str) -> StoreError {
    StoreError::Unavailable { act: "copy", detail: format!("the file {} cannot be written: {detail}", path.display()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{FreshSecrets, Organisation, Store};
    use pintle_core::ids::{OrganisationId, StoreId};

    async fn opened(url: &str) -> SqlStore {
        let (store, secret) = (StoreId([1; 16]), [2; 32]);
        let fresh = FreshSecrets { store, cursor_secret: secret, token_secret: secret, ledger_secret: secret };
        SqlStore::open(url, fresh, 0).await.expect("it opens")
    }

    fn url(folder: &tempfile::TempDir, name: &str) -> String {
        format!("sqlite:{}?mode=rwc", folder.path().join(name).display())
    }

    #[tokio::test]
    async fn a_copy_is_the_database_at_one_moment_and_its_owner_s_alone() {
        let folder = tempfile::tempdir().expect("a folder");
        let live = opened(&url(&folder, "live.db")).await;
        let organisation = |byte: u8| Organisation { id: OrganisationId([byte; 16]), name: format!("crew {byte}") };
        live.organisation_add(&organisation(1), 0).await.expect("added");
        let to = folder.path().join("it's a copy.db");
        SqlStore::copy(&url(&folder, "live.db"), &to).await.expect("copied while it is open");
        live.organisation_add(&organisation(2), 0).await.expect("it goes on");
        let copy = opened(&url(&folder, "it's a copy.db")).await;
        assert_eq!(copy.organisations().await.expect("it answers"), [organisation(1)]);
        assert_eq!(copy.identity().store, live.identity().store);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            assert_eq!(std::fs::metadata(&to).expect("it is there").permissions().mode() & 0o777, 0o600);
        }
        let again = SqlStore::copy(&url(&folder, "live.db"), &to).await;
        assert!(matches!(again, Err(StoreError::Unavailable { .. })), "nothing is written over: {again:?}");
        assert_eq!(copy.organisations().await.expect("it is still whole").len(), 1);
    }

    #[tokio::test]
    async fn a_copy_that_cannot_be_made_leaves_nothing() {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("text.db"), "no database, however long the text may be ".repeat(9))
            .expect("it");
        let to = folder.path().join("copy.db");
        let damaged = SqlStore::copy(&url(&folder, "text.db"), &to).await;
        assert!(matches!(damaged, Err(StoreError::Damaged { .. })), "{damaged:?}");
        let none = SqlStore::copy(&url(&folder, "none.db"), &to).await;
        assert!(matches!(none, Err(StoreError::Unavailable { .. })), "{none:?}");
        assert!(!to.exists() && !folder.path().join("none.db").exists());
        let elsewhere = SqlStore::copy("postgres://127.0.0.1/x", &to).await;
        assert!(matches!(elsewhere, Err(StoreError::Failed { .. })), "{elsewhere:?}");
    }

    #[tokio::test]
    async fn who_has_it_open_is_noticed() {
        let folder = tempfile::tempdir().expect("a folder");
        let live = url(&folder, "live.db");
        assert!(!SqlStore::in_use(&live).await.expect("it answers"), "there is none");
        let store = opened(&live).await;
        assert!(SqlStore::in_use(&live).await.expect("it answers"));
        store.ping().await.expect("it was not disturbed");
        store.close().await.expect("it closes");
        assert!(!SqlStore::in_use(&live).await.expect("it answers"));
        std::fs::write(folder.path().join("text.db"), "no database").expect("written");
        assert!(!SqlStore::in_use(&url(&folder, "text.db")).await.expect("it answers"));
    }
}
