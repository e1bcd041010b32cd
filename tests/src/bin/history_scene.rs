//! Prints a service history of a year and a half for looking at its page: the key to check it with, then its lines.
//!
//! `history_scene [WEEKS] [WITHHELD…]`: 80 weeks make some 700 entries. What is in it: `pintle_tests::scene`.

use pintle_tests::scene::{WEEKS, pin, played};
use std::io::{self, Write as _};

fn main() -> io::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let weeks = arguments.next().and_then(|weeks| weeks.parse().ok()).unwrap_or(WEEKS);
    let withheld: Vec<String> = arguments.collect();
    let withheld: Vec<&str> = withheld.iter().map(String::as_str).collect();
    let mut out = io::stdout().lock();
    writeln!(out, "{}", pin())?;
    played(weeks).file(&withheld).iter().try_for_each(|line| writeln!(out, "{line}"))
}
