//! From records to invoices over the service: what the office writes, proposals, drafts, bills, files.
//!
//! Promises: amounts are worked by hand beside each case; nothing of the office reaches a crew.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::World;
use actix_web::test::TestRequest;
use pintle_core::bill::document::{DocumentSort, LINES_MAX};
use pintle_core::bill::propose::Why;
use pintle_core::ids::{MachineId, OfficeId};
use pintle_core::limits::PUSH_ENTRIES_MAX;
use pintle_core::permission::Role;
use pintle_core::{EntryRef, Hash};
use pintle_openapi::List;
use pintle_openapi::endpoints::bills::{BillReport, IssuedReply, OfficeItem, ProposalReply, WrittenReply};
use serde_json::{Value, json};

const EX3: MachineId = MachineId([3; 16]);
const QUARRY: OfficeId = OfficeId([10; 16]);
const DIG: OfficeId = OfficeId([20; 16]);
const RATES: OfficeId = OfficeId([30; 16]);
/// The month of a world, whose phones record one day before it begins: 2026-05-03.
const PERIOD: &str = "from=2026-05-01&until=2026-05-31";

fn month() -> Value {
    json!({"period": {"from": "2026-05-01", "until": "2026-05-31"}})
}

fn books() -> [Value; 4] {
    [
        json!({"seller": {"party": {"name": "Valley crews", "vat_id": "DE1", "address": {"country": "DE"}}, "number_prefix": "2026-"}}),
        json!({"customer": {"id": QUARRY, "value": {"party": {"name": "=North quarry", "address": {"country": "DE"}}, "rates": RATES}}}),
        json!({"rates": {"id": RATES, "value": {"name": "standard", "from": "2026-01-01", "currency": "EUR",
            "labour": [{"name": "any", "per_hour": "85"}], "tax": {"category": "S", "percent": "19"}}}}),
        json!({"job": {"id": DIG, "value": {"name": "dig", "customer": QUARRY, "machines": [EX3], "from": "2026-05-01"}}}),
    ]
}

async fn write(world: &World, token: &str, written: &Value) -> EntryRef {
    let reply: WrittenReply = world.post_with("/v1/bill/book", written, token).await.reply();
    reply.entry
}

async fn draft(world: &World, token: &str, request: &Value) -> Vec<BillReport> {
    world.post_with("/v1/bill/drafts", request, token).await.reply::<List<BillReport>>().items
}

async fn issue(world: &World, token: &str, bill: OfficeId) -> BillReport {
    world.post_with(&format!("/v1/bill/bills/{bill}/issue"), &json!({}), token).await.reply()
}

/// An office that has issued an invoice over one repair of 60 minutes; gives its id.
pub async fn billed(world: &World, owner: &mut Phone) -> OfficeId {
    owner.record(EX3, 10, "repair_done", json!({"minutes": 60}));
    owner.sync(world, 1).await;
    let token = owner.token(world).await;
    for written in books() {
        write(world, &token, &written).await;
    }
    let [draft] = draft(world, &token, &month()).await.try_into().expect("one customer");
    issue(world, &token, draft.document.id).await.document.id
}

/// An office and a crew that has done one repair of so many minutes.
async fn office(world: &World, minutes: i64) -> (Phone, Phone, String, EntryRef) {
    let mut crew = world.phone("K7", Role::Crew).await;
    crew.record(EX3, 0, "machine_added", json!({"name": "EX3"}));
    let repair = crew.record(EX3, 10, "repair_done", json!({"minutes": minutes}));
    crew.sync(world, 1).await;
    let office = world.phone("OF", Role::Office).await;
    let token = office.token(world).await;
    for written in books() {
        write(world, &token, &written).await;
    }
    (crew, office, token, repair)
}

