//! The OpenAPI 3.1 document, generated from the endpoint types.
//!
//! Promises: [`document`] gives the same text every time; each operation has summary, description, an example of
//! request and reply, all its problem codes by status, and its security.

use crate::endpoint::{Access, BodyForm, Caching, Endpoint, Method, Tag, problems};
use crate::endpoints::files::BYTES_MEDIA;
use crate::endpoints::notices::BillNotice;
use crate::endpoints::{Visit, visit_all};
use crate::problem::{PROBLEM_MEDIA, Problem, ProblemDocument};
use pintle_core::permission::{Right, Role};
use serde_json::Value;
use std::collections::BTreeMap;
use utoipa::openapi::header::{Header, HeaderBuilder};
use utoipa::openapi::path::{HttpMethod, OperationBuilder, Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::request_body::RequestBodyBuilder;
use utoipa::openapi::schema::{AllOfBuilder, Components, ObjectBuilder, Type};
use utoipa::openapi::security::{ApiKey, ApiKeyValue, Http, HttpAuthScheme, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{
    ComponentsBuilder, ContentBuilder, Info, InfoBuilder, LicenseBuilder, OpenApi, OpenApiBuilder, OpenApiVersion,
    PathItem, Paths, Ref, RefOr, Required, Response, ResponseBuilder, Schema, tag::TagBuilder,
};
use utoipa::{IntoParams as _, PartialSchema, ToSchema};

/// The document as text: pretty JSON with a newline at the end.
#[must_use]
pub fn document_text() -> String {
    // `OpenApi` holds texts, numbers and maps with text keys only: it always serialises.
    let mut text = document().to_pretty_json().unwrap_or_default();
    text.push('\n');
    text
}

/// The document.
#[must_use]
pub fn document() -> OpenApi {
    let mut all = Collected { schemas: BTreeMap::new(), paths: Paths::new() };
    all.schema::<ProblemDocument>();
    all.schema::<BillNotice>();
    visit_all(&mut all);
    let tags = Tag::ALL.map(|tag| TagBuilder::new().name(tag.as_str()).description(Some(tag.description())).build());
    OpenApiBuilder::new()
        .openapi(OpenApiVersion::Version31)
        .info(info())
        .tags(Some(tags))
        .paths(all.paths)
        .components(Some(components(all.schemas)))
        .build()
}

fn info() -> Info {
    InfoBuilder::new()
        .title("Pintle")
        .version(env!("CARGO_PKG_VERSION"))
        .description(Some(
            "A log of what was done to machines, kept by crews who work where there is no signal. Devices record \
             offline; their logs come together by `POST /v1/sync`; the rest of this service reads.\n\n\
             Binary values are base64url without padding. Instants of the server are whole milliseconds since 1970. \
             Every refusal is a problem document (RFC 9457) with a stable code.",
        ))
        .license(Some(LicenseBuilder::new().name("Apache-2.0").identifier(Some("Apache-2.0")).build()))
        .build()
}

fn components(schemas: BTreeMap<String, RefOr<Schema>>) -> Components {
    let mut bearer = Http::new(HttpAuthScheme::Bearer);
    bearer.bearer_format = Some("JWT".to_owned());
    bearer.description = Some("An access token from POST /v1/token.".to_owned());
    let proof = ApiKeyValue::with_description(
        "Pintle-Proof",
        "The device's Ed25519 signature over `pintle/sync/1`, a newline and the SHA-256 of the JSON body.",
    );
    ComponentsBuilder::new()
        .schemas_from_iter(schemas)
        .security_scheme("token", SecurityScheme::Http(bearer))
        .security_scheme("proof", SecurityScheme::ApiKey(ApiKey::Header(proof)))
        .build()
}

struct Collected {
    schemas: BTreeMap<String, RefOr<Schema>>,
    paths: Paths,
}

impl Collected {
    /// Adds a schema and all it refers to; gives the reference to it.
    fn schema<T: ToSchema>(&mut self) -> Ref {
        let mut found = vec![(T::name().into_owned(), T::schema())];
        T::schemas(&mut found);
        self.schemas.extend(found);
        Ref::from_schema_name(T::name())
    }

    fn reply<E: Endpoint>(&mut self, example: E::Reply) -> Response {
        let example = serde_json::to_value(&example).ok();
        let content = if E::REPLY_MEDIA == "application/json" {
            ContentBuilder::new().schema(Some(self.schema::<E::Reply>())).example(example).build()
        } else {
            ContentBuilder::new().schema(Some(String::schema())).example(example).build()
        };
        let mut reply = ResponseBuilder::new().description("As asked.").content(E::REPLY_MEDIA, content);
        reply = reply.header("Pintle-Request", text_header("Id of the request in the server's log."));
        if E::CACHING == Caching::Revalidated {
            reply = reply.header("ETag", text_header("Changes whenever the reply would."));
        }
        reply.build()
    }

    fn refusals<E: Endpoint>(&mut self) -> Vec<(u16, Response)> {
        let mut by_status: BTreeMap<u16, Vec<Problem>> = BTreeMap::new();
        for problem in problems::<E>() {
            by_status.entry(problem.status()).or_default().push(problem);
        }
        by_status.into_iter().map(|(status, problems)| (status, refusal(status, &problems))).collect()
    }
}

impl Visit for Collected {
    fn endpoint<E: Endpoint>(&mut self) {
        let example = E::example();
        let mut operation = OperationBuilder::new()
            .tag(E::TAG.as_str())
            .operation_id(Some(E::OPERATION))
            .summary(Some(E::SUMMARY))
            .description(Some(description::<E>()));
        for parameter in parameters::<E>(&example.path, &example.query) {
            operation = operation.parameter(parameter);
        }
        if E::BODY != BodyForm::None {
            let mut example = serde_json::to_value(&example.body).ok();
            let mut body =
                RequestBodyBuilder::new().description(Some(body_description(E::BODY))).required(Some(Required::True));
            if let (BodyForm::Document { .. }, Some(Value::String(text))) = (E::BODY, &example) {
                example = serde_json::from_str(text).ok();
                body = body.content("application/xml", ContentBuilder::new().schema(Some(String::schema())).build());
            }
            let body = match E::BODY {
                BodyForm::Bytes { .. } => {
                    body.content(BYTES_MEDIA, ContentBuilder::new().schema(Some(String::schema())).build())
                }
                _ => {
                    let content = ContentBuilder::new().schema(Some(self.schema::<E::Body>())).example(example).build();
                    body.content("application/json", content)
                }
            };
            operation = operation.request_body(Some(body.build()));
        }
        operation = operation.response("200", self.reply::<E>(example.reply));
        if E::CACHING == Caching::Revalidated {
            operation = operation.response("304", Response::new("Nothing has changed since If-None-Match."));
        }
        for (status, response) in self.refusals::<E>() {
            operation = operation.response(status.to_string(), response);
        }
        operation = match E::ACCESS {
            Access::Public | Access::BodyProof | Access::Link => operation.securities(Some(Vec::new())),
            Access::DeviceProof => operation.security(SecurityRequirement::new("proof", Vec::<String>::new())),
            Access::Token(_) => operation.security(SecurityRequirement::new("token", Vec::<String>::new())),
        };
        let method = match E::METHOD {
            Method::Get => HttpMethod::Get,
            Method::Post => HttpMethod::Post,
        };
        let item = PathItem::new(method, operation.build());
        match self.paths.paths.get_mut(E::PATH) {
            Some(present) => present.merge_operations(item),
            None => {
                self.paths.paths.insert(E::PATH.to_owned(), item);
            }
        }
    }
}

/// What it does, and who may.
fn description<E: Endpoint>() -> String {
    match E::ACCESS {
        Access::Token(right) => format!("{}\n\nFor: {}.", E::DESCRIPTION, parties(right)),
        _ => E::DESCRIPTION.to_owned(),
    }
}

fn parties(right: Right) -> String {
    let names: Vec<_> = Role::ALL.into_iter().filter(|role| role.may(right)).map(Role::as_str).collect();
    names.join(", ")
}

fn parameters<E: Endpoint>(path: &E::Path, query: &E::Query) -> Vec<Parameter> {
    let examples = [serde_json::to_value(path), serde_json::to_value(query)].map(Result::unwrap_or_default);
    let lists =
        [(ParameterIn::Path, E::Path::into_params(|| None)), (ParameterIn::Query, E::Query::into_params(|| None))];
    let mut all: Vec<Parameter> = Vec::new();
    for ((place, list), examples) in lists.into_iter().zip(examples) {
        for parameter in list {
            let example = examples.get(&parameter.name).cloned();
            all.push(ParameterBuilder::from(parameter).parameter_in(place.clone()).example(example).build());
        }
    }
    if E::CACHING == Caching::Revalidated {
        let etag = ParameterBuilder::new()
            .name("If-None-Match")
            .parameter_in(ParameterIn::Header)
            .required(Required::False)
            .description(Some("The ETag of the reply at hand; unchanged, it is answered with 304 and no body."))
            .schema(Some(String::schema()));
        all.push(etag.build());
    }
    all
}

fn body_description(form: BodyForm) -> String {
    match form {
        BodyForm::None => String::new(),
        BodyForm::Document { bytes_max } => format!("JSON or XML, at most {} KiB.", bytes_max / 1024),
        BodyForm::Bytes { bytes_max } => format!("The bytes of the chunk, at most {} KiB.", bytes_max / 1024),
        BodyForm::Plain { bytes_max } => format!("JSON, at most {} KiB.", bytes_max / 1024),
        BodyForm::Gzip { bytes_max, inflated_bytes_max } => format!(
            "JSON, as it is or with `Content-Encoding: gzip`: at most {} KiB as sent, {} KiB once inflated.",
            bytes_max / 1024,
            inflated_bytes_max / 1024
        ),
    }
}

fn text_header(description: &str) -> Header {
    HeaderBuilder::new().schema(Some(String::schema())).description(Some(description)).build()
}

/// The response for one status: the problem document, narrowed to the codes that have this status here.
fn refusal(status: u16, problems: &[Problem]) -> Response {
    let codes =
        ObjectBuilder::new().schema_type(Type::String).enum_values(Some(problems.iter().map(|problem| problem.code())));
    let narrowed = ObjectBuilder::new().property("code", codes);
    let schema = AllOfBuilder::new().item(Ref::from_schema_name(ProblemDocument::name())).item(narrowed);
    let lines: Vec<String> = problems.iter().map(|p| format!("- `{}`: {}", p.code(), p.title())).collect();
    let mut content = ContentBuilder::new().schema(Some(Schema::AllOf(schema.build())));
    if let Some(first) = problems.first() {
        content = content.example(serde_json::to_value(ProblemDocument::new(*first, "BwcHBwcHBwcHBwcHBwcHBw")).ok());
    }
    let mut response = ResponseBuilder::new().description(lines.join("\n")).content(PROBLEM_MEDIA, content.build());
    match status {
        401 => response = response.header("WWW-Authenticate", text_header("How to authenticate.")),
        405 => response = response.header("Allow", text_header("The methods this address takes.")),
        429 | 503 => response = response.header("Retry-After", text_header("Seconds to wait.")),
        _ => {}
    }
    response.build()
}
