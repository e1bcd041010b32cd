//! `pintle found`: something wrong or different that someone noticed.
//!
//! Promises: the urgency is the sign's own unless said otherwise; words may follow without quotes. Never records under
//! a machine or sign that was not understood: it says which words it knows.

use super::Here;
use super::done::read;
use crate::asked;
use crate::photos::Photos;
use crate::problem::{Code, Problem};
use crate::record::Saying;
use pintle_core::fact::{Fact, FindingRaised, Sign};
use std::collections::VecDeque;

/// Something wrong or different was noticed
#[derive(Debug, clap::Args)]
#[command(override_usage = "pintle found [MACHINE] SIGN [WORDS]... [OPTIONS]", after_help = SIGNS)]
pub struct Found {
    /// Machine, sign, and what you saw
    #[arg(value_name = "WORDS", required = true)]
    words: Vec<String>,
    /// Where
    #[arg(long)]
    point: Option<String>,
    /// watch, soon, or out (tagged out: must not be run)
    #[arg(long, value_name = "HOW")]
    urgency: Option<String>,
    /// What the meter shows
    #[arg(long)]
    reading: Option<String>,
    #[command(flatten)]
    photos: Photos,
}

const SIGNS: &str = "\
Signs: squeak, play, leak, missing fitting, blocked fitting,
metal in grease, water in grease, crack, loose, noise,
vibration, smell, heat, other.";

/// Records it.
pub(super) fn run(args: &Found, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let urgency = args.urgency.as_deref().map(asked::urgency).transpose()?;
    here.record_with(&args.photos, |recording| {
        let mut words: VecDeque<String> = args.words.iter().cloned().collect();
        let all: Vec<&str> = args.words.iter().map(String::as_str).collect();
        let sign_first = asked::sign(&all).is_some();
        let machine = recording.machine_first(&mut words, |_| sign_first)?;
        let rest: Vec<&str> = words.iter().map(String::as_str).collect();
        let (sign, taken) = asked::sign(&rest).ok_or_else(|| {
            let signs = Sign::ALL.iter().map(|s| s.as_str()).collect::<Vec<_>>().join(", ");
            let first = rest.first().copied().unwrap_or("nothing");
            Problem::new(Code::UnclearWords, format!("{first:?} is no sign")).hint(format!("one of: {signs}"))
        })?;
        let fact = Fact::FindingRaised(FindingRaised {
            sign,
            point: args.point.clone(),
            urgency: urgency.unwrap_or(sign.default_urgency()),
            reading: read(args.reading.as_deref(), &machine)?,
        });
        recording.say(Saying::about(machine.id, fact).with_text(Some(rest[taken..].join(" "))))
    })
}
