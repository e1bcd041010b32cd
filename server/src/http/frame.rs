//! Around every request: an id, the time it took, one line in the log, security headers, and no answer without form.
//!
//! Promises: a panic in a handler is answered with `internal` and the next request is fine; whatever error the HTTP
//! library makes of its own leaves as a problem document. The log line names method, path, status and code; never
//! headers, queries or bodies.

use super::route::refused;
use crate::ambient::random;
use crate::app::{App, Refusal};
use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::StatusCode;
use actix_web::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderName, HeaderValue, X_CONTENT_TYPE_OPTIONS};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage as _, HttpRequest, web};
use futures_util::FutureExt as _;
use pintle_core::ids::RequestId;
use pintle_openapi::problem::PROBLEM_MEDIA;
use pintle_openapi::{Endpoint as _, Problem, endpoints::documents::Docs};
use std::panic::AssertUnwindSafe;

const REQUEST_HEADER: HeaderName = HeaderName::from_static("pintle-request");
/// The API is data: a browser may do nothing with it.
const POLICY_API: &str = "default-src 'none'; frame-ancestors 'none'";
/// The documentation page runs its own script and styles, and reads this server.
const POLICY_DOCS: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; \
     connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Id of a request, in its answer and in the log.
#[derive(Debug, Clone)]
pub(super) struct RequestTag(pub(super) String);

/// Wraps a service; see the module.
///
/// # Errors
/// Never: what goes wrong inside has become an answer.
pub async fn frame<B: MessageBody + 'static>(
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let app = request.app_data::<web::Data<App>>().cloned();
    let ambient = app.as_ref().map(|app| app.ambient());
    let began_us = ambient.map_or(0, |ambient| ambient.monotonic_us());
    // An id that is not random is still an id: failing here would hide what the request would have answered.
    let tag = ambient.and_then(|ambient| random(ambient).ok()).map(RequestId).unwrap_or(RequestId([0; 16])).to_string();
    request.extensions_mut().insert(RequestTag(tag.clone()));
    let http = request.request().clone();

    let mut response = match AssertUnwindSafe(next.call(request)).catch_unwind().await {
        Ok(Ok(response)) => formed(&http, response.map_into_boxed_body()),
        Ok(Err(error)) => {
            answer(&http, status_problem(error.as_response_error().status_code()), Some(&error.to_string()))
        }
        Err(panic) => answer(&http, Problem::Internal, Some(&format!("a handler panicked: {}", told(&*panic)))),
    };

    let docs = http.path().starts_with(Docs::PATH);
    let headers = response.headers_mut();
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(CONTENT_SECURITY_POLICY, HeaderValue::from_static(if docs { POLICY_DOCS } else { POLICY_API }));
    headers.insert(HeaderName::from_static("referrer-policy"), HeaderValue::from_static("no-referrer"));
    if let Ok(value) = HeaderValue::from_str(&tag) {
        headers.insert(REQUEST_HEADER, value);
    }
    let took_us = ambient.map_or(0, |ambient| ambient.monotonic_us()).saturating_sub(began_us);
    log(&http, &tag, response.status(), took_us);
    Ok(response)
}

/// An answer that is an error without the form of one gets it.
fn formed(http: &HttpRequest, response: ServiceResponse<BoxBody>) -> ServiceResponse<BoxBody> {
    let status = response.status();
    let is_problem = response.headers().get(CONTENT_TYPE).is_some_and(|media| media == PROBLEM_MEDIA);
    if status.as_u16() < 400 || is_problem {
        return response;
    }
    answer(http, status_problem(status), None)
}

fn answer(http: &HttpRequest, problem: Problem, inside: Option<&str>) -> ServiceResponse<BoxBody> {
    let refusal = Refusal { inside: inside.map(str::to_owned), ..Refusal::of(problem) };
    ServiceResponse::new(http.clone(), refused(http, &refusal))
}

/// The problem for a status the HTTP library chose by itself.
fn status_problem(status: StatusCode) -> Problem {
    match status.as_u16() {
        404 => Problem::NotFound,
        405 => Problem::MethodNotAllowed,
        406 => Problem::NotAcceptable,
        408 => Problem::RequestTimeout,
        413 => Problem::PayloadTooLarge,
        415 => Problem::UnsupportedMediaType,
        400..500 => Problem::BadHeader,
        _ => Problem::Internal,
    }
}

fn told(panic: &(dyn std::any::Any + Send)) -> &str {
    panic.downcast_ref::<String>().map(String::as_str).or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("?")
}

fn log(http: &HttpRequest, tag: &str, status: StatusCode, took_us: u64) {
    let route = http.match_pattern().unwrap_or_else(|| "(none)".to_owned());
    let code = http.extensions().get::<Problem>().map(|problem| problem.code());
    tracing::info!(request = tag, method = %http.method(), route, status = status.as_u16(), code, took_us, "answered");
}
