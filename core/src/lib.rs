//! The domain of Pintle: entries, chains, admission, sync without I/O, and the state of a machine.
//!
//! Promises: every function here is pure. The same entries in give the same answer out, in any order of
//! arrival and however often an entry is repeated. Bad input is a value with a stable code and a JSON
//! pointer to the place, never a panic.
//!
//! Never: input or output, a clock, randomness, SQL, HTTP, threads. Time, ids and random bytes come in as
//! arguments.

pub mod admit;
pub mod agenda;
pub mod bench;
pub mod bill;
pub mod book;
pub mod canonical;
pub mod carry;
pub mod causality;
pub mod chain;
pub mod clash;
pub mod decimal;
pub mod device;
pub mod due;
pub mod entry;
pub mod exchange;
pub mod fact;
pub mod fault;
pub mod fleet;
pub mod handover;
pub mod history;
pub mod ids;
pub mod limits;
pub mod meter;
pub mod moment;
pub mod outlook;
pub mod permission;
pub mod photo;
pub mod plan;
pub mod proof;
pub mod register;
pub mod release;
pub mod rules;
pub mod scribe;
pub mod stamp;
pub mod telematics;

pub use entry::{Entry, EntryRef, Head, Held};
pub use fact::Fact;
pub use fault::Fault;
pub use ids::{DeviceId, Hash, MachineId, OrganisationId, PersonId, PublicKey, Signature};
