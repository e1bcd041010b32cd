//! Holds the wire contract: generated files are committed as generated, examples read back, the tables are whole.
//!
//! Promises: no network, no clock, no order among tests.
//! Never a test of the server: those are in `server/tests`.

mod contract;
mod generated;
