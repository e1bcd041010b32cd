//! What an endpoint is, as a type: everything that server, client and document need to agree on.
//!
//! Promises: `PATH` and `METHOD` are unique over all endpoints; `PROBLEMS` names every code the endpoint answers beside
//! those of [`crate::problem::EVERYWHERE`] and those its access and its body bring with them, see [`problems`].

use crate::problem::{self, Problem};
use pintle_core::permission::Right;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::fmt;
use std::fmt::Write as _;
use utoipa::{IntoParams, ToSchema};

/// Largest body of the small requests, in bytes: an enrolment or an assertion is under 1 KiB.
pub const SMALL_BODY_BYTES_MAX: usize = 16 * 1024;
/// Largest body of an exchange as sent, in bytes: 500 entries compress to a tenth of it.
pub const SYNC_BODY_BYTES_MAX: usize = 256 * 1024;
/// Largest body of an exchange once inflated, in bytes: 64 of the largest entries.
pub const SYNC_INFLATED_BYTES_MAX: usize = 2 * 1024 * 1024;

/// One endpoint of the service.
pub trait Endpoint: Sized + 'static {
    /// Its method.
    const METHOD: Method;
    /// Its path, with `{names}` for the fields of [`Endpoint::Path`].
    const PATH: &'static str;
    /// Stable name of the operation, in lower camel case.
    const OPERATION: &'static str;
    /// Heading under which the documentation lists it.
    const TAG: Tag;
    /// Who may call it.
    const ACCESS: Access;
    /// One line.
    const SUMMARY: &'static str;
    /// What it does, in Markdown.
    const DESCRIPTION: &'static str;
    /// Problems of its own; see [`problems`] for all.
    const PROBLEMS: &'static [Problem];
    /// Whether and how it takes a body.
    const BODY: BodyForm = BodyForm::None;
    /// Media type of the reply.
    const REPLY_MEDIA: &'static str = "application/json";
    /// Whether a reply carries an `ETag` and `If-None-Match` may be answered with 304.
    const CACHING: Caching = Caching::Never;

    /// The values in the path.
    type Path: Serialize + DeserializeOwned + IntoParams + PartialEq + fmt::Debug + Send;
    /// The values in the query.
    type Query: Serialize + DeserializeOwned + IntoParams + PartialEq + fmt::Debug + Send;
    /// The body of the request.
    type Body: Serialize + DeserializeOwned + ToSchema + PartialEq + fmt::Debug + Send;
    /// The body of the reply.
    type Reply: Serialize + DeserializeOwned + ToSchema + PartialEq + fmt::Debug + Send;

    /// An example of a call and its reply.
    fn example() -> Example<Self>;
}

/// A call and its reply, as an example.
pub struct Example<E: Endpoint> {
    /// Path values.
    pub path: E::Path,
    /// Query values.
    pub query: E::Query,
    /// Body.
    pub body: E::Body,
    /// Reply.
    pub reply: E::Reply,
}

/// HTTP methods in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Method {
    /// Reads.
    Get,
    /// Everything else.
    Post,
}

impl Method {
    /// As it is written in a request.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Method::Get => "GET",
            Method::Post => "POST",
        }
    }
}

/// Headings of the documentation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Tag {
    /// Exchange of entries.
    Sync,
    /// Enrolment and tokens.
    Devices,
    /// Reading machines.
    Machines,
    /// Photos and documents of entries.
    Files,
    /// The small repair.
    Bench,
    /// Devices, codes, share links.
    Office,
    /// Customers, jobs, rates, drafts, invoices.
    Billing,
    /// What shows that the ledger is whole.
    Proof,
    /// What outsiders read.
    Outsiders,
    /// Health and documents of the service.
    Service,
}

impl Tag {
    /// All of them, in the order of the documentation.
    pub const ALL: [Tag; 10] = [
        Tag::Sync,
        Tag::Devices,
        Tag::Machines,
        Tag::Files,
        Tag::Bench,
        Tag::Office,
        Tag::Billing,
        Tag::Proof,
        Tag::Outsiders,
        Tag::Service,
    ];

    /// Its name.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Tag::Sync => "Sync",
            Tag::Devices => "Devices",
            Tag::Machines => "Machines",
            Tag::Files => "Files",
            Tag::Bench => "Bench",
            Tag::Office => "Office",
            Tag::Billing => "Billing",
            Tag::Proof => "Proof",
            Tag::Outsiders => "Outsiders",
            Tag::Service => "Service",
        }
    }

    /// What stands under it.
    #[must_use]
    pub fn description(self) -> &'static str {
        match self {
            Tag::Sync => "One exchange per POST: a device pushes its own entries and pulls what it has not seen.",
            Tag::Devices => "How a device is let in, and how it gets a token to read with.",
            Tag::Machines => {
                "What the organisation's entries say about its machines. Read only: writing is done by sync."
            }
            Tag::Files => "Photos and documents of entries, on a lane of their own: entries never wait for them.",
            Tag::Bench => "Cards for the small repair at the machine: threads, drills, grease, amounts.",
            Tag::Office => {
                "How devices stand, codes that let them in, and links for outsiders. All of it is written down."
            }
            Tag::Billing => {
                "From records to invoices: what the office writes, what could be billed, drafts, issued bills and their files."
            }
            Tag::Proof => "Signed checkpoints of the ledger, proofs, and the service history of a machine as a file.",
            Tag::Outsiders => "What someone outside reads with a link: one machine.",
            Tag::Service => "Health, keys and the documentation of the service.",
        }
    }
}

