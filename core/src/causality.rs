//! Who had seen what: exact, from numbers, never from clocks.
//!
//! Promises: entry X is *known to* entry Y if X stands before Y on one device, or X's ledger position is at most what
//! Y's device had applied (`seen`), or Y names X's device as carried up to X. A claim to have seen the ledger beyond
//! Y's own position counts only up to there, so that in the ledger no two entries know each other.

use crate::entry::Held;

/// Whether the author of `later` had `earlier` before them.
#[must_use]
pub fn knew(later: &Held, earlier: &Held) -> bool {
    if later.device == earlier.device {
        return earlier.entry.seq() < later.entry.seq();
    }
    let Ok(head) = later.entry.head() else { return false };
    let seen = later.position.map_or(head.seen, |own| head.seen.min(own.saturating_sub(1)));
    earlier.position.is_some_and(|position| position <= seen)
        || head.also_seen.get(&earlier.device).is_some_and(|to| earlier.entry.seq() <= *to)
}

/// Whether neither author had the other's entry before them.
#[must_use]
pub fn apart(a: &Held, b: &Held) -> bool {
    !knew(a, b) && !knew(b, a)
}
