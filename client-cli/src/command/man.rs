//! `pintle man`: the manual page, or all of them into a folder.
//!
//! Promises: pages are made from the same words the program parses, and end with the exit codes. Never writes anywhere
//! but into the folder that was named.

use super::Here;
use crate::args::{exit_codes, whole};
use crate::problem::{Code, Problem};
use clap_mangen::Man as Page;
use clap_mangen::roff::{Roff, roman};
use std::path::PathBuf;

/// The manual: to the screen, or all pages into a folder
#[derive(Debug, clap::Args)]
pub struct Man {
    /// Where to write the pages
    dir: Option<PathBuf>,
}

/// Prints or writes it.
pub(super) fn run(args: &Man, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let Some(folder) = &args.dir else {
        return here.ui.raw(&page(whole())?);
    };
    let failed = |e: std::io::Error| {
        Problem::new(Code::Unwritable, format!("cannot write the manual into {}: {}", folder.display(), e.kind()))
            .hint("pintle man DIR, with a folder you may write to")
            .detail(e)
    };
    std::fs::create_dir_all(folder).map_err(failed)?;
    let mut command = whole();
    command.build();
    std::fs::write(folder.join("pintle.1"), page(command.clone())?).map_err(failed)?;
    for part in command.get_subcommands().filter(|part| !part.is_hide_set()) {
        let name = format!("pintle-{}", part.get_name());
        std::fs::write(folder.join(format!("{name}.1")), page(part.clone())?).map_err(failed)?;
    }
    Ok(())
}

fn page(command: clap::Command) -> Result<Vec<u8>, Problem> {
    let failed = |e: std::io::Error| Problem::new(Code::NoTerminal, "cannot make the manual").detail(e);
    let mut bytes = Vec::new();
    Page::new(command).render(&mut bytes).map_err(failed)?;
    let mut roff = Roff::new();
    roff.control("SH", ["EXIT STATUS"]);
    for line in exit_codes() {
        roff.control("TP", []).text([roman(line)]);
    }
    roff.to_writer(&mut bytes).map_err(failed)?;
    Ok(bytes)
}
