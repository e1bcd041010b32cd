//! What each endpoint of billing does: one use case each.
//!
//! Promises: as in `handlers`: a handler is one call.
//! Never a decision, a status or a header here.

use super::route::{Call, Serve};
use crate::app::{App, Refusal};
use pintle_openapi::endpoints::bills as b;
use pintle_openapi::endpoints::notices::Notices;

impl Serve for b::OfficeBook {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.office_book(call.caller()?, &call.query).await
    }
}

impl Serve for b::WriteOffice {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.office_write(call.caller()?, &call.body).await
    }
}

impl Serve for b::AssignJob {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.job_assign(call.caller()?, &call.body).await
    }
}

impl Serve for b::Proposal {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill_proposal(call.caller()?, &call.query).await
    }
}

impl Serve for b::Drafts {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill_drafts(call.caller()?).await
    }
}

impl Serve for b::MakeDrafts {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill_draft(call.caller()?, &call.body).await
    }
}

impl Serve for b::IssuedBills {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bills_issued(call.caller()?, &call.query).await
    }
}

impl Serve for Notices {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.notices(call.caller()?, &call.query).await
    }
}

impl Serve for b::Bill {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill(call.caller()?, call.path.bill).await
    }
}

impl Serve for b::DropDraft {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill_drop(call.caller()?, call.path.bill).await
    }
}

impl Serve for b::IssueDraft {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill_issue(call.caller()?, call.path.bill, &call.body).await
    }
}

impl Serve for b::BillUbl {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill_ubl(call.caller()?, call.path.bill).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone().into_bytes())
    }
}

impl Serve for b::BillCsv {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill_csv(call.caller()?, call.path.bill).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone().into_bytes())
    }
}

impl Serve for b::BillXlsx {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill_xlsx(call.caller()?, call.path.bill).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone())
    }
}

impl Serve for b::BillPdf {
    async fn serve(app: &App, call: Call<Self>) -> Result<Self::Reply, Refusal> {
        app.bill_pdf(call.caller()?, call.path.bill, &call.query).await
    }

    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        Ok(reply.0.clone())
    }
}
