//! Billing: what a draft reserves, what a bill binds, and what many offices at once may not do.
//!
//! Promises: on databases half of the offices work in a second process. The laws are looked at in what is stored: a matter's
//! round is in one bill, numbers and places have no hole, and the ledger has one entry for each bill with its digest.

use crate::bed::{Bed, NOW_MS};
use crate::race::processes;
use pintle_core::bill::document::Document;
use pintle_core::bill::matter::Matter;
use pintle_core::fact::administration::OfficeWritten;
use pintle_core::ids::{DeviceId, Hash, OfficeId, OrganisationId, PersonId, Salt};
use pintle_core::permission::Role;
use pintle_core::{EntryRef, Fact, Held};
use pintle_store::{Actor, BillRecord, Drafted, Dropped, IssueAsk, Issued, NewDraft, Noted, Standing, Store};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use sea_orm::ConnectionTrait;
use serde_json::{Map, json};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

pub const QUARRY: OfficeId = OfficeId([10; 16]);
const FARM: OfficeId = OfficeId([11; 16]);

fn office(organisation: OrganisationId) -> Actor {
    Actor { organisation, person: PersonId([5; 16]) }
}

fn entry(seq: u64) -> Matter {
    Matter::Entry(EntryRef { device: DeviceId([1; 16]), seq })
}

pub fn id(number: u16) -> OfficeId {
    let mut id = [9; 16];
    id[..2].copy_from_slice(&number.to_be_bytes());
    OfficeId(id)
}

/// A draft over these matters, none of them billed before.
pub fn draft(number: u16, customer: OfficeId, matters: &[u64]) -> NewDraft {
    again(number, customer, &matters.iter().map(|seq| (*seq, 0)).collect::<Vec<_>>())
}

/// A draft over matters that have been in so many issued bills.
fn again(number: u16, customer: OfficeId, matters: &[(u64, u64)]) -> NewDraft {
    let party = json!({"name": "any", "vat_id": "XX1", "address": {"country": "DE"}});
    let line = |seq: u64| {
        json!({"source": {"matter": entry(seq), "part": "labour: any", "recorded": "60"}, "words": "work", "quantity": "60",
            "unit": "MIN", "price": "85", "base": "60", "tax": {"category": "S", "percent": "19"}})
    };
    let document: Document = serde_json::from_value(json!({
        "id": id(number), "sort": "invoice", "currency": "EUR", "rounding": "half-away", "seller": party, "customer": customer,
        "buyer": party, "terms_days": 30, "lines": matters.iter().map(|(seq, _)| line(*seq)).collect::<Vec<_>>(),
        "totals": {"lines": "0", "allowances": "0", "charges": "0", "without_tax": "0", "tax": "0", "with_tax": "0",
            "paid": "0", "payable": "0", "taxes": []}}))
    .expect("a document");
    let document = document.reckoned("0".parse().expect("nothing")).expect("it fits");
    NewDraft { document, claims: matters.iter().map(|(seq, issued)| (entry(*seq), *issued)).collect() }
}

fn ask(number: u16, prefix: &str) -> IssueAsk {
    let on = "2026-05-31".parse().expect("a day");
    IssueAsk { bill: id(number), prefix: prefix.into(), on, salt: Salt([3; 12]) }
}

pub async fn add(store: &dyn Store, organisation: OrganisationId, drafts: &[NewDraft]) -> Drafted {
    store.drafts_add(office(organisation), drafts, NOW_MS).await.expect("it answers")
}

pub async fn issue(store: &dyn Store, organisation: OrganisationId, number: u16) -> Issued {
    store.bill_issue(office(organisation), &ask(number, "2026-"), NOW_MS).await.expect("it answers")
}

fn number(issued: Issued) -> String {
    match issued {
        Issued::Now(record) | Issued::Before(record) => record.document.number.expect("it has a number"),
        Issued::NoSuchDraft => panic!("there is no such draft"),
    }
}

