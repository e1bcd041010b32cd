//! The one table of problem codes, and the document a refusal is sent as (RFC 9457).
//!
//! Promises: a code never changes its meaning once released, and its status, title and hint stand here only. A title
//! is a sentence for the person, a hint tells what to do. Nothing of the inside (paths, statements, traces) is in a
//! problem document.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Media type of a problem document.
pub const PROBLEM_MEDIA: &str = "application/problem+json";
/// What the `type` of a problem document starts with; the code follows.
pub const PROBLEM_TYPE: &str = "urn:pintle:problem:";

macro_rules! problems {
    ($($variant:ident = $code:literal, $status:literal, $title:literal, $hint:literal;)+) => {
        /// Why a request was refused.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Problem {
            $(#[doc = $title] $variant),+
        }

        impl Problem {
            /// Every problem, in the order of the table.
            pub const ALL: &'static [Problem] = &[$(Problem::$variant),+];

            /// The stable code, a slug.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(Problem::$variant => $code),+ }
            }

            /// The HTTP status it is sent with.
            #[must_use]
            pub fn status(self) -> u16 {
                match self { $(Problem::$variant => $status),+ }
            }

            /// The sentence for the person.
            #[must_use]
            pub fn title(self) -> &'static str {
                match self { $(Problem::$variant => $title),+ }
            }

            /// What to do about it.
            #[must_use]
            pub fn hint(self) -> &'static str {
                match self { $(Problem::$variant => $hint),+ }
            }

            /// The problem with this code, if this version knows it.
            #[must_use]
            pub fn from_code(code: &str) -> Option<Self> {
                match code { $($code => Some(Problem::$variant),)+ _ => None }
            }
        }
    };
}

