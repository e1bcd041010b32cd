//! What the service publishes about itself: keys, this contract, and the page that shows it.
//!
//! Promises: public, and the same for everyone; a caller may keep them and ask again by their tag.
//! Never a private key, and nothing that names an organisation or a device.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::problem::Problem;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The keys that access tokens are signed with (RFC 7517).
pub struct Jwks;
/// This contract as OpenAPI 3.1.
pub struct OpenApiJson;
/// The contract as a page.
pub struct Docs;

/// A set of public keys.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = Jwks)]
pub struct JwkSet {
    /// The keys.
    pub keys: Vec<Jwk>,
}

/// A public key of the OKP kind (RFC 8037).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Jwk {
    /// `OKP`.
    pub kty: String,
    /// `Ed25519`.
    pub crv: String,
    /// `EdDSA`.
    pub alg: String,
    /// `sig`.
    #[serde(rename = "use")]
    pub usage: String,
    /// Names the key in a token's header.
    pub kid: String,
    /// The public key in base64url.
    pub x: String,
}

/// An OpenAPI document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(value_type = Object)]
pub struct OpenApiDocument(pub serde_json::Value);

/// A page in HTML.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct HtmlPage(pub String);

impl Endpoint for Jwks {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/.well-known/jwks.json";
    const OPERATION: &'static str = "jwks";
    const TAG: Tag = Tag::Service;
    const ACCESS: Access = Access::Public;
    const SUMMARY: &'static str = "Public keys of access tokens";
    const DESCRIPTION: &'static str = "A JSON Web Key Set. These keys sign access tokens and nothing else.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = JwkSet;

    fn example() -> Example<Self> {
        let key = Jwk {
            kty: "OKP".into(),
            crv: "Ed25519".into(),
            alg: "EdDSA".into(),
            usage: "sig".into(),
            kid: "xw1vO5H2d9E".into(),
            x: "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo".into(),
        };
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply: JwkSet { keys: vec![key] } }
    }
}

impl Endpoint for OpenApiJson {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/openapi.json";
    const OPERATION: &'static str = "openapi";
    const TAG: Tag = Tag::Service;
    const ACCESS: Access = Access::Public;
    const SUMMARY: &'static str = "This contract as OpenAPI 3.1";
    const DESCRIPTION: &'static str = "Generated from the same types the service is made of.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = OpenApiDocument;

    fn example() -> Example<Self> {
        let reply =
            OpenApiDocument(serde_json::json!({"openapi": "3.1.0", "info": {"title": "Pintle", "version": "0.1.0"}}));
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply }
    }
}

impl Endpoint for Docs {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/docs/";
    const OPERATION: &'static str = "docs";
    const TAG: Tag = Tag::Service;
    const ACCESS: Access = Access::Public;
    const SUMMARY: &'static str = "This contract as a page";
    const DESCRIPTION: &'static str = "The documentation for a browser. It loads nothing from other servers.";
    const PROBLEMS: &'static [Problem] = &[];
    const REPLY_MEDIA: &'static str = "text/html";
    const CACHING: Caching = Caching::Revalidated;

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = HtmlPage;

    fn example() -> Example<Self> {
        let reply = HtmlPage("<!doctype html><title>Pintle</title>".to_owned());
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply }
    }
}
