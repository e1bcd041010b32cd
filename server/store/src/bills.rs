//! The storage of billing, as a port: what the office writes, drafts, issued bills, and what each is for.
//!
//! Promises: a draft reserves its matters and an issued bill binds them, so that a matter is in one open draft at most and
//! each of its rounds in one bill, however many offices and processes work at once; that is a uniqueness constraint of the
//! database, not a check. Numbers are given in the transaction that issues, under a lock held to its commit: none is
//! left out and none is given twice. What is issued is never changed. Each act is written down in the ledger in its own
//! transaction.
//!
//! Never: an amount of its own; documents are `pintle_core::bill`'s.

use crate::{Actor, StoreResult};
use async_trait::async_trait;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::Document;
use pintle_core::bill::matter::Matter;
use pintle_core::bill::written::OfficePart;
use pintle_core::ids::{OfficeId, OrganisationId, PersonId, Salt};
use pintle_core::{EntryRef, Fact, Hash, Held};
use std::collections::BTreeMap;

/// Something to be written down in the server's own log.
#[derive(Debug, Clone, PartialEq)]
pub struct Noted {
    /// What it says.
    pub fact: Fact,
    /// What only the office gets, with its salt.
    pub office: Option<OfficePart>,
}

/// A draft to be kept.
#[derive(Debug, Clone, PartialEq)]
pub struct NewDraft {
    /// The document, without a number.
    pub document: Document,
    /// What it is for, each with how many issued bills it had been in when the draft was reckoned.
    pub claims: BTreeMap<Matter, u64>,
}

/// What became of drafts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Drafted {
    /// They are kept and their matters reserved, all of them.
    Kept,
    /// Nothing was kept: this matter has been drafted or billed since.
    Taken(Matter),
}

/// What became of a draft that was to be dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dropped {
    /// It is gone, and its matters are free.
    Gone,
    /// There is no such draft; it may have been dropped before.
    NoSuchDraft,
    /// It has been issued.
    Issued,
}

/// A draft that is to be issued.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IssueAsk {
    /// Which.
    pub bill: OfficeId,
    /// What its number begins with.
    pub prefix: String,
    /// Day of issue.
    pub on: Day,
    /// For the entry that says so.
    pub salt: Salt,
}

/// What became of a draft that was to be issued.
#[derive(Debug, Clone, PartialEq)]
pub enum Issued {
    /// It has been given its number now.
    Now(Box<BillRecord>),
    /// It had been issued before: the reply may have been lost.
    Before(Box<BillRecord>),
    /// There is no such draft; it may have been dropped.
    NoSuchDraft,
}

/// How a bill was issued.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IssuedStamp {
    /// The how manyth of the organisation's bills it is, from 1 without a hole: what a reader of new ones remembers.
    pub place: u64,
    /// SHA-256 of the document, as the ledger has it.
    pub digest: Hash,
    /// Who issued it.
    pub by: PersonId,
    /// When, in milliseconds since 1970.
    pub at_ms: i64,
}

/// A draft or an issued bill.
#[derive(Debug, Clone, PartialEq)]
pub struct BillRecord {
    /// The document.
    pub document: Document,
    /// Who drafted it.
    pub made_by: PersonId,
    /// When, in milliseconds since 1970.
    pub made_ms: i64,
    /// How it was issued; none for a draft.
    pub issued: Option<IssuedStamp>,
}

/// How a matter stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// How many issued bills it is in.
    pub issued: u64,
    /// The draft that reserves it.
    pub draft: Option<OfficeId>,
}

/// Fewest digits of a number.
const NUMBER_DIGITS_MIN: usize = 4;

/// A number as it stands on a bill.
pub(crate) fn number_of(prefix: &str, count: u64) -> String {
    format!("{prefix}{count:0NUMBER_DIGITS_MIN$}")
}

/// What the store does for billing. The doc comment of each method is its contract.
#[async_trait]
pub trait BillStore: Send + Sync + 'static {
    /// The entries about no machine after a position, in order of position, at most `limit`.
    async fn office_entries(&self, organisation: OrganisationId, after: u64, limit: usize) -> StoreResult<Vec<Held>>;

    /// Writes something of the office's down in the ledger; gives the entry's name.
    async fn office_write(&self, actor: Actor, noted: &Noted, now_ms: i64) -> StoreResult<EntryRef>;

    /// Keeps drafts and reserves what they are for, all or none: a matter that is in another draft, or in another number of
    /// issued bills than the draft was reckoned with, is taken. The same drafts again are kept already.
    async fn drafts_add(&self, actor: Actor, drafts: &[NewDraft], now_ms: i64) -> StoreResult<Drafted>;

    /// Drops a draft and frees what it is for.
    async fn draft_drop(&self, organisation: OrganisationId, bill: OfficeId) -> StoreResult<Dropped>;

    /// Issues a draft: gives it the next number of its beginning and the next place, binds what it is for, and writes it
    /// down, in one transaction.
    async fn bill_issue(&self, actor: Actor, ask: &IssueAsk, now_ms: i64) -> StoreResult<Issued>;

    /// A draft or issued bill of the organisation.
    async fn bill(&self, organisation: OrganisationId, bill: OfficeId) -> StoreResult<Option<BillRecord>>;

    /// The drafts, in order of their making.
    async fn drafts(&self, organisation: OrganisationId) -> StoreResult<Vec<BillRecord>>;

    /// Issued bills after a place, in order of place, at most `limit`; of one customer only, if one is given.
    async fn bills_issued(
        &self,
        organisation: OrganisationId,
        customer: Option<OfficeId>,
        after: u64,
        limit: usize,
    ) -> StoreResult<Vec<BillRecord>>;

    /// How every matter stands that is in a draft or bill.
    async fn matters(&self, organisation: OrganisationId) -> StoreResult<BTreeMap<Matter, Standing>>;
}
