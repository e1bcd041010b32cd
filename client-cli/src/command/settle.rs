//! `pintle settle`: decides a clash or a twin; the decision is itself an entry.
//!
//! Promises: only what is open can be settled, and only by one of its sides (a twin: same, or both). Never final: a
//! settlement that another contradicts is itself a clash, and a struck one is undone.

use super::Here;
use super::clashes::{Open, choices, open};
use crate::names::{self, Names};
use crate::problem::{Code, Problem};
use crate::record::{Recording, Saying};
use pintle_core::fact::{Choice, Fact, Settled};

/// Decide a clash or twin
#[derive(Debug, clap::Args)]
pub struct Settle {
    /// Its id: pintle clashes
    id: String,
    /// The entry that is right; of a twin: same, or both
    choice: String,
    /// Why
    why: Vec<String>,
}

/// Records it.
pub(super) fn run(args: &Settle, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record(|recording| {
        let names = Names::load(recording.tx)?;
        let one = find(recording, &args.id)?;
        let choice = choose(recording, &one, &args.choice, &names)?;
        let over = one.sides().iter().map(|side| side.entry).collect();
        let fact = Fact::Settled(Settled { matter: one.matter().to_owned(), over, choice });
        recording.say(Saying::about(one.machine(), fact).with_text(Some(args.why.join(" "))))
    })
}

/// The open disagreement with this id or an unambiguous beginning of it. O is read as 0, I and L as 1.
fn find(recording: &Recording<'_>, typed: &str) -> Result<Open, Problem> {
    let typed: String = typed
        .to_uppercase()
        .chars()
        .map(|c| match c {
            'O' => '0',
            'I' | 'L' => '1',
            other => other,
        })
        .collect();
    let mut fitting: Vec<Open> =
        open(recording.tx)?.into_iter().filter(|one| !typed.is_empty() && one.short().starts_with(&typed)).collect();
    match (fitting.pop(), fitting.is_empty()) {
        (Some(one), true) => Ok(one),
        (None, _) => {
            Err(Problem::new(Code::UnknownClash, format!("nothing open has the id {typed}")).hint("pintle clashes"))
        }
        (Some(_), false) => Err(Problem::new(Code::UnknownClash, format!("several ids begin with {typed}"))
            .hint("type more of it: pintle clashes")),
    }
}

fn choose(recording: &Recording<'_>, one: &Open, typed: &str, names: &Names) -> Result<Choice, Problem> {
    let refuse = || {
        Problem::new(Code::UnclearWords, format!("{typed:?} does not settle {}", one.short())).hint(choices(one, names))
    };
    match (one, typed) {
        (Open::Twin(..), "same") => Ok(Choice::Same),
        (Open::Twin(..), "both") => Ok(Choice::Both),
        (Open::Twin(..), _) => Err(refuse()),
        (Open::Clash(..), _) => {
            let entry = names::entry(recording.tx, typed).map_err(|_| refuse())?;
            let sides = one.sides().iter().any(|side| side.entry == entry);
            if sides { Ok(Choice::Entry(entry)) } else { Err(refuse()) }
        }
    }
}
