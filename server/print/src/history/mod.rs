//! A machine's service history on paper: what it says at a glance, hours over time, what to look at twice, every entry,
//! and how to check it.
//!
//! Promises: the numbers are those of [`Summary`], which the history's page is held to as well. What is doubtful, open, late
//! or withheld stands on the first page, in numbers, and in full before the entries. Who reads it is told whose word it is,
//! and where the check is. The PDF holds the history file, byte for byte, as what it was made from.
//!
//! Never judges: the verdict is the record's. Never leaves out in silence: a list that is cut says by how much.

mod checks;
mod glance;
mod plot;
mod rows;

use crate::glyphs;
use crate::press::{self, Attached, Job, Paper, PrintError};
use pintle_core::bill::calendar::Day;
use pintle_core::history::record::Record;
use pintle_core::history::summary::Summary;
use pintle_core::ids::Hash;
use pintle_core::moment::Moment;
use serde_json::{Value, json};

const LAYOUT: &str = include_str!("history.typ");
/// Name of the history file inside the PDF.
pub const ATTACHED_NAME: &str = "service-history.gz";
/// Most entries that are printed one by one, the newest: some 200 pages, which nobody reads through. All others are in the
/// file inside, and the first page counts them all.
pub const ENTRIES_PRINTED_MAX: usize = 5_000;
/// Most rows of any other list.
pub const LIST_ROWS_MAX: usize = 400;

/// A history as PDF. `file` is the history file, compressed as it is kept; `record` is what was read from it.
///
/// # Errors
/// [`PrintError`].
pub fn pdf(file: &[u8], record: &Record, summary: &Summary, paper: Paper) -> Result<Vec<u8>, PrintError> {
    press::print(job(file, record, summary, paper)?)
}

fn job(file: &[u8], record: &Record, summary: &Summary, paper: Paper) -> Result<Job, PrintError> {
    let digest = Hash::of(&[file]).hex();
    let made_ms = record.top.as_ref().map_or(0, |top| top.made_ms);
    let made = Moment::at(made_ms.div_euclid(1000), 0).map_err(|fault| PrintError::Layout(fault.to_string()))?;
    let data = shown(record, summary, &digest, paper);
    Ok(Job {
        layout: LAYOUT,
        data,
        attached: Some(Attached { name: "/service-history.gz", data: file.to_vec() }),
        dated: Day::of(&made),
        identity: format!("service history {digest}"),
    })
}

/// What the layout shows.
fn shown(record: &Record, summary: &Summary, digest: &str, paper: Paper) -> Value {
    let name = summary.machine.get("name").map_or("a machine without a name", String::as_str);
    let title = format!("Service history of {name}");
    let described = format!("The history file this was printed from, SHA-256 {digest}");
    json!({
        "paper": press::paper_name(paper),
        "title_plain": glyphs::plain(&title),
        "author_plain": glyphs::plain(&summary.organisation),
        "foot": format!("{title}\u{200E}, file {}", digest.get(..16).unwrap_or(digest)),
        "mark": Value::Null,
        "attached": described,
        "name": name,
        "verdict": checks::verdict(record),
        "glance": glance::glance(record, summary),
        "plot": plot::plot(summary),
        "sections": rows::sections(record, summary),
        "checks": checks::checks(record, digest),
    })
}

/// `4 May 2026, 07:12`, in the time of its author's place.
fn when(at: &Moment) -> String {
    let minute = at.text().get(11..16).unwrap_or_default();
    format!("{}, {minute}", Day::of(at).in_words())
}

/// The same of a server's or witness's clock.
fn when_utc(ms: i64) -> String {
    let at = Moment::at(ms.div_euclid(1000), 0);
    at.map_or_else(|_| "a time beyond the calendar".to_owned(), |at| format!("{} UTC", when(&at)))
}

fn counted(number: u64, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

/// A piece of text and how it is set: `plain`, `faint`, `strong`, `struck`.
fn block(style: &str, text: impl Into<String>) -> Value {
    json!({"style": style, "text": text.into()})
}

fn plain(text: impl Into<String>) -> Value {
    block("plain", text)
}

fn faint(text: impl Into<String>) -> Value {
    block("faint", text)
}

fn strong(text: impl Into<String>) -> Value {
    block("strong", text)
}

#[cfg(test)]
mod tests;
