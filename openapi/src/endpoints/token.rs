//! `POST /v1/token`: a device gets a token to read with.
//!
//! Promises: the token lives for [`TOKEN_TTL_S`]; revocation is looked up with every request and does not wait for that.

use crate::endpoint::{Access, BodyForm, Endpoint, Example, Method, Nothing, SMALL_BODY_BYTES_MAX, Tag};
use crate::problem::Problem;
use crate::sample;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use pintle_core::ids::Signature;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// How long a token lives, in seconds.
pub const TOKEN_TTL_S: i64 = 15 * 60;
/// How long an assertion may live, in seconds.
pub const ASSERTION_TTL_S_MAX: i64 = 60;

/// Gives a device a token.
pub struct Token;

/// A device's own word that it is the device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TokenRequest {
    /// A JWT signed by the device key.
    pub assertion: String,
}

/// A token.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TokenReply {
    /// To be sent as `Authorization: Bearer …`.
    pub access_token: String,
    /// `Bearer`.
    pub token_type: String,
    /// Seconds until it expires.
    pub expires_in: i64,
    /// The server's clock, in milliseconds since 1970.
    pub now_ms: i64,
}

/// Header of an assertion.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AssertionHeader {
    /// `EdDSA`.
    pub alg: String,
    /// `JWT`.
    pub typ: String,
    /// The device's id.
    pub kid: String,
}

/// Claims of an assertion.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AssertionClaims {
    /// The device's id.
    pub iss: String,
    /// The device's id again.
    pub sub: String,
    /// The server's store id.
    pub aud: String,
    /// Made at, in seconds since 1970 by the server's time.
    pub iat: i64,
    /// Void from, at most 60 s later.
    pub exp: i64,
    /// Random: an assertion is answered once, so that a new one is made for every attempt.
    pub jti: String,
}

/// A JWT in compact form: `sign` signs the text it is given.
#[must_use]
pub fn assertion(header: &AssertionHeader, claims: &AssertionClaims, sign: impl FnOnce(&[u8]) -> Signature) -> String {
    let part = |value: serde_json::Result<Vec<u8>>| URL_SAFE_NO_PAD.encode(value.unwrap_or_default());
    let signed = format!("{}.{}", part(serde_json::to_vec(header)), part(serde_json::to_vec(claims)));
    let signature = sign(signed.as_bytes());
    format!("{signed}.{signature}")
}

impl Endpoint for Token {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/token";
    const OPERATION: &'static str = "token";
    const TAG: Tag = Tag::Devices;
    const ACCESS: Access = Access::BodyProof;
    const SUMMARY: &'static str = "Get a token to read with";
    const DESCRIPTION: &'static str = "\
The assertion is a JWT in compact form (the shape of RFC 7523). Header: exactly `alg` = `EdDSA`, `typ` = `JWT` and `kid` = \
the device's id. \
Claims: exactly `iss` and `sub` (both the device's id), `aud` (the server's store id, as the enrolment and every \
exchange give it), `iat` and `exp` in whole seconds, at most 60 apart, and `jti` (random). It is signed with the device \
key, and answered once: every attempt needs a new one.

A device whose clock is off is refused with `clock-off`, which carries the server's time: it makes a new assertion by \
that time and tries again once.";
    const PROBLEMS: &'static [Problem] =
        &[Problem::InvalidAssertion, Problem::UnknownDevice, Problem::ClockOff, Problem::DeviceRevoked];
    const BODY: BodyForm = BodyForm::Plain { bytes_max: SMALL_BODY_BYTES_MAX };

    type Path = Nothing;
    type Query = Nothing;
    type Body = TokenRequest;
    type Reply = TokenReply;

    fn example() -> Example<Self> {
        Example { path: Nothing {}, query: Nothing {}, body: sample::token_request(), reply: sample::token_reply() }
    }
}
