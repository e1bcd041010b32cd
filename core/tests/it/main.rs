//! Tests of the domain over whole logs: several devices, a ledger, and every order of arrival.
//!
//! The world below is a ledger and devices without any transport: who has seen what is said by each test.

#![allow(clippy::panic, reason = "a test says what it missed by panicking")]

mod bench_cases;
mod bill_documents;
mod bill_work;
mod book_cases;
mod carry_cases;
mod due_cases;
mod fold_laws;
mod handover_cases;
mod history_cases;
mod history_stamp_cases;
#[allow(dead_code, reason = "a part of the world is for the page's scene alone")]
mod history_world;
mod hostile_cases;
mod outlook_cases;
mod photo_cases;
mod proof_cases;
mod published_cases;
mod rules_cases;
mod session_cases;
mod stamp_cases;
mod summary_cases;
mod telematics_cases;
mod watch_cases;
mod witness_cases;
mod world;
