//! `GET /v1/bill/notices`, and what a notice says: that a bill was issued, told to another program.
//!
//! Promises: a notice holds ids, number and totals, never a name or another personal text; its bytes are the same each time it
//! is sent. It is signed by the open scheme Standard Webhooks.
//! Never set over the API: where notices go is the operator's, so that nobody can make the server call somewhere.

use crate::endpoint::{Access, Endpoint, Example, Method, Nothing, Tag};
use crate::list::{List, PageQuery};
use crate::problem::Problem;
use crate::sample_bill as sample;
use pintle_core::bill::amount::Amount;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::{Document, DocumentSort};
use pintle_core::ids::{Hash, OfficeId, OrganisationId};
use pintle_core::moment::Moment;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The kind of every notice.
pub const BILL_ISSUED: &str = "bill.issued";
/// The header with a notice's id, the same each time it is sent.
pub const NOTICE_ID: &str = "webhook-id";
/// The header with the second at which it was sent.
pub const NOTICE_TIMESTAMP: &str = "webhook-timestamp";
/// The header with its signature.
pub const NOTICE_SIGNATURE: &str = "webhook-signature";
/// Begins the text form of the secret.
pub const SECRET_BEGIN: &str = "whsec_";

/// Which issued bills another program was told of.
pub struct Notices;

/// A notice: the JSON that is posted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BillNotice {
    /// `bill.issued`.
    #[serde(rename = "type")]
    pub kind: String,
    /// When it was issued.
    #[schema(value_type = String, format = DateTime)]
    pub timestamp: Moment,
    /// What was issued.
    pub data: BillNoticeData,
}

/// What was issued.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BillNoticeData {
    /// The organisation.
    pub organisation: OrganisationId,
    /// The bill: `GET /v1/bill/bills/{bill}` gives the whole of it.
    pub bill: OfficeId,
    /// The how manyth of the organisation's bills it is, from 1 without a hole.
    pub place: u64,
    /// Its number.
    pub number: String,
    /// Invoice or credit note.
    pub sort: DocumentSort,
    /// Day of issue.
    #[schema(value_type = Option<String>, format = Date, nullable = false)]
    pub issued: Option<Day>,
    /// The customer's id.
    pub customer: OfficeId,
    /// ISO 4217.
    pub currency: String,
    /// All lines, allowances and charges.
    pub without_tax: Amount,
    /// The tax.
    pub tax: Amount,
    /// What is to be paid.
    pub payable: Amount,
    /// SHA-256 of the document, as the ledger has it.
    pub digest: Hash,
}

impl BillNotice {
    /// The notice of an issued bill.
    #[must_use]
    pub fn of(organisation: OrganisationId, document: &Document, place: u64, digest: Hash, at: Moment) -> Self {
        let totals = &document.totals;
        let data = BillNoticeData {
            organisation,
            bill: document.id,
            place,
            number: document.number.clone().unwrap_or_default(),
            sort: document.sort,
            issued: document.issued,
            customer: document.customer,
            currency: document.currency.to_string(),
            without_tax: totals.without_tax,
            tax: totals.tax,
            payable: totals.payable,
            digest,
        };
        Self { kind: BILL_ISSUED.to_owned(), timestamp: at, data }
    }

    /// Its id: the same for the same bill, however often it is sent.
    #[must_use]
    pub fn id(bill: &OfficeId) -> String {
        format!("issued_{bill}")
    }
}

/// How a notice stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum NoticeState {
    /// It is sent when its time comes.
    Waiting,
    /// The other program has it.
    Taken,
    /// It was tried often, or is not wanted: it rests until the operator has it sent anew.
    Resting,
}

/// A notice, as it stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct NoticeReport {
    /// The bill.
    pub bill: OfficeId,
    /// Its place.
    pub place: u64,
    /// Its number.
    pub number: String,
    /// How it stands.
    pub state: NoticeState,
    /// How often it was sent.
    pub tries: u64,
    /// When last, in milliseconds since 1970.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub tried_ms: Option<i64>,
    /// What came of the last try, if it failed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub answer: Option<String>,
    /// When it is sent next, if it waits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub next_ms: Option<i64>,
    /// When it was taken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub taken_ms: Option<i64>,
}

impl Endpoint for Notices {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/notices";
    const OPERATION: &'static str = "billNotices";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "Which issued bills another program was told of";
    const DESCRIPTION: &'static str = "The newest first. Where the operator has set a hook (`pintle-server hook`), each bill \
         that is issued is posted there as a `BillNotice`, signed by the open scheme Standard Webhooks (headers webhook-id, \
         webhook-timestamp, webhook-signature), at least once: a receiver tells a second one by its webhook-id. Any \
         status from 200 to 299 takes it, 410 ends it, anything else is tried again after growing pauses for three days.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = PageQuery;
    type Body = Nothing;
    type Reply = List<NoticeReport>;

    fn example() -> Example<Self> {
        let reply = List { items: vec![sample::notice()], next: None };
        Example { path: Nothing {}, query: PageQuery::default(), body: Nothing {}, reply }
    }
}