problems! {
    // What was sent cannot be read.
    MalformedJson = "malformed-json", 400, "The request is not JSON that can be read.",
        "Send UTF-8 JSON without a byte order mark, without the same key twice in one object, nested at most 64 deep.";
    InvalidCursor = "invalid-cursor", 400, "The cursor does not belong to this list.",
        "Start again without a cursor. A cursor is valid only for the list, the filter and the organisation it came from.";
    BadHeader = "bad-header", 400, "A header of the request cannot be used.",
        "Send each header once, in the form the documentation of the endpoint shows.";
    // Who is asking.
    ProofMissing = "proof-missing", 401, "The request carries no proof of its device.",
        "Sign the body with the device key and send the signature in the header Pintle-Proof.";
    BadProof = "bad-proof", 401, "The proof is not this device's signature over this body.",
        "Sign the bytes of the JSON before compression, with the key the device was enrolled with.";
    UnknownDevice = "unknown-device", 401, "This server does not know the device.",
        "Ask the owner for a code and enrol: pintle enrol URL CODE. Nothing recorded is lost.";
    TokenMissing = "token-missing", 401, "This needs a token.",
        "Get one at POST /v1/token and send it as: Authorization: Bearer TOKEN.";
    InvalidToken = "invalid-token", 401, "The token is not one of this server's.",
        "Get a new one at POST /v1/token.";
    TokenExpired = "token-expired", 401, "The token is no longer valid.",
        "Get a new one at POST /v1/token.";
    InvalidAssertion = "invalid-assertion", 401, "The assertion is not one this server can accept.",
        "Make a JWT with alg EdDSA, signed by the device key: kid, iss and sub the device, aud the server's store id, iat, exp at most 60 s later, jti.";
    ClockOff = "clock-off", 401, "The assertion is not valid at the server's time.",
        "Take the server's time from now_ms of this answer, make a new assertion with it and try again once.";
    // Who may not.
    DeviceRevoked = "device-revoked", 403, "This device has been revoked and may no longer read.",
        "It can go on recording and pushing; the office decides about what it pushes. To read again, enrol with a new code.";
    Forbidden = "forbidden", 403, "Your role may not do this.",
        "Ask the owner, or someone whose role may: see the table in docs/PERMISSIONS.md.";
    WrongOrganisation = "wrong-organisation", 403, "The device belongs to another organisation.",
        "Send the organisation the device was enrolled in.";
    CodeUnknown = "code-unknown", 403, "There is no such enrolment code, or it has expired.",
        "Check the code for typing errors, or ask the owner for a new one: pintle-server code --role crew.";
    // What is not there.
    NotFound = "not-found", 404, "There is nothing here.",
        "Check the address. What belongs to another organisation is not found either.";
    MethodNotAllowed = "method-not-allowed", 405, "This address does not take that method.",
        "Use a method the header Allow names.";
    NotAcceptable = "not-acceptable", 406, "The reply cannot be sent in an encoding that was asked for.",
        "Allow gzip or no encoding in Accept-Encoding.";
    RequestTimeout = "request-timeout", 408, "The request took too long to arrive.",
        "Send it again; on a slow line send fewer entries at once.";
    CodeUsed = "code-used", 409, "The enrolment code has been used by another device.",
        "Ask the owner for a new one: pintle-server code --role crew.";
    MarkTaken = "mark-taken", 409, "Another device has this short name, or had it once.",
        "Choose another: short names are never used twice, because entries go by them.";
    LastOwner = "last-owner", 409, "Nobody would be left who may do everything.",
        "Let in another owner first: make a code with role owner.";
    TooManyOpen = "too-many-open", 409, "There are too many open already.",
        "Cancel or end some that are no longer needed.";
    AlreadyBilled = "already-billed", 409, "Some of it has been drafted or billed meanwhile.",
        "Look at the drafts and ask again: pintle bill drafts.";
    BillState = "bill-state", 409, "The bill is not in a state for this.",
        "A draft is issued or dropped, an invoice is taken back; what is issued never changes. See detail.";
    KeyRefused = "key-refused", 409, "This key may not be enrolled: it is a revoked device's, or another organisation's.",
        "Make a new key on the device and enrol with it. The code has not been spent; the entries under the old key stay.";
    // What was sent is not allowed.
    PayloadTooLarge = "payload-too-large", 413, "The request is too large.",
        "Send fewer entries at once; an exchange may have 256 KiB as sent and 2 MiB once inflated.";
    UnsupportedMediaType = "unsupported-media-type", 415, "The body is not of a media type this address takes.",
        "Send Content-Type: application/json; POST /v1/telematics also takes application/xml and text/xml, a chunk of a file is application/octet-stream.";
    UnsupportedEncoding = "unsupported-encoding", 415, "The body has an encoding this address does not take.",
        "Send it as it is; POST /v1/sync also takes Content-Encoding: gzip, once.";
    NotCanonical = "not-canonical", 422, "A number is not a whole number within plus or minus 2^53-1.",
        "Write decimals as texts, and whole numbers without exponent or fraction.";
    BadText = "bad-text", 422, "A text holds a character that must not be stored.",
        "Take out control characters.";
    UnknownField = "unknown-field", 422, "The request has a field this version does not know.",
        "Remove the field, or check its spelling.";
    MalformedRequest = "malformed-request", 422, "A field is missing or not of its form.",
        "See pointer or parameter for the place, and the documentation for the form.";
    MalformedDocument = "malformed-document", 422, "The document is not of the form of its standard.",
        "See detail; send a page of a fleet in the ISO 15143-3 form, JSON or XML.";
    MalformedEntry = "malformed-entry", 422, "An entry is not of the form an entry must have.",
        "An entry has the parts head and body, may have words and office, and a number in head.seq.";
    BadFile = "bad-file", 422, "The file is not the one that the entry names, or none that is kept.",
        "Send the bytes that hash to its name, as a JPEG, PNG, WebP or PDF with nothing behind its end; it begins anew.";
    OutOfRange = "out-of-range", 422, "A value lies outside its limits.",
        "See pointer or parameter for the place and detail for the limits.";
    AmountOverflow = "amount-overflow", 422, "An amount has more digits than any bill.",
        "Check quantity and price: amounts have at most twelve digits before the point.";
    BadTime = "bad-time", 422, "A day or time is not of its form.",
        "Write days like 2026-05-04 and times of day like 17:30.";
    TooLongToPrint = "too-long-to-print", 422, "The document is too long to be printed.",
        "Bill a shorter time or one job, or fetch it in another form: csv and xlsx have no pages.";
    ChainMismatch = "chain-mismatch", 422, "The link before the first entry cannot be this device's.",
        "Before entry 1 stands SHA-256 over the line pintle/log/1 and the public key.";
    UnsupportedProtocol = "unsupported-protocol", 422, "This server does not speak that protocol number.",
        "Use protocol 1, or update the program.";
    BadKey = "bad-key", 422, "The public key cannot be used.",
        "Send a raw Ed25519 public key of 32 bytes that is not of small order.";
    BadSignature = "bad-signature", 422, "The signature is not the key's over this text.",
        "Sign the text the documentation of the endpoint gives, with the private key of the public key that is sent.";
    // Not now.
    TooManyRequests = "too-many-requests", 429, "Too many requests, one after the other.",
        "Wait for the seconds in Retry-After, then try again. Nothing of the request was looked at; what is recorded stays on the device.";
    Internal = "internal", 500, "The server failed. Nothing that was recorded is lost.",
        "Try again; if it stays, give the operator of the server the request id.";
    NoTypesetter = "no-typesetter", 501, "This server was built without what sets documents on paper.",
        "Fetch it in another form, or ask the operator for a server with the feature print, which is there by default.";
    Unavailable = "unavailable", 503, "The server cannot reach its database now.",
        "Wait for the seconds in Retry-After, then send the same again. What is recorded stays on the device until then.";
    Busy = "busy", 503, "The server has more to do than it can do at once.",
        "Wait for the seconds in Retry-After, then send the same again. Nothing of it was taken; what is recorded stays on the device.";
    StorageFull = "storage-full", 507, "The server has no room left. Nothing was taken.",
        "Tell the operator of the server. What is recorded stays on the device and is sent again later.";
}

