//! Fuzz target `history`: see ../parsers.rs for what is fed and which laws must hold.
//!
//! Never part of a build on the stable toolchain.

#![no_main]

#[path = "../parsers.rs"]
mod parsers;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| parsers::run("history", bytes));
