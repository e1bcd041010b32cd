//! From lines to documents: drafts of a period, what changed since an invoice, and a whole invoice taken back.
//!
//! Promises: what was billed and what is recorded now are compared by recorded amounts, never by prices, so that a new
//! list of rates changes no old bill. A change that lowers what was billed becomes a credit note, one that raises it an
//! invoice with the change alone; both name the invoice they change.
//!
//! Never: a change of an issued document.

use super::amount::Amount;
use super::calendar::{Currency, Day};
use super::document::{Adjustment, Document, DocumentSort, Line, Totals, Way};
use super::matter::Matter;
use super::propose::{Ask, Proposal, Proposed};
use super::trade::Trade;
use super::written::TERMS_DAYS_DEFAULT;
use crate::fault::{Fault, code};
use crate::ids::OfficeId;
use std::collections::{BTreeMap, BTreeSet};

/// What a draft is made from beside its lines.
#[derive(Debug, Clone, Default)]
pub struct Extras {
    /// Taken off and added as a whole.
    pub adjustments: Vec<Adjustment>,
    /// A sentence in place of the office's own.
    pub note: Option<String>,
    /// Paid before, of the one draft that is made.
    pub paid: Amount,
}

/// A document without lines.
fn empty(trade: &Trade, customer: OfficeId, currency: Currency, id: OfficeId) -> Result<Document, Fault> {
    let missing = |pointer: &str, detail: &str| Fault::new(code::OUT_OF_RANGE, pointer, detail);
    let seller =
        trade.seller.as_ref().ok_or_else(|| missing("/seller", "the office has not written its own particulars"))?;
    let known = trade.customers.get(&customer).ok_or_else(|| missing("/customer", "there is no such customer"))?;
    Ok(Document {
        id,
        sort: DocumentSort::Invoice,
        number: None,
        issued: None,
        due: None,
        changes: Vec::new(),
        period: None,
        currency,
        rounding: super::amount::Rounding::HalfAway,
        seller: seller.value.party.clone(),
        account: seller.value.account.clone(),
        customer,
        buyer: known.value.party.clone(),
        reference: known.value.reference.clone(),
        terms_days: known.value.terms_days.unwrap_or(TERMS_DAYS_DEFAULT),
        note: seller.value.note.clone(),
        lines: Vec::new(),
        adjustments: Vec::new(),
        totals: Totals::default(),
    })
}

/// One draft for each customer and currency of a proposal. `id` gives a fresh id for each.
///
/// # Errors
/// What the office has not written yet; `amount-overflow`.
pub fn drafts(
    proposal: &Proposal,
    trade: &Trade,
    ask: &Ask,
    extras: &Extras,
    mut id: impl FnMut() -> OfficeId,
) -> Result<Vec<Document>, Fault> {
    let mut groups: BTreeMap<(OfficeId, &str), Vec<&Proposed>> = BTreeMap::new();
    let mut cards = BTreeMap::new();
    for line in &proposal.lines {
        let Some(job) = trade.jobs.get(&line.job) else { continue };
        let Some(card) = trade.rates_of(&job.value, line.line.day.unwrap_or(ask.until)) else { continue };
        let key = (line.customer, card.currency.code());
        groups.entry(key).or_default().push(line);
        let kept: &mut (_, Option<Amount>, _) = cards.entry(key).or_insert((card, None, &line.line.tax));
        kept.1 = kept.1.max(card.minimum);
    }
    let mut made = Vec::with_capacity(groups.len());
    for (key, lines) in groups {
        let Some((card, minimum, tax)) = cards.get(&key) else { continue };
        let mut document = empty(trade, key.0, card.currency, id())?;
        document.rounding = card.rounding;
        document.period = Some((ask.from, ask.until));
        document.lines = lines.into_iter().map(|line| line.line.clone()).collect();
        document.adjustments.clone_from(&extras.adjustments);
        for adjustment in &mut document.adjustments {
            adjustment.tax.get_or_insert_with(|| (*tax).clone());
        }
        if extras.note.is_some() {
            document.note.clone_from(&extras.note);
        }
        document = document.reckoned(extras.paid)?;
        if let Some(minimum) = minimum.filter(|least| *least > document.totals.without_tax) {
            document.adjustments.push(Adjustment {
                way: Way::Charge,
                amount: Some(minimum.minus(document.totals.without_tax)?),
                percent: None,
                reason: format!("to the minimum charge of {} {}", minimum.fixed(card.currency.digits()), card.currency),
                tax: Some((*tax).clone()),
            });
            document = document.reckoned(extras.paid)?;
        }
        made.push(document);
    }
    Ok(made)
}

