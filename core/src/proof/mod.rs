//! How a ledger is shown to be whole: its Merkle tree, signed checkpoints, and what they prove.
//!
//! Promises: hashes as RFC 9162 makes them, checkpoints in the open note form (C2SP signed-note, tlog-checkpoint,
//! tlog-cosignature), so that tools that know neither Pintle nor its server can check and co-sign them. Whatever an
//! outsider sends is judged within fixed bounds: a proof has at most [`merkle::PROOF_HASHES_MAX`] hashes.
//!
//! Never: a secret kept longer than a signature takes, a clock, I/O.

pub mod checkpoint;
pub mod growth;
pub mod leaf;
pub mod merkle;
pub mod note;
pub mod roll;
pub mod tile;
pub mod watch;
pub mod witness;
