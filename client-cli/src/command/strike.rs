//! `pintle strike`: strikes an entry through; it stays readable.
//!
//! Promises: always with a reason; striking a strike or correction undoes it. The only record of an open tagged-out
//! finding is not struck: a hazard goes away by being mended or judged. Never deletes.

use super::Here;
use crate::hazard;
use crate::names;
use crate::problem::Problem;
use crate::record::Saying;
use pintle_core::fact::{Fact, Struck};

/// Strike an entry through; it stays readable
#[derive(Debug, clap::Args)]
pub struct Strike {
    /// The entry: K7-412
    entry: String,
    /// Why
    #[arg(required = true, value_name = "WHY")]
    why: Vec<String>,
}

/// Records it.
pub(super) fn run(args: &Strike, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record(|recording| {
        let target = names::entry(recording.tx, &args.entry)?;
        let held = recording.tx.entry(target)?;
        let machine = held.and_then(|held| held.entry.head().ok().and_then(|head| head.machine));
        hazard::refuse_strike(recording.tx, target)?;
        let fact = Fact::Struck(Struck { target });
        let text = Some(args.why.join(" "));
        recording.say(Saying { machine, fact, text: None }.with_text(text))
    })
}
