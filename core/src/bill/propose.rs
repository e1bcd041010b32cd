//! From work to lines with prices and reasons.
//!
//! Promises: each piece of work in the asked period becomes lines, or is named among what is not billed, with why:
//! nothing is passed over silently. Each line says in words what it is for, whose hours, at which rate, from which entry.
//! The office's decisions are applied, and shown.
//!
//! Never: a guess at a price. Without one the line waits until the office says one.

use super::amount::Amount;
use super::calendar::{DAY_MINUTES, Day};
use super::document::{Adjustment, Line, Source, Tax, Way};
use super::matter::Matter;
use super::trade::Trade;
use super::unit;
use super::work::{Hours, What, Work, Works};
use super::written::{Customer, Job, LabourRate, LineSort, RateCard};
use crate::book::Stamp;
use crate::entry::EntryRef;
use crate::fact::Material;
use crate::fault::Fault;
use crate::fleet::folded;
use crate::ids::{ClashId, DeviceId, MachineId, OfficeId};
use crate::moment::Moment;
use crate::permission::Role;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// What people call things, and what a device's person is.
#[derive(Debug, Clone, Default)]
pub struct Names {
    /// Short names of devices.
    pub marks: BTreeMap<DeviceId, String>,
    /// Names of machines.
    pub machines: BTreeMap<MachineId, String>,
    /// Roles of devices.
    pub roles: BTreeMap<DeviceId, Role>,
}

impl Names {
    fn entry(&self, entry: EntryRef) -> String {
        match self.marks.get(&entry.device) {
            Some(mark) => format!("{mark}-{}", entry.seq),
            None => format!("?-{}", entry.seq),
        }
    }

    fn machine(&self, machine: MachineId) -> &str {
        self.machines.get(&machine).map_or("a machine without a name", String::as_str)
    }
}

/// What is to be billed.
#[derive(Debug, Clone)]
pub struct Ask {
    /// First day.
    pub from: Day,
    /// Last day.
    pub until: Day,
    /// One customer only.
    pub customer: Option<OfficeId>,
    /// One job only.
    pub job: Option<OfficeId>,
    /// One machine only.
    pub machine: Option<MachineId>,
}

/// A proposed line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Proposed {
    /// For whom.
    pub customer: OfficeId,
    /// For which job.
    pub job: OfficeId,
    /// On which machine; none for coming out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub machine: Option<MachineId>,
    /// What kind of thing it is for.
    pub sort: LineSort,
    /// The line.
    pub line: Line,
}

/// Why something is not billed. Nothing is billed by guessing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Why {
    /// No job covers it.
    NoJob,
    /// More than one job covers it.
    SeveralJobs,
    /// There is no such job or customer any more.
    JobUnknown,
    /// The customer is no longer one.
    CustomerEnded,
    /// No list of rates is valid on that day.
    NoRates,
    /// The list of rates has no price for it.
    NoPrice,
    /// The meter was not read at both ends of the shift.
    NoReading,
    /// No minutes were recorded.
    NoMinutes,
    /// The office waived it.
    Waived,
    /// An amount does not fit.
    TooLarge,
}

/// Something that was worked and is not billed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Unbilled {
    /// What it is for.
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub matter: Matter,
    /// Which of its lines; empty for all of it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub part: String,
    /// The customer, where one is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub customer: Option<OfficeId>,
    /// The machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub machine: Option<MachineId>,
    /// The day.
    pub day: Day,
    /// Why.
    pub why: Why,
    /// In words.
    pub words: String,
    /// Who decided so, and when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(nullable = false))]
    pub decided: Option<Stamp>,
}

/// Everything that could be billed, and everything that could not.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Proposal {
    /// Lines, by customer, then day.
    pub lines: Vec<Proposed>,
    /// What is not billed, and why.
    pub unbilled: Vec<Unbilled>,
    /// Entries that are no work, by kind.
    pub others: BTreeMap<String, u64>,
}

impl Proposal {
    /// Without lines for those who are customers no longer: they are named among what is not billed. What was billed to
    /// them before stands, so this is for new bills only.
    #[must_use]
    pub fn for_customers_only(mut self, trade: &Trade) -> Self {
        let ended = |customer| trade.customers.get(&customer).is_some_and(|known| known.value.ended);
        let (out, lines): (Vec<_>, Vec<_>) = self.lines.into_iter().partition(|line| ended(line.customer));
        self.lines = lines;
        let unbilled = |proposed: Proposed| {
            let source = proposed.line.source?;
            Some(Unbilled {
                matter: source.matter,
                part: source.part,
                customer: Some(proposed.customer),
                machine: proposed.machine,
                day: proposed.line.day?,
                why: Why::CustomerEnded,
                words: proposed.line.words,
                decided: None,
            })
        };
        self.unbilled.extend(out.into_iter().filter_map(unbilled));
        self
    }
}

