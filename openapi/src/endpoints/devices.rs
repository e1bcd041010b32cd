//! `GET /v1/devices` and what is done about one: how each device stands, another short name or role, and its end.
//!
//! Promises: everything that is changed is written down in the ledger with the name of who did it. Asked for twice, it
//! is done once. Never a key's secret part: the server has none.

use crate::Role;
use crate::endpoint::{Access, BodyForm, Endpoint, Example, Method, Nothing, SMALL_BODY_BYTES_MAX, Tag};
use crate::list::{List, PageQuery};
use crate::problem::Problem;
use crate::sample;
use pintle_core::ids::{DeviceId, PersonId};
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Lists the devices.
pub struct Devices;
/// Gives a device another short name or role.
pub struct ChangeDevice;
/// Revokes a device.
pub struct RevokeDevice;

/// How a device stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = Device)]
pub struct DeviceReport {
    /// The device.
    pub id: DeviceId,
    /// Its short name: `K7` in `K7-412`.
    pub mark: String,
    /// Its person.
    pub person: PersonId,
    /// What its person is called.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub person_name: Option<String>,
    /// What its person may do.
    pub role: Role,
    /// Whether it has been revoked.
    pub revoked: bool,
    /// Entries of its log that the server holds.
    pub entries: u64,
    /// When it was let in, in milliseconds since 1970.
    pub enrolled_ms: i64,
    /// When it last exchanged something.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub last_ms: Option<i64>,
}

/// The path of a device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Path)]
pub struct DevicePath {
    /// The device.
    pub device: DeviceId,
}

/// What is to change.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DeviceChangeRequest {
    /// A new short name: two to four capital letters or digits that no device has or had.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false, pattern = "^[A-Z0-9]{2,4}$")]
    pub mark: Option<String>,
    /// A new role; for the owner to give.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub role: Option<Role>,
}

const SMALL: BodyForm = BodyForm::Plain { bytes_max: SMALL_BODY_BYTES_MAX };

impl Endpoint for Devices {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/devices";
    const OPERATION: &'static str = "devices";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::ReadDevices);
    const SUMMARY: &'static str = "How each device stands";
    const DESCRIPTION: &'static str = "In order of their short names, revoked ones too.";
    const PROBLEMS: &'static [Problem] = &[];

    type Path = Nothing;
    type Query = PageQuery;
    type Body = Nothing;
    type Reply = List<DeviceReport>;

    fn example() -> Example<Self> {
        let query = PageQuery { after: None, limit: Some(50) };
        let reply = List { items: sample::device_reports(), next: None };
        Example { path: Nothing {}, query, body: Nothing {}, reply }
    }
}

impl Endpoint for ChangeDevice {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/devices/{device}/change";
    const OPERATION: &'static str = "changeDevice";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::ManageCrew);
    const SUMMARY: &'static str = "Give a device another short name or role";
    const DESCRIPTION: &'static str = "A short name that a device had once is never given to another, so that `K7-412` \
         means the same entry for ever. Roles are changed by the owner, and so are devices of office and owner.";
    const PROBLEMS: &'static [Problem] = &[Problem::MarkTaken, Problem::LastOwner];
    const BODY: BodyForm = SMALL;

    type Path = DevicePath;
    type Query = Nothing;
    type Body = DeviceChangeRequest;
    type Reply = DeviceReport;

    fn example() -> Example<Self> {
        let reply = sample::device_report(1);
        let body = DeviceChangeRequest { mark: Some(reply.mark.clone()), role: None };
        Example { path: DevicePath { device: reply.id }, query: Nothing {}, body, reply }
    }
}

impl Endpoint for RevokeDevice {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/devices/{device}/revoke";
    const OPERATION: &'static str = "revokeDevice";
    const TAG: Tag = Tag::Office;
    const ACCESS: Access = Access::Token(Right::ManageCrew);
    const SUMMARY: &'static str = "Revoke a device";
    const DESCRIPTION: &'static str = "It reads no more from this moment, and what it pushes is set aside for the \
         office to judge. Nothing on the device is deleted. A new code with a new key lets its person in again.";
    const PROBLEMS: &'static [Problem] = &[Problem::LastOwner];
    const BODY: BodyForm = SMALL;

    type Path = DevicePath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = DeviceReport;

    fn example() -> Example<Self> {
        let reply = DeviceReport { revoked: true, ..sample::device_report(1) };
        Example { path: DevicePath { device: reply.id }, query: Nothing {}, body: Nothing {}, reply }
    }
}
