//! Billing, in memory.
//!
//! Promises: the same outcomes in the same order of checks as the databases; the contract suite compares.

use super::{MemoryStore, State};
use crate::bills::number_of;
use crate::{
    Actor, BillRecord, BillStore, Drafted, Dropped, IssueAsk, Issued, IssuedStamp, NewDraft, Noted, Standing,
    StoreError, StoreResult, storable,
};
use async_trait::async_trait;
use pintle_core::bill::matter::Matter;
use pintle_core::bill::written::issued_part;
use pintle_core::fact::administration::BillIssued;
use pintle_core::ids::{OfficeId, OrganisationId};
use pintle_core::{EntryRef, Fact, Held};
use std::collections::BTreeMap;

/// Billing of one organisation.
#[derive(Debug, Clone, Default)]
pub(super) struct Bills {
    all: BTreeMap<OfficeId, BillRecord>,
    claims: BTreeMap<(Matter, u64), OfficeId>,
    series: BTreeMap<String, u64>,
    issued_count: u64,
}

impl Bills {
    fn matters(&self) -> BTreeMap<Matter, Standing> {
        let mut all = BTreeMap::new();
        for ((matter, _), bill) in &self.claims {
            let standing = all.entry(*matter).or_insert(Standing { issued: 0, draft: None });
            match self.all.get(bill) {
                Some(record) if record.issued.is_some() => standing.issued += 1,
                _ => standing.draft = Some(*bill),
            }
        }
        all
    }

    fn add(&mut self, actor: Actor, draft: &NewDraft, now_ms: i64) -> Drafted {
        if self.all.contains_key(&draft.document.id) {
            return Drafted::Kept;
        }
        let standing = self.matters();
        for (matter, issued) in &draft.claims {
            let known = standing.get(matter).copied().unwrap_or(Standing { issued: 0, draft: None });
            if known.draft.is_some() || known.issued != *issued {
                return Drafted::Taken(*matter);
            }
        }
        let document = draft.document.clone();
        let id = document.id;
        self.all.insert(id, BillRecord { document, made_by: actor.person, made_ms: now_ms, issued: None });
        self.claims.extend(draft.claims.iter().map(|(matter, round)| ((*matter, *round), id)));
        Drafted::Kept
    }
}

fn failed(act: &'static str, detail: impl ToString) -> StoreError {
    StoreError::Failed { act, detail: detail.to_string() }
}

impl State {
    fn issue(&mut self, secret: &[u8; 32], actor: Actor, ask: &IssueAsk, now_ms: i64) -> StoreResult<Issued> {
        let failed = |detail: pintle_core::Fault| failed("bill_issue", detail);
        self.ledger("bill_issue", actor.organisation)?;
        let bills = self.bills.entry(actor.organisation).or_default();
        let Some(record) = bills.all.get_mut(&ask.bill) else { return Ok(Issued::NoSuchDraft) };
        if record.issued.is_some() {
            return Ok(Issued::Before(Box::new(record.clone())));
        }
        let count = bills.series.entry(ask.prefix.clone()).or_default();
        *count += 1;
        bills.issued_count += 1;
        record.document = record.document.clone().issued(number_of(&ask.prefix, *count), ask.on);
        let digest = record.document.digest().map_err(failed)?;
        record.issued = Some(IssuedStamp { place: bills.issued_count, digest, by: actor.person, at_ms: now_ms });
        let place = bills.issued_count;
        let (record, office) = (record.clone(), issued_part(&record.document, ask.salt).map_err(failed)?);
        let fact = Fact::BillIssued(BillIssued { bill: ask.bill });
        self.write_office(secret, actor, &Noted { fact, office: Some(office) }, now_ms)?;
        let number = record.document.number.clone().unwrap_or_default();
        self.notices.noticed(actor.organisation, place, (ask.bill, number), now_ms);
        Ok(Issued::Now(Box::new(record)))
    }
}

