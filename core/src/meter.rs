//! Meters: which readings can be true together, and how far a machine has run in its life.
//!
//! Promises: readings are fixed point; a meter change or rollover never makes history jump. Of readings that cannot
//! all be true the largest set that can is believed, so one slip never poisons what follows; the rest are doubtful:
//! kept and shown, not computed with. Ties keep what was read first.
//!
//! Two readings can both be true if the later one is not smaller and, for hours, the machine did not run more than
//! the time that passed between them, with grace for the meter's own steps: 0.1 h, or 1 h between two whole numbers, which
//! a meter without tenths shows. Time is that between two instants, so a
//! local day of 25 hours holds 25. A tach hour is kept apart from a clock hour by its kind: with 2,200 rpm rated and
//! 1,650 on average an hour of the clock shows 0.75.

use crate::decimal::{self, Decimal};
use crate::entry::EntryRef;
use crate::fact::MeterKind;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Grace for the steps of an hour meter that shows tenths, in thousandths of an hour.
const GRACE_MILLI: i64 = 100;
/// The same for one that shows whole hours.
const GRACE_WHOLE_MILLI: i64 = 1000;

/// Least full scale of a meter, in thousandths: none has fewer than three digits before the point.
const FULL_SCALE_MIN_MILLI: i64 = 1_000_000;

/// One reading as it was claimed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown {
    /// The entry.
    pub entry: EntryRef,
    /// When, in seconds since 1970.
    pub second: i64,
    /// What the meter showed.
    pub reading: Decimal,
    /// What to add for meters before this one, in thousandths.
    pub carried_milli: i64,
}

impl Shown {
    /// What the machine had run in its life, in thousandths.
    #[must_use]
    pub fn life_milli(&self) -> i64 {
        self.carried_milli + self.reading.milli
    }
}

/// Whether two readings, in order of time, can both be true.
#[must_use]
pub fn can_both_be_true(kind: MeterKind, earlier: &Shown, later: &Shown) -> bool {
    let run = later.life_milli() - earlier.life_milli();
    // A thousandth of an hour is 3.6 seconds; both sides are counted in tenths of a second.
    let passed = (later.second - earlier.second).saturating_mul(10);
    run >= 0 && (!kind.counts_time() || (run - grace_milli(earlier, later)).saturating_mul(36) <= passed)
}

/// What two readings may be apart more than the time between them: the step of the meter, as far as they show it.
fn grace_milli(earlier: &Shown, later: &Shown) -> i64 {
    let whole = |shown: &Shown| shown.reading.milli % 1000 == 0;
    if whole(earlier) && whole(later) { GRACE_WHOLE_MILLI } else { GRACE_MILLI }
}

/// Whether a meter that showed `old` last and shows `new` now has rolled over: nearly all of its digits were used up,
/// and few are again. Near is a tenth of the full scale, which is the next power of ten: common practice, no source.
#[must_use]
pub fn has_rolled_over(old: Decimal, new: Decimal) -> bool {
    let mut full = 1000;
    while full <= old.milli {
        full *= 10;
    }
    full >= FULL_SCALE_MIN_MILLI && old.milli >= full / 10 * 9 && new.milli < full / 10
}

/// Splits readings, given in order of time, into believed ones and doubtful ones (indexes, in order).
///
/// "Can both be true", without grace, is an order on (life, time − life): the largest believable set is a longest
/// chain in it. Readings that then agree with their believed neighbours within the grace are believed too.
#[must_use]
pub fn believe(kind: MeterKind, shown: &[Shown]) -> (Vec<usize>, Vec<usize>) {
    let mut order: Vec<usize> = (0..shown.len()).collect();
    let slack = |i: usize| match kind {
        MeterKind::Hours | MeterKind::TachHours => {
            shown[i].second.saturating_mul(10) - shown[i].life_milli().saturating_mul(36)
        }
        // Without a bound on the rate only time itself must not run back.
        MeterKind::Kilometres | MeterKind::Cycles => shown[i].second,
    };
    order.sort_by_key(|&i| (shown[i].life_milli(), slack(i), i));
    let mut believed: BTreeSet<usize> = longest_chain(&order, slack).into_iter().collect();
    for i in 0..shown.len() {
        let fits_after = believed.range(..i).next_back().is_none_or(|&b| can_both_be_true(kind, &shown[b], &shown[i]));
        let fits_before = believed.range(i + 1..).next().is_none_or(|&a| can_both_be_true(kind, &shown[i], &shown[a]));
        if fits_after && fits_before {
            believed.insert(i);
        }
    }
    (0..shown.len()).partition(|i| believed.contains(i))
}

/// Longest subsequence of `order` whose slack never falls, in O(n log n) by patience sorting; of several the one whose
/// members have the smallest indexes, from the end backwards.
fn longest_chain(order: &[usize], slack: impl Fn(usize) -> i64) -> Vec<usize> {
    let mut tails: Vec<i64> = Vec::new();
    // Per pile: place in `order` and index of each member.
    let mut piles: Vec<Vec<(usize, usize)>> = Vec::new();
    for (place, &i) in order.iter().enumerate() {
        let pile = tails.partition_point(|&tail| tail <= slack(i));
        if pile == tails.len() {
            tails.push(slack(i));
            piles.push(Vec::new());
        }
        tails[pile] = slack(i);
        piles[pile].push((place, i));
    }
    let mut chain: Vec<usize> = Vec::new();
    let mut bound = (usize::MAX, i64::MAX);
    for pile in piles.iter().rev() {
        let fitting = pile.iter().filter(|(place, i)| *place < bound.0 && slack(*i) <= bound.1);
        let Some(&(place, i)) = fitting.min_by_key(|(_, i)| *i) else { break };
        bound = (place, slack(i));
        chain.push(i);
    }
    chain
}

