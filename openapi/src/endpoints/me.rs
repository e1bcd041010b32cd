//! `GET /v1/me`: whose token this is.
//!
//! Promises: device, person, role and organisation as they are now, whatever the token was given for.
//! Never another device's or person's.

use super::enrol::OrganisationCard;
use crate::Role;
use crate::endpoint::{Access, Endpoint, Example, Method, Nothing, Tag};
use crate::problem::Problem;
use crate::sample;
use pintle_core::exchange::Person;
use pintle_core::ids::DeviceId;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Says whose token this is.
pub struct Me;

/// The device, person and organisation a token stands for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = Me)]
pub struct MeReply {
    /// The organisation.
    pub organisation: OrganisationCard,
    /// The device.
    pub device: DeviceId,
    /// Its short name.
    pub mark: String,
    /// Whose it is.
    pub person: Person,
    /// What that person may do.
    pub role: Role,
}

impl Endpoint for Me {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/me";
    const OPERATION: &'static str = "me";
    const TAG: Tag = Tag::Devices;
    const ACCESS: Access = Access::Token(Right::Record);
    const SUMMARY: &'static str = "Who this token is";
    const DESCRIPTION: &'static str =
        "The device, person, role and organisation the token stands for, as they are now.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = MeReply;

    fn example() -> Example<Self> {
        let enrolled = sample::enrol_reply();
        let reply = MeReply {
            organisation: enrolled.organisation,
            device: enrolled.device,
            mark: enrolled.mark,
            person: sample::enrol_request().person,
            role: enrolled.role,
        };
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply }
    }
}