/// 80 minutes at 85.00 are 113.333…, 19 % of 113.33 are 21.5327.
async fn records_become_an_invoice(world: World) {
    let (_, _, token, _) = office(&world, 80).await;
    let proposal: ProposalReply = world.get_with(&format!("/v1/bill/proposal?{PERIOD}"), &token).await.reply();
    let words: Vec<_> = proposal.lines.iter().map(|line| line.line.words.as_str()).collect();
    assert_eq!(words, ["1 h 20 min labour, repair of EX3 (K7-2), any rate"]);
    assert_eq!((proposal.unbilled.len(), proposal.billed, proposal.others["machine_added"]), (0, 0, 1));
    let [draft] = draft(&world, &token, &month()).await.try_into().expect("one customer");
    assert_eq!((draft.document.totals.payable.to_string().as_str(), &draft.document.number), ("134.86", &None));
    let proposal: ProposalReply = world.get_with(&format!("/v1/bill/proposal?{PERIOD}"), &token).await.reply();
    assert_eq!((proposal.lines.len(), proposal.billed), (0, 1), "it is reserved");
    assert_eq!(self::draft(&world, &token, &month()).await, [], "nothing is left to draft");
    let bill = issue(&world, &token, draft.document.id).await;
    let stamp = bill.issued.clone().expect("it is issued");
    assert_eq!((bill.document.number.as_deref(), stamp.place), (Some("2026-0001"), 1));
    assert_eq!(bill.document.due.map(|day| day.to_string()).as_deref(), Some("2026-06-03"));
    assert_eq!(stamp.digest, bill.document.digest().expect("a digest"));
    assert_eq!(issue(&world, &token, draft.document.id).await, bill, "asked again: the same");
    let drop = format!("/v1/bill/bills/{}/drop", bill.document.id);
    world.post_with(&drop, &json!({}), &token).await.refused(409, "bill-state", "");
}

