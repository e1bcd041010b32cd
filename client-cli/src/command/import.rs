//! `pintle import`: readings that the machines' own transmitters took, from a file in the ISO 15143-3 form (JSON, XML).
//!
//! Promises: all of the file or none of it, in one transaction; each reading at the time it was taken, with its source,
//! beside what people read; where the two cannot both be true the answer says so, and both stand. What is recorded already
//! is not recorded again. Machines and values that could not be used are named with their places.
//!
//! Never a machine that nobody added, a fill of fuel, or the place of a machine; and never another machine as the one
//! used last: whoever imports a file has not gone over to it.

use super::Here;
use super::telling::Teller;
use crate::ambient::Wall;
use crate::asked::quoted;
use crate::names::Names;
use crate::problem::{Code, Problem};
use crate::record::{Recording, Saying, record};
use crate::store::Tx;
use crate::ui::{Answer, Line, Tone, words};
use crate::{file, glance};
use pintle_core::Fault;
use pintle_core::book::{Book, Meter, MeterReading, book};
use pintle_core::entry::EntryRef;
use pintle_core::fact::{Fact, MeterKind};
use pintle_core::ids::MachineId;
use pintle_core::limits::TELEMATICS_BYTES_MAX;
use pintle_core::moment::Moment;
use pintle_core::telematics::{self, Candidate, Judged, Proposal, Report, Verdict};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

/// Readings from the machines' transmitters: ISO 15143-3
#[derive(Debug, clap::Args)]
pub struct Import {
    /// The file, JSON or XML, as the feed gave it
    file: PathBuf,
    /// Only show what would be recorded
    #[arg(long)]
    propose: bool,
}

/// Elements that give no entry; what is wrong with them is told to programs only.
const NOT_RECORDED: [&str; 3] = ["/FuelUsed", "/CumulativeIdleHours", "/Location"];

/// A reading that was recorded, and how it stands beside the others.
struct Taken {
    entry: EntryRef,
    fact: Fact,
    kind: MeterKind,
    at: Moment,
    odd: Vec<Odd>,
}

/// What does not fit.
struct Odd {
    machine: MachineId,
    meter: String,
    unit: String,
    /// The reading left out of the reckoning.
    doubtful: MeterReading,
    /// What is believed instead.
    believed: Option<MeterReading>,
}

/// What became of one machine of the file.
struct One {
    judged: Judged,
    taken: Vec<Taken>,
}

struct Done {
    machines: Vec<One>,
    names: Names,
    now: Wall,
    recorded: Recorded,
}

/// Whether the entries are in the log.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Recorded {
    Yes,
    Proposed,
}

/// Reads the file, records, then shows it.
pub(super) fn run(args: &Import, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let what = "telematics in the form of ISO 15143-3";
    let bytes = file::read(&args.file, what, TELEMATICS_BYTES_MAX as u64)?;
    let reports = telematics::read(&bytes).map_err(|fault| {
        let name = args.file.file_name().unwrap_or(args.file.as_os_str()).to_string_lossy();
        let sentence = format!("{name} is not {what}: {}", fault.detail);
        Problem::new(Code::UnclearFile, sentence).detail(format!("{} at {:?}", fault.code, fault.pointer))
    })?;
    let recorded = if args.propose { Recorded::Proposed } else { Recorded::Yes };
    let mut done = None;
    let kept = record(&mut here.store()?, here.ambient, here.claim(), |recording| {
        done = Some(import(recording, reports, recorded)?);
        match recorded {
            Recorded::Yes => Ok(()),
            // Ends the transaction: what was only looked at is not kept.
            Recorded::Proposed => Err(Problem::new(Code::UnclearFile, "only proposed")),
        }
    });
    match (done, kept) {
        (Some(done), Ok(())) => here.ui.show(&done),
        (Some(done), Err(_)) if recorded == Recorded::Proposed => here.ui.show(&done),
        (_, Err(problem)) => Err(problem),
        // The work has run if the transaction was kept.
        (None, Ok(())) => Ok(()),
    }
}

