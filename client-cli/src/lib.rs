//! The offline client: records at the machine, brings logs together when there is signal.
//!
//! Promises: recording needs no network, no setup and no right clock; an entry is on the disk before the person is
//! told so. Everything the binary does can be called from here, with clocks and random bytes given as an argument.
//!
//! Never: a network in a command that records or shows what was recorded.

pub mod ambient;
pub mod anew;
pub mod apply;
pub mod args;
pub mod asked;
pub mod attached;
pub mod bill_file;
pub mod carry;
pub mod command;
pub mod dial;
pub mod engine;
pub mod examine;
pub mod file;
pub mod follow;
pub mod glance;
pub mod hazard;
pub mod home;
pub mod names;
pub mod odd;
pub mod office;
pub mod outlook;
pub mod photos;
pub mod plan_file;
pub mod problem;
pub mod record;
pub mod store;
pub mod thumbnail;
pub mod transport;
pub mod ui;

use crate::ambient::Ambient;
use crate::args::Parsed;
use crate::command::Here;
use crate::home::Home;
use crate::problem::Exit;
use crate::ui::{Look, Terminals, Ui};
use std::ffi::OsString;
use std::io::Write;

/// Runs one command.
pub fn run(
    arguments: impl IntoIterator<Item = OsString>,
    ambient: &dyn Ambient,
    terminals: Terminals,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> Exit {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    let parsed = args::parse(&arguments, ui::columns(ambient, terminals));
    let (form, volume) = parsed.wishes();
    let mut ui = Ui::new(out, err, Look::of(form, volume, ambient, terminals));
    let (common, command) = match parsed {
        Parsed::Command(common, command) => (common, command),
        Parsed::Help(text) => {
            return match ui.raw(ui.styled(&text).as_bytes()) {
                Ok(()) => Exit::Done,
                Err(problem) => problem.code.exit(),
            };
        }
        Parsed::Refused { text, .. } => {
            ui.usage(&text);
            return Exit::Usage;
        }
    };
    let done = Home::find(common.home.as_deref(), ambient).and_then(|home| {
        let mut here = Here { ambient, ui: &mut ui, home, common: &common };
        command::run(&command, &mut here)
    });
    match done {
        Ok(()) => Exit::Done,
        Err(problem) => {
            ui.problem(&problem);
            problem.code.exit()
        }
    }
}
