//! `pintle grease`: the task done most often has a word of its own.
//!
//! Promises: without options it says that all points were done, which is what a crew means by it; everything else is as
//! at `done`. Never asks a question.

use super::done::Doing;
use super::{Here, words};
use crate::asked;
use crate::problem::Problem;
use crate::record::Saying;
use pintle_core::plan::GREASING;

/// Greased, all points or some
#[derive(Debug, clap::Args)]
pub struct Grease {
    /// Which machine
    machine: Option<String>,
    /// What the meter shows
    reading: Option<String>,
    #[command(flatten)]
    doing: Doing,
}

/// Records it.
pub(super) fn run(args: &Grease, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record_with(&args.doing.photos, |recording| {
        let mut words = words(&[args.machine.clone(), args.reading.clone()]);
        let machine = recording.machine_first(&mut words, asked::is_reading)?;
        let fact = args.doing.fact(GREASING.to_owned(), words.pop_front().as_deref(), &machine)?;
        recording.say(Saying::about(machine.id, fact).with_text(args.doing.words.clone()))
    })
}
