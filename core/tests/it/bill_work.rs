//! From entries to lines: rates, times of day, parts, visits, decisions; and what changed after a bill.
//!
//! Amounts are worked by hand beside each case.

use crate::bill_documents::amount;
use pintle_core::bill::amount::Amount;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::{Document, DocumentSort};
use pintle_core::bill::drafts::{Extras, billed, changed, drafts, taken_back};
use pintle_core::bill::propose::{Ask, Names, Proposal, Why, propose};
use pintle_core::bill::trade::Trade;
use pintle_core::bill::work::works;
use pintle_core::bill::written::Written;
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::entry::{Entry, EntryRef, Head, Held};
use pintle_core::fault::code;
use pintle_core::ids::{DeviceId, MachineId, OfficeId, PersonId};
use pintle_core::permission::Role;
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, BTreeSet};

const EX3: MachineId = MachineId([3; 16]);
const LOADER: MachineId = MachineId([4; 16]);
const QUARRY: OfficeId = OfficeId([10; 16]);
const FARM: OfficeId = OfficeId([11; 16]);
const DIG: OfficeId = OfficeId([20; 16]);
const HAUL: OfficeId = OfficeId([21; 16]);
const RATES: OfficeId = OfficeId([30; 16]);
const NORTH: OfficeId = OfficeId([40; 16]);
/// Devices: the office's server, a mechanic's, a crew's, another crew's.
const SERVER: usize = 0;
const K7: usize = 1;
const M2: usize = 2;
const M3: usize = 3;

/// A ledger whose office and crews write in turn.
struct Yard {
    keys: Vec<DeviceId>,
    heads: Vec<LogHead>,
    seen: Vec<u64>,
    counts: BTreeMap<(usize, MachineId), u64>,
    held: Vec<Held>,
}

impl Yard {
    fn new() -> Self {
        let keys: Vec<_> = (0..4u8).map(|n| DeviceKey::from_secret(&[n + 1; 32]).public()).collect();
        Self {
            heads: keys.iter().map(LogHead::empty).collect(),
            keys: keys.iter().map(DeviceId::of_key).collect(),
            seen: vec![0; 4],
            counts: BTreeMap::new(),
            held: Vec::new(),
        }
    }

    fn entry(
        &mut self,
        device: usize,
        at: &str,
        machine: Option<MachineId>,
        kind: &str,
        body: Value,
        office: Option<Value>,
    ) -> EntryRef {
        let mseq = machine.map(|machine| {
            let count = self.counts.entry((device, machine)).or_default();
            *count += 1;
            *count
        });
        let position = self.held.len() as u64 + 1;
        // The server has always seen everything.
        let seen = if device == SERVER { position - 1 } else { self.seen[device] };
        let head = Head {
            v: 1,
            seq: self.heads[device].seq + 1,
            machine,
            mseq,
            seen,
            also_seen: BTreeMap::new(),
            at: at.parse().expect(at),
            by: PersonId([u8::try_from(device).expect("few") + 1; 16]),
            kind: kind.into(),
            clock: None,
        };
        let map = |value: Value| -> Map<String, Value> { value.as_object().expect("an object").clone() };
        let entry = Entry::new(&head, map(body), None, office.map(map)).expect("a sound entry");
        self.heads[device] = self.heads[device].after(&entry);
        let link = self.heads[device].link;
        let device_id = self.keys[device];
        self.held.push(Held {
            device: device_id,
            link,
            position: Some(position),
            received_ms: Some(1_790_000_000_000),
            off_s: None,
            aside: None,
            entry,
        });
        EntryRef { device: device_id, seq: self.heads[device].seq }
    }

    fn record(&mut self, device: usize, at: &str, kind: &str, body: Value) -> EntryRef {
        self.entry(device, at, Some(EX3), kind, body, None)
    }

    fn see(&mut self, device: usize) {
        self.seen[device] = self.held.len() as u64;
    }

    fn write(&mut self, written: Value) -> EntryRef {
        let read: Written = serde_json::from_value(written.clone()).expect("what the office writes");
        read.check().expect("it may be written");
        self.entry(
            SERVER,
            "2026-04-01T08:00:00Z",
            None,
            "office_written",
            json!({}),
            Some(json!({"salt": "x", "written": written})),
        )
    }

    fn trade(&self) -> Trade {
        let office: Vec<Held> =
            self.held.iter().filter(|h| h.entry.head().expect("a head").machine.is_none()).cloned().collect();
        Trade::of(&office)
    }

