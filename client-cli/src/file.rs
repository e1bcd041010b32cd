//! Files that people name: read whole, within a limit, with an answer for everything that can be wrong.
//!
//! Never a file of the log itself: that is `crate::store`'s. Never more than the limit in memory.

use crate::problem::{Code, Problem};
use std::fs::File;
use std::io::{ErrorKind, Read as _, Write as _};
use std::path::{Path, PathBuf};

/// Bytes of a file of at most `bytes_max`; `what` it should hold stands in the answer.
///
/// # Errors
/// `file-failed`.
pub fn read(path: &Path, what: &str, bytes_max: u64) -> Result<Vec<u8>, Problem> {
    let failed = |e: &dyn std::fmt::Display| {
        Problem::new(Code::FileFailed, format!("cannot read {what} in {}", path.display())).detail(e)
    };
    let file = File::open(path).map_err(|e| match e.kind() {
        ErrorKind::NotFound => Problem::new(Code::FileFailed, format!("there is no file {}", path.display())),
        _ => failed(&e),
    })?;
    let mut bytes = Vec::new();
    file.take(bytes_max + 1).read_to_end(&mut bytes).map_err(|e| failed(&e))?;
    if bytes.len() as u64 > bytes_max {
        let sentence = format!("{} is not {what}: it has more than {} KiB", path.display(), bytes_max / 1024);
        return Err(Problem::new(Code::FileFailed, sentence));
    }
    Ok(bytes)
}

/// Writes a new file, which is whole and on the disk when this returns; one that is there already is left alone.
///
/// # Errors
/// `file-failed`, `disk-full`; then there is nothing under this name.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), Problem> {
    let part = part(path);
    // A link to the name fails where one is there already; a stick that knows no links gets the file moved.
    let placed = onto_disk(&part, bytes).and_then(|()| match std::fs::hard_link(&part, path) {
        Err(error) if error.kind() != ErrorKind::AlreadyExists && !path.exists() => std::fs::rename(&part, path),
        linked => linked,
    });
    let _ = std::fs::remove_file(&part); // half of a file is of no use, and the whole has its name
    match placed {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == ErrorKind::AlreadyExists || path.exists() => {
            Err(Problem::new(Code::FileFailed, format!("{} is there already", path.display()))
                .hint("give a name that is not there yet"))
        }
        Err(error) => Err(unwritten(&format!("cannot write {}", path.display()), &error)),
    }
}

/// Puts bytes in a place where they may lie already, and the same: whoever comes last is as good. Whole or not at all.
///
/// # Errors
/// If they cannot be written; see [`unwritten`].
pub fn put(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder)?;
    let part = part(path);
    let moved = onto_disk(&part, bytes).and_then(|()| std::fs::rename(&part, path));
    if moved.is_err() {
        let _ = std::fs::remove_file(&part);
    }
    moved.and_then(|()| File::open(folder)?.sync_all())
}

/// Why something could not be written: a full disk has a code of its own.
#[must_use]
pub fn unwritten(sentence: &str, error: &std::io::Error) -> Problem {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
            Problem::new(Code::DiskFull, format!("{sentence}: the disk is full")).hint("make room on the disk")
        }
        kind => Problem::new(Code::FileFailed, format!("{sentence}: {kind}")),
    }
    .detail(error)
}

/// Beside a file's place, and of this run only.
fn part(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    PathBuf::from(name)
}

fn onto_disk(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut file = File::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}
