//! `pintle sync`: brings logs together while there is signal.
//!
//! Promises: says what was sent and received, or what stood in the way and that nothing is lost; a moving line only on
//! a terminal and only if it takes long. Never needed before recording.

use super::Here;
use crate::engine::{Engine, Report, Watch, outcome, rewritten, told};
use crate::follow::{self, Followed, OldKey};
use crate::photos::{self, Brought};
use crate::problem::{Code, Problem};
use crate::transport::{CA_FILE, Http, not_trusted};
use crate::ui::{Answer, Bar, Line, Tone, words};
use pintle_core::device::{Counts, NetworkFailure, Notice, Refusal, Stop};
use serde_json::{Value, json};

/// Bring logs together while there is signal
#[derive(Debug, clap::Args)]
pub struct Sync {}

impl Watch for Bar {
    fn progress(&mut self, counts: Counts, waiting: u64) {
        self.set(counts.exchanges, format!("{} sent, {} received, {waiting} waiting", counts.sent, counts.received));
    }
}

/// Syncs, then shows how it went.
pub(super) fn run(_: &Sync, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let sync = store.read(|tx| tx.enrolled())?;
    let transport = Http::new(&sync.server, here.ambient.variable(CA_FILE).as_deref())?;
    let mut bar = here.ui.bar();
    let mut engine = Engine { home: &here.home, store: &mut store, ambient: here.ambient, transport: &transport };
    let mut report = engine.run(&mut bar)?;
    if report.stop == Stop::Held {
        report = go_on(&mut engine, report, &mut bar)?;
    }
    let stood_in_the_way = problem(&report);
    // Photos have a lane of their own: they go once all entries are over.
    let lane = match stood_in_the_way {
        None => Some(photos::bring(&here.home, &mut store, here.ambient, |brought, file, received| {
            let photo = format!("photo {} of {}", words::size(received), words::size(file.bytes));
            bar.show(format!("{photo}, {} waiting", words::counted(brought.waiting, "photo", "photos")));
        })?),
        Some(_) => None,
    };
    drop(bar);
    match stood_in_the_way {
        None => here.ui.show(&Synced { report, lane: lane.unwrap_or_default() }),
        Some(problem) => {
            for notice in &report.notices {
                here.ui.aside(&Line::toned(Tone::Odd, told(notice).1));
            }
            Err(problem)
        }
    }
}

/// A copy of this device is in use: this one goes on as a device of its own, and syncs again.
fn go_on(engine: &mut Engine<'_>, held: Report, bar: &mut Bar) -> Result<Report, Problem> {
    let followed = follow::go_on(engine.home, engine.store, engine.ambient, engine.transport, OldKey::GoesOn)?;
    let Followed::Done { reply, .. } = followed else { return Ok(held) };
    let goes_on = Notice::GoesOn { mark: reply.mark };
    engine.keep(&goes_on)?;
    let again = engine.run(bar)?;
    let notices = held.notices.into_iter().chain([goes_on]).chain(again.notices).collect();
    let Counts { sent, carried, received, exchanges } = held.counts;
    let counts = Counts {
        sent: sent + again.counts.sent,
        carried: carried + again.counts.carried,
        received: received + again.counts.received,
        exchanges: exchanges + again.counts.exchanges,
    };
    Ok(Report { notices, counts, ..again })
}

