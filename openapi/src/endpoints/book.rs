//! `GET /v1/machines/{machine}/book`: the computed state of a machine.
//!
//! Promises: the book is core's, unchanged; names and marks stand beside it, never in it, so that a name can be erased.
//! Never: anything of the office part of entries, so that every role gets the same book.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::list::MachinePath;
use crate::names::Names;
use crate::problem::Problem;
use crate::sample;
use pintle_core::book::Book;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Shows a machine's book.
pub struct MachineBook;

/// A machine's book, with the names of those it mentions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = MachineBook)]
pub struct BookReply {
    /// The book.
    pub book: Book,
    /// Names of those who are mentioned.
    pub names: Names,
}

impl Endpoint for MachineBook {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/book";
    const OPERATION: &'static str = "machineBook";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "The machine book";
    const DESCRIPTION: &'static str = "\
What the entries about the machine come to: readings, tasks done, open findings, notes for the next operator, clashes. \
It is a function of the entries alone, so that every device with the same entries shows the same book. Of a machine that \
was settled to be another one the book of that other one is given, which counts the entries of both.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = MachinePath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = BookReply;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        Example { path, query: Nothing {}, body: Nothing {}, reply: sample::book_reply() }
    }
}
