//! Tests over the whole, the demonstration, outside checks and benchmarks.
//!
//! Promises: what is shared by more than one test binary lives here: the demonstration's week and its stage.
//! Never part of a shipped program.

pub mod demo;
pub mod failed_seed;
pub mod log;
pub mod rounds;
pub mod scene;
pub mod sim;