fn import(recording: &mut Recording<'_>, reports: Vec<Report>, recorded: Recorded) -> Result<Done, Problem> {
    let last_machine = recording.own.last_machine;
    let mut before = books(recording.tx)?;
    let candidates: Vec<Candidate> = before.values().filter_map(Candidate::of).collect();
    let judged = telematics::judge(reports, &candidates, recording.wall.second);
    let mut machines = Vec::new();
    for judged in judged {
        let mut taken = Vec::new();
        for proposal in &judged.proposals {
            taken.extend(take(recording, proposal)?);
        }
        machines.push(One { judged, taken });
    }
    for machine in &mut machines {
        stand(recording.tx, machine, &mut before)?;
    }
    recording.own.last_machine = last_machine;
    recording.tx.set_own(&recording.own)?;
    Ok(Done { machines, names: Names::load(recording.tx)?, now: recording.wall.clone(), recorded })
}

/// The books of all machines in use, by the id they count under.
fn books(tx: &Tx<'_>) -> Result<BTreeMap<MachineId, Book>, Problem> {
    let machines = tx.machines()?.into_iter().filter(|m| m.stands_for.is_none() && m.retired.is_none());
    machines.map(|machine| Ok((machine.id, book(machine.id, &glance::entries(tx, machine.id)?.1)))).collect()
}

fn take(recording: &mut Recording<'_>, proposal: &Proposal) -> Result<Option<Taken>, Problem> {
    // The core proposes readings only.
    let Ok(reading) = serde_json::from_value(Value::Object(proposal.body.clone())) else { return Ok(None) };
    // Feeds tell their times in UTC; whoever reads the log has a clock of the place. The second is the same.
    let at = recording.wall.moment(proposal.at.second());
    recording.happened(at.clone());
    let recorded = recording.say(Saying::about(proposal.machine, Fact::MeterRead(reading)))?;
    let kind = recorded.machine.as_ref().map_or(MeterKind::Hours, |machine| machine.meter_kind);
    let (entry, fact) = (recorded.held.name(), recorded.fact);
    Ok(Some(Taken { entry, fact, kind, at, odd: Vec::new() }))
}

/// Notes which readings have become doubtful by what was taken, a person's or the transmitter's own.
fn stand(tx: &Tx<'_>, one: &mut One, before: &mut BTreeMap<MachineId, Book>) -> Result<(), Problem> {
    let (Some(machine), Some(taken)) = (one.judged.machine, one.taken.first_mut()) else { return Ok(()) };
    let after = book(machine, &glance::entries(tx, machine)?.1);
    let doubtful = |book: &Book| -> BTreeSet<EntryRef> {
        book.meters.iter().flat_map(|m| m.doubtful.iter().map(|reading| reading.stamp.entry)).collect()
    };
    let known = before.get(&machine).map(doubtful).unwrap_or_default();
    let fresh = |meter: &Meter| -> Vec<Odd> {
        let fresh = meter.doubtful.iter().filter(|reading| !known.contains(&reading.stamp.entry));
        let odd = |reading: &MeterReading| {
            let unit =
                if meter.meter == meter.kind.meter_name() { words::unit(meter.kind) } else { meter.meter.as_str() };
            Odd {
                machine,
                meter: meter.meter.clone(),
                unit: unit.to_owned(),
                doubtful: reading.clone(),
                believed: meter.reading.clone(),
            }
        };
        fresh.map(odd).collect()
    };
    taken.odd = after.meters.iter().flat_map(fresh).collect();
    before.insert(machine, after);
    Ok(())
}

impl Done {
    fn taken(&self) -> usize {
        self.machines.iter().map(|one| one.taken.len()).sum()
    }

    fn one(&self, one: &One) -> Vec<Line> {
        let told = Teller { names: &self.names, now: &self.now };
        let report = &one.judged.report;
        let mut lines = match (one.judged.verdict, one.judged.machine) {
            (Verdict::Matched, Some(machine)) => {
                one.taken.iter().map(|taken| self.reading(machine, taken, &told)).collect()
            }
            (Verdict::NothingNew, Some(machine)) => {
                vec![Line::toned(Tone::Strong, self.names.machine(machine)).plain(" nothing new")]
            }
            (Verdict::Ambiguous, _) => {
                vec![Line::toned(Tone::Odd, format!("{}: several machines have that number", called(report)))]
            }
            _ => {
                let hint = report.serial.as_ref().or(report.pin.as_ref()).map(|serial| {
                    let hint = format!("pintle machine change NAME --serial {}", quoted(serial));
                    Line::toned(Tone::Faint, "> ").plain(hint).indented(2)
                });
                let line = Line::toned(Tone::Odd, format!("{}: no machine here", called(report)));
                [line].into_iter().chain(hint).collect()
            }
        };
        lines.extend(one.taken.iter().flat_map(|taken| &taken.odd).flat_map(|odd| self.odd(odd, &told)));
        let place =
            |fault: &Fault| fault.pointer.strip_prefix(report.place.as_str()).unwrap_or(&fault.pointer).to_owned();
        let matters = |fault: &&Fault| NOT_RECORDED.iter().all(|element| !place(fault).starts_with(element));
        lines.extend(report.faults.iter().filter(matters).map(|fault| {
            let place = place(fault);
            Line::toned(Tone::Odd, format!("left out: {}: {}", place.trim_start_matches('/'), fault.detail)).indented(2)
        }));
        lines
    }

