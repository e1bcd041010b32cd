//! From a record to its summary: one pass per subject, over the entries as they count.
//!
//! Promises: what the book computes is taken from it; what it only counts is told one by one, from the same amended
//! entries. Lists are in order of the time claimed, then of device and number, as the book has them.

use super::super::record::Record;
use super::doubts::{disputes, doubtful};
use super::words::{body, every, file, spoken};
use super::{
    Book, ChangeTale, EndTale, EntryTale, FindingTale, HandTale, LateTale, MaterialTale, Mention, MeterTale,
    OverdueTale, PlanTale, RanTale, ReadingTale, RepairTale, ServiceRow, ServiceTale, SilenceTale, SkippedTale, Spoken,
    Summary, WithheldTale, book, kept_works,
};
use crate::book::amend::{Amended, Item, amend};
use crate::book::meters::readings;
use crate::decimal::Decimal;
use crate::due::{Kept, State, due};
use crate::entry::{EntryRef, Held, Part};
use crate::fact::{Fact, Material, Urgency};
use crate::ids::{DeviceId, MachineId, PersonId};
use crate::photo::FileRef;
use serde_json::Value;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

/// Most entries that a material names.
const LAST_IN_MAX: usize = 3;

/// How people are named: by name, or by number where names are withheld or not given.
pub(super) struct Names<'a> {
    record: &'a Record,
    numbers: BTreeMap<PersonId, usize>,
}

impl<'a> Names<'a> {
    fn new(record: &'a Record, entries: &[&Held]) -> Self {
        let mut numbers = BTreeMap::new();
        for by in entries.iter().filter_map(|held| Some(held.entry.head().ok()?.by)) {
            if !record.people.contains_key(&by) {
                let next = numbers.len() + 1;
                numbers.entry(by).or_insert(next);
            }
        }
        Self { record, numbers }
    }

    /// Whether a person is named here or has recorded something.
    pub(super) fn knows(&self, person: PersonId) -> bool {
        self.record.people.contains_key(&person) || self.numbers.contains_key(&person)
    }

    /// What a person is called.
    pub(super) fn of(&mut self, person: PersonId) -> String {
        if let Some(name) = self.record.people.get(&person) {
            return name.clone();
        }
        let next = self.numbers.len() + 1;
        format!("person {}", self.numbers.entry(person).or_insert(next))
    }
}

/// The field a correction is of, and the value it puts there.
pub(super) fn field_of(correction: &Held) -> Option<(String, Value)> {
    let head = correction.entry.head().ok()?;
    match Fact::of_known(head, &correction.entry) {
        Ok(Fact::Corrected(corrected)) => Some((corrected.field, corrected.value)),
        _ => None,
    }
}

/// What everything is told from.
struct Told<'a> {
    record: &'a Record,
    book: &'a Book,
    items: &'a [Item<'a>],
    names: Names<'a>,
}

impl Told<'_> {
    fn mention(&mut self, item: &Item<'_>) -> Mention {
        let entry = self.record.name(item.held.name());
        Mention { entry, at: item.at.clone(), by: self.names.of(item.by) }
    }

    fn stamped(&mut self, stamp: &crate::book::Stamp) -> Mention {
        Mention { entry: self.record.name(stamp.entry), at: stamp.at.clone(), by: self.names.of(stamp.by) }
    }
}

pub(super) fn summary(record: &Record) -> Summary {
    let machine = record.top.as_ref().map_or(MachineId([0; 16]), |top| top.machine);
    let book = book(machine, &record.entries);
    let amended = amend(&record.entries);
    let mut ordered: Vec<&Held> = record.entries.iter().collect();
    ordered.sort_by_key(|held| (held.entry.head().ok().map(|head| head.at.second()), held.name()));
    let names = Names::new(record, &ordered);
    let mut told = Told { record, book: &book, items: &amended.items, names };
    Summary {
        organisation: record.top.as_ref().map(|top| top.organisation_name.clone()).unwrap_or_default(),
        machine: attributes(&book),
        meters: meters(&mut told),
        plan: plan(&mut told),
        keeping: book.keeping.clone(),
        late: late(&mut told),
        overdue: overdue(&book),
        skipped: skipped(&mut told),
        services: services(&mut told),
        findings: findings(&mut told),
        repairs: repairs(&mut told),
        ran: ran(&mut told),
        hands: hands(&mut told, &amended, &ordered),
        materials: materials(&told),
        fuel: book.fuel.as_ref().map(|fuel| (fuel.fills, fuel.litres)),
        changes: changes(&mut told),
        doubtful: doubtful(record, &book, &amended, &mut told.names),
        disputes: disputes(record, &book, &mut told.names),
        withheld: withheld(record),
        silence: silence(&mut told),
        entries: entries(&mut told, &amended, &ordered),
    }
}

