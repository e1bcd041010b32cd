//! What the benchmarks share: a day of work as entries, and arithmetic over measurements.
//!
//! Promises: the day is the same in every run, and its ids, salts and keys are as hard to compress as random ones.
//! Never touches the network.

pub mod day;
pub mod measure;
