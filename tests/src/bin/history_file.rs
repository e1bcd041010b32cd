//! Prints a small service history for the outside checks: the key to check it with, then its lines.
//!
//! What is to be withheld comes as arguments: `words`, `office`, `names`.

#[path = "../../../core/tests/it/history_world.rs"]
#[allow(dead_code, reason = "a part of the world is for the tests of core alone")]
mod history_world;

use std::io::{self, Write as _};

fn main() -> io::Result<()> {
    let withheld: Vec<String> = std::env::args().skip(1).collect();
    let withheld: Vec<&str> = withheld.iter().map(String::as_str).collect();
    let mut out = io::stdout().lock();
    writeln!(out, "{}", history_world::pin())?;
    history_world::story().file(&withheld).iter().try_for_each(|line| writeln!(out, "{line}"))
}