/// Looks at everything that must hold of an organisation's billing; gives the issued bills.
async fn lawful(store: &dyn Store, organisation: OrganisationId) -> Vec<BillRecord> {
    let issued = store.bills_issued(organisation, None, 0, usize::MAX >> 1).await.expect("bills");
    let drafts = store.drafts(organisation).await.expect("drafts");
    let places: Vec<u64> = issued.iter().filter_map(|bill| bill.issued.as_ref()).map(|stamp| stamp.place).collect();
    assert_eq!(places, (1..=issued.len() as u64).collect::<Vec<_>>(), "places have no hole");
    let mut counts: BTreeMap<String, u64> = BTreeMap::new();
    let mut in_issued: BTreeMap<Matter, u64> = BTreeMap::new();
    let mut in_drafts: BTreeMap<Matter, OfficeId> = BTreeMap::new();
    for bill in &issued {
        let number = bill.document.number.as_deref().expect("a number");
        let (prefix, count) = number.rsplit_once('-').expect("a beginning");
        let next = counts.entry(prefix.to_owned()).or_default();
        *next += 1;
        assert_eq!(count.parse::<u64>().expect("a count"), *next, "numbers have no hole");
        bill.document.matters().into_iter().for_each(|matter| *in_issued.entry(matter).or_default() += 1);
    }
    for draft in &drafts {
        for matter in draft.document.matters() {
            assert_eq!(in_drafts.insert(matter, draft.document.id), None, "a matter is in one draft");
        }
    }
    let mut expected: BTreeMap<Matter, Standing> = BTreeMap::new();
    for matter in in_issued.keys().chain(in_drafts.keys()) {
        let issued = in_issued.get(matter).copied().unwrap_or_default();
        expected.insert(*matter, Standing { issued, draft: in_drafts.get(matter).copied() });
    }
    assert_eq!(store.matters(organisation).await.expect("matters"), expected);
    let told: Vec<Hash> = written(store, organisation, "bill_issued")
        .await
        .iter()
        .map(|held| held.entry.as_map()["office"]["digest"].as_str().expect("a digest").parse().expect("a hash"))
        .collect();
    let digests: Vec<Hash> = issued.iter().map(|bill| bill.document.digest().expect("a digest")).collect();
    assert_eq!(told, digests, "the ledger tells of each bill once, in their order");
    issued
}

async fn written(store: &dyn Store, organisation: OrganisationId, kind: &str) -> Vec<Held> {
    let entries = store.office_entries(organisation, 0, 10_000).await.expect("entries");
    entries.into_iter().filter(|held| held.entry.head().expect("a head").kind == kind).collect()
}

pub async fn a_draft_reserves_and_a_bill_binds(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let store = bed.store.as_ref();
    assert_eq!(add(store, organisation, &[draft(1, QUARRY, &[1, 2])]).await, Drafted::Kept);
    assert_eq!(add(store, organisation, &[draft(1, QUARRY, &[1, 2])]).await, Drafted::Kept, "the same again");
    let overlapping = [draft(2, QUARRY, &[3]), draft(3, QUARRY, &[2, 4])];
    assert_eq!(add(store, organisation, &overlapping).await, Drafted::Taken(entry(2)));
    let twice = [draft(2, QUARRY, &[3]), draft(3, QUARRY, &[3])];
    assert_eq!(add(store, organisation, &twice).await, Drafted::Taken(entry(3)));
    assert_eq!(store.drafts(organisation).await.expect("drafts").len(), 1, "all or none");
    assert_eq!(add(store, organisation, &[again(2, QUARRY, &[(1, 1)])]).await, Drafted::Taken(entry(1)));
    let Issued::Now(bill) = issue(store, organisation, 1).await else { panic!("it is issued now") };
    assert_eq!(
        (bill.document.number.as_deref(), bill.document.due.map(|day| day.to_string())),
        (Some("2026-0001"), Some("2026-06-30".into()))
    );
    let Issued::Before(same) = issue(store, organisation, 1).await else { panic!("it was issued before") };
    assert_eq!(same, bill, "the reply may have been lost");
    assert_eq!(add(store, organisation, &[draft(2, QUARRY, &[1])]).await, Drafted::Taken(entry(1)), "it is bound");
    assert_eq!(add(store, organisation, &[again(2, QUARRY, &[(1, 1)])]).await, Drafted::Kept, "a change of it");
    assert_eq!(number(issue(store, organisation, 2).await), "2026-0002");
    assert_eq!(issue(store, organisation, 99).await, Issued::NoSuchDraft);
    assert_eq!(lawful(store, organisation).await.len(), 2);
    assert_eq!(store.bill(organisation, id(1)).await.expect("it answers").as_ref(), Some(bill.as_ref()));
}

