//! `pintle meter`: a meter was replaced or rolled over.
//!
//! Promises: old and new reading stand together in one entry, so that the machine's hours never jump. Never computes
//! with them: that is the fold's.

use super::{Here, words};
use crate::asked;
use crate::problem::Problem;
use crate::record::Saying;
use pintle_core::fact::{Fact, MeterChanged};

/// A meter was replaced or rolled over
#[derive(Debug, clap::Args)]
pub struct Meter {
    /// Which machine
    machine: Option<String>,
    /// What the old one showed last
    #[arg(long, value_name = "READING")]
    old: String,
    /// What the new one shows
    #[arg(long, value_name = "READING")]
    new: String,
    /// replaced, or "rolled over"
    #[arg(long, value_name = "REASON")]
    why: String,
    /// Another meter than the first: km
    #[arg(long, value_name = "METER")]
    meter: Option<String>,
}

/// Records it.
pub(super) fn run(args: &Meter, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let reason = asked::meter_change(&args.why)?;
    here.record(|recording| {
        let machine = recording.machine_first(&mut words(std::slice::from_ref(&args.machine)), |_| false)?;
        let fact = Fact::MeterChanged(MeterChanged {
            meter: args.meter.clone(),
            old_reading: asked::reading(&args.old, &machine)?,
            new_reading: asked::reading(&args.new, &machine)?,
            reason,
        });
        recording.say(Saying::about(machine.id, fact))
    })
}
