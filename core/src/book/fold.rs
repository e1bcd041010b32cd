//! From amended entries, in order, to the book.
//!
//! Promises: one pass per subject, each a function of the ordered entries alone; nothing here looks at order of
//! arrival, clocks or who asks.

use super::amend::{Amended, Item, amend, claim, settlements};
use super::meters::meters;
use super::upkeep::{Past, Upkeep, Work};
use super::{
    Book, Finding, Fuel, Keeping, KeptWork, Note, PurgeSeen, Repair, Said, Shift, ShiftPast, SkippedPoint, Stamp, Task,
};
use super::{hands, in_force, upkeep};
use crate::causality::{apart, knew};
use crate::clash::{self, Clash, Twin};
use crate::decimal::Decimal;
use crate::entry::{EntryRef, Held};
use crate::fact::{Choice, Fact, Sign, TaskDone, Urgency};
use crate::ids::{ClashId, DeviceId, MachineId, PersonId};
use crate::limits::{BOOK_LIST_MAX, TWIN_CLOCK_S, TWIN_METER_MILLI};
use crate::plan::{Counting, Plan};
use crate::register::{self, Claim, Resolved, Settlement};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// The book of a machine from all entries about it, in any order, repetitions allowed.
#[must_use]
pub fn book(machine: MachineId, entries: &[Held]) -> Book {
    let amended = amend(entries);
    let settlements = settlements(&amended.settled);
    let Amended { items, clashes, doubts, counts, last, .. } = &amended;
    let mut clashes = clashes.clone();
    let mut doubts = doubts.clone();
    let also: BTreeSet<MachineId> =
        items.iter().filter_map(|i| i.held.entry.head().ok()?.machine).filter(|m| *m != machine).collect();

    let attributes = attributes(items, &settlements, &mut clashes);
    let (findings, findings_ended) = findings(items, &settlements, &mut clashes);
    let (meters, believed) = meters(items, &settlements, &mut clashes, &mut doubts);
    let (tasks, works, twins) = tasks(items, &settlements, &mut clashes);
    let plan = plan(items, &settlements, &mut clashes);
    let (shift, last_shift) = shifts(items);
    let (handover, notes) = notes(items);
    clashes.sort_by_key(|clash| clash.id);
    clashes.dedup_by_key(|clash| clash.id);
    doubts.sort();
    let mut book = Book {
        machine,
        also: also.into_iter().collect(),
        attributes,
        tagged_out: findings.iter().any(|f| f.urgency == Urgency::TaggedOut),
        findings,
        findings_ended,
        meters,
        tasks,
        purges: purges(items),
        shift,
        last_shift,
        fuel: fuel(items),
        handover,
        notes,
        repairs: repairs(items),
        plan,
        tracks: Vec::new(),
        keeping: Vec::new(),
        hands: hands::hands(items, &believed),
        people: by_hand(items).map(|item| (item.by, item.stamp())).collect(),
        clashes,
        twins,
        doubts,
        counts: *counts,
        last: last.clone(),
    };
    let past = Past::of(items, believed, works);
    let kept = past.upkeep(&book.plan_in_force());
    (book.tracks, book.keeping) = (kept.tracks, kept.keeping);
    book
}

/// How the plan in force would have been kept had every task of it been counted one way.
#[must_use]
pub fn keeping_by(entries: &[Held], counting: Counting) -> Vec<Keeping> {
    kept(entries, |plan| plan.tasks.iter_mut().for_each(|task| task.counting = counting)).keeping
}

/// What [`Book::keeping`] counts, one by one: each piece of work by each task of the plan in force that it does.
#[must_use]
pub fn kept_works(entries: &[Held]) -> Vec<KeptWork> {
    kept(entries, |_| {}).works
}

fn kept(entries: &[Held], change: impl FnOnce(&mut Plan)) -> Upkeep {
    let amended = amend(entries);
    let settlements = settlements(&amended.settled);
    let (items, mut clashes, mut doubts) = (&amended.items, Vec::new(), Vec::new());
    let (_, believed) = meters(items, &settlements, &mut clashes, &mut doubts);
    let (_, works, _) = tasks(items, &settlements, &mut clashes);
    let mut plan = in_force(plan(items, &settlements, &mut clashes).as_ref());
    change(&mut plan);
    Past::of(items, believed, works).upkeep(&plan)
}

