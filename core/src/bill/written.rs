//! What the office writes down: its own particulars, customers, sites, jobs, rates, decisions about single lines.
//!
//! Promises: each is the whole of it, written anew when something changes; what was written last counts, and what was
//! written before stays readable in the ledger with who wrote it. It stands in the office part of an entry, which crews
//! do not get.
//!
//! Never: a price without its currency, a decision without its reason.

use super::amount::{Amount, Rounding};
use super::calendar::{Currency, Day, TimeOfDay};
use super::document::{Adjustment, Document, Party, Tax};
use super::matter::Matter;
use crate::fact::{check_free_text, check_name};
use crate::fault::{Fault, code};
use crate::ids::{MachineId, OfficeId, Salt};
use crate::limits::LIST_ITEMS_MAX;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// Days in which a bill is to be paid, if the office says nothing.
pub const TERMS_DAYS_DEFAULT: u32 = 30;
/// Most days a customer may have: two years.
pub const TERMS_DAYS_MAX: u32 = 731;

/// Who sends the bills: the organisation itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Seller {
    /// Name, address, tax number.
    pub party: Party,
    /// What every number begins with: `2026-`. Each beginning counts from 1 by itself.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub number_prefix: String,
    /// Account the money goes to: an IBAN, or any other account number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub account: Option<String>,
    /// A sentence on every bill.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub note: Option<String>,
}

/// Who gets the bills.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Customer {
    /// Name, address, tax number.
    pub party: Party,
    /// Days in which a bill is to be paid.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub terms_days: Option<u32>,
    /// The list of rates that applies, unless the job names another.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub rates: Option<OfficeId>,
    /// What the customer wants to see on the bill: an order or cost centre.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub reference: Option<String>,
    /// Tax in place of the rates' own: exempt, reverse charge, outside scope.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub tax: Option<Tax>,
    /// Percent taken off every line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub discount_percent: Option<Amount>,
    /// No longer a customer: nothing new is billed.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub ended: bool,
}

/// Where work is done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Site {
    /// What people call it.
    pub name: String,
    /// Kilometres of one way there and back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub travel_km: Option<Amount>,
}

/// What is done for a customer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Job {
    /// What people call it.
    pub name: String,
    /// For whom.
    pub customer: OfficeId,
    /// Where.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub site: Option<OfficeId>,
    /// The list of rates, if not the customer's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub rates: Option<OfficeId>,
    /// Machines whose work belongs to it while it runs, where an entry does not name its job.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub machines: Vec<MachineId>,
    /// First day.
    pub from: Day,
    /// Last day; open without.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub until: Option<Day>,
}

/// What kind of thing a line is for; taxes may differ by it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum LineSort {
    /// Minutes of people.
    Labour,
    /// Parts and materials.
    Parts,
    /// Hours of a machine.
    MachineHours,
    /// Coming out at all.
    CallOut,
    /// The way there and back.
    Travel,
    /// What the office added.
    Other,
}

/// What an hour of someone costs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct LabourRate {
    /// What it is called on the bill: `mechanic`, `mechanic, evening`.
    pub name: String,
    /// Whose hours: the role of the device they were recorded on; anyone's without.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub role: Option<crate::permission::Role>,
    /// From what time of day; midnight without.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub from: Option<TimeOfDay>,
    /// Until what time of day; midnight without. Earlier than `from`: over midnight.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub until: Option<TimeOfDay>,
    /// Price of an hour.
    pub per_hour: Amount,
}

impl LabourRate {
    /// Whether it is for this role at this minute of the day.
    #[must_use]
    pub fn is_for(&self, role: Option<crate::permission::Role>, minute: u16) -> bool {
        if self.role.is_some() && self.role != role {
            return false;
        }
        let from = self.from.map_or(0, |time| time.minute);
        let until = self.until.map_or(super::calendar::DAY_MINUTES, |time| time.minute);
        if from < until { (from..until).contains(&minute) } else { minute >= from || minute < until }
    }
}