    fn names(&self) -> Names {
        let marks = ["SV", "K7", "M2", "M3"];
        let roles = [Role::Owner, Role::Mechanic, Role::Crew, Role::Crew];
        Names {
            marks: self.keys.iter().copied().zip(marks.map(String::from)).collect(),
            machines: [(EX3, "EX3".into()), (LOADER, "L1".into())].into(),
            roles: self.keys.iter().copied().zip(roles).collect(),
        }
    }

    fn proposal(&self, ask: &Ask) -> Proposal {
        let trade = self.trade();
        let mut by_machine: BTreeMap<MachineId, Vec<Held>> = BTreeMap::new();
        for held in &self.held {
            if let Some(machine) = held.entry.head().expect("a head").machine {
                by_machine.entry(machine).or_default().push(held.clone());
            }
        }
        let found = by_machine.iter().map(|(machine, entries)| (*machine, works(entries, &trade))).collect();
        propose(&found, &trade, &self.names(), ask)
    }

    fn drafts(&self, ask: &Ask) -> Vec<Document> {
        let mut n = 100;
        let id = || {
            n += 1;
            OfficeId([n; 16])
        };
        drafts(&self.proposal(ask), &self.trade(), ask, &Extras::default(), id).expect("it fits")
    }

    fn changed(&self, issued: &[Document], customer: OfficeId) -> Option<Document> {
        changed(issued, &self.proposal(&ever()), &self.trade(), customer, OfficeId([99; 16])).expect("it fits")
    }
}

fn day(text: &str) -> Day {
    text.parse().expect(text)
}

fn may() -> Ask {
    Ask { from: day("2026-05-01"), until: day("2026-05-31"), customer: None, job: None, machine: None }
}

fn ever() -> Ask {
    Ask { from: day("1970-01-01"), until: day("9998-12-31"), ..may() }
}

fn seller() -> Value {
    json!({"seller": {"party": {"name": "Valley crews", "vat_id": "XX1", "address": {"country": "DE"}}, "number_prefix": "2026-"}})
}

fn customer(id: OfficeId, name: &str) -> Value {
    json!({"customer": {"id": id, "value": {"party": {"name": name, "address": {"country": "DE"}}, "rates": RATES}}})
}

fn rates() -> Value {
    json!({"rates": {"id": RATES, "value": {
        "name": "standard", "from": "2026-01-01", "currency": "EUR",
        "labour": [
            {"name": "mechanic", "role": "mechanic", "from": "06:00", "until": "18:00", "per_hour": "85.00"},
            {"name": "mechanic, evening", "role": "mechanic", "from": "18:00", "until": "06:00", "per_hour": "120.00"},
            {"name": "crew", "role": "crew", "per_hour": "48.00"}],
        "call_out": "60.00", "travel_per_km": "0.90",
        "parts": [{"name": "fitting M10x1", "unit": "EA", "cost": "2.00"}, {"name": "grease NLGI 2", "unit": "KGM", "price": "9.50"}],
        "markup_percent": "25", "tax": {"category": "S", "percent": "19"}}}})
}

/// An office with one customer, one job on EX3, one list of rates.
fn office() -> Yard {
    let mut yard = Yard::new();
    yard.write(seller());
    yard.write(rates());
    yard.write(customer(QUARRY, "North quarry"));
    yard.write(json!({"site": {"id": NORTH, "value": {"name": "North quarry", "travel_km": "23"}}}));
    yard.write(json!({"job": {"id": DIG, "value": {"name": "dig", "customer": QUARRY, "site": NORTH, "machines": [EX3], "from": "2026-05-01"}}}));
    yard
}

fn shown(proposal: &Proposal) -> Vec<(String, String)> {
    let lines = proposal.lines.iter().map(|one| {
        let net = one.line.price.times(one.line.quantity, one.line.base, 2, Default::default()).expect("it fits");
        (one.line.words.clone(), net.fixed(2))
    });
    lines.collect()
}

fn not_billed(proposal: &Proposal) -> Vec<(Why, &str)> {
    proposal.unbilled.iter().map(|one| (one.why, one.words.as_str())).collect()
}

