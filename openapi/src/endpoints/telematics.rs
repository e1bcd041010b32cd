//! `POST /v1/telematics`: readings that machines' own transmitters took, as entries that a device may record.
//!
//! Promises: one document in the ISO 15143-3 form, JSON or XML, gives for each of its machines what became of it and the
//! entries to record. Nothing is stored: an entry is made and signed by a device, in its own log. The same document again
//! gives the same proposals until they are recorded, and none after.

use crate::endpoint::{Access, BodyForm, Endpoint, Example, Method, Nothing, Tag};
use crate::problem::Problem;
use crate::sample;
use pintle_core::limits::TELEMATICS_BYTES_MAX;
use pintle_core::permission::Right;
use pintle_core::telematics::Judged;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use utoipa::openapi::schema::ObjectBuilder;
use utoipa::openapi::{RefOr, Schema};
use utoipa::{PartialSchema, ToSchema};

/// Takes telematics readings.
pub struct Telematics;

/// A document in the ISO 15143-3 form, as it came.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct TelematicsDocument(pub String);

// By hand: the document is sent as it is, not as a text in JSON.
impl PartialSchema for TelematicsDocument {
    fn schema() -> RefOr<Schema> {
        let text = "A page of a fleet in the ISO 15143-3 form: `Equipment` with `EquipmentHeader`, \
                    `CumulativeOperatingHours`, `Distance` and so on; fields it does not need are passed over.";
        ObjectBuilder::new().description(Some(text)).into()
    }
}

impl ToSchema for TelematicsDocument {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("TelematicsDocument")
    }
}

/// What became of a telematics document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TelematicsReply {
    /// Each machine the document tells of, in its order.
    pub machines: Vec<Judged>,
}

impl Endpoint for Telematics {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/telematics";
    const OPERATION: &'static str = "telematics";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "Telematics readings, as entries to record";
    const DESCRIPTION: &'static str = "\
Takes a document in the ISO 15143-3 form and finds its machines by serial number, else by product identification number. \
The reply proposes the entries that a device of the office records and syncs; nothing is stored here, because every entry \
is made and sealed by a device. A reading that is recorded already is not proposed again.";
    const PROBLEMS: &'static [Problem] = &[Problem::MalformedDocument];
    const BODY: BodyForm = BodyForm::Document { bytes_max: TELEMATICS_BYTES_MAX };

    type Path = Nothing;
    type Query = Nothing;
    type Body = TelematicsDocument;
    type Reply = TelematicsReply;

    fn example() -> Example<Self> {
        let (document, reply) = sample::telematics();
        Example { path: Nothing {}, query: Nothing {}, body: TelematicsDocument(document), reply }
    }
}