/// What an hour of a machine costs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct MachineRate {
    /// Which machine; any other without.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub machine: Option<MachineId>,
    /// Price of an hour.
    pub per_hour: Amount,
}

/// What a part or material costs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PartPrice {
    /// Its name, as it is recorded.
    pub name: String,
    /// UN/ECE Recommendation 20 code of what the price is for: `EA`, `KGM`, `LTR`.
    pub unit: String,
    /// What the customer pays; or
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub price: Option<Amount>,
    /// what it cost, to which the markup is added.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub cost: Option<Amount>,
}

/// A list of rates, valid from a day until the next of its id.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct RateCard {
    /// What people call it.
    pub name: String,
    /// First day it is valid on.
    pub from: Day,
    /// Currency of everything on it.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub currency: Currency,
    /// How halves are rounded.
    #[serde(default)]
    pub rounding: Rounding,
    /// Hours of people; the first that fits counts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub labour: Vec<LabourRate>,
    /// For coming out, once for each job and day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub call_out: Option<Amount>,
    /// For a kilometre of travel, once for each job and day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub travel_per_km: Option<Amount>,
    /// Hours of machines; the first that fits counts. None: shifts are not billed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub machines: Vec<MachineRate>,
    /// Parts and materials by name.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<PartPrice>,
    /// Percent added to what a part cost.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub markup_percent: Option<Amount>,
    /// Least sum of a bill, without tax: what is missing to it is charged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub minimum: Option<Amount>,
    /// The tax of everything that has none of its own.
    pub tax: Tax,
    /// Taxes of single sorts of line.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    #[cfg_attr(feature = "schema", schema(value_type = std::collections::HashMap<String, Tax>))]
    pub taxes: BTreeMap<LineSort, Tax>,
}

/// A line as the office wants it in place of what was proposed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct WantedLine {
    /// What it says on the bill; what was proposed, without.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub words: Option<String>,
    /// What is added to that: `…, mechanic rate: agreed by phone`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub remark: Option<String>,
    /// How much, in the proposed unit.
    pub quantity: Amount,
    /// Price in place of the proposed one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub price: Option<Amount>,
    /// Taken off or added.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub adjustments: Vec<Adjustment>,
}

/// A decision about proposed lines of one matter: adjusted (one line), split (several), waived (none).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct LineDecision {
    /// What the lines are for.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub matter: Matter,
    /// Which of its lines: `labour: mechanic`, `part: fitting M10x1`.
    pub part: String,
    /// What is billed in place of it; nothing: waived. Absent: as proposed again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub lines: Option<Vec<WantedLine>>,
    /// Why.
    pub why: String,
}

/// What the office wrote in one entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Written {
    /// Its own particulars.
    Seller(Seller),
    /// A customer.
    Customer {
        /// Which: 16 random bytes, made by whoever writes it first.
        id: OfficeId,
        /// The whole of it.
        value: Customer,
    },
    /// A site.
    Site {
        /// Which: 16 random bytes, made by whoever writes it first.
        id: OfficeId,
        /// The whole of it.
        value: Site,
    },
    /// A job.
    Job {
        /// Which: 16 random bytes, made by whoever writes it first.
        id: OfficeId,
        /// The whole of it.
        value: Job,
    },
    /// A list of rates.
    Rates {
        /// Which: 16 random bytes, made by whoever writes it first.
        id: OfficeId,
        /// The whole of it.
        value: RateCard,
    },
    /// A decision about a line.
    Line(LineDecision),
}

/// The part of an entry that crews do not get.
pub type OfficePart = Map<String, Value>;

/// Largest text of one thing the office writes, in bytes: a list of rates with 200 parts has some 18 KB, and an entry 32.
pub const WRITTEN_BYTES_MAX: usize = 24 * 1024;

