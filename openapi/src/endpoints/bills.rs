//! `/v1/bill/…`: what the office writes, what could be billed, drafts, issued bills and their files.
//!
//! Promises: a draft reserves what it is for and an issued bill binds it, so that nothing is billed twice; what is issued
//! never changes. Every act is written down in the ledger with who did it. Amounts are exact decimals in texts.

use crate::endpoint::{Access, BodyForm, Endpoint, Example, Method, Nothing, SMALL_BODY_BYTES_MAX, Tag};
use crate::list::{List, PageQuery, Paged, whole};
use crate::problem::Problem;
use crate::sample_bill as sample;
use pintle_core::EntryRef;
use pintle_core::bill::amount::Amount;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::{Adjustment, Document};
use pintle_core::bill::propose::{Proposed, Unbilled};
use pintle_core::bill::written::Written;
use pintle_core::book::Stamp;
use pintle_core::ids::{Hash, MachineId, OfficeId, PersonId};
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::{IntoParams, ToSchema};

/// Largest body with something the office writes, in bytes: a list of rates with 200 parts, generously spaced.
pub const WRITTEN_BODY_BYTES_MAX: usize = 64 * 1024;
/// Most entries one request may put to a job.
pub const ASSIGNED_MAX: usize = 200;
/// Media type of a document on paper.
pub const PDF_MEDIA: &str = "application/pdf";
/// Media type of a workbook.
pub const XLSX_MEDIA: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";

/// What the office has written, as it counts now.
pub struct OfficeBook;
/// Writes something anew.
pub struct WriteOffice;
/// Says which job entries belong to.
pub struct AssignJob;
/// What could be billed.
pub struct Proposal;
/// The drafts.
pub struct Drafts;
/// Makes drafts.
pub struct MakeDrafts;
/// Issued bills, the new ones after a cursor.
pub struct IssuedBills;
/// One draft or bill.
pub struct Bill;
/// Drops a draft.
pub struct DropDraft;
/// Issues a draft.
pub struct IssueDraft;
/// An issued bill as UBL.
pub struct BillUbl;
/// A draft or bill as CSV.
pub struct BillCsv;
/// A draft or bill as a workbook.
pub struct BillXlsx;
/// A draft or bill on paper.
pub struct BillPdf;

/// Something the office has written.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct OfficeItem {
    /// What it says.
    pub written: Written,
    /// Who wrote it, when, in which entry.
    pub stamp: Stamp,
}

/// The entry in which something was written down.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct WrittenReply {
    /// The entry, in the server's own log.
    pub entry: EntryRef,
}

/// Which job entries belong to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AssignRequest {
    /// The job.
    pub job: OfficeId,
    /// The entries, 1 to 200.
    #[schema(min_items = 1, max_items = 200)]
    pub entries: Vec<EntryRef>,
}

/// What is to be proposed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ProposalQuery {
    /// First day of the work.
    #[param(value_type = String, format = Date)]
    pub from: Day,
    /// Last day.
    #[param(value_type = String, format = Date)]
    pub until: Day,
    /// One customer only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub customer: Option<OfficeId>,
    /// One job only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub job: Option<OfficeId>,
    /// One machine only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub machine: Option<MachineId>,
}

/// What could be billed, and what could not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ProposalReply {
    /// Lines that no draft or bill has yet.
    pub lines: Vec<Proposed>,
    /// What was worked and is not billed, with why.
    pub unbilled: Vec<Unbilled>,
    /// Lines of the period that are in a draft or bill already.
    pub billed: u64,
    /// Entries that are no work, by kind.
    pub others: BTreeMap<String, u64>,
}

/// Which drafts are wanted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum DraftRequest {
    /// One for each customer of a period.
    Period {
        /// First day of the work.
        from: Day,
        /// Last day.
        until: Day,
        /// One customer only.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(nullable = false)]
        customer: Option<OfficeId>,
        /// One job only.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(nullable = false)]
        job: Option<OfficeId>,
        /// Taken off and added on each as a whole.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        adjustments: Vec<Adjustment>,
        /// A sentence on each, in place of the office's own.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(nullable = false)]
        note: Option<String>,
        /// What the customer has paid before (BT-113), with tax: only where one bill is drafted, and not more than it
        /// comes to.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(nullable = false)]
        paid: Option<Amount>,
    },
    /// What has changed since a customer's bills were issued: a credit note, or an invoice over the change.
    Changes {
        /// The customer.
        customer: OfficeId,
    },
    /// A credit note over a whole invoice; its entries may be billed anew.
    TakeBack {
        /// The invoice.
        bill: OfficeId,
    },
}

