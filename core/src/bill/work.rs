//! From a machine's entries to pieces of work that may be billed.
//!
//! Promises: entries count as they stand after strikes, corrections and settlements; what was recorded twice counts
//! once; a piece of work that depends on an open disagreement says so. Entries that are no work are counted by kind.
//!
//! Never: a price, a customer's name.

use super::amount::Amount;
use super::trade::{Trade, job_of};
use crate::book::amend::{Item, amend, settlements};
use crate::book::work_groups;
use crate::entry::{EntryRef, Held};
use crate::fact::{Fact, Material};
use crate::ids::{ClashId, MachineId, OfficeId, PersonId};
use crate::moment::Moment;
use crate::register::{self, Claim};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// One piece of work.
#[derive(Debug, Clone, PartialEq)]
pub struct Work {
    /// The entry that records it; of several records of one piece of work the first.
    pub entry: EntryRef,
    /// The machine.
    pub machine: MachineId,
    /// When it ended.
    pub at: Moment,
    /// Who did it.
    pub by: PersonId,
    /// What was done.
    pub what: What,
    /// An open disagreement it depends on.
    pub clash: Option<ClashId>,
    /// The job that was named for it.
    pub job: Option<OfficeId>,
}

/// What was done.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// A task of the plan, or a repair.
    Labour {
        /// `repair`, or the task's name.
        name: String,
        /// Minutes, if they were recorded.
        minutes: Option<i64>,
        /// What was used.
        used: Vec<Material>,
    },
    /// A shift that ended.
    Shift(Hours),
}

/// Hours of a shift.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hours {
    /// By the meter.
    Ran {
        /// At its beginning.
        from: Amount,
        /// At its end.
        to: Amount,
    },
    /// The meter was not read at both ends, or read backwards.
    Untold,
}

/// All work on one machine.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Works {
    /// In order of time.
    pub works: Vec<Work>,
    /// Entries that are no work, by kind.
    pub others: BTreeMap<String, u64>,
}

/// The work that the entries of one machine record, in any order, repetitions allowed.
#[must_use]
pub fn works(entries: &[Held], trade: &Trade) -> Works {
    let amended = amend(entries);
    let settlements = settlements(&amended.settled);
    let groups = work_groups(&amended.items, &settlements);
    // Of several records of one piece of work the first counts; the others are kept out.
    let mut repeated: BTreeSet<EntryRef> = BTreeSet::new();
    let mut doubtful: BTreeMap<EntryRef, ClashId> = BTreeMap::new();
    for group in groups {
        if let Some((first, rest)) = group.entries.split_first() {
            repeated.extend(rest);
            group.twins.first().map(|twin| doubtful.insert(*first, *twin));
        }
    }
    let mut found = Works::default();
    let mut begun: Option<&Item<'_>> = None;
    for item in &amended.items {
        let what = match &item.fact {
            Fact::ShiftBegun(_) => {
                begun = Some(item);
                continue;
            }
            Fact::ShiftEnded(_) => What::Shift(hours(begun.take(), item)),
            Fact::TaskDone(done) if !repeated.contains(&item.held.name()) => {
                What::Labour { name: done.task.clone(), minutes: done.minutes, used: done.materials.clone() }
            }
            Fact::TaskDone(_) => continue,
            Fact::RepairDone(done) => {
                What::Labour { name: "repair".into(), minutes: done.minutes, used: done.parts.clone() }
            }
            fact => {
                let kind = fact.write().map_or("other", |(kind, _)| kind);
                *found.others.entry(kind.to_owned()).or_default() += 1;
                continue;
            }
        };
        let Some(machine) = item.held.entry.head().ok().and_then(|head| head.machine) else { continue };
        let entry = item.held.name();
        let (job, job_clash) = job(item, trade, &settlements);
        let clash = item.clash.or(job_clash).or_else(|| doubtful.get(&entry).copied());
        found.works.push(Work { entry, machine, at: item.at.clone(), by: item.by, what, clash, job });
    }
    found
}

fn hours(begun: Option<&Item<'_>>, ended: &Item<'_>) -> Hours {
    let (Some(from), Some(to)) = (begun.and_then(|item| item.fact.reading()), ended.fact.reading()) else {
        return Hours::Untold;
    };
    let (Some(first), Some(last)) = (from.reading, to.reading) else { return Hours::Untold };
    if from.meter != to.meter || last < first {
        return Hours::Untold;
    }
    match (Amount::from_milli(first.milli), Amount::from_milli(last.milli)) {
        (Ok(from), Ok(to)) => Hours::Ran { from, to },
        _ => Hours::Untold,
    }
}

/// The job people named for an entry, and their disagreement, if they named several apart.
fn job(
    item: &Item<'_>,
    trade: &Trade,
    settlements: &[register::Settlement<'_>],
) -> (Option<OfficeId>, Option<ClashId>) {
    let name = item.held.name();
    let own = job_of(&item.held.entry).map(|job| Claim {
        held: item.held,
        at: item.at.clone(),
        by: item.by,
        value: json!(job),
        over: &[],
    });
    let assigned = trade.assigned.get(&name).map(Vec::as_slice).unwrap_or_default();
    if own.is_none() && assigned.is_empty() {
        return (None, None);
    }
    let assigned = assigned.iter().map(|one| Claim {
        held: &one.held,
        at: one.stamp.at.clone(),
        by: one.stamp.by,
        value: json!(one.job),
        over: &one.targets,
    });
    let claims = own.into_iter().chain(assigned).collect();
    let matter = format!("job:{}:{}", name.device, name.seq);
    match register::resolve(&matter, claims, settlements) {
        Some(resolved) => {
            let job = resolved.value.as_str().and_then(|text| text.parse().ok());
            (job, resolved.clash.map(|clash| clash.id))
        }
        None => (None, None),
    }
}