/// Who may call an endpoint.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Anyone.
    Public,
    /// An enrolled device, by its signature over the body in the header `Pintle-Proof`. A revoked device too.
    DeviceProof,
    /// Whoever proves in the body itself to hold a key.
    BodyProof,
    /// A device that is enrolled and not revoked, by a bearer token from `POST /v1/token`, whose role has this right.
    Token(Right),
    /// Whoever holds the link in the path.
    Link,
}

/// Whether and how an endpoint takes a body.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BodyForm {
    /// None.
    None,
    /// JSON as it is.
    Plain {
        /// Largest body, in bytes.
        bytes_max: usize,
    },
    /// A document of another standard as it is: JSON or XML, told apart by its own first character.
    Document {
        /// Largest body, in bytes.
        bytes_max: usize,
    },
    /// Bytes as they are.
    Bytes {
        /// Largest body, in bytes.
        bytes_max: usize,
    },
    /// JSON, which may be sent with `Content-Encoding: gzip`.
    Gzip {
        /// Largest body as sent, in bytes.
        bytes_max: usize,
        /// Largest body once inflated, in bytes.
        inflated_bytes_max: usize,
    },
}

/// Whether a reply may be kept by its caller.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Caching {
    /// `Cache-Control: no-store`.
    Never,
    /// Kept, and asked for again with `If-None-Match`.
    Revalidated,
}

/// No values: for paths, queries and bodies that there are not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Nothing {}

impl IntoParams for Nothing {
    fn into_params(
        _: impl Fn() -> Option<utoipa::openapi::path::ParameterIn>,
    ) -> Vec<utoipa::openapi::path::Parameter> {
        Vec::new()
    }
}

/// All problems an endpoint may answer, sorted by status, then code.
#[must_use]
pub fn problems<E: Endpoint>() -> Vec<Problem> {
    let access: &[Problem] = match E::ACCESS {
        Access::Public | Access::BodyProof => &[],
        Access::DeviceProof => problem::OF_PROOF,
        Access::Token(_) => problem::OF_TOKEN,
        Access::Link => problem::OF_LINK,
    };
    let body: &[Problem] = match E::BODY {
        BodyForm::None => &[],
        BodyForm::Plain { .. } | BodyForm::Document { .. } | BodyForm::Bytes { .. } | BodyForm::Gzip { .. } => {
            problem::OF_BODY
        }
    };
    let query: &[Problem] = if names::<E::Query>().is_empty() { &[] } else { problem::OF_QUERY };
    let path: &[Problem] = if names::<E::Path>().is_empty() { &[] } else { &[Problem::NotFound] };
    let mut all: Vec<Problem> = [problem::EVERYWHERE, access, body, query, path, E::PROBLEMS].concat();
    all.sort_by_key(|p| (p.status(), p.code()));
    all.dedup();
    all
}

fn names<P: IntoParams>() -> Vec<String> {
    P::into_params(|| None).into_iter().map(|p| p.name).collect()
}

/// The path and query of a call, ready to be put behind the address of a server.
///
/// Values are percent-encoded (RFC 3986: everything but unreserved characters).
#[must_use]
pub fn target<E: Endpoint>(path: &E::Path, query: &E::Query) -> String {
    let mut target = E::PATH.to_owned();
    for (name, value) in fields(path) {
        target = target.replace(&format!("{{{name}}}"), &encoded(&value));
    }
    for (index, (name, value)) in fields(query).into_iter().enumerate() {
        target.push(if index == 0 { '?' } else { '&' });
        target.push_str(&encoded(&name));
        target.push('=');
        target.push_str(&encoded(&value));
    }
    target
}

fn fields(values: &impl Serialize) -> Vec<(String, String)> {
    let Ok(Value::Object(map)) = serde_json::to_value(values) else { return Vec::new() };
    map.into_iter()
        .filter_map(|(name, value)| match value {
            Value::Null => None,
            Value::String(text) => Some((name, text)),
            other => Some((name, other.to_string())),
        })
        .collect()
}

fn encoded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(byte as char);
        } else {
            // Writing to a String cannot fail.
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}
