//! Numbers that are the same for the same seed (xorshift of Marsaglia, 2003, 64 bits).
//!
//! Promises: no state but its own. Never for keys.

/// A source of numbers.
#[derive(Debug, Clone)]
pub struct Dice(u64);

impl Dice {
    /// From a seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        // Zero would stay zero; seeds beside each other are scattered.
        Self(seed.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    /// The next number.
    #[allow(clippy::should_implement_trait, reason = "dice are thrown, not walked through")]
    pub fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// A number below `limit`; 0 if that is 0.
    pub fn below(&mut self, limit: u64) -> u64 {
        // The low bits of a xorshift are its worst.
        (self.next() >> 16) % limit.max(1)
    }
}