/// 80 minutes that end at 18:50: 30 before six at 85.00 are 42.50, 50 after it at 120.00 are 100.00. A fitting that cost
/// 2.00 with 25 % is 2.50; 40 g at 9.50 a kilogram are 0.38; 23 km at 0.90 are 20.70.
#[test]
fn every_line_says_what_it_is_for() {
    let mut yard = office();
    yard.record(K7, "2026-05-04T18:50:00+02:00", "repair_done", json!({"minutes": 80, "parts": [
        {"name": "Fitting M10x1", "amount": "1", "unit": "pieces"}, {"name": "grease NLGI 2", "amount": "40", "unit": "g"}]}));
    let words = |text: &str, net: &str| (text.to_owned(), net.to_owned());
    assert_eq!(
        shown(&yard.proposal(&may())),
        [
            words("30 min labour, repair of EX3 (K7-1), mechanic rate", "42.50"),
            words("50 min labour, repair of EX3 (K7-1), mechanic, evening rate", "100.00"),
            words("1 × Fitting M10x1, repair of EX3 (K7-1)", "2.50"),
            words("40 g grease NLGI 2, repair of EX3 (K7-1)", "0.38"),
            words("call-out on 4 May 2026 for dig, first work K7-1", "60.00"),
            words("23 km travel to North quarry on 4 May 2026", "20.70"),
        ]
    );
    let [draft] = yard.drafts(&may()).try_into().expect("one customer");
    // 42.50 + 100.00 + 2.50 + 0.38 + 60.00 + 20.70 = 226.08; 19 % are 42.9552.
    assert_eq!(
        (draft.totals.without_tax, draft.totals.tax, draft.totals.payable),
        (amount("226.08"), amount("42.96"), amount("269.04"))
    );
    assert_eq!(draft.check(), Ok(()));
    assert_eq!(draft.matters().len(), 2, "the entry and the visit");
}

#[test]
fn nothing_that_was_worked_is_passed_over() {
    let mut yard = office();
    yard.record(
        K7,
        "2026-05-04T10:00:00+02:00",
        "repair_done",
        json!({"minutes": 30, "parts": [{"name": "hose 3/8", "amount": "2", "unit": "m"}]}),
    );
    yard.record(K7, "2026-05-04T11:00:00+02:00", "repair_done", json!({}));
    yard.entry(
        K7,
        "2026-05-04T12:00:00+02:00",
        Some(LOADER),
        "task_done",
        json!({"task": "grease", "minutes": 12}),
        None,
    );
    yard.record(K7, "2026-05-04T12:00:00+02:00", "note_left", json!({}));
    yard.record(K7, "2026-04-30T10:00:00+02:00", "repair_done", json!({"minutes": 30}));
    let proposal = yard.proposal(&may());
    let expected = [
        (Why::NoMinutes, "repair of EX3 (K7-2), without minutes"),
        (Why::NoPrice, "2 m hose 3/8, repair of EX3 (K7-1)"),
        (Why::NoJob, "grease of L1 (K7-3)"),
    ];
    assert_eq!(not_billed(&proposal).into_iter().collect::<BTreeSet<_>>(), BTreeSet::from(expected));
    assert_eq!(proposal.others, BTreeMap::from([("note_left".to_owned(), 1)]));
    let before = yard.proposal(&ever());
    assert!(not_billed(&before).iter().any(|(why, _)| *why == Why::NoJob), "before the job began");

    yard.write(json!({"job": {"id": HAUL, "value": {"name": "haul", "customer": QUARRY, "machines": [EX3, LOADER], "from": "2026-05-01", "until": "2026-05-04"}}}));
    let proposal = yard.proposal(&may());
    assert!(
        proposal.lines.iter().all(|line| line.job == HAUL && line.machine == Some(LOADER) || line.machine.is_none())
    );
    assert!(not_billed(&proposal).contains(&(Why::SeveralJobs, "repair of EX3 (K7-1)")), "{:?}", proposal.unbilled);
    // Somebody says which.
    let repair = EntryRef { device: yard.keys[K7], seq: 1 };
    yard.entry(
        SERVER,
        "2026-05-06T08:00:00Z",
        None,
        "job_set",
        json!({"targets": [repair]}),
        Some(json!({"salt": "x", "job": DIG})),
    );
    let proposal = yard.proposal(&may());
    assert!(proposal.lines.iter().any(|line| line.job == DIG && line.line.words.starts_with("30 min labour")));
}

