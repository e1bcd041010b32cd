//! Who may take a hazard out of view: the rules about findings for which a machine must not be run.
//!
//! Promises: a tagged-out finding ends by a repair that names it, whoever made it: mending is work that can be looked at.
//! To say without a repair that it is none (a clearance, a lower urgency, a strike of what raised it) takes a mechanic, the
//! office or the owner, by the role the organisation gave this device; a device that works alone answers to nobody else.
//! Its only record is struck by nobody (30 CFR 56.14100). What is judged is what the entry does, not its kind.
//!
//! Never hinders a recording that leaves the hazard in view, and never a repair.

use crate::glance;
use crate::names::Names;
use crate::problem::{Code, Problem};
use crate::store::{Glance, Tx};
use pintle_core::book::book;
use pintle_core::entry::EntryRef;
use pintle_core::fact::{Choice, Fact};
use pintle_core::permission::{Right, Role};
use pintle_core::rules;

/// Judges an entry that has just been added, by the machine's glance before and after it.
///
/// # Errors
/// `may-not-clear`; then the entry must not be kept.
pub fn judge(tx: &Tx<'_>, before: &Glance, after: &Glance, fact: &Fact) -> Result<(), Problem> {
    let in_view = |entry: EntryRef| after.tagged_out.iter().any(|tagged| tagged.entry == entry);
    for gone in before.tagged_out.iter().map(|tagged| tagged.entry).filter(|entry| !in_view(*entry)) {
        if is_mending(tx, fact)? || is_struck_itself(fact, gone) || stands_elsewhere(tx, gone)? || may_clear(tx)? {
            continue;
        }
        let name = Names::load(tx)?.entry(gone);
        let sentence =
            format!("{name} tags the machine out: without a repair a mechanic, the office or the owner clears it");
        return Err(Problem::new(Code::MayNotClear, sentence)
            .hint(format!("mended? pintle repair --closes {name} \"what was done\"")));
    }
    Ok(())
}

/// Refuses to strike the only record of an open hazardous finding.
///
/// # Errors
/// `tagged-out`.
pub fn refuse_strike(tx: &Tx<'_>, target: EntryRef) -> Result<(), Problem> {
    let Some(machine) = tx.machine_of(target)? else { return Ok(()) };
    let glance = tx.machine(machine)?;
    if glance.is_none_or(|glance| glance.tagged_out.iter().all(|tagged| tagged.entry != target)) {
        return Ok(());
    }
    let (chief, entries) = glance::entries(tx, machine)?;
    if rules::may_strike(&book(chief, &entries), target) {
        return Ok(());
    }
    let name = Names::load(tx)?.entry(target);
    let sentence = format!(
        "{name} is the only record of a hazard that is open: it stays until a repair or clearance is linked to it"
    );
    let clear = if may_clear(tx)? { format!(", or pintle clear {name} \"why\"") } else { String::new() };
    Err(Problem::new(Code::TaggedOut, sentence)
        .hint(format!("pintle repair --closes {name}{clear}"))
        .detail("compare 30 CFR 56.14100"))
}

/// Whether this device may say that a hazard is none.
fn may_clear(tx: &Tx<'_>) -> Result<bool, Problem> {
    Ok(match tx.sync()? {
        None => true,
        // Where the role is not known the lesser one is safe: a new code tells it.
        Some(sync) => sync.role.unwrap_or(Role::Crew).may(Right::ClearHazard),
    })
}

/// A repair, or the choice of one where people disagree how a finding ended.
fn is_mending(tx: &Tx<'_>, fact: &Fact) -> Result<bool, Problem> {
    let chosen = match fact {
        Fact::RepairDone(_) => return Ok(true),
        Fact::Settled(settled) => match settled.choice {
            Choice::Entry(entry) => tx.entry(entry)?,
            Choice::Same | Choice::Both => None,
        },
        _ => None,
    };
    Ok(chosen.is_some_and(|held| held.entry.head().is_ok_and(|head| head.kind == "repair_done")))
}

/// [`refuse_strike`] has looked at that before.
fn is_struck_itself(fact: &Fact, finding: EntryRef) -> bool {
    matches!(fact, Fact::Struck(struck) if struck.target == finding)
}

/// Whether it is in view on another machine: two that were taken for one have been told apart again.
fn stands_elsewhere(tx: &Tx<'_>, finding: EntryRef) -> Result<bool, Problem> {
    let machine = tx.machine_of(finding)?.map(|machine| tx.machine(machine)).transpose()?.flatten();
    Ok(machine.is_some_and(|machine| machine.tagged_out.iter().any(|tagged| tagged.entry == finding)))
}
