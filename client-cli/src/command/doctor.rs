//! `pintle doctor`: checks the database's file, every chain, the seals, the digest, the glances and the key.
//!
//! Promises: names each fault with its place and ends with exit code 1 if there is one; glances, which can be computed
//! again, are put right. Never changes an entry, never asks the network.

use super::Here;
use crate::examine::{Fault, Report, examine};
use crate::problem::{Code, Problem};
use crate::ui::{Answer, Line, Tone, words};
use serde_json::{Value, json};

/// Check that the log is sound
#[derive(Debug, clap::Args)]
pub struct Doctor {}

/// Checks and shows what was found.
pub(super) fn run(_: &Doctor, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store().map_err(beyond_repair)?;
    let report = examine(&mut store, &here.home).map_err(beyond_repair)?;
    here.ui.show(&report)?;
    if report.faults.is_empty() {
        return Ok(());
    }
    let sentence =
        format!("{} in {}", words::counted(report.faults.len() as u64, "fault", "faults"), store.path().display());
    Err(Problem::new(Code::Damaged, sentence).hint("keep a copy of the folder; what was synced is on the server too"))
}

/// Where the file cannot even be opened, the way on is a new one beside it.
fn beyond_repair(problem: Problem) -> Problem {
    match problem.code {
        Code::Damaged => problem.hint(
            "keep a copy of the folder; go on elsewhere: pintle --home DIR …; what was synced comes back with pintle enrol",
        ),
        _ => problem,
    }
}

impl Answer for Report {
    fn lines(&self) -> Vec<Line> {
        let entries = words::counted(self.entries, "entry", "entries");
        let logs = words::counted(self.logs as u64, "log", "logs");
        let counted = format!("{entries} in {logs}, {}", words::counted(self.seals, "seal", "seals"));
        let mut lines = vec![Line::of(counted)];
        lines.extend(self.faults.iter().map(|fault| Line::toned(Tone::Danger, &fault.sentence)));
        if self.faults.is_empty() {
            lines.push(Line::of("All sound."));
        }
        lines
    }

    fn json(&self) -> Value {
        let fault =
            |fault: &Fault| json!({"code": fault.wrong.code(), "place": fault.place, "sentence": fault.sentence});
        let faults: Vec<Value> = self.faults.iter().map(fault).collect();
        json!({"entries": self.entries, "logs": self.logs, "seals": self.seals, "faults": faults})
    }
}
