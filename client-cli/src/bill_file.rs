//! The office's book as a file of TOML: seller, customers, sites, jobs, rates, by the names people give them.
//!
//! Promises: names become the ids of what is there already under that name, or new ones; numbers are taken as they are
//! written, never through a float. What cannot be read is told with its place, and nothing is written then.
//!
//! Never: asks the network; what is there already is an argument.

use crate::problem::{Code, Problem};
use pintle_core::MachineId;
use pintle_core::bill::written::Written;
use pintle_core::ids::OfficeId;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value, json};
use toml::de::{DeTable, DeValue};

/// Fields of a seller or customer that stand in its address.
const OF_ADDRESS: [&str; 4] = ["street", "postcode", "city", "country"];
/// Fields that stand in its party.
const OF_PARTY: [&str; 4] = ["name", "vat_id", "register_id", "email"];

/// What a file's names are resolved with.
pub struct Known<'a> {
    /// What the office has written so far.
    pub written: &'a [Written],
    /// A fresh id.
    pub id: &'a mut dyn FnMut() -> Result<OfficeId, Problem>,
    /// The machine of a name.
    pub machine: &'a dyn Fn(&str) -> Result<MachineId, Problem>,
}

/// The sorts of things that have a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sort {
    Customer,
    Site,
    Job,
    Rates,
}

impl Sort {
    fn word(self) -> &'static str {
        match self {
            Sort::Customer => "customer",
            Sort::Site => "site",
            Sort::Job => "job",
            Sort::Rates => "list of rates",
        }
    }
}

/// Name and id of something written.
fn named(written: &Written) -> Option<(Sort, &str, OfficeId)> {
    match written {
        Written::Customer { id, value } => Some((Sort::Customer, &value.party.name, *id)),
        Written::Site { id, value } => Some((Sort::Site, &value.name, *id)),
        Written::Job { id, value } => Some((Sort::Job, &value.name, *id)),
        Written::Rates { id, value } => Some((Sort::Rates, &value.name, *id)),
        Written::Seller(_) | Written::Line(_) => None,
    }
}

/// The customer of a name.
#[must_use]
pub fn customer(written: &[Written], name: &str) -> Option<OfficeId> {
    find(written, Sort::Customer, name)
}

/// The job of a name.
#[must_use]
pub fn job(written: &[Written], name: &str) -> Option<OfficeId> {
    find(written, Sort::Job, name)
}

fn find(written: &[Written], sort: Sort, name: &str) -> Option<OfficeId> {
    let found = written.iter().filter_map(named).find(|(of, known, _)| *of == sort && known.eq_ignore_ascii_case(name));
    found.map(|(_, _, id)| id)
}

fn unclear(sentence: impl Into<String>) -> Problem {
    Problem::new(Code::UnclearFile, sentence)
}

/// What a file says, in the order in which it is to be written.
///
/// # Errors
/// `unclear-file`, with the place.
pub fn read(text: &str, known: &mut Known<'_>) -> Result<Vec<Written>, Problem> {
    let table = DeTable::parse(text).map_err(|error| {
        let at = error.span().map_or(0, |span| span.start);
        let line = text.get(..at).map_or(1, |before| before.matches('\n').count() + 1);
        unclear(format!("line {line}: {}", error.message()))
    })?;
    let mut tree = object(table.get_ref());
    let mut wanted: Vec<Written> = Vec::new();
    if let Some(seller) = tree.remove("seller") {
        wanted.push(Written::Seller(typed("seller", with_party(seller))?));
    }
    let mut all: Vec<Written> = known.written.to_vec();
    // In this order, so that what a table names has been read before it.
    for (key, sort) in
        [("rates", Sort::Rates), ("customers", Sort::Customer), ("sites", Sort::Site), ("jobs", Sort::Job)]
    {
        let Some(items) = tree.remove(key) else { continue };
        let Value::Array(items) = items else { return Err(unclear(format!("{key}: write each as [[{key}]]"))) };
        for (index, item) in items.into_iter().enumerate() {
            let place = format!("{key} {}", index + 1);
            let name = item.get("name").and_then(Value::as_str).map(str::to_owned);
            let name = name.ok_or_else(|| unclear(format!("{place}: it has no name")))?;
            let id = match find(&all, sort, &name) {
                Some(id) => id,
                None => (known.id)()?,
            };
            let written = one(sort, id, &place, item, &all, known)?;
            all.retain(|other| named(other).is_none_or(|(of, _, other)| (of, other) != (sort, id)));
            all.push(written.clone());
            wanted.push(written);
        }
    }
    match tree.keys().next() {
        Some(key) => Err(unclear(format!("{key}: a book has seller, customers, sites, jobs and rates"))),
        None => Ok(wanted),
    }
}

