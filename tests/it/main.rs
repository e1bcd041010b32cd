//! Tests over the whole: one binary, so that it links once.
//!
//! Promises: a test never sleeps, is never tried twice and is never ignored; what it needs it makes, on ports and in
//! folders of its own. Where the machine lacks something (PostgreSQL, Python), `needs` decides what that means.
//! Never the home of a single module's tests: those stand beside the module.

#![allow(clippy::panic, reason = "a test says what it missed by panicking")]
#![allow(clippy::disallowed_methods, reason = "a test is an outermost layer: it has a clock, an environment and files")]

mod backup;
mod bills;
mod core_props;
mod full_disk;
mod fuzz_regressions;
mod mounted;
mod newcomer;
mod old;
mod photos;
mod postgres;
mod power_loss;
mod rewritten;
mod rounds;
mod same_answer;
mod signatures;
mod sim;
mod tidy;
mod tls;
mod vectors;
mod whole;
mod year;