/// A draft or issued bill.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct BillReport {
    /// The document.
    pub document: Document,
    /// Who drafted it.
    pub made_by: PersonId,
    /// When, in milliseconds since 1970.
    pub made_ms: i64,
    /// How it was issued; absent for a draft.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub issued: Option<IssuedReport>,
}

/// How a bill was issued.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct IssuedReport {
    /// The how manyth of all bills it is, from 1 without a hole.
    pub place: u64,
    /// SHA-256 over the line `pintle/bill/1` and the document's canonical JSON; the ledger's entry says it too.
    pub digest: Hash,
    /// Who issued it.
    pub by: PersonId,
    /// When, in milliseconds since 1970.
    pub at_ms: i64,
}

/// How a draft is to be issued.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct IssueRequest {
    /// Day of issue; today in UTC if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub on: Option<Day>,
}

/// That a draft is gone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DroppedReply {
    /// The draft that was.
    pub dropped: OfficeId,
}

/// Which issued bills are wanted.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct IssuedQuery {
    /// One customer only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub customer: Option<OfficeId>,
    /// `next` of an answer before, however long ago; absent from the beginning.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub after: Option<String>,
    /// Items wanted, 1 to 200; 50 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "whole")]
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
}

impl Paged for IssuedQuery {
    fn after(&self) -> Option<&str> {
        self.after.as_deref()
    }
    fn limit(&self) -> Option<i64> {
        self.limit
    }
}

/// Issued bills in order of issue.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct IssuedReply {
    /// The bills.
    pub items: Vec<BillReport>,
    /// Cursor of what comes after, also at the end: keep it, and ask with it for what is new.
    pub next: String,
    /// Whether there is more already.
    pub more: bool,
}

/// The path of a draft or bill.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Path)]
pub struct BillPath {
    /// The draft or bill.
    pub bill: OfficeId,
}

/// A text file, sent as it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TextFile(pub String);

/// What a document is printed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Paper {
    /// ISO 216 A4.
    #[default]
    A4,
    /// US Letter.
    Letter,
}

impl std::str::FromStr for Paper {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "a4" => Ok(Self::A4),
            "letter" => Ok(Self::Letter),
            _ => Err("a4 or letter".to_owned()),
        }
    }
}

/// Query of a document on paper.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PaperQuery {
    /// What it is printed on, `a4` or `letter`; `a4` if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false, inline)]
    pub paper: Option<Paper>,
}

/// Problems of a document on paper, besides those of the same in another form.
pub const OF_PAPER: &[Problem] = &[Problem::NotFound, Problem::TooLongToPrint, Problem::NoTypesetter, Problem::Busy];

