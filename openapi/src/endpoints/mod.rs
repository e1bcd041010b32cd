//! The endpoints, one type each.
//!
//! Promises: [`visit_all`] passes every one of them, once; what is not passed there is neither served nor documented.

pub mod aside;
pub mod bench;
pub mod bills;
pub mod book;
pub mod clashes;
pub mod codes;
pub mod devices;
pub mod documents;
pub mod due;
pub mod enrol;
pub mod entries;
pub mod files;
pub mod findings;
pub mod follow;
pub mod handover;
pub mod health;
pub mod machines;
pub mod me;
pub mod notices;
pub mod printed;
pub mod proof;
pub mod shares;
pub mod sync;
pub mod telematics;
pub mod token;
pub mod upkeep;

use crate::endpoint::Endpoint;

/// Something that is done for each endpoint type.
pub trait Visit {
    /// One endpoint.
    fn endpoint<E: Endpoint>(&mut self);
}

/// Passes every endpoint to `visit`, in the order of the documentation.
pub fn visit_all(visit: &mut impl Visit) {
    visit.endpoint::<sync::Sync>();
    visit.endpoint::<enrol::Enrol>();
    visit.endpoint::<follow::Follow>();
    visit.endpoint::<token::Token>();
    visit.endpoint::<me::Me>();
    visit.endpoint::<machines::Machines>();
    visit.endpoint::<machines::Machine>();
    visit.endpoint::<entries::MachineEntries>();
    visit.endpoint::<book::MachineBook>();
    visit.endpoint::<due::DueOfMachine>();
    visit.endpoint::<handover::MachineHandover>();
    visit.endpoint::<upkeep::MachineHands>();
    visit.endpoint::<upkeep::MachineKeeping>();
    visit.endpoint::<upkeep::MachineRecords>();
    visit.endpoint::<upkeep::Rules>();
    visit.endpoint::<due::Due>();
    visit.endpoint::<clashes::Clashes>();
    visit.endpoint::<findings::Findings>();
    visit.endpoint::<telematics::Telematics>();
    visit.endpoint::<bench::BenchThread>();
    visit.endpoint::<bench::BenchGrease>();
    visit.endpoint::<bench::BenchGun>();
    visit.endpoint::<bench::BenchBearing>();
    visit.endpoint::<files::FileStanding>();
    visit.endpoint::<files::BringFile>();
    visit.endpoint::<files::FileContent>();
    visit.endpoint::<aside::Aside>();
    visit.endpoint::<devices::Devices>();
    visit.endpoint::<devices::ChangeDevice>();
    visit.endpoint::<devices::RevokeDevice>();
    visit.endpoint::<codes::Codes>();
    visit.endpoint::<codes::MakeCode>();
    visit.endpoint::<codes::CancelCode>();
    visit.endpoint::<shares::Shares>();
    visit.endpoint::<shares::MakeShare>();
    visit.endpoint::<shares::EndShare>();
    visit.endpoint::<proof::Checkpoint>();
    visit.endpoint::<proof::InclusionProof>();
    visit.endpoint::<proof::ConsistencyProof>();
    visit.endpoint::<proof::MachineHistory>();
    visit.endpoint::<proof::MachineHistoryPage>();
    visit.endpoint::<printed::MachineHistoryPdf>();
    visit.endpoint::<bills::OfficeBook>();
    visit.endpoint::<bills::WriteOffice>();
    visit.endpoint::<bills::AssignJob>();
    visit.endpoint::<bills::Proposal>();
    visit.endpoint::<bills::Drafts>();
    visit.endpoint::<bills::MakeDrafts>();
    visit.endpoint::<bills::IssuedBills>();
    visit.endpoint::<notices::Notices>();
    visit.endpoint::<bills::Bill>();
    visit.endpoint::<bills::DropDraft>();
    visit.endpoint::<bills::IssueDraft>();
    visit.endpoint::<bills::BillUbl>();
    visit.endpoint::<bills::BillCsv>();
    visit.endpoint::<bills::BillXlsx>();
    visit.endpoint::<bills::BillPdf>();
    visit.endpoint::<shares::SharedMachine>();
    visit.endpoint::<shares::SharedEntries>();
    visit.endpoint::<proof::SharedHistory>();
    visit.endpoint::<proof::SharedHistoryPage>();
    visit.endpoint::<printed::SharedHistoryPdf>();
    visit.endpoint::<health::Healthz>();
    visit.endpoint::<health::Readyz>();
    visit.endpoint::<documents::Jwks>();
    visit.endpoint::<documents::OpenApiJson>();
    visit.endpoint::<documents::Docs>();
}
