//! `pintle meter`: what the meters of a machine tell; or that one was replaced or rolled over.
//!
//! Promises: old and new reading of a change stand together in one entry, so that the machine's hours never jump. The page
//! shows each meter with its use per day and how sure that is, what a transmitter says, and what is doubtful with what to
//! type. Never computes: that is the fold's.

use super::answer::hazards;
use super::telling::{self, Teller};
use super::{Here, words};
use crate::ambient::Wall;
use crate::asked;
use crate::dial::Dial;
use crate::glance;
use crate::names::{self, Names};
use crate::problem::{Code, Problem};
use crate::record::Saying;
use crate::store::{Glance, Tx};
use crate::ui::{Answer, Line, Tone, words as wording};
use pintle_core::book::{Book, Meter as Told, book};
use pintle_core::fact::{Fact, MeterChange, MeterChanged};
use pintle_core::meter::{RATE_DAYS_MIN, RATE_READINGS_MIN};
use serde_json::{Value, json};

/// The meters of a machine; or one was replaced
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Shown:   pintle meter EX3
Changed: pintle meter EX3 --old 9999.8 --new 0
           --why \"rolled over\"
A reading: pintle read EX3 4127.5")]
pub struct Meter {
    /// Which machine
    machine: Option<String>,
    /// What the old one showed last
    #[arg(long, value_name = "READING")]
    old: Option<String>,
    /// What the new one shows
    #[arg(long, value_name = "READING")]
    new: Option<String>,
    /// replaced, or "rolled over"
    #[arg(long, value_name = "REASON")]
    why: Option<String>,
    /// Another meter than the first: km, hammer
    #[arg(long, value_name = "METER")]
    meter: Option<String>,
}

/// Shows them, or records a change.
pub(super) fn run(args: &Meter, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let (Some(old), Some(new), Some(why)) = (&args.old, &args.new, &args.why) else {
        if args.old.is_some() || args.new.is_some() || args.why.is_some() {
            let sentence = "a change of meter takes what the old one showed, what the new one shows, and why";
            return Err(
                Problem::new(Code::UnclearWords, sentence).hint("pintle meter EX3 --old 8431.5 --new 0 --why replaced")
            );
        }
        let now = here.ambient.wall();
        return here.answer(|tx| page(args, tx, now));
    };
    let reason = asked::meter_change(why)?;
    here.record(|recording| {
        let machine = recording.machine_first(&mut words(std::slice::from_ref(&args.machine)), |_| false)?;
        let dial = Dial::of(recording.tx, &machine, args.meter.as_deref())?;
        let fact = Fact::MeterChanged(change(old, new, reason, &machine, dial)?);
        recording.say(Saying::about(machine.id, fact))
    })
}

fn change(old: &str, new: &str, reason: MeterChange, machine: &Glance, dial: Dial) -> Result<MeterChanged, Problem> {
    Ok(MeterChanged {
        old_reading: asked::reading(old, &machine.name, dial.last)?,
        new_reading: asked::reading(new, &machine.name, None)?,
        meter: dial.meter,
        reason,
    })
}

struct Page {
    machine: Glance,
    book: Book,
    only: Option<String>,
    names: Names,
    now: Wall,
}

fn page(args: &Meter, tx: &Tx<'_>, now: Wall) -> Result<Page, Problem> {
    let machine = match &args.machine {
        Some(name) => names::machine(tx, name)?,
        None => names::last_machine(tx, &tx.own()?)?,
    };
    let only = match &args.meter {
        Some(name) => {
            Some(Dial::of(tx, &machine, Some(name))?.meter.unwrap_or(machine.meter_kind.meter_name().to_owned()))
        }
        None => None,
    };
    let (chief, entries) = glance::entries(tx, machine.id)?;
    Ok(Page { book: book(chief, &entries), machine, only, names: Names::load(tx)?, now })
}

impl Page {
    fn meters(&self) -> impl Iterator<Item = (usize, &Told)> {
        self.book.meters.iter().enumerate().filter(|(_, m)| self.only.as_ref().is_none_or(|only| *only == m.meter))
    }

    fn one(&self, index: usize, meter: &Told) -> Vec<Line> {
        let told = Teller { names: &self.names, now: &self.now };
        let mut lines = telling::meter(index, meter, &told);
        let unit = if index == 0 { wording::unit(meter.kind) } else { &meter.meter };
        if meter.rate.is_none() {
            let text = format!("use per day: told by {RATE_READINGS_MIN} readings on {RATE_DAYS_MIN} days");
            lines.push(Line::toned(Tone::Faint, text).indented(2));
            let assumed = self.book.plan_in_force().use_per_day.filter(|_| index == 0);
            lines.extend(assumed.map(|day| Line::of(format!("{day} {unit} a day by the plan")).indented(2)));
        }
        if meter.changes > 0 {
            let changes = wording::counted(meter.changes, "time", "times");
            lines.push(Line::of(format!("changed or rolled over {changes}")).indented(2));
        }
        if let Some(said) = meter.telematics.as_ref().filter(|said| meter.reading.as_ref() != Some(said)) {
            let at = told.moment(&said.stamp.at);
            lines.push(Line::of(format!("transmitter: {} {unit}, {at}", said.shown)).indented(2));
        }
        for doubtful in &meter.doubtful {
            let hint = format!("pintle correct {} reading …", self.names.entry(doubtful.stamp.entry));
            lines.push(Line::toned(Tone::Faint, "> ").plain(hint).indented(2));
        }
        lines
    }
}

impl Answer for Page {
    fn lines(&self) -> Vec<Line> {
        let mut lines = self.warnings();
        lines.push(Line::toned(Tone::Strong, &self.machine.name));
        lines.extend(self.meters().flat_map(|(index, meter)| self.one(index, meter)));
        if self.meters().next().is_none() {
            lines.push(Line::of(format!("no {} here", self.only.as_deref().unwrap_or("meter"))));
        }
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        hazards(&self.machine, &self.names)
    }

    fn json(&self) -> Value {
        let meters: Vec<&Told> = self.meters().map(|(_, meter)| meter).collect();
        let mut answer = json!({
            "machine": {"id": self.machine.id, "name": self.machine.name}, "meters": meters,
            "use_per_day_by_plan": self.book.plan_in_force().use_per_day,
        });
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}
