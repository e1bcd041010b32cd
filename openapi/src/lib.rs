//! The wire contract of the REST service: one type per endpoint, one table of problem codes.
//!
//! Promises: the server's route, the client's call and the entry in the OpenAPI document all come from the same
//! [`Endpoint`] type, so that they cannot drift apart. Every refusal of the service has a code of [`Problem`], and
//! that table alone gives its status, its sentence and its hint. Every example reads back into its type.
//!
//! Never: input or output, HTTP libraries, an async runtime. The committed `openapi.json` is generated, never edited.

pub mod endpoint;
pub mod endpoints;
pub mod errors_page;
pub mod list;
pub mod names;
pub mod problem;
pub mod sample;
pub mod sample_bill;
pub mod spec;

pub use endpoint::{Access, BodyForm, Endpoint, Example, Method, Nothing};
pub use list::List;
pub use pintle_core::permission::Role;
pub use problem::{Problem, ProblemDocument};
