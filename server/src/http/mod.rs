//! From HTTP to a use case and back.
//!
//! Promises: a handler takes its input apart, calls one use case and maps the answer. What all share is a wrapper:
//! limits and parsing in `body` and `json`, tokens in `auth`, ids, timing, panics and headers in `frame`.

mod auth;
pub mod body;
mod docs;
mod frame;
mod handlers;
mod handlers_billing;
mod json;
mod query;
mod route;
pub mod source;

use crate::app::App;
use actix_web::web::{self, ServiceConfig};
use body::BodyPace;
pub use frame::frame;
use pintle_openapi::endpoints as e;
use source::Proxies;

/// What stands before every use case: whom to believe, and how slow a body may come.
#[derive(Debug, Clone, Default)]
pub struct Front {
    /// The proxies in front of the server.
    pub proxies: Proxies,
    /// How slow a body may come.
    pub pace: BodyPace,
}

/// Registers every endpoint of the contract on a service that wraps itself in [`frame()`].
pub fn configure(config: &mut ServiceConfig, app: web::Data<App>, front: web::Data<Front>) {
    config.app_data(app).app_data(front);
    route::serve::<e::sync::Sync>(config);
    route::serve::<e::enrol::Enrol>(config);
    route::serve::<e::follow::Follow>(config);
    route::serve::<e::token::Token>(config);
    route::serve::<e::me::Me>(config);
    route::serve::<e::machines::Machines>(config);
    route::serve::<e::machines::Machine>(config);
    route::serve::<e::entries::MachineEntries>(config);
    route::serve::<e::book::MachineBook>(config);
    route::serve::<e::due::DueOfMachine>(config);
    route::serve::<e::handover::MachineHandover>(config);
    route::serve::<e::upkeep::MachineHands>(config);
    route::serve::<e::upkeep::MachineKeeping>(config);
    route::serve::<e::upkeep::MachineRecords>(config);
    route::serve::<e::upkeep::Rules>(config);
    route::serve::<e::due::Due>(config);
    route::serve::<e::clashes::Clashes>(config);
    route::serve::<e::findings::Findings>(config);
    route::serve::<e::telematics::Telematics>(config);
    route::serve::<e::bench::BenchThread>(config);
    route::serve::<e::bench::BenchGrease>(config);
    route::serve::<e::bench::BenchGun>(config);
    route::serve::<e::bench::BenchBearing>(config);
    route::serve_both::<e::files::FileStanding, e::files::BringFile>(config);
    route::serve::<e::files::FileContent>(config);
    route::serve::<e::aside::Aside>(config);
    route::serve::<e::devices::Devices>(config);
    route::serve::<e::devices::ChangeDevice>(config);
    route::serve::<e::devices::RevokeDevice>(config);
    route::serve_both::<e::codes::Codes, e::codes::MakeCode>(config);
    route::serve::<e::codes::CancelCode>(config);
    route::serve_both::<e::shares::Shares, e::shares::MakeShare>(config);
    route::serve::<e::shares::EndShare>(config);
    route::serve::<e::proof::Checkpoint>(config);
    route::serve::<e::proof::InclusionProof>(config);
    route::serve::<e::proof::ConsistencyProof>(config);
    route::serve::<e::proof::MachineHistory>(config);
    route::serve::<e::proof::MachineHistoryPage>(config);
    route::serve::<e::printed::MachineHistoryPdf>(config);
    route::serve_both::<e::bills::OfficeBook, e::bills::WriteOffice>(config);
    route::serve::<e::bills::AssignJob>(config);
    route::serve::<e::bills::Proposal>(config);
    route::serve_both::<e::bills::Drafts, e::bills::MakeDrafts>(config);
    route::serve::<e::bills::IssuedBills>(config);
    route::serve::<e::notices::Notices>(config);
    route::serve::<e::bills::Bill>(config);
    route::serve::<e::bills::DropDraft>(config);
    route::serve::<e::bills::IssueDraft>(config);
    route::serve::<e::bills::BillUbl>(config);
    route::serve::<e::bills::BillCsv>(config);
    route::serve::<e::bills::BillXlsx>(config);
    route::serve::<e::bills::BillPdf>(config);
    route::serve::<e::shares::SharedMachine>(config);
    route::serve::<e::shares::SharedEntries>(config);
    route::serve::<e::proof::SharedHistory>(config);
    route::serve::<e::proof::SharedHistoryPage>(config);
    route::serve::<e::printed::SharedHistoryPdf>(config);
    route::serve::<e::health::Healthz>(config);
    route::serve::<e::health::Readyz>(config);
    route::serve::<e::documents::Jwks>(config);
    route::serve::<e::documents::OpenApiJson>(config);
    docs::serve(config);
    config.default_service(web::to(route::nothing_here));
}
