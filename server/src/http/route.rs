//! From an endpoint type to a route.
//!
//! Promises: each route does the same in the same order: method, allowance, access, path, query, body, use case, reply; every
//! refusal becomes a problem document here and nowhere else. A known path with another method answers 405 with `Allow`.

use super::Front;
use super::frame::RequestTag;
use super::{auth, body, json, query};
use crate::app::gate::Lane;
use crate::app::{App, Caller, Refusal};
use actix_web::http::StatusCode;
use actix_web::http::header::{
    ALLOW, CACHE_CONTROL, CONTENT_DISPOSITION, CONTENT_ENCODING, CONTENT_SECURITY_POLICY, CONTENT_TYPE, ETAG,
    HeaderValue, IF_NONE_MATCH, RETRY_AFTER, WWW_AUTHENTICATE,
};
use actix_web::web::{self, Payload, ServiceConfig};
use actix_web::{HttpMessage as _, HttpRequest, HttpResponse, HttpResponseBuilder, Route, guard};
use pintle_core::Hash;
use pintle_core::history::page::{self, PAGE_MEDIA};
use pintle_openapi::endpoint::Caching;
use pintle_openapi::endpoints::proof::HISTORY_MEDIA;
use pintle_openapi::problem::PROBLEM_MEDIA;
use pintle_openapi::{Access, BodyForm, Endpoint, Method, Problem};
use serde_json::Value;
use std::future::Future;
use std::net::IpAddr;

/// How the server does what an endpoint promises.
pub(super) trait Serve: Endpoint {
    /// Whose allowance it uses up; none for what must be answered however much is asked.
    const LANE: Option<Lane> = Some(match Self::ACCESS {
        Access::DeviceProof => Lane::Sync,
        Access::BodyProof => Lane::Token,
        Access::Token(_) | Access::Public | Access::Link => Lane::Read,
    });

    /// How a browser names the reply where it is kept, and that it opens where it is asked for.
    const KEPT_AS: Option<&'static str> = None;

    /// A look at the JSON before it is read as [`Endpoint::Body`].
    fn glance(_: &Value) -> Result<(), Refusal> {
        Ok(())
    }

    /// The bytes of a reply.
    fn written(reply: &Self::Reply) -> Result<Vec<u8>, Refusal> {
        serde_json::to_vec(reply).map_err(Refusal::internal)
    }

    /// The use case.
    fn serve(app: &App, call: Call<Self>) -> impl Future<Output = Result<Self::Reply, Refusal>>;
}

/// One request, taken apart.
pub(super) struct Call<E: Endpoint> {
    caller: Option<Caller>,
    /// Path values.
    pub(super) path: E::Path,
    /// Query values.
    pub(super) query: E::Query,
    /// Body.
    pub(super) body: E::Body,
    /// The bytes the body was read from.
    pub(super) bytes: Vec<u8>,
    /// The header `Pintle-Proof`.
    pub(super) proof: Option<String>,
    /// Where the request came from.
    pub(super) from: IpAddr,
}

impl<E: Endpoint> Call<E> {
    /// The caller of an endpoint whose access is [`Access::Token`]: its role has the right that is needed.
    pub(super) fn caller(&self) -> Result<&Caller, Refusal> {
        self.caller.as_ref().ok_or_else(|| Refusal::internal("an endpoint without token asks for its caller"))
    }
}

/// Registers an endpoint that has its path for itself.
pub(super) fn serve<E: Serve>(config: &mut ServiceConfig) {
    let other = web::to(|request| other_method(request, allowed(E::METHOD)));
    config.service(web::resource(E::PATH).route(route::<E>()).default_service(other));
}

/// Registers two endpoints of one path: one that reads, one that adds.
pub(super) fn serve_both<Read: Serve, Add: Serve>(config: &mut ServiceConfig) {
    let other = web::to(|request| other_method(request, "GET, HEAD, POST"));
    let both = web::resource(Read::PATH).route(route::<Read>()).route(route::<Add>());
    config.service(both.default_service(other));
}

fn route<E: Serve>() -> Route {
    let methods = match E::METHOD {
        Method::Get => guard::Any(guard::Get()).or(guard::Head()),
        Method::Post => guard::Any(guard::Post()),
    };
    web::route().guard(methods).to(handle::<E>)
}

async fn handle<E: Serve>(
    app: web::Data<App>,
    front: web::Data<Front>,
    request: HttpRequest,
    payload: Payload,
) -> HttpResponse {
    let outcome = async {
        let call = take_apart::<E>(&app, &front, &request, payload).await?;
        E::serve(&app, call).await
    };
    match outcome.await {
        Ok(reply) => replied::<E>(&request, &reply),
        Err(refusal) => refused(&request, &refusal),
    }
}

async fn take_apart<E: Serve>(
    app: &App,
    front: &Front,
    request: &HttpRequest,
    payload: Payload,
) -> Result<Call<E>, Refusal> {
    let from = front.proxies.source(request);
    if let Some(lane) = E::LANE {
        app.gate().address(lane, from)?;
    }
    let caller = match E::ACCESS {
        Access::Token(right) => Some(auth::caller(app, request, right).await?),
        Access::Public | Access::DeviceProof | Access::BodyProof | Access::Link => None,
    };
    let path = query::path::<E>(request)?;
    let query = query::query::<E>(request)?;
    let bytes = body::read(request, payload, E::BODY, front.pace).await?;
    let value = match E::BODY {
        BodyForm::None => Value::Object(serde_json::Map::new()),
        BodyForm::Plain { .. } | BodyForm::Gzip { .. } => json::value(&bytes)?,
        BodyForm::Document { .. } => Value::String(body::text(&bytes)?),
        // Used as they are, and here only so that they pass for the body of the contract.
        BodyForm::Bytes { .. } => Value::String(String::new()),
    };
    E::glance(&value)?;
    let body = json::typed::<E::Body>(&value)?;
    let proof = actix_web::http::header::HeaderName::from_static(pintle_core::exchange::PROOF_HEADER);
    let proof = body::single(request.headers(), proof)?.map(str::to_owned);
    Ok(Call { caller, path, query, body, bytes, proof, from })
}

