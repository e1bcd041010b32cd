//! Cleans one photo as a device does before it is named in an entry: `photo_clean [--keep-position] FROM TO [THUMBNAIL]`.
//!
//! For outside checks, which read what is written with another library. Never guesses: what is no photo is an error, and so is a
//! thumbnail that is asked for where there is none.

use pintle_core::photo::{Position, cleaned};
use std::io::{Error, Result};

fn main() -> Result<()> {
    let mut arguments: Vec<_> = std::env::args_os().skip(1).collect();
    let keep = arguments.first().is_some_and(|first| first == "--keep-position");
    let position = if keep { Position::Kept } else { Position::Removed };
    let paths = arguments.split_off(usize::from(keep));
    let (from, to, small) = match &paths[..] {
        [from, to] => (from, to, None),
        [from, to, small] => (from, to, Some(small)),
        _ => return Err(Error::other("photo_clean [--keep-position] FROM TO [THUMBNAIL]")),
    };
    let (clean, look) = cleaned(&std::fs::read(from)?, position).map_err(Error::other)?;
    if let Some(small) = small {
        std::fs::write(small, pintle::thumbnail::of(&clean, look.media).ok_or_else(|| Error::other("no thumbnail"))?)?;
    }
    std::fs::write(to, clean)
}
