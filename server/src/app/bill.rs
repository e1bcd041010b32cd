//! Billing: what the office writes, what could be billed, drafts, issued bills and their files.
//!
//! Promises: lines and amounts are core's, over the ledger as it is now; what is reserved or bound is the store's, in one
//! transaction with the entry that says so. A reply that was lost may be asked for again.
//!
//! Known quirk: a proposal reads the entries of all machines each time. A hundred thousand take a second or two.

pub mod sheet;

use super::fleet::Machines;
use super::{App, Caller, Refusal};
use crate::ambient::random;
use crate::limits::FETCH_ROWS;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::{Document, DocumentSort};
use pintle_core::bill::drafts::{Billed, Extras, billed, changed, check_paid, drafts, taken_back};
use pintle_core::bill::matter::Matter;
use pintle_core::bill::propose::{Ask, Names, Proposal, propose};
use pintle_core::bill::trade::Trade;
use pintle_core::bill::work::{Works, works};
use pintle_core::bill::written::{Written, job_part, office_part};
use pintle_core::bill::{csv, ubl};
use pintle_core::fact::JobSet;
use pintle_core::fact::administration::OfficeWritten;
use pintle_core::fault::code;
use pintle_core::ids::{OfficeId, Salt};
use pintle_core::moment::Moment;
use pintle_core::{Fact, Fault, Held, MachineId, OrganisationId};
use pintle_openapi::endpoints::bills::{
    ASSIGNED_MAX, AssignRequest, BillReport, ByteFile, DraftRequest, DroppedReply, IssueRequest, IssuedQuery,
    IssuedReply, IssuedReport, OfficeItem, PaperQuery, ProposalQuery, ProposalReply, TextFile, WrittenReply,
};
use pintle_openapi::list::PageQuery;
use pintle_openapi::{List, Problem};
use pintle_store::{BillRecord, Drafted, Dropped, IssueAsk, Issued, NewDraft, Noted, Standing};
use std::collections::BTreeMap;

/// How often drafts are reckoned anew because others drafted meanwhile, before the caller is told.
const DRAFT_TRIES_MAX: u32 = 3;

/// Everything that a bill of an organisation is reckoned from.
struct Desk {
    trade: Trade,
    works: BTreeMap<MachineId, Works>,
    names: Names,
    matters: BTreeMap<Matter, Standing>,
    issued: Vec<Document>,
    standing: BTreeMap<Matter, BTreeMap<String, Billed>>,
}

impl Desk {
    /// What no draft has and no bill stands for; and how many lines there are besides.
    fn open(&self, ask: &Ask) -> (Proposal, u64) {
        let proposal = propose(&self.works, &self.trade, &self.names, ask);
        let mut proposal = proposal.for_customers_only(&self.trade);
        let free = |matter: &Matter| {
            let drafted = self.matters.get(matter).is_some_and(|standing| standing.draft.is_some());
            !drafted && !self.standing.contains_key(matter)
        };
        let before = proposal.lines.len();
        proposal.lines.retain(|line| line.line.source.as_ref().is_none_or(|source| free(&source.matter)));
        // Of an entry that is billed in part the rest is still shown, until a change bills it.
        let billed_part = |matter, part: &str| self.standing.get(&matter).is_some_and(|parts| parts.contains_key(part));
        proposal.unbilled.retain(|unbilled| !billed_part(unbilled.matter, &unbilled.part));
        let billed = (before - proposal.lines.len()) as u64;
        (proposal, billed)
    }

    /// A draft with what it reserves.
    fn claimed(&self, document: Document) -> NewDraft {
        let issued = |matter| self.matters.get(&matter).map_or(0, |standing| standing.issued);
        let claims = document.matters().into_iter().map(|matter| (matter, issued(matter))).collect();
        NewDraft { document, claims }
    }
}

