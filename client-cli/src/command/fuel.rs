//! `pintle fuel`: fuel filled.
//!
//! Promises: litres as they are typed, with a comma or a unit; the reading is optional. Never takes a fill as more work
//! than it is: one line, one entry.

use super::done::read;
use super::{Here, words};
use crate::asked;
use crate::problem::{Code, Problem};
use crate::record::Saying;
use pintle_core::fact::{Fact, FuelFilled};

/// Fuel filled
#[derive(Debug, clap::Args)]
pub struct Fuel {
    /// Which machine
    machine: Option<String>,
    /// How much
    litres: Option<String>,
    /// What the meter shows
    reading: Option<String>,
    /// The tank is full now
    #[arg(long)]
    full: bool,
}

/// Records it.
pub(super) fn run(args: &Fuel, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.record(|recording| {
        let mut words = words(&[args.machine.clone(), args.litres.clone(), args.reading.clone()]);
        let machine = recording.machine_first(&mut words, asked::is_reading)?;
        let litres = words.pop_front().ok_or_else(|| {
            let hint = format!("pintle fuel {} 120", asked::quoted(&machine.name));
            Problem::new(Code::UnclearWords, "how many litres?").hint(hint)
        })?;
        let fact = Fact::FuelFilled(FuelFilled {
            litres: asked::decimal("litres", &litres)?,
            full: args.full.then_some(true),
            reading: read(words.pop_front().as_deref(), &machine)?,
        });
        recording.say(Saying::about(machine.id, fact))
    })
}
