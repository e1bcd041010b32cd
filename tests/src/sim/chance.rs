//! Where a run's choices, times and random bytes come from: one seed.
//!
//! Promises: the same seed gives the same run on every machine. Never the system's clock or randomness.

use pintle_server::ambient::{Ambient, NoRandomness};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Mutex, PoisonError};

/// A stream of choices from a seed (splitmix64).
#[derive(Debug, Clone)]
pub struct Chance(u64);

impl Chance {
    /// The stream of a seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed ^ 0x5043_1e55_ca11_ab1e)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        bits ^ (bits >> 31)
    }

    /// A number below `end`; 0 where there is none.
    pub fn below(&mut self, end: usize) -> usize {
        let end = u64::try_from(end.max(1)).unwrap_or(u64::MAX);
        usize::try_from(self.bits() % end).unwrap_or(0)
    }

    /// True in so many of a thousand cases.
    pub fn permille(&mut self, rate: u32) -> bool {
        self.bits() % 1000 < u64::from(rate)
    }

    /// One of several; none of none.
    pub fn pick<'a, T>(&mut self, items: &'a [T]) -> Option<&'a T> {
        items.get(self.below(items.len()))
    }

    /// Random bytes.
    pub fn bytes<const N: usize>(&mut self) -> [u8; N] {
        let mut bytes = [0; N];
        self.fill(&mut bytes);
        bytes
    }

    fn fill(&mut self, bytes: &mut [u8]) {
        for chunk in bytes.chunks_mut(8) {
            chunk.copy_from_slice(&self.bits().to_le_bytes()[..chunk.len()]);
        }
    }

    /// A whole shuffled copy.
    #[must_use]
    pub fn shuffled<T: Clone>(&mut self, items: &[T]) -> Vec<T> {
        let mut items = items.to_vec();
        for last in (1..items.len()).rev() {
            items.swap(last, self.below(last + 1));
        }
        items
    }
}

/// Clock and randomness of the simulated servers.
#[derive(Debug)]
pub struct Weather {
    world_ms: AtomicI64,
    servers_off_ms: AtomicI64,
    chance: Mutex<Chance>,
}

impl Weather {
    /// From a seed, at a moment.
    #[must_use]
    pub fn new(seed: u64, now_ms: i64) -> Self {
        Self {
            world_ms: AtomicI64::new(now_ms),
            servers_off_ms: AtomicI64::new(0),
            chance: Mutex::new(Chance::new(!seed)),
        }
    }

    /// Moves the clock of the world on.
    pub fn pass(&self, ms: i64) {
        self.world_ms.fetch_add(ms, Ordering::Relaxed);
    }

    /// The clock of the world, which never jumps.
    #[must_use]
    pub fn world_ms(&self) -> i64 {
        self.world_ms.load(Ordering::Relaxed)
    }

    /// How far the servers' clock is off from now on.
    pub fn servers_off(&self, ms: i64) {
        self.servers_off_ms.store(ms, Ordering::Relaxed);
    }
}

impl Ambient for Weather {
    fn now_ms(&self) -> i64 {
        self.world_ms().saturating_add(self.servers_off_ms.load(Ordering::Relaxed))
    }

    fn monotonic_us(&self) -> u64 {
        u64::try_from(self.world_ms()).unwrap_or(0) * 1000
    }

    fn fill(&self, bytes: &mut [u8]) -> Result<(), NoRandomness> {
        self.chance.lock().unwrap_or_else(PoisonError::into_inner).fill(bytes);
        Ok(())
    }
}
