//! Documents against published example invoices, and laws that any document must keep.
//!
//! The three tables beside this file hold what the examples print: Peppol BIS Billing 3.0 (2025-05-29) and the CEN/EC
//! validation artefacts of EN 16931 (2026-04-14). Inputs go in, sums are reckoned, the printed sums are compared.

use pintle_core::bill::amount::{Amount, Rounding};
use pintle_core::bill::document::{Adjustment, Document, DocumentSort, Line, Tax, Totals, Way};
use pintle_core::bill::{csv, ubl};
use pintle_core::fault::code;
use pintle_core::ids::OfficeId;
use proptest::prelude::*;
use std::collections::BTreeMap;

const PEPPOL_LINES: &str = include_str!("../data/bill/peppol_example_lines.csv");
const PEPPOL_TOTALS: &str = include_str!("../data/bill/peppol_example_totals.csv");
const CEN_TOTALS: &str = include_str!("../data/bill/ubl_example_totals.csv");

pub fn amount(text: &str) -> Amount {
    text.parse().unwrap_or_else(|_| panic!("{text:?} is no amount"))
}

fn optional(text: &str) -> Amount {
    if text.is_empty() { Amount::ZERO } else { amount(text) }
}

pub fn tax(category: &str, percent: Option<&str>) -> Tax {
    let reason = ["E", "AE", "K", "G", "O"].contains(&category).then(|| "as the law says".to_owned());
    Tax { category: category.into(), percent: percent.map(amount), reason }
}

pub fn line(quantity: &str, unit: &str, price: &str, base: &str, tax: Tax) -> Line {
    Line {
        source: None,
        words: "work".into(),
        day: None,
        quantity: amount(quantity),
        unit: unit.into(),
        price: amount(price),
        base: amount(base),
        adjustments: Vec::new(),
        tax,
        net: Amount::ZERO,
    }
}

pub fn adjustment(way: Way, by: &str, tax: Option<Tax>) -> Adjustment {
    Adjustment { way, amount: Some(amount(by)), percent: None, reason: "agreed".into(), tax }
}

pub fn document(currency: &str, lines: Vec<Line>) -> Document {
    let party = |name: &str| {
        serde_json::from_value(serde_json::json!({"name": name, "vat_id": "XX123", "address": {"country": "DE"}}))
    };
    Document {
        id: OfficeId([1; 16]),
        sort: DocumentSort::Invoice,
        number: None,
        issued: None,
        due: None,
        changes: Vec::new(),
        period: None,
        currency: currency.parse().expect(currency),
        rounding: Rounding::HalfAway,
        seller: party("Valley crews").expect("a party"),
        account: None,
        customer: OfficeId([2; 16]),
        buyer: party("North quarry").expect("a party"),
        reference: None,
        terms_days: 30,
        note: None,
        lines,
        adjustments: Vec::new(),
        totals: Totals::default(),
    }
}

/// Rows of a table with its first column as key; lines that begin with `#` name the source.
fn rows(table: &str) -> Vec<BTreeMap<&str, String>> {
    let mut lines = table.lines().filter(|line| !line.starts_with('#'));
    let names: Vec<&str> = lines.next().expect("a header").split(',').collect();
    let cells = |line: &str| {
        let (mut cells, mut quoted) = (vec![String::new()], false);
        for c in line.chars() {
            match c {
                '"' => quoted = !quoted,
                ',' if !quoted => cells.push(String::new()),
                c => cells.last_mut().expect("one").push(c),
            }
        }
        cells
    };
    let named = |line: &str| names.iter().copied().zip(cells(line)).collect();
    lines.filter(|line| !line.trim().is_empty()).map(named).collect()
}

