//! `pintle end`: a shift ends, and how hard its hours were.
//!
//! Promises: hours told for no condition are dry hours, and nobody has to say so. Never checks that conditions add up
//! to the shift: the person was there, the program was not.

use super::done::read;
use super::{Here, words};
use crate::asked;
use crate::problem::Problem;
use crate::record::Saying;
use pintle_core::fact::{Condition, Fact, ShiftEnded};
use std::collections::BTreeMap;

/// A shift ends, and how hard its hours were
#[derive(Debug, clap::Args)]
pub struct End {
    /// Which machine
    machine: Option<String>,
    /// What the meter shows
    reading: Option<String>,
    /// Hours with joints under water
    #[arg(long, value_name = "HOURS")]
    submerged: Option<String>,
    /// Hours in dust
    #[arg(long, value_name = "HOURS")]
    dusty: Option<String>,
    /// Hours in mud
    #[arg(long, value_name = "HOURS")]
    muddy: Option<String>,
    /// Hours in frost
    #[arg(long, value_name = "HOURS")]
    frost: Option<String>,
    /// Hours with nothing special
    #[arg(long, value_name = "HOURS")]
    dry: Option<String>,
}

/// Records it.
pub(super) fn run(args: &End, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let asked = [
        (Condition::Dry, &args.dry),
        (Condition::Dusty, &args.dusty),
        (Condition::Muddy, &args.muddy),
        (Condition::Submerged, &args.submerged),
        (Condition::Frost, &args.frost),
    ];
    let mut conditions = BTreeMap::new();
    for (condition, hours) in asked {
        if let Some(hours) = hours {
            conditions.insert(condition, asked::decimal("hours", hours)?);
        }
    }
    here.record(|recording| {
        let mut words = words(&[args.machine.clone(), args.reading.clone()]);
        let machine = recording.machine_first(&mut words, asked::is_reading)?;
        let reading = read(words.pop_front().as_deref(), &machine)?;
        recording.say(Saying::about(machine.id, Fact::ShiftEnded(ShiftEnded { operator: None, conditions, reading })))
    })
}
