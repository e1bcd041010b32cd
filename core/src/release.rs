//! What was set aside and counts again: releases.
//!
//! Promises: whoever was set aside may be let in again by an entry of its own, made by someone with the right; the past is
//! not changed. The same entries in any order say the same. Nothing is computed that cannot be read, and nobody lets in
//! what only the server may say.
//!
//! Never: a release that itself stands aside, or is struck, lets anything in.

use crate::entry::{EntryRef, Held};
use crate::fact::Fact;
use crate::fact::administration::{Need, need};
use crate::ids::PersonId;
use std::collections::{BTreeMap, BTreeSet};

/// Whether an entry that is set aside could count if it were released.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Releasable {
    /// It could.
    Yes,
    /// It counts already.
    Counts,
    /// It breaks a rule of its form, so that nothing can be computed from it: what it meant is recorded anew.
    Unreadable,
    /// Only the server itself says such a thing, or says it in this name; or it is itself a release.
    NotForPeople,
}

/// Whether an entry could count if it were released.
#[must_use]
pub fn releasable(held: &Held) -> Releasable {
    let Some(read) = held.entry.head().ok().map(|head| (head, Fact::read(head, &held.entry))) else {
        return Releasable::Unreadable;
    };
    match read {
        (_, Err(_)) => Releasable::Unreadable,
        (_, Ok(_)) if held.aside.is_none() => Releasable::Counts,
        (head, Ok(fact)) => {
            let serverly = need(&head.kind) == Need::Server || head.by == PersonId::OPERATOR;
            if serverly || matches!(fact, Fact::Released(_)) { Releasable::NotForPeople } else { Releasable::Yes }
        }
    }
}

/// Which of these entries count though they were set aside, each with the releases that say so.
///
/// A release counts unless it stands aside, or a strike that does not stand aside, and is not itself struck by such a one,
/// strikes it: strikes that were let in by a release strike no release.
#[must_use]
pub fn released<'a>(entries: &[&'a Held]) -> BTreeMap<EntryRef, Vec<&'a Held>> {
    let aside: BTreeMap<EntryRef, &Held> =
        entries.iter().filter(|held| held.aside.is_some()).map(|held| (held.name(), *held)).collect();
    let mut found: BTreeMap<EntryRef, Vec<&Held>> = BTreeMap::new();
    if aside.is_empty() {
        return found;
    }
    let mut strikes: BTreeMap<EntryRef, EntryRef> = BTreeMap::new();
    let mut releases: BTreeMap<EntryRef, (&Held, EntryRef)> = BTreeMap::new();
    for held in entries.iter().filter(|held| held.aside.is_none()) {
        match held.entry.head().ok().and_then(|head| Fact::of_known(head, &held.entry).ok()) {
            Some(Fact::Struck(struck)) => drop(strikes.insert(held.name(), struck.target)),
            Some(Fact::Released(released)) => drop(releases.insert(held.name(), (held, released.target))),
            _ => {}
        }
    }
    let struck: BTreeSet<EntryRef> = counting_strikes(strikes).into_iter().map(|(_, target)| target).collect();
    for (name, (release, target)) in releases {
        let Some(held) = aside.get(&target).filter(|held| releasable(held) == Releasable::Yes) else { continue };
        if !struck.contains(&name) {
            found.entry(held.name()).or_default().push(release);
        }
    }
    found
}

/// The strikes that count, given who strikes whom: each with what it strikes.
///
/// A strike that nobody strikes counts; then those it strikes do not, and so on. What is left is a ring, possible only
/// if someone names entries before they exist; all of a ring count, so the answer is the same everywhere.
pub(crate) fn counting_strikes(mut undecided: BTreeMap<EntryRef, EntryRef>) -> Vec<(EntryRef, EntryRef)> {
    let mut counting = Vec::new();
    loop {
        let targeted: BTreeSet<EntryRef> = undecided.values().copied().collect();
        let free: Vec<EntryRef> = undecided.keys().filter(|name| !targeted.contains(name)).copied().collect();
        if free.is_empty() {
            break;
        }
        for name in free {
            if let Some(target) = undecided.remove(&name) {
                undecided.remove(&target);
                counting.push((name, target));
            }
        }
    }
    counting.extend(undecided);
    counting
}
