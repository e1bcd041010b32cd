//! `GET /v1/due` and `GET /v1/machines/{machine}/due`: what is due, the first thing to do first.
//!
//! Promises: the same answer that a device with the same entries gives offline; for the moment that was asked for, or
//! now. All pages of a list are reckoned for one moment.
//! Never hides a machine that must not be run: it comes first.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::list::{MachinePath, Paged, moment, whole};
use crate::names::Names;
use crate::problem::Problem;
use crate::sample;
use pintle_core::agenda::MachineDue;
use pintle_core::moment::Moment;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Lists what is due on all machines.
pub struct Due;
/// Shows what is due on one machine.
pub struct DueOfMachine;

/// Query of what is due on all machines.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DueQuery {
    /// Only machines of this site, whatever its case.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false, min_length = 1, max_length = 120)]
    pub site: Option<String>,
    /// The moment to reckon for, with the offset of the place, whose days count; the server's clock and UTC if absent.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "moment")]
    #[param(nullable = false, value_type = String, format = DateTime)]
    pub at: Option<Moment>,
    /// `next` of the page before; absent for the first page.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub after: Option<String>,
    /// Machines wanted, 1 to 200; 50 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "whole")]
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
}

impl Paged for DueQuery {
    fn after(&self) -> Option<&str> {
        self.after.as_deref()
    }
    fn limit(&self) -> Option<i64> {
        self.limit
    }
}

/// Query of what depends on the moment.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AtQuery {
    /// The moment to reckon for, with the offset of the place, whose days count; the server's clock and UTC if absent.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "moment")]
    #[param(nullable = false, value_type = String, format = DateTime)]
    pub at: Option<Moment>,
}

/// What is due, the first thing to do first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct DueReply {
    /// The moment it was reckoned for.
    #[schema(value_type = String, format = DateTime)]
    pub at: Moment,
    /// The machines: those that must not be run, then by the first thing to do on each.
    pub due: Vec<MachineDue>,
    /// Cursor of the next page; null at the end.
    pub next: Option<String>,
    /// Names of those who are mentioned.
    pub names: Names,
}

/// What is due on one machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct MachineDueReply {
    /// The moment it was reckoned for.
    #[schema(value_type = String, format = DateTime)]
    pub at: Moment,
    /// The machine and its tasks, the first thing to do first.
    pub due: MachineDue,
    /// Names of those who are mentioned.
    pub names: Names,
}

impl Endpoint for Due {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/due";
    const OPERATION: &'static str = "due";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "What is due on all machines, the first thing to do first";
    const DESCRIPTION: &'static str = "\
Machines that must not be run come first, then the machine on which a task is furthest past due. Of each machine every \
task of its plan is told: how it stands, which clock rules, what is left, when that will be, and why in one sentence. \
Machines that nobody has named or that are retired are left out. The cursor of a page holds the moment the first page \
was reckoned for.";
    const PROBLEMS: &'static [Problem] = &[Problem::BadText];
    const CACHING: Caching = Caching::Revalidated;

    type Path = Nothing;
    type Query = DueQuery;
    type Body = Nothing;
    type Reply = DueReply;

    fn example() -> Example<Self> {
        let query = DueQuery { site: Some("gravel pit".to_owned()), at: Some(sample::moment()), ..DueQuery::default() };
        Example { path: Nothing {}, query, body: Nothing {}, reply: sample::due_reply() }
    }
}

impl Endpoint for DueOfMachine {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/due";
    const OPERATION: &'static str = "machineDue";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "What is due on a machine, the first thing to do first";
    const DESCRIPTION: &'static str = "\
As in the list of all machines. Of a machine that was settled to be another one that other one is told.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = MachinePath;
    type Query = AtQuery;
    type Body = Nothing;
    type Reply = MachineDueReply;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        let query = AtQuery { at: Some(sample::moment()) };
        Example { path, query, body: Nothing {}, reply: sample::machine_due_reply() }
    }
}
