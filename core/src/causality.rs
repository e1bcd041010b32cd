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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::entry::Entry;
    use crate::ids::{DeviceId, Hash};
    use serde_json::json;

    fn held(device: u8, position: u64, seen: u64) -> Held {
        let head = json!({"v": 1, "seq": 1, "seen": seen, "at": "2026-05-04T07:12:33Z", "by": "AQEBAQEBAQEBAQEBAQEBAQ",
            "kind": "note_left"});
        let entry = Entry::from_value(json!({"head": head, "body": {}})).expect("an entry");
        let (link, position) = (Hash([device; 32]), Some(position));
        Held { device: DeviceId([device; 16]), link, position, received_ms: None, off_s: None, aside: None, entry }
    }

    #[test]
    fn a_claim_to_have_seen_what_was_not_there_yet_counts_for_nothing() {
        let (first, liar, last) = (held(1, 4, 0), held(2, 5, (1 << 53) - 1), held(3, 6, 0));
        assert!(knew(&liar, &first), "what was there it may have seen");
        assert!(!knew(&liar, &last) && apart(&liar, &last), "what came after it did not know");
    }
}