/// Problems that every endpoint may answer; those of a query too, because a parameter nobody knows is refused.
pub const EVERYWHERE: &[Problem] = &[
    Problem::BadHeader,
    Problem::MethodNotAllowed,
    Problem::NotAcceptable,
    Problem::UnknownField,
    Problem::MalformedRequest,
    Problem::TooManyRequests,
    Problem::Internal,
];
/// Problems of endpoints with a body.
pub const OF_BODY: &[Problem] = &[
    Problem::MalformedJson,
    Problem::RequestTimeout,
    Problem::PayloadTooLarge,
    Problem::UnsupportedMediaType,
    Problem::UnsupportedEncoding,
    Problem::NotCanonical,
    Problem::BadText,
    Problem::OutOfRange,
    Problem::Unavailable,
    Problem::StorageFull,
];
/// Problems of endpoints with a query.
pub const OF_QUERY: &[Problem] = &[Problem::InvalidCursor, Problem::OutOfRange];
/// Problems of endpoints that need a device's proof.
pub const OF_PROOF: &[Problem] =
    &[Problem::ProofMissing, Problem::BadProof, Problem::UnknownDevice, Problem::WrongOrganisation];
/// Problems of endpoints that need a token.
pub const OF_TOKEN: &[Problem] = &[
    Problem::TokenMissing,
    Problem::InvalidToken,
    Problem::TokenExpired,
    Problem::DeviceRevoked,
    Problem::Forbidden,
    Problem::Unavailable,
];
/// Problems of endpoints that a share link opens.
pub const OF_LINK: &[Problem] = &[Problem::NotFound, Problem::Unavailable];

/// A refusal, as it is sent: `application/problem+json` (RFC 9457).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = Problem)]
pub struct ProblemDocument {
    /// `urn:pintle:problem:` and the code.
    #[serde(rename = "type")]
    pub kind: String,
    /// The sentence for the person.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// The stable code.
    pub code: String,
    /// What is wrong in this request.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub detail: Option<String>,
    /// RFC 6901 pointer to the place in the body.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub pointer: Option<String>,
    /// Name of the query parameter or header at fault.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub parameter: Option<String>,
    /// What to do.
    pub hint: String,
    /// Id of the request in the server's log.
    pub request: String,
    /// With `clock-off`: the server's clock, in milliseconds since 1970.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub now_ms: Option<i64>,
    /// Seconds to wait before trying again, where waiting helps; also in the header `Retry-After`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub retry_after_s: Option<u32>,
}

impl ProblemDocument {
    /// The document of a problem, without anything about the request.
    #[must_use]
    pub fn new(problem: Problem, request: impl Into<String>) -> Self {
        Self {
            kind: format!("{PROBLEM_TYPE}{}", problem.code()),
            title: problem.title().to_owned(),
            status: problem.status(),
            code: problem.code().to_owned(),
            detail: None,
            pointer: None,
            parameter: None,
            hint: problem.hint().to_owned(),
            request: request.into(),
            now_ms: None,
            retry_after_s: None,
        }
    }

    /// Reads a document of this service. None for anything else: a proxy's page, a portal, another service's problem.
    #[must_use]
    pub fn read(bytes: &[u8]) -> Option<Self> {
        let document: Self = serde_json::from_slice(bytes).ok()?;
        (document.kind.strip_prefix(PROBLEM_TYPE) == Some(document.code.as_str())).then_some(document)
    }

    /// The problem, if this version knows its code.
    #[must_use]
    pub fn problem(&self) -> Option<Problem> {
        Problem::from_code(&self.code)
    }
}
