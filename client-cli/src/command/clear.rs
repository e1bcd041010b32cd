//! `pintle clear`: a finding that was no fault.
//!
//! Promises: names the finding and says why, in words that stay in the log. One that tags a machine out is cleared by a
//! mechanic, the office or the owner, see `crate::hazard`. Never touches the finding itself: it stays readable, and
//! whoever doubts the clearing can raise it again.

use super::Here;
use super::repair::finding;
use crate::photos::Photos;
use crate::problem::Problem;
use crate::record::Saying;
use pintle_core::fact::{Fact, FindingCleared};

/// A finding was no fault
#[derive(Debug, clap::Args)]
#[command(after_help = RIGHTS)]
pub struct Clear {
    /// The finding: K7-12
    entry: String,
    /// Why it is no fault
    #[arg(required = true, value_name = "WHY")]
    why: Vec<String>,
    #[command(flatten)]
    photos: Photos,
}

const RIGHTS: &str = "\
One that tags the machine out is cleared by a mechanic, the
office or the owner. Anyone ends it by mending it:
pintle repair --closes K7-12";

/// Records it.
pub(super) fn run(args: &Clear, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record_with(&args.photos, |recording| {
        let (finding, machine) = finding(recording, &args.entry)?;
        let fact = Fact::FindingCleared(FindingCleared { finding });
        recording.say(Saying::about(machine.id, fact).with_text(Some(args.why.join(" "))))
    })
}
