//! `pintle history`: gets a machine's service history as a file that proves itself, with `--page` as a page that shows it
//! and checks it, with `--pdf` on paper with the file inside; with `--key` the key to check it with.
//!
//! Promises: needs signal, and says so. The file is made by the server from its ledger; one that is there already is never
//! written over.

use super::Here;
use crate::file;
use crate::names;
use crate::office::Office;
use crate::problem::{Code, Problem};
use crate::ui::{Answer, Line, Tone};
use pintle_openapi::endpoint::Nothing;
use pintle_openapi::endpoints::bills::Paper;
use pintle_openapi::endpoints::printed::{HistoryPdfQuery, MachineHistoryPdf};
use pintle_openapi::endpoints::proof::{Checkpoint, CheckpointReply, HistoryQuery, MachineHistory, MachineHistoryPage};
use pintle_openapi::list::MachinePath;
use serde_json::{Value, json};
use std::path::PathBuf;

/// Get a machine's service history as a file (office, owner)
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub struct History {
    /// The machine
    machine: Option<String>,
    /// Where to keep it [MACHINE-history.gz, .html for a page, .pdf for paper]
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
    /// What an outsider is not to see: names, words, office
    #[arg(long, value_name = "PARTS", default_value = "office")]
    withhold: String,
    /// As one page that any browser opens, shows and checks, without network
    #[arg(long)]
    page: bool,
    /// On paper, as a PDF with the file inside
    #[arg(long, conflicts_with = "page")]
    pdf: bool,
    /// What it is printed on, with --pdf: a4 or letter [a4]
    #[arg(long, value_name = "PAPER", requires = "pdf")]
    paper: Option<Paper>,
    /// Only show the key that such files are checked with
    #[arg(long, conflicts_with_all = ["machine", "to", "page", "pdf"])]
    key: bool,
}

const AFTER: &str = "\
Give the key another way than the file: on paper, on your page.
Whoever gets the file checks it with: pintle verify FILE --key KEY
A page checks itself; to make one from a file: pintle verify FILE --page PAGE
A PDF is checked like the file: it is inside.";

/// Asks the server, keeps the file, shows where.
pub(super) fn run(args: &History, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let machine = match (&args.machine, args.key) {
        (_, true) => None,
        (Some(name), false) => Some(store.read(|tx| names::machine(tx, name))?),
        (None, false) => {
            return Err(Problem::new(Code::WhichMachine, "which machine?").hint("pintle history EX3"));
        }
    };
    let office = Office::open(&here.home, &mut store, here.ambient)?;
    let Some(machine) = machine else {
        let checkpoint = office.ask::<Checkpoint>(&Nothing {}, &Nothing {}, &Nothing {})?;
        return here.ui.show(&Key { checkpoint });
    };
    let withhold = Some(args.withhold.clone());
    let query = HistoryQuery { withhold: withhold.clone() };
    let place = MachinePath { machine: machine.id };
    let (bytes, ending) = if args.pdf {
        let query = HistoryPdfQuery { withhold, paper: args.paper };
        (office.fetch::<MachineHistoryPdf>(&place, &query)?, "pdf")
    } else if args.page {
        (office.fetch::<MachineHistoryPage>(&place, &query)?, "html")
    } else {
        (office.fetch::<MachineHistory>(&place, &query)?, "gz")
    };
    let checkpoint = office.ask::<Checkpoint>(&Nothing {}, &Nothing {}, &Nothing {})?;
    let path = args.to.clone().unwrap_or_else(|| PathBuf::from(format!("{}-history.{ending}", plain(&machine.name))));
    file::write(&path, &bytes)?;
    here.ui.show(&Kept { machine: machine.name, path, bytes: bytes.len(), ending, checkpoint })
}

/// A name of a file from a machine's name.
fn plain(name: &str) -> String {
    name.chars().map(|c| if c.is_alphanumeric() || c == '-' { c } else { '-' }).collect()
}

struct Key {
    checkpoint: CheckpointReply,
}

impl Answer for Key {
    fn lines(&self) -> Vec<Line> {
        vec![
            Line::of("Service histories are checked with the key"),
            Line::toned(Tone::Strong, self.checkpoint.key.to_string()),
        ]
    }

    fn json(&self) -> Value {
        json!({"checkpoint": self.checkpoint})
    }
}

struct Kept {
    machine: String,
    path: PathBuf,
    bytes: usize,
    ending: &'static str,
    checkpoint: CheckpointReply,
}

impl Answer for Kept {
    fn lines(&self) -> Vec<Line> {
        let kilobytes = self.bytes.div_ceil(1000);
        let check = if self.ending == "html" {
            format!("open it in a browser and give it the key {}", self.checkpoint.key)
        } else {
            format!("pintle verify {} --key {}", self.path.display(), self.checkpoint.key)
        };
        vec![
            Line::toned(Tone::Strong, &self.machine)
                .plain(format!(": service history in {}, {kilobytes} KB", self.path.display())),
            Line::toned(Tone::Faint, "to check it: ").plain(check),
            Line::of("Give the key another way than the file."),
        ]
    }

    fn json(&self) -> Value {
        json!({"file": self.path, "bytes": self.bytes, "checkpoint": self.checkpoint})
    }
}
