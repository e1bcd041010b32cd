//! Lists in pages: each page says where the next one begins.
//!
//! Promises: pages are cut by key, never by count, so that what is added while someone reads neither repeats nor
//! hides an item. A cursor belongs to its list and filter; it is opaque and authenticated by the server.

use pintle_core::moment::Moment;
use pintle_core::{Fault, MachineId};
use serde::de::{self, DeserializeOwned, Deserializer};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use utoipa::openapi::schema::{ArrayBuilder, ObjectBuilder, SchemaType, Type};
use utoipa::openapi::{Ref, RefOr, Schema};
use utoipa::{IntoParams, PartialSchema, ToSchema};

/// Items of a page if the caller does not say.
pub const PAGE_ITEMS_DEFAULT: usize = 50;
/// Most items of a page: about 100 KB of the largest items.
pub const PAGE_ITEMS_MAX: usize = 200;

/// One page of a list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(bound = "T: Serialize + DeserializeOwned")]
pub struct List<T> {
    /// The items.
    pub items: Vec<T>,
    /// Cursor of the next page; null at the end.
    pub next: Option<String>,
}

// By hand, because the derived schema of a generic type has one name for all its types.
impl<T: ToSchema> PartialSchema for List<T> {
    fn schema() -> RefOr<Schema> {
        let next = ObjectBuilder::new()
            .schema_type(SchemaType::from_iter([Type::String, Type::Null]))
            .description(Some("Cursor of the next page; null at the end."));
        ObjectBuilder::new()
            .description(Some("One page of a list."))
            .property("items", ArrayBuilder::new().items(Ref::from_schema_name(T::name())))
            .required("items")
            .property("next", next)
            .required("next")
            .into()
    }
}

impl<T: ToSchema> ToSchema for List<T> {
    fn name() -> Cow<'static, str> {
        Cow::Owned(format!("{}List", T::name()))
    }

    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        schemas.push((T::name().into_owned(), T::schema()));
        T::schemas(schemas);
    }
}

/// The part of a query that asks for a page.
pub trait Paged {
    /// Where the page begins.
    fn after(&self) -> Option<&str>;
    /// How many items are wanted.
    fn limit(&self) -> Option<i64>;
}

/// Query of a list.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PageQuery {
    /// `next` of the page before; absent for the first page.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub after: Option<String>,
    /// Items wanted, 1 to 200; 50 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "whole")]
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
}

/// Query of a list that can be narrowed to one machine.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct MachinePageQuery {
    /// Only what is about this machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub machine: Option<MachineId>,
    /// `next` of the page before; absent for the first page.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub after: Option<String>,
    /// Items wanted, 1 to 200; 50 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "whole")]
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
}

impl Paged for PageQuery {
    fn after(&self) -> Option<&str> {
        self.after.as_deref()
    }
    fn limit(&self) -> Option<i64> {
        self.limit
    }
}

impl Paged for MachinePageQuery {
    fn after(&self) -> Option<&str> {
        self.after.as_deref()
    }
    fn limit(&self) -> Option<i64> {
        self.limit
    }
}

/// A whole number, from a number or from the text a query holds.
pub(crate) fn whole<'de, D: Deserializer<'de>>(d: D) -> Result<Option<i64>, D::Error> {
    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Form {
        Number(i64),
        Text(String),
    }
    match Form::deserialize(d)? {
        Form::Number(number) => Ok(Some(number)),
        Form::Text(text) => text.parse().map(Some).map_err(|_| de::Error::custom("expected a whole number")),
    }
}

/// A whole number that must be there, from a number or from the text a query holds.
pub(crate) fn number<'de, D: Deserializer<'de>>(d: D) -> Result<i64, D::Error> {
    // What reads gives a number: none is given only for what is absent.
    whole(d).map(Option::unwrap_or_default)
}

/// A moment, from the text a query holds.
pub(crate) fn moment<'de, D: Deserializer<'de>>(d: D) -> Result<Option<Moment>, D::Error> {
    // A plus sign that was not percent-encoded arrives as a space; no time has one.
    let text = String::deserialize(d)?.replace(' ', "+");
    text.parse().map(Some).map_err(|fault: Fault| de::Error::custom(fault.detail))
}

/// The path of everything about one machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Path)]
pub struct MachinePath {
    /// The machine.
    pub machine: MachineId,
}
