//! `/v1/codes`: one-time codes that let a device in.
//!
//! Promises: a code is told once, when it is made; afterwards it goes by an id that lets nobody in. The server keeps
//! its hash alone.

use crate::Role;
use crate::endpoint::{Access, BodyForm, Endpoint, Example, Method, Nothing, SMALL_BODY_BYTES_MAX, Tag};
use crate::list::List;
use crate::problem::Problem;
use crate::sample;
use pintle_core::ids::CodeId;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Hours a code lives if nothing else is asked for: three days, one weekend included.
pub const CODE_HOURS_DEFAULT: u32 = 72;
/// Longest life of a code, in hours: a month.
pub const CODE_HOURS_MAX: u32 = 24 * 31;
/// Most codes an organisation may have open at once: a large crew's first day.
pub const CODES_OPEN_MAX: usize = 200;

/// Makes a code.
pub struct MakeCode;
/// Lists the open codes.
pub struct Codes;
/// Cancels an open code.
pub struct CancelCode;

/// What is wanted of a code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CodeRequest {
    /// What the device's person will be.
    pub role: Role,
    /// Hours until it expires, 1 to 744; 72 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false, minimum = 1, maximum = 744)]
    pub hours: Option<i64>,
}

/// A code that has just been made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct CodeReply {
    /// The code, told this once: `7KQF-M3XA-R8TD`.
    pub code: String,
    /// How it stands.
    pub report: CodeReport,
}

/// An open code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = Code)]
pub struct CodeReport {
    /// Names it without letting anyone in.
    pub id: CodeId,
    /// What the device's person will be.
    pub role: Role,
    /// When it was made, in milliseconds since 1970.
    pub made_ms: i64,
    /// Until when it may be used.
    pub until_ms: i64,
}

/// The path of a code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Path)]
pub struct CodePath {
    /// The code's id.
    pub code: CodeId,
}

const SMALL: BodyForm = BodyForm::Plain { bytes_max: SMALL_BODY_BYTES_MAX };

impl Endpoint for MakeCode {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/codes";
    const OPERATION: &'static str = "makeCode";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::ManageCrew);
    const SUMMARY: &'static str = "Make a code that lets one device in";
    const DESCRIPTION: &'static str = "The code is told in this reply and never again. Codes for office and owner are \
         made by the owner.";
    const PROBLEMS: &'static [Problem] = &[Problem::TooManyOpen];
    const BODY: BodyForm = SMALL;

    type Path = Nothing;
    type Query = Nothing;
    type Body = CodeRequest;
    type Reply = CodeReply;

    fn example() -> Example<Self> {
        let body = CodeRequest { role: Role::Crew, hours: Some(72) };
        let reply = CodeReply { code: sample::code(), report: sample::code_report() };
        Example { path: Nothing {}, query: Nothing {}, body, reply }
    }
}

impl Endpoint for Codes {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/codes";
    const OPERATION: &'static str = "codes";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::ReadDevices);
    const SUMMARY: &'static str = "The codes that may still be used";
    const DESCRIPTION: &'static str = "The one that ends first first; all of them, in one page.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = List<CodeReport>;

    fn example() -> Example<Self> {
        let reply = List { items: vec![sample::code_report()], next: None };
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply }
    }
}

impl Endpoint for CancelCode {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/codes/{code}/cancel";
    const OPERATION: &'static str = "cancelCode";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::ManageCrew);
    const SUMMARY: &'static str = "Cancel an open code";
    const DESCRIPTION: &'static str =
        "It lets nobody in any more. Whom a code has let in already is revoked by device.";
    const PROBLEMS: &'static [Problem] = &[];
    const BODY: BodyForm = SMALL;

    type Path = CodePath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = CodeReport;

    fn example() -> Example<Self> {
        let reply = sample::code_report();
        Example { path: CodePath { code: reply.id }, query: Nothing {}, body: Nothing {}, reply }
    }
}