impl App {
    /// What the office has written, as it counts now.
    ///
    /// # Errors
    /// `out-of-range`, `invalid-cursor`, and failures of the store.
    pub async fn office_book(&self, caller: &Caller, query: &PageQuery) -> Result<List<OfficeItem>, Refusal> {
        let ask = self.ask(caller, "office", query)?;
        let keyed = book_items(self.trade(caller.device.organisation).await?);
        Ok(self.cut(caller, &ask, keyed))
    }

    /// Writes something anew.
    ///
    /// # Errors
    /// Faults of what is written, with their place, and failures of the store.
    pub async fn office_write(&self, caller: &Caller, written: &Written) -> Result<WrittenReply, Refusal> {
        let office = Some(office_part(written, self.salt()?)?);
        let noted = Noted { fact: Fact::OfficeWritten(OfficeWritten {}), office };
        let entry = self.store.office_write(caller.actor(), &noted, self.ambient.now_ms()).await?;
        Ok(WrittenReply { entry })
    }

    /// Says which job entries belong to.
    ///
    /// # Errors
    /// `out-of-range`, `not-found` for a job that is not there, and failures of the store.
    pub async fn job_assign(&self, caller: &Caller, request: &AssignRequest) -> Result<WrittenReply, Refusal> {
        if !(1..=ASSIGNED_MAX).contains(&request.entries.len()) {
            let detail = format!("1 to {ASSIGNED_MAX} entries");
            return Err(Refusal::of(Problem::OutOfRange).pointer("/entries").detail(detail));
        }
        let trade = self.trade(caller.device.organisation).await?;
        if !trade.jobs.contains_key(&request.job) {
            return Err(Refusal::of(Problem::NotFound).pointer("/job"));
        }
        let fact = Fact::JobSet(JobSet { targets: request.entries.clone() });
        let noted = Noted { fact, office: Some(job_part(request.job, self.salt()?)) };
        let entry = self.store.office_write(caller.actor(), &noted, self.ambient.now_ms()).await?;
        Ok(WrittenReply { entry })
    }

    /// What could be billed, and what could not.
    ///
    /// # Errors
    /// `out-of-range`, and failures of the store.
    pub async fn bill_proposal(&self, caller: &Caller, query: &ProposalQuery) -> Result<ProposalReply, Refusal> {
        let ProposalQuery { from, until, customer, job, machine } = *query;
        let ask = asked(Ask { from, until, customer, job, machine })?;
        let (proposal, billed) = self.desk(caller.device.organisation).await?.open(&ask);
        let Proposal { lines, unbilled, others } = proposal;
        Ok(ProposalReply { lines, unbilled, billed, others })
    }