/// Whether what was paid before may be: it is of one bill, and not more than that comes to.
///
/// # Errors
/// `out-of-range` at `/paid`.
pub fn check_paid(made: &[Document], paid: Amount) -> Result<(), Fault> {
    if paid.is_zero() {
        return Ok(());
    }
    let refused = |detail: String| Err(Fault::new(code::OUT_OF_RANGE, "/paid", detail));
    match made {
        _ if paid.is_negative() => refused("not below zero".into()),
        [one] if paid > one.totals.with_tax => {
            let comes_to = one.totals.with_tax.fixed(one.currency.digits());
            refused(format!("the bill comes to {comes_to}: what was paid beyond it belongs to a later one"))
        }
        [one] if paid.rounded(one.currency.digits(), one.rounding)? != paid => {
            refused(format!("{} has {} decimals", one.currency, one.currency.digits()))
        }
        [] | [_] => Ok(()),
        several => refused(format!("{} bills would be drafted: say of which customer", several.len())),
    }
}

/// What stands billed of one part of a matter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Billed {
    /// How much of what was recorded, over all documents.
    pub recorded: Amount,
    /// Its line on the last document that has one.
    pub line: Line,
    /// The number of that document.
    pub number: String,
}

/// What stands billed, by matter and part: the sum of issued documents in order of issue. What was taken back whole is not billed any more.
///
/// # Errors
/// `amount-overflow`.
pub fn billed(issued: &[Document]) -> Result<BTreeMap<Matter, BTreeMap<String, Billed>>, Fault> {
    let mut all: BTreeMap<Matter, BTreeMap<String, Billed>> = BTreeMap::new();
    for document in issued {
        let back = document.sort == DocumentSort::CreditNote;
        for line in &document.lines {
            let Some(source) = &line.source else { continue };
            let recorded = if back { source.recorded.negated() } else { source.recorded };
            let number = document.number.clone().unwrap_or_default();
            let parts = all.entry(source.matter).or_default();
            match parts.get_mut(&source.part) {
                Some(known) => {
                    known.recorded = known.recorded.plus(recorded)?;
                    // Of a line that was split the first stands for all: it holds what was recorded.
                    if known.number != number && !back {
                        known.line = line.clone();
                    }
                    known.number = number;
                }
                None => {
                    parts.insert(source.part.clone(), Billed { recorded, line: line.clone(), number });
                }
            }
        }
    }
    all.retain(|_, parts| parts.values().any(|part| !part.recorded.is_zero()));
    Ok(all)
}

/// The document that makes up for what changed since a customer's documents were issued, if anything did. `now` is a
/// proposal over all time.
///
/// # Errors
/// What the office has not written yet; `amount-overflow`.
pub fn changed(
    issued: &[Document],
    now: &Proposal,
    trade: &Trade,
    customer: OfficeId,
    id: OfficeId,
) -> Result<Option<Document>, Fault> {
    let own: Vec<Document> = issued.iter().filter(|document| document.customer == customer).cloned().collect();
    let standing = billed(&own)?;
    let mut current: BTreeMap<Matter, BTreeMap<&str, &Proposed>> = BTreeMap::new();
    for proposed in &now.lines {
        let Some(source) = &proposed.line.source else { continue };
        // The first of split lines holds what was recorded.
        current.entry(source.matter).or_default().entry(source.part.as_str()).or_insert(proposed);
    }
    let mut lines = Vec::new();
    let mut numbers: BTreeSet<String> = BTreeSet::new();
    for (matter, parts) in &standing {
        let current = current.get(matter);
        let names: BTreeSet<&str> = parts
            .keys()
            .map(String::as_str)
            .chain(current.into_iter().flat_map(|current| current.keys().copied()))
            .collect();
        for part in names {
            let before = parts.get(part);
            let after = current.and_then(|current| current.get(part)).filter(|after| after.customer == customer);
            let change = change(before, after.map(|after| &after.line))?;
            if !change.is_empty() {
                numbers.extend(before.map(|b| b.number.clone()));
                numbers.extend(parts.values().map(|b| b.number.clone()));
            }
            lines.extend(change);
        }
    }
    let Some(last) = own.last().filter(|_| !lines.is_empty()) else { return Ok(None) };
    let mut document = empty(trade, customer, last.currency, id)?;
    document.rounding = last.rounding;
    document.changes = numbers.into_iter().collect();
    document.period = period(&lines);
    document.lines = lines;
    let document = document.reckoned(Amount::ZERO)?;
    if !document.totals.with_tax.is_negative() {
        return Ok(Some(document));
    }
    turned(document).map(Some)
}