async fn files_say_what_the_bill_says(world: World) {
    let (_, _, token, _) = office(&world, 80).await;
    let [draft] = draft(&world, &token, &month()).await.try_into().expect("one customer");
    let file = |form: &str| format!("/v1/bill/bills/{}/{form}", draft.document.id);
    world.get_with(&file("ubl"), &token).await.refused(409, "bill-state", "");
    issue(&world, &token, draft.document.id).await;
    let ubl = world.get_with(&file("ubl"), &token).await;
    assert_eq!((ubl.status, ubl.header("content-type")), (200, Some("application/xml")));
    assert!(ubl.text().contains("<cbc:PayableAmount currencyID=\"EUR\">134.86</cbc:PayableAmount>"), "{}", ubl.text());
    let csv = world.get_with(&file("csv"), &token).await;
    assert_eq!(csv.header("content-type"), Some("text/csv; charset=utf-8; header=present"));
    assert!(csv.text().contains(r#""'=North quarry""#), "a name is never a formula: {}", csv.text());
    assert!(csv.text().contains(",113.33,"), "{}", csv.text());
    let again = world.get_with(&file("csv"), &token).await;
    assert_eq!(again.text(), csv.text(), "exported twice: the same lines under the same ids");
    let xlsx = world.get_with(&file("xlsx"), &token).await;
    assert!(xlsx.body.starts_with(b"PK"), "a workbook is a zip file");
    assert_eq!(world.get_with(&file("xlsx"), &token).await.body, xlsx.body, "the same bytes");
}

async fn a_bill_is_printed_as_it_is(world: World) {
    let (_, _, token, _) = office(&world, 80).await;
    let [draft] = draft(&world, &token, &month()).await.try_into().expect("one customer");
    let path = format!("/v1/bill/bills/{}/pdf", draft.document.id);
    let drafted = world.get_with(&path, &token).await;
    assert_eq!((drafted.status, drafted.header("content-type")), (200, Some("application/pdf")));
    issue(&world, &token, draft.document.id).await;
    let issued = world.get_with(&path, &token).await;
    assert!(issued.body.starts_with(b"%PDF-1.7"));
    assert_ne!(issued.body, drafted.body);
    assert_eq!(world.get_with(&format!("{path}?paper=a4"), &token).await.body, issued.body, "the same bytes");
    let letter = world.get_with(&format!("{path}?paper=letter"), &token).await;
    let holds = |body: &[u8], text: &[u8]| body.windows(text.len()).any(|part| part == text);
    // 8.5 by 11 inches, and 210 by 297 mm, in points.
    assert!(holds(&letter.body, b"/MediaBox[0 0 612 792]") || holds(&letter.body, b"/MediaBox [0 0 612 792]"));
    assert!(!holds(&issued.body, b"612 792"));
    world.get_with(&format!("{path}?paper=a3"), &token).await.refused(422, "malformed-request", "paper");
    let nobody = path.replace(&draft.document.id.to_string(), &pintle_core::ids::OfficeId([9; 16]).to_string());
    world.get_with(&nobody, &token).await.refused(404, "not-found", "");
    world.get(&path).await.refused(401, "token-missing", "");
}

async fn a_correction_after_issue_is_proposed_and_nothing_issued_changes(world: World) {
    let (mut crew, _, token, repair) = office(&world, 60).await;
    let [draft] = self::draft(&world, &token, &month()).await.try_into().expect("one customer");
    let bill = issue(&world, &token, draft.document.id).await;
    let changes = json!({"changes": {"customer": QUARRY}});
    assert_eq!(self::draft(&world, &token, &changes).await, [], "nothing has changed");
    crew.record(EX3, 20, "corrected", json!({"target": repair, "field": "/body/minutes", "value": 45}));
    crew.sync(&world, 3).await;
    let [note] = self::draft(&world, &token, &changes).await.try_into().expect("a change");
    // 15 minutes are 21.25, with 19 % 25.29.
    assert_eq!(
        (note.document.sort, note.document.totals.payable.to_string().as_str()),
        (DocumentSort::CreditNote, "25.29")
    );
    world.post_with("/v1/bill/drafts", &changes, &token).await.refused(409, "already-billed", "");
    let note = issue(&world, &token, note.document.id).await;
    assert_eq!(
        (note.document.number.as_deref(), note.document.changes.as_slice()),
        (Some("2026-0002"), &["2026-0001".to_owned()][..])
    );
    let same: BillReport = world.get_with(&format!("/v1/bill/bills/{}", bill.document.id), &token).await.reply();
    assert_eq!(same, bill);
    let back = json!({"take_back": {"bill": bill.document.id}});
    world.post_with("/v1/bill/drafts", &back, &token).await.refused(409, "bill-state", "");
}

async fn an_invoice_taken_back_may_be_billed_anew(world: World) {
    let (_, _, token, _) = office(&world, 60).await;
    let [draft] = self::draft(&world, &token, &month()).await.try_into().expect("one customer");
    let bill = issue(&world, &token, draft.document.id).await;
    let back = json!({"take_back": {"bill": bill.document.id}});
    let [credit] = self::draft(&world, &token, &back).await.try_into().expect("a credit note");
    assert_eq!(credit.document.totals, bill.document.totals);
    world.post_with("/v1/bill/drafts", &back, &token).await.refused(409, "already-billed", "");
    issue(&world, &token, credit.document.id).await;
    let [anew] = self::draft(&world, &token, &month()).await.try_into().expect("it is free");
    assert_eq!(issue(&world, &token, anew.document.id).await.document.number.as_deref(), Some("2026-0003"));
    assert_eq!(self::draft(&world, &token, &month()).await, []);
    let back = json!({"take_back": {"bill": OfficeId([0x99; 16])}});
    world.post_with("/v1/bill/drafts", &back, &token).await.refused(404, "not-found", "/take_back/bill");
}

/// 80 minutes come to 134.86 with tax.
async fn what_was_paid_before_is_of_one_bill(world: World) {
    let (_, _, token, _) = office(&world, 80).await;
    let paid = |amount: &str| json!({"period": {"from": "2026-05-01", "until": "2026-05-31", "paid": amount}});
    for (amount, place) in [("134.87", "/period/paid"), ("-1", "/period/paid"), ("0.005", "/period/paid")] {
        world.post_with("/v1/bill/drafts", &paid(amount), &token).await.refused(422, "out-of-range", place);
    }
    let [draft] = draft(&world, &token, &paid("134.86")).await.try_into().expect("one customer");
    let totals = &draft.document.totals;
    assert_eq!((totals.with_tax.to_string(), totals.payable.to_string()), ("134.86".into(), "0".into()));
    let bill = issue(&world, &token, draft.document.id).await;
    let back = json!({"take_back": {"bill": bill.document.id}});
    let [credit] = self::draft(&world, &token, &back).await.try_into().expect("a credit note");
    assert_eq!(
        (credit.document.totals.paid.to_string(), credit.document.totals.payable.to_string()),
        ("0".into(), "134.86".into())
    );
}

async fn an_accounting_program_pulls_what_is_new(world: World) {
    let (mut crew, _, token, _) = office(&world, 60).await;
    let ask = |after: Option<&str>| match after {
        None => "/v1/bill/issued?limit=1".to_owned(),
        Some(after) => format!("/v1/bill/issued?limit=1&after={after}"),
    };
    let none: IssuedReply = world.get_with(&ask(None), &token).await.reply();
    assert_eq!((none.items.len(), none.more), (0, false));
    let mut numbers = Vec::new();
    let mut next = none.next;
    for (from, minute) in [(3, 20), (4, 30)] {
        let [draft] = self::draft(&world, &token, &month()).await.try_into().expect("one");
        issue(&world, &token, draft.document.id).await;
        crew.record(EX3, minute, "repair_done", json!({"minutes": 10}));
        crew.sync(&world, from).await;
    }
    loop {
        let page: IssuedReply = world.get_with(&ask(Some(&next)), &token).await.reply();
        numbers.extend(page.items.iter().filter_map(|bill| bill.document.number.clone()));
        let again: IssuedReply = world.get_with(&ask(Some(&next)), &token).await.reply();
        assert_eq!(again, page, "a cursor gives the same again");
        next = page.next;
        if !page.more {
            break;
        }
    }
    assert_eq!(numbers, ["2026-0001", "2026-0002"]);
    let end: IssuedReply = world.get_with(&ask(Some(&next)), &token).await.reply();
    assert!(end.items.is_empty() && !end.more);
    let foreign = format!("/v1/bill/issued?customer={QUARRY}&after={next}");
    world.get_with(&foreign, &token).await.refused(400, "invalid-cursor", "after");
}

/// Of what the office writes and bills, a crew gets the hash alone.
/// A month of more lines than a bill has is refused whole, and billed in two halves.
async fn a_bill_that_is_too_long_is_cut_by_period(world: World) {
    let (mut crew, _, token, _) = office(&world, 80).await;
    // With the repair of before one more than fits, on two days.
    assert_eq!(LINES_MAX, PUSH_ENTRIES_MAX * 10);
    for day in 0..10 {
        for _ in 0..PUSH_ENTRIES_MAX {
            crew.record(EX3, -(day % 2) * 1440, "repair_done", json!({"minutes": 1}));
        }
        crew.sync(&world, crew.log.len() - PUSH_ENTRIES_MAX + 1).await;
    }
    let days = |from: &str, until: &str| json!({"period": {"from": from, "until": until}});
    world.post_with("/v1/bill/drafts", &month(), &token).await.refused(422, "out-of-range", "/lines");
    let drafts: List<BillReport> = world.get_with("/v1/bill/drafts", &token).await.reply();
    assert_eq!(drafts.items, [], "nothing is reserved by what was refused");
    let mut billed = 0;
    for (from, until) in [("2026-05-01", "2026-05-02"), ("2026-05-03", "2026-05-31")] {
        for draft in draft(&world, &token, &days(from, until)).await {
            billed += issue(&world, &token, draft.document.id).await.document.lines.len();
        }
    }
    assert_eq!(billed, LINES_MAX + 1);
}

async fn crews_see_nothing_of_the_office(world: World) {
    let (mut crew, _, token, repair) = office(&world, 60).await;
    let entry = write(
        &world,
        &token,
        &json!({"line": {"matter": format!("entry:{}:{}", repair.device, repair.seq),
        "part": "labour: any", "lines": [], "why": "goodwill towards North quarry"}}),
    )
    .await;
    let pulled = crew.sync(&world, 3).await.pull.entries;
    let found = pulled.iter().find(|one| EntryRef { device: one.device, seq: one.entry.seq() } == entry);
    let found = found.expect("the entry is delivered");
    let text = serde_json::to_string(&found.entry).expect("JSON");
    assert!(!text.contains("goodwill") && !text.contains("quarry"), "{text}");
    assert_ne!(found.entry.part_hash("office"), Hash::ZERO, "and its hash holds the chain");
    let token = crew.token(&world).await;
    world.get_with("/v1/bill/book", &token).await.refused(403, "forbidden", "");
}

async fn the_book_of_the_office_shows_what_counts_and_who_wrote_it(world: World) {
    let (_, clerk, token, repair) = office(&world, 60).await;
    let matter = format!("entry:{}:{}", repair.device, repair.seq);
    let waive =
        |lines: Value| json!({"line": {"matter": matter, "part": "labour: any", "lines": lines, "why": "goodwill"}});
    write(&world, &token, &waive(json!([]))).await;
    let book: List<OfficeItem> = world.get_with("/v1/bill/book", &token).await.reply();
    assert_eq!(book.items.len(), 5);
    assert!(book.items.iter().all(|item| item.stamp.by == clerk.person.id));
    let proposal: ProposalReply = world.get_with(&format!("/v1/bill/proposal?{PERIOD}"), &token).await.reply();
    assert_eq!(proposal.unbilled.len(), 1, "{proposal:?}");
    let waived = &proposal.unbilled[0];
    assert_eq!((waived.why, waived.decided.as_ref().map(|stamp| stamp.by)), (Why::Waived, Some(clerk.person.id)));
    write(&world, &token, &waive(json!([{"quantity": "30"}]))).await;
    let proposal: ProposalReply = world.get_with(&format!("/v1/bill/proposal?{PERIOD}"), &token).await.reply();
    assert_eq!(proposal.lines[0].line.quantity.to_string(), "30");
}

async fn what_cannot_be_is_told_with_its_place(world: World) {
    let (_, _, token, repair) = office(&world, 60).await;
    let post = |body: Value| {
        let (world, token) = (&world, &token);
        async move { world.post_with("/v1/bill/book", &body, token).await }
    };
    let rates = |change: &dyn Fn(&mut Value)| {
        let mut card = books()[2].clone();
        change(&mut card["rates"]["value"]);
        card
    };
    for (body, code, place) in [
        (rates(&|card| card["currency"] = json!("XAU")), "malformed-request", "/rates/value/currency"),
        (rates(&|card| card["call_out"] = json!(5)), "malformed-request", "/rates/value/call_out"),
        (rates(&|card| card["call_out"] = json!("1e9")), "malformed-request", "/rates/value/call_out"),
        (rates(&|card| card["call_out"] = json!("-1")), "out-of-range", "/call_out"),
        (rates(&|card| card["tax"] = json!({"category": "S"})), "out-of-range", "/tax/percent"),
        (rates(&|card| card["discount"] = json!("1")), "unknown-field", "/rates/value/discount"),
        (json!({"line": {"matter": "entry:x:1", "part": "any", "why": "any"}}), "malformed-request", "/line/matter"),
    ] {
        let answer = post(body.clone()).await;
        let (status, found, at) = answer.refusal();
        assert_eq!((status, found.as_str()), (422, code), "{body}: {at}");
        assert!(at.ends_with(place.rsplit('/').next().expect("a name")) || place.starts_with(&at), "{body}: {at}");
    }
    let vast = json!({"line": {"matter": format!("entry:{}:{}", repair.device, repair.seq), "part": "labour: any",
        "lines": [{"quantity": "999999999999", "price": "999999999999"}], "why": "a slip"}});
    post(vast).await.json();
    world.post_with("/v1/bill/drafts", &month(), &token).await.refused(422, "amount-overflow", "/lines/0");
    let backwards = "/v1/bill/proposal?from=2026-05-02&until=2026-05-01";
    world.get_with(backwards, &token).await.refused(422, "out-of-range", "until");
    let nowhere = json!({"job": OfficeId([0x99; 16]), "entries": [repair]});
    world.post_with("/v1/bill/assign", &nowhere, &token).await.refused(404, "not-found", "/job");
    world.post_with("/v1/bill/assign", &json!({"job": DIG, "entries": []}), &token).await.refused(
        422,
        "out-of-range",
        "/entries",
    );
    let unknown =
        TestRequest::get().uri("/v1/bill/bills/nothing").insert_header(("Authorization", format!("Bearer {token}")));
    world.send(unknown).await.refused(404, "not-found", "");
}

async fn two_offices_at_once_bill_once(world: World) {
    let (_, _, token, _) = office(&world, 60).await;
    let other = world.phone("O2", Role::Office).await.token(&world).await;
    let body = month();
    let (one, two) = tokio::join!(
        world.post_with("/v1/bill/drafts", &body, &token),
        world.post_with("/v1/bill/drafts", &body, &other)
    );
    let count = |answer: &crate::world::Answer| answer.reply::<List<BillReport>>().items.len();
    assert_eq!(count(&one) + count(&two), 1, "one of them has it, the other is told there is nothing left");
    let drafts: List<BillReport> = world.get_with("/v1/bill/drafts", &token).await.reply();
    let id = drafts.items[0].document.id;
    let path = format!("/v1/bill/bills/{id}/issue");
    let body = json!({});
    let (one, two) = tokio::join!(world.post_with(&path, &body, &token), world.post_with(&path, &body, &other));
    assert_eq!(one.reply::<BillReport>(), two.reply::<BillReport>());
    let all: IssuedReply = world.get_with("/v1/bill/issued", &token).await.reply();
    assert_eq!(all.items.len(), 1);
}

#[actix_web::test]
async fn a_bill_that_is_too_long_is_cut() {
    a_bill_that_is_too_long_is_cut_by_period(World::memory().await).await;
}

on_every_store! {
    records_become_an_invoice
    files_say_what_the_bill_says
    a_bill_is_printed_as_it_is
    a_correction_after_issue_is_proposed_and_nothing_issued_changes
    an_invoice_taken_back_may_be_billed_anew
    what_was_paid_before_is_of_one_bill
    an_accounting_program_pulls_what_is_new
    crews_see_nothing_of_the_office
    the_book_of_the_office_shows_what_counts_and_who_wrote_it
    what_cannot_be_is_told_with_its_place
    two_offices_at_once_bill_once
}
