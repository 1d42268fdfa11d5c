//! Choices and noise from a seed.

use std::f64::consts::TAU;

/// A source of choices (splitmix64).
pub struct Draw(u64);

impl Draw {
    /// The source of one instance of a family.
    pub fn new(family: &str, instance: u64) -> Self {
        // FNV-1a of the name keeps the families apart.
        let name = family.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        Self(name ^ instance.wrapping_mul(0xd134_2543_de82_ef95))
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A source of its own.
    pub fn fork(&mut self) -> Self {
        Self(self.bits())
    }

    /// Even between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Even on a logarithmic scale.
    pub fn log(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// A whole number from `low` to `high`, both included.
    pub fn whole(&mut self, low: u64, high: u64) -> u64 {
        low + self.bits() % (high - low + 1)
    }

    /// One of a list.
    pub fn of<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.whole(0, list.len() as u64 - 1) as usize]
    }

    /// 1 or -1.
    pub fn sign(&mut self) -> f64 {
        self.of(&[1.0, -1.0])
    }

    /// An angle, rad.
    pub fn angle(&mut self) -> f64 {
        self.between(0.0, TAU)
    }

    /// Standard normal (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.between(0.0, 1.0).max(1e-300).ln()).sqrt();
        radius * self.angle().cos()
    }

    /// So many standard normal numbers.
    pub fn normals(&mut self, count: usize) -> Vec<f64> {
        (0..count).map(|_| self.normal()).collect()
    }
}

/// A colour of noise; its standard deviation is stated beside it.
#[derive(Clone, Copy)]
pub enum Colour {
    /// Flat over all frequencies.
    White,
    /// One pole at this share of the sample rate.
    Low(f64),
    /// About 1/f down to a hundred-thousandth of the sample rate.
    Pink,
}

/// Noise of a standard deviation of 1 over so many samples.
pub fn noise(draw: &mut Draw, colour: Colour, count: usize) -> Vec<f64> {
    let poles: &[f64] = match colour {
        Colour::White => return draw.normals(count),
        Colour::Low(share) => &[share],
        Colour::Pink => &[1e-5, 1e-4, 1e-3, 1e-2, 1e-1],
    };
    let scale = 1.0 / (poles.len() as f64).sqrt();
    let mut sum = vec![0.0; count];
    for pole in poles {
        let keep = (-TAU * pole).exp();
        // Each pole is driven so that its output has a variance of 1 from the first sample on.
        let drive = (1.0 - keep * keep).sqrt();
        let mut state = draw.normal();
        for value in &mut sum {
            *value += scale * state;
            state = keep * state + drive * draw.normal();
        }
    }
    sum
}