pub async fn a_dropped_draft_frees_its_matters_and_takes_no_number(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let store = bed.store.as_ref();
    let drop = |number| async move { store.draft_drop(organisation, id(number)).await.expect("it answers") };
    add(store, organisation, &[draft(1, QUARRY, &[1]), draft(2, FARM, &[2])]).await;
    assert_eq!(drop(1).await, Dropped::Gone);
    assert_eq!(drop(1).await, Dropped::NoSuchDraft);
    assert_eq!(issue(store, organisation, 1).await, Issued::NoSuchDraft);
    assert_eq!(add(store, organisation, &[draft(3, QUARRY, &[1])]).await, Drafted::Kept);
    assert_eq!(number(issue(store, organisation, 3).await), "2026-0001");
    assert_eq!(number(issue(store, organisation, 2).await), "2026-0002");
    assert_eq!(drop(2).await, Dropped::Issued);
    let other = store.bill_issue(office(organisation), &ask(3, "2027-"), NOW_MS).await.expect("it answers");
    assert_eq!(number(other), "2026-0001", "a number once given stays");
    add(store, organisation, &[draft(4, QUARRY, &[4])]).await;
    let other = store.bill_issue(office(organisation), &ask(4, "2027-"), NOW_MS).await.expect("it answers");
    assert_eq!(number(other), "2027-0001", "another beginning counts by itself");
    let of_farm = store.bills_issued(organisation, Some(FARM), 0, 10).await.expect("bills");
    assert_eq!(of_farm.iter().map(|bill| bill.document.id).collect::<Vec<_>>(), [id(2)]);
    let later = store.bills_issued(organisation, None, 2, 10).await.expect("bills");
    assert_eq!(later.iter().map(|bill| bill.document.id).collect::<Vec<_>>(), [id(4)]);
    lawful(store, organisation).await;
}

pub async fn no_organisation_bills_another_s(bed: Bed) {
    let (one, other) = (bed.organisation(1).await, bed.organisation(2).await);
    let store = bed.store.as_ref();
    add(store, one, &[draft(1, QUARRY, &[1])]).await;
    assert_eq!(add(store, other, &[draft(2, QUARRY, &[1])]).await, Drafted::Kept, "their matters are their own");
    assert_eq!(store.bill(other, id(1)).await.expect("it answers"), None);
    assert_eq!(issue(store, other, 1).await, Issued::NoSuchDraft);
    assert_eq!(store.draft_drop(other, id(1)).await.expect("it answers"), Dropped::NoSuchDraft);
    assert_eq!(number(issue(store, other, 2).await), "2026-0001");
    assert_eq!(number(issue(store, one, 1).await), "2026-0001");
    assert_eq!((lawful(store, one).await.len(), lawful(store, other).await.len()), (1, 1));
    let nowhere = OrganisationId([0x77; 16]);
    assert!(store.drafts_add(office(nowhere), &[draft(3, QUARRY, &[9])], NOW_MS).await.is_err());
}

pub async fn what_the_office_writes_stands_in_the_ledger_apart_from_crews(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let office_part = Map::from_iter([("salt".into(), json!(Salt([3; 12]))), ("written".into(), json!({"any": 1}))]);
    let noted = Noted { fact: Fact::OfficeWritten(OfficeWritten {}), office: Some(office_part.clone()) };
    let first = bed.store.office_write(office(organisation), &noted, NOW_MS).await.expect("it is written");
    let second = bed.store.office_write(office(organisation), &noted, NOW_MS).await.expect("it is written");
    assert_eq!((second.device, second.seq), (first.device, first.seq + 1));
    let entries = written(bed.store.as_ref(), organisation, "office_written").await;
    assert_eq!(entries.iter().map(Held::name).collect::<Vec<_>>(), [first, second]);
    for held in &entries {
        let head = held.entry.head().expect("a head");
        assert_eq!((head.machine, head.by, held.aside.as_deref()), (None, PersonId([5; 16]), None));
        assert_eq!(held.entry.as_map()["office"], json!(office_part));
        assert_eq!(held.entry.as_map()["body"], json!({}), "what crews get says nothing");
    }
    let device = bed.store.device(first.device).await.expect("it answers").expect("the server's own");
    assert!(device.is_server() && device.role == Role::Owner);
    let page =
        bed.store.office_entries(organisation, entries[0].position.expect("a position"), 1).await.expect("entries");
    assert_eq!(page.iter().map(Held::name).collect::<Vec<_>>(), [second]);
}

