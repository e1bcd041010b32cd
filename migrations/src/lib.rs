//! Schemas of Pintle's databases: the device's, and with feature `ledger` the server's.
//!
//! Promises: a landed migration is never edited; a change is a new one. The device's half is text alone, so that a
//! client brings no database library of the server with it.
//!
//! Never: reads or writes a row of a person's.

pub mod device;
#[cfg(feature = "ledger")]
pub mod ledger;
