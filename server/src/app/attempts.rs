//! Counts failed enrolments per address, so that codes cannot be guessed in bulk.
//!
//! Promises: bounded memory; an address that has failed too often is told how long to wait; success is never counted.
//! It is a guard of this process only: nothing depends on it, the codes' own 60 bits are the protection.

use crate::limits::{ENROL_ADDRESSES_MAX, ENROL_FAILURES_MAX, ENROL_WINDOW_MS};
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Failed attempts by address.
#[derive(Debug, Default)]
pub struct Attempts {
    failed: Mutex<BTreeMap<IpAddr, Window>>,
}

#[derive(Debug, Clone, Copy)]
struct Window {
    began_ms: i64,
    failures: u32,
}

impl Attempts {
    // A panic while counting leaves at worst a wrong count behind.
    fn lock(&self) -> MutexGuard<'_, BTreeMap<IpAddr, Window>> {
        self.failed.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Seconds an address must wait before it may try again; none if it may try now.
    #[must_use]
    pub fn wait_s(&self, address: IpAddr, now_ms: i64) -> Option<u32> {
        let window = self.lock().get(&address).copied()?;
        let left_ms = window.began_ms + ENROL_WINDOW_MS - now_ms;
        if window.failures < ENROL_FAILURES_MAX || left_ms <= 0 {
            return None;
        }
        Some(u32::try_from(left_ms.div_euclid(1000) + 1).unwrap_or(u32::MAX))
    }

    /// Takes note of a failure.
    pub fn failed(&self, address: IpAddr, now_ms: i64) {
        let mut failed = self.lock();
        if failed.len() >= ENROL_ADDRESSES_MAX && !failed.contains_key(&address) {
            failed.retain(|_, window| window.began_ms + ENROL_WINDOW_MS > now_ms);
            if failed.len() >= ENROL_ADDRESSES_MAX {
                failed.clear();
            }
        }
        let window = failed.entry(address).or_insert(Window { began_ms: now_ms, failures: 0 });
        if window.began_ms + ENROL_WINDOW_MS <= now_ms {
            *window = Window { began_ms: now_ms, failures: 0 };
        }
        window.failures = window.failures.saturating_add(1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_waits_out_its_window_and_memory_is_bounded() {
        let attempts = Attempts::default();
        let address = IpAddr::from([127, 0, 0, 1]);
        for _ in 0..ENROL_FAILURES_MAX {
            assert_eq!(attempts.wait_s(address, 1_000), None);
            attempts.failed(address, 1_000);
        }
        assert_eq!(attempts.wait_s(address, 1_000), Some(601));
        assert_eq!(attempts.wait_s(IpAddr::from([127, 0, 0, 2]), 1_000), None);
        assert_eq!(attempts.wait_s(address, 1_000 + ENROL_WINDOW_MS), None);
        for n in 0..30_000u32 {
            attempts.failed(IpAddr::from(n.to_be_bytes()), 2_000);
        }
        assert!(attempts.lock().len() <= ENROL_ADDRESSES_MAX);
    }
}
