//! `GET /v1/machines/{machine}/entries`: what was recorded about a machine, entry by entry.
//!
//! Promises: entries as they were recorded, in order of arrival; what is withheld is named by its hash.
//! Never a computed value: that is the book's.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::list::{List, MachinePath, PageQuery};
use crate::problem::Problem;
use crate::sample;
use pintle_core::exchange::Pulled;
use pintle_core::permission::Right;

/// Lists a machine's entries.
pub struct MachineEntries;

impl Endpoint for MachineEntries {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/entries";
    const OPERATION: &'static str = "machineEntries";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "A machine's entries, in order of arrival";
    const DESCRIPTION: &'static str = "\
Every entry about the machine as it was recorded, in order of its position in the ledger. Entries are never changed, so \
that a page once read stays true; the last page may grow. The office part is withheld from roles that may not read it, \
and its hash stands in its place.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = MachinePath;
    type Query = PageQuery;
    type Body = Nothing;
    type Reply = List<Pulled>;

    fn example() -> Example<Self> {
        Example {
            path: MachinePath { machine: sample::machine() },
            query: PageQuery { after: Some(sample::cursor()), limit: None },
            body: Nothing {},
            reply: List { items: sample::pulled(), next: None },
        }
    }
}
