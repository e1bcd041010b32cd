//! `/v1/shares` and `/v1/shared/{link}`: one machine, for someone outside.
//!
//! Promises: a link opens one machine, for a time, and can be ended; each opening is counted. It never shows prices,
//! customers or jobs, and names and people's own words only if that was asked for. What is left out is named as such.

use crate::endpoint::{Access, BodyForm, Caching, Endpoint, Example, Method, Nothing, SMALL_BODY_BYTES_MAX, Tag};
use crate::list::{List, PageQuery};
use crate::names::Names;
use crate::problem::Problem;
use crate::sample;
use pintle_core::MachineId;
use pintle_core::book::Book;
use pintle_core::exchange::Pulled;
use pintle_core::fact::administration::Shown;
use pintle_core::ids::{Capability, PersonId, ShareId};
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use utoipa::{IntoParams, ToSchema};

/// Longest life of a link, in days: a year. A buyer takes weeks, a warranty case months.
pub const SHARE_DAYS_MAX: u32 = 366;
/// Most links an organisation may have open at once.
pub const SHARES_OPEN_MAX: usize = 1_000;
/// Most links that are listed, ended ones included.
pub const SHARES_LISTED_MAX: usize = 1_000;

/// Makes a share link.
pub struct MakeShare;
/// Lists the share links.
pub struct Shares;
/// Ends a share link.
pub struct EndShare;
/// What a link shows: the machine's book.
pub struct SharedMachine;
/// What a link shows: the machine's entries.
pub struct SharedEntries;

/// What is wanted of a link.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ShareRequest {
    /// The machine it shows.
    pub machine: MachineId,
    /// Days until it ends by itself, 1 to 366.
    #[schema(minimum = 1, maximum = 366)]
    pub days: i64,
    /// What it shows beside the record: `names`, `words`.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub shows: BTreeSet<Shown>,
}

/// A link that has just been made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ShareReply {
    /// What opens it, told this once: put behind `/v1/shared/`.
    pub link: Capability,
    /// How it stands.
    pub report: ShareReport,
}

/// How a link stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = Share)]
pub struct ShareReport {
    /// Names it without opening it.
    pub id: ShareId,
    /// The machine it shows.
    pub machine: MachineId,
    /// What it shows beside the record.
    pub shows: BTreeSet<Shown>,
    /// Who made it.
    pub made_by: PersonId,
    /// When, in milliseconds since 1970.
    pub made_ms: i64,
    /// Until when it may be used.
    pub until_ms: i64,
    /// When it was ended before that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub ended_ms: Option<i64>,
    /// How often it has been opened.
    pub opened_count: u64,
    /// When last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub opened_ms: Option<i64>,
}

/// The path of a link, by its id.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Path)]
pub struct SharePath {
    /// The link's id.
    pub share: ShareId,
}

/// The path of what a link shows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Path)]
pub struct SharedPath {
    /// What opens the link.
    pub link: Capability,
}

/// One machine, as an outsider sees it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = SharedMachine)]
pub struct SharedReply {
    /// Whose machine it is.
    pub organisation: String,
    /// The machine's book, from its entries as the link shows them.
    pub book: Book,
    /// Short names of the devices it mentions, and names of the people if the link shows them.
    pub names: Names,
    /// What is left out: `office`, and `names` or `words` if the link does not show them.
    pub withheld: Vec<String>,
    /// Until when the link may be used, in milliseconds since 1970.
    pub until_ms: i64,
}

const SMALL: BodyForm = BodyForm::Plain { bytes_max: SMALL_BODY_BYTES_MAX };

impl Endpoint for MakeShare {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/shares";
    const OPERATION: &'static str = "makeShare";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::Share);
    const SUMMARY: &'static str = "Make a link that shows one machine to an outsider";
    const DESCRIPTION: &'static str = "The link is told in this reply and never again: who holds it, reads. It ends by \
         itself after some days, or when it is ended.";
    const PROBLEMS: &'static [Problem] = &[Problem::NotFound, Problem::TooManyOpen];
    const BODY: BodyForm = SMALL;

    type Path = Nothing;
    type Query = Nothing;
    type Body = ShareRequest;
    type Reply = ShareReply;

    fn example() -> Example<Self> {
        let report = sample::share_report();
        let body = ShareRequest { machine: report.machine, days: 30, shows: report.shows.clone() };
        let reply = ShareReply { link: sample::capability(), report };
        Example { path: Nothing {}, query: Nothing {}, body, reply }
    }
}

impl Endpoint for Shares {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/shares";
    const OPERATION: &'static str = "shares";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::Share);
    const SUMMARY: &'static str = "The links that show machines to outsiders";
    const DESCRIPTION: &'static str =
        "The newest first, ended ones too, in one page of at most 1000; with how often each was opened.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = List<ShareReport>;

    fn example() -> Example<Self> {
        let reply = List { items: vec![sample::share_report()], next: None };
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply }
    }
}

impl Endpoint for EndShare {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/shares/{share}/end";
    const OPERATION: &'static str = "endShare";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::Share);
    const SUMMARY: &'static str = "End a link";
    const DESCRIPTION: &'static str = "From this moment it shows nothing. What was read before cannot be taken back.";
    const PROBLEMS: &'static [Problem] = &[];
    const BODY: BodyForm = SMALL;

    type Path = SharePath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = ShareReport;

    fn example() -> Example<Self> {
        let report = sample::share_report();
        let reply = ShareReport { ended_ms: Some(report.made_ms + 86_400_000), ..report };
        Example { path: SharePath { share: reply.id }, query: Nothing {}, body: Nothing {}, reply }
    }
}

impl Endpoint for SharedMachine {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/shared/{link}";
    const OPERATION: &'static str = "sharedMachine";
    const TAG: Tag = Tag::Outsiders;
    const ACCESS: Access = Access::Link;
    const SUMMARY: &'static str = "What a link shows: the machine's book";
    const DESCRIPTION: &'static str = "Needs no token: the link is the right. Computed from the entries as the link \
         shows them. A link that has ended is not found, like one that never was.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Never;

    type Path = SharedPath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = SharedReply;

    fn example() -> Example<Self> {
        let path = SharedPath { link: sample::capability() };
        Example { path, query: Nothing {}, body: Nothing {}, reply: sample::shared() }
    }
}

impl Endpoint for SharedEntries {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/shared/{link}/entries";
    const OPERATION: &'static str = "sharedEntries";
    const TAG: Tag = Tag::Outsiders;
    const ACCESS: Access = Access::Link;
    const SUMMARY: &'static str = "What a link shows: the machine's entries";
    const DESCRIPTION: &'static str = "In the order in which the server received them. Parts that the link does not \
         show stand as their hashes, so that the chain still checks.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Never;

    type Path = SharedPath;
    type Query = PageQuery;
    type Body = Nothing;
    type Reply = List<Pulled>;

    fn example() -> Example<Self> {
        let path = SharedPath { link: sample::capability() };
        let query = PageQuery { after: None, limit: Some(50) };
        let reply = List { items: sample::pulled(), next: None };
        Example { path, query, body: Nothing {}, reply }
    }
}
