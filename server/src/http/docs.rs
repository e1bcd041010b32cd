//! The documentation page: the contract in a browser, from files inside the program.
//!
//! Promises: nothing is loaded from another server, and nothing is sent to one.

use super::route::{allowed, nothing_here, other_method, revalidated};
use actix_web::http::header::{CONTENT_ENCODING, HeaderValue, LOCATION};
use actix_web::web::{self, ServiceConfig};
use actix_web::{HttpRequest, HttpResponse, guard};
use pintle_openapi::endpoints::documents::Docs;
use pintle_openapi::{Endpoint as _, Method};
use std::sync::Arc;
use utoipa_swagger_ui::Config;

pub(super) fn serve(config: &mut ServiceConfig) {
    let page: Arc<Config<'static>> =
        Arc::new(Config::from("/openapi.json").validator_url("none").use_base_layout().doc_expansion("list"));
    let get = || guard::Any(guard::Get()).or(guard::Head());
    let file = web::route().guard(get()).to(move |request, tail| file(request, tail, page.clone()));
    let files = web::resource(format!("{}{{tail:.*}}", Docs::PATH));
    config.service(files.route(file).default_service(web::to(|r| other_method(r, allowed(Method::Get)))));
    let bare = web::route()
        .guard(get())
        .to(|| async { HttpResponse::PermanentRedirect().insert_header((LOCATION, Docs::PATH)).finish() });
    let without_slash = web::resource(Docs::PATH.trim_end_matches('/'));
    config.service(without_slash.route(bare).default_service(web::to(|r| other_method(r, allowed(Method::Get)))));
}

async fn file(request: HttpRequest, tail: web::Path<String>, page: Arc<Config<'static>>) -> HttpResponse {
    let Ok(Some(file)) = utoipa_swagger_ui::serve(&tail, page) else { return nothing_here(request).await };
    let media: &'static str = match tail.rsplit('.').next() {
        Some("css") => "text/css; charset=utf-8",
        Some("js") => "text/javascript; charset=utf-8",
        Some("png") => "image/png",
        Some("map" | "json") => "application/json",
        _ => "text/html; charset=utf-8",
    };
    let mut response = revalidated(&request, media, file.bytes.to_vec());
    if file.gzpipped {
        response.headers_mut().insert(CONTENT_ENCODING, HeaderValue::from_static("gzip"));
    }
    response
}
