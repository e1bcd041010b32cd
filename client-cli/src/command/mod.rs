//! The commands, one per file: take the words, call the library, show the answer.
//!
//! Promises: a command prints through [`Here`] only, once, after what it recorded is on the disk.

pub mod aside;
pub mod begin;
pub mod bench;
pub mod bill;
pub mod book;
pub mod carry;
pub mod clashes;
pub mod clear;
pub mod completions;
pub mod correct;
pub mod devices;
pub mod doctor;
pub mod done;
pub mod due;
pub mod end;
pub mod enrol;
pub mod found;
pub mod fuel;
pub mod grease;
pub mod handover;
pub mod history;
pub mod hold;
pub mod import;
pub mod keeping;
pub mod log;
pub mod machine;
pub mod machines;
pub mod man;
pub mod me;
pub mod meter;
pub mod note;
pub mod photos;
pub mod plan;
pub mod read;
pub mod release;
pub mod repair;
pub mod settle;
pub mod setup;
pub mod share;
pub mod status;
pub mod strike;
pub mod sync;
pub mod verify;

mod answer;
mod telling;

pub use answer::RecordedAnswer;

use crate::ambient::Ambient;
use crate::args::{Command, Common};
use crate::home::Home;
use crate::photos::Photos;
use crate::problem::Problem;
use crate::record::{Claim, Recorded, Recording, record};
use crate::store::{Store, Tx};
use crate::ui::{Answer, Ui};
use std::collections::VecDeque;

/// What a command works with.
pub struct Here<'a, 'u> {
    /// Clocks, randomness, environment.
    pub ambient: &'a dyn Ambient,
    /// Where it prints.
    pub ui: &'a mut Ui<'u>,
    /// Where the log lies.
    pub home: Home,
    /// What every command takes.
    pub common: &'a Common,
}

impl Here<'_, '_> {
    /// Opens the log; the first use makes it.
    ///
    /// # Errors
    /// If the folder or file cannot be used.
    pub fn store(&self) -> Result<Store, Problem> {
        self.home.open(self.ambient)
    }

    /// When and by whom the person says it was.
    #[must_use]
    pub fn claim(&self) -> Claim<'_> {
        Claim { at: self.common.at.as_deref(), by: self.common.by.as_deref() }
    }

    /// Records one entry, then shows it.
    ///
    /// # Errors
    /// As `work`; then nothing was recorded.
    pub fn record(
        &mut self,
        work: impl FnOnce(&mut Recording<'_>) -> Result<Recorded, Problem>,
    ) -> Result<(), Problem> {
        let recorded = record(&mut self.store()?, self.ambient, self.claim(), work)?;
        self.ui.show(&RecordedAnswer::of(recorded))
    }

    /// Records one entry with its photos, then shows it.
    ///
    /// # Errors
    /// As `work`, and as [`Photos::taken_in`]; then nothing was recorded.
    pub fn record_with(
        &mut self,
        photos: &Photos,
        work: impl FnOnce(&mut Recording<'_>) -> Result<Recorded, Problem>,
    ) -> Result<(), Problem> {
        if photos.photos.is_empty() {
            return self.record(work);
        }
        let mut store = self.store()?;
        let files = photos.taken_in(&self.home)?;
        let recorded = record(&mut store, self.ambient, self.claim(), |recording| {
            recording.attach(files);
            work(recording)
        })?;
        self.ui.show(&RecordedAnswer::of(recorded))
    }

    /// Reads from the log, then shows it.
    ///
    /// # Errors
    /// As `work`.
    pub fn answer<A: Answer>(&mut self, work: impl FnOnce(&Tx<'_>) -> Result<A, Problem>) -> Result<(), Problem> {
        let answer = self.store()?.read(work)?;
        self.ui.show(&answer)
    }
}

/// Positional words, in order, those left out skipped.
fn words(given: &[Option<String>]) -> VecDeque<String> {
    given.iter().flatten().cloned().collect()
}

/// Runs one command.
///
/// # Errors
/// Whatever it could not do.
pub fn run(command: &Command, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    match command {
        Command::Grease(args) => grease::run(args, here),
        Command::Done(args) => done::run(args, here),
        Command::Read(args) => read::run(args, here),
        Command::Fuel(args) => fuel::run(args, here),
        Command::Begin(args) => begin::run(args, here),
        Command::End(args) => end::run(args, here),
        Command::Found(args) => found::run(args, here),
        Command::Repair(args) => repair::run(args, here),
        Command::Clear(args) => clear::run(args, here),
        Command::Note(args) => note::run(args, here),
        Command::Correct(args) => correct::run(args, here),
        Command::Strike(args) => strike::run(args, here),
        Command::Aside(args) => aside::run(args, here),
        Command::Release(args) => release::run(args, here),
        Command::Meter(args) => meter::run(args, here),
        Command::Machine(args) => machine::run(args, here),
        Command::Machines(args) => machines::run(args, here),
        Command::Log(args) => log::run(args, here),
        Command::Book(args) => book::run(args, here),
        Command::Due(args) => due::run(args, here),
        Command::Photos(args) => photos::run(args, here),
        Command::Plan(args) => plan::run(args, here),
        Command::Keeping(args) => keeping::run(args, here),
        Command::Import(args) => import::run(args, here),
        Command::Handover(args) => handover::run(args, here),
        Command::Clashes(args) => clashes::run(args, here),
        Command::Settle(args) => settle::run(args, here),
        Command::Bench(args) => bench::run(args, here),
        Command::Me(args) => me::run(args, here),
        Command::Setup(args) => setup::run(args, here),
        Command::Enrol(args) => enrol::run(args, here),
        Command::Sync(args) => sync::run(args, here),
        Command::Carry(args) => carry::run(args, here),
        Command::Hold(args) => hold::run(args, here),
        Command::Devices(args) => devices::run(args, here),
        Command::Share(args) => share::run(args, here),
        Command::History(args) => history::run(args, here),
        Command::Verify(args) => verify::run(args, here),
        Command::Bill(args) => bill::run(args, here),
        Command::Status(args) => status::run(args, here),
        Command::Doctor(args) => doctor::run(args, here),
        Command::Completions(args) => completions::run(args, here),
        Command::Man(args) => man::run(args, here),
    }
}
