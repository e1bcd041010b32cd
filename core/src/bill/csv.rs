//! Documents as comma-separated values (RFC 4180), for spreadsheets and accounting programs.
//!
//! Promises: one header, one record a line, CRLF, every text quoted. A text that a spreadsheet would run as a formula is
//! made a text: OWASP ASVS 5.0 1.2.10 and more, because some programs trim and normalise first. Columns of numbers hold
//! numbers only, so a true negative number stays one.
//!
//! Never: a text that begins with `= + - @`, a tab, a line end or their full-width forms without `'` before it.

use super::document::{Document, DocumentSort, Way};
use std::fmt::Write as _;

/// The columns, in order.
pub const COLUMNS: [&str; 20] = [
    "document",
    "sort",
    "number",
    "issued",
    "due",
    "currency",
    "customer",
    "line",
    "day",
    "words",
    "quantity",
    "unit",
    "price",
    "price_for",
    "adjusted",
    "net",
    "tax_category",
    "tax_percent",
    "matter",
    "part",
];

/// What a cell holds.
enum Cell<'a> {
    Text(&'a str),
    /// As a text; an id may begin with a hyphen.
    Id(String),
    /// Digits, a point and a sign of our own making.
    Number(String),
    Nothing,
}

/// Many documents, one after the other, under one header: a record for each line, then one for each adjustment of the
/// whole document, whose net is what it comes to. The nets of a document add up to its sum without tax. Credit notes have
/// their amounts turned, so that a column of many documents can be summed.
#[must_use]
pub fn documents<'a>(documents: impl IntoIterator<Item = &'a Document>) -> String {
    let mut text = COLUMNS.map(quoted).join(",");
    text.push_str("\r\n");
    for document in documents {
        for (index, _) in document.lines.iter().enumerate() {
            record(&mut text, &line_cells(document, index));
        }
        for index in 0..document.adjustments.len() {
            if let Some(cells) = adjustment_cells(document, index) {
                record(&mut text, &cells);
            }
        }
    }
    text
}

fn record(text: &mut String, cells: &[Cell<'_>]) {
    for (index, cell) in cells.iter().enumerate() {
        if index > 0 {
            text.push(',');
        }
        match cell {
            Cell::Text(cell) => text.push_str(&quoted(cell)),
            Cell::Id(id) => text.push_str(&quoted(id)),
            Cell::Number(number) => text.push_str(number),
            Cell::Nothing => {}
        }
    }
    text.push_str("\r\n");
}

fn head(document: &Document) -> Vec<Cell<'_>> {
    let sort = match document.sort {
        DocumentSort::Invoice => "invoice",
        DocumentSort::CreditNote => "credit note",
    };
    vec![
        Cell::Id(document.id.to_string()),
        Cell::Text(sort),
        document.number.as_deref().map_or(Cell::Nothing, Cell::Text),
        document.issued.map_or(Cell::Nothing, |day| Cell::Number(day.to_string())),
        document.due.map_or(Cell::Nothing, |day| Cell::Number(day.to_string())),
        Cell::Number(document.currency.to_string()),
        Cell::Text(&document.buyer.name),
    ]
}

fn line_cells(document: &Document, index: usize) -> Vec<Cell<'_>> {
    let line = &document.lines[index];
    let (digits, rounding) = (document.currency.digits(), document.rounding);
    let turned = document.sort == DocumentSort::CreditNote;
    let way = |amount: super::amount::Amount| if turned { amount.negated() } else { amount };
    let gross = line.price.times(line.quantity, line.base, digits, rounding).unwrap_or_default();
    let adjusted = line.net.minus(gross).unwrap_or_default();
    let mut cells = head(document);
    cells.extend([
        Cell::Number((index + 1).to_string()),
        line.day.map_or(Cell::Nothing, |day| Cell::Number(day.to_string())),
        Cell::Text(&line.words),
        Cell::Number(way(line.quantity).to_string()),
        Cell::Text(&line.unit),
        Cell::Number(line.price.to_string()),
        Cell::Number(line.base.to_string()),
        Cell::Number(way(adjusted).fixed(digits)),
        Cell::Number(way(line.net).fixed(digits)),
        Cell::Text(&line.tax.category),
        line.tax.percent.map_or(Cell::Nothing, |percent| Cell::Number(percent.to_string())),
        line.source.as_ref().map_or(Cell::Nothing, |source| Cell::Number(source.matter.to_string())),
        line.source.as_ref().map_or(Cell::Nothing, |source| Cell::Text(&source.part)),
    ]);
    cells
}

