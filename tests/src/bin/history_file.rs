//! Prints a small service history for the outside checks: the key to check it with, then its lines.
//!
//! What is to be withheld comes as arguments: `words`, `office`, `names`; `stamped` gives it time stamps. Alone, `texts` prints
//! what these are stamps of: the texts of three checkpoints, each of three lines.

#[path = "../../../core/tests/it/history_world.rs"]
#[allow(dead_code, reason = "a part of the world is for the tests of core alone")]
mod history_world;

use std::io::{self, Write as _};

fn main() -> io::Result<()> {
    let asked: Vec<String> = std::env::args().skip(1).collect();
    let mut asked: Vec<&str> = asked.iter().map(String::as_str).collect();
    let mut out = io::stdout().lock();
    let (story, stamps) = (history_world::story(), history_world::story_stamps());
    if asked == ["texts"] {
        let (hasty, made) = history_world::hasty();
        [9, 15].iter().try_for_each(|rows| write!(out, "{}", story.checkpoint_text(&stamps, *rows)))?;
        return write!(out, "{}", hasty.checkpoint_text(&made, 3));
    }
    let all = asked.len();
    asked.retain(|what| *what != "stamped");
    let stamps = if asked.len() < all { &stamps[..] } else { &[] };
    writeln!(out, "{}", history_world::pin())?;
    story.file_stamped(&asked, stamps).iter().try_for_each(|line| writeln!(out, "{line}"))
}
