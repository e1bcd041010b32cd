//! Telematics readings: what machines' own transmitters report, in the form of ISO 15143-3 (JSON and XML).
//!
//! Promises: pure, bounded, never a panic. A document that is none is one fault; a value that cannot be is a fault of its
//! machine, with its place, and the other values stand. Readings are proposed as `meter_read` entries with their source,
//! so that they stand beside what people read and may disagree with it; a person's device records them, in its own log.
//!
//! Never: a position of a machine in an entry; a value without a known time; fuel as a fill (the standard tells what was
//! burnt, not what was filled).

mod measure;
mod tree;

use crate::book::Book;
use crate::decimal::Decimal;
use crate::fact::{Fact, MeterKind, MeterRead, Reading, TELEMATICS, check_name};
use crate::fault::{Fault, code};
use crate::fleet::folded;
use crate::ids::MachineId;
use crate::limits::{CLOCK_OFF_MARKED_S, TELEMATICS_BYTES_MAX, TELEMATICS_MACHINES_MAX};
use crate::moment::Moment;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use tree::Node;

/// A value and when it was measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Amount {
    /// The value.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub value: Decimal,
    /// When; none if the feed does not know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, format = DateTime, nullable = false))]
    pub at: Option<Moment>,
}

/// Where a machine was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Location {
    /// Degrees north, in millionths.
    pub latitude_udeg: i64,
    /// Degrees east, in millionths.
    pub longitude_udeg: i64,
    /// When; none if the feed does not know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, format = DateTime, nullable = false))]
    pub at: Option<Moment>,
}

/// What a feed says about one machine.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Report {
    /// Its place in the document: `/Equipment/3`.
    pub place: String,
    /// The owner's name for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub equipment_id: Option<String>,
    /// The maker's serial number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub serial: Option<String>,
    /// Product identification number (ISO 10261).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub pin: Option<String>,
    /// Operating hours in its life.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub hours: Option<Amount>,
    /// Idle hours in its life.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub idle_hours: Option<Amount>,
    /// Kilometres in its life.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub km: Option<Amount>,
    /// Fuel used in its life, in litres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub fuel_litres: Option<Amount>,
    /// Where it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub location: Option<Location>,
    /// Values that cannot be, with their places; they are left out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Fault>,
}

/// Reads a document. JSON and XML are told apart by their first character.
///
/// # Errors
/// `payload-too-large`, `malformed-document`, `out-of-range` (more than [`TELEMATICS_MACHINES_MAX`] machines).
pub fn read(bytes: &[u8]) -> Result<Vec<Report>, Fault> {
    let malformed = |detail: &str| Fault::new(code::MALFORMED_DOCUMENT, "", detail);
    if bytes.len() > TELEMATICS_BYTES_MAX {
        return Err(Fault::new(code::PAYLOAD_TOO_LARGE, "", format!("at most {TELEMATICS_BYTES_MAX} bytes")));
    }
    let text = std::str::from_utf8(bytes).map_err(|_| malformed("the document is not UTF-8"))?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let root = if text.trim_start().starts_with('<') {
        let (name, root) = tree::xml(text)?;
        if name != "Fleet" {
            return Err(malformed("the document's element is not Fleet"));
        }
        // An element without children reads as its text: an empty fleet is one.
        if root == Node::Text(String::new()) { Node::Fields(Vec::new()) } else { root }
    } else {
        tree::json(text)?
    };
    reports(&root)
}

/// The machines of one page, or of several in a list.
fn reports(root: &Node) -> Result<Vec<Report>, Fault> {
    let pages: Vec<(String, &Node)> = match root {
        Node::List(pages) => pages.iter().enumerate().map(|(n, page)| (format!("/{n}"), page)).collect(),
        page => vec![(String::new(), page)],
    };
    let mut reports = Vec::new();
    for (at, page) in pages {
        let inner = page.all("Fleet");
        let (at, page) = if let [fleet] = inner.as_slice() { (format!("{at}/Fleet"), *fleet) } else { (at, page) };
        if !matches!(page, Node::Fields(_)) {
            return Err(Fault::new(code::MALFORMED_DOCUMENT, at, "a fleet has fields"));
        }
        for (n, equipment) in page.all("Equipment").into_iter().enumerate() {
            reports.push(report(format!("{at}/Equipment/{n}"), equipment));
            if reports.len() > TELEMATICS_MACHINES_MAX {
                let detail = format!("at most {TELEMATICS_MACHINES_MAX} machines");
                return Err(Fault::new(code::OUT_OF_RANGE, format!("{at}/Equipment"), detail));
            }
        }
    }
    Ok(reports)
}

