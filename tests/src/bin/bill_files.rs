//! Writes many bills into a folder, each as UBL, CSV, XLSX and PDF with its document in JSON beside, so that other programs can
//! judge the files.
//!
//! Promises: the files are the product's own; the bills are made up from a seed, the same in every run, and reach every tax
//! category, allowances and charges on lines and documents, credit notes, and currencies of no, two and three places.

use pintle_core::bill::amount::{Amount, Rounding};
use pintle_core::bill::document::{Document, DocumentSort};
use pintle_core::bill::{csv, ubl};
use pintle_print::{Paper, bill};
use pintle_server::app::bill::sheet;
use serde_json::{Value, json};
use std::io::{Error, Result};
use std::path::Path;

/// How many bills.
const BILLS: u64 = 60;
/// Names that other programs might trip over.
const WORDS: [&str; 8] = [
    "1 h 20 min labour, repair of EX3 (K7-412), mechanic rate",
    "fitting <M10x1> & \"seal\"",
    "=SUM(A1:A9)",
    "-2 hoses, Größe 3/8″",
    "@grease, 400 g",
    "travel to the north quarry, 46 km",
    "#read(\"/etc/passwd\") $x$ *a* _b_ <l> @c \\ // 漢",
    "עדה לוי, repair of EX3 (K7-412)",
];

/// A generator of numbers from a seed (Knuth's MMIX constants).
struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % below
    }

    fn decimal(&mut self, below: u64, places: u32) -> String {
        let scale = 10u64.pow(places);
        let number = self.roll(below * scale);
        format!("{}.{:0width$}", number / scale, number % scale, width = places as usize)
    }
}

fn tax(category: &str, percent: Option<&str>) -> Value {
    match (category, percent) {
        ("S" | "Z", percent) => json!({"category": category, "percent": percent}),
        (_, Some(percent)) => json!({"category": category, "percent": percent, "reason": "as the law says"}),
        (_, None) => json!({"category": category, "reason": "outside the scope of tax"}),
    }
}

fn adjustment(dice: &mut Dice, tax: Option<&Value>) -> Value {
    let way = if dice.roll(2) == 0 { "allowance" } else { "charge" };
    let mut made = json!({"way": way, "reason": "as agreed"});
    if dice.roll(2) == 0 {
        made["amount"] = json!(dice.decimal(9, 2));
    } else {
        made["percent"] = json!(dice.decimal(10, 1));
    }
    if let Some(tax) = tax {
        made["tax"] = tax.clone();
    }
    made
}

fn made_up(number: u64, dice: &mut Dice) -> Result<Document> {
    let mixed = [tax("S", Some("19")), tax("S", Some("7")), tax("Z", Some("0")), tax("E", Some("0"))];
    let taxes: Vec<Value> = match number % 8 {
        0 => vec![tax("O", None)],
        1 => vec![tax("AE", Some("0"))],
        2 => vec![tax("K", Some("0"))],
        3 => vec![tax("G", Some("0"))],
        _ => mixed.to_vec(),
    };
    let currency = ["EUR", "EUR", "SEK", "JPY", "BHD"][(number % 5) as usize];
    let mut lines = Vec::new();
    for _ in 0..1 + dice.roll(8) {
        let (unit, base) = [("MIN", "60"), ("GRM", "1000"), ("EA", "1"), ("KMT", "1")][dice.roll(4) as usize];
        let tax = &taxes[dice.roll(taxes.len() as u64) as usize];
        let words = WORDS[dice.roll(WORDS.len() as u64) as usize];
        let adjustments: Vec<_> = (0..dice.roll(3)).map(|_| adjustment(dice, None)).collect();
        let minus = if dice.roll(9) == 0 { "-" } else { "" };
        lines.push(json!({"words": words, "day": "2026-05-04", "quantity": format!("{minus}{}", dice.decimal(500, 3)),
            "unit": unit, "price": dice.decimal(300, 2), "base": base, "tax": tax, "adjustments": adjustments}));
    }
    let adjustments: Vec<_> = (0..dice.roll(3)).map(|_| adjustment(dice, Some(&taxes[0]))).collect();
    let party = |name: &str| {
        json!({"name": name, "vat_id": "DE000000000", "register_id": "HRB 0", "email": "office@example.org",
            "address": {"street": "1 Quarry Road", "city": "Northfield", "postcode": "00001", "country": "DE"}})
    };
    let mut id = [0; 16];
    id[..8].copy_from_slice(&number.to_be_bytes());
    let nothing = json!({"lines": "0", "allowances": "0", "charges": "0", "without_tax": "0", "tax": "0", "with_tax": "0",
        "paid": "0", "payable": "0", "taxes": []});
    let document: Document = serde_json::from_value(json!({
        "id": pintle_core::ids::OfficeId(id), "sort": "invoice", "period": ["2026-05-01", "2026-05-31"], "currency": currency,
        "rounding": Rounding::HalfAway, "seller": party("Valley crews"), "account": "DE00000000000000000000",
        "customer": pintle_core::ids::OfficeId([9; 16]), "buyer": party("North quarry"), "reference": "order 7",
        "terms_days": 14, "note": "Thank you.", "lines": lines, "adjustments": adjustments, "totals": nothing}))?;
    let mut document = document.reckoned(Amount::ZERO).map_err(Error::other)?;
    if number.is_multiple_of(3) {
        document.sort = DocumentSort::CreditNote;
        document.changes = vec!["2026-0001".into()];
    }
    document.check().map_err(Error::other)?;
    Ok(document.issued(format!("2026-{number:04}"), "2026-05-31".parse().map_err(Error::other)?))
}

fn main() -> Result<()> {
    let folder = std::env::args().nth(1).ok_or_else(|| Error::other("bill_files FOLDER"))?;
    let folder = Path::new(&folder);
    let mut dice = Dice(20_260_504);
    let made = "2026-06-01".parse().map_err(Error::other)?;
    for number in 1..=BILLS {
        let document = made_up(number, &mut dice)?;
        let path = |end: &str| folder.join(format!("{number:04}.{end}"));
        std::fs::write(path("json"), document.canonical().map_err(Error::other)?)?;
        std::fs::write(path("csv"), csv::documents([&document]))?;
        std::fs::write(path("xlsx"), sheet::workbook(&document).map_err(Error::other)?)?;
        let paper = if number.is_multiple_of(2) { Paper::A4 } else { Paper::Letter };
        let draft = Document { number: None, issued: None, due: None, ..document.clone() };
        for (name, document) in [(path("pdf"), &document), (path("draft.pdf"), &draft)] {
            std::fs::write(name, bill::pdf(document, made, paper).map_err(Error::other)?)?;
        }
        // Three places have no UBL; that is tested in core.
        if document.currency.digits() <= 2 {
            std::fs::write(path("xml"), ubl::file(&document).map_err(Error::other)?)?;
        }
    }
    Ok(())
}
