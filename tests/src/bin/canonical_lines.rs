//! Prints core's canonical bytes of each line of JSON it is given, so that another language can compare.
//!
//! Promises: one line out for each line in: the canonical bytes, or `refused` with the code and the place. Canonical
//! bytes hold no line end, because JSON escapes it.

use pintle_core::canonical;
use std::io::{BufRead as _, Write as _};

fn main() -> std::io::Result<()> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for line in std::io::stdin().lock().split(b'\n') {
        match canonical::read(&line?) {
            Ok(value) => out.write_all(&canonical::bytes(&value))?,
            Err(fault) => write!(out, "refused {} {}", fault.code, fault.pointer)?,
        }
        out.write_all(b"\n")?;
    }
    out.flush()
}
