//! `GET /v1/findings`: what is open on all machines.
//!
//! Promises: each open finding once, under the machine it counts for, in a fixed order.
//! Never those that were mended or cleared: they stand in the entries.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::list::{List, MachinePageQuery};
use crate::problem::Problem;
use crate::sample;
use pintle_core::MachineId;
use pintle_core::book::Finding;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Lists the open findings.
pub struct Findings;

/// An open finding and its machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct FindingItem {
    /// The machine.
    pub machine: MachineId,
    /// What people call it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub machine_name: Option<String>,
    /// The finding.
    pub finding: Finding,
}

impl Endpoint for Findings {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/findings";
    const OPERATION: &'static str = "findings";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "Open findings";
    const DESCRIPTION: &'static str = "Findings that nobody has mended or cleared, in order of machine and entry.";
    const PROBLEMS: &'static [Problem] = &[Problem::NotFound];
    const CACHING: Caching = Caching::Revalidated;

    type Path = Nothing;
    type Query = MachinePageQuery;
    type Body = Nothing;
    type Reply = List<FindingItem>;

    fn example() -> Example<Self> {
        Example {
            path: Nothing {},
            query: MachinePageQuery { machine: Some(sample::machine()), after: None, limit: None },
            body: Nothing {},
            reply: List { items: sample::findings(), next: None },
        }
    }
}
