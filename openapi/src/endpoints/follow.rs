//! `POST /v1/follow`: a device goes on under a new key, for which its old one vouches.
//!
//! Promises: no code is needed and nobody need be asked, for nobody new gets in: person and role stay. It is written
//! down, so that the office sees it. Sent again, it is answered the same.

use super::enrol::EnrolReply;
use crate::endpoint::{Access, BodyForm, Endpoint, Example, Method, Nothing, SMALL_BODY_BYTES_MAX, Tag};
use crate::problem::Problem;
use crate::sample;
use pintle_core::ids::{DeviceId, OrganisationId, PublicKey, Signature};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Lets a device go on under a new key.
pub struct Follow;

/// A device that would go on under a new key.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FollowRequest {
    /// The organisation the old device is enrolled in.
    pub organisation: OrganisationId,
    /// The old device.
    pub device: DeviceId,
    /// The new public key.
    pub key: PublicKey,
    /// Whether the old device ends: its key will not be used any more. False where a copy of it goes on.
    pub ends: bool,
    /// Signature of the old key over `pintle/follow/1`, a newline, organisation, old device and new key as bytes.
    pub old_proof: Signature,
    /// Signature of the new key over the same text.
    pub proof: Signature,
}

impl Endpoint for Follow {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/follow";
    const OPERATION: &'static str = "follow";
    const TAG: Tag = Tag::Devices;
    const ACCESS: Access = Access::BodyProof;
    const SUMMARY: &'static str = "Go on under a new key";
    const DESCRIPTION: &'static str = "For a device whose key is to be changed, or that finds a copy of itself in use: \
         it makes a new key, both keys sign, and it goes on as a new device of the same person and role with a new, \
         empty log. The old one ends with it if `ends` says so; else both are valid until the office revokes one.";
    const PROBLEMS: &'static [Problem] =
        &[Problem::BadKey, Problem::BadSignature, Problem::UnknownDevice, Problem::KeyRefused];
    const BODY: BodyForm = BodyForm::Plain { bytes_max: SMALL_BODY_BYTES_MAX };

    type Path = Nothing;
    type Query = Nothing;
    type Body = FollowRequest;
    type Reply = EnrolReply;

    fn example() -> Example<Self> {
        let (body, reply) = sample::follow();
        Example { path: Nothing {}, query: Nothing {}, body, reply }
    }
}