#[test]
fn what_was_recorded_twice_is_billed_once_until_settled() {
    let mut yard = office();
    let first = yard.record(
        K7,
        "2026-05-04T10:00:00+02:00",
        "task_done",
        json!({"task": "grease", "minutes": 20, "reading": "100"}),
    );
    let second = yard.record(
        M2,
        "2026-05-04T10:10:00+02:00",
        "task_done",
        json!({"task": "grease", "minutes": 20, "reading": "100"}),
    );
    let proposal = yard.proposal(&may());
    let labour: Vec<_> = proposal.lines.iter().filter(|line| line.line.words.contains("labour")).collect();
    assert_eq!(labour.len(), 1);
    assert!(labour[0].line.source.as_ref().is_some_and(|source| source.clash.is_some()), "it depends on a twin");
    yard.see(M3);
    yard.record(
        M3,
        "2026-05-05T10:10:00+02:00",
        "settled",
        json!({"matter": "task:grease", "over": [first, second], "choice": "both"}),
    );
    let proposal = yard.proposal(&may());
    let labour: Vec<_> = proposal.lines.iter().filter(|line| line.line.words.contains("labour")).collect();
    assert_eq!(labour.len(), 2, "both happened");
    assert!(labour.iter().all(|line| line.line.source.as_ref().is_some_and(|source| source.clash.is_none())));
}

/// 8.5 hours by the meter at 95.00 are 807.50; the second shift has no reading at its beginning.
#[test]
fn machine_hours_come_from_the_meter() {
    let mut yard = office();
    let mut card = rates();
    card["rates"]["value"]["machines"] = json!([{"machine": EX3, "per_hour": "95.00"}]);
    yard.write(card);
    yard.record(M2, "2026-05-04T07:00:00+02:00", "shift_begun", json!({"reading": "4127.5"}));
    yard.record(M2, "2026-05-04T16:00:00+02:00", "shift_ended", json!({"reading": "4136"}));
    yard.record(M2, "2026-05-05T16:00:00+02:00", "shift_ended", json!({"reading": "4144"}));
    let proposal = yard.proposal(&may());
    assert_eq!(
        shown(&proposal),
        [("8.5 h EX3, shift of 4 May 2026 (M2-2), meter 4127.5 to 4136".to_owned(), "807.50".to_owned())]
    );
    assert_eq!(not_billed(&proposal), [(Why::NoReading, "shift of EX3 (M2-3): the meter was not read at both ends")]);
}

/// Adjusted, split, waived, priced: each with who and why.
#[test]
fn the_office_decides_about_single_lines() {
    let mut yard = office();
    let repair = yard.record(
        K7,
        "2026-05-04T10:00:00+02:00",
        "repair_done",
        json!({"minutes": 60, "parts": [{"name": "hose 3/8", "amount": "2", "unit": "m"}]}),
    );
    let matter = format!("entry:{}:{}", repair.device, repair.seq);
    let visit = format!("visit:{DIG}:2026-05-04");
    let decide = |matter: &str, part: &str, lines: Value| json!({"line": {"matter": matter, "part": part, "lines": lines, "why": "agreed by phone"}});
    yard.write(decide(
        &matter,
        "labour: mechanic",
        json!([{"quantity": "40"}, {"quantity": "20", "price": "0", "words": "20 min goodwill"}]),
    ));
    yard.write(decide(&matter, "part: hose 3/8", json!([{"quantity": "2", "price": "7.10"}])));
    let waived = yard.write(decide(&visit, "call-out", json!([])));
    let proposal = yard.proposal(&may());
    let nets: Vec<_> = shown(&proposal).into_iter().map(|(_, net)| net).collect();
    // 40 of 60 minutes at 85.00; nothing; two metres at 7.10; travel.
    assert_eq!(nets, ["56.67", "0.00", "14.20", "20.70"]);
    let recorded: Vec<_> =
        proposal.lines.iter().map(|l| l.line.source.as_ref().expect("a source").recorded.to_string()).collect();
    assert_eq!(recorded, ["60", "0", "2", "23"], "what was recorded stays known");
    let [out] = proposal.unbilled.as_slice() else { panic!("one is waived: {:?}", proposal.unbilled) };
    assert_eq!((out.why, out.decided.as_ref().map(|stamp| stamp.entry)), (Why::Waived, Some(waived)));
    assert!(out.words.ends_with("waived, agreed by phone"), "{}", out.words);
    // Taken back: as proposed again.
    yard.write(json!({"line": {"matter": visit, "part": "call-out", "why": "they agreed after all"}}));
    assert!(yard.proposal(&may()).unbilled.is_empty());
}