fn adjustment_cells(document: &Document, index: usize) -> Option<Vec<Cell<'_>>> {
    let adjustment = document.adjustments.get(index)?;
    let value = document.adjusted_by(adjustment).unwrap_or_default();
    let taken_off = (adjustment.way == Way::Allowance) != (document.sort == DocumentSort::CreditNote);
    let net = if taken_off { value.negated() } else { value };
    let tax = adjustment.tax.as_ref();
    let mut cells = head(document);
    cells.extend([Cell::Nothing, Cell::Nothing, Cell::Text(&adjustment.reason)]);
    cells.extend([Cell::Nothing, Cell::Nothing, Cell::Nothing, Cell::Nothing, Cell::Nothing]);
    cells.extend([
        Cell::Number(net.fixed(document.currency.digits())),
        tax.map_or(Cell::Nothing, |tax| Cell::Text(&tax.category)),
        tax.and_then(|tax| tax.percent).map_or(Cell::Nothing, |percent| Cell::Number(percent.to_string())),
        Cell::Nothing,
        Cell::Nothing,
    ]);
    Some(cells)
}

/// A text as a quoted field that no spreadsheet runs.
#[must_use]
pub fn quoted(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 3);
    out.push('"');
    if runs(text) {
        out.push('\'');
    }
    for c in text.chars().filter(|c| *c != '\0') {
        match c {
            '"' => out.push_str("\"\""),
            // Writing to a text does not fail.
            c => _ = write!(out, "{c}"),
        }
    }
    out.push('"');
    out
}

/// Whether a spreadsheet may take a text for a formula: by its first character that is not blank, or a blank that programs eat.
#[must_use]
pub fn runs(text: &str) -> bool {
    let formula =
        |c: char| matches!(c, '=' | '+' | '-' | '@' | '＝' | '＋' | '－' | '＠' | '−' | '﹣' | '﹢' | '﹦' | '﹫');
    let eaten = |c: char| matches!(c, '\t' | '\r' | '\n' | '\0');
    text.starts_with(eaten)
        || text.trim_start_matches(|c: char| c.is_whitespace() || c.is_control()).starts_with(formula)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// OWASP ASVS 1.2.10: values beginning with these, and their full-width forms.
    #[test]
    fn what_a_spreadsheet_would_run_is_a_text() {
        for text in [
            "=1+1",
            "+1",
            "-1",
            "@SUM(A1)",
            "\t=1",
            "\r=1",
            "\n=1",
            "\0=1",
            "＝1+1",
            "＋1",
            "－1",
            "＠A1",
            "  =1",
            "\u{a0}=1",
            "=cmd|' /C calc'!A0",
            "-2+3",
            "\u{3000}=1",
        ] {
            let cell = quoted(text);
            assert!(cell.starts_with("\"'"), "{text:?} became {cell}");
            assert!(!cell.contains('\0'));
        }
        for text in ["", "a=1", "1 h 20 min labour", "'quoted'", "Ümlaut", "7"] {
            assert_eq!(quoted(text), format!("\"{text}\""));
        }
        assert_eq!(quoted("a \"b\"\r\nc, d"), "\"a \"\"b\"\"\r\nc, d\"", "RFC 4180, section 2");
    }
}
