//! `GET /v1/checkpoint`, `/v1/proof/…`, `/v1/machines/{machine}/history`, `/v1/shared/{link}/history`, and `…/page` below
//! both: what shows that a ledger is whole.
//!
//! Promises: hashes and notes in open forms (RFC 9162, C2SP), so that tools that know no Pintle can check them. The
//! file is that of docs/HISTORY-FORMAT.md.
//! Never a position or a count of another organisation.

use crate::endpoint::{Access, Endpoint, Example, Method, Nothing, Tag};
use crate::endpoints::shares::SharedPath;
use crate::list::MachinePath;
use crate::problem::Problem;
use crate::sample;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use pintle_core::history::page::PAGE_MEDIA;
use pintle_core::ids::{Hash, PublicKey};
use pintle_core::permission::Right;
use pintle_core::proof::leaf::RollLeaf;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use utoipa::{IntoParams, ToSchema};

/// Media type of a service-history file.
pub const HISTORY_MEDIA: &str = "application/gzip";

/// Shows the newest checkpoint.
pub struct Checkpoint;
/// Proves that a leaf is in the ledger's tree.
pub struct InclusionProof;
/// Proves that one tree is the beginning of another.
pub struct ConsistencyProof;
/// Makes a machine's service history.
pub struct MachineHistory;
/// Makes the service history that a link shows.
pub struct SharedHistory;
/// Makes the page of a machine's service history.
pub struct MachineHistoryPage;
/// Makes the page of the service history that a link shows.
pub struct SharedHistoryPage;

/// A signed checkpoint.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = Checkpoint)]
pub struct CheckpointReply {
    /// The signed note, with the lines of the witnesses that have co-signed it.
    pub note: String,
    /// Leaves under it.
    pub size: u64,
    /// The root.
    pub root: Hash,
    /// The epoch whose key signed it.
    pub epoch: u64,
    /// That key.
    pub key: PublicKey,
    /// The same as a verifier key of the note's form, for tools that want that.
    pub vkey: String,
    /// What the last leaf says.
    pub roll: RollLeaf,
}

/// Which leaf, in which tree.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct InclusionQuery {
    /// The leaf, from 0.
    #[serde(deserialize_with = "crate::list::number")]
    #[param(minimum = 0)]
    pub index: i64,
    /// The tree's leaves, at most those of the newest checkpoint.
    #[serde(deserialize_with = "crate::list::number")]
    #[param(minimum = 1)]
    pub size: i64,
}

/// Which trees.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ConsistencyQuery {
    /// Leaves of the older tree, at least 1.
    #[serde(deserialize_with = "crate::list::number")]
    #[param(minimum = 1)]
    pub from: i64,
    /// Leaves of the newer tree, at most those of the newest checkpoint.
    #[serde(deserialize_with = "crate::list::number")]
    #[param(minimum = 1)]
    pub to: i64,
}

/// A proof (RFC 9162 section 2.1).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = Proof)]
pub struct ProofReply {
    /// Its hashes, in order.
    pub proof: Vec<Hash>,
}

/// What an outsider is not to see.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HistoryQuery {
    /// Some of `names`, `words`, `office`, with commas between them; `office` if absent. They stand in the file as withheld.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub withhold: Option<String>,
}

/// A service-history file, as it is: its bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HistoryFile(pub Vec<u8>);

// In JSON, where only the documentation shows one, it is base64.
impl Serialize for HistoryFile {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&STANDARD.encode(&self.0))
    }
}

impl<'de> Deserialize<'de> for HistoryFile {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        STANDARD.decode(String::deserialize(d)?).map(Self).map_err(de::Error::custom)
    }
}

impl utoipa::PartialSchema for HistoryFile {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::Schema> {
        String::schema()
    }
}

impl ToSchema for HistoryFile {}

/// A page that shows a service history and checks it: HTML that needs no network.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct HistoryPage(pub String);

impl Endpoint for Checkpoint {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/checkpoint";
    const OPERATION: &'static str = "checkpoint";
    const TAG: Tag = Tag::Proof;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "The newest signed checkpoint of the ledger";
    const DESCRIPTION: &'static str = "Size and root of the ledger's Merkle tree in the open checkpoint form, signed a \
         moment after the last entry came. Not found before there is an entry.";
    const PROBLEMS: &'static [Problem] = &[Problem::NotFound];

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = CheckpointReply;

    fn example() -> Example<Self> {
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply: sample::checkpoint() }
    }
}

impl Endpoint for InclusionProof {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/proof/inclusion";
    const OPERATION: &'static str = "inclusionProof";
    const TAG: Tag = Tag::Proof;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "Proof that a leaf is in the ledger's tree";
    const DESCRIPTION: &'static str = "The hashes from the leaf up (RFC 9162 section 2.1.3).";
    const PROBLEMS: &'static [Problem] = &[Problem::OutOfRange];

