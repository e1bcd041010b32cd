//! What surrounds the program: clocks, randomness, environment, folders. The only module that asks for them.
//!
//! Promises: everything else takes what it needs from [`Ambient`], so that a test gives it a clock and random bytes
//! of its own. Two variables replace the clocks of a real run, for tests and demonstrations only: `PINTLE_CLOCK`
//! (`2026-05-04T07:12:33+02:00`) and `PINTLE_BOOT` (`5f3a91c0:8123`, a boot id and the seconds since).
#![allow(clippy::disallowed_methods, reason = "the one module that asks for clocks, randomness and environment")]

use crate::problem::{Code, Problem};
use crate::ui::Terminal;
use jiff::tz::TimeZone;
use pintle_core::entry::Clock;
use pintle_core::exchange::ClockSample;
use pintle_core::moment::Moment;
use std::path::PathBuf;
use std::time::Duration;

/// The wall clock of the place.
#[derive(Debug, Clone)]
pub struct Wall {
    /// Seconds since 1970.
    pub second: i64,
    /// The rules of the place for offsets from Greenwich.
    pub zone: TimeZone,
}

/// A clock nobody can set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SinceBoot {
    /// Changes with every start of the device.
    pub boot: String,
    /// Seconds since that start, sleep included.
    pub up_s: u64,
}

/// What surrounds the program.
pub trait Ambient {
    /// The wall clock.
    fn wall(&self) -> Wall;
    /// The clock nobody can set, where there is one.
    fn since_boot(&self) -> Option<SinceBoot>;
    /// Fills `bytes` with random ones.
    ///
    /// # Errors
    /// If the system has none to give.
    fn random(&self, bytes: &mut [u8]) -> Result<(), Problem>;
    /// An environment variable, if set and not empty.
    fn variable(&self, name: &str) -> Option<String>;
    /// Where programs keep data of this user.
    fn data_folder(&self) -> Option<PathBuf>;
    /// Waits.
    fn wait(&self, time: Duration);
}

impl Wall {
    /// Seconds east of Greenwich at a second.
    #[must_use]
    pub fn offset_s(&self, second: i64) -> i32 {
        jiff::Timestamp::from_second(second).map_or(0, |at| self.zone.to_offset(at).seconds())
    }

    /// A second as a moment of this place. A clock before 1970 or after 9998 says 1970: recording goes on, and the
    /// server estimates the time from the clock nobody can set.
    #[must_use]
    pub fn moment(&self, second: i64) -> Moment {
        let fallback = || Moment::at(0, 0).map_err(|_| ());
        match Moment::at(second, self.offset_s(second)).map_err(|_| ()).or_else(|()| fallback()) {
            Ok(moment) => moment,
            // 1970-01-01T00:00:00+00:00 is a moment.
            Err(()) => unreachable!("the epoch is a moment"),
        }
    }

    /// Now, as a moment.
    #[must_use]
    pub fn now(&self) -> Moment {
        self.moment(self.second)
    }
}

/// Random bytes of a fixed number.
///
/// # Errors
/// If the system has none to give.
pub fn random<const N: usize>(ambient: &dyn Ambient) -> Result<[u8; N], Problem> {
    let mut bytes = [0; N];
    ambient.random(&mut bytes)?;
    Ok(bytes)
}

/// Evidence of the clocks for an entry; `claimed` tells that the person gave another time than the device's.
#[must_use]
pub fn evidence(ambient: &dyn Ambient, wall: &Wall, claimed: Option<&Moment>) -> Option<Clock> {
    let since = ambient.since_boot();
    let shown = claimed.map(|_| wall.now());
    if since.is_none() && shown.is_none() {
        return None;
    }
    // Without a monotonic clock the wall clock is still worth keeping, under an empty boot id.
    let since = since.unwrap_or(SinceBoot { boot: String::new(), up_s: 0 });
    let began_s = wall.second.saturating_sub(i64::try_from(since.up_s).unwrap_or(i64::MAX));
    Some(Clock { boot: since.boot, began_s, wall: shown })
}

