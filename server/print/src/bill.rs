//! A bill on paper: invoice, credit note, or draft.
//!
//! Promises: the numbers of the document, written as the other files of bills write them; every line, adjustment, tax and
//! reason is there. A draft says on every page that it is one. An issued bill holds its UBL file where there is one, as the
//! same in another form.
//!
//! Never reckons anything.

use crate::glyphs;
use crate::press::{self, Attached, Job, Paper, PrintError};
use pintle_core::Fault;
use pintle_core::bill::amount::Amount;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::{Adjustment, Document, DocumentSort, Line, Party, Tax, Way};
use pintle_core::bill::{ubl, unit};
use serde_json::{Value, json};

const LAYOUT: &str = include_str!("bill.typ");

/// The document as PDF. `made` is the day of a draft; an issued bill is of its day of issue.
///
/// # Errors
/// [`PrintError`]; an amount that cannot be reckoned is one of `Layout`, and no document that was reckoned has one.
pub fn pdf(document: &Document, made: Day, paper: Paper) -> Result<Vec<u8>, PrintError> {
    press::print(job(document, made, paper)?)
}

fn job(document: &Document, made: Day, paper: Paper) -> Result<Job, PrintError> {
    // A draft has no UBL, and neither has a currency of more than two places.
    let ubl = document.number.as_ref().and_then(|_| ubl::file(document).ok());
    let data = shown(document, paper, ubl.is_some()).map_err(|fault| PrintError::Layout(fault.to_string()))?;
    Ok(Job {
        layout: LAYOUT,
        data,
        attached: ubl.map(|text| Attached { name: "/bill.xml", data: text.into_bytes() }),
        dated: document.issued.unwrap_or(made),
        identity: format!("bill {}", document.id),
    })
}

/// What the layout shows.
fn shown(document: &Document, paper: Paper, attached: bool) -> Result<Value, Fault> {
    let title = title(document);
    let digits = document.currency.digits();
    let back = document.sort == DocumentSort::CreditNote;
    let draft = document.number.is_none();
    let lines = document.lines.iter().map(|line| line_shown(document, line)).collect::<Result<Vec<_>, Fault>>()?;
    let warning = draft.then(|| format!("This is a draft and no {}: it may still change.", sort_name(document)));
    let mut closing = Vec::new();
    if back {
        closing.push("The amounts above are given back to the customer.".to_owned());
    }
    closing.extend(document.note.clone());
    let reasons = document.totals.taxes.iter().filter_map(|sum| {
        let reason = sum.tax.reason.as_ref()?;
        Some(format!("Tax {}: {reason}", tax_name(&sum.tax)))
    });
    let description = format!("{title}, as UBL 2.1");
    Ok(json!({
        "paper": press::paper_name(paper),
        "title": title,
        "title_plain": glyphs::plain(&title),
        "author_plain": glyphs::plain(&document.seller.name),
        "foot": format!("{title}, {}", document.seller.name),
        "mark": draft.then_some("DRAFT"),
        "warning": warning,
        "attached": attached.then_some(glyphs::plain(&description)),
        "currency": document.currency.to_string(),
        "seller": party(&document.seller),
        "buyer": party(&document.buyer),
        "facts": facts(document),
        "lines": lines,
        "sums": sums(document, digits, back)?,
        "reasons": reasons.collect::<Vec<_>>(),
        "closing": closing,
    }))
}

fn sort_name(document: &Document) -> &'static str {
    match document.sort {
        DocumentSort::Invoice => "invoice",
        DocumentSort::CreditNote => "credit note",
    }
}

fn title(document: &Document) -> String {
    match (&document.number, document.sort) {
        (Some(number), DocumentSort::Invoice) => format!("Invoice {number}"),
        (Some(number), DocumentSort::CreditNote) => format!("Credit note {number}"),
        (None, _) => format!("Draft {} of {}", document.id.short(), with_article(sort_name(document))),
    }
}

fn with_article(name: &str) -> String {
    let article = if name.starts_with('i') { "an" } else { "a" };
    format!("{article} {name}")
}

fn party(party: &Party) -> Value {
    let address = &party.address;
    let town =
        [address.postcode.as_deref(), address.city.as_deref()].into_iter().flatten().collect::<Vec<_>>().join(" ");
    let mut lines: Vec<String> = address.street.clone().into_iter().collect();
    if !town.is_empty() {
        lines.push(town);
    }
    lines.push(address.country.clone());
    let named = [("Tax number", &party.vat_id), ("Register", &party.register_id), ("", &party.email)];
    for (name, value) in named.into_iter().filter_map(|(name, value)| Some((name, value.as_ref()?))) {
        lines.push(if name.is_empty() { value.clone() } else { format!("{name} {value}") });
    }
    json!({"name": party.name, "lines": lines})
}

