//! A bill as a workbook (Office Open XML), for people who go on reckoning with it.
//!
//! Promises: numbers stand in cells of numbers, days in cells of days, texts in cells of texts, whatever they begin with: a
//! text is never a formula. Sums are formulas with their values beside, so that a program that does not reckon shows them
//! too. The same document gives the same bytes.
//!
//! Never: an amount that the document does not have.

use super::gives_back;
use pintle_core::bill::amount::Amount;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::{Document, Line, Way};
use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, Formula, Workbook, Worksheet, XlsxError};

const COLUMNS: [(&str, f64); 9] = [
    ("line", 6.0),
    ("day", 12.0),
    ("what for", 64.0),
    ("quantity", 10.0),
    ("unit", 7.0),
    ("price", 12.0),
    ("price for", 9.0),
    ("tax %", 8.0),
    ("net", 14.0),
];
/// Row of the headings, from 0.
const HEAD_ROW: u32 = 5;
const NET: u16 = 8;

struct Formats {
    bold: Format,
    day: Format,
    money: Format,
    number: Format,
}

/// The workbook of a document.
///
/// # Errors
/// What the writer of workbooks says: more rows than a sheet has.
pub fn workbook(document: &Document) -> Result<Vec<u8>, XlsxError> {
    let mut book = Workbook::new();
    // Not the clock's: the same document gives the same bytes.
    let made = ExcelDateTime::parse_from_str("1970-01-01T00:00:00")?;
    book.set_properties(&DocProperties::new().set_creation_datetime(&made));
    let digits = document.currency.digits() as usize;
    let money = if digits == 0 { "#,##0".to_owned() } else { format!("#,##0.{}", "0".repeat(digits)) };
    let formats = Formats {
        bold: Format::new().set_bold(),
        day: Format::new().set_num_format("yyyy-mm-dd"),
        money: Format::new().set_num_format(money),
        number: Format::new().set_num_format("0.######"),
    };
    let sheet = book.add_worksheet();
    sheet.set_name("bill")?;
    head(sheet, document, &formats)?;
    let lines = document.lines.iter();
    let first = HEAD_ROW + 1;
    let mut row = first;
    for (index, line) in lines.enumerate() {
        write_line(sheet, row, index + 1, line, &formats)?;
        row += 1;
    }
    sums(sheet, row + 1, first, row, document, &formats)?;
    book.save_to_buffer()
}

fn head(sheet: &mut Worksheet, document: &Document, formats: &Formats) -> Result<(), XlsxError> {
    let title = match (gives_back(document), &document.number) {
        (false, Some(number)) => format!("invoice {number}"),
        (true, Some(number)) => format!("credit note {number}"),
        (false, None) => "draft of an invoice".to_owned(),
        (true, None) => "draft of a credit note".to_owned(),
    };
    sheet.write_string_with_format(0, 0, title, &formats.bold)?;
    for (row, (name, text)) in (1..).zip([("from", &document.seller.name), ("to", &document.buyer.name)]) {
        sheet.write_string(row, 0, name)?;
        sheet.write_string(row, 2, text)?;
    }
    sheet.write_string(3, 0, "issued")?;
    if let Some(day) = document.issued {
        write_day(sheet, 3, 1, day, formats)?;
    }
    sheet.write_string(3, 2, format!("currency {}", document.currency))?;
    for (column, (name, width)) in (0u16..).zip(COLUMNS) {
        sheet.write_string_with_format(HEAD_ROW, column, name, &formats.bold)?;
        sheet.set_column_width(column, width)?;
    }
    Ok(())
}

fn write_line(sheet: &mut Worksheet, row: u32, number: usize, line: &Line, formats: &Formats) -> Result<(), XlsxError> {
    sheet.write_number(row, 0, number as f64)?;
    if let Some(day) = line.day {
        write_day(sheet, row, 1, day, formats)?;
    }
    sheet.write_string(row, 2, &line.words)?;
    sheet.write_number_with_format(row, 3, cell(line.quantity), &formats.number)?;
    sheet.write_string(row, 4, &line.unit)?;
    sheet.write_number_with_format(row, 5, cell(line.price), &formats.number)?;
    sheet.write_number_with_format(row, 6, cell(line.base), &formats.number)?;
    if let Some(percent) = line.tax.percent {
        sheet.write_number_with_format(row, 7, cell(percent), &formats.number)?;
    }
    sheet.write_number_with_format(row, NET, cell(line.net), &formats.money)?;
    Ok(())
}

/// What it comes to: formulas over the cells above.
fn sums(
    sheet: &mut Worksheet,
    from: u32,
    first: u32,
    end: u32,
    document: &Document,
    formats: &Formats,
) -> Result<(), XlsxError> {
    let totals = &document.totals;
    let mut row = from;
    let mut formula = |sheet: &mut Worksheet, name: &str, text: String, value: Amount| -> Result<u32, XlsxError> {
        let here = row;
        sheet.write_string_with_format(here, 2, name, &formats.bold)?;
        let formula = Formula::new(text).set_result(value.to_string());
        sheet.write_formula_with_format(here, NET, formula, &formats.money)?;
        row += 1;
        Ok(here)
    };
    // Rows of formulas are counted from 1; of no lines the sum is nothing.
    let sum = if end > first { format!("=SUM(I{}:I{end})", first + 1) } else { "=0".to_owned() };
    let lines = formula(sheet, "sum of lines", sum, totals.lines)?;
    let mut parts = vec![format!("I{}", lines + 1)];
    for adjustment in &document.adjustments {
        let value = document.adjusted_by(adjustment).unwrap_or_default();
        let value = if adjustment.way == Way::Allowance { value.negated() } else { value };
        let here = formula(sheet, &adjustment.reason, format!("={value}"), value)?;
        parts.push(format!("I{}", here + 1));
    }
    let without = formula(sheet, "without tax", format!("={}", parts.join("+")), totals.without_tax)?;
    let mut taxes = vec![format!("I{}", without + 1)];
    for tax in &totals.taxes {
        let percent = tax.tax.percent.unwrap_or_default();
        let places = document.currency.digits();
        let name = format!("tax {} {percent} % of {}", tax.tax.category, tax.taxable.fixed(places));
        let text = format!("=ROUND({}*{percent}/100,{places})", tax.taxable);
        let here = formula(sheet, &name, text, tax.amount)?;
        taxes.push(format!("I{}", here + 1));
    }
    let with = formula(sheet, "with tax", format!("={}", taxes.join("+")), totals.with_tax)?;
    formula(sheet, "to be paid", format!("=I{}-{}", with + 1, totals.paid), totals.payable)?;
    Ok(())
}

fn write_day(sheet: &mut Worksheet, row: u32, column: u16, day: Day, formats: &Formats) -> Result<(), XlsxError> {
    let day = ExcelDateTime::parse_from_str(&day.to_string())?;
    sheet.write_datetime_with_format(row, column, &day, &formats.day)?;
    Ok(())
}

/// A cell of a workbook is a binary float by its standard; 15 digits of an amount fit.
fn cell(amount: Amount) -> f64 {
    amount.micro() as f64 / 1_000_000.0
}
