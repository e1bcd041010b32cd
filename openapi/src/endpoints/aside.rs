//! `GET /v1/aside`: what is kept and not counted, for the office to judge.
//!
//! Promises: every entry that was set aside, what was let in again too, with the code why. To let one in is an entry of
//! its own (`released`), made on a device of the office: this endpoint changes nothing.

use crate::endpoint::{Access, Endpoint, Example, Method, Nothing, Tag};
use crate::list::{List, PageQuery};
use crate::problem::Problem;
use crate::sample;
use pintle_core::entry::EntryRef;
use pintle_core::exchange::Pulled;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Lists what is set aside.
pub struct Aside;

/// An entry that was set aside.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct AsideItem {
    /// Why: a code of ERRORS.
    pub code: String,
    /// Whether it could count: not what breaks a rule of its form, and not what only the server may say.
    pub can_count: bool,
    /// The entries that let it count; none while it is not counted.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(nullable = false)]
    pub released_by: Vec<EntryRef>,
    /// The entry.
    pub entry: Pulled,
}

impl Endpoint for Aside {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/aside";
    const OPERATION: &'static str = "aside";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::Release);
    const SUMMARY: &'static str = "What is set aside";
    const DESCRIPTION: &'static str = "Entries that are kept and shown but not counted, in order of arrival, with the \
         code why. One that can count does so from the moment that the office or the owner records an entry `released` \
         that names it; a strike of that entry sets it aside again.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = PageQuery;
    type Body = Nothing;
    type Reply = List<AsideItem>;

    fn example() -> Example<Self> {
        let query = PageQuery { after: None, limit: Some(50) };
        let reply = List { items: sample::asides(), next: None };
        Example { path: Nothing {}, query, body: Nothing {}, reply }
    }
}
