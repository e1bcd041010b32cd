//! How `pintle bill` shows what the server said.
//!
//! Promises: amounts are shown as they are, with their currency; what is not billed is shown after what is, with why.
//! Never an amount reckoned here.

use crate::ui::{Answer, Line, Tone, words};
use pintle_core::bill::document::{Document, DocumentSort, Way};
use pintle_core::bill::propose::Why;
use pintle_core::bill::written::Written;
use pintle_core::ids::OfficeId;
use pintle_openapi::endpoints::bills::{BillReport, OfficeItem, ProposalReply};
use pintle_openapi::endpoints::notices::{NoticeReport, NoticeState};
use serde::Serialize;
use serde_json::{Value, json};

/// A sentence.
pub(super) struct Said {
    sentence: String,
    json: Value,
}

impl Said {
    pub(super) fn new(sentence: impl Into<String>, json: &impl Serialize) -> Self {
        Self { sentence: sentence.into(), json: serde_json::to_value(json).unwrap_or_default() }
    }
}

impl Answer for Said {
    fn lines(&self) -> Vec<Line> {
        vec![Line::of(&self.sentence)]
    }

    fn json(&self) -> Value {
        self.json.clone()
    }
}

/// What the office has written.
pub(super) struct Book {
    pub(super) items: Vec<OfficeItem>,
    /// How many things have just been written; none where the book was only looked at.
    pub(super) written: Option<usize>,
}

impl Answer for Book {
    fn lines(&self) -> Vec<Line> {
        let mut lines = Vec::new();
        if let Some(count) = self.written {
            lines.push(Line::of(match count {
                0 => "Nothing has changed.".to_owned(),
                count => format!("{count} written down, with your name."),
            }));
        }
        if self.items.is_empty() {
            lines.push(Line::of("The book of the office is empty."));
            lines.push(Line::toned(Tone::Faint, "> ").plain("pintle bill book my-book.toml"));
        }
        let all: Vec<&Written> = self.items.iter().map(|item| &item.written).collect();
        lines.extend(all.iter().map(|written| one(written, &all)));
        lines
    }

    fn json(&self) -> Value {
        json!({"book": self.items, "written": self.written})
    }
}

fn name_of(all: &[&Written], id: OfficeId) -> String {
    let found = all.iter().find_map(|written| match written {
        Written::Customer { id: of, value } if *of == id => Some(value.party.name.clone()),
        Written::Site { id: of, value } if *of == id => Some(value.name.clone()),
        Written::Rates { id: of, value } if *of == id => Some(value.name.clone()),
        _ => None,
    });
    found.unwrap_or_else(|| "unknown".to_owned())
}

fn one(written: &Written, all: &[&Written]) -> Line {
    let (sort, name, rest) = match written {
        Written::Seller(seller) => ("seller", &seller.party.name, format!("numbers {}0001 …", seller.number_prefix)),
        Written::Customer { value, .. } => {
            let rates = value.rates.map_or_else(|| "no rates".to_owned(), |id| format!("rates {}", name_of(all, id)));
            let ended = if value.ended { ", no longer a customer" } else { "" };
            ("customer", &value.party.name, format!("{rates}{ended}"))
        }
        Written::Site { value, .. } => {
            let km = value.travel_km.map_or_else(String::new, |km| format!("{km} km there and back"));
            ("site", &value.name, km)
        }
        Written::Job { value, .. } => {
            let until = value.until.map_or_else(String::new, |day| format!(" to {}", day.in_words()));
            let machines = words::counted(value.machines.len() as u64, "machine", "machines");
            let customer = name_of(all, value.customer);
            ("job", &value.name, format!("for {customer}, from {}{until}, {machines}", value.from.in_words()))
        }
        Written::Rates { value, .. } => {
            ("rates", &value.name, format!("{}, from {}", value.currency, value.from.in_words()))
        }
        Written::Line(value) => {
            let what = match value.lines.as_deref() {
                None => "as proposed",
                Some([]) => "waived",
                Some([_]) => "adjusted",
                Some(_) => "split",
            };
            ("line", &value.part, format!("{what}: {}", value.why))
        }
    };
    let line = Line::toned(Tone::Faint, format!("{sort} ")).with(Tone::Strong, name);
    if rest.is_empty() { line } else { line.plain(format!(", {rest}")) }
}

/// What could be billed, and what could not.
pub(super) struct Look {
    pub(super) proposal: ProposalReply,
    pub(super) customers: Vec<Written>,
}

impl Answer for Look {
    fn lines(&self) -> Vec<Line> {
        let mut lines = Vec::new();
        let mut last = None;
        for one in &self.proposal.lines {
            if last.replace(one.customer) != Some(one.customer) {
                let all: Vec<&Written> = self.customers.iter().collect();
                lines.push(Line::toned(Tone::Strong, name_of(&all, one.customer)));
            }
            let odd = one.line.source.as_ref().is_some_and(|source| source.clash.is_some());
            let line = Line::of(&one.line.words).indented(2);
            lines.push(if odd { line.with(Tone::Odd, " (people disagree: pintle clashes)") } else { line });
        }
        if self.proposal.lines.is_empty() {
            lines.push(Line::of("Nothing to bill."));
        }
        if self.proposal.billed > 0 {
            lines.push(Line::toned(Tone::Faint, format!("{} more in drafts and bills already", self.proposal.billed)));
        }
        if !self.proposal.unbilled.is_empty() {
            lines.push(Line::toned(Tone::Strong, "Not billed"));
        }
        for one in &self.proposal.unbilled {
            lines.push(Line::toned(Tone::Odd, why(one.why)).plain(format!(": {}", one.words)).indented(2));
        }
        lines
    }