    fn reading(&self, machine: MachineId, taken: &Taken, told: &Teller<'_>) -> Line {
        let reading = taken.fact.reading().map(|reading| words::reading(reading, taken.kind)).unwrap_or_default();
        let line = Line::toned(Tone::Strong, self.names.machine(machine))
            .plain(format!(" {reading}, {}", told.moment(&taken.at)));
        match self.recorded {
            Recorded::Yes => line.with(Tone::Faint, format!(" ({})", self.names.entry(taken.entry))),
            Recorded::Proposed => line,
        }
    }

    fn odd(&self, odd: &Odd, told: &Teller<'_>) -> Vec<Line> {
        let said = |reading: &MeterReading| {
            let who = match reading.source {
                Some(_) => "the transmitter says".to_owned(),
                None => format!("{} read", self.names.person(reading.stamp.by)),
            };
            format!("{who} {} {} ({})", reading.shown, odd.unit, told.moment(&reading.stamp.at))
        };
        let mut text = said(&odd.doubtful);
        if let Some(believed) = &odd.believed {
            text.push_str(&format!(", but {}", said(believed)));
        }
        let line = Line::toned(Tone::Strong, self.names.machine(odd.machine)).plain(" ");
        let line =
            line.with(Tone::Odd, format!("{text}: both cannot be true. The latter counts until one is corrected."));
        let hint = format!("pintle correct {} reading …", self.names.entry(odd.doubtful.stamp.entry));
        let hint = (self.recorded == Recorded::Yes).then(|| Line::toned(Tone::Faint, "> ").plain(hint).indented(2));
        [line].into_iter().chain(hint).collect()
    }
}

/// What the file calls a machine.
fn called(report: &Report) -> String {
    let names = [("", &report.equipment_id), ("serial ", &report.serial), ("PIN ", &report.pin)];
    let told: Vec<String> = names.iter().filter_map(|(what, name)| Some(format!("{what}{}", name.as_ref()?))).collect();
    if told.is_empty() { format!("a machine without a name ({})", report.place) } else { told.join(", ") }
}

impl Answer for Done {
    fn lines(&self) -> Vec<Line> {
        let readings = words::counted(self.taken() as u64, "reading", "readings");
        let machines = words::counted(self.machines.len() as u64, "machine", "machines");
        let verb = if self.recorded == Recorded::Yes { "recorded" } else { "to record" };
        let mut lines =
            vec![Line::toned(Tone::Strong, format!("{readings} {verb}")).plain(format!(", {machines} in the file"))];
        lines.extend(self.machines.iter().flat_map(|one| self.one(one)));
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        let told = Teller { names: &self.names, now: &self.now };
        self.machines
            .iter()
            .flat_map(|one| &one.taken)
            .flat_map(|t| &t.odd)
            .flat_map(|odd| self.odd(odd, &told))
            .collect()
    }

    fn json(&self) -> Value {
        let one = |one: &One| {
            let entry = |taken: &Taken| (self.recorded == Recorded::Yes).then(|| json!(taken.entry));
            let doubtful: Vec<Value> = one
                .taken
                .iter()
                .flat_map(|taken| &taken.odd)
                .map(|odd| json!({"meter": odd.meter, "doubtful": odd.doubtful, "believed": odd.believed}))
                .collect();
            json!({
                "verdict": one.judged.verdict,
                "machine": one.judged.machine,
                "report": one.judged.report,
                "proposals": one.judged.proposals,
                "entries": one.taken.iter().filter_map(entry).collect::<Vec<_>>(),
                "doubtful": doubtful,
            })
        };
        let machines: Vec<Value> = self.machines.iter().map(one).collect();
        let mut answer = json!({"recorded": self.recorded == Recorded::Yes, "machines": machines});
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}