fn report(place: String, equipment: &Node) -> Report {
    let mut r = Reader { place: place.clone(), equipment, faults: Vec::new() };
    let header = |field| r.name("EquipmentHeader", field);
    let [(equipment_id, a), (serial, b), (pin, c)] = ["EquipmentID", "SerialNumber", "PIN"].map(header);
    r.faults.extend([a, b, c].into_iter().flatten());
    Report {
        place,
        equipment_id,
        serial,
        pin,
        hours: r.amount("CumulativeOperatingHours", "Hour", None, |text, _| measure::hours(text)),
        idle_hours: r.amount("CumulativeIdleHours", "Hour", None, |text, _| measure::hours(text)),
        km: r.amount("Distance", "Odometer", Some("OdometerUnits"), measure::kilometres),
        fuel_litres: r.amount("FuelUsed", "FuelConsumed", Some("FuelUnits"), measure::litres),
        location: r.location(),
        faults: r.faults,
    }
}

/// Reads the values of one machine and collects what is wrong with them.
struct Reader<'a> {
    place: String,
    equipment: &'a Node,
    faults: Vec<Fault>,
}

impl<'a> Reader<'a> {
    fn fault(&mut self, code: &str, place: &str, detail: &str) {
        self.faults.push(Fault::new(code, format!("{}/{place}", self.place), detail));
    }

    /// The element, if it is there once.
    fn element(&mut self, name: &str) -> Option<&'a Node> {
        match self.equipment.all(name).as_slice() {
            [] => None,
            [one] => Some(one),
            _ => {
                self.fault(code::OUT_OF_RANGE, name, "it is there more than once");
                None
            }
        }
    }

    fn name(&self, element: &str, field: &str) -> (Option<String>, Option<Fault>) {
        let [header] = self.equipment.all(element)[..] else { return (None, None) };
        match header.text(field) {
            None => (None, None),
            Some(text) => match check_name(text) {
                Ok(()) => (Some(text.to_owned()), None),
                Err(fault) => (None, Some(fault.under(&format!("{}/{element}/{field}", self.place)))),
            },
        }
    }

    fn at(&mut self, name: &str, element: &Node) -> Option<Moment> {
        match measure::moment(element.text("datetime")?) {
            Ok(at) => at,
            Err(detail) => {
                self.fault(code::BAD_TIME, &format!("{name}/datetime"), detail);
                None
            }
        }
    }

    fn amount(
        &mut self,
        name: &str,
        field: &str,
        unit: Option<&str>,
        measure: impl Fn(&str, Option<&str>) -> Result<Decimal, &'static str>,
    ) -> Option<Amount> {
        let element = self.element(name)?;
        let text = element.text(field)?;
        match measure(text, unit.and_then(|unit| element.text(unit))) {
            Ok(value) => Some(Amount { value, at: self.at(name, element) }),
            Err(detail) => {
                self.fault(code::OUT_OF_RANGE, &format!("{name}/{field}"), detail);
                None
            }
        }
    }

    fn location(&mut self) -> Option<Location> {
        let element = self.element("Location")?;
        let mut angle = |field: &str, degrees_max| match measure::microdegrees(element.text(field)?, degrees_max) {
            Ok(angle) => Some(angle),
            Err(detail) => {
                self.fault(code::OUT_OF_RANGE, &format!("Location/{field}"), detail);
                None
            }
        };
        let (latitude, longitude) = (angle("Latitude", 90), angle("Longitude", 180));
        let at = self.at("Location", element);
        Some(Location { latitude_udeg: latitude?, longitude_udeg: longitude?, at })
    }
}

/// A machine that reports may be about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Candidate {
    /// The machine.
    pub machine: MachineId,
    /// Its serial number.
    pub serial: Option<String>,
    /// What its crew calls it.
    pub name: Option<String>,
    /// Its meters: name, what it counts, and the time of the newest reading by telematics, in seconds since 1970.
    pub meters: Vec<(String, MeterKind, Option<i64>)>,
}

impl Candidate {
    /// The machine of a book, if it has a serial number or a name.
    #[must_use]
    pub fn of(book: &Book) -> Option<Self> {
        let text = |name: &str| book.attributes.get(name).and_then(|said| said.value.as_str()).map(str::to_owned);
        let newest = |meter: &crate::book::Meter| meter.telematics.as_ref().map(|r| r.stamp.at.second());
        let meters = book.meters.iter().map(|meter| (meter.meter.clone(), meter.kind, newest(meter))).collect();
        let (serial, name) = (text("serial"), text("name"));
        (serial.is_some() || name.is_some()).then_some(Self { machine: book.machine, serial, name, meters })
    }
}

/// What became of a report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It is about a machine of ours, and there are readings to record.
    Matched,
    /// It is about a machine of ours, and holds no reading that is not recorded already.
    NothingNew,
    /// No machine has this serial number or name.
    Unmatched,
    /// Several machines have this serial number or name.
    Ambiguous,
}