fn one(
    sort: Sort,
    id: OfficeId,
    place: &str,
    mut item: Value,
    all: &[Written],
    known: &Known<'_>,
) -> Result<Written, Problem> {
    let resolve = |item: &mut Value, field: &str, sort: Sort| -> Result<(), Problem> {
        let Some(name) = item.get(field).and_then(Value::as_str).map(str::to_owned) else { return Ok(()) };
        let found = find(all, sort, &name);
        let found = found.ok_or_else(|| unclear(format!("{place}: there is no {} {name:?}", sort.word())))?;
        item[field] = json!(found);
        Ok(())
    };
    let written = match sort {
        Sort::Customer => {
            resolve(&mut item, "rates", Sort::Rates)?;
            if let Some(days) = item.get("terms_days").and_then(Value::as_str).map(str::to_owned) {
                let days: u32 = days.parse().map_err(|_| unclear(format!("{place}: terms_days is a whole number")))?;
                item["terms_days"] = json!(days);
            }
            Written::Customer { id, value: typed(place, with_party(item))? }
        }
        Sort::Site => Written::Site { id, value: typed(place, item)? },
        Sort::Job => {
            resolve(&mut item, "customer", Sort::Customer)?;
            resolve(&mut item, "site", Sort::Site)?;
            resolve(&mut item, "rates", Sort::Rates)?;
            machines(&mut item, "machines", known)?;
            Written::Job { id, value: typed(place, item)? }
        }
        Sort::Rates => {
            for rate in item.get_mut("machines").and_then(Value::as_array_mut).into_iter().flatten() {
                machines(rate, "machine", known)?;
            }
            Written::Rates { id, value: typed(place, item)? }
        }
    };
    written.check().map_err(|fault| unclear(format!("{place}{}: {}", fault.pointer, fault.detail)))?;
    Ok(written)
}

/// Names of machines become their ids.
fn machines(item: &mut Value, field: &str, known: &Known<'_>) -> Result<(), Problem> {
    let id = |value: &mut Value| -> Result<(), Problem> {
        if let Some(name) = value.as_str().map(str::to_owned) {
            *value = json!((known.machine)(&name)?);
        }
        Ok(())
    };
    match item.get_mut(field) {
        Some(Value::Array(names)) => names.iter_mut().try_for_each(id),
        Some(name) => id(name),
        None => Ok(()),
    }
}

/// A flat table with name and address, as the two are kept.
fn with_party(item: Value) -> Value {
    let Value::Object(fields) = item else { return item };
    let (mut party, mut address, mut rest) = (Map::new(), Map::new(), Map::new());
    for (name, value) in fields {
        let place = match name.as_str() {
            name if OF_ADDRESS.contains(&name) => &mut address,
            name if OF_PARTY.contains(&name) => &mut party,
            _ => &mut rest,
        };
        place.insert(name, value);
    }
    party.insert("address".into(), Value::Object(address));
    rest.insert("party".into(), Value::Object(party));
    Value::Object(rest)
}

