//! The schema of the ledger's database, on SQLite and on PostgreSQL, and the one function that brings it up to date.
//!
//! Promises: all steps that are missing run in one transaction that no second process shares, so that several
//! starting together all succeed and none sees half a schema. A schema newer than the program is refused, untouched.
//! A landed step is never edited: [`LANDED`] names the digest of its text and a test compares.
//!
//! Never: steps back. What a step did is undone by a later step.

use async_trait::async_trait;
use sea_orm_migration::sea_orm::{
    ConnectionTrait, DatabaseConnection, DatabaseTransaction, DbBackend, DbErr, SqliteTransactionMode, Statement,
    TransactionOptions, TransactionTrait,
};
use sea_orm_migration::sea_query::{Alias, IntoIden};
use sea_orm_migration::{MigrationName, MigrationTrait, MigratorTrait, SchemaManager};

/// Table in which the runner keeps the names of the steps that have run.
pub const STEP_TABLE: &str = "schema_step";

/// Key of the advisory lock that one migrating process holds on PostgreSQL: the first eight bytes of
/// SHA-256("pintle/schema"), so that no other program's lock is met by chance.
const ADVISORY_LOCK_KEY: i64 = i64::from_be_bytes([0xc3, 0x21, 0xbc, 0x47, 0xa5, 0x6f, 0x71, 0xaa]);

/// One step of the ledger's schema.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LedgerStep {
    /// Its name, which orders it.
    pub name: &'static str,
    /// The statements for SQLite.
    pub sqlite: &'static str,
    /// The statements for PostgreSQL.
    pub postgres: &'static str,
}

/// Every step, in order.
pub const STEPS: &[LedgerStep] = &[
    LedgerStep {
        name: "0001_ledger",
        sqlite: include_str!("ledger/0001_ledger.sqlite.sql"),
        postgres: include_str!("ledger/0001_ledger.postgres.sql"),
    },
    LedgerStep {
        name: "0002_machine_glance",
        sqlite: include_str!("ledger/0002_machine_glance.sqlite.sql"),
        postgres: include_str!("ledger/0002_machine_glance.postgres.sql"),
    },
    LedgerStep {
        name: "0003_administration",
        sqlite: include_str!("ledger/0003_administration.sqlite.sql"),
        postgres: include_str!("ledger/0003_administration.postgres.sql"),
    },
    LedgerStep {
        name: "0004_token_key",
        sqlite: include_str!("ledger/0004_token_key.sqlite.sql"),
        postgres: include_str!("ledger/0004_token_key.postgres.sql"),
    },
    LedgerStep {
        name: "0005_device_follows",
        sqlite: include_str!("ledger/0005_device_follows.sqlite.sql"),
        postgres: include_str!("ledger/0005_device_follows.postgres.sql"),
    },
    LedgerStep {
        name: "0006_set_aside",
        sqlite: include_str!("ledger/0006_set_aside.sqlite.sql"),
        postgres: include_str!("ledger/0006_set_aside.postgres.sql"),
    },
    LedgerStep {
        name: "0009_tree",
        sqlite: include_str!("ledger/0009_tree.sqlite.sql"),
        postgres: include_str!("ledger/0009_tree.postgres.sql"),
    },
    LedgerStep {
        name: "0011_bills",
        sqlite: include_str!("ledger/0011_bills.sqlite.sql"),
        postgres: include_str!("ledger/0011_bills.postgres.sql"),
    },
    LedgerStep {
        name: "0013_notices",
        sqlite: include_str!("ledger/0013_notices.sqlite.sql"),
        postgres: include_str!("ledger/0013_notices.postgres.sql"),
    },
    LedgerStep {
        name: "0016_wanted_sites",
        sqlite: include_str!("ledger/0016_wanted_sites.sqlite.sql"),
        postgres: include_str!("ledger/0016_wanted_sites.postgres.sql"),
    },
    LedgerStep {
        name: "0018_stamps",
        sqlite: include_str!("ledger/0018_stamps.sqlite.sql"),
        postgres: include_str!("ledger/0018_stamps.postgres.sql"),
    },
];

/// A step that has landed: from then on its text is frozen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Landed {
    /// Its name.
    pub name: &'static str,
    /// SHA-256 of its SQLite text, in hexadecimal.
    pub sqlite_sha256: &'static str,
    /// SHA-256 of its PostgreSQL text, in hexadecimal.
    pub postgres_sha256: &'static str,
}

