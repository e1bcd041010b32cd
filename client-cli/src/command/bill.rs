//! `pintle bill`: from what was recorded to invoices, for the office.
//!
//! Promises: needs signal, and says so. Nothing is billed twice: a draft reserves what it is for, and an issued bill never
//! changes. What is not billed is shown with why.

mod decide;
mod shown;

use super::Here;
use crate::ambient::random;
use crate::bill_file::{self, Known};
use crate::file;
use crate::names;
use crate::office::Office;
use crate::problem::{Code, Problem};
use pintle_core::EntryRef;
use pintle_core::bill::amount::Amount;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::Adjustment;
use pintle_core::bill::written::Written;
use pintle_core::ids::OfficeId;
use pintle_openapi::endpoint::Nothing;
use pintle_openapi::endpoints::bills as b;
use pintle_openapi::endpoints::notices::{NoticeReport, Notices};
use pintle_openapi::list::{PAGE_ITEMS_MAX, PageQuery};
use std::path::{Path, PathBuf};

/// Largest book file, in bytes: some hundred customers and a few lists of rates.
const BOOK_BYTES_MAX: u64 = 1024 * 1024;

/// From records to invoices (office, owner)
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub struct Bill {
    #[command(subcommand)]
    act: Act,
}

const AFTER: &str = "\
A month is 2026-05; other days are 2026-05-01..2026-05-15.
Bills are named by number, drafts by the six characters shown.
A draft reserves what it is for; issued, it never changes.";

#[derive(Debug, clap::Subcommand)]
enum Act {
    /// Show customers, jobs and rates, or write them from a file
    Book {
        /// A file of TOML with seller, customers, sites, jobs, rates
        file: Option<PathBuf>,
    },
    /// Show what could be billed, and what could not
    Look {
        /// 2026-05, or 2026-05-01..2026-05-15
        #[arg(value_parser = days)]
        days: (Day, Day),
        /// One customer only
        #[arg(long)]
        customer: Option<String>,
    },
    /// Draft bills: one for each customer
    Draft {
        /// 2026-05, or 2026-05-01..2026-05-15
        #[arg(value_parser = days)]
        days: (Day, Day),
        /// One customer only
        #[arg(long)]
        customer: Option<String>,
        /// One job only
        #[arg(long)]
        job: Option<String>,
        /// Take off each bill: "2% loyalty", "50.00 for waiting"
        #[arg(long, value_parser = decide::taken_off)]
        allowance: Vec<Adjustment>,
        /// Add to each bill: "12.50 disposal"
        #[arg(long, value_parser = decide::added)]
        charge: Vec<Adjustment>,
        /// Paid before, with tax; of one bill only
        #[arg(long)]
        paid: Option<Amount>,
        /// A sentence on each bill, in place of the book's
        #[arg(long)]
        note: Option<String>,
    },
    /// Draft what has changed since a customer's bills
    Changes {
        /// The customer
        customer: String,
    },
    /// Draft a credit note over a whole invoice
    Back {
        /// Its number
        number: String,
    },
    /// List the drafts
    Drafts,
    /// Issue drafts: each gets its number, and never changes
    Issue {
        /// Drafts, by their six characters
        #[arg(required = true)]
        drafts: Vec<String>,
        /// Day of issue [else today]
        #[arg(long)]
        on: Option<Day>,
    },
    /// Drop a draft: what it is for is free again
    Drop {
        /// The draft
        draft: String,
    },
    /// List the issued bills
    Issued {
        /// One customer only
        #[arg(long)]
        customer: Option<String>,
    },
    /// Show which issued bills another program was told of
    Notices,
    /// Show a draft or bill whole
    Show {
        /// Its number, or a draft's six characters
        bill: String,
    },
    /// Save a bill as a file: .pdf, .xml (UBL), .csv or .xlsx
    Save {
        /// Its number, or a draft's six characters
        bill: String,
        /// Where to
        file: PathBuf,
        /// Of a .pdf: a4 or letter [a4]
        #[arg(long)]
        paper: Option<b::Paper>,
    },
    /// Bill a line otherwise: waive it, split it, or another amount or price
    Decide(Box<decide::Decide>),
    /// Say which job entries belong to
    Assign {
        /// The job
        job: String,
        /// Entries: K7-412
        #[arg(required = true)]
        entries: Vec<String>,
    },
}

/// First and last day of a month, or of `FROM..UNTIL`.
fn days(text: &str) -> Result<(Day, Day), String> {
    let wrong = || "write 2026-05, or 2026-05-01..2026-05-15".to_owned();
    let day = |text: &str| text.parse::<Day>().map_err(|_| wrong());
    if let Some((from, until)) = text.split_once("..") {
        return Ok((day(from)?, day(until)?));
    }
    let from = day(&format!("{text}-01"))?;
    let last = (28..=31).rev().find_map(|last| format!("{text}-{last}").parse().ok());
    Ok((from, last.ok_or_else(wrong)?))
}

