//! `pintle bill decide`: what the office wants on a bill in place of a line that was proposed.
//!
//! Promises: why is kept, with who said it. A line that is proposed under another name is not decided about in vain: the
//! names that there are, are told.

use crate::bill_file;
use crate::command::Here;
use crate::names;
use crate::office::Office;
use crate::problem::{Code, Problem};
use crate::store::Store;
use pintle_core::bill::amount::Amount;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::{Adjustment, Way};
use pintle_core::bill::matter::Matter;
use pintle_core::bill::written::{LineDecision, WantedLine, Written};
use pintle_core::fact::check_name;
use pintle_openapi::endpoint::Nothing;
use pintle_openapi::endpoints::bills as b;
use std::collections::BTreeSet;

/// A line of an entry, and what is wanted in its place.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub(super) struct Decide {
    /// The entry: K7-412; or job and day of a call-out: dig@2026-05-04
    entry: String,
    /// Which of its lines: "labour: mechanic", "part: hose", call-out, travel
    line: String,
    /// Why: is kept with your name
    #[arg(long)]
    why: String,
    /// Do not bill it
    #[arg(long, conflicts_with_all = ["quantity", "price", "again", "split", "allowance", "charge"])]
    waive: bool,
    /// Bill this much of it, in its unit: labour in minutes
    #[arg(long, required_unless_present_any = ["waive", "again", "split"])]
    quantity: Option<Amount>,
    /// At this price
    #[arg(long, conflicts_with_all = ["again", "split"])]
    price: Option<Amount>,
    /// With these words in place of the proposed
    #[arg(long, conflicts_with_all = ["waive", "again", "split"])]
    words: Option<String>,
    /// Take off the line: "10% waited", "5.00 scratch"
    #[arg(long, value_parser = taken_off, conflicts_with_all = ["again", "split"])]
    allowance: Vec<Adjustment>,
    /// Add to the line: "12.50 disposal"
    #[arg(long, value_parser = added, conflicts_with_all = ["again", "split"])]
    charge: Vec<Adjustment>,
    /// Bill it as several lines: "40: agreed", "40 at 0: goodwill"
    #[arg(long, value_parser = part, conflicts_with_all = ["quantity", "again"])]
    split: Vec<WantedLine>,
    /// As it was proposed, after all
    #[arg(long, conflicts_with = "quantity")]
    again: bool,
}

const AFTER: &str = "\
pintle bill decide K7-412 labour --why \"agreed\" --quantity 60
pintle bill decide K7-412 labour --why \"half is ours\" \\
    --split \"40\" --split \"40 at 0: goodwill\"
pintle bill decide dig@2026-05-04 call-out --why ours --waive";

/// `10% waited` or `5.00 scratch`.
fn adjustment(text: &str, way: Way) -> Result<Adjustment, String> {
    let wrong = || "write how much and why: \"10% waited\", \"5.00 scratch\"".to_owned();
    let (much, reason) = text.trim().split_once(char::is_whitespace).ok_or_else(wrong)?;
    let (number, percent) = much.strip_suffix('%').map_or((much, false), |number| (number, true));
    let number: Amount = number.parse().map_err(|_| wrong())?;
    let (amount, percent) = if percent { (None, Some(number)) } else { (Some(number), None) };
    let made = Adjustment { way, amount, percent, reason: reason.trim().to_owned(), tax: None };
    made.check().map_err(|fault| fault.detail)?;
    Ok(made)
}

pub(super) fn taken_off(text: &str) -> Result<Adjustment, String> {
    adjustment(text, Way::Allowance)
}

pub(super) fn added(text: &str) -> Result<Adjustment, String> {
    adjustment(text, Way::Charge)
}

/// `40`, `40: agreed`, `40 at 0: goodwill`.
fn part(text: &str) -> Result<WantedLine, String> {
    let (much, said) = text.split_once(':').map_or((text, None), |(much, said)| (much, Some(said.trim().to_owned())));
    let (quantity, price) = much.split_once(" at ").map_or((much, None), |(quantity, price)| (quantity, Some(price)));
    let amount = |text: &str| {
        text.trim().parse::<Amount>().map_err(|_| "write a part as \"40: agreed\" or \"40 at 0: goodwill\"".to_owned())
    };
    let price = price.map(amount).transpose()?;
    Ok(WantedLine { words: None, remark: said, quantity: amount(quantity)?, price, adjustments: Vec::new() })
}