/// The office part of the entry that says what was written.
///
/// # Errors
/// As [`Written::check`]; `out-of-range` if it is too large for one entry.
pub fn office_part(written: &Written, salt: Salt) -> Result<OfficePart, Fault> {
    written.check()?;
    let value = serde_json::to_value(written).map_err(|e| Fault::new(code::MALFORMED_ENTRY, "", e.to_string()))?;
    if crate::canonical::bytes(&value).len() > WRITTEN_BYTES_MAX {
        let detail = format!("at most {WRITTEN_BYTES_MAX} bytes: write several lists of rates");
        return Err(Fault::new(code::OUT_OF_RANGE, "", detail));
    }
    Ok(Map::from_iter([("salt".to_owned(), json!(salt)), ("written".to_owned(), value)]))
}

/// The office part of the entry that says which job entries belong to.
#[must_use]
pub fn job_part(job: OfficeId, salt: Salt) -> OfficePart {
    Map::from_iter([("salt".to_owned(), json!(salt)), ("job".to_owned(), json!(job))])
}

/// The office part of the entry that says what was issued: enough to know the document again, and to prove it.
///
/// # Errors
/// If the document cannot be written, which its types do not allow.
pub fn issued_part(document: &Document, salt: Salt) -> Result<OfficePart, Fault> {
    let said = json!({
        "salt": salt,
        "number": document.number,
        "sort": document.sort,
        "issued": document.issued,
        "customer": document.customer,
        "currency": document.currency,
        "payable": document.totals.payable,
        "digest": document.digest()?,
    });
    match said {
        Value::Object(map) => Ok(map),
        _ => Ok(Map::new()),
    }
}

fn at(pointer: &str, result: Result<(), Fault>) -> Result<(), Fault> {
    result.map_err(|fault| fault.under(pointer))
}

fn name(pointer: &str, text: &str) -> Result<(), Fault> {
    at(pointer, check_name(text))
}

fn name_if(pointer: &str, text: Option<&str>) -> Result<(), Fault> {
    text.map_or(Ok(()), |text| name(pointer, text))
}

fn not_below_zero(pointer: &str, amount: Option<Amount>) -> Result<(), Fault> {
    match amount {
        Some(amount) if amount.is_negative() => Err(Fault::new(code::OUT_OF_RANGE, pointer, "not below zero")),
        _ => Ok(()),
    }
}

fn at_most(pointer: &str, items: usize) -> Result<(), Fault> {
    if items > LIST_ITEMS_MAX {
        return Err(Fault::new(code::OUT_OF_RANGE, pointer, format!("at most {LIST_ITEMS_MAX} items")));
    }
    Ok(())
}

impl Written {
    /// Whether it may be written down.
    ///
    /// # Errors
    /// A fault with its place: texts, ranges, units, taxes.
    pub fn check(&self) -> Result<(), Fault> {
        match self {
            Written::Seller(seller) => seller.check(),
            Written::Customer { value: customer, .. } => customer.check(),
            Written::Site { value: site, .. } => {
                name("/name", &site.name)?;
                not_below_zero("/travel_km", site.travel_km)
            }
            Written::Job { value: job, .. } => job.check(),
            Written::Rates { value: rates, .. } => rates.check(),
            Written::Line(line) => line.check(),
        }
    }
}

impl Seller {
    fn check(&self) -> Result<(), Fault> {
        at("/party", self.party.check())?;
        let plain = |c: char| c.is_ascii_alphanumeric() || "-/.".contains(c);
        let prefix = &self.number_prefix;
        // After a digit nobody could tell where the beginning ends: two beginnings might make one number.
        if prefix.chars().count() > 12 || !prefix.chars().all(plain) || prefix.ends_with(|c: char| c.is_ascii_digit()) {
            let detail = "at most 12 letters, digits, -, / and ., not ending in a digit";
            return Err(Fault::new(code::OUT_OF_RANGE, "/number_prefix", detail));
        }
        name_if("/account", self.account.as_deref())?;
        at("/note", self.note.as_deref().map_or(Ok(()), check_free_text))
    }
}

