//! The demonstration: a real server, three crews' devices, one week without signal.
//!
//! Promises: nothing is faked. Each record is a run of the `pintle` program, each exchange goes to a `pintle-server`
//! process with its own SQLite file on a loopback port. The scenario is our own and seeded: the same every time.

pub mod scenario;
pub mod stage;
