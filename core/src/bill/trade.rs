//! What the office has written so far: a fold over its entries.
//!
//! Promises: of each customer, site, job, list of rates and decision, what was written last counts, with who wrote it;
//! the order is the ledger's. Entries that are set aside do not count. What this program cannot read is counted.
//!
//! Never: anything a crew recorded, except which job entries belong to; that is an office matter too.

use super::calendar::Day;
use super::matter::Matter;
use super::written::{Customer, Job, LineDecision, RateCard, Seller, Site, Written};
use crate::book::Stamp;
use crate::book::amend::amend;
use crate::entry::{Entry, EntryRef, Held, Part};
use crate::fact::Fact;
use crate::ids::OfficeId;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Something written, and who wrote it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct By<T> {
    /// What it says.
    pub value: T,
    /// Who wrote it, when, in which entry.
    pub stamp: Stamp,
}

/// Everything the office has written.
#[derive(Debug, Clone, Default)]
pub struct Trade {
    /// Its own particulars.
    pub seller: Option<By<Seller>>,
    /// Customers.
    pub customers: BTreeMap<OfficeId, By<Customer>>,
    /// Sites.
    pub sites: BTreeMap<OfficeId, By<Site>>,
    /// Jobs.
    pub jobs: BTreeMap<OfficeId, By<Job>>,
    /// Lists of rates, each by the day from which it is valid.
    pub rates: BTreeMap<OfficeId, BTreeMap<Day, By<RateCard>>>,
    /// Decisions about single lines.
    pub decisions: BTreeMap<(Matter, String), By<LineDecision>>,
    /// Which job people said an entry belongs to.
    pub assigned: BTreeMap<EntryRef, Vec<Assigned>>,
    /// Entries of the office that need a newer program.
    pub unreadable: u64,
}

/// One person's word on which job an entry belongs to.
#[derive(Debug, Clone, PartialEq)]
pub struct Assigned {
    /// The entry that says so.
    pub held: Held,
    /// Who, when.
    pub stamp: Stamp,
    /// The entries it says it of: it was said in knowledge of each.
    pub targets: Vec<EntryRef>,
    /// The job.
    pub job: OfficeId,
}

/// The job an entry's own office part names.
#[must_use]
pub fn job_of(entry: &Entry) -> Option<OfficeId> {
    match entry.part("office") {
        Part::Open(office) => office.get("job")?.as_str()?.parse().ok(),
        Part::Withheld(_) | Part::Absent => None,
    }
}

impl Trade {
    /// The fold over entries in any order, repetitions allowed. Other entries than the office's are passed over.
    #[must_use]
    pub fn of(entries: &[Held]) -> Self {
        let mut trade = Self::default();
        let mut amended = amend(entries);
        // What was written last is what has the later place in the ledger, whatever a clock said.
        amended.items.sort_by_key(|item| (item.held.position.unwrap_or(u64::MAX), item.held.name()));
        for item in &amended.items {
            match &item.fact {
                Fact::OfficeWritten(_) => match written_in(&item.held.entry) {
                    Some(written) => trade.put(written, item.stamp()),
                    None => trade.unreadable += 1,
                },
                Fact::JobSet(set) => {
                    let Some(job) = job_of(&item.held.entry) else { continue };
                    for target in &set.targets {
                        let one =
                            Assigned { held: item.held.clone(), stamp: item.stamp(), targets: vec![*target], job };
                        trade.assigned.entry(*target).or_default().push(one);
                    }
                }
                _ => {}
            }
        }
        trade
    }

    fn put(&mut self, written: Written, stamp: Stamp) {
        match written {
            Written::Seller(value) => self.seller = Some(By { value, stamp }),
            Written::Customer { id, value } => {
                self.customers.insert(id, By { value, stamp });
            }
            Written::Site { id, value } => {
                self.sites.insert(id, By { value, stamp });
            }
            Written::Job { id, value } => {
                self.jobs.insert(id, By { value, stamp });
            }
            Written::Rates { id, value } => {
                self.rates.entry(id).or_default().insert(value.from, By { value, stamp });
            }
            Written::Line(value) => {
                self.decisions.insert((value.matter, value.part.clone()), By { value, stamp });
            }
        }
    }

    /// The rates that hold for a job on a day.
    #[must_use]
    pub fn rates_of(&self, job: &Job, day: Day) -> Option<&RateCard> {
        let customer = self.customers.get(&job.customer)?;
        let id = job.rates.or(customer.value.rates)?;
        let (_, card) = self.rates.get(&id)?.range(..=day).next_back()?;
        Some(&card.value)
    }
}

/// What an entry of the office says.
#[must_use]
pub fn written_in(entry: &Entry) -> Option<Written> {
    match entry.part("office") {
        Part::Open(office) => Written::deserialize(office.get("written")?).ok(),
        Part::Withheld(_) | Part::Absent => None,
    }
}