fn attributes(book: &Book) -> BTreeMap<String, String> {
    let text = |value: &Value| value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    book.attributes.iter().map(|(name, said)| (name.clone(), text(&said.value))).collect()
}

fn meters(told: &mut Told<'_>) -> Vec<MeterTale> {
    let read = readings(told.items, &mut Vec::new());
    let mut meters = Vec::new();
    for meter in &told.book.meters {
        let doubted: BTreeSet<EntryRef> = meter.doubtful.iter().map(|reading| reading.stamp.entry).collect();
        let shown = read.shown.get(&meter.meter).map(Vec::as_slice).unwrap_or_default();
        let readings = shown.iter().map(|(shown, item)| ReadingTale {
            said: told.mention(item),
            shown: shown.reading,
            life: Decimal::from_milli(shown.life_milli()),
            believed: !doubted.contains(&shown.entry),
            source: item.fact.source().map(str::to_owned),
        });
        let readings = readings.collect();
        meters.push(MeterTale { meter: meter.meter.clone(), readings, changes: meter.changes });
    }
    meters
}

fn plan(told: &mut Told<'_>) -> PlanTale {
    let plan = told.book.plan_in_force();
    let set = told.book.plan.as_ref().map(|said| told.stamped(&said.stamp));
    let tasks = plan.tasks.iter().map(|task| (task.task.clone(), every(&task.every), task.needs.clone()));
    PlanTale { name: plan.name.clone(), source: plan.source.clone(), set, tasks: tasks.collect() }
}

fn late(told: &mut Told<'_>) -> Vec<LateTale> {
    let works = kept_works(&told.record.entries);
    let by_name: BTreeMap<EntryRef, &Item<'_>> = told.items.iter().map(|item| (item.held.name(), item)).collect();
    let late = works.into_iter().filter(|work| work.kept == Some(Kept::Late));
    let mut late: Vec<_> = late.filter_map(|work| Some((*by_name.get(&work.entry)?, work))).collect();
    late.sort_by(|(a, work), (b, other)| (a.order(), &work.task).cmp(&(b.order(), &other.task)));
    let mut tales = Vec::with_capacity(late.len());
    for (item, work) in late {
        let said = told.mention(item);
        tales.push(LateTale { said, task: work.task, over_permille: work.worst_permille, never: work.never });
    }
    tales
}

/// Past due at the newest entry: a file says nothing of the time after it.
fn overdue(book: &Book) -> Vec<OverdueTale> {
    let Some(last) = &book.last else { return Vec::new() };
    let due = due(book, last.at.second(), last.at.offset_s());
    let past = due.into_iter().filter(|due| due.state == State::PastWindow);
    past.map(|due| OverdueTale { task: due.task, why: due.why }).collect()
}

fn skipped(told: &mut Told<'_>) -> Vec<SkippedTale> {
    let mut tales = Vec::new();
    for task in &told.book.tasks {
        for skip in &task.skipped {
            let said = told.stamped(&skip.stamp);
            let (task, point, reason) = (task.task.clone(), skip.point.clone(), skip.reason.clone());
            tales.push(SkippedTale { said, task, point, reason });
        }
    }
    tales
}

fn services(told: &mut Told<'_>) -> Vec<ServiceTale> {
    let kept: BTreeMap<(EntryRef, String), Option<Kept>> =
        kept_works(&told.record.entries).into_iter().map(|work| ((work.entry, work.task), work.kept)).collect();
    let mut tasks: BTreeMap<&str, Vec<ServiceRow>> = BTreeMap::new();
    for item in told.items {
        let Fact::TaskDone(done) = &item.fact else { continue };
        let kept = kept.get(&(item.held.name(), done.task.clone())).copied().flatten();
        let row = ServiceRow { said: told.mention(item), reading: done.reading.reading, kept };
        tasks.entry(&done.task).or_default().push(row);
    }
    let mut tales: Vec<ServiceTale> =
        tasks.into_iter().map(|(task, rows)| ServiceTale { task: task.to_owned(), rows }).collect();
    tales.sort_by_key(|tale| Reverse(tale.rows.len()));
    tales
}