/// Eight offices in two processes draft, drop and issue over the same matters.
pub async fn many_offices_at_once_bill_every_matter_once(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let stores = processes(&bed).await;
    let tasks: Vec<_> = (0..8u16)
        .map(|n| {
            let store: Arc<dyn Store> = stores[usize::from(n) % stores.len()].clone();
            tokio::spawn(async move {
                let mut kept = 0;
                for round in 0..6u16 {
                    let number = 1 + n * 6 + round;
                    // Neighbours want the same matters.
                    let matters = [u64::from(round * 4 + n / 2), u64::from(round * 4 + n / 2 + 1)];
                    if add(store.as_ref(), organisation, &[draft(number, QUARRY, &matters)]).await != Drafted::Kept {
                        continue;
                    }
                    kept += 1;
                    match (n + round) % 3 {
                        0 => _ = store.draft_drop(organisation, id(number)).await.expect("it answers"),
                        _ => _ = issue(store.as_ref(), organisation, number).await,
                    }
                }
                kept
            })
        })
        .collect();
    let mut kept = 0;
    for task in tasks {
        kept += task.await.expect("it ends");
    }
    let issued = lawful(bed.store.as_ref(), organisation).await;
    assert!(!issued.is_empty() && issued.len() <= kept);
    let mut seen = BTreeSet::new();
    for matter in issued.iter().flat_map(|bill| bill.document.matters()) {
        assert!(seen.insert(matter), "{matter} is in two bills");
    }
}

/// One draft issued by many at once has one number.
pub async fn one_draft_issued_by_many_at_once_has_one_number(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let stores = processes(&bed).await;
    add(bed.store.as_ref(), organisation, &[draft(1, QUARRY, &[1]), draft(2, QUARRY, &[2])]).await;
    let tasks: Vec<_> = (0..8u16)
        .map(|n| {
            let store = stores[usize::from(n) % stores.len()].clone();
            tokio::spawn(async move { issue(store.as_ref(), organisation, 1 + n % 2).await })
        })
        .collect();
    let mut now = 0;
    for task in tasks {
        now += usize::from(matches!(task.await.expect("it ends"), Issued::Now(_)));
    }
    assert_eq!((now, lawful(bed.store.as_ref(), organisation).await.len()), (2, 2));
}

/// A process that ends anywhere in an act leaves it done or not begun.
pub async fn an_act_of_billing_dropped_anywhere_leaves_nothing_half_done(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let store = bed.store.as_ref();
    let mut dropped = 0;
    for round in 0..60u16 {
        let drafts = [draft(round + 1, QUARRY, &[u64::from(round), u64::from(round) + 1000])];
        let (actor, ask) = (office(organisation), ask(round + 1, "2026-"));
        let polls = usize::from(round % 30 + 1);
        dropped += usize::from(cut(store.drafts_add(actor, &drafts, NOW_MS), polls).await.is_none());
        dropped += usize::from(cut(store.bill_issue(actor, &ask, NOW_MS), polls).await.is_none());
        if round % 7 == 0 {
            dropped += usize::from(cut(store.draft_drop(organisation, ask.bill), polls).await.is_none());
        }
    }
    if bed.url.is_some() {
        assert!(dropped > 0, "none was dropped");
    }
    lawful(store, organisation).await;
    // And all goes on.
    for round in 0..60u16 {
        let drafts = [draft(round + 1, QUARRY, &[u64::from(round), u64::from(round) + 1000])];
        assert_eq!(add(store, organisation, &drafts).await, Drafted::Kept);
        issue(store, organisation, round + 1).await;
    }
    assert_eq!(lawful(store, organisation).await.len(), 60);
}

/// Asks a future so many times, and lets go of it.
async fn cut<T>(future: impl Future<Output = T>, polls: usize) -> Option<T> {
    let mut future = std::pin::pin!(future);
    let mut left = polls;
    std::future::poll_fn(|context| {
        left -= 1;
        match future.as_mut().poll(context) {
            std::task::Poll::Pending if left == 0 => std::task::Poll::Ready(None),
            std::task::Poll::Pending => std::task::Poll::Pending,
            std::task::Poll::Ready(outcome) => std::task::Poll::Ready(Some(outcome)),
        }
    })
    .await
}