/// An entry that a device may record: everything but who records it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Proposal {
    /// The machine.
    pub machine: MachineId,
    /// When the reading was taken.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = DateTime))]
    pub at: Moment,
    /// The kind of entry.
    pub kind: String,
    /// Its body.
    #[cfg_attr(feature = "schema", schema(value_type = Object))]
    pub body: Map<String, Value>,
}

/// A report and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Judged {
    /// What became of it.
    pub verdict: Verdict,
    /// The machine it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub machine: Option<MachineId>,
    /// What the feed says.
    pub report: Report,
    /// Entries to record.
    pub proposals: Vec<Proposal>,
}

/// Finds the machine of each report, by serial number without regard to case, else by product identification number,
/// else the owner's name for it, unless serial numbers speak against that; and what is to be recorded. A reading is
/// recorded once: what is not newer than the newest one by telematics is left out. A time after `now_s` (beyond five
/// minutes of grace) is a fault, lest it hide all that follow.
#[must_use]
pub fn judge(reports: Vec<Report>, candidates: &[Candidate], now_s: i64) -> Vec<Judged> {
    let known = Known::of(candidates);
    let mut newest: BTreeMap<(MachineId, String), i64> = BTreeMap::new();
    for candidate in candidates {
        for (meter, _, second) in &candidate.meters {
            second.map(|second| newest.insert((candidate.machine, meter.clone()), second));
        }
    }
    let one = |mut report: Report| {
        let (verdict, machine, proposals) = match known.named_by(&report)[..] {
            [] => (Verdict::Unmatched, None, Vec::new()),
            [candidate] => {
                let proposals = proposals(&mut report, candidate, &mut newest, now_s);
                let verdict = if proposals.is_empty() { Verdict::NothingNew } else { Verdict::Matched };
                (verdict, Some(candidate.machine), proposals)
            }
            _ => (Verdict::Ambiguous, None, Vec::new()),
        };
        Judged { verdict, machine, report, proposals }
    };
    reports.into_iter().map(one).collect()
}

/// Machines by what feeds call them.
struct Known<'a> {
    by_serial: BTreeMap<String, Vec<&'a Candidate>>,
    by_name: BTreeMap<String, Vec<&'a Candidate>>,
}

impl<'a> Known<'a> {
    fn of(candidates: &'a [Candidate]) -> Self {
        let mut known = Self { by_serial: BTreeMap::new(), by_name: BTreeMap::new() };
        for candidate in candidates {
            for (by, name) in [(&mut known.by_serial, &candidate.serial), (&mut known.by_name, &candidate.name)] {
                name.iter().for_each(|name| by.entry(folded(name)).or_default().push(candidate));
            }
        }
        known
    }

    fn named_by(&self, report: &Report) -> Vec<&'a Candidate> {
        let numbers = || [&report.serial, &report.pin].into_iter().flatten();
        if let Some(found) = numbers().find_map(|number| self.by_serial.get(&folded(number))) {
            return found.clone();
        }
        let named = report.equipment_id.as_ref().and_then(|name| self.by_name.get(&folded(name)));
        let mut named = named.cloned().unwrap_or_default();
        // A machine with another serial number is another machine, whatever it is called.
        named.retain(|candidate| candidate.serial.is_none() || numbers().next().is_none());
        named
    }
}

fn proposals(
    report: &mut Report,
    candidate: &Candidate,
    newest: &mut BTreeMap<(MachineId, String), i64>,
    now_s: i64,
) -> Vec<Proposal> {
    let mut proposals = Vec::new();
    let values = [
        ("CumulativeOperatingHours", MeterKind::Hours, report.hours.clone()),
        ("Distance", MeterKind::Kilometres, report.km.clone()),
    ];
    for (element, kind, amount) in values {
        let meter = candidate.meters.iter().position(|(_, counts, _)| *counts == kind);
        let Some((index, amount, at)) = meter.zip(amount).and_then(|(i, a)| Some((i, a.value, a.at?))) else {
            continue;
        };
        if at.second() > now_s.saturating_add(CLOCK_OFF_MARKED_S) {
            let place = format!("{}/{element}/datetime", report.place);
            report.faults.push(Fault::new(code::BAD_TIME, place, "the time has not come yet"));
            continue;
        }
        let name = &candidate.meters[index].0;
        let last = newest.entry((candidate.machine, name.clone())).or_insert(i64::MIN);
        if at.second() <= *last {
            continue;
        }
        *last = at.second();
        let meter = (index > 0).then(|| name.clone());
        let fact = Fact::MeterRead(MeterRead {
            source: Some(TELEMATICS.to_owned()),
            reading: Reading { reading: Some(amount), meter },
        });
        if let Some((kind, body)) = fact.write() {
            proposals.push(Proposal { machine: candidate.machine, at, kind: kind.to_owned(), body });
        }
    }
    proposals
}