/// Entries that somebody made at the machine, or at least about it: who records what its transmitter gave has not been there.
fn by_hand<'a, 'b>(items: &'a [Item<'b>]) -> impl Iterator<Item = &'a Item<'b>> {
    items.iter().filter(|item| item.fact.source().is_none())
}

fn said(resolved: Resolved, clashes: &mut Vec<Clash>) -> Said {
    let stamp = Stamp { entry: resolved.from, at: resolved.at, by: resolved.by };
    let clash = resolved.clash.map(|clash| {
        let id = clash.id;
        clashes.push(clash);
        id
    });
    Said { value: resolved.value, stamp, clash }
}

fn attributes(items: &[Item<'_>], settlements: &[Settlement<'_>], clashes: &mut Vec<Clash>) -> BTreeMap<String, Said> {
    const NAMES: [&str; 6] = ["name", "make", "model", "serial", "site", "retired"];
    let mut claims: BTreeMap<&str, Vec<Claim<'_>>> = BTreeMap::new();
    let mut corrected: BTreeMap<&str, ClashId> = BTreeMap::new();
    for item in items {
        let body = match &item.fact {
            Fact::MachineAdded(_) | Fact::MachineChanged(_) => item.fact.write(),
            _ => None,
        };
        let Some((_, body)) = body else { continue };
        for name in NAMES {
            if let Some(value) = body.get(name) {
                claims.entry(name).or_default().push(claim(item, value.clone()));
                item.clash.map(|id| corrected.insert(name, id));
            }
        }
    }
    let mut attributes = BTreeMap::new();
    for (name, claims) in claims {
        if let Some(resolved) = register::resolve(&format!("attribute:{name}"), claims, settlements) {
            let mut said = said(resolved, clashes);
            said.clash = said.clash.or_else(|| corrected.get(name).copied());
            attributes.insert(name.to_owned(), said);
        }
    }
    attributes
}

fn plan(items: &[Item<'_>], settlements: &[Settlement<'_>], clashes: &mut Vec<Clash>) -> Option<Said> {
    let claims: Vec<Claim<'_>> = items
        .iter()
        .filter_map(|item| match &item.fact {
            Fact::PlanSet(plan) => Some(claim(item, Value::Object(plan.clone()))),
            _ => None,
        })
        .collect();
    register::resolve("plan", claims, settlements).map(|resolved| said(resolved, clashes))
}

/// Open findings, and how many have ended. A finding ends by a repair that closes it or by being cleared; if people
/// disagree which, the clash is shown, and the finding stays in view while its end is in doubt.
fn findings(items: &[Item<'_>], settlements: &[Settlement<'_>], clashes: &mut Vec<Clash>) -> (Vec<Finding>, u64) {
    let mut ends: BTreeMap<EntryRef, Vec<Claim<'_>>> = BTreeMap::new();
    for item in items {
        match &item.fact {
            Fact::RepairDone(repair) => {
                for finding in repair.closes.iter().collect::<BTreeSet<_>>() {
                    ends.entry(*finding).or_default().push(claim(item, json!("mended")));
                }
            }
            Fact::FindingCleared(cleared) => {
                ends.entry(cleared.finding).or_default().push(claim(item, json!("no fault")));
            }
            _ => {}
        }
    }
    let mut open = Vec::new();
    let mut ended = 0;
    for item in items {
        let Fact::FindingRaised(raised) = &item.fact else { continue };
        let name = item.held.name();
        let matter = format!("finding:{}:{}", name.device, name.seq);
        let end = ends.remove(&name).and_then(|claims| register::resolve(&matter, claims, settlements));
        let clash = match end {
            None => item.clash,
            Some(Resolved { clash: Some(clash), .. }) => {
                let id = clash.id;
                clashes.push(clash);
                Some(id)
            }
            Some(_) => {
                ended += 1;
                continue;
            }
        };
        open.push(Finding {
            stamp: item.stamp(),
            sign: raised.sign,
            point: raised.point.clone(),
            urgency: raised.urgency,
            text: item.text.clone(),
            done_since: BTreeSet::new(),
            clash,
        });
    }
    done_since(items, &mut open);
    open.sort_by_key(|f| std::cmp::Reverse((f.urgency == Urgency::TaggedOut, f.stamp.at.second(), f.stamp.entry)));
    (open, ended)
}