/// A file of bytes, sent as they are; in JSON, as in the example, in base64url.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(value_type = String, format = Binary)]
pub struct ByteFile(#[serde(with = "crate::endpoints::bills::base64url")] pub Vec<u8>);

pub(crate) mod base64url {
    use base64::Engine as _;
    use base64::engine::general_purpose::URL_SAFE_NO_PAD;
    use serde::{Deserialize as _, Deserializer, Serializer, de};

    pub fn serialize<S: Serializer>(bytes: &[u8], s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&URL_SAFE_NO_PAD.encode(bytes))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Vec<u8>, D::Error> {
        let text = String::deserialize(d)?;
        URL_SAFE_NO_PAD.decode(text).map_err(de::Error::custom)
    }
}

const SMALL: BodyForm = BodyForm::Plain { bytes_max: SMALL_BODY_BYTES_MAX };

impl Endpoint for OfficeBook {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/book";
    const OPERATION: &'static str = "officeBook";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "What the office has written, as it counts now";
    const DESCRIPTION: &'static str = "Its own particulars, customers, sites, jobs, rates and decisions about lines, each \
         with who wrote it last. What was written before stands in the ledger.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = PageQuery;
    type Body = Nothing;
    type Reply = List<OfficeItem>;

    fn example() -> Example<Self> {
        let reply = List { items: sample::office(), next: None };
        Example { path: Nothing {}, query: PageQuery::default(), body: Nothing {}, reply }
    }
}

impl Endpoint for WriteOffice {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/bill/book";
    const OPERATION: &'static str = "writeOffice";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::Bill);
    const SUMMARY: &'static str = "Write a customer, site, job, list of rates or decision";
    const DESCRIPTION: &'static str = "The whole of it, in place of what was written before under the same id; a new id is \
         16 random bytes of yours. It becomes an entry of the ledger whose content crews do not get.";
    const PROBLEMS: &'static [Problem] = &[Problem::BadTime];
    const BODY: BodyForm = BodyForm::Plain { bytes_max: WRITTEN_BODY_BYTES_MAX };

    type Path = Nothing;
    type Query = Nothing;
    type Body = Written;
    type Reply = WrittenReply;

    fn example() -> Example<Self> {
        let [first, ..] = sample::written();
        let reply = WrittenReply { entry: sample::entry() };
        Example { path: Nothing {}, query: Nothing {}, body: first, reply }
    }
}

impl Endpoint for AssignJob {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/bill/assign";
    const OPERATION: &'static str = "assignJob";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::Bill);
    const SUMMARY: &'static str = "Say which job entries belong to";
    const DESCRIPTION: &'static str =
        "For work on machines that no running job covers, or several do. What was said last counts.";
    const PROBLEMS: &'static [Problem] = &[Problem::NotFound];
    const BODY: BodyForm = BodyForm::Plain { bytes_max: WRITTEN_BODY_BYTES_MAX };

    type Path = Nothing;
    type Query = Nothing;
    type Body = AssignRequest;
    type Reply = WrittenReply;

    fn example() -> Example<Self> {
        let body = AssignRequest { job: sample::JOB, entries: vec![sample::entry()] };
        let reply = WrittenReply { entry: sample::entry() };
        Example { path: Nothing {}, query: Nothing {}, body, reply }
    }
}

impl Endpoint for Proposal {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/proposal";
    const OPERATION: &'static str = "billProposal";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "What could be billed, and what could not";
    const DESCRIPTION: &'static str = "Each line says what it is for. What was worked and is not billed is listed with \
         why; nothing is left out.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = ProposalQuery;
    type Body = Nothing;
    type Reply = ProposalReply;

    fn example() -> Example<Self> {
        let (from, until) = sample::may();
        let query = ProposalQuery { from, until, customer: None, job: None, machine: None };
        Example { path: Nothing {}, query, body: Nothing {}, reply: sample::proposal() }
    }
}

impl Endpoint for Drafts {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/drafts";
    const OPERATION: &'static str = "billDrafts";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "The drafts";
    const DESCRIPTION: &'static str = "In order of their making; all of them, in one page.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = List<BillReport>;

    fn example() -> Example<Self> {
        let reply = List { items: vec![sample::draft()], next: None };
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply }
    }
}

impl Endpoint for MakeDrafts {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/bill/drafts";
    const OPERATION: &'static str = "makeBillDrafts";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::Bill);
    const SUMMARY: &'static str = "Make drafts and reserve what they are for";
    const DESCRIPTION: &'static str = "Of a period, of what has changed since, or to take an invoice back. All or none are \
         kept; an empty list: there is nothing to bill.";
    const PROBLEMS: &'static [Problem] =
        &[Problem::AlreadyBilled, Problem::BillState, Problem::AmountOverflow, Problem::NotFound, Problem::BadTime];
    const BODY: BodyForm = SMALL;

    type Path = Nothing;
    type Query = Nothing;
    type Body = DraftRequest;
    type Reply = List<BillReport>;

    fn example() -> Example<Self> {
        let (from, until) = sample::may();
        let body = DraftRequest::Period {
            from,
            until,
            customer: None,
            job: None,
            adjustments: Vec::new(),
            note: None,
            paid: None,
        };
        let reply = List { items: vec![sample::draft()], next: None };
        Example { path: Nothing {}, query: Nothing {}, body, reply }
    }
}

impl Endpoint for IssuedBills {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/issued";
    const OPERATION: &'static str = "issuedBills";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "Issued bills, in order of issue";
    const DESCRIPTION: &'static str = "For accounting programs: keep `next` and ask with it for what is new. The same \
         cursor gives the same bills, whenever it is asked.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = IssuedQuery;
    type Body = Nothing;
    type Reply = IssuedReply;

    fn example() -> Example<Self> {
        let reply = IssuedReply { items: vec![sample::issued()], next: crate::sample::cursor(), more: false };
        Example { path: Nothing {}, query: IssuedQuery::default(), body: Nothing {}, reply }
    }
}

impl Endpoint for Bill {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/bills/{bill}";
    const OPERATION: &'static str = "bill";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "A draft, invoice or credit note";
    const DESCRIPTION: &'static str = "Every line with where it comes from, and what it comes to.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = BillPath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = BillReport;

    fn example() -> Example<Self> {
        Example { path: BillPath { bill: sample::BILL }, query: Nothing {}, body: Nothing {}, reply: sample::issued() }
    }
}

