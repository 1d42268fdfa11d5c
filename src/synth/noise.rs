//! White Gaussian noise by place: the same sample always has the same noise.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

/// Samples that share one stream of the generator.
const STRETCH: u64 = 4096;

/// Noise of two channels.
pub(super) struct Noise {
    seed: u64,
    stretch: Option<u64>,
    values: Vec<(f64, f64)>,
}

impl Noise {
    /// Noise of one seed.
    pub(super) fn new(seed: u64) -> Self {
        Self { seed, stretch: None, values: Vec::new() }
    }

    /// Two independent standard normal values of sample `n`.
    pub(super) fn pair(&mut self, n: u64) -> (f64, f64) {
        let stretch = n / STRETCH;
        if self.stretch != Some(stretch) {
            let mut generator = ChaCha8Rng::seed_from_u64(self.seed);
            generator.set_stream(stretch);
            self.values.clear();
            self.values.extend((0..STRETCH).map(|_| {
                let v: f64 = StandardNormal.sample(&mut generator);
                let i: f64 = StandardNormal.sample(&mut generator);
                (v, i)
            }));
            self.stretch = Some(stretch);
        }
        #[allow(clippy::cast_possible_truncation)]
        self.values[(n % STRETCH) as usize]
    }
}
