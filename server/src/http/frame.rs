//! Around every request: an id, the time it took, one line in the log, security headers, and no answer without form.
//!
//! Promises: a panic in a handler is answered with `internal` and the next request is fine; whatever error the HTTP
//! library makes of its own leaves as a problem document. The log line names method, path, status and code; never
//! headers, queries or bodies.

use super::route::{problem_response, refused};
use crate::ambient::random;
use crate::app::{App, Refusal};
use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::StatusCode;
use actix_web::http::header::{
    CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue, STRICT_TRANSPORT_SECURITY,
    X_CONTENT_TYPE_OPTIONS,
};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage as _, HttpResponse, ResponseError, web};
use futures_util::FutureExt as _;
use pintle_core::ids::RequestId;
use pintle_openapi::problem::PROBLEM_MEDIA;
use pintle_openapi::{Endpoint as _, Problem, endpoints::documents::Docs};
use std::panic::AssertUnwindSafe;

const REQUEST_HEADER: HeaderName = HeaderName::from_static("pintle-request");
/// The API is data: a browser may do nothing with it.
const POLICY_API: &str = "default-src 'none'; frame-ancestors 'none'";
/// A browser that has been here once over TLS comes over TLS only, for a year (RFC 6797).
const HTTPS_ONLY: &str = "max-age=31536000";
/// The documentation page runs its own script and styles, and reads this server.
const POLICY_DOCS: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; \
     connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Id of a request, in its answer and in the log.
#[derive(Debug, Clone)]
pub(super) struct RequestTag(pub(super) String);

/// Wraps a service; see the module.
///
/// # Errors
/// [`Formless`] where the service gave no response at all: a problem document without anything about the request.
pub async fn frame<B: MessageBody + 'static>(
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let app = request.app_data::<web::Data<App>>().cloned();
    let ambient = app.as_ref().map(|app| app.ambient());
    let began_us = ambient.map_or(0, |ambient| ambient.monotonic_us());
    // An id that is not random is still an id: failing here would hide what the request would have answered.
    let tag = ambient.and_then(|ambient| random(ambient).ok()).map_or(RequestId([0; 16]), RequestId).to_string();
    request.extensions_mut().insert(RequestTag(tag.clone()));
    let https_only = request.app_config().secure().then_some(HTTPS_ONLY);
    let docs = request.path().starts_with(Docs::PATH);

    // The request must not be held beside the call: the router needs it alone.
    let mut response = match AssertUnwindSafe(next.call(request)).catch_unwind().await {
        Ok(Ok(response)) => formed(response.map_into_boxed_body()),
        Ok(Err(error)) => {
            let problem = status_problem(error.as_response_error().status_code());
            return Err(Formless::told(problem, tag, https_only, &error.to_string()).into());
        }
        Err(panic) => return Err(Formless::told(Problem::Internal, tag, https_only, told(&*panic)).into()),
    };
    dress(response.headers_mut(), &tag, if docs { POLICY_DOCS } else { POLICY_API }, https_only);
    let took_us = ambient.map_or(0, |ambient| ambient.monotonic_us()).saturating_sub(began_us);
    log(&response, &tag, took_us);
    Ok(response)
}

fn dress(headers: &mut HeaderMap, tag: &str, policy: &'static str, https_only: Option<&'static str>) {
    if let Some(value) = https_only {
        headers.insert(STRICT_TRANSPORT_SECURITY, HeaderValue::from_static(value));
    }
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    // A page that comes with a policy of its own, which allows less than that of the documentation, keeps it.
    if !headers.contains_key(CONTENT_SECURITY_POLICY) {
        headers.insert(CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    }
    headers.insert(HeaderName::from_static("referrer-policy"), HeaderValue::from_static("no-referrer"));
    if let Ok(value) = HeaderValue::from_str(tag) {
        headers.insert(REQUEST_HEADER, value);
    }
}

/// A failure that left no response behind.
#[derive(Debug)]
struct Formless {
    problem: Problem,
    tag: String,
    https_only: Option<&'static str>,
}

impl Formless {
    fn told(problem: Problem, tag: String, https_only: Option<&'static str>, inside: &str) -> Self {
        tracing::error!(request = %tag, code = problem.code(), detail = %inside, "request failed without a response");
        Self { problem, tag, https_only }
    }
}

impl std::fmt::Display for Formless {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.problem.code())
    }
}