/// `S@25:1460.50->365.13 | E@0:-25.00->0.00`
fn breakdown(row: &BTreeMap<&str, String>) -> Vec<(Tax, Amount, Amount)> {
    let text = &row["vat_breakdown(cat@rate:taxable->tax)"];
    let one = |part: &str| {
        let (key, sums) = part.trim().split_once(':').expect("a key");
        let (category, percent) = key.split_once('@').expect("a rate");
        let (taxable, charged) = sums.split_once("->").expect("two sums");
        (tax(category, (!percent.is_empty()).then_some(percent)), amount(taxable), amount(charged))
    };
    text.split('|').map(one).collect()
}

/// Compares what was reckoned with what is printed.
fn as_printed(document: &Document, row: &BTreeMap<&str, String>) {
    let (name, totals) = (&row["file"], &document.totals);
    for (column, reckoned) in [
        ("BT106_line_sum", totals.lines),
        ("BT107_allow", totals.allowances),
        ("BT108_charge", totals.charges),
        ("BT109_excl", totals.without_tax),
        ("BT110_vat", totals.tax),
        ("BT112_incl", totals.with_tax),
        ("BT113_paid", totals.paid),
        ("BT115_due", totals.payable),
    ] {
        assert_eq!(reckoned, optional(&row[column]), "{name}: {column}");
    }
    let mut printed = breakdown(row);
    printed.sort_by(|a, b| (&a.0.category, a.0.percent).cmp(&(&b.0.category, b.0.percent)));
    let reckoned: Vec<_> = totals.taxes.iter().map(|sum| (sum.tax.clone(), sum.taxable, sum.amount)).collect();
    assert_eq!(reckoned, printed, "{name}");
}

/// Peppol BIS Billing 3.0: quantities, prices, base quantities and line allowances in; every printed sum out.
#[test]
fn peppol_examples_from_their_lines() {
    let all = rows(PEPPOL_LINES);
    let mut examples = 0;
    for row in rows(PEPPOL_TOTALS) {
        let taxes = breakdown(&row);
        let of_file: Vec<_> = all.iter().filter(|line| line["file"] == row["file"]).collect();
        assert_eq!(of_file.len().to_string(), row["lines"], "{}", row["file"]);
        let mut lines = Vec::new();
        for input in &of_file {
            // Only one example has two taxes: its second line is the exempt one.
            let exempt = taxes.len() > 1 && input["line_id"] == "2";
            let of_line = taxes.iter().find(|(tax, _, _)| (tax.category == "E") == exempt || taxes.len() == 1);
            let mut made = line(
                &input["qty"],
                &input["unit"],
                &input["price"],
                &input["base_qty"],
                of_line.expect("a tax").0.clone(),
            );
            let by = amount(&input["adj"]);
            if by.is_negative() {
                made.adjustments.push(adjustment(Way::Allowance, &by.negated().to_string(), None));
            }
            lines.push(made);
        }
        let mut example = document(&row["currency"], lines);
        let standard = taxes.iter().find(|(tax, _, _)| tax.category != "E").unwrap_or(&taxes[0]).0.clone();
        for (column, way) in [("BT107_allow", Way::Allowance), ("BT108_charge", Way::Charge)] {
            // The example of credited charges has a charge below zero, which is an allowance here.
            let by = optional(&row[column]);
            if !by.is_zero() && !by.is_negative() {
                example.adjustments.push(adjustment(way, &by.to_string(), Some(standard.clone())));
            }
        }
        if optional(&row["BT108_charge"]).is_negative() {
            let back = optional(&row["BT108_charge"]).negated();
            example.adjustments.push(adjustment(Way::Allowance, &back.to_string(), Some(standard)));
            let reckoned = example.reckoned(Amount::ZERO).expect("it fits").totals;
            for (column, sum) in
                [("BT109_excl", reckoned.without_tax), ("BT110_vat", reckoned.tax), ("BT115_due", reckoned.payable)]
            {
                assert_eq!(sum, amount(&row[column]), "{}: {column}", row["file"]);
            }
        } else {
            let example = example.reckoned(optional(&row["BT113_paid"])).expect("it fits");
            for (line, input) in example.lines.iter().zip(&of_file) {
                assert_eq!(line.net, amount(&input["line_net"]), "{} line {}", row["file"], input["line_id"]);
            }
            as_printed(&example, &row);
        }
        examples += 1;
    }
    assert_eq!(examples, 7);
}