#[async_trait]
impl BillStore for MemoryStore {
    async fn office_entries(&self, organisation: OrganisationId, after: u64, limit: usize) -> StoreResult<Vec<Held>> {
        self.read("office_entries", |state| {
            let Some(ledger) = state.organisations.get(&organisation) else { return Ok(Vec::new()) };
            let found = ledger.rows.iter().filter(|row| row.position > after && row.machine.is_none());
            found.take(limit).map(super::LedgerRow::held).collect()
        })
    }

    async fn office_write(&self, actor: Actor, noted: &Noted, now_ms: i64) -> StoreResult<EntryRef> {
        let secret = &self.identity.ledger_secret;
        self.administer("office_write", |state| state.write_office(secret, actor, noted, now_ms))
    }

    async fn drafts_add(&self, actor: Actor, drafts: &[NewDraft], now_ms: i64) -> StoreResult<Drafted> {
        self.write("drafts_add", |state| {
            state.ledger("drafts_add", actor.organisation)?;
            let bills = state.bills.entry(actor.organisation).or_default();
            let mut changed = bills.clone();
            for draft in drafts {
                if let Drafted::Taken(matter) = changed.add(actor, draft, now_ms) {
                    return Ok(Drafted::Taken(matter));
                }
            }
            *bills = changed;
            Ok(Drafted::Kept)
        })
    }

    async fn draft_drop(&self, organisation: OrganisationId, bill: OfficeId) -> StoreResult<Dropped> {
        self.write("draft_drop", |state| {
            state.ledger("draft_drop", organisation)?;
            let bills = state.bills.entry(organisation).or_default();
            match bills.all.get(&bill).map(|record| record.issued.is_some()) {
                None => Ok(Dropped::NoSuchDraft),
                Some(true) => Ok(Dropped::Issued),
                Some(false) => {
                    bills.all.remove(&bill);
                    bills.claims.retain(|_, of| *of != bill);
                    Ok(Dropped::Gone)
                }
            }
        })
    }

    async fn bill_issue(&self, actor: Actor, ask: &IssueAsk, now_ms: i64) -> StoreResult<Issued> {
        storable("bill_issue", [ask.prefix.as_str()])?;
        let secret = &self.identity.ledger_secret;
        self.administer("bill_issue", |state| state.issue(secret, actor, ask, now_ms))
    }

    async fn bill(&self, organisation: OrganisationId, bill: OfficeId) -> StoreResult<Option<BillRecord>> {
        self.read("bill", |state| Ok(state.bills.get(&organisation).and_then(|bills| bills.all.get(&bill)).cloned()))
    }

    async fn drafts(&self, organisation: OrganisationId) -> StoreResult<Vec<BillRecord>> {
        self.read("drafts", |state| {
            let all = state.bills.get(&organisation).into_iter().flat_map(|bills| bills.all.values());
            let mut drafts: Vec<_> = all.filter(|record| record.issued.is_none()).cloned().collect();
            drafts.sort_by_key(|record| (record.made_ms, record.document.id));
            Ok(drafts)
        })
    }

    async fn bills_issued(
        &self,
        organisation: OrganisationId,
        customer: Option<OfficeId>,
        after: u64,
        limit: usize,
    ) -> StoreResult<Vec<BillRecord>> {
        self.read("bills_issued", |state| {
            let all = state.bills.get(&organisation).into_iter().flat_map(|bills| bills.all.values());
            let wanted = |record: &&BillRecord| {
                record.issued.as_ref().is_some_and(|stamp| stamp.place > after)
                    && customer.is_none_or(|customer| customer == record.document.customer)
            };
            let mut issued: Vec<_> = all.filter(wanted).cloned().collect();
            issued.sort_by_key(|record| record.issued.as_ref().map(|stamp| stamp.place));
            issued.truncate(limit);
            Ok(issued)
        })
    }

    async fn matters(&self, organisation: OrganisationId) -> StoreResult<BTreeMap<Matter, Standing>> {
        self.read("matters", |state| Ok(state.bills.get(&organisation).map(Bills::matters).unwrap_or_default()))
    }
}