impl ResponseError for Formless {
    fn status_code(&self) -> StatusCode {
        StatusCode::from_u16(self.problem.status()).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }

    fn error_response(&self) -> HttpResponse<BoxBody> {
        let mut response = problem_response(&Refusal::of(self.problem), &self.tag);
        dress(response.headers_mut(), &self.tag, POLICY_API, self.https_only);
        response
    }
}

/// An answer that is an error without the form of one gets it.
fn formed(response: ServiceResponse<BoxBody>) -> ServiceResponse<BoxBody> {
    let status = response.status();
    let is_problem = response.headers().get(CONTENT_TYPE).is_some_and(|media| media == PROBLEM_MEDIA);
    if status.as_u16() < 400 || is_problem {
        return response;
    }
    let refusal = Refusal::of(status_problem(status));
    let refused = refused(response.request(), &refusal);
    response.into_response(refused)
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

fn log(response: &ServiceResponse<BoxBody>, tag: &str, took_us: u64) {
    let http = response.request();
    let route = http.match_pattern().unwrap_or_else(|| "(none)".to_owned());
    let code = http.extensions().get::<Problem>().map(|problem| problem.code());
    let status = response.status().as_u16();
    tracing::info!(request = tag, method = %http.method(), route, status, code, took_us, "answered");
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::App;
    use actix_web::middleware::from_fn;
    use actix_web::test::{TestRequest, call_service, init_service, read_body, try_call_service};
    use pintle_openapi::ProblemDocument;

    #[actix_web::test]
    async fn a_panic_is_answered_and_the_next_request_is_fine() {
        let boom = web::to(|| async {
            let nothing: Option<HttpResponse> = std::hint::black_box(None);
            nothing.expect("a secret of the inside")
        });
        let fine = web::to(HttpResponse::Ok);
        let service = init_service(App::new().route("/boom", boom).route("/fine", fine).wrap(from_fn(frame))).await;
        for _ in 0..3 {
            let error = try_call_service(&service, TestRequest::with_uri("/boom").to_request()).await;
            let response = error.expect_err("no response was made").error_response();
            assert_eq!(response.status(), 500);
            assert_eq!(
                response.headers().get(X_CONTENT_TYPE_OPTIONS).map(HeaderValue::as_bytes),
                Some(&b"nosniff"[..])
            );
            let body = actix_web::body::to_bytes(response.into_body()).await.expect("a body");
            let document = ProblemDocument::read(&body).expect("a problem document");
            assert_eq!(document.problem(), Some(Problem::Internal));
            assert!(!String::from_utf8_lossy(&body).contains("secret"));
            let response = call_service(&service, TestRequest::with_uri("/fine").to_request()).await;
            assert_eq!(response.status(), 200);
        }
    }

    /// What a library answers by itself, in plain text, is given the form of a problem document.
    #[actix_web::test]
    async fn an_error_without_form_gets_one() {
        let plain = web::to(|status: web::Path<u16>| async move {
            HttpResponse::build(StatusCode::from_u16(*status).expect("a status")).body("inside: /etc/passwd")
        });
        let service = init_service(App::new().route("/{status}", plain).wrap(from_fn(frame))).await;
        for (status, problem) in [
            (400, Problem::BadHeader),
            (404, Problem::NotFound),
            (405, Problem::MethodNotAllowed),
            (406, Problem::NotAcceptable),
            (408, Problem::RequestTimeout),
            (413, Problem::PayloadTooLarge),
            (415, Problem::UnsupportedMediaType),
            (500, Problem::Internal),
            (502, Problem::Internal),
        ] {
            let request = TestRequest::with_uri(&format!("/{status}")).to_request();
            let response = call_service(&service, request).await;
            assert_eq!(response.status(), problem.status());
            let body = read_body(response).await;
            assert_eq!(ProblemDocument::read(&body).and_then(|document| document.problem()), Some(problem));
        }
    }
}
