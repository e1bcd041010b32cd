//! `pintle machine`: adds a machine, or changes what is known of one.
//!
//! Promises: a name that is here already is not added twice; machines added on two devices are proposed as twins later.
//! Never takes a machine away: one that is sold is retired, and its book stays.

use super::{Here, hold};
use crate::asked::{self, quoted};
use crate::names::{self, Match};
use crate::problem::{Code, Problem};
use crate::record::Saying;
use clap::Subcommand;
use pintle_core::fact::{Attributes, Fact, MachineAdded, MachineChanged, MeterKind};

/// Add a machine, or change what is known of one
#[derive(Debug, clap::Args)]
pub struct Machine {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Add a machine
    Add {
        /// What you call it: EX3
        name: String,
        #[command(flatten)]
        about: About,
        /// What its first meter counts: hours, "tach hours", km, cycles
        #[arg(long, value_name = "KIND", default_value = "hours")]
        meter: String,
    },
    /// Change what is known of a machine
    Change {
        /// Which machine
        machine: String,
        /// Another name
        #[arg(long)]
        name: Option<String>,
        #[command(flatten)]
        about: About,
        /// No longer in use, and why: sold, scrapped
        #[arg(long, value_name = "WHY")]
        retired: Option<String>,
    },
}

#[derive(Debug, clap::Args)]
struct About {
    /// Who built it
    #[arg(long)]
    make: Option<String>,
    /// The maker's model
    #[arg(long)]
    model: Option<String>,
    /// The serial number
    #[arg(long)]
    serial: Option<String>,
    /// Where it works
    #[arg(long)]
    site: Option<String>,
}

impl About {
    fn attributes(&self, retired: Option<String>) -> Attributes {
        let Self { make, model, serial, site } = self;
        Attributes { make: make.clone(), model: model.clone(), serial: serial.clone(), site: site.clone(), retired }
    }
}

/// Records it.
pub(super) fn run(args: &Machine, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    match &args.what {
        What::Add { name, about, meter } => {
            let meter_kind = asked::word("kind of meter", meter)?;
            add(here, name.trim(), about.attributes(None), meter_kind)
        }
        What::Change { machine, name, about, retired } => {
            change(here, machine, name.clone(), about.attributes(retired.clone()))
        }
    }
}

fn add(here: &mut Here<'_, '_>, name: &str, attributes: Attributes, meter_kind: MeterKind) -> Result<(), Problem> {
    here.record(|recording| {
        if let Some(known) = names::machine_named(recording.tx, name, Match::Exact)? {
            return Err(Problem::new(Code::KnownMachine, format!("{} is here already", known.glance.name))
                .hint(format!("pintle machine change {} …", quoted(&known.glance.name))));
        }
        let fact = Fact::MachineAdded(MachineAdded { name: name.to_owned(), attributes, meter_kind });
        let id = recording.new_machine()?;
        hold::with(recording.tx, id)?;
        recording.say(Saying::about(id, fact))
    })
}

fn change(here: &mut Here<'_, '_>, machine: &str, name: Option<String>, attributes: Attributes) -> Result<(), Problem> {
    if name.is_none() && attributes == Attributes::default() {
        return Err(Problem::new(Code::UnclearWords, "what is to be changed?")
            .hint(format!("pintle machine change {} --site \"north pit\"", quoted(machine))));
    }
    here.record(|recording| {
        let glance = names::machine(recording.tx, machine)?;
        let fact = Fact::MachineChanged(MachineChanged { name, attributes });
        recording.say(Saying::about(glance.id, fact))
    })
}
