//! `pintle read`: what a meter shows.
//!
//! Promises: a reading that looks odd is recorded all the same, and the answer says why it looks odd and how to correct
//! it. Never refuses a number a person has read off a meter.

use super::{Here, words};
use crate::asked;
use crate::dial::Dial;
use crate::photos::Photos;
use crate::problem::{Code, Problem};
use crate::record::Saying;
use pintle_core::fact::{Fact, Reading};

/// What a meter shows
#[derive(Debug, clap::Args)]
pub struct Read {
    /// Which machine
    machine: Option<String>,
    /// What the meter shows
    reading: Option<String>,
    /// Another meter than the first: km, hammer
    #[arg(long, value_name = "METER")]
    meter: Option<String>,
    #[command(flatten)]
    photos: Photos,
}

/// Records it.
pub(super) fn run(args: &Read, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record_with(&args.photos, |recording| {
        let mut words = words(&[args.machine.clone(), args.reading.clone()]);
        let machine = recording.machine_first(&mut words, asked::is_reading)?;
        let word = words.pop_front().ok_or_else(|| {
            let hint = format!("pintle read {} 4127.5", asked::quoted(&machine.name));
            Problem::new(Code::UnclearReading, "what does the meter show?").hint(hint)
        })?;
        let Dial { meter, last, .. } = Dial::of(recording.tx, &machine, args.meter.as_deref())?;
        let reading = Some(asked::reading(&word, &machine.name, last)?);
        recording.say(Saying::about(machine.id, Fact::MeterRead(Reading { reading, meter }.into())))
    })
}