    /// The drafts.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn bill_drafts(&self, caller: &Caller) -> Result<List<BillReport>, Refusal> {
        let drafts = self.store.drafts(caller.device.organisation).await?;
        Ok(List { items: drafts.into_iter().map(report).collect(), next: None })
    }

    /// Makes drafts and reserves what they are for.
    ///
    /// # Errors
    /// `already-billed`, `bill-state`, `out-of-range`, `amount-overflow`, `not-found`, and failures of the store.
    pub async fn bill_draft(&self, caller: &Caller, request: &DraftRequest) -> Result<List<BillReport>, Refusal> {
        let (organisation, now_ms) = (caller.device.organisation, self.ambient.now_ms());
        for _ in 0..DRAFT_TRIES_MAX {
            let desk = self.desk(organisation).await?;
            let documents = self.documents(&desk, request)?;
            let new: Vec<NewDraft> = documents.into_iter().map(|document| desk.claimed(document)).collect();
            if self.store.drafts_add(caller.actor(), &new, now_ms).await? == Drafted::Kept {
                let made_by = caller.device.person;
                let kept =
                    |new: NewDraft| BillReport { document: new.document, made_by, made_ms: now_ms, issued: None };
                return Ok(List { items: new.into_iter().map(kept).collect(), next: None });
            }
        }
        Err(Refusal::of(Problem::AlreadyBilled))
    }

    fn documents(&self, desk: &Desk, request: &DraftRequest) -> Result<Vec<Document>, Refusal> {
        match request {
            DraftRequest::Period { from, until, customer, job, adjustments, note, paid } => {
                for (index, adjustment) in adjustments.iter().enumerate() {
                    adjustment.check().map_err(|fault| fault.under(&format!("/period/adjustments/{index}")))?;
                }
                let (from, until) = (*from, *until);
                let ask = asked(Ask { from, until, customer: *customer, job: *job, machine: None })?;
                let (proposal, _) = desk.open(&ask);
                let mut ids = Vec::with_capacity(proposal.lines.len());
                // One for each line is more than there can be customers.
                for _ in 0..proposal.lines.len() {
                    ids.push(OfficeId(random(self.ambient())?));
                }
                let paid = paid.unwrap_or_default();
                let extras = Extras { adjustments: adjustments.clone(), note: note.clone(), paid };
                let made = drafts(&proposal, &desk.trade, &ask, &extras, || ids.pop().unwrap_or(OfficeId([0; 16])))?;
                check_paid(&made, paid).map_err(|fault| fault.under("/period"))?;
                Ok(made)
            }
            DraftRequest::Changes { customer } => {
                let known = desk.trade.customers.contains_key(customer);
                known.then_some(()).ok_or_else(|| Refusal::of(Problem::NotFound).pointer("/changes/customer"))?;
                let now = propose(&desk.works, &desk.trade, &desk.names, &EVER);
                let id = OfficeId(random(self.ambient())?);
                Ok(changed(&desk.issued, &now, &desk.trade, *customer, id)?.into_iter().collect())
            }
            DraftRequest::TakeBack { bill } => {
                let found = desk.issued.iter().find(|document| document.id == *bill);
                let invoice = found.ok_or_else(|| Refusal::of(Problem::NotFound).pointer("/take_back/bill"))?;
                let id = OfficeId(random(self.ambient())?);
                Ok(vec![taken_back(invoice, &desk.issued, id).map_err(bill_state)?])
            }
        }
    }

    /// Issued bills after a cursor.
    ///
    /// # Errors
    /// `out-of-range`, `invalid-cursor`, and failures of the store.
    pub async fn bills_issued(&self, caller: &Caller, query: &IssuedQuery) -> Result<IssuedReply, Refusal> {
        let organisation = caller.device.organisation;
        let question = query.customer.map_or_else(|| "issued".to_owned(), |customer| format!("issued {customer}"));
        let ask = self.ask(caller, &question, query)?;
        let after = ask.position()?;
        let mut found = self.store.bills_issued(organisation, query.customer, after, ask.limit + 1).await?;
        let more = found.len() > ask.limit;
        found.truncate(ask.limit);
        let last = found.last().and_then(|bill| bill.issued.as_ref()).map_or(after, |stamp| stamp.place);
        let next = self.cursors.list(&organisation, &ask.question, &last.to_be_bytes());
        Ok(IssuedReply { items: found.into_iter().map(report).collect(), next, more })
    }

    /// One draft or bill.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn bill(&self, caller: &Caller, bill: OfficeId) -> Result<BillReport, Refusal> {
        Ok(report(self.bill_record(caller, bill).await?))
    }

    async fn bill_record(&self, caller: &Caller, bill: OfficeId) -> Result<BillRecord, Refusal> {
        let found = self.store.bill(caller.device.organisation, bill).await?;
        found.ok_or_else(|| Refusal::of(Problem::NotFound))
    }

    /// Drops a draft.
    ///
    /// # Errors
    /// `not-found`, `bill-state` for one that has been issued, and failures of the store.
    pub async fn bill_drop(&self, caller: &Caller, bill: OfficeId) -> Result<DroppedReply, Refusal> {
        match self.store.draft_drop(caller.device.organisation, bill).await? {
            Dropped::Gone => Ok(DroppedReply { dropped: bill }),
            Dropped::NoSuchDraft => Err(Refusal::of(Problem::NotFound)),
            Dropped::Issued => Err(Refusal::of(Problem::BillState).detail("it has been issued: take it back instead")),
        }
    }

    /// Issues a draft.
    ///
    /// # Errors
    /// `not-found`, `out-of-range` for what a bill must say and this one does not, and failures of the store.
    pub async fn bill_issue(
        &self,
        caller: &Caller,
        bill: OfficeId,
        request: &IssueRequest,
    ) -> Result<BillReport, Refusal> {
        let draft = self.bill_record(caller, bill).await?;
        draft.document.check()?;
        let now_ms = self.ambient.now_ms();
        let today = Day::of(&Moment::at(now_ms.div_euclid(1000), 0).map_err(Refusal::internal)?);
        let on = request.on.unwrap_or(today);
        if on > today.after(1) {
            // A day ahead of Greenwich there are offices too.
            return Err(Refusal::of(Problem::OutOfRange).pointer("/on").detail("not a day that is to come"));
        }
        let trade = self.trade(caller.device.organisation).await?;
        let prefix = trade.seller.map(|seller| seller.value.number_prefix).unwrap_or_default();
        let ask = IssueAsk { bill, prefix, on, salt: self.salt()? };
        match self.store.bill_issue(caller.actor(), &ask, now_ms).await? {
            Issued::Now(record) | Issued::Before(record) => Ok(report(*record)),
            Issued::NoSuchDraft => Err(Refusal::of(Problem::NotFound)),
        }
    }

    /// An issued bill as UBL.
    ///
    /// # Errors
    /// `not-found`, `bill-state` for a draft, `out-of-range` for a currency it has no room for, and failures of the store.
    pub async fn bill_ubl(&self, caller: &Caller, bill: OfficeId) -> Result<TextFile, Refusal> {
        let record = self.bill_record(caller, bill).await?;
        Ok(TextFile(ubl::file(&record.document).map_err(bill_state)?))
    }

    /// A draft or bill as comma-separated values.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn bill_csv(&self, caller: &Caller, bill: OfficeId) -> Result<TextFile, Refusal> {
        let record = self.bill_record(caller, bill).await?;
        Ok(TextFile(csv::documents([&record.document])))
    }

    /// A draft or bill as a workbook.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn bill_xlsx(&self, caller: &Caller, bill: OfficeId) -> Result<ByteFile, Refusal> {
        let record = self.bill_record(caller, bill).await?;
        Ok(ByteFile(sheet::workbook(&record.document).map_err(Refusal::internal)?))
    }

    /// A draft or bill on paper.
    ///
    /// # Errors
    /// `not-found`, those of [`App::print_bill`], and failures of the store.
    pub async fn bill_pdf(&self, caller: &Caller, bill: OfficeId, query: &PaperQuery) -> Result<ByteFile, Refusal> {
        let BillRecord { document, made_ms, .. } = self.bill_record(caller, bill).await?;
        let made = Day::of(&Moment::at(made_ms.div_euclid(1000), 0).map_err(Refusal::internal)?);
        Ok(ByteFile(self.print_bill(document, made, query.paper.unwrap_or_default()).await?))
    }

    fn salt(&self) -> Result<Salt, Refusal> {
        Ok(Salt(random(self.ambient())?))
    }

    /// What the office has written.
    async fn trade(&self, organisation: OrganisationId) -> Result<Trade, Refusal> {
        let mut entries: Vec<Held> = Vec::new();
        loop {
            let after = entries.last().and_then(|held| held.position).unwrap_or_default();
            let more = self.store.office_entries(organisation, after, FETCH_ROWS).await?;
            let end = more.len() < FETCH_ROWS;
            entries.extend(more);
            if end {
                return Ok(Trade::of(&entries));
            }
        }
    }

    /// Everything there is to bill from, as it is now.
    async fn desk(&self, organisation: OrganisationId) -> Result<Desk, Refusal> {
        // Before the entries: what is billed in between is then known as billed, or the draft is taken.
        let matters = self.store.matters(organisation).await?;
        let issued = self.all_issued(organisation).await?;
        let standing = billed(&issued)?;
        let trade = self.trade(organisation).await?;
        let machines = self.machines_now(organisation).await?;
        let mut found = BTreeMap::new();
        for chief in machines.chiefs() {
            let mut entries = Vec::new();
            for machine in machines.fleet.all_of(chief) {
                entries.extend(self.all_entries(organisation, machine).await?);
            }
            let mut all = works(&entries, &trade);
            // Machines that were settled to be one are one on a bill too.
            all.works.iter_mut().for_each(|work| work.machine = chief);
            found.insert(chief, all);
        }
        let names = self.bill_names(organisation, &machines).await?;
        Ok(Desk { trade, works: found, names, matters, issued, standing })
    }

    async fn all_issued(&self, organisation: OrganisationId) -> Result<Vec<Document>, Refusal> {
        let (mut all, mut after) = (Vec::new(), 0);
        loop {
            let more = self.store.bills_issued(organisation, None, after, FETCH_ROWS).await?;
            let end = more.len() < FETCH_ROWS;
            after = more.last().and_then(|bill| bill.issued.as_ref()).map_or(after, |stamp| stamp.place);
            all.extend(more.into_iter().map(|bill| bill.document));
            if end {
                return Ok(all);
            }
        }
    }

    async fn bill_names(&self, organisation: OrganisationId, machines: &Machines) -> Result<Names, Refusal> {
        let mut names = Names::default();
        for device in self.store.devices(organisation).await? {
            names.marks.insert(device.device, device.mark);
            names.roles.insert(device.device, device.role);
        }
        for chief in machines.chiefs() {
            if let Some(name) = machines.glance(chief).and_then(|glance| glance.name.clone()) {
                names.machines.insert(chief, name);
            }
        }
        Ok(names)
    }
}

