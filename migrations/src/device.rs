//! The schema of a device's database, as steps of SQL for SQLite.
//!
//! Promises: steps are numbered 1, 2, 3 … and a landed step is never edited; a change is a new step. Whoever runs
//! them does so in one transaction and keeps the number of the last one in the database.
//!
//! Never: runs anything. The device opens its own database and knows its own driver.

/// One step of the device's schema.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// Its number, from 1 without a hole.
    pub version: u32,
    /// The statements.
    pub sql: &'static str,
}

/// Every step, in order.
pub const STEPS: &[Step] = &[];
