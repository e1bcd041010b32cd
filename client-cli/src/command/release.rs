//! `pintle release`: lets an entry count that was set aside.
//!
//! Promises: always with a reason, in words that stay in the log; for the office and the owner, by the role the
//! organisation gave this device. Striking the release sets the entry aside again. Never touches the entry itself.

use super::Here;
use crate::names::{self, Names};
use crate::problem::{Code, Problem};
use crate::record::Saying;
use crate::store::Tx;
use pintle_core::entry::{EntryRef, Held};
use pintle_core::fact::{Fact, Released};
use pintle_core::permission::{Right, Role};
use pintle_core::release::{Releasable, releasable};

/// Let an entry count that was set aside
#[derive(Debug, clap::Args)]
#[command(after_help = RIGHTS)]
pub struct Release {
    /// The entry: K7-412
    entry: String,
    /// Why it counts
    #[arg(required = true, value_name = "WHY")]
    why: Vec<String>,
}

const RIGHTS: &str = "\
For the office and the owner. What is set aside is listed by
pintle aside.";

/// Records it.
pub(super) fn run(args: &Release, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record(|recording| {
        let target = names::entry(recording.tx, &args.entry)?;
        let held = recording.tx.entry(target)?;
        refuse_what_cannot_count(recording.tx, target, held.as_ref())?;
        refuse_who_may_not(recording.tx)?;
        let machine = held.and_then(|held| held.entry.head().ok().and_then(|head| head.machine));
        let fact = Fact::Released(Released { target });
        recording.say(Saying { machine, fact, text: None }.with_text(Some(args.why.join(" "))))
    })
}

fn refuse_what_cannot_count(tx: &Tx<'_>, target: EntryRef, held: Option<&Held>) -> Result<(), Problem> {
    let name = || Ok::<_, Problem>(Names::load(tx)?.entry(target));
    match held.map(releasable) {
        Some(Releasable::Yes) => Ok(()),
        None | Some(Releasable::Counts) => {
            Err(Problem::new(Code::NotAside, format!("{} is not set aside", name()?)).hint("pintle aside"))
        }
        Some(Releasable::Unreadable) => {
            let sentence = format!("{} breaks a rule, and nothing can be computed from it", name()?);
            Err(Problem::new(Code::CannotCount, sentence).hint("record anew what was meant"))
        }
        Some(Releasable::NotForPeople) => {
            Err(Problem::new(Code::CannotCount, format!("{} says what only the server may say", name()?)))
        }
    }
}

fn refuse_who_may_not(tx: &Tx<'_>) -> Result<(), Problem> {
    // Where the role is not known the lesser one is safe: a new code tells it.
    let may = tx.sync()?.is_some_and(|sync| sync.role.unwrap_or(Role::Crew).may(Right::Release));
    if may {
        return Ok(());
    }
    Err(Problem::new(Code::MayNotRelease, "the office or the owner says whether it counts"))
}
