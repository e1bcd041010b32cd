//! `pintle begin`: a shift begins.
//!
//! Promises: asks nothing; operator is the author. A machine that is tagged out is named as such first, and recorded
//! all the same: what happened, happened. Never guesses a reading that was not given.

use super::done::read;
use super::{Here, words};
use crate::asked;
use crate::problem::Problem;
use crate::record::Saying;
use pintle_core::fact::{Fact, ShiftBegun};

/// A shift begins
#[derive(Debug, clap::Args)]
pub struct Begin {
    /// Which machine
    machine: Option<String>,
    /// What the meter shows
    reading: Option<String>,
}

/// Records it.
pub(super) fn run(args: &Begin, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record(|recording| {
        let mut words = words(&[args.machine.clone(), args.reading.clone()]);
        let machine = recording.machine_first(&mut words, asked::is_reading)?;
        let reading = read(words.pop_front().as_deref(), &machine)?;
        recording.say(Saying::about(machine.id, Fact::ShiftBegun(ShiftBegun { operator: None, reading })))
    })
}