/// CEN/EC EN 16931 artefacts: what is taxed at each rate in, the taxes and every printed sum out. 365.125 is printed as
/// 365.13 and 156435.885 as 156435.89: half away from zero.
#[test]
fn cen_examples_from_what_is_taxed() {
    let mut examples = 0;
    for row in rows(CEN_TOTALS) {
        let lines = breakdown(&row).into_iter().map(|(tax, taxable, _)| {
            // A line below nothing is a quantity below nothing: prices are not (BR-27).
            let size = if taxable.is_negative() { taxable.negated() } else { taxable };
            line(if taxable.is_negative() { "-1" } else { "1" }, "C62", &size.to_string(), "1", tax)
        });
        let mut example = document(&row["currency"], lines.collect());
        let standard = example.lines[0].tax.clone();
        for (column, way) in [("BT107_allow", Way::Allowance), ("BT108_charge", Way::Charge)] {
            let by = optional(&row[column]);
            if !by.is_zero() {
                example.adjustments.push(adjustment(way, &by.to_string(), Some(standard.clone())));
            }
        }
        let example = example.reckoned(optional(&row["BT113_paid"])).expect("it fits");
        as_printed(&example, &row);
        examples += 1;
    }
    assert_eq!(examples, 13);
}

/// BR-CO-17: the tax of a rate is reckoned from its sum, not line by line. Worked by hand: three times 0.33 at 10 %.
#[test]
fn tax_is_of_the_sum() {
    let lines = (0..3).map(|_| line("1", "C62", "0.33", "1", tax("S", Some("10")))).collect();
    let totals = document("EUR", lines).reckoned(Amount::ZERO).expect("it fits").totals;
    assert_eq!((totals.without_tax, totals.tax, totals.with_tax), (amount("0.99"), amount("0.10"), amount("1.09")));
}

/// ISO 4217: the yen has no places, the Bahraini dinar three, the Chilean unit four. Worked by hand.
#[test]
fn currencies_round_to_their_own_places() {
    for (currency, net, charged, written) in [
        ("JPY", "1235", "124", "1359"),
        ("EUR", "1234.57", "123.46", "1358.03"),
        ("BHD", "1234.568", "123.457", "1358.025"),
        ("CLF", "1234.5678", "123.4568", "1358.0246"),
    ] {
        let one = line("1", "C62", "1234.5678", "1", tax("S", Some("10")));
        let made = document(currency, vec![one]).reckoned(Amount::ZERO).expect("it fits");
        let digits = made.currency.digits();
        assert_eq!((made.totals.lines, made.totals.tax), (amount(net), amount(charged)), "{currency}");
        assert_eq!(made.totals.payable.fixed(digits), written, "{currency}");
        let out = ubl::file(&made.issued("1".into(), "2026-05-31".parse().expect("a day")));
        match digits {
            // EN 16931, BR-DEC: two places at most.
            0 | 2 => assert!(
                out.expect("a file").contains(&format!("currencyID=\"{currency}\">{written}</cbc:PayableAmount>"))
            ),
            _ => assert_eq!(out.expect_err("three places").code, code::OUT_OF_RANGE),
        }
    }
}

