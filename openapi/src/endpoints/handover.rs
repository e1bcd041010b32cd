//! `GET /v1/machines/{machine}/handover`: what the person taking a machine must know.
//!
//! Promises: core's handover, unchanged; one answer with everything for one screen.
//! Never marks anything as read: whoever looks has not thereby taken the machine.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::list::{MachinePath, moment};
use crate::names::Names;
use crate::problem::Problem;
use crate::sample;
use pintle_core::handover::Handover;
use pintle_core::ids::PersonId;
use pintle_core::moment::Moment;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Shows a handover.
pub struct MachineHandover;

/// Query of a handover.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HandoverQuery {
    /// Who takes the machine; the person of the calling device if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub to: Option<PersonId>,
    /// The moment to reckon for, with the offset of the place, whose days count; the server's clock and UTC if absent.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "moment")]
    #[param(nullable = false, value_type = String, format = DateTime)]
    pub at: Option<Moment>,
}

/// What the person taking a machine must know.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = MachineHandover)]
pub struct HandoverReply {
    /// The moment it was reckoned for.
    #[schema(value_type = String, format = DateTime)]
    pub at: Moment,
    /// Who takes the machine.
    pub to: PersonId,
    /// What they must know.
    pub handover: Handover,
    /// Names of those who are mentioned.
    pub names: Names,
}

impl Endpoint for MachineHandover {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/handover";
    const OPERATION: &'static str = "machineHandover";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "What the person taking a machine must know";
    const DESCRIPTION: &'static str = "\
What must not be run first, then what was noticed and is open, what was not reached, what is due in the coming shift, and \
the notes this person cannot have seen, told by the ledger and not by clocks. Of a machine that was settled to be \
another one that other one is told.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = MachinePath;
    type Query = HandoverQuery;
    type Body = Nothing;
    type Reply = HandoverReply;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        let query = HandoverQuery { to: None, at: Some(sample::moment()) };
        Example { path, query, body: Nothing {}, reply: sample::handover_reply() }
    }
}