fn asked(ask: Ask) -> Result<Ask, Refusal> {
    if ask.until < ask.from {
        return Err(Refusal::of(Problem::OutOfRange).parameter("until").detail("not before its first day"));
    }
    Ok(ask)
}

/// All days there are.
const EVER: Ask = Ask { from: Day::FIRST, until: Day::LAST, customer: None, job: None, machine: None };

/// A bill that is not in the state for what is asked.
fn bill_state(fault: Fault) -> Refusal {
    if fault.code == code::BAD_TARGET {
        return Refusal::of(Problem::BillState).detail(fault.detail);
    }
    Refusal::from(fault).without_pointer()
}

fn report(record: BillRecord) -> BillReport {
    let BillRecord { document, made_by, made_ms, issued } = record;
    let issued =
        issued.map(|stamp| IssuedReport { place: stamp.place, digest: stamp.digest, by: stamp.by, at_ms: stamp.at_ms });
    BillReport { document, made_by, made_ms, issued }
}

/// Everything written, under keys in the order of a list.
fn book_items(trade: Trade) -> Vec<(Vec<u8>, OfficeItem)> {
    let mut items = Vec::new();
    let mut put = |key: Vec<u8>, written: Written, stamp| items.push((key, OfficeItem { written, stamp }));
    let key = |sort: u8, rest: &[u8]| [&[sort], rest].concat();
    if let Some(seller) = trade.seller {
        put(key(0, &[]), Written::Seller(seller.value), seller.stamp);
    }
    for (id, by) in trade.customers {
        put(key(1, &id.0), Written::Customer { id, value: by.value }, by.stamp);
    }
    for (id, by) in trade.sites {
        put(key(2, &id.0), Written::Site { id, value: by.value }, by.stamp);
    }
    for (id, by) in trade.jobs {
        put(key(3, &id.0), Written::Job { id, value: by.value }, by.stamp);
    }
    for (id, cards) in trade.rates {
        for (from, by) in cards {
            let rest = [&id.0[..], from.to_string().as_bytes()].concat();
            put(key(4, &rest), Written::Rates { id, value: by.value }, by.stamp);
        }
    }
    for ((matter, part), by) in trade.decisions {
        let rest = format!("{matter}\0{part}");
        put(key(5, rest.as_bytes()), Written::Line(by.value), by.stamp);
    }
    items
}

/// Whether a document gives money back.
pub(super) fn gives_back(document: &Document) -> bool {
    document.sort == DocumentSort::CreditNote
}
