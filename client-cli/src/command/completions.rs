//! `pintle completions`: a script that lets a shell finish the words.
//!
//! Promises: the script is made from the same words the program parses, so the two never differ. Never writes a file:
//! where it belongs is the shell's affair.

use super::Here;
use crate::args::whole;
use crate::problem::Problem;

/// A script that lets a shell finish the words
#[derive(Debug, clap::Args)]
pub struct Completions {
    /// Which shell
    shell: clap_complete::Shell,
}

/// Prints it.
pub(super) fn run(args: &Completions, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    // Into memory first: the generator panics where it cannot write.
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut whole(), "pintle", &mut script);
    here.ui.raw(&script)
}
