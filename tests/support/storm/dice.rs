//! The random numbers of a storm: one named generator, so that a seed stays what it is.

use rand::rngs::Xoshiro256PlusPlus;
use rand::{Rng, SeedableRng};

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Dice(Xoshiro256PlusPlus);

impl Dice {
    /// The stream of a seed for one purpose.
    pub fn new(seed: u64, purpose: u64) -> Self {
        Self(Xoshiro256PlusPlus::seed_from_u64(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ purpose))
    }

    /// From 0 to below 1.
    pub fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Between, evenly in the logarithm.
    pub fn scale(&mut self, low: f64, high: f64) -> f64 {
        (low.ln() + (high / low).ln() * self.unit()).exp()
    }

    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// From 0 to below `count`; 0 for none.
    pub fn below(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }

    pub fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.below(from.len())]
    }

    /// The wait until something that happens on average once in `mean` (exponential).
    pub fn wait(&mut self, mean: f64) -> f64 {
        -(1.0 - self.unit()).ln() * mean
    }

    /// Nearly normal, with mean 0 and deviation 1: a sum of twelve.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}