fn typed<T: DeserializeOwned>(place: &str, value: Value) -> Result<T, Problem> {
    serde_json::from_value(value).map_err(|error| unclear(format!("{place}: {error}")))
}

fn object(table: &DeTable<'_>) -> Map<String, Value> {
    table.iter().map(|(name, value)| (name.get_ref().to_string(), tree(value.get_ref()))).collect()
}

/// Numbers and days as they are written.
fn tree(value: &DeValue<'_>) -> Value {
    match value {
        DeValue::String(text) => Value::String(text.to_string()),
        DeValue::Integer(number) => Value::String(number.as_str().to_owned()),
        DeValue::Float(number) => Value::String(number.as_str().to_owned()),
        DeValue::Boolean(yes) => Value::Bool(*yes),
        DeValue::Datetime(day) => Value::String(day.to_string()),
        DeValue::Array(items) => Value::Array(items.iter().map(|item| tree(item.get_ref())).collect()),
        DeValue::Table(table) => Value::Object(object(table)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOOK: &str = r#"
[seller]
name = "Valley crews"
vat_id = "DE1"
country = "DE"
number_prefix = "2026-"

[[rates]]
name = "standard"
from = 2026-01-01
currency = "EUR"
labour = [{ name = "mechanic", role = "mechanic", from = "06:00", until = "18:00", per_hour = 85.00 }]
call_out = 60
tax = { category = "S", percent = 19 }

[[customers]]
name = "North quarry"
country = "DE"
terms_days = 14
rates = "standard"

[[jobs]]
name = "dig"
customer = "North quarry"
machines = ["EX3"]
from = 2026-05-01
"#;

    fn parsed(text: &str, written: &[Written]) -> Result<Vec<Written>, Problem> {
        let mut made = 0;
        let mut id = || {
            made += 1;
            Ok(OfficeId([made; 16]))
        };
        let machine = |name: &str| match name {
            "EX3" => Ok(MachineId([3; 16])),
            _ => Err(Problem::new(Code::UnknownMachine, "no such machine")),
        };
        read(text, &mut Known { written, id: &mut id, machine: &machine })
    }

    #[test]
    fn names_become_ids_and_numbers_stay_as_written() {
        let book = parsed(BOOK, &[]).expect("a book");
        let [
            Written::Seller(_),
            Written::Rates { id: rates, value: card },
            Written::Customer { id, value },
            Written::Job { value: job, .. },
        ] = book.as_slice()
        else {
            panic!("{book:?}")
        };
        assert_eq!((value.rates, value.terms_days, job.customer), (Some(*rates), Some(14), *id));
        assert_eq!(
            (card.labour[0].per_hour.to_string().as_str(), job.machines.as_slice()),
            ("85", &[MachineId([3; 16])][..])
        );
        assert_eq!(parsed(BOOK, &book).expect("again"), book, "again: the same under the same ids");
    }

    #[test]
    fn what_is_wrong_is_told_with_its_place() {
        for (from, to, told) in [
            ("[seller]", "[seller", "line 2: "),
            ("customer = \"North quarry\"", "customer = \"Nobody\"", "jobs 1: there is no customer \"Nobody\""),
            ("call_out = 60", "call_out = -60", "rates 1/call_out: not below zero"),
            ("call_out = 60", "call_off = 60", "rates 1: unknown field `call_off`"),
            ("terms_days = 14", "terms_days = 1.5", "customers 1: terms_days is a whole number"),
            ("[[jobs]]", "[[work]]", "work: a book has seller, customers, sites, jobs and rates"),
            ("currency = \"EUR\"", "currency = \"EURO\"", "rates 1: a currency is its ISO 4217 code, like EUR"),
        ] {
            let problem = parsed(&BOOK.replacen(from, to, 1), &[]).expect_err(told);
            assert!(problem.sentence.starts_with(told), "{}", problem.sentence);
        }
    }
}