/// What is said of the whole, in pairs.
fn facts(document: &Document) -> Vec<(&'static str, String)> {
    let day = |day: Day| day.to_string();
    let mut facts = Vec::new();
    let mut put = |name, value: Option<String>| facts.extend(value.map(|value| (name, value)));
    put("Number", document.number.clone());
    put("Issued on", document.issued.map(day));
    put("To be paid by", document.due.map(day));
    put("Work from, until", document.period.map(|(from, until)| format!("{from}, {until}")));
    put("Your reference", document.reference.clone());
    put("Changes", (!document.changes.is_empty()).then(|| document.changes.join(", ")));
    put("Account", document.account.clone());
    facts
}

fn tax_name(tax: &Tax) -> String {
    tax.percent.map_or_else(|| tax.category.clone(), |percent| format!("{} {percent} %", tax.category))
}

/// What is taken off has a minus.
fn signed(way: Way, value: Amount, digits: u32) -> String {
    let value = if way == Way::Allowance { value.negated() } else { value };
    value.fixed(digits)
}

fn adjustment_name(adjustment: &Adjustment) -> String {
    let way = if adjustment.way == Way::Allowance { "less" } else { "plus" };
    let percent = adjustment.percent.map(|percent| format!(" {percent} %")).unwrap_or_default();
    format!("{way}{percent}: {}", adjustment.reason)
}

fn line_shown(document: &Document, line: &Line) -> Result<Value, Fault> {
    let digits = document.currency.digits();
    let unit = unit::in_words(&line.unit);
    let counted = |amount: Amount| if unit == "×" { amount.to_string() } else { format!("{amount} {unit}") };
    let price = line.price.fixed(digits);
    let price = if line.base == Amount::ONE { price } else { format!("{price} / {}", counted(line.base)) };
    let mut notes = Vec::new();
    for adjustment in &line.adjustments {
        let value = line.adjusted_by(adjustment, digits, document.rounding)?;
        notes.push(format!("{} {}", adjustment_name(adjustment), signed(adjustment.way, value, digits)));
    }
    Ok(json!({
        "day": line.day.map(|day| day.to_string()).unwrap_or_default(),
        "words": line.words,
        "notes": notes,
        "quantity": counted(line.quantity),
        "price": price,
        "tax": tax_name(&line.tax),
        "net": line.net.fixed(digits),
    }))
}

