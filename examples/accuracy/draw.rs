//! Random choices from a seed.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

/// A source of random choices.
pub struct Draw(ChaCha8Rng);

impl Draw {
    /// The source of this number.
    pub fn new(number: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(number))
    }

    /// Even between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Even on a logarithmic scale.
    pub fn log(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// One of so many.
    pub fn one_of(&mut self, count: u64) -> u64 {
        self.0.next_u64() % count
    }

    /// Standard normal.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}