fn replied<E: Serve>(request: &HttpRequest, reply: &E::Reply) -> HttpResponse {
    let bytes = match E::written(reply) {
        Ok(bytes) => bytes,
        Err(refusal) => return refused(request, &refusal),
    };
    match E::CACHING {
        Caching::Never => {
            let mut response = HttpResponse::Ok();
            response.insert_header((CACHE_CONTROL, "no-store")).content_type(E::REPLY_MEDIA);
            if E::REPLY_MEDIA == HISTORY_MEDIA {
                // A file to keep, compressed already.
                response.insert_header((CONTENT_DISPOSITION, "attachment; filename=\"service-history.gz\""));
                response.insert_header((CONTENT_ENCODING, "identity"));
            }
            if E::REPLY_MEDIA == PAGE_MEDIA {
                // It opens where it is asked for, under its own policy, and has a name where it is kept.
                response.insert_header((CONTENT_DISPOSITION, "inline; filename=\"service-history.html\""));
                response.insert_header((CONTENT_SECURITY_POLICY, page::policy() + "; frame-ancestors 'none'"));
            }
            if let Some(kept_as) = E::KEPT_AS {
                response.insert_header((CONTENT_DISPOSITION, kept_as));
            }
            response.body(bytes)
        }
        Caching::Revalidated => revalidated(request, E::REPLY_MEDIA, bytes),
    }
}

/// A reply with its `ETag`, or 304 if the caller has it. The tag is weak: it names the JSON, whatever its compression.
pub(super) fn revalidated(request: &HttpRequest, media: &'static str, bytes: Vec<u8>) -> HttpResponse {
    let hash = Hash::of(&[&bytes]).to_string();
    let tag = format!("W/\"{}\"", &hash[..22]);
    let asked = request.headers().get_all(IF_NONE_MATCH).filter_map(|value| value.to_str().ok());
    let held = asked.flat_map(|list| list.split(',')).map(str::trim).any(|held| held == "*" || held == tag);
    let mut response = if held { HttpResponse::NotModified() } else { HttpResponse::Ok() };
    response.insert_header((ETAG, tag)).insert_header((CACHE_CONTROL, "private, no-cache"));
    if held { response.finish() } else { response.content_type(media).body(bytes) }
}

/// The problem document of a refusal. What must not leave goes to the log, with the request's id.
pub(super) fn refused(request: &HttpRequest, refusal: &Refusal) -> HttpResponse {
    let tag = request.extensions().get::<RequestTag>().map(|tag| tag.0.clone()).unwrap_or_default();
    if let Some(inside) = &refusal.inside {
        tracing::error!(request = %tag, code = refusal.problem.code(), detail = %inside, "request failed");
    }
    request.extensions_mut().insert(refusal.problem);
    problem_response(refusal, &tag)
}

/// The response that carries a refusal.
pub(super) fn problem_response(refusal: &Refusal, tag: &str) -> HttpResponse {
    let status = StatusCode::from_u16(refusal.problem.status()).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let mut response = HttpResponseBuilder::new(status);
    response.insert_header((CONTENT_TYPE, PROBLEM_MEDIA)).insert_header((CACHE_CONTROL, "no-store"));
    if let Some(seconds) = refusal.retry_after_s {
        response.insert_header((RETRY_AFTER, seconds.to_string()));
    }
    if let Some(scheme) = challenge(refusal.problem) {
        response.insert_header((WWW_AUTHENTICATE, scheme));
    }
    if matches!(refusal.problem, Problem::PayloadTooLarge | Problem::RequestTimeout) {
        // The rest of the body is not wanted.
        response.force_close();
    }
    response.body(serde_json::to_vec(&refusal.document(tag)).unwrap_or_default())
}

/// How to authenticate, for a problem with status 401.
fn challenge(problem: Problem) -> Option<HeaderValue> {
    (problem.status() == 401).then(|| match problem {
        Problem::ProofMissing | Problem::BadProof | Problem::UnknownDevice => HeaderValue::from_static("Pintle-Proof"),
        Problem::TokenMissing => HeaderValue::from_static("Bearer"),
        _ => HeaderValue::from_static("Bearer error=\"invalid_token\""),
    })
}

/// The header `Allow` of a path that has one method.
pub(super) fn allowed(method: Method) -> &'static str {
    match method {
        Method::Get => "GET, HEAD",
        Method::Post => "POST",
    }
}

pub(super) async fn other_method(request: HttpRequest, allow: &'static str) -> HttpResponse {
    let mut response = refused(&request, &Refusal::of(Problem::MethodNotAllowed));
    response.headers_mut().insert(ALLOW, HeaderValue::from_static(allow));
    response
}

pub(super) async fn nothing_here(request: HttpRequest) -> HttpResponse {
    refused(&request, &Refusal::of(Problem::NotFound))
}
