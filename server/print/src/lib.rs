//! Documents on paper: a bill, a machine's service history, as PDF.
//!
//! Promises: what is printed is what the caller hands in, laid out; numbers are core's and never reckoned anew. Texts of
//! people are data: they enter as JSON and are never read as markup. The same input gives the same bytes. The file is
//! PDF/A-3b with its fonts in it, and holds the data it was made from where there are any. A character that no font has
//! is shown as its number in a box, never left out.
//!
//! Never: a file, a network, a clock, a font of the system. The typesetter is known in `press` only.

pub mod bill;
mod fonts;
mod glyphs;
pub mod history;
mod press;

pub use press::{PAGES_MAX, Paper, PrintError};
