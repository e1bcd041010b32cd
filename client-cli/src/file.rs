//! Files that people name: read whole, within a limit, with an answer for everything that can be wrong.
//!
//! Never a file of the log itself: that is `crate::store`'s. Never more than the limit in memory.

use crate::problem::{Code, Problem};
use std::io::{ErrorKind, Read as _};
use std::path::Path;

/// Bytes of a file of at most `bytes_max`; `what` it should hold stands in the answer.
///
/// # Errors
/// `file-failed`.
pub fn read(path: &Path, what: &str, bytes_max: u64) -> Result<Vec<u8>, Problem> {
    let failed = |e: &dyn std::fmt::Display| {
        Problem::new(Code::FileFailed, format!("cannot read {what} in {}", path.display())).detail(e)
    };
    let file = std::fs::File::open(path).map_err(|e| match e.kind() {
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

/// Writes a new file, which is on the disk when this returns; one that is there already is left alone.
///
/// # Errors
/// `file-failed`.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), Problem> {
    let failed = |e: &std::io::Error| match e.kind() {
        ErrorKind::AlreadyExists => Problem::new(Code::FileFailed, format!("{} is there already", path.display()))
            .hint("give a name that is not there yet"),
        kind => Problem::new(Code::FileFailed, format!("cannot write {}: {kind}", path.display())).detail(e),
    };
    let mut file = std::fs::File::create_new(path).map_err(|e| failed(&e))?;
    std::io::Write::write_all(&mut file, bytes).and_then(|()| file.sync_all()).map_err(|e| failed(&e))
}