/// What stood in the way, if the sync did not come to its end.
#[must_use]
pub fn problem(report: &Report) -> Option<Problem> {
    let kept = match report.waiting {
        0 => "nothing waits here".to_owned(),
        1 => "1 entry waits here, nothing is lost".to_owned(),
        n => format!("{n} entries wait here, nothing is lost"),
    };
    Some(match &report.stop {
        Stop::Done => return None,
        Stop::NoSignal(NetworkFailure::NotOurs) => {
            Problem::new(Code::NotOurs, format!("Something answered that is not the server; {kept}."))
                .hint("a sign-in page of this network? Open it, then: pintle sync")
        }
        Stop::NoSignal(NetworkFailure::Untrusted) => not_trusted(&kept),
        Stop::NoSignal(failure) => {
            let how = if *failure == NetworkFailure::TimedOut { "The signal is too weak" } else { "No signal" };
            Problem::new(Code::NoSignal, format!("{how}; {kept}.")).hint("later: pintle sync")
        }
        Stop::Refused(Refusal { code, retry_after_s: Some(seconds), .. }) => Problem::new(
            Code::ServerBusy,
            format!("the server has too much to do and asks to wait {seconds} s; {kept}."),
        )
        .hint("then: pintle sync")
        .detail(code),
        Stop::Refused(refusal) => {
            Problem::new(Code::ServerRefused, format!("the server refused: {} {kept}.", sentence(&refusal.detail)))
                .detail(&refusal.code)
        }
        Stop::Stalled => {
            Problem::new(Code::Stalled, format!("nothing moves forward any more; {kept}")).hint("pintle doctor")
        }
        Stop::Rewritten(why) => Problem::new(Code::LedgerRewritten, rewritten(*why))
            .hint("tell the owner; what shows it: pintle doctor --evidence FILE")
            .detail(why.as_str()),
        Stop::Closed => Problem::new(Code::Revoked, format!("this device may no longer read; {kept}"))
            .hint("ask the owner for a new code: pintle enrol URL CODE --anew"),
        Stop::Distrusted(fault) => {
            Problem::new(Code::Distrusted, "the server delivered what cannot be true; this device keeps its own")
                .hint("tell the owner of the server")
                .detail(fault)
        }
        Stop::Held => Problem::new(Code::Copied, format!("two copies of this device are in use; {kept}"))
            .hint("pintle sync makes this one a device of its own; if the server will not, ask for a code: pintle enrol URL CODE --anew"),
    })
}

/// With a capital's worth of an ending: the server's sentences end with a full stop, its details need not.
fn sentence(text: &str) -> String {
    let text = text.trim_end();
    if text.ends_with('.') { text.to_owned() } else { format!("{text}.") }
}

/// How entries and photos went.
struct Synced {
    report: Report,
    lane: (Brought, Option<Problem>),
}

impl Synced {
    /// What is to be told of the photos.
    fn photos(&self) -> Vec<Line> {
        let (Brought { there, waiting, gone, refused }, problem) = &self.lane;
        let mut lines = Vec::new();
        if *there > 0 {
            lines.push(Line::of(format!("{} brought.", words::counted(*there, "photo", "photos"))));
        }
        let gone = gone.iter().map(|name| format!("{name} is no longer on this device, and not on the server either"));
        let refused = refused.iter().map(|(name, why)| format!("{name}: {why}"));
        lines.extend(gone.chain(refused).map(|told| Line::toned(Tone::Odd, told)));
        if let Some(problem) = problem {
            let waiting = words::counted(*waiting, "photo waits", "photos wait");
            lines.push(Line::toned(Tone::Odd, format!("{waiting} for the next sync: {}", problem.sentence)));
        }
        lines
    }
}

impl Answer for Synced {
    fn lines(&self) -> Vec<Line> {
        [self.report.lines(), self.photos()].concat()
    }

    fn warnings(&self) -> Vec<Line> {
        self.report.warnings()
    }

    fn json(&self) -> Value {
        let mut json = self.report.json();
        let (Brought { there, waiting, gone, refused }, problem) = &self.lane;
        if *there + *waiting > 0 {
            let refused: Vec<Value> = refused.iter().map(|(name, why)| json!({"name": name, "why": why})).collect();
            let stopped = problem.as_ref().map(|problem| problem.code.as_str());
            json["photos"] =
                json!({"brought": there, "waiting": waiting, "gone": gone, "refused": refused, "stopped": stopped});
        }
        json
    }
}

impl Answer for Report {
    fn lines(&self) -> Vec<Line> {
        let mut lines: Vec<Line> = self.notices.iter().map(|notice| Line::toned(Tone::Odd, told(notice).1)).collect();
        let Counts { sent, carried, received, .. } = self.counts;
        if carried > 0 {
            lines.push(Line::of(format!("{} of others brought.", words::counted(carried, "entry", "entries"))));
        }
        lines.push(match (sent, received) {
            (0, 0) if carried == 0 => Line::of("All in step, nothing new."),
            _ => Line::of(format!("{sent} sent, {received} received, all in step.")),
        });
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        self.notices.iter().map(|notice| Line::toned(Tone::Odd, told(notice).1)).collect()
    }

    fn json(&self) -> Value {
        let notices: Vec<Value> = self
            .notices
            .iter()
            .map(|notice| {
                let (code, sentence) = told(notice);
                json!({"code": code, "sentence": sentence})
            })
            .collect();
        json!({
            "outcome": outcome(&self.stop),
            "sent": self.counts.sent,
            "carried": self.counts.carried,
            "received": self.counts.received,
            "exchanges": self.counts.exchanges,
            "waiting": self.waiting,
            "notices": notices,
        })
    }
}
