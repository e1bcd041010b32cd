//! The service history: one file that shows how a machine was kept, and proves it to someone who trusts nobody.
//!
//! Promises: the file is text lines of JSON (docs/HISTORY-FORMAT.md), so that a stranger can write a verifier; what is
//! withheld stands there as its hash. The verifier looks at one line after the other, keeps no entries, and names every
//! place where something is wrong. What a file says to people is gathered in [`summary`], from the same lines.
//!
//! Never: I/O, compression, a clock. A verdict never says more than what was shown; see [`verdict::NOT_PROVED`].

mod line;
pub mod page;
pub mod record;
pub mod stamped;
pub mod summary;
pub mod verdict;
pub mod verify;
pub mod write;

/// Version of a file without time stamps.
pub const VERSION_PLAIN: u64 = 1;
/// Version of a file with time stamps; the only difference are their lines, so that a file without any can be read by a
/// verifier that does not know them.
pub const VERSION_STAMPED: u64 = 2;
/// Most time stamps of a file: one a fortnight for ten years. A token has some 6 KiB, most of it certificates, which
/// compression finds again.
pub const STAMPS_MAX: usize = 260;
/// Longest line, in bytes: an entry has at most 32 KiB, and its text may grow by escapes.
pub const LINE_BYTES_MAX: usize = 256 * 1024;
/// Most lines of a file: an entry a minute for twenty years would be ten million.
pub const LINES_MAX: u64 = 10_000_000;