    fn json(&self) -> Value {
        json!(self.proposal)
    }
}

fn why(why: Why) -> &'static str {
    match why {
        Why::NoJob => "no job",
        Why::SeveralJobs => "several jobs",
        Why::JobUnknown => "unknown job or customer",
        Why::CustomerEnded => "no longer a customer",
        Why::NoRates => "no rates on that day",
        Why::NoPrice => "no price",
        Why::NoReading => "no reading",
        Why::NoMinutes => "no minutes",
        Why::Waived => "waived",
        Why::TooLarge => "too large",
    }
}

/// Drafts or bills, a line each.
pub(super) struct Bills {
    pub(super) bills: Vec<BillReport>,
    /// What to say if there are none.
    pub(super) said: &'static str,
}

/// `2026-0001`, or a draft's first letters.
fn called(bill: &BillReport) -> String {
    bill.document.number.clone().unwrap_or_else(|| bill.document.id.short())
}

fn sort(document: &Document) -> &'static str {
    match (document.sort, document.number.is_some()) {
        (DocumentSort::Invoice, true) => "invoice",
        (DocumentSort::CreditNote, true) => "credit note",
        (DocumentSort::Invoice, false) => "draft",
        (DocumentSort::CreditNote, false) => "draft of a credit note",
    }
}

fn money(document: &Document, amount: pintle_core::bill::amount::Amount) -> String {
    format!("{} {}", amount.fixed(document.currency.digits()), document.currency)
}

impl Answer for Bills {
    fn lines(&self) -> Vec<Line> {
        if self.bills.is_empty() {
            return vec![Line::of(self.said)];
        }
        let one = |bill: &BillReport| {
            let document = &bill.document;
            let lines = document.lines.len();
            Line::toned(Tone::Strong, called(bill)).plain(format!(
                " {}, {}, {}, {lines} {}",
                sort(document),
                document.buyer.name,
                money(document, document.totals.payable),
                if lines == 1 { "line" } else { "lines" }
            ))
        };
        self.bills.iter().map(one).collect()
    }

    fn json(&self) -> Value {
        json!({"bills": self.bills})
    }
}

/// Which issued bills another program was told of.
pub(super) struct Notices(pub(super) Vec<NoticeReport>);

impl Answer for Notices {
    fn lines(&self) -> Vec<Line> {
        if self.0.is_empty() {
            return vec![Line::of("No other program has been told of a bill yet.")];
        }
        let one = |notice: &NoticeReport| {
            let tries = words::counted(notice.tries, "try", "tries");
            let why = notice.answer.as_ref().map_or_else(String::new, |why| format!(": {why}"));
            let line = Line::toned(Tone::Strong, &notice.number);
            match notice.state {
                NoticeState::Taken => line.plain(" told, and taken"),
                NoticeState::Waiting => line.plain(format!(" waits, {tries}{why}")),
                NoticeState::Resting => line.with(Tone::Strong, " given up").plain(format!(", {tries}{why}")),
            }
        };
        self.0.iter().map(one).collect()
    }

    fn json(&self) -> Value {
        json!({"notices": self.0})
    }
}

/// One draft or bill, whole.
pub(super) struct Whole(pub(super) BillReport);

impl Answer for Whole {
    fn lines(&self) -> Vec<Line> {
        let document = &self.0.document;
        let digits = document.currency.digits();
        let mut lines = vec![Line::toned(Tone::Strong, called(&self.0)).plain(format!(
            " {}, {}{}",
            sort(document),
            document.buyer.name,
            document.issued.map_or_else(String::new, |day| format!(", {}", day.in_words()))
        ))];
        lines.extend(
            document
                .lines
                .iter()
                .map(|line| Line::of(&line.words).plain(format!(": {}", line.net.fixed(digits))).indented(2)),
        );
        let totals = &document.totals;
        for adjustment in &document.adjustments {
            let value = document.adjusted_by(adjustment).unwrap_or_default();
            let value = if adjustment.way == Way::Allowance { value.negated() } else { value };
            lines.push(Line::of(&adjustment.reason).plain(format!(": {}", value.fixed(digits))).indented(2));
        }
        lines.push(Line::of("without tax ").plain(money(document, totals.without_tax)));
        for tax in &totals.taxes {
            let percent = tax.tax.percent.unwrap_or_default();
            lines.push(
                Line::of(format!("tax {} {percent} % of {} ", tax.tax.category, tax.taxable.fixed(digits)))
                    .plain(money(document, tax.amount)),
            );
        }
        if !totals.paid.is_zero() {
            lines.push(Line::of("paid before ").plain(money(document, totals.paid)));
        }
        let owed = if document.sort == DocumentSort::CreditNote { "to be given back " } else { "to be paid " };
        lines.push(Line::toned(Tone::Strong, owed).plain(money(document, totals.payable)));
        lines
    }

    fn json(&self) -> Value {
        json!(self.0)
    }
}