/// The clocks for an exchange.
#[must_use]
pub fn sample(ambient: &dyn Ambient) -> ClockSample {
    let since = ambient.since_boot();
    ClockSample { at: ambient.wall().now(), boot: since.as_ref().map(|s| s.boot.clone()), up_s: since.map(|s| s.up_s) }
}

/// The device the program really runs on.
#[derive(Debug, Default)]
pub struct Surroundings;

impl Ambient for Surroundings {
    fn wall(&self) -> Wall {
        if let Some(moment) = self.variable("PINTLE_CLOCK").and_then(|text| text.parse::<Moment>().ok()) {
            let zone = jiff::tz::Offset::from_seconds(moment.offset_s()).map_or(TimeZone::UTC, TimeZone::fixed);
            return Wall { second: moment.second(), zone };
        }
        Wall { second: jiff::Timestamp::now().as_second(), zone: zone(self.variable("TZ")) }
    }

    fn since_boot(&self) -> Option<SinceBoot> {
        if let Some(text) = self.variable("PINTLE_BOOT") {
            let (boot, up_s) = text.split_once(':')?;
            return Some(SinceBoot { boot: boot.chars().take(16).collect(), up_s: up_s.parse().ok()? });
        }
        since_boot()
    }

    fn random(&self, bytes: &mut [u8]) -> Result<(), Problem> {
        getrandom::fill(bytes)
            .map_err(|e| Problem::new(Code::DatabaseFailed, "the system has no random numbers to give").detail(e))
    }

    fn variable(&self, name: &str) -> Option<String> {
        std::env::var(name).ok().filter(|value| !value.is_empty())
    }

    fn data_folder(&self) -> Option<PathBuf> {
        use etcetera::BaseStrategy as _;
        etcetera::choose_base_strategy().ok().map(|base| base.data_dir())
    }

    fn wait(&self, time: Duration) {
        // May return early, which costs a little politeness towards a server and nothing else.
        std::thread::park_timeout(time);
    }
}

/// The zone of the place. Reading `/etc/localtime` itself is twenty times quicker than looking its name up.
fn zone(named: Option<String>) -> TimeZone {
    if named.is_some() {
        return TimeZone::system();
    }
    let local = std::fs::read("/etc/localtime").ok();
    local.and_then(|bytes| TimeZone::tzif("local", &bytes).ok()).unwrap_or(TimeZone::UTC)
}

#[cfg(target_os = "linux")]
fn since_boot() -> Option<SinceBoot> {
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    let up = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    let now_ms = jiff::Timestamp::now().as_millisecond();
    // Rounded together, so that the second at which the device began is the same in every entry of one start.
    let began_s = (now_ms - up.tv_sec.checked_mul(1000)? - up.tv_nsec / 1_000_000).div_euclid(1000);
    let up_s = u64::try_from(now_ms.div_euclid(1000) - began_s).ok()?;
    Some(SinceBoot { boot: boot.chars().take(8).collect(), up_s })
}

#[cfg(not(target_os = "linux"))]
fn since_boot() -> Option<SinceBoot> {
    None
}

/// What stdout leads to.
#[must_use]
pub fn stdout_terminal() -> Terminal {
    terminal(std::io::stdout())
}

/// What stderr leads to.
#[must_use]
pub fn stderr_terminal() -> Terminal {
    terminal(std::io::stderr())
}

/// A terminal that does not tell its width is one of 80 columns.
fn terminal(output: impl std::os::fd::AsFd) -> Terminal {
    if !rustix::termios::isatty(&output) {
        return Terminal::default();
    }
    let columns = rustix::termios::tcgetwinsize(&output).ok().map(|size| usize::from(size.ws_col)).filter(|c| *c > 0);
    Terminal { columns: Some(columns.unwrap_or(80)) }
}