fn period(lines: &[Line]) -> Option<(Day, Day)> {
    let days = || lines.iter().filter_map(|line| line.day);
    days().min().zip(days().max())
}

/// The lines that make up for the difference between what was billed and what is recorded.
fn change(before: Option<&Billed>, after: Option<&Line>) -> Result<Vec<Line>, Fault> {
    let recorded = |line: &Line| line.source.as_ref().map_or(Amount::ZERO, |source| source.recorded);
    Ok(match (before, after) {
        (None, Some(after)) => {
            vec![changed_line(after, recorded(after), format!("not billed before: {}", after.words))]
        }
        (Some(before), Some(after)) if before.line.unit == after.unit => {
            let difference = recorded(after).minus(before.recorded)?;
            let words = format!("change of {}: now {}", before.number, after.words);
            if difference.is_zero() { vec![] } else { vec![changed_line(&before.line, difference, words)] }
        }
        (Some(before), after) if !before.recorded.is_zero() => {
            let words = format!("change of {}: no longer {}", before.number, before.line.words);
            let mut lines = vec![changed_line(&before.line, before.recorded.negated(), words)];
            if let Some(after) = after {
                lines.push(changed_line(after, recorded(after), format!("in place of it: {}", after.words)));
            }
            lines
        }
        (Some(_), Some(after)) => vec![changed_line(after, recorded(after), format!("again: {}", after.words))],
        (Some(_) | None, None) => vec![],
    })
}

/// A line for a difference, at the price and with the percentages of the line it changes.
fn changed_line(line: &Line, difference: Amount, words: String) -> Line {
    let mut line = line.clone();
    line.quantity = difference;
    line.words = words;
    line.adjustments.retain(|adjustment| adjustment.percent.is_some());
    if let Some(source) = &mut line.source {
        source.recorded = difference;
    }
    line
}

/// An invoice over less than nothing, as the credit note that it is.
fn turned(mut document: Document) -> Result<Document, Fault> {
    document.sort = DocumentSort::CreditNote;
    for line in &mut document.lines {
        line.quantity = line.quantity.negated();
        if let Some(source) = &mut line.source {
            source.recorded = source.recorded.negated();
        }
    }
    document.reckoned(Amount::ZERO)
}

/// The credit note that takes an invoice back whole. Its entries may be billed anew.
///
/// # Errors
/// `bad-target` for a credit note, and for an invoice of which something has been changed since: that has to be made up
/// for by another change.
pub fn taken_back(invoice: &Document, issued: &[Document], id: OfficeId) -> Result<Document, Fault> {
    let refused = |detail: String| Fault::new(code::BAD_TARGET, "", detail);
    if invoice.sort != DocumentSort::Invoice {
        return Err(refused("a credit note is not taken back; make an invoice for what is still owed".into()));
    }
    let Some(number) = &invoice.number else { return Err(refused("a draft is dropped, not taken back".into())) };
    let matters = invoice.matters();
    let others = issued.iter().filter(|document| document.id != invoice.id && document.customer == invoice.customer);
    let mut later = others.filter(|document| {
        document.changes.contains(number)
            || (document.number > invoice.number && !document.matters().is_disjoint(&matters))
    });
    if let Some(other) = later.next() {
        let other = other.number.as_deref().unwrap_or_default();
        return Err(refused(format!("{number} has been changed by {other}: waive what is no longer owed instead")));
    }
    let mut credit = invoice.clone();
    credit.id = id;
    credit.sort = DocumentSort::CreditNote;
    (credit.number, credit.issued, credit.due) = (None, None, None);
    credit.changes = vec![number.clone()];
    // All of it is given back, what was paid before the invoice too.
    credit.reckoned(Amount::ZERO)
}