/// Use per day and how sure it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Rate {
    /// Median of the pairwise slopes (Theil, Sen), in units a day.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub per_day: Decimal,
    /// The slope that a tenth of them lie below.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub low: Decimal,
    /// The slope that a tenth of them lie above.
    #[serde(deserialize_with = "decimal::reckoned")]
    #[cfg_attr(feature = "schema", schema(value_type = String))]
    pub high: Decimal,
    /// Number of readings it rests on.
    pub readings: u64,
}

/// Days of readings a rate is made of: long enough for a wet week, short enough to follow the season.
pub const RATE_DAYS: i64 = 60;
/// Least readings, and least days they were made on, below which the plan's stated use is taken.
pub const RATE_READINGS_MIN: usize = 4;
/// See [`RATE_READINGS_MIN`].
pub const RATE_DAYS_MIN: usize = 3;
/// Most readings a rate is made of, the newest: 300 give 44,850 slopes, some milliseconds.
const RATE_READINGS_MAX: usize = 300;

/// Use per day from believed readings `(second, day, life in thousandths)` in order of time.
#[must_use]
pub fn rate(readings: &[(i64, i64, i64)]) -> Option<Rate> {
    let last = readings.last()?.0;
    let recent: Vec<&(i64, i64, i64)> =
        readings.iter().filter(|(second, _, _)| *second >= last - RATE_DAYS * 86_400).collect();
    let recent = &recent[recent.len().saturating_sub(RATE_READINGS_MAX)..];
    let days: BTreeSet<i64> = recent.iter().map(|(_, day, _)| *day).collect();
    if recent.len() < RATE_READINGS_MIN || days.len() < RATE_DAYS_MIN {
        return None;
    }
    let mut slopes = Vec::with_capacity(recent.len() * (recent.len() - 1) / 2);
    for (n, a) in recent.iter().enumerate() {
        slopes.extend(recent[n + 1..].iter().filter(|b| b.0 > a.0).map(|b| slope(a, b)));
    }
    slopes.sort_unstable();
    let middle = slopes.len() / 2;
    let median = if slopes.is_empty() {
        return None;
    } else if slopes.len() % 2 == 1 {
        slopes[middle]
    } else {
        slopes[middle - 1].midpoint(slopes[middle])
    };
    let rank = |permille: usize| slopes[((slopes.len() - 1) * permille + 500) / 1000];
    Some(Rate {
        per_day: Decimal::from_milli(median),
        low: Decimal::from_milli(rank(100)),
        high: Decimal::from_milli(rank(900)),
        readings: recent.len() as u64,
    })
}

/// Thousandths a day from one reading to a later one. A meter that counts no time may jump by all its digits in a second.
fn slope(a: &(i64, i64, i64), b: &(i64, i64, i64)) -> i64 {
    let per_day = i128::from(b.2 - a.2) * 86_400 / i128::from(b.0 - a.0);
    i64::try_from(per_day).unwrap_or(if per_day < 0 { i64::MIN } else { i64::MAX })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::DeviceId;

    fn shown(hours_of_clock: i64, reading: &str) -> Shown {
        Shown {
            entry: EntryRef { device: DeviceId([1; 16]), seq: 1 },
            second: hours_of_clock * 3600,
            reading: reading.parse().expect("a decimal"),
            carried_milli: 0,
        }
    }

    fn doubtful(readings: &[(i64, &str)]) -> Vec<usize> {
        let shown: Vec<Shown> = readings.iter().map(|(h, r)| shown(*h, r)).collect();
        believe(MeterKind::Hours, &shown).1
    }

    #[test]
    fn one_slip_never_poisons_what_follows() {
        assert_eq!(doubtful(&[(0, "100"), (10, "108"), (20, "1180"), (30, "125"), (40, "133.5")]), [2]);
        assert_eq!(doubtful(&[(0, "100"), (10, "108"), (20, "18"), (30, "125")]), [2]);
        assert_eq!(doubtful(&[(0, "4100"), (10, "108"), (20, "118"), (30, "125")]), [0]);
        assert_eq!(doubtful(&[(0, "100"), (10, "110.1"), (20, "110.1")]), Vec::<usize>::new());
    }

    #[test]
    fn a_meter_of_whole_hours_may_be_an_hour_off() {
        // Truly 100.9 and 110.0 after 9.1 hours: 10 are shown.
        assert_eq!(doubtful(&[(0, "100"), (9, "110")]), Vec::<usize>::new());
        assert_eq!(doubtful(&[(0, "100"), (9, "111")]), [1]);
        // One that shows tenths is held to them.
        assert_eq!(doubtful(&[(0, "100"), (9, "109.1")]), Vec::<usize>::new());
        assert_eq!(doubtful(&[(0, "100"), (9, "109.2")]), [1]);
        assert_eq!(doubtful(&[(0, "100.1"), (9, "110")]), [1]);
    }

    #[test]
    fn a_tie_keeps_what_was_read_first() {
        assert_eq!(doubtful(&[(0, "100"), (10, "4100")]), [1]);
        assert_eq!(doubtful(&[(0, "100"), (10, "90")]), [1]);
        assert_eq!(doubtful(&[(0, "100")]), Vec::<usize>::new());
    }

    #[test]
    fn kilometres_have_no_bound_on_the_rate() {
        let readings = [shown(0, "100"), shown(1, "900"), shown(2, "800")];
        assert_eq!(believe(MeterKind::Kilometres, &readings).1.len(), 1);
    }
}
