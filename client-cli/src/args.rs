//! The words of the command line.
//!
//! Promises: every command takes the same common options; help is written for a screen of 40 columns and says what to
//! type. Never acts: parsing only.

use crate::command::{
    aside, begin, bench, bill, book, carry, clashes, clear, completions, correct, devices, doctor, done, due, end,
    enrol, found, fuel, grease, handover, history, hold, import, keeping, log, machine, machines, man, me, meter, note,
    photos, plan, read, release, repair, settle, setup, share, status, strike, sync, verify,
};
use crate::problem::Exit;
use crate::ui::{Form, Volume};
use clap::builder::StyledStr;
use clap::{Args, CommandFactory as _, FromArgMatches as _, Parser, Subcommand};
use std::ffi::OsString;
use std::path::PathBuf;

/// What every command takes.
#[derive(Debug, Clone, Default, Args)]
pub struct Common {
    /// Answer as one line of JSON
    #[arg(long, global = true, display_order = 900)]
    pub json: bool,
    /// Say only what must not be missed
    #[arg(long, short, global = true, display_order = 901)]
    pub quiet: bool,
    /// When it happened: 07:10, "yesterday 17:00", "2026-05-04 07:10", -2h
    #[arg(long, global = true, value_name = "TIME", allow_hyphen_values = true, display_order = 902)]
    pub at: Option<String>,
    /// Who did it, if not whoever is recording
    #[arg(long = "as", global = true, value_name = "NAME", display_order = 903)]
    pub by: Option<String>,
    /// Keep the log in this folder [else PINTLE_HOME, else among your data]
    #[arg(long, global = true, value_name = "DIR", display_order = 904)]
    pub home: Option<PathBuf>,
}

/// A log of what was done to machines. Works without signal.
#[derive(Debug, Parser)]
#[command(name = "pintle", version, arg_required_else_help = true, disable_help_subcommand = true)]
#[command(after_help = AFTER_HELP)]
pub struct Cli {
    /// Common options.
    #[command(flatten)]
    pub common: Common,
    /// The command.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands, in the order of help.
#[derive(Debug, Subcommand)]
#[allow(missing_docs, reason = "each command is documented at its arguments")]
pub enum Command {
    Grease(grease::Grease),
    Done(done::Done),
    Read(read::Read),
    Fuel(fuel::Fuel),
    Begin(begin::Begin),
    End(end::End),
    Found(found::Found),
    Repair(repair::Repair),
    Clear(clear::Clear),
    Note(note::Note),
    Correct(correct::Correct),
    Strike(strike::Strike),
    Aside(aside::Aside),
    Release(release::Release),
    Meter(meter::Meter),
    Machine(machine::Machine),
    Machines(machines::Machines),
    Log(log::Log),
    Book(book::Book),
    Due(due::Due),
    Handover(handover::Handover),
    Photos(photos::Photos),
    Plan(plan::Plan),
    Keeping(keeping::Keeping),
    Import(import::Import),
    Clashes(clashes::Clashes),
    Settle(settle::Settle),
    Bench(bench::Bench),
    Me(me::Me),
    Setup(setup::Setup),
    Enrol(enrol::Enrol),
    Sync(sync::Sync),
    Carry(carry::Carry),
    Hold(hold::Hold),
    Devices(devices::Devices),
    Share(share::Share),
    Bill(bill::Bill),
    History(history::History),
    Verify(verify::Verify),
    Status(status::Status),
    Doctor(doctor::Doctor),
    Completions(completions::Completions),
    Man(man::Man),
}

const AFTER_HELP: &str = "\
Entries are named like K7-412: mark of the device, number.
MACHINE may be left out: the one used last.
READING is 4127.5, or +4.5 since last time.

Exit codes: 0 done, 1 not done (the answer says why), 2 usage,
4 refused by the server, 75 no signal (everything is kept here).";

/// What came of the arguments.
#[derive(Debug)]
pub enum Parsed {
    /// A command to run.
    Command(Box<Common>, Box<Command>),
    /// Help or the version was asked for.
    Help(StyledStr),
    /// They were not understood.
    Refused {
        /// What the parser says.
        text: String,
        /// Whether JSON was asked for.
        form: Form,
    },
}

impl Parsed {
    /// For whom, and how much, to print.
    #[must_use]
    pub fn wishes(&self) -> (Form, Volume) {
        match self {
            Parsed::Command(common, _) => (
                if common.json { Form::Json } else { Form::Human },
                if common.quiet { Volume::Quiet } else { Volume::Normal },
            ),
            Parsed::Help(_) => (Form::Human, Volume::Normal),
            Parsed::Refused { form, .. } => (*form, Volume::Normal),
        }
    }
}

/// Parses a command line, the program's name first; help is written for a screen of so many columns.
#[must_use]
pub fn parse(arguments: &[OsString], columns: usize) -> Parsed {
    let parsed =
        whole().term_width(columns).try_get_matches_from(arguments).and_then(|matches| Cli::from_arg_matches(&matches));
    match parsed {
        Ok(cli) => Parsed::Command(Box::new(cli.common), Box::new(cli.command)),
        Err(error) if !error.use_stderr() => Parsed::Help(error.render()),
        Err(error) => {
            let json = arguments.iter().any(|argument| argument == "--json");
            Parsed::Refused { text: error.render().to_string(), form: if json { Form::Json } else { Form::Human } }
        }
    }
}

/// The whole command line, for completions, man pages and the reference.
#[must_use]
pub fn whole() -> clap::Command {
    // A number below nothing is a value that cannot be, with an answer of its own, not an option nobody knows.
    let values = |arg: clap::Arg| if arg.get_action().takes_values() { arg.allow_negative_numbers(true) } else { arg };
    Cli::command().mut_subcommands(|command| command.mut_args(values))
}

/// Every exit code as a paragraph of a man page or reference.
#[must_use]
pub fn exit_codes() -> Vec<String> {
    Exit::ALL.iter().map(|(exit, meaning)| format!("{} {meaning}", exit.code())).collect()
}
