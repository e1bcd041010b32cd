//! `pintle doctor`: checks the database's file, every chain, the seals, the digest, the glances and the key.
//!
//! Promises: names each fault with its place and ends with exit code 1 if there is one; glances, which can be computed
//! again, are put right. What a server has shown that cannot be is written down for others. Never changes an entry, never
//! asks the network.

use super::Here;
use crate::examine::{Fault, Report, examine};
use crate::file;
use crate::problem::{Code, Problem};
use crate::store::{Evidence, Store};
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::moment::Moment;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// What the file says of itself.
const ABOUT: &str = "Each shows two checkpoints (C2SP tlog-checkpoint) of one log and epoch: the one that this device held, and \
                     what the server showed it later, with its proof (RFC 9162 section 2.1.4) that the first is the beginning \
                     of the second, which does not hold. Two signed ones of the same size with other roots convict whoever \
                     has the key; any other pair shows what this device saw, and not that nobody else made it up.";

/// Check that the log is sound
#[derive(Debug, clap::Args)]
pub struct Doctor {
    /// Write down what shows that a server's log was rewritten, for whoever looks into it
    #[arg(long, value_name = "FILE")]
    evidence: Option<PathBuf>,
}

/// Checks and shows what was found.
pub(super) fn run(args: &Doctor, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store().map_err(beyond_repair)?;
    if let Some(file) = &args.evidence {
        let evidence = Written::gather(&mut store, file)?;
        return here.ui.show(&evidence);
    }
    let report = examine(&mut store, &here.home).map_err(beyond_repair)?;
    here.ui.show(&report)?;
    if report.faults.is_empty() {
        return Ok(());
    }
    let sentence =
        format!("{} in {}", words::counted(report.faults.len() as u64, "fault", "faults"), store.path().display());
    Err(Problem::new(Code::Damaged, sentence).hint("keep a copy of the folder; what was synced is on the server too"))
}

/// Evidence, written to a file.
struct Written {
    evidence: Vec<Value>,
    file: String,
}

impl Written {
    fn gather(store: &mut Store, file: &Path) -> Result<Self, Problem> {
        let evidence = store.read(|tx| Ok(tx.all_evidence()?.iter().map(told).collect::<Vec<_>>()))?;
        if evidence.is_empty() {
            return Err(Problem::new(
                Code::NoEvidence,
                "no server has shown this device two logs that contradict each other",
            ));
        }
        let document = json!({"about": ABOUT, "evidence": evidence});
        // A JSON value always has a text.
        let text = serde_json::to_string_pretty(&document).unwrap_or_default() + "\n";
        file::write(file, text.as_bytes())?;
        Ok(Self { evidence, file: file.display().to_string() })
    }
}

/// Which organisation it is about, the notes say.
fn told(evidence: &Evidence) -> Value {
    let Evidence { store, epoch, held, shown, why, at_s } = evidence;
    json!({
        "store": store, "epoch": epoch, "why": why.as_str(),
        "at": Moment::at(*at_s, 0).ok(), "held": {"note": held.note, "key": held.key}, "shown": shown,
    })
}

impl Answer for Written {
    fn lines(&self) -> Vec<Line> {
        let told = words::counted(self.evidence.len() as u64, "log", "logs");
        vec![Line::of(format!("what contradicts {told} that this device saw: in {}", self.file))]
    }

    fn json(&self) -> Value {
        json!({"file": self.file, "evidence": self.evidence})
    }
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