/// 10 % off each line; what is missing to 250.00 is charged.
#[test]
fn discounts_and_the_minimum_charge() {
    let mut yard = office();
    let mut quarry = customer(QUARRY, "North quarry");
    quarry["customer"]["value"]["discount_percent"] = json!("10");
    yard.write(quarry);
    let mut card = rates();
    card["rates"]["value"]["minimum"] = json!("250.00");
    yard.write(card);
    yard.record(K7, "2026-05-04T10:00:00+02:00", "repair_done", json!({"minutes": 60}));
    let [draft] = yard.drafts(&may()).try_into().expect("one");
    // 85.00 + 60.00 + 20.70 less 10 % each: 76.50 + 54.00 + 18.63 = 149.13.
    assert_eq!((draft.totals.lines, draft.totals.charges), (amount("149.13"), amount("100.87")));
    assert_eq!((draft.totals.without_tax, draft.totals.tax), (amount("250"), amount("47.50")));
    assert_eq!(draft.adjustments[0].reason, "to the minimum charge of 250.00 EUR");
}

#[test]
fn rates_hold_from_their_day() {
    let mut yard = office();
    let mut later = rates();
    later["rates"]["value"]["from"] = json!("2026-05-10");
    later["rates"]["value"]["labour"] = json!([{"name": "all", "per_hour": "100"}]);
    yard.write(later);
    yard.record(K7, "2026-05-09T10:00:00+02:00", "repair_done", json!({"minutes": 60}));
    yard.record(K7, "2026-05-10T10:00:00+02:00", "repair_done", json!({"minutes": 60}));
    let labour: Vec<_> = shown(&yard.proposal(&may()))
        .into_iter()
        .filter(|(words, _)| words.contains("labour"))
        .map(|(_, net)| net)
        .collect();
    assert_eq!(labour, ["85.00", "100.00"]);
}

fn issue(yard: &Yard) -> Document {
    let [draft] = yard.drafts(&may()).try_into().expect("one");
    draft.issued("2026-0001".into(), day("2026-05-31"))
}

/// A correction from 60 to 45 minutes: 15 minutes at 85.00 are 21.25, and with it a credit note that says so.
#[test]
fn a_correction_after_the_bill_makes_a_credit_note() {
    let mut yard = office();
    let repair = yard.record(K7, "2026-05-04T10:00:00+02:00", "repair_done", json!({"minutes": 60}));
    let invoice = issue(&yard);
    assert_eq!(yard.changed(std::slice::from_ref(&invoice), QUARRY), None, "nothing has changed");
    // Dearer from now on: no old bill changes.
    let mut card = rates();
    card["rates"]["value"]["labour"][0]["per_hour"] = json!("95.00");
    yard.write(card);
    assert_eq!(yard.changed(std::slice::from_ref(&invoice), QUARRY), None);
    yard.record(
        K7,
        "2026-06-02T10:00:00+02:00",
        "corrected",
        json!({"target": repair, "field": "/body/minutes", "value": 45}),
    );
    let note = yard.changed(std::slice::from_ref(&invoice), QUARRY).expect("a change");
    assert_eq!((note.sort, note.changes.clone()), (DocumentSort::CreditNote, vec!["2026-0001".to_owned()]));
    assert_eq!((note.totals.without_tax, note.totals.payable), (amount("21.25"), amount("25.29")));
    assert_eq!(note.lines[0].words, "change of 2026-0001: now 45 min labour, repair of EX3 (K7-1), mechanic rate");
    let note = note.issued("2026-0002".into(), day("2026-06-02"));
    assert_eq!(yard.changed(&[invoice.clone(), note.clone()], QUARRY), None, "made up for");
    // More again: an invoice over the change alone, 30 minutes.
    yard.record(
        K7,
        "2026-06-03T10:00:00+02:00",
        "corrected",
        json!({"target": repair, "field": "/body/minutes", "value": 75}),
    );
    let extra = yard.changed(&[invoice.clone(), note.clone()], QUARRY).expect("a change");
    assert_eq!((extra.sort, extra.totals.without_tax), (DocumentSort::Invoice, amount("42.50")));
    let extra = extra.issued("2026-0003".into(), day("2026-06-03"));
    // Struck: all that stands is given back, the visit with it.
    yard.record(K7, "2026-06-04T10:00:00+02:00", "struck", json!({"target": repair}));
    let issued = [invoice.clone(), note, extra];
    let back = yard.changed(&issued, QUARRY).expect("a change");
    // 75 minutes are 106.25, and 60.00 and 20.70 for coming out.
    assert_eq!((back.sort, back.totals.without_tax), (DocumentSort::CreditNote, amount("186.95")));
    let all = [&issued[..], &[back.issued("2026-0004".into(), day("2026-06-04"))]].concat();
    assert_eq!(yard.changed(&all, QUARRY), None);
    assert!(billed(&all).expect("it fits").is_empty(), "nothing stands billed");
    assert_eq!(taken_back(&invoice, &all, OfficeId([9; 16])).expect_err("it has been changed").code, code::BAD_TARGET);
}