/// Lines for the work on many machines.
#[must_use]
pub fn propose(works: &BTreeMap<MachineId, Works>, trade: &Trade, names: &Names, ask: &Ask) -> Proposal {
    let by_machine = jobs_by_machine(trade);
    let mut proposal = Proposal::default();
    let mut first_of: BTreeMap<(OfficeId, Day), &Work> = BTreeMap::new();
    for (machine, found) in works {
        if ask.machine.is_some_and(|asked| asked != *machine) {
            continue;
        }
        for (kind, count) in &found.others {
            *proposal.others.entry(kind.clone()).or_default() += count;
        }
        for work in &found.works {
            let day = Day::of(&work.at);
            if day < ask.from || day > ask.until {
                continue;
            }
            let bench = Bench { trade, names, work, day };
            let Some(told) = bench.place(&by_machine, ask) else { continue };
            match told {
                Ok(place) => {
                    if matches!(work.what, What::Labour { .. }) {
                        let first = first_of.entry((place.job_id, day)).or_insert(work);
                        if (work.at.second(), work.entry) < (first.at.second(), first.entry) {
                            *first = work;
                        }
                    }
                    bench.lines(&place, &mut proposal);
                }
                Err(unbilled) => proposal.unbilled.push(*unbilled),
            }
        }
    }
    for ((job_id, day), work) in first_of {
        let bench = Bench { trade, names, work, day };
        if let Ok(place) = bench.at(job_id) {
            bench.visit(&place, &mut proposal);
        }
    }
    // The order of a bill: by customer and day, then as the work went.
    proposal.lines.sort_by(|a, b| {
        let key =
            |p: &Proposed| (p.customer, p.line.day, p.job, p.line.source.as_ref().map(|s| (s.matter, s.part.clone())));
        key(a).cmp(&key(b))
    });
    proposal.unbilled.sort_by(|a, b| (a.day, a.matter, &a.part).cmp(&(b.day, b.matter, &b.part)));
    proposal
}

/// Jobs that cover machines.
fn jobs_by_machine(trade: &Trade) -> BTreeMap<MachineId, Vec<OfficeId>> {
    let mut jobs: BTreeMap<MachineId, Vec<OfficeId>> = BTreeMap::new();
    for (id, job) in &trade.jobs {
        for machine in job.value.machines.iter().collect::<BTreeSet<_>>() {
            jobs.entry(*machine).or_default().push(*id);
        }
    }
    jobs
}

/// For whom a piece of work is, and at what rates.
struct Place<'a> {
    job_id: OfficeId,
    job: &'a Job,
    customer: &'a Customer,
    card: &'a RateCard,
}

/// One piece of work with all that is needed to price it.
struct Bench<'a> {
    trade: &'a Trade,
    names: &'a Names,
    work: &'a Work,
    day: Day,
}

