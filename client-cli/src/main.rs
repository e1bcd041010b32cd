//! The binary `pintle`: hands the process's arguments, clocks and outputs to the library.
//!
//! Promises: nothing is decided here; whatever the binary can do, a test can do by calling the library. The exit code
//! is the library's.

use pintle::ambient::{Surroundings, stderr_terminal, stdout_terminal};
use pintle::ui::Terminals;
use std::process::ExitCode;

fn main() -> ExitCode {
    let terminals = Terminals { out: stdout_terminal(), err: stderr_terminal() };
    let exit =
        pintle::run(std::env::args_os(), &Surroundings, terminals, &mut std::io::stdout(), &mut std::io::stderr());
    ExitCode::from(exit.code())
}
