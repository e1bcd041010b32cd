//! Whether a reading looks odd beside the last one. It is recorded all the same; the person is told.
//!
//! Promises: the same judgement as the fold's, `pintle_core::meter`, beside one reading only. Never refuses one: the
//! person has read the meter, the program has not.

use crate::store::LastReading;
use pintle_core::decimal::Decimal;
use pintle_core::entry::EntryRef;
use pintle_core::fact::MeterKind;
use pintle_core::ids::DeviceId;
use pintle_core::meter::{Shown, can_both_be_true};
use pintle_core::moment::Moment;

/// What looks odd.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Odd {
    /// The meter showed more before.
    RunsBack {
        /// What it showed before.
        last: Decimal,
    },
    /// The machine would have run longer than time has passed.
    TooFar {
        /// What it showed before.
        last: Decimal,
        /// Hours of meter since.
        run: Decimal,
        /// Hours of clock since.
        passed: Decimal,
    },
}

impl Odd {
    /// Stable code.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Odd::RunsBack { .. } => "reading-runs-back",
            Odd::TooFar { .. } => "reading-too-far",
        }
    }

    /// In words.
    #[must_use]
    pub fn sentence(&self, unit: &str) -> String {
        match self {
            Odd::RunsBack { last } => format!("Looks odd: it was {last} {unit} before."),
            Odd::TooFar { last, run, passed } => {
                format!("Looks odd: {run} h since {last} h, in {passed} h of clock.")
            }
        }
    }
}

/// Judges a reading taken at `at` beside the last one of the same meter.
#[must_use]
pub fn judge(kind: MeterKind, last: LastReading, reading: Decimal, at: &Moment) -> Option<Odd> {
    let shown = |reading: Decimal, second: i64| {
        // The names of the entries play no part in whether two readings can be true.
        Shown { entry: EntryRef { device: DeviceId([0; 16]), seq: 0 }, second, reading, carried_milli: 0 }
    };
    let (before, now) = (shown(last.reading, last.at_s), shown(reading, at.second()));
    // A reading told late is judged the other way round.
    let (earlier, later) = if now.second < before.second { (now, before) } else { (before, now) };
    if can_both_be_true(kind, &earlier, &later) {
        return None;
    }
    let run_milli = later.reading.milli - earlier.reading.milli;
    if run_milli < 0 || !kind.counts_time() {
        return Some(Odd::RunsBack { last: last.reading });
    }
    let tenths = (later.second - earlier.second) / 360;
    Some(Odd::TooFar {
        last: last.reading,
        run: Decimal::from_milli(run_milli),
        passed: Decimal::from_milli(tenths.saturating_mul(100)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn odd(kind: MeterKind, last: &str, hours_later: i64, reading: &str) -> Option<Odd> {
        let last = LastReading { reading: last.parse().expect("a decimal"), at_s: 1_780_000_000 };
        let at = Moment::at(last.at_s + hours_later * 3600, 0).expect("in range");
        judge(kind, last, reading.parse().expect("a decimal"), &at)
    }

    #[test]
    fn a_reading_is_odd_if_it_runs_back_or_outruns_the_clock() {
        assert_eq!(odd(MeterKind::Hours, "4127", 10, "4137.1"), None);
        assert_eq!(odd(MeterKind::Hours, "4127", 0, "4127"), None);
        let milli = Decimal::from_milli;
        let back = Odd::RunsBack { last: milli(4_127_000) };
        assert_eq!(odd(MeterKind::Hours, "4127", 10, "4126.9"), Some(back));
        let far = Odd::TooFar { last: milli(4_127_000), run: milli(40_500), passed: milli(2_000) };
        assert_eq!(odd(MeterKind::Hours, "4127", 2, "4167.5"), Some(far));
        assert_eq!(odd(MeterKind::Kilometres, "4127", 2, "9999"), None);
        assert_eq!(odd(MeterKind::Kilometres, "4127", 2, "4126"), Some(back));
    }

    #[test]
    fn a_reading_told_late_is_judged_the_other_way_round() {
        assert_eq!(odd(MeterKind::Hours, "4127", -10, "4120"), None);
        assert_eq!(
            odd(MeterKind::Hours, "4127", -10, "4128"),
            Some(Odd::RunsBack { last: Decimal::from_milli(4_127_000) })
        );
    }
}
