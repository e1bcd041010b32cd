//! `POST /v1/sync`: one exchange. The types are the protocol's own, see [`pintle_core::exchange`].
//!
//! Promises: status 200 whenever the request as a whole could be judged, with an outcome for each part of it.

use crate::endpoint::{
    Access, BodyForm, Endpoint, Example, Method, Nothing, SYNC_BODY_BYTES_MAX, SYNC_INFLATED_BYTES_MAX, Tag,
};
use crate::problem::Problem;
use crate::sample;
use pintle_core::exchange::{SyncReply, SyncRequest};

/// One exchange between a device and the server.
pub struct Sync;

impl Endpoint for Sync {
    const METHOD: Method = Method::Post;
    const PATH: &'static str = "/v1/sync";
    const OPERATION: &'static str = "sync";
    const TAG: Tag = Tag::Sync;
    const ACCESS: Access = Access::DeviceProof;
    const SUMMARY: &'static str = "Push own entries and pull what is new, in one exchange";
    const DESCRIPTION: &'static str = "\
The device says where its log ends, pushes a run of its entries with a seal over them, and asks for a page of the \
ledger after its cursor. Each part is answered on its own, with status 200: a push that is set aside or has a gap never \
hides the page that was pulled.

The same bytes may be sent again at any time: what the ledger holds already is answered `already_held` with the places \
it has. Nothing a person recorded is refused for good; an entry that breaks a rule is taken and set aside with a code.

The header `Pintle-Proof` carries the device's Ed25519 signature, in base64url without padding, over the line \
`pintle/sync/1` (with its newline) followed by the SHA-256 of the JSON before compression. The body may be sent with \
`Content-Encoding: gzip`.";
    const PROBLEMS: &'static [Problem] =
        &[Problem::MalformedEntry, Problem::ChainMismatch, Problem::UnsupportedProtocol, Problem::Busy];
    const BODY: BodyForm =
        BodyForm::Gzip { bytes_max: SYNC_BODY_BYTES_MAX, inflated_bytes_max: SYNC_INFLATED_BYTES_MAX };

    type Path = Nothing;
    type Query = Nothing;
    type Body = SyncRequest;
    type Reply = SyncReply;

    fn example() -> Example<Self> {
        Example { path: Nothing {}, query: Nothing {}, body: sample::sync_request(), reply: sample::sync_reply() }
    }
}
