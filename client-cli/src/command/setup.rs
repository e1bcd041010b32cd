//! `pintle setup`: chooses the name and the mark that the first use made up.
//!
//! Promises: the device works without it; a name changed here is shared at the next sync. Never changes the mark of a
//! device that others already know by it.

use super::Here;
use super::me::{Freshness, recorder};
use crate::problem::{Code, Problem};

/// Choose your name and the device's mark (never needed)
#[derive(Debug, clap::Args)]
pub struct Setup {
    /// Your name, as others will read it
    #[arg(long)]
    name: Option<String>,
    /// Two to four letters or digits, starting with a letter: K7
    #[arg(long)]
    mark: Option<String>,
}

/// Least and most characters of a mark: short enough to say aloud.
const MARK_CHARS: std::ops::RangeInclusive<usize> = 2..=4;

/// Changes and shows them.
pub(super) fn run(args: &Setup, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mark = args.mark.as_deref().map(check_mark).transpose()?;
    let recorder = here.store()?.write("record", |tx| {
        let mut own = tx.own()?;
        if let Some(name) = args.name.as_deref().map(str::trim) {
            pintle_core::fact::check_name(name)?;
            tx.add_person(own.person, name)?;
        }
        if let Some(mark) = mark {
            if tx.sync()?.is_some() && mark != own.mark {
                return Err(Problem::new(Code::Enrolled, format!("others know this device as {}", own.mark))
                    .hint("the mark is chosen before enrolment"));
            }
            own.mark = mark;
            tx.set_own(&own)?;
        }
        recorder(tx, Freshness::Known)
    })?;
    here.ui.show(&recorder)
}

fn check_mark(text: &str) -> Result<String, Problem> {
    let mark = text.trim().to_ascii_uppercase();
    let fits = MARK_CHARS.contains(&mark.len()) && mark.bytes().all(|c| c.is_ascii_alphanumeric());
    if !fits || !mark.starts_with(|c: char| c.is_ascii_alphabetic()) {
        return Err(Problem::new(Code::UnclearWords, format!("{text:?} cannot be a mark"))
            .hint("two to four letters or digits, starting with a letter: K7"));
    }
    Ok(mark)
}