/// Tells each squeak what was done at its place afterwards.
fn done_since(items: &[Item<'_>], open: &mut [Finding]) {
    let mut squeaks: Vec<&mut Finding> = open.iter_mut().filter(|finding| finding.sign == Sign::Squeak).collect();
    if squeaks.is_empty() {
        return;
    }
    for item in items {
        let Fact::TaskDone(done) = &item.fact else { continue };
        let now = (item.at.second(), item.held.name());
        for squeak in &mut squeaks {
            if (squeak.stamp.at.second(), squeak.stamp.entry) < now && done.reached(squeak.point.as_deref()) {
                squeak.done_since.insert(done.task.clone());
            }
        }
    }
}

/// Tasks with twins counted once.
fn tasks(
    items: &[Item<'_>],
    settlements: &[Settlement<'_>],
    clashes: &mut Vec<Clash>,
) -> (Vec<Task>, Vec<Work>, Vec<Twin>) {
    let mut twins = Vec::new();
    let mut works = Vec::new();
    let tasks = task_records(items)
        .into_iter()
        .filter_map(|(task, records)| one_task(task, &records, settlements, clashes, &mut twins, &mut works))
        .collect();
    twins.sort_by_key(|twin: &Twin| twin.id);
    works.sort_by_key(|work: &Work| (work.second, work.entry));
    (tasks, works, twins)
}

/// Records of one task, those of one piece of work together.
fn grouped<'r, 'a, 'b>(
    task: &str,
    records: &'r [(&'b Item<'a>, &'b TaskDone)],
    settlements: &[Settlement<'_>],
    clashes: &mut Vec<Clash>,
    open: &mut Vec<ClashId>,
    twins: &mut Vec<Twin>,
) -> Vec<Vec<&'r (&'b Item<'a>, &'b TaskDone)>> {
    let matter = format!("task:{task}");
    // Records of one piece of work follow one another; each is compared with those of its group.
    let mut groups: Vec<Vec<&(&Item<'_>, &TaskDone)>> = Vec::new();
    for record in records {
        let same = groups.last().is_some_and(|group| {
            // Who knew one record of a group and made another meant another piece of work.
            group.iter().all(|(item, _)| apart(item.held, record.0.held))
                && group.iter().rev().any(|before| one_work(&matter, before, record, settlements, clashes, open, twins))
        });
        match groups.last_mut() {
            Some(group) if same => group.push(record),
            _ => groups.push(vec![record]),
        }
    }
    groups
}

/// Records of one piece of work, the first first, and the twins that this depends on.
pub(crate) struct WorkGroup {
    pub entries: Vec<EntryRef>,
    pub twins: Vec<ClashId>,
}

/// Which records of tasks are of one piece of work. Only pieces that were recorded more than once.
pub(crate) fn work_groups(items: &[Item<'_>], settlements: &[Settlement<'_>]) -> Vec<WorkGroup> {
    let mut found = Vec::new();
    for (task, records) in task_records(items) {
        let (mut clashes, mut open, mut twins) = (Vec::new(), Vec::new(), Vec::new());
        let groups = grouped(task, &records, settlements, &mut clashes, &mut open, &mut twins);
        for group in groups.into_iter().filter(|group| group.len() > 1) {
            let entries: Vec<EntryRef> = group.iter().map(|(item, _)| item.held.name()).collect();
            let of_group = |twin: &&Twin| twin.sides.iter().all(|side| entries.contains(&side.entry));
            let twins = twins.iter().filter(of_group).map(|twin| twin.id).collect();
            found.push(WorkGroup { entries, twins });
        }
    }
    found
}

/// Records of tasks, by task, in order.
fn task_records<'b, 'a>(items: &'b [Item<'a>]) -> BTreeMap<&'b str, Vec<(&'b Item<'a>, &'b TaskDone)>> {
    let mut by_task: BTreeMap<&str, Vec<(&Item<'_>, &TaskDone)>> = BTreeMap::new();
    for item in items {
        if let Fact::TaskDone(done) = &item.fact {
            by_task.entry(&done.task).or_default().push((item, done));
        }
    }
    by_task
}

fn one_task(
    task: &str,
    records: &[(&Item<'_>, &TaskDone)],
    settlements: &[Settlement<'_>],
    clashes: &mut Vec<Clash>,
    twins: &mut Vec<Twin>,
    works: &mut Vec<Work>,
) -> Option<Task> {
    let mut open = Vec::new();
    let groups = grouped(task, records, settlements, clashes, &mut open, twins);
    let mut skipped: BTreeMap<&str, SkippedPoint> = BTreeMap::new();
    for group in &groups {
        skips_after(group, &mut skipped);
    }
    // Single points greased are not the task done: the rest stays due.
    let whole = groups.iter().filter(|group| group.iter().any(|(_, done)| done.points.is_empty()));
    works.extend(whole.filter_map(|group| group.first()).map(|(item, _)| Work {
        task: task.to_owned(),
        entry: item.held.name(),
        second: item.at.second(),
        day: upkeep::day(&item.at),
    }));
    let (first, done) = groups.last()?.first()?;
    Some(Task {
        task: task.to_owned(),
        times: groups.len() as u64,
        last: first.stamp(),
        reading: done.reading.reading,
        points: done.points.clone(),
        skipped: skipped.into_values().collect(),
        twins: open,
    })
}

/// Whether two records are of one piece of work: a twin that is open or has been settled as the same.
fn one_work(
    matter: &str,
    (a, a_done): &(&Item<'_>, &TaskDone),
    (b, b_done): &(&Item<'_>, &TaskDone),
    settlements: &[Settlement<'_>],
    clashes: &mut Vec<Clash>,
    open: &mut Vec<ClashId>,
    twins: &mut Vec<Twin>,
) -> bool {
    let near = match (a_done.reading.reading, b_done.reading.reading) {
        (Some(x), Some(y)) => (x.milli - y.milli).abs() <= TWIN_METER_MILLI,
        _ => (a.at.second() - b.at.second()).abs() <= TWIN_CLOCK_S,
    };
    // One point greased afterwards is not the whole greasing recorded again.
    let points = |done: &TaskDone| done.points.iter().cloned().collect::<BTreeSet<String>>();
    if !near || points(a_done) != points(b_done) {
        return false;
    }
    let over = [a.held.name(), b.held.name()];
    match register::settled(matter, &over, settlements) {
        None => {
            let twin = clash::twin(matter, vec![a.side(body(&a.fact)), b.side(body(&b.fact))]);
            open.push(twin.id);
            twins.push(twin);
            true
        }
        Some(resolved) => {
            let both = register::choice(&resolved) == Some(Choice::Both);
            clashes.extend(resolved.clash);
            !both
        }
    }
}

fn body(fact: &Fact) -> Value {
    fact.write().map_or(Value::Null, |(_, body)| Value::Object(body))
}

/// Points still to be done after a piece of work, recorded once or several times.
fn skips_after<'a>(group: &[&(&'a Item<'_>, &'a TaskDone)], skipped: &mut BTreeMap<&'a str, SkippedPoint>) {
    let here: BTreeSet<&str> =
        group.iter().flat_map(|(_, done)| done.skipped.iter().map(|s| s.point.as_str())).collect();
    for (_, done) in group {
        if done.points.is_empty() {
            let own: BTreeSet<&str> = done.skipped.iter().map(|s| s.point.as_str()).collect();
            skipped.retain(|point, _| own.contains(point));
        } else {
            skipped.retain(|point, _| !done.points.iter().any(|p| p == point));
        }
    }
    for point in here {
        let done_by_another = group.iter().any(|(_, done)| {
            done.points.iter().any(|p| p == point)
                || (done.points.is_empty() && !done.skipped.iter().any(|s| s.point == point))
        });
        let first = group.iter().find_map(|(item, done)| Some((item, done.skipped.iter().find(|s| s.point == point)?)));
        if let (false, Some((item, skip))) = (done_by_another, first) {
            skipped.entry(skip.point.as_str()).or_insert_with(|| SkippedPoint {
                point: skip.point.clone(),
                reason: skip.reason.clone(),
                stamp: item.stamp(),
            });
        }
    }
}

fn purges(items: &[Item<'_>]) -> Vec<PurgeSeen> {
    let mut seen: BTreeMap<Option<&str>, PurgeSeen> = BTreeMap::new();
    for item in items {
        let Fact::TaskDone(done) = &item.fact else { continue };
        if let Some(purge) = done.purge {
            if done.points.is_empty() {
                // Everywhere: what was seen at single points before is past.
                seen.clear();
                seen.insert(None, PurgeSeen { point: None, purge, stamp: item.stamp() });
            }
            for point in &done.points {
                seen.insert(Some(point), PurgeSeen { point: Some(point.clone()), purge, stamp: item.stamp() });
            }
        }
        for (point, purge) in &done.purge_at {
            let one = PurgeSeen { point: Some(point.clone()), purge: *purge, stamp: item.stamp() };
            seen.insert(Some(point), one);
        }
    }
    seen.into_values().collect()
}

fn shifts(items: &[Item<'_>]) -> (Option<Shift>, Option<ShiftPast>) {
    let mut open = None;
    let mut past = None;
    for item in items {
        match &item.fact {
            Fact::ShiftBegun(begun) => {
                open = Some(Shift { operator: begun.operator.unwrap_or(item.by), begun: item.stamp() });
            }
            Fact::ShiftEnded(ended) => {
                open = None;
                past = Some(ShiftPast {
                    operator: ended.operator.unwrap_or(item.by),
                    ended: item.stamp(),
                    conditions: ended.conditions.clone(),
                });
            }
            _ => {}
        }
    }
    (open, past)
}

fn fuel(items: &[Item<'_>]) -> Option<Fuel> {
    let mut fuel: Option<Fuel> = None;
    for item in items {
        let Fact::FuelFilled(filled) = &item.fact else { continue };
        let (fills, milli) = fuel.map_or((0, 0), |f| (f.fills, f.litres.milli));
        fuel = Some(Fuel {
            fills: fills + 1,
            litres: Decimal::from_milli(milli.saturating_add(filled.litres.milli)),
            last_litres: filled.litres,
            last: item.stamp(),
        });
    }
    fuel
}

/// Handover notes and the others, newest first.
fn notes(items: &[Item<'_>]) -> (Vec<Note>, Vec<Note>) {
    let mut handover = Vec::new();
    let mut notes = Vec::new();
    // What a person's newest entry on a device knew, all their earlier ones there knew at most.
    let mut newest: BTreeMap<(PersonId, DeviceId), &Item<'_>> = BTreeMap::new();
    for item in by_hand(items) {
        let slot = newest.entry((item.by, item.held.device)).or_insert(item);
        if item.held.entry.seq() > slot.held.entry.seq() {
            *slot = item;
        }
    }
    for item in items.iter().rev() {
        let Fact::NoteLeft(left) = &item.fact else { continue };
        let list = if left.handover { &mut handover } else { &mut notes };
        if list.len() < BOOK_LIST_MAX {
            let known = newest.iter().filter(|(_, later)| knew(later.held, item.held));
            let known_to = known.map(|((person, _), _)| *person).chain([item.by]).collect();
            list.push(Note { stamp: item.stamp(), text: item.text.clone(), known_to });
        }
    }
    (handover, notes)
}

fn repairs(items: &[Item<'_>]) -> Vec<Repair> {
    let repairs = items.iter().rev().filter_map(|item| match &item.fact {
        Fact::RepairDone(r) => Some(Repair {
            stamp: item.stamp(),
            point: r.point.clone(),
            cause: r.cause.clone(),
            remedy: r.remedy.clone(),
            closes: r.closes.clone(),
            parts: r.parts.clone(),
            minutes: r.minutes,
            text: item.text.clone(),
        }),
        _ => None,
    });
    repairs.take(BOOK_LIST_MAX).collect()
}
