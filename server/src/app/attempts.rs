//! Counts failed enrolments per address, so that codes cannot be guessed in bulk.
//!
//! Promises: an address that has failed too often is told how long to wait; success is never counted. Memory is
//! bounded: beyond it newcomers are counted together, and nobody's own count is forgotten for them.
//! It is a guard of this process only: nothing depends on it, the codes' own 60 bits are the protection.

use super::gate::network;
use crate::limits::{ENROL_ADDRESSES_MAX, ENROL_FAILURES_MAX, ENROL_WINDOW_MS};
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Failed attempts by address.
#[derive(Debug, Default)]
pub struct Attempts {
    failed: Mutex<Failed>,
}

#[derive(Debug, Default)]
struct Failed {
    by_network: BTreeMap<IpAddr, Window>,
    newcomers: Window,
    swept_ms: i64,
}

#[derive(Debug, Clone, Copy, Default)]
struct Window {
    began_ms: i64,
    failures: u32,
}

impl Window {
    fn is_over(&self, now_ms: i64) -> bool {
        self.failures == 0 || self.began_ms.saturating_add(ENROL_WINDOW_MS) <= now_ms
    }

    fn count(&mut self, now_ms: i64) {
        if self.is_over(now_ms) {
            *self = Self { began_ms: now_ms, failures: 0 };
        }
        self.failures = self.failures.saturating_add(1);
    }
}

impl Failed {
    /// The window of a network; that of the newcomers if it has none and there is no room for one more.
    fn window(&mut self, network: IpAddr, now_ms: i64) -> &mut Window {
        let full = self.by_network.len() >= ENROL_ADDRESSES_MAX && !self.by_network.contains_key(&network);
        // Sweeping looks at every window: once a second is often enough.
        if full && self.swept_ms.saturating_add(1_000) <= now_ms {
            self.swept_ms = now_ms;
            self.by_network.retain(|_, window| !window.is_over(now_ms));
        }
        if self.by_network.len() >= ENROL_ADDRESSES_MAX && !self.by_network.contains_key(&network) {
            return &mut self.newcomers;
        }
        self.by_network.entry(network).or_default()
    }
}

impl Attempts {
    // A panic while counting leaves at worst a wrong count behind.
    fn lock(&self) -> MutexGuard<'_, Failed> {
        self.failed.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Seconds an address must wait before it may try again; none if it may try now.
    #[must_use]
    pub fn wait_s(&self, address: IpAddr, now_ms: i64) -> Option<u32> {
        let failed = self.lock();
        let window = match failed.by_network.get(&network(address)) {
            Some(window) => *window,
            None if failed.by_network.len() >= ENROL_ADDRESSES_MAX => failed.newcomers,
            None => return None,
        };
        if window.failures < ENROL_FAILURES_MAX || window.is_over(now_ms) {
            return None;
        }
        let left_ms = window.began_ms.saturating_add(ENROL_WINDOW_MS) - now_ms;
        Some(u32::try_from(left_ms.div_euclid(1000) + 1).unwrap_or(u32::MAX))
    }

    /// Takes note of a failure.
    pub fn failed(&self, address: IpAddr, now_ms: i64) {
        self.lock().window(network(address), now_ms).count(now_ms);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_waits_out_its_window() {
        let attempts = Attempts::default();
        let address = IpAddr::from([127, 0, 0, 1]);
        for _ in 0..ENROL_FAILURES_MAX {
            assert_eq!(attempts.wait_s(address, 1_000), None);
            attempts.failed(address, 1_000);
        }
        assert_eq!(attempts.wait_s(address, 1_000), Some(601));
        assert_eq!(attempts.wait_s(IpAddr::from([127, 0, 0, 2]), 1_000), None);
        assert_eq!(attempts.wait_s(address, 1_000 + ENROL_WINDOW_MS), None);
    }

    #[test]
    fn memory_is_bounded_and_a_flood_of_addresses_renews_nobody_s_tries() {
        let attempts = Attempts::default();
        let address = IpAddr::from([127, 0, 0, 1]);
        for _ in 0..ENROL_FAILURES_MAX {
            attempts.failed(address, 1_000);
        }
        for n in 0..30_000u32 {
            attempts.failed(IpAddr::from(n.to_be_bytes()), 2_000);
        }
        assert!(attempts.lock().by_network.len() <= ENROL_ADDRESSES_MAX);
        assert_eq!(attempts.wait_s(address, 2_000), Some(600));
        assert!(attempts.wait_s(IpAddr::from([203, 0, 113, 9]), 2_000).is_some(), "newcomers are counted together");
        // When the windows are over there is room again.
        let later_ms = 2_000 + ENROL_WINDOW_MS;
        assert_eq!(attempts.wait_s(IpAddr::from([203, 0, 113, 9]), later_ms), None);
        attempts.failed(IpAddr::from([203, 0, 113, 9]), later_ms);
        assert_eq!(attempts.lock().by_network.len(), 1);
    }
}