#[test]
fn what_cannot_be_reckoned_is_a_fault_with_its_place() {
    let most = "999999999999";
    let vast = line(most, "C62", most, "1", tax("S", Some("19")));
    let fault = document("EUR", vec![vast]).reckoned(Amount::ZERO).expect_err("too large");
    assert_eq!((fault.code.as_str(), fault.pointer.as_str()), (code::AMOUNT_OVERFLOW, "/lines/0"));
    let below = line("1", "C62", "-1", "1", tax("S", Some("19")));
    let fault = document("EUR", vec![below]).reckoned(Amount::ZERO).expect_err("below zero");
    assert_eq!((fault.code.as_str(), fault.pointer.as_str()), (code::OUT_OF_RANGE, "/lines/0/price"));
    let nothing = line("1", "C62", "1", "0", tax("S", Some("19")));
    assert_eq!(document("EUR", vec![nothing]).reckoned(Amount::ZERO).expect_err("no base").code, code::OUT_OF_RANGE);
    let mut untaxed = document("EUR", vec![line("1", "C62", "1", "1", tax("S", Some("19")))]);
    untaxed.adjustments.push(adjustment(Way::Charge, "1", None));
    assert_eq!(untaxed.reckoned(Amount::ZERO).expect_err("no tax").pointer, "/adjustments/0/tax");
    let draft = document("EUR", vec![]);
    assert_eq!(ubl::file(&draft).expect_err("a draft").code, code::BAD_TARGET);
    assert_eq!(draft.check().expect_err("empty").pointer, "/lines");
}

/// Rules of EN 16931 about who is named, before a document is issued rather than after it was sent.
#[test]
fn a_bill_that_lacks_something_is_not_issued() {
    let bill = |category: &str, percent: Option<&str>| {
        document("EUR", vec![line("1", "C62", "1", "1", tax(category, percent))])
    };
    let check = |document: Document| document.reckoned(Amount::ZERO).expect("it fits").check();
    assert_eq!(check(bill("S", Some("19"))), Ok(()));
    let mut nameless = bill("S", Some("19"));
    nameless.seller.vat_id = None;
    assert_eq!(check(nameless).expect_err("BR-S-02").pointer, "/seller/vat_id");
    let mut nameless = bill("AE", Some("0"));
    nameless.buyer.vat_id = None;
    assert_eq!(check(nameless).expect_err("BR-AE-02").pointer, "/buyer/vat_id");
    let mut mixed = bill("O", None);
    mixed.lines.push(line("1", "C62", "1", "1", tax("S", Some("19"))));
    assert_eq!(check(mixed).expect_err("BR-O-11").pointer, "/lines");
    for (category, percent, pointer) in [
        ("S", Some("0"), "/lines/0/tax/percent"),
        ("S", None, "/lines/0/tax/percent"),
        ("E", Some("7"), "/lines/0/tax/percent"),
        ("O", Some("0"), "/lines/0/tax/percent"),
        ("X", Some("1"), "/lines/0/tax/category"),
    ] {
        assert_eq!(check(bill(category, percent)).expect_err(category).pointer, pointer);
    }
}

fn any_line() -> impl Strategy<Value = Line> {
    let taxes = prop_oneof![
        Just(tax("S", Some("19"))),
        Just(tax("S", Some("7"))),
        Just(tax("S", Some("5.5"))),
        Just(tax("Z", Some("0"))),
        Just(tax("E", Some("0")))
    ];
    let base = prop_oneof![Just("1"), Just("60"), Just("1000"), Just("0.5")];
    let allowance = prop::option::of((0..2u8, 0..10_000i64));
    (-100_000..1_000_000i64, 0..2_000_000i64, base, taxes, allowance, "[ -~äß<&\"=+@]{1,40}").prop_map(
        |(milli, price_milli, base, tax, allowance, words)| {
            let mut made = line("1", "MIN", "1", base, tax);
            made.quantity = Amount::from_milli(milli).expect("small");
            made.price = Amount::from_milli(price_milli).expect("small");
            made.words = words;
            if let Some((way, milli)) = allowance {
                let way = if way == 0 { Way::Allowance } else { Way::Charge };
                made.adjustments.push(adjustment(way, &Amount::from_milli(milli).expect("small").to_string(), None));
            }
            made
        },
    )
}

/// What a file says under a name, in order.
fn leaves<'a>(xml: &'a str, name: &str) -> Vec<&'a str> {
    let (open, close) = (format!("<cbc:{name}"), format!("</cbc:{name}>"));
    let found = xml
        .split(&open)
        .skip(1)
        .filter_map(|rest| rest.split_once('>'))
        .filter(|(start, _)| start.is_empty() || start.starts_with(' '));
    found.filter_map(|(_, rest)| rest.split(&close).next()).collect()
}

