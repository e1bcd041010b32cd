//! The REST service: `http` takes a request apart and maps the answer, `app` does the use case, the store keeps.
//!
//! Promises: every refusal leaves as a problem document with a code of the contract; no state is kept between requests
//! that another process would need, so that several may share one database; tokens, keys and bodies are never logged.
//!
//! Never: SQL (see `pintle-store`), decisions about entries (see `pintle-core`), a clock or randomness outside
//! [`ambient`].

pub mod ambient;
pub mod app;
pub mod backup;
pub mod check;
pub mod connections;
pub mod files;
pub mod http;
pub mod limits;
pub mod operator;
pub mod outgoing;
pub mod qr;
pub mod serve;
pub mod settings;
pub mod tls;
