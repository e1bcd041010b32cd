//! `GET /v1/machines` and `GET /v1/machines/{machine}`: the machines at a glance.
//!
//! Promises: what fits one line of a list; all of it is in the book too, computed the same way.
//! Never a machine of another organisation, not even by its count.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::list::{List, MachinePath, PageQuery};
use crate::problem::Problem;
use crate::sample;
use pintle_core::MachineId;
use pintle_core::book::Stamp;
use pintle_core::exchange::Digest;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Lists the machines.
pub struct Machines;
/// Shows one machine at a glance.
pub struct Machine;

/// A machine at a glance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = Machine)]
pub struct MachineCard {
    /// The machine.
    pub id: MachineId,
    /// What people call it, where anyone has said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub name: Option<String>,
    /// Where it works, where anyone has said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub site: Option<String>,
    /// The machine under which its entries count, if it was settled to be another one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub counts_as: Option<MachineId>,
    /// Whether it must not be run.
    pub tagged_out: bool,
    /// Open findings.
    pub findings: u64,
    /// Open clashes and twins.
    pub clashes: u64,
    /// Its entries: their number and the sum of their link prefixes.
    pub digest: Digest,
    /// Position of its newest entry in the ledger.
    pub position: u64,
    /// Its newest entry by time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub last: Option<Stamp>,
}

impl Endpoint for Machines {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines";
    const OPERATION: &'static str = "machines";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "All machines at a glance";
    const DESCRIPTION: &'static str =
        "In order of id. A machine appears as soon as the ledger holds an entry about it.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = Nothing;
    type Query = PageQuery;
    type Body = Nothing;
    type Reply = List<MachineCard>;

    fn example() -> Example<Self> {
        let query = PageQuery { after: None, limit: Some(50) };
        let reply = List { items: vec![sample::machine_card()], next: Some(sample::cursor()) };
        Example { path: Nothing {}, query, body: Nothing {}, reply }
    }
}

impl Endpoint for Machine {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}";
    const OPERATION: &'static str = "machine";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "One machine at a glance";
    const DESCRIPTION: &'static str = "The same as in the list of machines.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = MachinePath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = MachineCard;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        Example { path, query: Nothing {}, body: Nothing {}, reply: sample::machine_card() }
    }
}
