//! Service plans as files: read, written, and a few to start from.
//!
//! Promises: a plan is a TOML file that people can read and edit; what is wrong in it is told with line and column, in
//! the words of the file. What is written reads back as the same plan. Decimals keep their digits.
//!
//! Never a maker's values: the starter plans are common practice, say so, and ask to be replaced.

mod read;
mod starter;
mod write;

pub use read::read;
pub use starter::{STARTERS, Starter, starter};
pub use write::write;