fn findings(told: &mut Told<'_>) -> Vec<FindingTale> {
    let mut ends: BTreeMap<EntryRef, (&Item<'_>, bool)> = BTreeMap::new();
    for item in told.items {
        match &item.fact {
            Fact::RepairDone(repair) => repair.closes.iter().for_each(|finding| {
                ends.entry(*finding).or_insert((item, true));
            }),
            Fact::FindingCleared(cleared) => {
                ends.entry(cleared.finding).or_insert((item, false));
            }
            _ => {}
        }
    }
    let open: BTreeSet<EntryRef> = told.book.findings.iter().map(|finding| finding.stamp.entry).collect();
    let mut tales = Vec::new();
    for item in told.items {
        let Fact::FindingRaised(raised) = &item.fact else { continue };
        let end = ends.get(&item.held.name()).copied();
        let what = [Some(raised.urgency.to_string()), Some(raised.sign.to_string()), raised.point.clone()];
        tales.push(FindingTale {
            said: told.mention(item),
            what: what.into_iter().flatten().collect(),
            tags_out: raised.urgency == Urgency::TaggedOut,
            text: text_of(item),
            end: end.map(|(by, repaired)| EndTale { said: told.mention(by), repaired }),
            open: open.contains(&item.held.name()),
        });
    }
    tales
}

/// The author's words, as corrected.
fn text_of(item: &Item<'_>) -> Spoken {
    match (spoken(&item.held.entry), &item.text) {
        (Spoken::Withheld, _) => Spoken::Withheld,
        (_, Some(text)) => Spoken::Words(text.clone()),
        (_, None) => Spoken::Nothing,
    }
}

fn repairs(told: &mut Told<'_>) -> Vec<RepairTale> {
    let mut tales = Vec::new();
    for item in told.items {
        let Fact::RepairDone(repair) = &item.fact else { continue };
        let what = [&repair.point, &repair.cause, &repair.remedy];
        tales.push(RepairTale {
            said: told.mention(item),
            what: what.into_iter().flatten().cloned().collect(),
            minutes: repair.minutes,
            text: text_of(item),
        });
    }
    tales
}

fn ran(told: &mut Told<'_>) -> Option<RanTale> {
    let share = told.book.hands.as_ref()?.life.clone();
    let names = share.people.iter().map(|part| told.names.of(part.person)).collect();
    Some(RanTale { share, names })
}

fn hands(told: &mut Told<'_>, amended: &Amended<'_>, ordered: &[&Held]) -> Vec<HandTale> {
    // Who an entry is by may have been corrected.
    let corrected: BTreeMap<EntryRef, PersonId> = told.items.iter().map(|item| (item.held.name(), item.by)).collect();
    let released: BTreeSet<EntryRef> =
        told.book.doubts.iter().filter(|doubt| doubt.code == "released").map(|doubt| doubt.entry).collect();
    let mut people: BTreeMap<PersonId, BTreeMap<DeviceId, u64>> = BTreeMap::new();
    for held in ordered {
        let name = held.name();
        if amended.struck.contains_key(&name) || (held.aside.is_some() && !released.contains(&name)) {
            continue;
        }
        let Some(by) = corrected.get(&name).copied().or_else(|| Some(held.entry.head().ok()?.by)) else { continue };
        *people.entry(by).or_default().entry(held.device).or_default() += 1;
    }
    let mut tales: Vec<HandTale> = Vec::new();
    for (person, devices) in people {
        let mark = |device: &DeviceId| told.record.marks.get(device).cloned().unwrap_or_else(|| device.to_string());
        let entries = devices.values().sum();
        let mut devices: Vec<(String, u64)> = devices.iter().map(|(device, count)| (mark(device), *count)).collect();
        devices.sort_by_key(|(mark, count)| (Reverse(*count), mark.clone()));
        tales.push(HandTale { person: told.names.of(person), devices, entries });
    }
    tales.sort_by(|a, b| (Reverse(a.entries), &a.person).cmp(&(Reverse(b.entries), &b.person)));
    tales
}

fn materials(told: &Told<'_>) -> Vec<MaterialTale> {
    let mut tales: Vec<MaterialTale> = Vec::new();
    let mut places: BTreeMap<(String, String), usize> = BTreeMap::new();
    for item in told.items {
        let used: &[Material] = match &item.fact {
            Fact::TaskDone(done) => &done.materials,
            Fact::RepairDone(repair) => &repair.parts,
            _ => &[],
        };
        for Material { name, amount, unit } in used {
            let unit = unit.clone().unwrap_or_default();
            let place = *places.entry((name.clone(), unit.clone())).or_insert(tales.len());
            if place == tales.len() {
                let (name, total, last_in) = (name.clone(), Decimal::default(), Vec::new());
                tales.push(MaterialTale { name, unit, times: 0, unsaid: 0, total, last_in });
            }
            let Some(tale) = tales.get_mut(place) else { continue };
            tale.times += 1;
            tale.unsaid += u64::from(amount.is_none());
            tale.total = Decimal::from_milli(tale.total.milli.saturating_add(amount.map_or(0, |a| a.milli)));
            tale.last_in.push(told.record.name(item.held.name()));
            if tale.last_in.len() > LAST_IN_MAX {
                tale.last_in.remove(0);
            }
        }
    }
    tales.sort_by_key(|tale| Reverse(tale.times));
    tales
}

fn changes(told: &mut Told<'_>) -> Vec<ChangeTale> {
    let first = told.book.meters.first().map(|meter| meter.meter.clone()).unwrap_or_default();
    let mut tales = Vec::new();
    for item in told.items {
        let Fact::MeterChanged(change) = &item.fact else { continue };
        tales.push(ChangeTale {
            said: told.mention(item),
            meter: change.meter.clone().unwrap_or_else(|| first.clone()),
            old: change.old_reading,
            new: change.new_reading,
            reason: change.reason.to_string(),
        });
    }
    tales
}

fn withheld(record: &Record) -> WithheldTale {
    let said = record.top.as_ref().map(|top| top.withheld.clone()).unwrap_or_default();
    let mut tale = WithheldTale { said, ..WithheldTale::default() };
    for held in &record.entries {
        let parts = ["body", "words", "office"];
        let hidden: Vec<&str> =
            parts.into_iter().filter(|part| matches!(held.entry.part(part), Part::Withheld(_))).collect();
        tale.entries += u64::from(!hidden.is_empty());
        hidden.iter().for_each(|part| *tale.parts.entry((*part).to_owned()).or_default() += 1);
    }
    tale
}

fn silence(told: &mut Told<'_>) -> Option<SilenceTale> {
    let length = |pair: &&[Item<'_>]| match pair {
        [a, b] => b.at.second() - a.at.second(),
        _ => 0,
    };
    let items = told.items;
    let pair = items.windows(2).max_by_key(|pair| (length(pair), Reverse(pair.first().map(Item::order))))?;
    let [from, to] = pair else { return None };
    let length_s = length(&pair);
    Some(SilenceTale { from: told.mention(from), to: told.mention(to), length_s })
}

fn entries(told: &mut Told<'_>, amended: &Amended<'_>, ordered: &[&Held]) -> Vec<EntryTale> {
    let mut corrected: BTreeMap<EntryRef, Vec<EntryRef>> = BTreeMap::new();
    for (target, by) in &amended.corrected {
        corrected.entry(*target).or_default().push(*by);
    }
    let record = told.record;
    let named = |entries: Option<&Vec<EntryRef>>| -> Option<String> {
        Some(entries?.iter().map(|entry| record.name(*entry)).collect::<Vec<_>>().join(", "))
    };
    let mut tales = Vec::with_capacity(ordered.len());
    for held in ordered {
        let (name, head) = (held.name(), held.entry.head().ok());
        let mut marks = Vec::new();
        marks.extend(named(amended.struck.get(&name)).map(|by| format!("struck by {by}")));
        marks.extend(named(corrected.get(&name)).map(|by| format!("corrected by {by}")));
        marks.extend(held.aside.as_ref().map(|code| format!("set aside ({code})")));
        let hidden = ["body", "office"].into_iter().filter(|part| matches!(held.entry.part(part), Part::Withheld(_)));
        marks.extend(hidden.map(|part| format!("{part} withheld")));
        tales.push(EntryTale {
            entry: record.name(name),
            at: head.map(|head| head.at.clone()),
            received_ms: held.received_ms.unwrap_or_default(),
            kind: head.map(|head| head.kind.replace('_', " ")).unwrap_or_default(),
            said: body(record, &mut told.names, &held.entry),
            text: spoken(&held.entry),
            files: FileRef::of(&held.entry).iter().map(file).collect(),
            by: head.map(|head| told.names.of(head.by)).unwrap_or_default(),
            marks,
        });
    }
    tales
}