impl Customer {
    fn check(&self) -> Result<(), Fault> {
        at("/party", self.party.check())?;
        name_if("/reference", self.reference.as_deref())?;
        not_below_zero("/discount_percent", self.discount_percent)?;
        if self.discount_percent.is_some_and(|percent| Amount::whole(100).is_ok_and(|most| percent > most)) {
            return Err(Fault::new(code::OUT_OF_RANGE, "/discount_percent", "0 to 100"));
        }
        if self.terms_days.is_some_and(|days| days > TERMS_DAYS_MAX) {
            return Err(Fault::new(code::OUT_OF_RANGE, "/terms_days", format!("0 to {TERMS_DAYS_MAX} days")));
        }
        self.tax.as_ref().map_or(Ok(()), |tax| at("/tax", tax.check()))
    }
}

impl Job {
    fn check(&self) -> Result<(), Fault> {
        name("/name", &self.name)?;
        at_most("/machines", self.machines.len())?;
        if self.until.is_some_and(|until| until < self.from) {
            return Err(Fault::new(code::OUT_OF_RANGE, "/until", "not before its first day"));
        }
        Ok(())
    }
}

impl RateCard {
    fn check(&self) -> Result<(), Fault> {
        name("/name", &self.name)?;
        at("/tax", self.tax.check())?;
        for (sort, tax) in &self.taxes {
            let sort = serde_json::to_value(sort).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default();
            at(&format!("/taxes/{sort}"), tax.check())?;
        }
        for (pointer, count) in
            [("/labour", self.labour.len()), ("/machines", self.machines.len()), ("/parts", self.parts.len())]
        {
            at_most(pointer, count)?;
        }
        for (pointer, amount) in [
            ("/call_out", self.call_out),
            ("/travel_per_km", self.travel_per_km),
            ("/markup_percent", self.markup_percent),
            ("/minimum", self.minimum),
        ] {
            not_below_zero(pointer, amount)?;
        }
        for (index, rate) in self.labour.iter().enumerate() {
            name(&format!("/labour/{index}/name"), &rate.name)?;
            not_below_zero(&format!("/labour/{index}/per_hour"), Some(rate.per_hour))?;
        }
        for (index, rate) in self.machines.iter().enumerate() {
            not_below_zero(&format!("/machines/{index}/per_hour"), Some(rate.per_hour))?;
        }
        for (index, part) in self.parts.iter().enumerate() {
            let place = format!("/parts/{index}");
            name(&format!("{place}/name"), &part.name)?;
            at(&format!("{place}/unit"), super::unit::check(&part.unit))?;
            not_below_zero(&format!("{place}/price"), part.price)?;
            not_below_zero(&format!("{place}/cost"), part.cost)?;
            if part.price.is_some() == part.cost.is_some() {
                return Err(Fault::new(code::OUT_OF_RANGE, place, "a part has either a price or a cost"));
            }
        }
        Ok(())
    }
}

impl LineDecision {
    fn check(&self) -> Result<(), Fault> {
        name("/part", &self.part)?;
        name("/why", &self.why)?;
        let lines = self.lines.as_deref().unwrap_or_default();
        at_most("/lines", lines.len())?;
        for (index, line) in lines.iter().enumerate() {
            let place = format!("/lines/{index}");
            at(&format!("{place}/words"), line.words.as_deref().map_or(Ok(()), check_free_text))?;
            name_if(&format!("{place}/remark"), line.remark.as_deref())?;
            not_below_zero(&format!("{place}/price"), line.price)?;
            at_most(&format!("{place}/adjustments"), line.adjustments.len())?;
            for (n, adjustment) in line.adjustments.iter().enumerate() {
                at(&format!("{place}/adjustments/{n}"), adjustment.check())?;
            }
        }
        Ok(())
    }
}
