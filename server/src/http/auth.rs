//! Who is calling: takes the token out of the request.
//!
//! Promises: one `Authorization` header, scheme `Bearer` in any case; a token in the query is ignored.

use super::body::single;
use crate::app::{App, Caller, Refusal};
use actix_web::HttpRequest;
use actix_web::http::header::AUTHORIZATION;
use pintle_core::permission::Right;
use pintle_openapi::Problem;

/// The caller behind the request's token, if its role has this right.
pub(super) async fn caller(app: &App, request: &HttpRequest, right: Right) -> Result<Caller, Refusal> {
    let header = single(request.headers(), AUTHORIZATION)?.ok_or_else(|| Refusal::of(Problem::TokenMissing))?;
    let (scheme, token) = header.split_once(' ').unwrap_or((header, ""));
    if !scheme.eq_ignore_ascii_case("bearer") || token.is_empty() {
        return Err(Refusal::of(Problem::TokenMissing).parameter("Authorization"));
    }
    let caller = app.caller(token).await?;
    if caller.device.role.may(right) { Ok(caller) } else { Err(Refusal::of(Problem::Forbidden)) }
}
