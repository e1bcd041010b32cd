//! From a repair at the machine to an invoice and its files, with real programs: what an office types, and what it gets.
//!
//! Promises: the server is killed between the acts of billing, and nothing is billed twice for it. Amounts are worked by hand.

use crate::whole::House;
use pintle_core::ids::OfficeId;
use pintle_tests::demo::scenario::Crew;
use serde_json::Value;
use std::path::Path;

const BOOK: &str = r#"
[seller]
name = "Valley crews"
vat_id = "DE000000000"
country = "DE"
number_prefix = "2026-"

[[rates]]
name = "standard"
from = 2026-01-01
currency = "EUR"
labour = [{ name = "mechanic", per_hour = 85.00 }]
call_out = 60
parts = [{ name = "fitting M10x1", unit = "EA", cost = 2 }]
markup_percent = 25
tax = { category = "S", percent = 19 }

[[customers]]
name = "North quarry"
country = "DE"
rates = "standard"
terms_days = 14

[[jobs]]
name = "dig"
customer = "North quarry"
machines = ["EX3"]
from = 2026-05-01
"#;

fn path(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

fn numbers(bills: &Value) -> Vec<&str> {
    let bills = bills["bills"].as_array().expect("bills");
    bills.iter().filter_map(|bill| bill.pointer("/document/number")?.as_str()).collect()
}

fn payable(bill: &Value) -> Option<&str> {
    bill.pointer("/document/totals/payable")?.as_str()
}

/// What the draft is called.
fn short(bill: &Value) -> String {
    let id = bill["document"]["id"].as_str().expect("an id");
    id.parse::<OfficeId>().expect("an id").short()
}

/// Without the line breaks of a narrow screen.
fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_repair_becomes_an_invoice_and_a_correction_a_credit_note() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7]);
    let office = Crew::K7;
    house.must(office, &["machine", "add", "EX3"]);
    house.must(office, &["repair", "EX3", "new fitting", "--minutes", "80", "--part", "fitting M10x1:2 pieces"]);
    house.must(office, &["sync"]);
    let folder = house.stage.folder().to_owned();
    let book = folder.join("book.toml");
    std::fs::write(&book, BOOK).expect("a file");
    let told = house.must(office, &["bill", "book", path(&book)]);
    assert!(flowing(&told).starts_with("4 written down, with your name."), "{told}");
    assert!(house.must(office, &["bill", "book", path(&book)]).starts_with("Nothing has changed."));

    let look = house.must(office, &["bill", "look", "2026-05"]);
    assert_eq!(
        flowing(&look),
        "North quarry 1 h 20 min labour, repair of EX3 (K7-2), mechanic rate 2 × fitting M10x1, repair of EX3 (K7-2) \
         call-out on 4 May 2026 for dig, first work K7-2"
    );
    // 113.33 + 5.00 + 60.00 = 178.33, with 19 % 212.21.
    let (drafts, _) = house.json(office, &["bill", "draft", "2026-05"]);
    assert_eq!(payable(&drafts["bills"][0]), Some("212.21"));
    house.stage.kill_server().expect("killed");
    house.stage.start_server("Valley crews").expect("the server again");
    assert_eq!(house.must(office, &["bill", "draft", "2026-05"]), "There is nothing to bill.\n", "it is reserved");
    let id = short(&drafts["bills"][0]);
    let (issued, _) = house.json(office, &["bill", "issue", &id, "--on", "2026-05-04"]);
    assert_eq!(numbers(&issued), ["2026-0001"]);
    house.stage.kill_server().expect("killed");
    house.stage.start_server("Valley crews").expect("the server again");
    assert_eq!(house.json(office, &["bill", "issue", "2026-0001"]).0, issued, "asked again: the same");

    for end in ["xml", "csv", "xlsx", "pdf"] {
        let file = folder.join(format!("bill.{end}"));
        house.must(office, &["bill", "save", "2026-0001", path(&file)]);
        let bytes = std::fs::read(&file).expect("it was saved");
        let text = String::from_utf8_lossy(&bytes);
        match end {
            "xml" => assert!(text.contains("<cbc:PayableAmount currencyID=\"EUR\">212.21</cbc:PayableAmount>")),
            "csv" => assert!(text.contains(",113.33,") && text.contains("\"North quarry\"")),
            "xlsx" => assert!(bytes.starts_with(b"PK")),
            _ => assert!(bytes.starts_with(b"%PDF-")),
        }
    }
    let letter = folder.join("letter.pdf");
    house.must(office, &["bill", "save", "2026-0001", path(&letter), "--paper", "letter"]);
    assert_ne!(std::fs::read(&letter).expect("it was saved"), std::fs::read(folder.join("bill.pdf")).expect("it too"));
    house.must(office, &["correct", "K7-2", "minutes", "60"]);
    house.must(office, &["sync"]);
    // 20 minutes are 28.33, with 19 % 33.71.
    let (changes, _) = house.json(office, &["bill", "changes", "North quarry"]);
    assert_eq!(
        (changes["bills"][0]["document"]["sort"].as_str(), payable(&changes["bills"][0])),
        (Some("credit-note"), Some("33.71"))
    );
    let id = short(&changes["bills"][0]);
    house.must(office, &["bill", "issue", &id]);
    let all = house.must(office, &["bill", "issued"]);
    assert_eq!(
        flowing(&all),
        "2026-0001 invoice, North quarry, 212.21 EUR, 3 lines 2026-0002 credit note, North quarry, 33.71 EUR, 1 line"
    );
    assert_eq!(house.must(office, &["bill", "drafts"]), "No drafts.\n");
}
