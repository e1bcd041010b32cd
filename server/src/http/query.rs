//! Path and query of a request as the contract's types.
//!
//! Promises: a path that cannot name anything is not found; a query with an unknown, doubled or malformed parameter is
//! refused with the parameter's name.

use super::json;
use crate::app::Refusal;
use actix_web::HttpRequest;
use actix_web::web::Query;
use pintle_openapi::{Endpoint, Problem};
use serde_json::{Map, Value};

/// The values in the path.
pub(super) fn path<E: Endpoint>(request: &HttpRequest) -> Result<E::Path, Refusal> {
    let values: Map<String, Value> =
        request.match_info().iter().map(|(name, value)| (name.to_owned(), Value::from(value))).collect();
    serde_json::from_value(Value::Object(values)).map_err(|_| Refusal::of(Problem::NotFound))
}

/// The values in the query.
pub(super) fn query<E: Endpoint>(request: &HttpRequest) -> Result<E::Query, Refusal> {
    let pairs = Query::<Vec<(String, String)>>::from_query(request.query_string())
        .map_err(|_| Refusal::of(Problem::MalformedRequest).detail("the query is not of the form name=value&…"))?;
    let mut values = Map::new();
    for (name, value) in pairs.into_inner() {
        if values.contains_key(&name) {
            let refusal = Refusal::of(Problem::MalformedRequest).parameter(name);
            return Err(refusal.detail("the parameter is there more than once"));
        }
        values.insert(name, Value::String(value));
    }
    serde_path_to_error::deserialize(Value::Object(values)).map_err(|error| {
        let name = json::pointer(error.path()).trim_start_matches('/').to_owned();
        let problem = match name.as_str() {
            // "1e9" and "-" are limits too, only not within the limits of a limit.
            "limit" => Problem::OutOfRange,
            _ => json::problem(&error.inner().to_string()),
        };
        Refusal::of(problem).parameter(name).detail(error.inner().to_string())
    })
}
