//! Examples of billing: one customer, one job, one repair, one invoice.
//!
//! Promises: reckoned by the same code as everything else, so that the sums are true.
//! Never real firms or people.

use crate::endpoints::bills::{BillReport, IssuedReport, OfficeItem, ProposalReply};
use crate::endpoints::notices::{NoticeReport, NoticeState};
use pintle_core::EntryRef;
use pintle_core::bill::amount::Amount;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::Document;
use pintle_core::bill::propose::{Proposed, Unbilled};
use pintle_core::bill::written::Written;
use pintle_core::bill::{csv as csv_of, ubl as ubl_of};
use pintle_core::book::Stamp;
use pintle_core::ids::{Hash, OfficeId, PersonId};
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// The job of the examples.
pub const JOB: OfficeId = OfficeId([0x20; 16]);
/// The bill of the examples.
pub const BILL: OfficeId = OfficeId([0x40; 16]);
const CUSTOMER: OfficeId = OfficeId([0x10; 16]);
const RATES: OfficeId = OfficeId([0x30; 16]);
const PERSON: PersonId = PersonId([5; 16]);
const NOW_MS: i64 = 1_780_300_800_000;

#[allow(clippy::expect_used, reason = "examples are constants, and a test reads every one of them")]
fn of<T: DeserializeOwned>(value: Value) -> T {
    serde_json::from_value(value).expect("an example of its type")
}

/// An entry.
#[must_use]
pub fn entry() -> EntryRef {
    EntryRef { device: crate::sample::device_report(0).id, seq: 412 }
}

/// First and last day of a month.
#[must_use]
pub fn may() -> (Day, Day) {
    of(json!(["2026-05-01", "2026-05-31"]))
}

/// What the office wrote.
#[must_use]
pub fn written() -> [Written; 3] {
    let customer = json!({"customer": {"id": CUSTOMER, "value": {"rates": RATES, "terms_days": 14, "party": {
        "name": "North quarry", "address": {"street": "1 Quarry Road", "postcode": "00001", "city": "Northfield", "country": "DE"}}}}});
    let rates = json!({"rates": {"id": RATES, "value": {"name": "standard", "from": "2026-01-01", "currency": "EUR",
        "labour": [{"name": "mechanic", "role": "mechanic", "per_hour": "85"}], "call_out": "60",
        "parts": [{"name": "fitting M10x1", "unit": "EA", "cost": "2"}], "markup_percent": "25",
        "tax": {"category": "S", "percent": "19"}}}});
    let job = json!({"job": {"id": JOB, "value": {"name": "dig", "customer": CUSTOMER, "from": "2026-05-01",
        "machines": [crate::sample::machine()]}}});
    of(json!([customer, rates, job]))
}

/// The same, with who wrote it.
#[must_use]
pub fn office() -> Vec<OfficeItem> {
    let stamp =
        |seq| Stamp { entry: EntryRef { device: entry().device, seq }, at: crate::sample::moment(), by: PERSON };
    (1..).zip(written()).map(|(seq, written)| OfficeItem { written, stamp: stamp(seq) }).collect()
}

fn document() -> Document {
    let matter = format!("entry:{}:{}", entry().device, entry().seq);
    let document: Document = of(json!({
        "id": BILL, "sort": "invoice", "period": may(), "currency": "EUR", "rounding": "half-away", "customer": CUSTOMER,
        "seller": {"name": "Valley crews", "vat_id": "DE000000000", "address": {"city": "Valley", "country": "DE"}},
        "buyer": {"name": "North quarry", "address": {"city": "Northfield", "country": "DE"}}, "terms_days": 14,
        "lines": [{
            "source": {"matter": matter, "part": "labour: mechanic", "recorded": "80"},
            "words": "1 h 20 min labour, repair of EX3 (K7-412), mechanic rate", "day": "2026-05-04",
            "quantity": "80", "unit": "MIN", "price": "85", "base": "60", "tax": {"category": "S", "percent": "19"}, "net": "0"}],
        "totals": {"lines": "0", "allowances": "0", "charges": "0", "without_tax": "0", "tax": "0", "with_tax": "0",
            "paid": "0", "payable": "0", "taxes": []}}));
    #[allow(clippy::expect_used, reason = "80 minutes at 85.00 fit")]
    document.reckoned(Amount::ZERO).expect("it fits")
}

/// What could be billed.
#[must_use]
pub fn proposal() -> ProposalReply {
    let [line] = document().lines.try_into().unwrap_or_else(|_| [document().lines[0].clone()]);
    let proposed: Proposed = of(json!({"customer": CUSTOMER, "job": JOB, "machine": crate::sample::machine(),
        "sort": "labour", "line": line}));
    let unbilled: Unbilled =
        of(json!({"matter": format!("entry:{}:420", entry().device), "machine": crate::sample::machine(),
        "day": "2026-05-05", "why": "no-minutes", "words": "grease of EX3 (K7-420), without minutes"}));
    let others = BTreeMap::from([("meter_read".to_owned(), 14)]);
    ProposalReply { lines: vec![proposed], unbilled: vec![unbilled], billed: 0, others }
}

/// A draft.
#[must_use]
pub fn draft() -> BillReport {
    BillReport { document: document(), made_by: PERSON, made_ms: NOW_MS, issued: None }
}

/// The same, issued.
#[must_use]
pub fn issued() -> BillReport {
    let document = document().issued("2026-0001".into(), may().1);
    let digest = document.digest().unwrap_or(Hash::ZERO);
    let issued = Some(IssuedReport { place: 1, digest, by: PERSON, at_ms: NOW_MS });
    BillReport { document, issued, ..draft() }
}

/// The notice of it: taken at the second try.
#[must_use]
pub fn notice() -> NoticeReport {
    let tried_ms = Some(NOW_MS + 6_000);
    NoticeReport {
        bill: BILL,
        place: 1,
        number: "2026-0001".into(),
        state: NoticeState::Taken,
        tries: 2,
        tried_ms,
        answer: None,
        next_ms: None,
        taken_ms: tried_ms,
    }
}

/// Its file in UBL.
#[must_use]
pub fn ubl() -> String {
    ubl_of::file(&issued().document).unwrap_or_default()
}

/// Its records.
#[must_use]
pub fn csv() -> String {
    csv_of::documents([&issued().document])
}
