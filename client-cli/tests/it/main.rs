//! Tests of the client: every command as a person meets it, on a screen of 40 columns, and as a program does.
//!
//! Most run in this process with a clock and random bytes of their own, so that every letter of an answer is known;
//! what only a real process can show (two at once, a closed pipe) runs the binary.

mod bench;
mod carrying;
mod damage;
mod due;
mod handover;
mod hazards;
mod holding;
mod hostile;
mod importing;
mod meters;
mod mistakes;
mod photos;
mod plan;
mod processes;
mod reading;
mod recording;
mod reference;
mod schema;
mod server;
mod stage;
mod syncing;
mod verifying;
