//! What each endpoint does: one use case each.
//!
//! Promises: a handler is one call; what comes before and after it is the same for all, in `route`.
//! Never a decision, a status or a header here.

use super::route::{Call, Serve};
use crate::app::gate::Lane;
use crate::app::{App, Refusal, bench};
use pintle_core::exchange::{PROTOCOL, Pulled, SyncReply};
use pintle_openapi::endpoints as e;
use pintle_openapi::{List, Problem};
use serde_json::Value;

/// How a printed service history is named.
const HISTORY_PDF: &str = "inline; filename=\"service-history.pdf\"";

impl Serve for e::sync::Sync {
    /// Another protocol may have other fields: its number is looked at first.
    fn glance(request: &Value) -> Result<(), Refusal> {
        match request.get("protocol").and_then(Value::as_u64) {
            Some(number) if number != u64::from(PROTOCOL) => {
                Err(Refusal::of(Problem::UnsupportedProtocol).pointer("/protocol"))
            }
            _ => Ok(()),
        }
    }

    async fn serve(app: &App, call: Call<Self>) -> Result<SyncReply, Refusal> {
        app.sync(call.body, &call.bytes, call.proof.as_deref()).await
    }
}

impl Serve for e::enrol::Enrol {
    const LANE: Option<Lane> = Some(Lane::Enrol);

    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.enrol(call.body, call.from).await
    }
}

impl Serve for e::follow::Follow {
    const LANE: Option<Lane> = Some(Lane::Enrol);

    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.follow(call.body).await
    }
}

impl Serve for e::token::Token {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.token(call.body).await
    }
}

impl Serve for e::me::Me {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.me(call.caller()?).await
    }
}

impl Serve for e::machines::Machines {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.machines(call.caller()?, &call.query).await
    }
}

impl Serve for e::machines::Machine {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.machine(call.caller()?, call.path.machine).await
    }
}

impl Serve for e::entries::MachineEntries {
    async fn serve(app: &App, call: Call<Self>) -> Result<List<Pulled>, Refusal> {
        app.entries(call.caller()?, call.path.machine, &call.query).await
    }
}

impl Serve for e::book::MachineBook {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.book(call.caller()?, call.path.machine).await
    }
}

impl Serve for e::due::Due {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.due(call.caller()?, &call.query).await
    }
}

impl Serve for e::due::DueOfMachine {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.due_of(call.caller()?, call.path.machine, &call.query).await
    }
}

impl Serve for e::handover::MachineHandover {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.handover(call.caller()?, call.path.machine, &call.query).await
    }
}

impl Serve for e::upkeep::MachineHands {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.hands(call.caller()?, call.path.machine).await
    }
}

impl Serve for e::upkeep::MachineKeeping {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.keeping(call.caller()?, call.path.machine, &call.query).await
    }
}

impl Serve for e::upkeep::MachineRecords {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.records(call.caller()?, call.path.machine, &call.query).await
    }
}

impl Serve for e::upkeep::Rules {
    async fn serve(app: &App, _: Call<Self>) -> Result<Self::Reply, Refusal> {
        Ok(app.rules())
    }
}

impl Serve for e::telematics::Telematics {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.telematics(call.caller()?, &call.body.0).await
    }
}

impl Serve for e::bench::BenchThread {
    async fn serve(_: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        bench::thread(&call.query)
    }
}

impl Serve for e::bench::BenchGrease {
    async fn serve(_: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        bench::grease(&call.query)
    }
}

impl Serve for e::bench::BenchGun {
    async fn serve(_: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        bench::gun(&call.query)
    }
}

impl Serve for e::bench::BenchBearing {
    async fn serve(_: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        bench::bearing(&call.query)
    }
}

impl Serve for e::clashes::Clashes {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.clashes(call.caller()?, &call.query).await
    }
}

impl Serve for e::findings::Findings {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.findings(call.caller()?, &call.query).await
    }
}

