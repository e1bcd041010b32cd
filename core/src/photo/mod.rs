//! Photos and documents of an entry: how they are named in it, what they may be, and how they are carried to a server.
//!
//! Promises: a file is named by the SHA-256 of its bytes, in the `words` of an entry, so that it can be withheld with them and
//! shown to be the original years later. A photo is cleaned without touching its picture: position, maker's notes, packets of
//! text and whatever is hidden behind its end go, unless the person keeps the position. Bytes that are not what they say are a
//! fault with a stable code.
//!
//! Never: decodes a picture, reads a disk, trusts a name. A name is for people to read and no part of a path.

mod clean;
mod exif;
mod jpeg;
mod look;
mod png;
mod reference;
mod upload;
mod webp;

pub use clean::{Position, cleaned};
pub use look::{Look, Media, look};
pub use reference::{FileRef, NamedFile, Thumbnail, check_files, named, plain_name, shown_name};
pub use upload::{Chunk, chunk_at, judge_chunk};

use crate::fault::{Fault, code};

/// A file that is not of the form it should have.
fn bad(detail: impl Into<String>) -> Fault {
    Fault::new(code::BAD_FILE, "", detail)
}
