//! Keeping each machine's outlook: what is due next, without folding its log.
//!
//! Promises: whoever folds a machine keeps its outlook, so one that is kept lacks at most the newest entries of this
//! device. The answer to a recording takes those in, which costs the reading of a few rows; only where that would be a
//! guess the machine is folded. A list of what is due folds first whatever is not up to date.
//!
//! Never: a write for a plain recording, but for one in [`WAITING_MAX`].

use crate::ambient::Wall;
use crate::glance;
use crate::problem::{Code, Problem};
use crate::store::{Glance, Kept, Own, Sort, Store, Tx};
use pintle_core::book::{Book, book};
use pintle_core::due::{Due, State};
use pintle_core::entry::Held;
use pintle_core::fact::Fact;
use pintle_core::ids::MachineId;
use pintle_core::outlook::{Advanced, Outlook};

/// Entries that wait to be taken into a kept outlook before it is written anew: reading one costs some 15 µs at every
/// recording, writing an outlook three pages of the database.
const WAITING_MAX: u64 = 8;

/// Keeps the outlook of a machine that has just been folded.
///
/// # Errors
/// If it cannot be written.
pub fn keep(tx: &Tx<'_>, folded: &Book, counted: u64) -> Result<(), Problem> {
    tx.set_outlook(folded.machine, &Kept { counted, sort: Sort::Folded, outlook: Outlook::of(folded) })
}

/// Whether the answer to an entry says what is due next.
#[must_use]
pub fn is_answered(fact: &Fact) -> bool {
    matches!(
        fact,
        Fact::MeterRead(_)
            | Fact::FuelFilled(_)
            | Fact::ShiftBegun(_)
            | Fact::ShiftEnded(_)
            | Fact::TaskDone(_)
            | Fact::PlanSet(_)
            | Fact::MeterChanged(_)
    )
}

/// What is due next on a machine after an entry of this device that has just been added; none where nothing is known.
///
/// # Errors
/// If the database cannot be used.
pub fn next(tx: &Tx<'_>, own: &Own, machine: &Glance, held: &Held, now: &Wall) -> Result<Option<Due>, Problem> {
    let outlook = match moved_on(tx, own, machine, held)? {
        Some(outlook) => Some(outlook),
        None => {
            glance::refold(tx, machine.id)?;
            tx.outlook(machine.id)?.map(|kept| kept.outlook)
        }
    };
    Ok(outlook.and_then(|outlook| due(&outlook, now).into_iter().find(|due| due.state != State::Unknown)))
}

/// The kept outlook with the entries taken in that wait; none where only a fold could tell: where one was told late,
/// is the first of its meter, or changes what stands.
fn moved_on(tx: &Tx<'_>, own: &Own, machine: &Glance, held: &Held) -> Result<Option<Outlook>, Problem> {
    let Some(mut kept) = tx.outlook(machine.id)? else { return Ok(None) };
    let waiting = machine.own_count.checked_sub(kept.counted).filter(|waiting| *waiting <= WAITING_MAX);
    let entries = match waiting {
        None => return Ok(None),
        Some(0) => return Ok(Some(kept.outlook)),
        Some(1) => vec![held.clone()],
        Some(several) => tx.newest_of(machine.id, several)?,
    };
    for (held, mseq) in entries.iter().zip(kept.counted + 1..) {
        // One told late stands elsewhere in the order: then these are not the ones that wait.
        let head = held.entry.head().ok().filter(|head| held.device == own.device && head.mseq == Some(mseq));
        let fact = head.and_then(|head| Fact::read(head, &held.entry).ok());
        if fact.is_none_or(|fact| kept.outlook.advance(held, &fact) == Advanced::Fold) {
            return Ok(None);
        }
    }
    if waiting == Some(WAITING_MAX) {
        (kept.counted, kept.sort) = (machine.own_count, Sort::MovedOn);
        tx.set_outlook(machine.id, &kept)?;
    }
    Ok(Some(kept.outlook))
}

/// What is due on a machine now, the first thing to do first.
#[must_use]
pub fn due(outlook: &Outlook, now: &Wall) -> Vec<Due> {
    outlook.due(now.second, now.offset_s(now.second))
}

/// A machine and what is due on it.
#[derive(Debug, Clone)]
pub struct Standing {
    /// The machine.
    pub glance: Glance,
    /// Its outlook.
    pub outlook: Outlook,
}

/// Machines with their outlooks, all of them folded from every entry held. What had to be folded is kept, unless the
/// database cannot be written just now: reading must work all the same.
///
/// # Errors
/// If the database cannot be read.
pub fn standing(store: &mut Store, wanted: impl Fn(&Glance) -> bool) -> Result<Vec<Standing>, Problem> {
    let (fresh, stale) = store.read(|tx| sorted(tx, &wanted))?;
    if stale.is_empty() {
        return Ok(fresh);
    }
    let folded = store.write("keep", |tx| {
        stale.iter().try_for_each(|glance| glance::refold(tx, glance.id))?;
        sorted(tx, &wanted)
    });
    match folded {
        Ok((fresh, _)) => Ok(fresh),
        Err(problem) if matches!(problem.code, Code::DiskFull | Code::Busy | Code::Unwritable) => {
            store.read(|tx| without_keeping(tx, &wanted))
        }
        Err(problem) => Err(problem),
    }
}

/// Machines whose outlook is up to date, and those whose is not.
fn sorted(tx: &Tx<'_>, wanted: impl Fn(&Glance) -> bool) -> Result<(Vec<Standing>, Vec<Glance>), Problem> {
    let mut kept = tx.outlooks()?;
    let (mut fresh, mut stale) = (Vec::new(), Vec::new());
    for glance in tx.machines()?.into_iter().filter(|glance| glance.stands_for.is_none() && wanted(glance)) {
        match kept.remove(&glance.id) {
            Some(Kept { counted, sort: Sort::Folded, outlook }) if counted == glance.own_count => {
                fresh.push(Standing { glance, outlook });
            }
            _ => stale.push(glance),
        }
    }
    Ok((fresh, stale))
}

fn without_keeping(tx: &Tx<'_>, wanted: impl Fn(&Glance) -> bool) -> Result<Vec<Standing>, Problem> {
    let (mut fresh, stale) = sorted(tx, wanted)?;
    for glance in stale {
        let outlook = folded(tx, glance.id)?;
        fresh.push(Standing { glance, outlook });
    }
    fresh.sort_by(|a, b| (&a.glance.name, a.glance.id).cmp(&(&b.glance.name, b.glance.id)));
    Ok(fresh)
}

fn folded(tx: &Tx<'_>, machine: MachineId) -> Result<Outlook, Problem> {
    let (chief, entries) = glance::entries(tx, machine)?;
    Ok(Outlook::of(&book(chief, &entries)))
}
