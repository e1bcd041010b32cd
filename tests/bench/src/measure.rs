//! Timing of whole programs, and arithmetic over measurements: medians and spreads.
//!
//! Promises: a median is of all runs, none left out; the spread is told with it, so that a noisy machine shows.

use std::error::Error;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// What a benchmark comes to.
pub type Outcome<T> = Result<T, Box<dyn Error>>;

/// Runs a program to its end, which must be a good one, and times it.
///
/// # Errors
/// If it cannot be run or fails.
#[allow(clippy::disallowed_methods, reason = "a benchmark measures time")]
pub fn timed(command: &mut Command) -> Outcome<Duration> {
    let began = Instant::now();
    let status = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).status()?;
    let took = began.elapsed();
    if status.success() { Ok(took) } else { Err(format!("{command:?} ended with {status}").into()) }
}

/// The middle of some measurements, and how far the middle half of them reaches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spread {
    /// A quarter of the runs was faster.
    pub quarter: Duration,
    /// Half of the runs was faster.
    pub median: Duration,
    /// Three quarters of the runs were faster.
    pub three_quarters: Duration,
}

impl Spread {
    /// Of at least one run.
    #[must_use]
    pub fn of(mut runs: Vec<Duration>) -> Option<Self> {
        runs.sort();
        let at = |share: usize| runs.get((runs.len().checked_sub(1)?) * share / 4).copied();
        Some(Self { quarter: at(1)?, median: at(2)?, three_quarters: at(3)? })
    }
}

/// One duration as a multiple of another.
#[must_use]
pub fn ratio(of: Duration, to: Duration) -> f64 {
    of.as_secs_f64() / to.as_secs_f64()
}

/// Milliseconds with two places.
#[must_use]
pub fn milliseconds(duration: Duration) -> String {
    format!("{:.2} ms", duration.as_secs_f64() * 1000.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_is_of_all_runs() {
        let ms = Duration::from_millis;
        let spread = Spread::of([9, 1, 5, 3, 7].map(ms).to_vec());
        assert_eq!(spread, Some(Spread { quarter: ms(3), median: ms(5), three_quarters: ms(7) }));
        assert_eq!(Spread::of(vec![ms(4)]), Some(Spread { quarter: ms(4), median: ms(4), three_quarters: ms(4) }));
        assert_eq!(Spread::of(Vec::new()), None);
        assert_eq!(milliseconds(Duration::from_micros(2_346)), "2.35 ms");
        assert!((ratio(ms(3), ms(2)) - 1.5).abs() < 1e-9);
    }
}
