//! `GET /healthz` and `GET /readyz`: whether the process lives, and whether it can serve.
//!
//! Promises: `healthz` answers without the database, `readyz` only if the database does.
//! Never a detail of the inside: what is wrong stands in the log.

use crate::endpoint::{Access, Endpoint, Example, Method, Nothing, Tag};
use crate::problem::Problem;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Says that the process lives.
pub struct Healthz;
/// Says whether the database answers.
pub struct Readyz;

/// A word on how the service is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Health {
    /// `ok`.
    pub status: String,
}

impl Health {
    /// All is well.
    #[must_use]
    pub fn ok() -> Self {
        Self { status: "ok".to_owned() }
    }
}

impl Endpoint for Healthz {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/healthz";
    const OPERATION: &'static str = "healthz";
    const TAG: Tag = Tag::Service;
    const ACCESS: Access = Access::Public;
    const SUMMARY: &'static str = "Whether the process lives";
    const DESCRIPTION: &'static str = "Answers without touching the database.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = Health;

    fn example() -> Example<Self> {
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply: Health::ok() }
    }
}

impl Endpoint for Readyz {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/readyz";
    const OPERATION: &'static str = "readyz";
    const TAG: Tag = Tag::Service;
    const ACCESS: Access = Access::Public;
    const SUMMARY: &'static str = "Whether the service can serve";
    const DESCRIPTION: &'static str = "Asks the database for an answer.";
    const PROBLEMS: &'static [Problem] = &[Problem::Unavailable];

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = Health;

    fn example() -> Example<Self> {
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply: Health::ok() }
    }
}