/// Every step that has landed.
pub const LANDED: &[Landed] = &[
    Landed {
        name: "0001_ledger",
        sqlite_sha256: "7862e03a516b13e2ffa1d67582cd9d8f67c31a9e0a7ce0cf56907e4957911117",
        postgres_sha256: "348a3982f5da574e4d76bedd5861e8300c7e24379d2a31374b76956e3de21382",
    },
    Landed {
        name: "0002_machine_glance",
        sqlite_sha256: "646884f37af733d264c1221ba0c659f159d1db706c0bed015ece4e387d5a495c",
        postgres_sha256: "1e503abe95d5eb42c4d8bb68d2c8aa97a5e67751c8853f476d5675d32fa6d3b4",
    },
    Landed {
        name: "0003_administration",
        sqlite_sha256: "116637797abe9bdb8968ad5cf87d5fb235f55584a8ccc6246763e4999a709b37",
        postgres_sha256: "76404ede257c4ed36038b99ff20034095e84c96ca4da553da33c3a3241e4a9b2",
    },
    Landed {
        name: "0004_token_key",
        sqlite_sha256: "1f082341cc3fdd7c1de1f62e6bfab86341af8ca3daebdad891d05f6fba422be5",
        postgres_sha256: "b1175b47a52f8d6ab56b0ec5233781fa87f6561eaf6460299f72bbe00f17a2cd",
    },
    Landed {
        name: "0005_device_follows",
        sqlite_sha256: "c0601bd46703d229d391862166bc9a20fa93014f15170c0c7e75c844a7ab056d",
        postgres_sha256: "63786db6fe4d42a8f57a54c65df2af06dadca8e82d2427185ef779555e203ce4",
    },
    Landed {
        name: "0006_set_aside",
        sqlite_sha256: "edeba8028188b8ce3ad287f3d08b63183807ce85aa626d80fc9da7b044ad5189",
        postgres_sha256: "edeba8028188b8ce3ad287f3d08b63183807ce85aa626d80fc9da7b044ad5189",
    },
    Landed {
        name: "0009_tree",
        sqlite_sha256: "2b9e397505e47c43ccdef52491b1e5901fa92d52122c1cde72e8bc79a02a0daf",
        postgres_sha256: "f3b1796f6fa8e4ae441b9546fcddcefea8b9de31046e59142e18a1297e7a4798",
    },
    Landed {
        name: "0011_bills",
        sqlite_sha256: "38b5c5880d98aba17af8693d9c3aacdf35c55ceb1b21dd66d0005bdc48f170bb",
        postgres_sha256: "d91121a6ea419ecbafce42431476a44a0ba637d8cbd8218809a28ecea6aaab79",
    },
    Landed {
        name: "0013_notices",
        sqlite_sha256: "31aca7361167339febbbda8a3e0235aa22703a374c9f9d606cae0b778cd27b8b",
        postgres_sha256: "196148515171e4ae62d41921bf77f7919f10c942123173d735fee937f2a858c5",
    },
    Landed {
        name: "0016_wanted_sites",
        sqlite_sha256: "921379d6d9a26534b085d8c57c0ddc6bfffba86a678a75e6a18f0e2d1b5efd3c",
        postgres_sha256: "0f5cca1b47a17f6770011983ac05ca0f2e869470a62fa8c592232de284202fde",
    },
    Landed {
        name: "0018_stamps",
        sqlite_sha256: "1e3814fe01abcd14ed25ef6c39eb6c5ed06b072b740937141f7426abe1acab0f",
        postgres_sha256: "f9eaa9a2b4248c5b76203b538caaf2a53aff73ad201664bc038d56f23e86dcc8",
    },
];

/// Why a schema could not be brought up to date.
#[derive(Debug)]
pub enum SchemaError {
    /// The database holds a step this program does not know: it was written by a newer one.
    Newer {
        /// The first step that is not known.
        step: String,
    },
    /// The database lacks a step: it was written by an older program, and has not been brought up to date.
    Older {
        /// The first step that it lacks.
        step: &'static str,
    },
    /// The database said no.
    Database(DbErr),
}

impl From<DbErr> for SchemaError {
    fn from(error: DbErr) -> Self {
        Self::Database(error)
    }
}

/// Brings the schema up to date. Several processes may call this at once on one database.
///
/// A database whose schema is up to date already is only read: who serves may have fewer rights than who changes the
/// schema.
///
/// `database` is best a connection of its own: the call waits, without limit of its own, until other processes that
/// are migrating have ended.
///
/// # Errors
/// [`SchemaError::Newer`], and whatever the database says.
pub async fn migrate(database: &DatabaseConnection) -> Result<(), SchemaError> {
    if is_current(database).await {
        return Ok(());
    }
    let transaction = begin(database).await?;
    if transaction.get_database_backend() == DbBackend::Postgres {
        // The lock may be held for as long as another process migrates.
        transaction.execute_unprepared("SET LOCAL lock_timeout = 0; SET LOCAL statement_timeout = 0").await?;
        transaction.execute_unprepared(&format!("SELECT pg_advisory_xact_lock({ADVISORY_LOCK_KEY})")).await?;
    }
    refuse_newer(&transaction).await?;
    Ledger::up(&transaction, None).await?;
    transaction.commit().await?;
    Ok(())
}

