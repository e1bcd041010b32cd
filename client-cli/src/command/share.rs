//! `pintle share`: shows one machine to someone outside, by a link.
//!
//! Promises: needs signal, and says so. The link is shown once; prices, customers and jobs are never behind it.

use super::Here;
use super::devices::short;
use crate::names::{self, Names};
use crate::office::Office;
use crate::problem::{Code, Problem};
use crate::ui::{Answer, Line, Tone, qr, words};
use pintle_core::fact::administration::Shown;
use pintle_openapi::endpoint::{Nothing, target};
use pintle_openapi::endpoints::shares::{
    EndShare, MakeShare, SharePath, ShareReply, ShareReport, ShareRequest, SharedMachine, SharedPath, Shares,
};
use serde_json::{Value, json};

/// Show one machine to an outsider, by a link (office, owner)
#[derive(Debug, clap::Args)]
#[command(after_help = SHOWN)]
pub struct Share {
    /// The machine; left out: the links there are
    machine: Option<String>,
    /// Days until the link ends by itself
    #[arg(long, default_value_t = 30)]
    days: i64,
    /// Show the names of people too
    #[arg(long)]
    names: bool,
    /// Show what people wrote in their own words too
    #[arg(long)]
    words: bool,
    /// End a link, by its id
    #[arg(long, value_name = "ID", allow_hyphen_values = true, conflicts_with_all = ["machine", "names", "words"])]
    end: Option<String>,
}

const SHOWN: &str = "\
Never shown: prices, customers, jobs, other machines.
Whoever holds the link reads until it ends.";

/// Asks the server, then shows the answer.
pub(super) fn run(args: &Share, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let wanted = match &args.machine {
        None => None,
        Some(name) => Some(store.read(|tx| names::machine(tx, name))?),
    };
    let office = Office::open(&here.home, &mut store, here.ambient)?;
    if let Some(machine) = wanted {
        let shows = [(args.names, Shown::Names), (args.words, Shown::Words)];
        let shows = shows.into_iter().filter(|(asked, _)| *asked).map(|(_, shown)| shown).collect();
        let request = ShareRequest { machine: machine.id, days: args.days, shows };
        let reply = office.ask::<MakeShare>(&Nothing {}, &Nothing {}, &request)?;
        let path = SharedPath { link: reply.link };
        let link = format!("{}{}", office.server, target::<SharedMachine>(&path, &Nothing {}));
        let columns = here.ui.look.width;
        return here.ui.show(&Made { reply, link, machine: machine.name, days: args.days, columns });
    }
    let shares = office.ask::<Shares>(&Nothing {}, &Nothing {}, &Nothing {})?.items;
    let names = store.read(Names::load)?;
    let now_ms = here.ambient.wall().second.saturating_mul(1000);
    let Some(id) = &args.end else { return here.ui.show(&List { shares, names, now_ms }) };
    let share = shares.into_iter().find(|s| short(&s.id.to_string()) == *id || s.id.to_string() == *id);
    let share = share
        .ok_or_else(|| Problem::new(Code::UnknownDevice, format!("there is no link {id:?}")).hint("pintle share"))?;
    let ended = office.ask::<EndShare>(&SharePath { share: share.id }, &Nothing {}, &Nothing {})?;
    here.ui.show(&Ended { machine: names.machine(ended.machine), report: ended })
}

struct Made {
    reply: ShareReply,
    link: String,
    machine: String,
    days: i64,
    columns: usize,
}

impl Answer for Made {
    fn lines(&self) -> Vec<Line> {
        let mut lines = vec![
            Line::toned(Tone::Strong, &self.machine).plain(format!(" is shown for {} days at", self.days)),
            Line::of(&self.link),
        ];
        lines.extend(qr::lines(&self.link, self.columns).into_iter().flatten());
        let end = short(&self.reply.report.id.to_string());
        lines.push(Line::toned(Tone::Faint, "to end it: ").plain(format!("pintle share --end {end}")));
        lines
    }

    fn json(&self) -> Value {
        json!({"link": self.link, "report": self.reply.report})
    }
}

struct List {
    shares: Vec<ShareReport>,
    names: Names,
    now_ms: i64,
}

impl Answer for List {
    fn lines(&self) -> Vec<Line> {
        if self.shares.is_empty() {
            return vec![Line::of("No links."), Line::toned(Tone::Faint, "> ").plain("pintle share EX3")];
        }
        self.shares.iter().map(|share| self.one(share)).collect()
    }

    fn json(&self) -> Value {
        json!({"shares": self.shares})
    }
}

impl List {
    fn one(&self, share: &ShareReport) -> Line {
        let mut parts = vec![self.names.machine(share.machine)];
        parts.push(match (share.ended_ms, share.until_ms - self.now_ms) {
            (Some(_), _) => "ended".to_owned(),
            (None, left_ms) if left_ms <= 0 => "over".to_owned(),
            (None, left_ms) => format!("{} left", words::span(left_ms / 1000)),
        });
        parts.push(format!("opened {}", words::counted(share.opened_count, "time", "times")));
        Line::toned(Tone::Strong, short(&share.id.to_string())).plain(" ").plain(parts.join(", "))
    }
}

struct Ended {
    machine: String,
    report: ShareReport,
}

impl Answer for Ended {
    fn lines(&self) -> Vec<Line> {
        vec![
            Line::of(format!("The link to {} shows nothing any more.", self.machine)),
            Line::of("What was read before cannot be taken back."),
        ]
    }

    fn json(&self) -> Value {
        json!({"ended": self.report})
    }
}
