//! What is known of each machine at a glance, so that recording folds nothing.
//!
//! Promises: one row per machine; whoever writes one has made it true, see `crate::glance`. Never the source of truth:
//! every row can be computed again from the entries.

use super::{Col, Tx, damaged};
use crate::problem::Problem;
use pintle_core::decimal::Decimal;
use pintle_core::entry::EntryRef;
use pintle_core::fact::{MeterKind, Sign};
use pintle_core::fleet::folded;
use pintle_core::ids::MachineId;
use rusqlite::{Row, params};
use serde::{Deserialize, Serialize};

/// One machine at a glance. All of it but `own_count` follows from the entries.
#[derive(Debug, Clone, PartialEq)]
pub struct Glance {
    /// The machine.
    pub id: MachineId,
    /// What people call it; empty while nothing has told.
    pub name: String,
    /// What its first meter counts.
    pub meter_kind: MeterKind,
    /// The maker's serial number.
    pub serial: Option<String>,
    /// Where it works.
    pub site: Option<String>,
    /// Why it is no longer in use.
    pub retired: Option<String>,
    /// How many entries of this device are about it.
    pub own_count: u64,
    /// The reading that the next one of its first meter is judged by.
    pub reading: Option<LastReading>,
    /// How many findings are open.
    pub open_findings: u64,
    /// Why it must not be run.
    pub tagged_out: Vec<TaggedOut>,
    /// The machine under which its entries count, where people settled that the two are one.
    pub stands_for: Option<MachineId>,
    /// When its newest entry was made, in seconds since 1970.
    pub last_at_s: i64,
}

/// A reading of the first meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LastReading {
    /// What it showed.
    pub reading: Decimal,
    /// When, in seconds since 1970.
    pub at_s: i64,
}

/// An open finding because of which a machine must not be run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TaggedOut {
    /// The finding.
    pub entry: EntryRef,
    /// What was noticed.
    pub sign: Sign,
    /// Where.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<String>,
}

impl Glance {
    /// A machine of which nothing is known yet.
    #[must_use]
    pub fn unknown(id: MachineId) -> Self {
        Self {
            id,
            name: String::new(),
            meter_kind: MeterKind::Hours,
            serial: None,
            site: None,
            retired: None,
            own_count: 0,
            reading: None,
            open_findings: 0,
            tagged_out: Vec::new(),
            stands_for: None,
            last_at_s: 0,
        }
    }
}

const GLANCE: &str = "id, name, meter_kind, serial, site, retired, own_count, reading_milli, reading_at_s, \
                      open_findings, tagged_out, stands_for, last_at_s";

/// A glance but for two texts that the domain has yet to accept.
fn glance_row(r: &Row<'_>) -> rusqlite::Result<(Glance, String, String)> {
    let reading = match (r.get::<_, Option<i64>>(7)?, r.get::<_, Option<i64>>(8)?) {
        (Some(milli), Some(at_s)) => Some(LastReading { reading: Decimal::from_milli(milli), at_s }),
        _ => None,
    };
    let glance = Glance {
        name: r.get(1)?,
        serial: r.get(3)?,
        site: r.get(4)?,
        retired: r.get(5)?,
        own_count: r.get(6)?,
        reading,
        open_findings: r.get(9)?,
        stands_for: r.get::<_, Option<Col<_>>>(11)?.map(|c| c.0),
        last_at_s: r.get(12)?,
        ..Glance::unknown(r.get::<_, Col<_>>(0)?.0)
    };
    Ok((glance, r.get(2)?, r.get(10)?))
}

impl Tx<'_> {
    fn glance_of(&self, (glance, meter_kind, tagged_out): (Glance, String, String)) -> Result<Glance, Problem> {
        let refuse = |detail: String| damaged(self.path, "machine", &glance.id.to_string(), &detail);
        let meter_kind = meter_kind.parse().map_err(refuse)?;
        let tagged_out = serde_json::from_str(&tagged_out).map_err(|e| refuse(e.to_string()))?;
        Ok(Glance { meter_kind, tagged_out, ..glance })
    }

    fn glances(&self, clause: &str, values: impl rusqlite::Params) -> Result<Vec<Glance>, Problem> {
        let rows = self.all("read", &format!("SELECT {GLANCE} FROM machine {clause}"), values, glance_row)?;
        rows.into_iter().map(|row| self.glance_of(row)).collect()
    }

    /// One machine.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn machine(&self, id: MachineId) -> Result<Option<Glance>, Problem> {
        Ok(self.glances("WHERE id = ?", params![Col(id)])?.into_iter().next())
    }

    /// Machines of exactly this name, whatever its case.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn machines_named(&self, name: &str) -> Result<Vec<Glance>, Problem> {
        self.glances("WHERE folded = ? ORDER BY id", params![folded(name)])
    }

    /// Every machine, by name.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn machines(&self) -> Result<Vec<Glance>, Problem> {
        self.glances("ORDER BY folded, id", [])
    }

    /// Writes a machine's glance.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn set_machine(&self, glance: &Glance) -> Result<(), Problem> {
        let sql = format!(
            "INSERT OR REPLACE INTO machine ({GLANCE}, folded) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
        );
        // A list of plain texts and numbers always has a JSON form.
        let tagged_out = serde_json::to_string(&glance.tagged_out).unwrap_or_else(|_| "[]".into());
        let values = params![
            Col(glance.id),
            glance.name,
            glance.meter_kind.as_str(),
            glance.serial,
            glance.site,
            glance.retired,
            glance.own_count,
            glance.reading.map(|r| r.reading.milli),
            glance.reading.map(|r| r.at_s),
            glance.open_findings,
            tagged_out,
            glance.stands_for.map(Col),
            glance.last_at_s,
            folded(&glance.name),
        ];
        self.execute("record", &sql, values).map(|_| ())
    }
}
