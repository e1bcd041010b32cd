//! `pintle strike`: strikes an entry through; it stays readable.
//!
//! Promises: always with a reason; striking a strike or correction undoes it. An open tagged-out finding is not struck:
//! a hazard goes away by being mended or judged. Never deletes.

use super::Here;
use crate::names::{self, Names};
use crate::problem::{Code, Problem};
use crate::record::{Recording, Saying};
use pintle_core::entry::EntryRef;
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
        refuse_tagged_out(recording, target, machine)?;
        let fact = Fact::Struck(Struck { target });
        let text = Some(args.why.join(" "));
        recording.say(Saying { machine, fact, text: None }.with_text(text))
    })
}

/// A hazard goes away by being mended or judged, not by its record being struck.
fn refuse_tagged_out(
    recording: &Recording<'_>,
    target: EntryRef,
    machine: Option<pintle_core::MachineId>,
) -> Result<(), Problem> {
    let glance = machine.map(|id| recording.tx.machine(id)).transpose()?.flatten();
    let chief = glance.as_ref().and_then(|g| g.stands_for).map(|id| recording.tx.machine(id)).transpose()?.flatten();
    let tagged = chief.or(glance).is_some_and(|g| g.tagged_out.iter().any(|tagged| tagged.entry == target));
    if !tagged {
        return Ok(());
    }
    let name = Names::load(recording.tx)?.entry(target);
    Err(Problem::new(Code::TaggedOut, format!("{name} tags the machine out; striking it would hide a hazard"))
        .hint(format!("pintle repair --closes {name}, or pintle clear {name} \"why\"")))
}
