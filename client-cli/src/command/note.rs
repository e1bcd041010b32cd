//! `pintle note`: anything else, in one's own words.
//!
//! Promises: words without quotes are taken as one text; the first one is the machine, unless a whole sentence was
//! quoted. Never guesses a machine from a word that is none: a note on the wrong machine is worse than none.

use super::Here;
use super::repair::is_sentence;
use crate::asked::quoted;
use crate::photos::Photos;
use crate::problem::{Code, Problem};
use crate::record::Saying;
use pintle_core::fact::{Fact, NoteLeft};
use std::collections::VecDeque;

/// Anything else, in your own words
#[derive(Debug, clap::Args)]
#[command(override_usage = "pintle note [MACHINE] WORDS... [OPTIONS]")]
pub struct Note {
    /// Machine, and what you want to say
    #[arg(value_name = "WORDS", required = true)]
    words: Vec<String>,
    /// The next operator must know it
    #[arg(long)]
    handover: bool,
    #[command(flatten)]
    photos: Photos,
}

/// Records it.
pub(super) fn run(args: &Note, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record_with(&args.photos, |recording| {
        let mut words: VecDeque<String> = args.words.iter().cloned().collect();
        let machine = recording.machine_first(&mut words, is_sentence).map_err(|problem| match problem.code {
            Code::UnknownMachine => {
                problem.hint("machine first, or the words in quotes: pintle note \"the seat is wet\"")
            }
            _ => problem,
        })?;
        let text = words.into_iter().collect::<Vec<_>>().join(" ");
        if text.trim().is_empty() {
            let hint = format!("pintle note {} \"the seat is wet\"", quoted(&machine.name));
            return Err(Problem::new(Code::UnclearWords, "what is there to note?").hint(hint));
        }
        let fact = Fact::NoteLeft(NoteLeft { handover: args.handover });
        recording.say(Saying::about(machine.id, fact).with_text(Some(text)))
    })
}
