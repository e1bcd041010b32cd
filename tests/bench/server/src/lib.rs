//! What the benchmarks of the server share: a ledger filled the way devices fill it, a server process, a line that counts.
//!
//! Promises: nothing is put into a ledger but through the store, nothing asked of a server but over HTTP, and nothing is
//! spoken to but 127.0.0.1.

pub mod fleet;
pub mod line;
pub mod server;
