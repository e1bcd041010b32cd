//! `POST /v1/enrol`: a device is let in with a one-time code.
//!
//! Promises: the same code with the same key is answered the same way again, so that a lost reply does no harm.

use crate::Role;
use crate::endpoint::{Access, BodyForm, Endpoint, Example, Method, Nothing, SMALL_BODY_BYTES_MAX, Tag};
use crate::problem::Problem;
use crate::sample;
use pintle_core::exchange::Person;
use pintle_core::ids::{Baton, DeviceId, OrganisationId, PublicKey, Signature, StoreId};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Lets a device in.
pub struct Enrol;

/// A device that asks to be let in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EnrolRequest {
    /// The one-time code as it was typed: case, hyphens and spaces do not matter, O is read as 0, I and L as 1.
    pub code: String,
    /// The device's public key, made on the device.
    pub key: PublicKey,
    /// The short name the device would like, two to four capital letters or digits.
    #[schema(pattern = "^[A-Z0-9]{2,4}$")]
    pub mark: String,
    /// Whose device it is. The id is of the device's making.
    pub person: Person,
    /// Signature by the key over the line `pintle/enrol/1` (with its newline), the SHA-256 of `code` as sent here, and
    /// the public key.
    pub proof: Signature,
}

/// An organisation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = Organisation)]
pub struct OrganisationCard {
    /// Its id.
    pub id: OrganisationId,
    /// Its name.
    pub name: String,
}

/// The device is in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct EnrolReply {
    /// The organisation.
    pub organisation: OrganisationCard,
    /// The device's id: the first 16 bytes of SHA-256 of its key.
    pub device: DeviceId,
    /// The mark it got: the one it asked for, or that with a digit where another device has it.
    pub mark: String,
    /// What its person may do.
    pub role: Role,
    /// The server's database.
    pub store: StoreId,
    /// Its epoch.
    pub epoch: u64,
    /// The baton for the first exchange.
    pub baton: Baton,
    /// The server's clock, in milliseconds since 1970.
    pub now_ms: i64,
    /// The least version of a client that should still be used.
    pub client_min: String,
}

impl Endpoint for Enrol {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/enrol";
    const OPERATION: &'static str = "enrol";
    const TAG: Tag = Tag::Devices;
    const ACCESS: Access = Access::BodyProof;
    const SUMMARY: &'static str = "Let a device in with a one-time code";
    const DESCRIPTION: &'static str = "\
Binds the device's public key to a person and a role. The code comes from the owner, lives for hours and lets in one \
device. Sent again with the same code and key it is answered the same.";
    const PROBLEMS: &'static [Problem] = &[
        Problem::CodeUnknown,
        Problem::CodeUsed,
        Problem::LastOwner,
        Problem::KeyRefused,
        Problem::BadKey,
        Problem::BadSignature,
    ];
    const BODY: BodyForm = BodyForm::Plain { bytes_max: SMALL_BODY_BYTES_MAX };

    type Path = Nothing;
    type Query = Nothing;
    type Body = EnrolRequest;
    type Reply = EnrolReply;

    fn example() -> Example<Self> {
        Example { path: Nothing {}, query: Nothing {}, body: sample::enrol_request(), reply: sample::enrol_reply() }
    }
}
