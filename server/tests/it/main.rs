//! The contract of the service, as a caller sees it, over every storage.
//!
//! Promises: each case runs on memory, SQLite and PostgreSQL (address in `PINTLE_TEST_POSTGRES`); nothing is asserted
//! by looking into the server, only by what it answers.

mod abuse;
mod access;
mod aside;
mod authority;
mod billing;
mod billing_orders;
mod cosigning;
mod due;
mod enrolling;
mod files;
mod following;
mod health;
mod limits;
mod notices;
mod office;
mod outgoing;
mod outsiders;
mod paging;
mod phone;
mod process;
mod proofs;
mod reading;
mod receiver;
mod refused;
mod secrets;
mod shapes;
mod sockets;
mod stamping;
mod storage_faults;
mod syncing;
mod syncing_carried;
mod syncing_copies;
mod syncing_pulls;
mod token_keys;
mod tokens;
mod upkeep;
mod witnessing;
mod world;