impl Serve for e::aside::Aside {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.asides(call.caller()?, &call.query).await
    }
}

impl Serve for e::devices::Devices {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.devices(call.caller()?, &call.query).await
    }
}

impl Serve for e::devices::ChangeDevice {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.device_change(call.caller()?, call.path.device, call.body.clone()).await
    }
}

impl Serve for e::devices::RevokeDevice {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.device_revoke(call.caller()?, call.path.device).await
    }
}

impl Serve for e::codes::Codes {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.codes(call.caller()?).await
    }
}

impl Serve for e::codes::MakeCode {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.code_make(call.caller()?, call.body.clone()).await
    }
}

impl Serve for e::codes::CancelCode {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.code_cancel(call.caller()?, call.path.code).await
    }
}

impl Serve for e::shares::Shares {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.shares(call.caller()?).await
    }
}

impl Serve for e::shares::MakeShare {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.share_make(call.caller()?, call.body.clone()).await
    }
}

impl Serve for e::shares::EndShare {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.share_end(call.caller()?, call.path.share).await
    }
}

impl Serve for e::shares::SharedMachine {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.shared_machine(&call.path.link).await
    }
}

impl Serve for e::shares::SharedEntries {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.shared_entries(&call.path.link, &call.query).await
    }
}

impl Serve for e::health::Healthz {
    const LANE: Option<Lane> = None;

    async fn serve(_: &App, _: Call<Self>) -> Result<Self::Reply, Refusal> {
        Ok(e::health::Health::ok())
    }
}

impl Serve for e::health::Readyz {
    async fn serve(app: &App, _: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.ready().await.map(|()| e::health::Health::ok())
    }
}

impl Serve for e::documents::Jwks {
    async fn serve(app: &App, _: Call<Self>) -> Result<Self::Reply, Refusal> {
        Ok(app.jwks())
    }
}

impl Serve for e::documents::OpenApiJson {
    async fn serve(_: &App, _: Call<Self>) -> Result<Self::Reply, Refusal> {
        let document = serde_json::to_value(pintle_openapi::spec::document()).map_err(Refusal::internal)?;
        Ok(e::documents::OpenApiDocument(document))
    }
}

impl Serve for e::proof::Checkpoint {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.checkpoint(call.caller()?).await
    }
}

impl Serve for e::proof::InclusionProof {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.inclusion(call.caller()?, &call.query).await
    }
}

impl Serve for e::proof::ConsistencyProof {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.consistency(call.caller()?, &call.query).await
    }
}

impl Serve for e::proof::MachineHistory {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.history(call.caller()?, call.path.machine, &call.query).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone())
    }
}

impl Serve for e::proof::SharedHistory {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.shared_history(&call.path.link).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone())
    }
}

impl Serve for e::proof::MachineHistoryPage {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.history_page(call.caller()?, call.path.machine, &call.query).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone().into_bytes())
    }
}

impl Serve for e::proof::SharedHistoryPage {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.shared_history_page(&call.path.link).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone().into_bytes())
    }
}

impl Serve for e::printed::MachineHistoryPdf {
    const KEPT_AS: Option<&'static str> = Some(HISTORY_PDF);

    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.history_pdf(call.caller()?, call.path.machine, &call.query).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone())
    }
}

impl Serve for e::printed::SharedHistoryPdf {
    const KEPT_AS: Option<&'static str> = Some(HISTORY_PDF);

    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.shared_history_pdf(&call.path.link, &call.query).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone())
    }
}

impl Serve for e::files::FileStanding {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.file_standing(call.caller()?, &call.path).await
    }
}

impl Serve for e::files::BringFile {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bring_file(call.caller()?, &call.path, call.query.offset, call.bytes.clone()).await
    }
}

impl Serve for e::files::FileContent {
    const KEPT_AS: Option<&'static str> = Some("attachment");

    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.file_content(call.caller()?, &call.path).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone())
    }
}