impl<'a> Bench<'a> {
    /// Where the work belongs; none if that is not asked for.
    fn place(&self, jobs: &BTreeMap<MachineId, Vec<OfficeId>>, ask: &Ask) -> Option<Result<Place<'a>, Box<Unbilled>>> {
        let job_id = match self.work.job {
            Some(job) => job,
            None => {
                let here = jobs.get(&self.work.machine).map(Vec::as_slice).unwrap_or_default();
                let runs = |id: &&OfficeId| {
                    let job = self.trade.jobs.get(id).map(|job| &job.value);
                    job.is_some_and(|job| job.from <= self.day && job.until.is_none_or(|until| self.day <= until))
                };
                let running: Vec<&OfficeId> = here.iter().filter(runs).collect();
                match running.as_slice() {
                    [one] => **one,
                    // Without a job there is no customer: shown whenever no single one is asked for.
                    _ if ask.customer.is_some() || ask.job.is_some() => return None,
                    [] => return Some(Err(Box::new(self.unbilled("", Why::NoJob, None, self.words())))),
                    _ => return Some(Err(Box::new(self.unbilled("", Why::SeveralJobs, None, self.words())))),
                }
            }
        };
        let customer = self.trade.jobs.get(&job_id).map(|job| job.value.customer);
        let asked = ask.job.is_none_or(|job| job == job_id) && ask.customer.is_none_or(|c| Some(c) == customer);
        asked.then(|| self.at(job_id))
    }

    fn at(&self, job_id: OfficeId) -> Result<Place<'a>, Box<Unbilled>> {
        let unknown = || Box::new(self.unbilled("", Why::JobUnknown, None, self.words()));
        let job = &self.trade.jobs.get(&job_id).ok_or_else(unknown)?.value;
        let customer = &self.trade.customers.get(&job.customer).ok_or_else(unknown)?.value;
        let card = self.trade.rates_of(job, self.day);
        let card = card.ok_or_else(|| Box::new(self.unbilled("", Why::NoRates, Some(job.customer), self.words())))?;
        Ok(Place { job_id, job, customer, card })
    }

    fn words(&self) -> String {
        let (machine, entry) = (self.names.machine(self.work.machine), self.names.entry(self.work.entry));
        match &self.work.what {
            What::Labour { name, .. } => format!("{name} of {machine} ({entry})"),
            What::Shift(_) => format!("shift of {machine} ({entry})"),
        }
    }

    fn unbilled(&self, part: &str, why: Why, customer: Option<OfficeId>, words: String) -> Unbilled {
        Unbilled {
            matter: Matter::Entry(self.work.entry),
            part: part.to_owned(),
            customer,
            machine: Some(self.work.machine),
            day: self.day,
            why,
            words,
            decided: None,
        }
    }

    fn lines(&self, place: &Place<'_>, proposal: &mut Proposal) {
        match &self.work.what {
            What::Labour { minutes, used, .. } => {
                match minutes {
                    Some(0) => {}
                    Some(minutes) => self.labour(*minutes, place, proposal),
                    None if used.is_empty() => {
                        let words = format!("{}, without minutes", self.words());
                        proposal.unbilled.push(self.unbilled("", Why::NoMinutes, Some(place.job.customer), words));
                    }
                    None => {}
                }
                self.used(used, place, proposal);
            }
            What::Shift(hours) => self.shift(*hours, place, proposal),
        }
    }

    /// Minutes of work, by the rates of the times of day they fell into: the entry's time is when the work ended.
    fn labour(&self, minutes: i64, place: &Place<'_>, proposal: &mut Proposal) {
        let role = self.names.roles.get(&self.work.entry.device).copied();
        for (rate, minutes) in minutes_by_rate(&place.card.labour, role, &self.work.at, minutes) {
            let spent = duration(minutes);
            match rate {
                Some(rate) => {
                    let words = format!("{spent} labour, {}, {} rate", self.words(), rate.name);
                    let draft = DraftLine {
                        part: format!("labour: {}", rate.name),
                        sort: LineSort::Labour,
                        words,
                        quantity: Amount::whole(minutes),
                        unit: "MIN",
                        price: rate.per_hour,
                        base: unit::base("MIN", "HUR").unwrap_or(Amount::ONE),
                    };
                    self.put(draft, Matter::Entry(self.work.entry), self.work.clash, place, proposal);
                }
                None => {
                    let who = role.map_or("anyone", Role::as_str);
                    let words = format!("{spent} labour, {}: no rate for {who} at that time of day", self.words());
                    proposal.unbilled.push(self.unbilled("labour", Why::NoPrice, Some(place.job.customer), words));
                }
            }
        }
    }

    fn used(&self, used: &[Material], place: &Place<'_>, proposal: &mut Proposal) {
        let mut seen: BTreeMap<String, u32> = BTreeMap::new();
        for material in used {
            // Two of one name in one entry are two lines.
            let count = seen.entry(material.name.clone()).and_modify(|n| *n += 1).or_insert(1);
            let part = match count {
                1 => format!("part: {}", material.name),
                n => format!("part: {} #{n}", material.name),
            };
            let amount = material.amount.map_or(Ok(Amount::ONE), |amount| Amount::from_milli(amount.milli));
            let recorded = unit::of_words(material.unit.as_deref());
            let shown = amount.clone().unwrap_or_default();
            let written = recorded.map_or(material.unit.clone().unwrap_or_default(), |u| unit::in_words(u).to_owned());
            let words = format!("{shown} {written} {}, {}", material.name, self.words());
            match price_of(place.card, &material.name, recorded) {
                Some((price, unit, base)) => {
                    let draft = DraftLine { part, sort: LineSort::Parts, words, quantity: amount, unit, price, base };
                    self.put(draft, Matter::Entry(self.work.entry), self.work.clash, place, proposal);
                }
                None => {
                    let customer = Some(place.job.customer);
                    match self.decided_without_price(&part, &words, amount, recorded, place) {
                        Some(lines) => proposal.lines.extend(lines),
                        None => proposal.unbilled.push(self.unbilled(&part, Why::NoPrice, customer, words)),
                    }
                }
            }
        }
    }

    /// Lines of something without a price on the card, where the office has said what it costs.
    fn decided_without_price(
        &self,
        part: &str,
        words: &str,
        quantity: Result<Amount, Fault>,
        recorded: Option<&'static str>,
        place: &Place<'_>,
    ) -> Option<Vec<Proposed>> {
        let matter = Matter::Entry(self.work.entry);
        let decided = self.trade.decisions.get(&(matter, part.to_owned()))?;
        let lines = decided.value.lines.as_ref().filter(|lines| !lines.is_empty())?;
        if lines.iter().any(|line| line.price.is_none()) {
            return None;
        }
        let draft = DraftLine {
            part: part.to_owned(),
            sort: LineSort::Parts,
            words: words.to_owned(),
            quantity,
            unit: recorded.unwrap_or("C62"),
            price: Amount::ZERO,
            base: Amount::ONE,
        };
        let mut found = Proposal::default();
        self.put(draft, matter, self.work.clash, place, &mut found);
        Some(found.lines)
    }

    fn shift(&self, hours: Hours, place: &Place<'_>, proposal: &mut Proposal) {
        let rates = &place.card.machines;
        let rate = rates.iter().find(|rate| rate.machine.is_none_or(|machine| machine == self.work.machine));
        // A list of rates without machines: their hours are not billed by it.
        let Some(rate) = rate else { return };
        let machine = self.names.machine(self.work.machine);
        match hours {
            Hours::Ran { from, to } => {
                let ran = to.minus(from);
                let shown = ran.clone().unwrap_or_default();
                let words = format!(
                    "{shown} h {machine}, shift of {} ({}), meter {from} to {to}",
                    self.day.in_words(),
                    self.names.entry(self.work.entry)
                );
                let draft = DraftLine {
                    part: "hours".into(),
                    sort: LineSort::MachineHours,
                    words,
                    quantity: ran,
                    unit: "HUR",
                    price: rate.per_hour,
                    base: Amount::ONE,
                };
                self.put(draft, Matter::Entry(self.work.entry), self.work.clash, place, proposal);
            }
            Hours::Untold => {
                let words = format!("{}: the meter was not read at both ends", self.words());
                proposal.unbilled.push(self.unbilled("hours", Why::NoReading, Some(place.job.customer), words));
            }
        }
    }

    /// Coming out and the way there, once for each job and day.
    fn visit(&self, place: &Place<'_>, proposal: &mut Proposal) {
        let matter = Matter::Visit(place.job_id, self.day);
        let day = self.day.in_words();
        if let Some(price) = place.card.call_out {
            let words =
                format!("call-out on {day} for {}, first work {}", place.job.name, self.names.entry(self.work.entry));
            let draft = DraftLine {
                part: "call-out".into(),
                sort: LineSort::CallOut,
                words,
                quantity: Ok(Amount::ONE),
                unit: "C62",
                price,
                base: Amount::ONE,
            };
            self.put(draft, matter, None, place, proposal);
        }
        let site = place.job.site.and_then(|id| self.trade.sites.get(&id)).map(|site| &site.value);
        if let (Some(price), Some(site)) = (place.card.travel_per_km, site)
            && let Some(km) = site.travel_km
        {
            let draft = DraftLine {
                part: "travel".into(),
                sort: LineSort::Travel,
                words: format!("{km} km travel to {} on {day}", site.name),
                quantity: Ok(km),
                unit: "KMT",
                price,
                base: Amount::ONE,
            };
            self.put(draft, matter, None, place, proposal);
        }
    }

    /// Adds a line as the office wants it: as proposed, adjusted, split, or not at all.
    fn put(
        &self,
        draft: DraftLine,
        matter: Matter,
        clash: Option<ClashId>,
        place: &Place<'_>,
        proposal: &mut Proposal,
    ) {
        let DraftLine { part, sort, words, quantity, unit, price, base } = draft;
        let Ok(quantity) = quantity else {
            let unbilled = Unbilled { matter, ..self.unbilled(&part, Why::TooLarge, Some(place.job.customer), words) };
            proposal.unbilled.push(unbilled);
            return;
        };
        let decided = self.trade.decisions.get(&(matter, part.clone()));
        let wanted = decided.and_then(|by| by.value.lines.as_deref());
        let source = |recorded: Amount| Source {
            matter,
            part: part.clone(),
            recorded,
            decided: wanted.and(decided).map(|by| by.stamp.entry),
            clash,
        };
        let line = Line {
            source: Some(source(quantity)),
            words,
            day: Some(self.day),
            quantity,
            unit: unit.to_owned(),
            price,
            base,
            adjustments: discount(place.customer),
            tax: tax(place, sort),
            net: Amount::ZERO,
        };
        let machine = matches!(matter, Matter::Entry(_)).then_some(self.work.machine);
        let proposed = |line: Line| Proposed { customer: place.job.customer, job: place.job_id, machine, sort, line };
        match wanted {
            None => proposal.lines.push(proposed(line)),
            Some([]) => {
                let why = decided.map(|by| by.value.why.as_str()).unwrap_or_default();
                let words = format!("{}: waived, {why}", line.words);
                let decided = decided.map(|by| by.stamp.clone());
                let unbilled = self.unbilled(&part, Why::Waived, Some(place.job.customer), words);
                proposal.unbilled.push(Unbilled { matter, decided, ..unbilled });
            }
            Some(wanted) => {
                for (index, one) in wanted.iter().enumerate() {
                    let mut line = line.clone();
                    // What was recorded is counted once, on the first of the lines it was split into.
                    line.source = Some(source(if index == 0 { quantity } else { Amount::ZERO }));
                    line.quantity = one.quantity;
                    line.price = one.price.unwrap_or(line.price);
                    if one.price.is_some() && one.quantity.is_zero() {
                        line.price = Amount::ZERO;
                    }
                    if let Some(words) = &one.words {
                        line.words.clone_from(words);
                    }
                    if let Some(remark) = &one.remark {
                        line.words = format!("{}: {remark}", line.words);
                    }
                    line.adjustments.extend(one.adjustments.iter().cloned());
                    proposal.lines.push(proposed(line));
                }
            }
        }
    }
}