impl Decide {
    /// What is wanted in place of the line; none: as it was proposed.
    fn lines(&self) -> Option<Vec<WantedLine>> {
        match (self.waive, self.quantity) {
            _ if self.again => None,
            (true, _) => Some(Vec::new()),
            (false, Some(quantity)) => {
                let adjustments = self.allowance.iter().chain(&self.charge).cloned().collect();
                let (words, remark) = (self.words.clone(), None);
                Some(vec![WantedLine { words, remark, quantity, price: self.price, adjustments }])
            }
            (false, None) => Some(self.split.clone()),
        }
    }

    /// The decision, about a line that there is as far as can be known.
    pub(super) fn written(&self, office: &Office, known: &[Written], store: &mut Store) -> Result<Written, Problem> {
        let matter = match self.entry.split_once('@') {
            None => Matter::Entry(store.read(|tx| names::entry(tx, &self.entry))?),
            Some((job, day)) => {
                let found = bill_file::job(known, job).ok_or_else(|| super::no_job(job))?;
                let day: Day = day.parse().map_err(|_| {
                    Problem::new(Code::UnclearWords, format!("{day:?} is no day"))
                        .hint("pintle bill decide dig@2026-05-04 …")
                })?;
                Matter::Visit(found, day)
            }
        };
        let part = self.part(&matter, office)?;
        check_name(&self.why)?;
        Ok(Written::Line(LineDecision { matter, part, lines: self.lines(), why: self.why.clone() }))
    }

    /// The name of the line, whole: where what could be billed has lines of this matter, one of them is meant.
    fn part(&self, matter: &Matter, office: &Office) -> Result<String, Problem> {
        let none = Nothing {};
        let query = b::ProposalQuery { from: Day::FIRST, until: Day::LAST, customer: None, job: None, machine: None };
        let proposal = office.ask::<b::Proposal>(&none, &query, &none)?;
        let proposed = proposal.lines.iter().filter_map(|line| line.line.source.as_ref());
        let proposed = proposed.filter(|source| source.matter == *matter).map(|source| source.part.as_str());
        let waived = proposal.unbilled.iter().filter(|one| one.matter == *matter).map(|one| one.part.as_str());
        let parts: BTreeSet<&str> = proposed.chain(waived).filter(|part| !part.is_empty()).collect();
        // Nothing is known of what is in drafts and bills.
        if parts.is_empty() || parts.contains(self.line.as_str()) {
            return Ok(self.line.clone());
        }
        let mut begins = parts.iter().filter(|part| part.starts_with(&self.line));
        match (begins.next(), begins.next()) {
            (Some(one), None) => Ok((*one).to_owned()),
            _ => {
                let all: Vec<String> = parts.iter().map(|part| format!("{part:?}")).collect();
                let detail = format!("{} has no line {:?}: there is {}", self.entry, self.line, all.join(", "));
                Err(Problem::new(Code::UnclearWords, detail))
            }
        }
    }
}

/// Writes it down.
pub(super) fn run(args: &Decide, office: &Office, store: &mut Store, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let known = super::written(office)?;
    let written = args.written(office, &known, store)?;
    let reply = office.ask::<b::WriteOffice>(&Nothing {}, &Nothing {}, &written)?;
    here.ui.show(&super::shown::Said::new("Written down, with your name.", &reply))
}

#[cfg(test)]
mod tests {
    use super::{added, part, taken_off};
    use pintle_core::bill::document::Way;

    #[test]
    fn how_much_and_why() {
        let made = taken_off("10% waited for us").expect("an allowance");
        assert_eq!((made.way, made.reason.as_str(), made.amount), (Way::Allowance, "waited for us", None));
        assert_eq!(made.percent.map(|percent| percent.to_string()).as_deref(), Some("10"));
        let made = added(" 12.50  disposal").expect("a charge");
        assert_eq!((made.way, made.reason.as_str(), made.percent), (Way::Charge, "disposal", None));
        for wrong in ["", "10%", "waited", "-5 scratch", "ten waited", "5,5 scratch"] {
            assert!(taken_off(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn parts_of_a_line() {
        let made = part("40 at 0: goodwill: ours").expect("a part");
        assert_eq!((made.quantity.to_string().as_str(), made.remark.as_deref()), ("40", Some("goodwill: ours")));
        assert_eq!(made.price.map(|price| price.to_string()).as_deref(), Some("0"));
        let made = part("0.5").expect("a part");
        assert_eq!((made.quantity.to_string().as_str(), made.remark, made.price), ("0.5", None, None));
        for wrong in ["", ": goodwill", "40 at : goodwill", "some: goodwill", "40 for 0"] {
            assert!(part(wrong).is_err(), "{wrong}");
        }
    }
}