/// What is issued is guarded by the tables themselves.
pub async fn issued_bills_refuse_update_and_delete(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let store = bed.store.as_ref();
    add(store, organisation, &[draft(1, QUARRY, &[1]), draft(2, QUARRY, &[2])]).await;
    issue(store, organisation, 1).await;
    let raw = bed.raw().await;
    let mut refused = vec![
        "UPDATE bill SET made_ms = 0 WHERE number IS NOT NULL".to_owned(),
        "UPDATE bill SET number = NULL, issued_place = NULL, digest = NULL, issued_by = NULL, issued_ms = NULL"
            .to_owned(),
        "DELETE FROM bill WHERE number IS NOT NULL".to_owned(),
        "UPDATE bill_claim SET round = 7".to_owned(),
        "DELETE FROM bill_claim".to_owned(),
        "INSERT INTO bill_claim (organisation, matter, round, bill) \
         SELECT organisation, 'any', 0, bill FROM bill WHERE number IS NOT NULL"
            .to_owned(),
    ];
    if !bed.is_sqlite() {
        refused.extend(["TRUNCATE bill CASCADE".to_owned(), "TRUNCATE bill_claim".to_owned()]);
    }
    for sql in refused {
        let error = raw.execute_unprepared(&sql).await.expect_err(&sql).to_string();
        assert!(error.contains("is never changed"), "{sql}: {error}");
    }
    // A matter's round stands once, whoever writes it.
    let doubled = "INSERT INTO bill_claim (organisation, matter, round, bill) SELECT claim.organisation, claim.matter, \
                   claim.round, (SELECT bill FROM bill WHERE number IS NULL) FROM bill_claim AS claim \
                   JOIN bill ON bill.organisation = claim.organisation AND bill.bill = claim.bill WHERE bill.number IS NOT NULL";
    assert!(raw.execute_unprepared(doubled).await.is_err());
    let numbered = "UPDATE bill SET number = '2026-0001', issued_place = 2, digest = made_by, issued_by = made_by, issued_ms = 0 \
                    WHERE number IS NULL";
    assert!(raw.execute_unprepared(numbered).await.is_err(), "a number stands once");
    lawful(store, organisation).await;
}

#[derive(Debug, Clone)]
enum Act {
    Draft { matters: BTreeSet<u64>, changes: bool },
    Drop(usize),
    Issue(usize),
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    let draft = (prop::collection::btree_set(0..8u64, 1..4), any::<bool>())
        .prop_map(|(matters, changes)| Act::Draft { matters, changes });
    prop::collection::vec(
        prop_oneof![3 => draft, 1 => (0..8usize).prop_map(Act::Drop), 2 => (0..8usize).prop_map(Act::Issue)],
        1..30,
    )
}

/// Any order of drafts, drops and issues, replies lost or not: the same laws, and the same outcomes as in memory.
pub async fn any_order_of_acts_keeps_the_laws(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let (mut next, mut base) = (1u16, 0u64);
    for _ in 0..12 {
        let plan = acts().new_tree(&mut runner).expect("a plan").current();
        let mut open: Vec<u16> = Vec::new();
        for act in plan {
            match act {
                Act::Draft { matters, changes } => {
                    let standing = bed.store.matters(organisation).await.expect("matters");
                    let known = |seq: u64| standing.get(&entry(seq)).map_or(0, |s: &Standing| s.issued);
                    let matters: Vec<_> = matters
                        .into_iter()
                        .map(|seq| (base + seq, if changes { known(base + seq) } else { 0 }))
                        .collect();
                    let free = matters.iter().all(|(seq, round)| {
                        standing.get(&entry(*seq)).is_none_or(|s| s.draft.is_none() && s.issued == *round)
                            && (changes || known(*seq) == 0)
                    });
                    let outcome = add(bed.store.as_ref(), organisation, &[again(next, QUARRY, &matters)]).await;
                    assert_eq!(outcome == Drafted::Kept, free, "{matters:?}");
                    if free {
                        open.push(next);
                    }
                    next += 1;
                }
                Act::Drop(which) if which < open.len() => {
                    assert_eq!(
                        bed.store.draft_drop(organisation, id(open.remove(which))).await.expect("it answers"),
                        Dropped::Gone
                    );
                }
                Act::Issue(which) if which < open.len() => {
                    let number = open.remove(which);
                    assert!(matches!(issue(bed.store.as_ref(), organisation, number).await, Issued::Now(_)));
                    assert!(matches!(issue(bed.store.as_ref(), organisation, number).await, Issued::Before(_)));
                }
                Act::Drop(_) | Act::Issue(_) => {}
            }
        }
        lawful(bed.store.as_ref(), organisation).await;
        base += 100;
    }
}
