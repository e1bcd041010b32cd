//! Numbers that are the same in every run (xorshift of Marsaglia, 2003, 64 bits).
//!
//! Never a source of secrets.

/// The generator.
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        // Spreads small seeds apart; the state must not be nothing.
        Self(seed.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// From `from` to `to`, both included.
    pub fn between(&mut self, from: i64, to: i64) -> i64 {
        let width = u64::try_from(to - from).expect("a range") + 1;
        from + i64::try_from(self.next() % width).expect("within the range")
    }

    pub fn one_in(&mut self, n: i64) -> bool {
        self.between(1, n) == 1
    }

    pub fn pick<'a, T>(&mut self, from: &'a [T]) -> &'a T {
        let last = i64::try_from(from.len()).expect("few") - 1;
        &from[usize::try_from(self.between(0, last)).expect("an index")]
    }

    pub fn bytes<const N: usize>(&mut self) -> [u8; N] {
        std::array::from_fn(|_| self.next().to_le_bytes()[3])
    }
}