/// Asks the server, then shows the answer.
pub(super) fn run(args: &Bill, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let office = Office::open(&here.home, &mut store, here.ambient)?;
    let none = Nothing {};
    match &args.act {
        Act::Book { file: None } => here.ui.show(&shown::Book { items: book(&office)?, written: None }),
        Act::Book { file: Some(path) } => write_book(path, &office, here),
        Act::Look { days: (from, until), customer } => {
            let customer = customer_named(&office, customer.as_deref())?;
            let query = b::ProposalQuery { from: *from, until: *until, customer, job: None, machine: None };
            let proposal = office.ask::<b::Proposal>(&none, &query, &none)?;
            here.ui.show(&shown::Look { proposal, customers: written(&office)? })
        }
        Act::Draft { days: (from, until), customer, job, allowance, charge, paid, note } => {
            let customer = customer_named(&office, customer.as_deref())?;
            let request = b::DraftRequest::Period {
                from: *from,
                until: *until,
                customer,
                job: job.as_deref().map(|job| job_named(&office, job)).transpose()?,
                adjustments: allowance.iter().chain(charge).cloned().collect(),
                note: note.clone(),
                paid: *paid,
            };
            draft(&request, &office, here)
        }
        Act::Changes { customer } => {
            let customer = customer_named(&office, Some(customer))?.ok_or_else(|| no_customer(customer))?;
            draft(&b::DraftRequest::Changes { customer }, &office, here)
        }
        Act::Back { number } => draft(&b::DraftRequest::TakeBack { bill: bill_named(&office, number)? }, &office, here),
        Act::Drafts => {
            let drafts = office.ask::<b::Drafts>(&none, &none, &none)?.items;
            here.ui.show(&shown::Bills { bills: drafts, said: "No drafts." })
        }
        Act::Issue { drafts, on } => {
            let mut bills = Vec::new();
            for draft in drafts {
                let path = b::BillPath { bill: bill_named(&office, draft)? };
                bills.push(office.ask::<b::IssueDraft>(&path, &none, &b::IssueRequest { on: *on })?);
            }
            here.ui.show(&shown::Bills { bills, said: "Nothing was issued." })
        }
        Act::Drop { draft } => {
            let path = b::BillPath { bill: bill_named(&office, draft)? };
            let dropped = office.ask::<b::DropDraft>(&path, &none, &none)?;
            here.ui.show(&shown::Said::new("The draft is gone; what it was for is free again.", &dropped))
        }
        Act::Issued { customer } => {
            let customer = customer_named(&office, customer.as_deref())?;
            here.ui.show(&shown::Bills { bills: issued(&office, customer)?, said: "Nothing has been issued." })
        }
        Act::Notices => here.ui.show(&shown::Notices(notices(&office)?)),
        Act::Show { bill } => {
            let path = b::BillPath { bill: bill_named(&office, bill)? };
            let report = office.ask::<b::Bill>(&path, &none, &none)?;
            here.ui.show(&shown::Whole(report))
        }
        Act::Save { bill, file, paper } => save(bill, file, *paper, &office, here),
        Act::Decide(args) => decide::run(args, &office, &mut store, here),
        Act::Assign { job, entries } => {
            let job = job_named(&office, job)?;
            let read = |tx: &crate::store::Tx<'_>| entries.iter().map(|name| names::entry(tx, name)).collect();
            let entries: Vec<EntryRef> = store.read(read)?;
            let reply = office.ask::<b::AssignJob>(&none, &none, &b::AssignRequest { job, entries })?;
            here.ui.show(&shown::Said::new("Written down, with your name.", &reply))
        }
    }
}

fn draft(request: &b::DraftRequest, office: &Office, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let drafts = office.ask::<b::MakeDrafts>(&Nothing {}, &Nothing {}, request)?.items;
    here.ui.show(&shown::Bills { bills: drafts, said: "There is nothing to bill." })
}

fn save(
    bill: &str,
    path: &Path,
    paper: Option<b::Paper>,
    office: &Office,
    here: &mut Here<'_, '_>,
) -> Result<(), Problem> {
    let end = path.extension().and_then(|end| end.to_str());
    if paper.is_some() && end != Some("pdf") {
        return Err(Problem::new(Code::UnclearWords, "only a .pdf is on paper"));
    }
    let at = b::BillPath { bill: bill_named(office, bill)? };
    let none = Nothing {};
    let bytes = match end {
        Some("pdf") => office.fetch::<b::BillPdf>(&at, &b::PaperQuery { paper })?,
        Some("xml") => office.fetch::<b::BillUbl>(&at, &none)?,
        Some("csv") => office.fetch::<b::BillCsv>(&at, &none)?,
        Some("xlsx") => office.fetch::<b::BillXlsx>(&at, &none)?,
        _ => return Err(Problem::new(Code::UnclearWords, "the file's name ends in .pdf, .xml, .csv or .xlsx")),
    };
    file::write(path, &bytes)?;
    let saved = serde_json::json!({"saved": path, "bytes": bytes.len()});
    here.ui.show(&shown::Said::new(format!("Saved in {}.", path.display()), &saved))
}