impl Endpoint for DropDraft {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/bill/bills/{bill}/drop";
    const OPERATION: &'static str = "dropBillDraft";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::Bill);
    const SUMMARY: &'static str = "Drop a draft";
    const DESCRIPTION: &'static str = "What it was for is free again. No number is lost: numbers are given at issue.";
    const PROBLEMS: &'static [Problem] = &[Problem::BillState];
    const BODY: BodyForm = SMALL;

    type Path = BillPath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = DroppedReply;

    fn example() -> Example<Self> {
        let reply = DroppedReply { dropped: sample::BILL };
        Example { path: BillPath { bill: sample::BILL }, query: Nothing {}, body: Nothing {}, reply }
    }
}

impl Endpoint for IssueDraft {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/bill/bills/{bill}/issue";
    const OPERATION: &'static str = "issueBill";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::Bill);
    const SUMMARY: &'static str = "Issue a draft";
    const DESCRIPTION: &'static str = "It gets the next number, and from then on never changes. Asked again: the same bill \
         with the same number.";
    const PROBLEMS: &'static [Problem] = &[Problem::BadTime];
    const BODY: BodyForm = SMALL;

    type Path = BillPath;
    type Query = Nothing;
    type Body = IssueRequest;
    type Reply = BillReport;

    fn example() -> Example<Self> {
        let (_, on) = sample::may();
        let body = IssueRequest { on: Some(on) };
        Example { path: BillPath { bill: sample::BILL }, query: Nothing {}, body, reply: sample::issued() }
    }
}

impl Endpoint for BillUbl {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/bills/{bill}/ubl";
    const OPERATION: &'static str = "billUbl";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "An issued bill as UBL 2.1";
    const DESCRIPTION: &'static str =
        "In the form of EN 16931. A currency with more than two places has none: take CSV.";
    const PROBLEMS: &'static [Problem] = &[Problem::BillState, Problem::OutOfRange];
    const REPLY_MEDIA: &'static str = "application/xml";

    type Path = BillPath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = TextFile;

    fn example() -> Example<Self> {
        let reply = TextFile(sample::ubl());
        Example { path: BillPath { bill: sample::BILL }, query: Nothing {}, body: Nothing {}, reply }
    }
}

impl Endpoint for BillCsv {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/bills/{bill}/csv";
    const OPERATION: &'static str = "billCsv";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "A draft or bill as comma-separated values";
    const DESCRIPTION: &'static str = "RFC 4180, one record a line. A text that a spreadsheet would run as a formula has \
         an apostrophe before it.";
    const PROBLEMS: &'static [Problem] = &[];
    const REPLY_MEDIA: &'static str = "text/csv; charset=utf-8; header=present";

    type Path = BillPath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = TextFile;

    fn example() -> Example<Self> {
        let reply = TextFile(sample::csv());
        Example { path: BillPath { bill: sample::BILL }, query: Nothing {}, body: Nothing {}, reply }
    }
}

impl Endpoint for BillXlsx {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/bills/{bill}/xlsx";
    const OPERATION: &'static str = "billXlsx";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "A draft or bill as a workbook";
    const DESCRIPTION: &'static str = "Numbers in cells of numbers, days in cells of days, sums as formulas.";
    const PROBLEMS: &'static [Problem] = &[];
    const REPLY_MEDIA: &'static str = XLSX_MEDIA;

    type Path = BillPath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = ByteFile;

    fn example() -> Example<Self> {
        let reply = ByteFile(b"PK".to_vec());
        Example { path: BillPath { bill: sample::BILL }, query: Nothing {}, body: Nothing {}, reply }
    }
}

impl Endpoint for BillPdf {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/bill/bills/{bill}/pdf";
    const OPERATION: &'static str = "billPdf";
    const TAG: Tag = Tag::Billing;
    const ACCESS: Access = Access::Token(Right::ReadOffice);
    const SUMMARY: &'static str = "A draft or bill on paper";
    const DESCRIPTION: &'static str = "PDF/A-3b, the same bytes each time. A draft says on every page that it is one. An \
         issued bill holds its UBL file, where there is one.";
    const PROBLEMS: &'static [Problem] = OF_PAPER;
    const REPLY_MEDIA: &'static str = PDF_MEDIA;

    type Path = BillPath;
    type Query = PaperQuery;
    type Body = Nothing;
    type Reply = ByteFile;

    fn example() -> Example<Self> {
        let query = PaperQuery { paper: Some(Paper::Letter) };
        let reply = ByteFile(b"%PDF".to_vec());
        Example { path: BillPath { bill: sample::BILL }, query, body: Nothing {}, reply }
    }
}
