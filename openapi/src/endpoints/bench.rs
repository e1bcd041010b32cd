//! `GET /v1/bench/…`: the cards for the small repair: threads, drills, grease, amounts.
//!
//! Promises: core's cards, the same as `pintle bench` gives offline; arithmetic on published tables alone.
//! Never anything of an organisation, so that no token is needed; never a card without its cautions.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::list::number;
use crate::problem::Problem;
use crate::sample;
use pintle_core::bench::card::{BearingCard, Card, GreaseCard, GunCard, ThreadCard};
use pintle_core::decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use utoipa::openapi::schema::{ArrayBuilder, ObjectBuilder, Type};
use utoipa::openapi::{Ref, RefOr, Schema};
use utoipa::{IntoParams, PartialSchema, ToSchema};

/// The card of a thread.
pub struct BenchThread;
/// The card of a grease.
pub struct BenchGrease;
/// The card of a grease gun.
pub struct BenchGun;
/// The card of a rolling bearing.
pub struct BenchBearing;

/// A card with what to mind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct BenchCard<T>(pub Card<T>);

// By hand, because the derived schema of a generic type has one name for all its types.
impl<T: ToSchema> PartialSchema for BenchCard<T> {
    fn schema() -> RefOr<Schema> {
        let text = |description: &str| {
            ObjectBuilder::new().schema_type(Type::String).description(Some(description.to_owned())).build()
        };
        ObjectBuilder::new()
            .description(Some("A card with what to mind."))
            .property("card", Ref::from_schema_name(T::name()))
            .required("card")
            .property("cautions", ArrayBuilder::new().items(text("What to mind.")))
            .required("cautions")
            .property("rule", text("What comes before all cards."))
            .required("rule")
            .into()
    }
}

impl<T: ToSchema> ToSchema for BenchCard<T> {
    fn name() -> Cow<'static, str> {
        Cow::Owned(format!("Bench{}", T::name()))
    }

    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        schemas.push((T::name().into_owned(), T::schema()));
        T::schemas(schemas);
    }
}

/// Query of a thread's card.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ThreadQuery {
    /// The thread: `M10x1`, `M8`, `1/4-28`, `1/8 NPT`.
    pub thread: String,
    /// How far the hole in the broken stub is off its middle, in mm; 0 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false, value_type = String)]
    pub off_centre: Option<Decimal>,
    /// The drills there are, with commas between: `metric`, `inch`, `fractional`, `number`, `letter`; `metric,inch` if
    /// absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub sets: Option<String>,
}

/// Query of a grease's card.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct GreaseQuery {
    /// A designation as it stands on the cartridge (`KP2K-20`, `ISO-L-XBCHB 2`), or a worked penetration: `280`.
    pub grease: String,
}

/// Query of a gun's card.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct GunQuery {
    /// Grams before.
    #[param(value_type = String)]
    pub before: Decimal,
    /// Grams after.
    #[param(value_type = String)]
    pub after: Decimal,
    /// Strokes between.
    #[serde(deserialize_with = "number")]
    #[param(minimum = 1, maximum = 1000)]
    pub strokes: i64,
    /// Grams that a joint needs: tells the strokes for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false, value_type = String)]
    pub need: Option<Decimal>,
}

/// Query of a bearing's card.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct BearingQuery {
    /// Outer diameter, in mm.
    #[param(value_type = String)]
    pub outer: Decimal,
    /// Width, in mm.
    #[param(value_type = String)]
    pub width: Decimal,
    /// Grams a stroke of the gun: tells the strokes too.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false, value_type = String)]
    pub stroke: Option<Decimal>,
}

macro_rules! card {
    ($endpoint:ident, $path:literal, $operation:literal, $summary:literal, $description:literal,
     $query:ty, $card:ty, $example:path) => {
        impl Endpoint for $endpoint {
            const METHOD: Method = Method::Get;
            const PATH: &'static str = $path;
            const OPERATION: &'static str = $operation;
            const TAG: Tag = Tag::Bench;
            const ACCESS: Access = Access::Public;
            const SUMMARY: &'static str = $summary;
            const DESCRIPTION: &'static str = $description;
            const PROBLEMS: &'static [Problem] = &[];
            const CACHING: Caching = Caching::Revalidated;

            type Path = Nothing;
            type Query = $query;
            type Body = Nothing;
            type Reply = BenchCard<$card>;

            fn example() -> Example<Self> {
                let (query, card) = $example();
                Example { path: Nothing {}, query, body: Nothing {}, reply: BenchCard(card) }
            }
        }
    };
}

card!(
    BenchThread,
    "/v1/bench/thread",
    "benchThread",
    "A thread: which drill stays clear of it, which one before tapping",
    "For drilling out a fitting that broke off: the largest drill of each set that stays clear of the internal thread, also \
     when the hole is off the middle of the stub. Arithmetic on published thread forms; cautions go with it.",
    ThreadQuery,
    ThreadCard,
    sample::bench_thread
);
card!(
    BenchGrease,
    "/v1/bench/grease",
    "benchGrease",
    "What the designation of a grease says",
    "By DIN 51825, ISO 6743-9 or NLGI; or the NLGI grade of a worked penetration.",
    GreaseQuery,
    GreaseCard,
    sample::bench_grease
);
card!(
    BenchGun,
    "/v1/bench/gun",
    "benchGun",
    "What a grease gun gives a stroke",
    "By weighing it before and after some strokes; and the strokes for an amount.",
    GunQuery,
    GunCard,
    sample::bench_gun
);
card!(
    BenchBearing,
    "/v1/bench/bearing",
    "benchBearing",
    "Grease for a rolling bearing, by its size",
    "0.005 × outer diameter × width, in grams; the maker's amount comes first.",
    BearingQuery,
    BearingCard,
    sample::bench_bearing
);