fn write_book(path: &Path, office: &Office, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let text = String::from_utf8(file::read(path, "a book of the office", BOOK_BYTES_MAX)?)
        .map_err(|_| Problem::new(Code::UnclearFile, format!("{} is not UTF-8", path.display())))?;
    let before = written(office)?;
    let store = here.store()?;
    let store = std::cell::RefCell::new(store);
    let ambient = here.ambient;
    let mut id = || Ok(OfficeId(random(ambient)?));
    let machine = |name: &str| store.borrow_mut().read(|tx| names::machine(tx, name)).map(|glance| glance.id);
    let wanted = bill_file::read(&text, &mut Known { written: &before, id: &mut id, machine: &machine })?;
    let changed: Vec<Written> = wanted.into_iter().filter(|written| !before.contains(written)).collect();
    for written in &changed {
        office.ask::<b::WriteOffice>(&Nothing {}, &Nothing {}, written)?;
    }
    here.ui.show(&shown::Book { items: book(office)?, written: Some(changed.len()) })
}

/// What the office has written, all pages.
fn book(office: &Office) -> Result<Vec<b::OfficeItem>, Problem> {
    let limit = i64::try_from(PAGE_ITEMS_MAX).ok();
    let (mut items, mut after) = (Vec::new(), None);
    loop {
        let page = office.ask::<b::OfficeBook>(&Nothing {}, &PageQuery { after, limit }, &Nothing {})?;
        items.extend(page.items);
        match page.next {
            Some(next) => after = Some(next),
            None => return Ok(items),
        }
    }
}

fn written(office: &Office) -> Result<Vec<Written>, Problem> {
    Ok(book(office)?.into_iter().map(|item| item.written).collect())
}

fn issued(office: &Office, customer: Option<OfficeId>) -> Result<Vec<b::BillReport>, Problem> {
    let limit = i64::try_from(PAGE_ITEMS_MAX).ok();
    let (mut items, mut after) = (Vec::new(), None);
    loop {
        let query = b::IssuedQuery { customer, after, limit };
        let page = office.ask::<b::IssuedBills>(&Nothing {}, &query, &Nothing {})?;
        items.extend(page.items);
        if !page.more {
            return Ok(items);
        }
        after = Some(page.next);
    }
}

/// The newest notices: a page of them, because old ones are of no interest.
fn notices(office: &Office) -> Result<Vec<NoticeReport>, Problem> {
    let limit = i64::try_from(PAGE_ITEMS_MAX).ok();
    Ok(office.ask::<Notices>(&Nothing {}, &PageQuery { after: None, limit }, &Nothing {})?.items)
}

fn no_customer(name: &str) -> Problem {
    Problem::new(Code::UnclearWords, format!("there is no customer {name:?}")).hint("pintle bill book")
}

fn no_job(name: &str) -> Problem {
    Problem::new(Code::UnclearWords, format!("there is no job {name:?}")).hint("pintle bill book")
}

fn job_named(office: &Office, name: &str) -> Result<OfficeId, Problem> {
    bill_file::job(&written(office)?, name).ok_or_else(|| no_job(name))
}

fn customer_named(office: &Office, name: Option<&str>) -> Result<Option<OfficeId>, Problem> {
    let Some(name) = name else { return Ok(None) };
    bill_file::customer(&written(office)?, name).map(Some).ok_or_else(|| no_customer(name))
}

/// A bill by its number, a draft by its first letters, either by its whole id.
fn bill_named(office: &Office, name: &str) -> Result<OfficeId, Problem> {
    let drafts = office.ask::<b::Drafts>(&Nothing {}, &Nothing {}, &Nothing {})?.items;
    let is = |bill: &b::BillReport| {
        let id = bill.document.id.to_string();
        let short = bill.document.id.short();
        bill.document.number.as_deref() == Some(name)
            || id == name
            || (bill.issued.is_none() && short.eq_ignore_ascii_case(name))
    };
    if let Some(draft) = drafts.iter().find(|draft| is(draft)) {
        return Ok(draft.document.id);
    }
    let found = issued(office, None)?.into_iter().find(|bill| is(bill)).map(|bill| bill.document.id);
    found.ok_or_else(|| {
        Problem::new(Code::UnclearWords, format!("there is no bill {name:?}")).hint("pintle bill issued")
    })
}
