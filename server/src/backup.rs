//! `pintle-server backup` and `pintle-server restore`, for SQLite.
//!
//! Promises: a backup is the database at one moment, taken while it is served, looked through before it gets its name;
//! half a backup never has one. A restore never writes over anything: the database that lay there is given another name.
//! It raises the epoch before the copy is in place, so that devices offer again what the copy lacks.
//!
//! Never: a secret in a line or an error; PostgreSQL, which has programs of its own (docs/OPERATIONS.md).

use crate::ambient::Ambient;
use crate::check;
use crate::operator::{Operator, OperatorError};
use pintle_core::moment::Moment;
use pintle_store::audit::Weight;
use pintle_store::sql::SqlStore;
use pintle_store::{FreshSecrets, StoreError};
use std::io;
use std::path::{Path, PathBuf};

/// The files in which SQLite keeps a database, by what follows the name of the first.
const PARTS: [&str; 3] = ["", "-wal", "-shm"];

/// What is done with a copy in which something recorded is damaged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Damaged {
    /// It is refused.
    Refused,
    /// It is taken: there is no better one.
    Taken,
}

/// Why there is no backup, or nothing was restored.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// The database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The operator's part.
    #[error(transparent)]
    Operator(#[from] OperatorError),
    /// It is PostgreSQL.
    #[error("PostgreSQL is backed up and restored with its own programs: see docs/OPERATIONS.md")]
    Postgres,
    /// A file is there already.
    #[error("{0} is there already; nothing is written over")]
    Exists(PathBuf),
    /// There is no such file.
    #[error("there is no file {0}")]
    Missing(PathBuf),
    /// What was to be copied is damaged.
    #[error("{0} is damaged:\n{1}\n{2}")]
    Damaged(PathBuf, String, &'static str),
    /// A server is running on it.
    #[error("a server or another program has {0} open; stop it first")]
    InUse(PathBuf),
    /// A file.
    #[error("cannot {0} {1}: {2}")]
    File(&'static str, PathBuf, io::Error),
}

type BackupResult<T> = Result<T, BackupError>;

fn failed(act: &'static str, path: &Path) -> impl FnOnce(io::Error) -> BackupError {
    move |error| BackupError::File(act, path.to_owned(), error)
}

/// An address of SQLite for a file. Nothing is made by it.
fn address(path: &Path) -> String {
    format!("sqlite:{}?mode=rw", path.display())
}

fn file_of(url: &str) -> BackupResult<PathBuf> {
    SqlStore::file(url)?.ok_or(BackupError::Postgres)
}

/// A name beside a file: the file's own with something added.
fn beside(path: &Path, added: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(added);
    PathBuf::from(name)
}

/// A moment as part of a file's name: `20260504T073000Z`.
fn stamp(now_ms: i64) -> String {
    let text = Moment::at(now_ms.div_euclid(1000).max(0), 0).map_or_else(|_| now_ms.to_string(), |at| at.to_string());
    let text: String = text.split('+').next().unwrap_or_default().chars().filter(char::is_ascii_alphanumeric).collect();
    format!("{text}Z")
}

/// Backs up the database at `url` to a file, or into a folder under a name with the moment in it.
///
/// # Errors
/// If there is such a file already, if the database is damaged, if there is no room.
pub async fn backup(url: &str, to: &Path, ambient: &dyn Ambient) -> BackupResult<Vec<String>> {
    let from = file_of(url)?;
    if !from.exists() {
        return Err(BackupError::Missing(from));
    }
    let named = || format!("pintle-{}.db", stamp(ambient.now_ms()));
    let to = if to.is_dir() { to.join(named()) } else { to.to_owned() };
    if to.exists() {
        return Err(BackupError::Exists(to));
    }
    // A name of this run's own, so that two at once do not meet; the moment is enough for that on one machine.
    let begun = beside(&to, &format!(".{}.part", ambient.monotonic_us()));
    SqlStore::copy(&address(&from), &begun).await?;
    match finish(&begun, &to).await {
        Ok(lines) => Ok(lines),
        Err(error) => {
            // What has failed is told; half a backup is not kept.
            let _ = std::fs::remove_file(&begun);
            Err(error)
        }
    }
}

async fn finish(begun: &Path, to: &Path) -> BackupResult<Vec<String>> {
    let checked = match check::check(&address(begun)).await {
        // A backup before an upgrade: this program does not know how to look at it, and copies it all the same.
        Err(StoreError::Schema { detail }) => vec![format!("not looked through: {detail}")],
        Err(error) => return Err(error.into()),
        Ok(checked) if checked.weight == Some(Weight::Recorded) => {
            let hint = "no backup was made; keep the last good one, and see docs/OPERATIONS.md, \"Damage\"";
            return Err(BackupError::Damaged(begun.to_owned(), checked.lines.join("\n"), hint));
        }
        Ok(checked) => checked.lines.into_iter().rev().take(1).collect(),
    };
    let bytes = std::fs::metadata(begun).map_err(failed("read", begun))?.len();
    // A hard link fails where the name has been taken meanwhile, a renaming would not.
    std::fs::hard_link(begun, to).map_err(failed("write", to))?;
    std::fs::remove_file(begun).map_err(failed("remove", begun))?;
    sync_folder(to)?;
    let mut lines = vec![format!(
        "{} holds everything, {} KB; keep it as safe as the database: it holds its secrets",
        to.display(),
        bytes.div_ceil(1024)
    )];
    lines.extend(checked);
    Ok(lines)
}

/// Puts a backup in place of the database at `url`.
///
/// # Errors
/// If a server has the database open, if the backup is damaged (unless that is to be taken), or a file cannot be moved.
/// Until the last step nothing has changed.
pub async fn restore(
    url: &str,
    from: &Path,
    damaged: Damaged,
    fresh: FreshSecrets,
    ambient: &dyn Ambient,
) -> BackupResult<Vec<String>> {
    let place = file_of(url)?;
    if !from.is_file() {
        return Err(BackupError::Missing(from.to_owned()));
    }
    if SqlStore::in_use(&address(&place)).await? {
        return Err(BackupError::InUse(place));
    }
    let begun = beside(&place, ".restoring");
    for part in PARTS {
        // What an earlier restore left that did not come to its end.
        let _ = std::fs::remove_file(beside(&begun, part));
    }
    let prepared = prepare(from, &begun, damaged, fresh, ambient).await;
    let mut lines = match prepared {
        Ok(lines) => lines,
        Err(error) => {
            for part in PARTS {
                // As above: what has failed is told.
                let _ = std::fs::remove_file(beside(&begun, part));
            }
            return Err(error);
        }
    };
    lines.extend(set_aside(&place, ambient)?);
    std::fs::rename(&begun, &place).map_err(failed("put in place", &place))?;
    sync_folder(&place)?;
    lines.push(format!("{} is restored from {}; start the server", place.display(), from.display()));
    Ok(lines)
}

/// Makes the copy ready beside its place: brought up to date, looked through, with a raised epoch, in one file.
async fn prepare(
    from: &Path,
    begun: &Path,
    damaged: Damaged,
    fresh: FreshSecrets,
    ambient: &dyn Ambient,
) -> BackupResult<Vec<String>> {
    // Not a plain copy of the file: a database that was put away with its write-ahead log is read with it.
    SqlStore::copy(&address(from), begun).await?;
    let url = address(begun);
    let store = SqlStore::open(&url, fresh, ambient.now_ms()).await?;
    let checked = check::check(&url).await?;
    if checked.weight == Some(Weight::Recorded) && damaged == Damaged::Refused {
        let hint = "nothing was changed; take another backup, or this one with --although-damaged";
        return Err(BackupError::Damaged(from.to_owned(), checked.lines.join("\n"), hint));
    }
    let mut lines = checked.lines;
    lines.extend(Operator { store: &store, ambient }.restored().await?);
    store.close().await?;
    let file = std::fs::File::open(begun).and_then(|file| file.sync_all());
    file.map_err(failed("write", begun))?;
    Ok(lines)
}

/// Gives the database that lies there another name.
fn set_aside(place: &Path, ambient: &dyn Ambient) -> BackupResult<Vec<String>> {
    if PARTS.iter().all(|part| !beside(place, part).exists()) {
        return Ok(Vec::new());
    }
    let stamp = stamp(ambient.now_ms());
    let names = std::iter::once(format!(".replaced-{stamp}")).chain((2..).map(|n| format!(".replaced-{stamp}-{n}")));
    let mut free = names.map(|added| beside(place, &added)).filter(|path| !path.exists());
    // There is always another number.
    let Some(aside) = free.next() else { return Err(BackupError::Exists(place.to_owned())) };
    // The file itself last: until then a run that was cut off finds it where it was.
    for part in PARTS.iter().rev() {
        let (old, new) = (beside(place, part), beside(&aside, part));
        if old.exists() {
            std::fs::rename(&old, &new).map_err(failed("put aside", &old))?;
        }
    }
    Ok(vec![format!("what lay there before is now {}", aside.display())])
}

fn sync_folder(of: &Path) -> BackupResult<()> {
    let folder = of.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::File::open(folder).and_then(|folder| folder.sync_all()).map_err(failed("write", folder))
}
