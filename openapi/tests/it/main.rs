//! Holds the wire contract: generated files are committed as generated, examples read back, the tables are whole.

mod contract;
mod generated;