/// Two records, both billed; later seen to be one.
#[test]
fn a_settled_twin_after_the_bill_gives_back_the_second() {
    let mut yard = office();
    let first = yard.record(
        K7,
        "2026-05-04T10:00:00+02:00",
        "task_done",
        json!({"task": "grease", "minutes": 60, "reading": "100"}),
    );
    let second = yard.record(
        M2,
        "2026-05-04T10:10:00+02:00",
        "task_done",
        json!({"task": "grease", "minutes": 30, "reading": "100"}),
    );
    yard.see(M3);
    yard.record(
        M3,
        "2026-05-05T10:10:00+02:00",
        "settled",
        json!({"matter": "task:grease", "over": [first, second], "choice": "both"}),
    );
    let invoice = issue(&yard);
    yard.see(M3);
    yard.record(
        M3,
        "2026-06-05T10:10:00+02:00",
        "settled",
        json!({"matter": "task:grease", "over": [first, second], "choice": "same"}),
    );
    let note = yard.changed(&[invoice], QUARRY).expect("a change");
    // 30 minutes of the crew at 48.00.
    assert_eq!((note.sort, note.totals.without_tax, note.lines.len()), (DocumentSort::CreditNote, amount("24"), 1));
}

#[test]
fn an_invoice_taken_back_whole_comes_to_nothing_and_may_be_billed_anew() {
    let mut yard = office();
    yard.record(K7, "2026-05-04T10:00:00+02:00", "repair_done", json!({"minutes": 60}));
    let invoice = issue(&yard);
    let credit = taken_back(&invoice, std::slice::from_ref(&invoice), OfficeId([8; 16])).expect("a credit note");
    assert_eq!(
        (credit.sort, &credit.totals, &credit.changes),
        (DocumentSort::CreditNote, &invoice.totals, &vec!["2026-0001".to_owned()])
    );
    let credit = credit.issued("2026-0002".into(), day("2026-06-01"));
    let all = [invoice, credit.clone()];
    assert!(billed(&all).expect("it fits").is_empty());
    assert_eq!(yard.changed(&all, QUARRY), None);
    assert_eq!(taken_back(&credit, &all, OfficeId([9; 16])).expect_err("a credit note").code, code::BAD_TARGET);
}

#[test]
fn customers_are_billed_apart() {
    let mut yard = office();
    yard.write(customer(FARM, "Hill farm"));
    yard.write(json!({"job": {"id": HAUL, "value": {"name": "haul", "customer": FARM, "machines": [LOADER], "from": "2026-05-01"}}}));
    yard.record(K7, "2026-05-04T10:00:00+02:00", "repair_done", json!({"minutes": 60}));
    yard.entry(
        K7,
        "2026-05-04T12:00:00+02:00",
        Some(LOADER),
        "task_done",
        json!({"task": "grease", "minutes": 12}),
        None,
    );
    let drafts = yard.drafts(&may());
    assert_eq!(drafts.iter().map(|draft| draft.buyer.name.as_str()).collect::<Vec<_>>(), ["North quarry", "Hill farm"]);
    let one = Ask { customer: Some(FARM), ..may() };
    assert_eq!(yard.drafts(&one).len(), 1);
    assert!(Amount::ZERO < yard.drafts(&one)[0].totals.payable);
    let machine = Ask { machine: Some(EX3), ..may() };
    assert_eq!(yard.drafts(&machine)[0].buyer.name, "North quarry");
    let no = Ask { job: Some(OfficeId([77; 16])), ..may() };
    assert!(yard.drafts(&no).is_empty());
    let mut gone = customer(FARM, "Hill farm");
    gone["customer"]["value"]["ended"] = json!(true);
    yard.write(gone);
    let left = yard.proposal(&one).for_customers_only(&yard.trade());
    assert!(left.lines.is_empty());
    assert_eq!(left.unbilled[0].words, "12 min labour, grease of L1 (K7-2), mechanic rate");
    assert!(left.unbilled.iter().all(|unbilled| unbilled.why == Why::CustomerEnded));
}