fn sums(document: &Document, digits: u32, back: bool) -> Result<Vec<Value>, Fault> {
    let totals = &document.totals;
    let sum = |name: String, value: String| json!({"name": name, "value": value, "strong": false});
    let mut sums = vec![sum("Sum of lines".into(), totals.lines.fixed(digits))];
    for adjustment in &document.adjustments {
        let value = signed(adjustment.way, document.adjusted_by(adjustment)?, digits);
        sums.push(sum(adjustment_name(adjustment), value));
    }
    sums.push(sum("Without tax".into(), totals.without_tax.fixed(digits)));
    for tax in &totals.taxes {
        let name = format!("Tax {} of {}", tax_name(&tax.tax), tax.taxable.fixed(digits));
        sums.push(sum(name, tax.amount.fixed(digits)));
    }
    sums.push(sum("With tax".into(), totals.with_tax.fixed(digits)));
    if !totals.paid.is_zero() {
        sums.push(sum("Paid before".into(), totals.paid.fixed(digits)));
    }
    let name = if back { "To be given back" } else { "To be paid" };
    sums.push(json!({"name": name, "value": totals.payable.fixed(digits), "strong": true}));
    Ok(sums)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::press::proof;
    use pintle_core::bill::amount::Rounding;
    use pintle_core::ids::OfficeId;

    fn day(text: &str) -> Day {
        text.parse().expect(text)
    }

    fn a_draft(buyer: &str, words: &[&str]) -> Document {
        let tax = json!({"category": "S", "percent": "19"});
        let party = |name: &str| {
            json!({"name": name, "vat_id": "DE000000000", "address": {"street": "1 Quarry Road", "city": "Northfield",
                "postcode": "00001", "country": "DE"}})
        };
        let line = |(index, words): (usize, &&str)| {
            json!({"words": words, "day": "2026-05-04", "quantity": format!("{}", index + 1), "unit": "MIN", "price": "85",
                "base": "60", "tax": tax, "adjustments": [{"way": "allowance", "percent": "10", "reason": "as agreed"}]})
        };
        let lines: Vec<Value> = words.iter().enumerate().map(line).collect();
        let document: Document = serde_json::from_value(json!({
            "id": OfficeId([7; 16]), "sort": "invoice", "period": ["2026-05-01", "2026-05-31"], "currency": "EUR",
            "rounding": Rounding::HalfAway, "seller": party("Valley crews"), "account": "DE00000000000000000000",
            "customer": OfficeId([9; 16]), "buyer": party(buyer), "reference": "order 7", "terms_days": 14,
            "note": "Thank you.", "lines": lines, "totals": {"lines": "0", "allowances": "0", "charges": "0",
            "without_tax": "0", "tax": "0", "with_tax": "0", "paid": "0", "payable": "0", "taxes": []}}))
        .expect("a document");
        document.reckoned(Amount::ZERO).expect("it is reckoned")
    }

    fn pages(document: &Document, paper: Paper) -> proof::Pages {
        proof::pages(job(document, day("2026-06-01"), paper).expect("a job"))
    }

    #[test]
    fn a_draft_says_so_on_every_page_and_an_issued_bill_does_not() {
        let words = vec!["1 h 20 min labour, repair of EX3 (K7-412), mechanic rate"; 60];
        let draft = a_draft("North quarry", &words);
        let drafted = pages(&draft, Paper::A4);
        assert!(drafted.texts.len() > 1 && drafted.texts.iter().all(|page| page.contains("DRAFT")));
        assert!(drafted.texts[0].contains("This is a draft and no invoice"));
        let issued = pages(&draft.issued("2026-0007".into(), day("2026-05-31")), Paper::A4);
        assert!(issued.texts.iter().all(|page| !page.to_lowercase().contains("draft")));
        assert!(issued.texts[0].contains("Invoice 2026-0007"));
    }

    #[test]
    fn texts_of_people_are_shown_as_they_are_and_stay_on_the_page() {
        let long = "x".repeat(400);
        let hostile = [
            "#read(\"/etc/passwd\") #import \"frame.typ\"",
            "$x^2$ *bold* _soft_ `raw` <label> @ref // no /* no */",
            "= heading\n- item\n+ item",
            "\\ \\u{41} #{ } [ ] \"\" ' ~ -- --- ...",
            "עדה לוי, repair of נגמ\u{5f4}ש 3 (K7-412)",
            "محمد، إصلاح الحفار EX3 (K7-412)",
            "漢字 🚜 \u{202E}txt\u{0007}",
            &long,
        ];
        for paper in [Paper::A4, Paper::Letter] {
            let shown = pages(&a_draft(&long, &hostile), paper);
            assert_eq!((shown.lacking.len(), shown.outside.len()), (0, 0), "{shown:?}");
            let all = shown.texts.concat().replace([' ', '\u{200B}', '\n'], "");
            // Words of a text that is read from the right stand in the order in which they are seen.
            for word in hostile[..6].iter().flat_map(|text| text.split([' ', '\n', ',', '،'])) {
                assert!(all.contains(word), "{word} in {all}");
            }
            assert!(all.contains("U+6F22U+5B57U+1F69CU+202EtxtU+0007"), "{all}");
            assert_eq!(all.matches(&long).count(), 2, "{all}");
        }
    }

    #[test]
    fn the_same_bill_is_the_same_bytes_and_holds_its_ubl() {
        let issued = a_draft("North quarry", &["labour"]).issued("2026-0007".into(), day("2026-05-31"));
        let made = |paper| pdf(&issued, day("2026-06-01"), paper).expect("a document");
        assert_eq!(made(Paper::A4), made(Paper::A4));
        assert_ne!(made(Paper::A4), made(Paper::Letter));
        let holds = |bytes: &[u8], text: &str| bytes.windows(text.len()).any(|part| part == text.as_bytes());
        assert!(holds(&made(Paper::A4), "bill.xml"));
        let draft = a_draft("North quarry", &["labour"]);
        assert!(!holds(&pdf(&draft, day("2026-06-01"), Paper::A4).expect("a document"), "bill.xml"));
    }

    #[test]
    fn every_number_is_the_documents_own() {
        let mut document = a_draft("North quarry", &["labour", "travel"]);
        document.adjustments = vec![
            serde_json::from_value(json!({"way": "charge", "amount": "3", "reason": "by night",
            "tax": {"category": "S", "percent": "19"}}))
            .expect("an adjustment"),
        ];
        // 1 min at 85 an hour is 1.42, less 0.14; 2 min 2.83, less 0.28: by hand. 3.83 + 3 = 6.83, 19 % of it 1.30.
        let document = document.reckoned("1.5".parse().expect("an amount")).expect("it is reckoned");
        let page = pages(&document, Paper::A4).texts.concat();
        for text in
            ["1.28", "2.55", "-0.14", "-0.28", "3.83", "plus: by night", "3.00", "6.83", "1.30", "8.13", "1.50", "6.63"]
        {
            assert!(page.contains(text), "{text} in {page}");
        }
    }
}
