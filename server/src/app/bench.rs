//! The cards for the small repair.
//!
//! Promises: core's cards; what cannot be reckoned is refused with the name of the parameter and how it is written.
//! Never anything of an organisation.

use super::Refusal;
use pintle_core::Fault;
use pintle_core::bench::card::{self, BearingCard, Card, GreaseCard, GunCard, ThreadCard};
use pintle_core::bench::drill::Set;
use pintle_openapi::Problem;
use pintle_openapi::endpoints::bench::{BearingQuery, BenchCard, GreaseQuery, GunQuery, ThreadQuery};

/// Sets of drills if the caller names none.
const SETS_DEFAULT: &str = "metric,inch";

/// The card of a thread.
///
/// # Errors
/// `out-of-range` with the parameter.
pub fn thread(query: &ThreadQuery) -> Result<BenchCard<ThreadCard>, Refusal> {
    let sets: Vec<String> =
        query.sets.as_deref().unwrap_or(SETS_DEFAULT).split(',').map(|set| set.trim().to_lowercase()).collect();
    // Each set once, and all three of inches together: more are the same again.
    if sets.len() > Set::ALL.len() + 1 {
        let detail = format!("at most {} sets", Set::ALL.len() + 1);
        return Err(Refusal::of(Problem::OutOfRange).parameter("sets").detail(detail));
    }
    given(card::thread(&query.thread, query.off_centre.unwrap_or_default(), &sets))
}

/// The card of a grease.
///
/// # Errors
/// `out-of-range` with the parameter.
pub fn grease(query: &GreaseQuery) -> Result<BenchCard<GreaseCard>, Refusal> {
    given(card::grease(&query.grease))
}

/// The card of a gun.
///
/// # Errors
/// `out-of-range` with the parameter.
pub fn gun(query: &GunQuery) -> Result<BenchCard<GunCard>, Refusal> {
    given(card::gun(query.before, query.after, query.strokes, query.need))
}

/// The card of a bearing.
///
/// # Errors
/// `out-of-range` with the parameter.
pub fn bearing(query: &BearingQuery) -> Result<BenchCard<BearingCard>, Refusal> {
    given(card::bearing(query.outer, query.width, query.stroke))
}

fn given<T>(card: Result<Card<T>, Fault>) -> Result<BenchCard<T>, Refusal> {
    card.map(BenchCard).map_err(|fault| {
        let parameter = fault.pointer.trim_start_matches('/').to_owned();
        Refusal::from(fault).without_pointer().parameter(parameter)
    })
}
