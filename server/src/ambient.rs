//! The outside world as a service sees it: clock, randomness, standard output. The only place that asks for them.
//!
//! Promises: everything else gets time and random bytes from an [`Ambient`], so that a test can set the clock and
//! repeat a run from its seed. `PINTLE_CLOCK_FILE`, for demonstrations only, names a file with an RFC 3339 time that is
//! taken for the wall clock while the file is there.

use std::io::Write as _;
use std::path::PathBuf;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

/// Where time and random bytes come from.
pub trait Ambient: Send + Sync + 'static {
    /// Milliseconds since 1970.
    fn now_ms(&self) -> i64;

    /// Microseconds since some fixed moment; never goes back.
    fn monotonic_us(&self) -> u64;

    /// Fills `bytes` with random bytes fit for keys.
    ///
    /// # Errors
    /// If the system has none to give.
    fn fill(&self, bytes: &mut [u8]) -> Result<(), NoRandomness>;
}

/// The system gave no random bytes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("cannot draw random bytes: {0}")]
pub struct NoRandomness(pub String);

/// An array of random bytes.
///
/// # Errors
/// If the system has none to give.
pub fn random<const N: usize>(ambient: &dyn Ambient) -> Result<[u8; N], NoRandomness> {
    let mut bytes = [0; N];
    ambient.fill(&mut bytes)?;
    Ok(bytes)
}

/// The system's own clock and randomness.
#[derive(Debug)]
pub struct System {
    started: Instant,
    clock_file: Option<PathBuf>,
}

impl System {
    /// Starts the monotonic clock at zero.
    #[must_use]
    #[allow(clippy::disallowed_methods, reason = "the outermost layer: here the clock is read for everyone")]
    pub fn start() -> Self {
        Self { started: Instant::now(), clock_file: std::env::var_os("PINTLE_CLOCK_FILE").map(PathBuf::from) }
    }

    fn demonstrated_ms(&self) -> Option<i64> {
        let text = std::fs::read_to_string(self.clock_file.as_ref()?).ok()?;
        let moment: pintle_core::moment::Moment = text.trim().parse().ok()?;
        Some(moment.second() * 1000)
    }
}

impl Ambient for System {
    #[allow(clippy::disallowed_methods, reason = "the outermost layer: here the clock is read for everyone")]
    fn now_ms(&self) -> i64 {
        if let Some(ms) = self.demonstrated_ms() {
            return ms;
        }
        // A clock before 1970 counts as 1970.
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
    }

    #[allow(clippy::disallowed_methods, reason = "the outermost layer: here the clock is read for everyone")]
    fn monotonic_us(&self) -> u64 {
        u64::try_from(self.started.elapsed().as_micros()).unwrap_or(u64::MAX)
    }

    #[allow(clippy::disallowed_methods, reason = "the outermost layer: here randomness is drawn for everyone")]
    fn fill(&self, bytes: &mut [u8]) -> Result<(), NoRandomness> {
        getrandom::fill(bytes).map_err(|error| NoRandomness(error.to_string()))
    }
}

/// Writes one line to standard output for the operator. A closed pipe is no reason to stop serving.
pub fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{line}").and_then(|()| out.flush());
}
