//! One meter of a machine, as the next reading of it is typed and judged.
//!
//! Promises: the first meter comes from the glance and costs nothing; another one is looked up in a fold, which only those
//! pay who name it. A meter that is named as what the first one counts is the first one. Never a meter taken for another:
//! a name that is not known yet is a new meter, and the answer says so.

use crate::glance;
use crate::problem::Problem;
use crate::store::{Glance, LastReading, Tx};
use pintle_core::book::{Meter, book};
use pintle_core::fact::MeterKind;
use pintle_core::fleet::folded;

/// A meter.
#[derive(Debug, Clone, PartialEq)]
pub struct Dial {
    /// Its name as entries have it; none for the first one.
    pub meter: Option<String>,
    /// What it counts.
    pub kind: MeterKind,
    /// What it showed last.
    pub last: Option<LastReading>,
    /// Whether the machine has had it before.
    pub known: bool,
}

impl Dial {
    /// The meter of a machine that a person means; without a name the first one.
    ///
    /// # Errors
    /// If the log cannot be read.
    pub fn of(tx: &Tx<'_>, glance: &Glance, named: Option<&str>) -> Result<Self, Problem> {
        let Some(named) = named.map(plain).filter(|named| named != glance.meter_kind.meter_name()) else {
            return Ok(Self { meter: None, kind: glance.meter_kind, last: glance.reading, known: true });
        };
        let (chief, entries) = glance::entries(tx, glance.id)?;
        let found = book(chief, &entries).meters.into_iter().skip(1).find(|m| folded(&m.meter) == folded(&named));
        Ok(match found {
            Some(Meter { meter, kind, reading, .. }) => {
                let believed = reading.map(|r| LastReading { reading: r.shown, at_s: r.stamp.at.second() });
                // A change says what the new meter showed, later than any reading of the old one.
                let fitted = glance::new_meter(&entries, Some(&meter));
                let last = fitted.filter(|new| believed.is_none_or(|last| last.at_s <= new.at_s)).or(believed);
                Self { meter: Some(meter), kind, last, known: true }
            }
            None => {
                let kind = named.parse().unwrap_or(MeterKind::Hours);
                Self { meter: Some(named), kind, last: None, known: false }
            }
        })
    }

    /// Its unit, or its name where the unit would not tell it from the first one.
    #[must_use]
    pub fn unit(&self) -> &str {
        self.meter.as_deref().unwrap_or(crate::ui::words::unit(self.kind))
    }
}

/// The name of a meter as entries have it: kinds by their own names, whatever people call them.
fn plain(named: &str) -> String {
    match named.trim().to_lowercase().as_str() {
        "h" | "hour" | "hours" => MeterKind::Hours.as_str().to_owned(),
        "km" | "kms" | "kilometre" | "kilometres" | "kilometer" | "kilometers" => {
            MeterKind::Kilometres.as_str().to_owned()
        }
        "cycle" | "cycles" => MeterKind::Cycles.as_str().to_owned(),
        _ => named.trim().to_owned(),
    }
}
