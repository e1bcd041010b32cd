//! Billing: from what was recorded to what is owed.
//!
//! Promises: pure arithmetic over entries and over what the office has written down. The same entries give the same
//! lines; totals follow EN 16931 (BR-CO-10 to BR-CO-17); nothing that was worked is left out silently.
//!
//! | step | where |
//! |---|---|
//! | what the office has written: customers, jobs, rates, decisions | [`written`], folded in [`trade`] |
//! | pieces of work in a machine's entries | [`work`] |
//! | lines with prices and reasons, and what is not billed | [`propose`] |
//! | documents: of a period, of changes, taken back | [`drafts`], reckoned in [`document`] |
//! | out | [`ubl`], [`csv`] |
//!
//! Never: a float, a clock, a number given twice.

pub mod amount;
pub mod calendar;
pub mod csv;
pub mod document;
pub mod drafts;
pub mod matter;
pub mod propose;
pub mod trade;
pub mod ubl;
pub mod unit;
pub mod work;
pub mod written;
