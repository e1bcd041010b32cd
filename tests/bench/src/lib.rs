//! What the benchmarks share: a day of work as entries, a yard on a device, timing and arithmetic.
//!
//! Promises: the day is the same in every run, and its ids, salts and keys are as hard to compress as random ones.
//! Never touches the network.

pub mod day;
pub mod measure;
pub mod yard;