/// Whether exactly the steps of this program have run. False where that cannot be read, as in a database that is empty.
async fn is_current(database: &DatabaseConnection) -> bool {
    let sql = format!("SELECT version FROM {STEP_TABLE} ORDER BY version");
    let asked = Statement::from_string(database.get_database_backend(), sql);
    let Ok(rows) = database.query_all_raw(asked).await else { return false };
    let ran: Result<Vec<String>, _> = rows.iter().map(|row| row.try_get_by_index(0)).collect();
    // Their names order them, also where the database sorts texts by rules of its own: they begin with a number.
    ran.is_ok_and(|ran| ran.iter().map(String::as_str).eq(STEPS.iter().map(|step| step.name)))
}

/// Compares the schema with the program's, without a change.
///
/// # Errors
/// [`SchemaError::Newer`], [`SchemaError::Older`] (also where there is no schema at all), and whatever the database says.
pub async fn compare(database: &DatabaseConnection) -> Result<(), SchemaError> {
    let backend = database.get_database_backend();
    let exists = match backend {
        DbBackend::Postgres => format!("SELECT 1 WHERE to_regclass('{STEP_TABLE}') IS NOT NULL"),
        _ => format!("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = '{STEP_TABLE}'"),
    };
    let mut ran = Vec::new();
    if database.query_one_raw(Statement::from_string(backend, exists)).await?.is_some() {
        let select = Statement::from_string(backend, format!("SELECT version FROM {STEP_TABLE}"));
        for row in database.query_all_raw(select).await? {
            ran.push(row.try_get::<String>("", "version")?);
        }
    }
    if let Some(step) = ran.iter().find(|step| STEPS.iter().all(|known| known.name != **step)) {
        return Err(SchemaError::Newer { step: step.clone() });
    }
    match STEPS.iter().find(|step| ran.iter().all(|ran| ran != step.name)) {
        Some(step) => Err(SchemaError::Older { step: step.name }),
        None => Ok(()),
    }
}

#[allow(clippy::disallowed_methods, reason = "the schema's one transaction, immediate on SQLite and locked below")]
async fn begin(database: &DatabaseConnection) -> Result<DatabaseTransaction, DbErr> {
    let options = TransactionOptions {
        sqlite_transaction_mode: (database.get_database_backend() == DbBackend::Sqlite)
            .then_some(SqliteTransactionMode::Immediate),
        ..TransactionOptions::default()
    };
    database.begin_with_options(options).await
}

async fn refuse_newer(transaction: &DatabaseTransaction) -> Result<(), SchemaError> {
    let ran = Ledger::get_migration_models(transaction).await?;
    match ran.into_iter().find(|step| STEPS.iter().all(|known| known.name != step.version)) {
        Some(step) => Err(SchemaError::Newer { step: step.version }),
        None => Ok(()),
    }
}

/// The runner's view of [`STEPS`].
struct Ledger;

impl MigratorTrait for Ledger {
    fn migrations() -> Vec<Box<dyn MigrationTrait>> {
        STEPS.iter().map(|step| Box::new(*step) as Box<dyn MigrationTrait>).collect()
    }

    fn migration_table_name() -> sea_orm_migration::sea_orm::DynIden {
        Alias::new(STEP_TABLE).into_iden()
    }
}

impl MigrationName for LedgerStep {
    fn name(&self) -> &str {
        self.name
    }
}

#[async_trait]
impl MigrationTrait for LedgerStep {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let connection = manager.get_connection();
        let sql = match connection.get_database_backend() {
            DbBackend::Sqlite => self.sqlite,
            DbBackend::Postgres => self.postgres,
            other => return Err(DbErr::Migration(format!("there is no schema for {other:?}"))),
        };
        connection.execute_unprepared(sql).await.map(|_| ())
    }

    fn use_transaction(&self) -> Option<bool> {
        Some(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use sha2::{Digest, Sha256};
    use std::fmt::Write as _;

    fn sha256(text: &str) -> String {
        Sha256::digest(text.as_bytes()).iter().fold(String::new(), |mut hex, byte| {
            write!(hex, "{byte:02x}").expect("a text takes it");
            hex
        })
    }

    #[test]
    fn landed_steps_are_frozen() {
        let texts: Vec<_> = STEPS.iter().map(|step| (step.name, sha256(step.sqlite), sha256(step.postgres))).collect();
        let landed: Vec<_> = LANDED
            .iter()
            .map(|step| (step.name, step.sqlite_sha256.to_owned(), step.postgres_sha256.to_owned()))
            .collect();
        assert_eq!(texts[..landed.len()], landed, "a landed step was edited; add a new step instead");
        assert_eq!(texts.len(), landed.len(), "a step has not been entered in LANDED");
    }

    #[test]
    fn steps_are_in_order_of_their_names() {
        assert!(STEPS.is_sorted_by(|a, b| a.name < b.name));
    }
}