    type Path = Nothing;
    type Query = InclusionQuery;
    type Body = Nothing;
    type Reply = ProofReply;

    fn example() -> Example<Self> {
        let query = InclusionQuery { index: 0, size: 1 };
        Example { path: Nothing {}, query, body: Nothing {}, reply: ProofReply { proof: Vec::new() } }
    }
}

impl Endpoint for ConsistencyProof {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/proof/consistency";
    const OPERATION: &'static str = "consistencyProof";
    const TAG: Tag = Tag::Proof;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "Proof that an older tree is the beginning of a newer one";
    const DESCRIPTION: &'static str = "Empty for equal sizes (RFC 9162 section 2.1.4).";
    const PROBLEMS: &'static [Problem] = &[Problem::OutOfRange];

    type Path = Nothing;
    type Query = ConsistencyQuery;
    type Body = Nothing;
    type Reply = ProofReply;

    fn example() -> Example<Self> {
        let query = ConsistencyQuery { from: 1, to: 1 };
        Example { path: Nothing {}, query, body: Nothing {}, reply: ProofReply { proof: Vec::new() } }
    }
}

impl Endpoint for MachineHistory {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/history";
    const OPERATION: &'static str = "machineHistory";
    const TAG: Tag = Tag::Proof;
    const ACCESS: Access = Access::Token(Right::Share);
    const SUMMARY: &'static str = "A machine's service history, as a file that proves itself";
    const DESCRIPTION: &'static str = "All entries about the machine with what shows that none is altered or left out. \
         What is withheld stands as its hash.";
    const PROBLEMS: &'static [Problem] = &[Problem::NotFound, Problem::OutOfRange];
    const REPLY_MEDIA: &'static str = HISTORY_MEDIA;

    type Path = MachinePath;
    type Query = HistoryQuery;
    type Body = Nothing;
    type Reply = HistoryFile;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        let query = HistoryQuery { withhold: Some("names,office".to_owned()) };
        Example { path, query, body: Nothing {}, reply: HistoryFile(vec![0x1f, 0x8b]) }
    }
}

impl Endpoint for SharedHistory {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/shared/{link}/history";
    const OPERATION: &'static str = "sharedHistory";
    const TAG: Tag = Tag::Outsiders;
    const ACCESS: Access = Access::Link;
    const SUMMARY: &'static str = "What a link shows: the machine's service history as a file";
    const DESCRIPTION: &'static str = "As for the organisation itself, with all withheld that the link does not show.";
    const PROBLEMS: &'static [Problem] = &[Problem::NotFound];
    const REPLY_MEDIA: &'static str = HISTORY_MEDIA;

    type Path = SharedPath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = HistoryFile;

    fn example() -> Example<Self> {
        let path = SharedPath { link: sample::capability() };
        Example { path, query: Nothing {}, body: Nothing {}, reply: HistoryFile(vec![0x1f, 0x8b]) }
    }
}

/// The page of an example, cut.
const PAGE: &str = "<!doctype html>\n<html lang=\"en\">";

impl Endpoint for MachineHistoryPage {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/history/page";
    const OPERATION: &'static str = "machineHistoryPage";
    const TAG: Tag = Tag::Proof;
    const ACCESS: Access = Access::Token(Right::Share);
    const SUMMARY: &'static str = "A machine's service history, as one page that checks itself";
    const DESCRIPTION: &'static str = "The same file inside an HTML page that shows it and checks it in the browser, without \
         any network. What it shows as computed by its maker is not proved.";
    const PROBLEMS: &'static [Problem] = &[Problem::NotFound, Problem::OutOfRange];
    const REPLY_MEDIA: &'static str = PAGE_MEDIA;

    type Path = MachinePath;
    type Query = HistoryQuery;
    type Body = Nothing;
    type Reply = HistoryPage;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        let query = HistoryQuery { withhold: Some("names,office".to_owned()) };
        Example { path, query, body: Nothing {}, reply: HistoryPage(PAGE.to_owned()) }
    }
}

impl Endpoint for SharedHistoryPage {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/shared/{link}/history/page";
    const OPERATION: &'static str = "sharedHistoryPage";
    const TAG: Tag = Tag::Outsiders;
    const ACCESS: Access = Access::Link;
    const SUMMARY: &'static str = "What a link shows: the machine's service history as one page that checks itself";
    const DESCRIPTION: &'static str = "As for the organisation itself, with all withheld that the link does not show.";
    const PROBLEMS: &'static [Problem] = &[Problem::NotFound];
    const REPLY_MEDIA: &'static str = PAGE_MEDIA;

    type Path = SharedPath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = HistoryPage;

    fn example() -> Example<Self> {
        let path = SharedPath { link: sample::capability() };
        Example { path, query: Nothing {}, body: Nothing {}, reply: HistoryPage(PAGE.to_owned()) }
    }
}