proptest! {
    /// For any lines: the sums are sums, every tax is of its sum, and each file says the same.
    #[test]
    fn lines_sums_and_files_say_the_same(
        lines in prop::collection::vec(any_line(), 1..20),
        off in prop::option::of(0..100_000i64),
        currency in prop_oneof![Just("EUR"), Just("JPY"), Just("BHD")],
        even in any::<bool>(),
        credit in any::<bool>(),
    ) {
        let mut made = document(currency, lines);
        made.rounding = if even { Rounding::HalfEven } else { Rounding::HalfAway };
        made.sort = if credit { DocumentSort::CreditNote } else { DocumentSort::Invoice };
        if let Some(milli) = off {
            let by = Amount::from_milli(milli).expect("small").to_string();
            made.adjustments.push(adjustment(Way::Allowance, &by, Some(tax("S", Some("19")))));
        }
        let made = made.reckoned(Amount::ZERO).expect("it fits");
        let (totals, digits) = (&made.totals, made.currency.digits());
        let sum = |amounts: Vec<Amount>| Amount::sum(amounts).expect("it fits");
        prop_assert_eq!(sum(made.lines.iter().map(|line| line.net).collect()), totals.lines);
        prop_assert_eq!(sum(totals.taxes.iter().map(|t| t.taxable).collect()), totals.without_tax);
        prop_assert_eq!(sum(totals.taxes.iter().map(|t| t.amount).collect()), totals.tax);
        prop_assert_eq!(totals.without_tax.plus(totals.tax).expect("it fits"), totals.payable);
        for amount in [totals.lines, totals.without_tax, totals.tax, totals.payable] {
            prop_assert_eq!(amount.rounded(digits, Rounding::HalfAway).expect("it fits"), amount);
        }
        prop_assert_eq!(&made.clone().reckoned(Amount::ZERO).expect("it fits"), &made, "again is the same");

        let issued = made.clone().issued("2026-0001".into(), "2026-05-31".parse().expect("a day"));
        prop_assert_eq!(&issued.totals, totals, "to issue changes no amount");
        let table = csv::documents([&issued]);
        let records = read_csv(&table);
        let net = records[0].iter().position(|name| name == "net").expect("a column");
        let nets = sum(records[1..].iter().map(|record| amount(&record[net])).collect());
        prop_assert_eq!(if credit { nets.negated() } else { nets }, totals.without_tax);
        for record in &records {
            prop_assert_eq!(record.len(), csv::COLUMNS.len());
        }
        if digits <= 2 {
            let xml = ubl::file(&issued).expect("a file");
            let own = |name: &str| leaves(&xml, name);
            prop_assert_eq!(own("PayableAmount"), vec![totals.payable.fixed(digits)]);
            prop_assert_eq!(own("TaxExclusiveAmount"), vec![totals.without_tax.fixed(digits)]);
            prop_assert_eq!(own("TaxAmount")[0], totals.tax.fixed(digits));
            let nets: Vec<String> = own("LineExtensionAmount").iter().skip(1).map(|&n| n.to_owned()).collect();
            let expected: Vec<String> = made.lines.iter().map(|line| line.net.fixed(digits)).collect();
            prop_assert_eq!(nets, expected);
        }
    }
}

/// RFC 4180, read back.
pub fn read_csv(text: &str) -> Vec<Vec<String>> {
    let (mut records, mut cell, mut record, mut quoted) = (Vec::new(), String::new(), Vec::new(), false);
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '"' if quoted && chars.peek() == Some(&'"') => {
                chars.next();
                cell.push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => record.push(std::mem::take(&mut cell)),
            '\r' if !quoted => {}
            '\n' if !quoted => {
                record.push(std::mem::take(&mut cell));
                records.push(std::mem::take(&mut record));
            }
            c => cell.push(c),
        }
    }
    records
}