/// A line before the office's decisions.
struct DraftLine {
    part: String,
    sort: LineSort,
    words: String,
    quantity: Result<Amount, Fault>,
    unit: &'static str,
    price: Amount,
    base: Amount,
}

fn discount(customer: &Customer) -> Vec<Adjustment> {
    let percent = customer.discount_percent.filter(|percent| !percent.is_zero());
    let allowance = |percent| Adjustment {
        way: Way::Allowance,
        amount: None,
        percent: Some(percent),
        reason: format!("discount of {percent} %"),
        tax: None,
    };
    percent.map(allowance).into_iter().collect()
}

fn tax(place: &Place<'_>, sort: LineSort) -> Tax {
    let own = place.customer.tax.as_ref();
    own.or_else(|| place.card.taxes.get(&sort)).unwrap_or(&place.card.tax).clone()
}

/// Price of a part, the unit its quantity is billed in, and of how many of that the price is.
fn price_of(card: &RateCard, name: &str, recorded: Option<&'static str>) -> Option<(Amount, &'static str, Amount)> {
    let unit = recorded?;
    let part = card.parts.iter().find(|part| folded(&part.name) == folded(name))?;
    let base = unit::base(unit, &part.unit)?;
    let price = match (part.price, part.cost, card.markup_percent) {
        (Some(price), _, _) => price,
        (None, Some(cost), None) => cost,
        // A price is as exact as amounts are; the line is rounded, not the price.
        (None, Some(cost), Some(markup)) => {
            let added = cost.percent(markup, super::amount::PLACES, card.rounding).ok()?;
            cost.plus(added).ok()?
        }
        (None, None, _) => return None,
    };
    Some((price, unit, base))
}

/// Minutes of work by rate, in the order of the list of rates; those no rate is for last.
fn minutes_by_rate<'r>(
    rates: &'r [LabourRate],
    role: Option<Role>,
    ended: &Moment,
    minutes: i64,
) -> Vec<(Option<&'r LabourRate>, i64)> {
    let day = i64::from(DAY_MINUTES);
    let local_minute = (ended.second() + i64::from(ended.offset_s())).div_euclid(60);
    let mut counts: BTreeMap<usize, i64> = BTreeMap::new();
    for minute in local_minute - minutes..local_minute {
        // Within a day, so that it fits.
        let of_day = u16::try_from(minute.rem_euclid(day)).unwrap_or_default();
        let rate = rates.iter().position(|rate| rate.is_for(role, of_day)).unwrap_or(rates.len());
        *counts.entry(rate).or_default() += 1;
    }
    counts.into_iter().map(|(rate, minutes)| (rates.get(rate), minutes)).collect()
}

/// `1 h 20 min`.
fn duration(minutes: i64) -> String {
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}
