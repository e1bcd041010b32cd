//! `GET /v1/clashes`: what people disagree about, and what was probably recorded twice.
//!
//! Promises: one form for clashes, twins, and machines that are probably one; ids are those every device computes.
//! Never decides: a side is chosen by a person, with an entry `settled`.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::list::{List, MachinePageQuery};
use crate::problem::Problem;
use crate::sample;
use pintle_core::EntryRef;
use pintle_core::clash::{Clash, Side, Twin};
use pintle_core::ids::{ClashId, MachineId};
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Lists the open clashes and twins.
pub struct Clashes;

/// Which of the two it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClashSort {
    /// Entries that say different things about one matter.
    Clash,
    /// Two records of probably one piece of work.
    Twin,
    /// Two machines that are probably one, or settlements about that which disagree.
    Machines,
}

/// An open clash or twin.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ClashItem {
    /// Which it is.
    pub sort: ClashSort,
    /// The machine it is about.
    pub machine: MachineId,
    /// What people call it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub machine_name: Option<String>,
    /// Its id, computed from what disagrees.
    pub id: ClashId,
    /// The id in six characters, to be said aloud.
    pub short: String,
    /// What it is about.
    pub matter: String,
    /// The sides, in order of entry.
    pub sides: Vec<Side>,
    /// The entry whose value is used until someone settles it; a twin has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub used: Option<EntryRef>,
}

impl ClashItem {
    /// The item of a clash.
    #[must_use]
    pub fn of_clash(sort: ClashSort, machine: MachineId, machine_name: Option<String>, clash: Clash) -> Self {
        let Clash { id, short, matter, sides, used } = clash;
        Self { sort, machine, machine_name, id, short, matter, sides, used: Some(used) }
    }

    /// The item of a twin.
    #[must_use]
    pub fn of_twin(sort: ClashSort, machine: MachineId, machine_name: Option<String>, twin: Twin) -> Self {
        let Twin { id, short, matter, sides } = twin;
        Self { sort, machine, machine_name, id, short, matter, sides, used: None }
    }
}

impl Endpoint for Clashes {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/clashes";
    const OPERATION: &'static str = "clashes";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "Open clashes and twins";
    const DESCRIPTION: &'static str = "\
Where two records disagree, or probably tell of one piece of work, until a person settles it. In order of machine and \
id. The ids are computed from the entries, so that every device gives the same disagreement the same id.";
    const PROBLEMS: &'static [Problem] = &[Problem::NotFound];
    const CACHING: Caching = Caching::Revalidated;

    type Path = Nothing;
    type Query = MachinePageQuery;
    type Body = Nothing;
    type Reply = List<ClashItem>;

    fn example() -> Example<Self> {
        Example {
            path: Nothing {},
            query: MachinePageQuery::default(),
            body: Nothing {},
            reply: List { items: sample::clashes(), next: None },
        }
    }
}
