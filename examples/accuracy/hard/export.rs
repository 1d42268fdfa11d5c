//! What an instrument's export makes of its samples.

use std::f64::consts::PI;

/// A way to write fewer or more numbers than were sampled.
#[derive(Clone, Copy)]
pub enum Export {
    /// As sampled.
    Plain,
    /// Each sample is repeated so many times.
    Held(usize),
    /// Filled up with straight lines to so many times as many.
    Linear(usize),
    /// Filled up with a windowed sin(x)/x to so many times as many.
    Sinc(usize),
    /// Mean of so many samples each, so many times fewer.
    Boxcar(usize),
    /// Mean of so many neighbours at every sample.
    Smoothed(usize),
    /// Smallest and largest of so many samples each, in turns.
    MinMax(usize),
    /// Rounded to so many significant decimal digits.
    Digits(i32),
}

impl Export {
    /// Numbers in the file over samples taken.
    pub fn factor(self) -> f64 {
        match self {
            Self::Held(k) | Self::Linear(k) | Self::Sinc(k) => k as f64,
            Self::Boxcar(k) => 1.0 / k as f64,
            Self::MinMax(k) => 2.0 / k as f64,
            Self::Plain | Self::Smoothed(_) | Self::Digits(_) => 1.0,
        }
    }

    /// Samples that it needs beyond either end of the record.
    pub fn margin(self) -> usize {
        if matches!(self, Self::Sinc(_)) { REACH as usize } else { 0 }
    }

    /// The numbers of the file.
    pub fn write(self, x: Vec<f64>) -> Vec<f64> {
        let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
        match self {
            Self::Plain => x,
            Self::Held(k) => x.iter().flat_map(|value| std::iter::repeat_n(*value, k)).collect(),
            Self::Linear(k) => linear(&x, k),
            Self::Sinc(k) => sinc(&x, k),
            Self::Boxcar(k) => x.chunks_exact(k).map(mean).collect(),
            Self::Smoothed(k) => (0..x.len()).map(|n| mean(&x[n..(n + k).min(x.len())])).collect(),
            Self::MinMax(k) => x.chunks_exact(k).flat_map(extremes).collect(),
            Self::Digits(digits) => x.into_iter().map(|value| rounded(value, digits)).collect(),
        }
    }
}

fn linear(x: &[f64], k: usize) -> Vec<f64> {
    let mut out = Vec::with_capacity(x.len() * k);
    for (n, value) in x.iter().enumerate() {
        let next = x.get(n + 1).unwrap_or(value);
        out.extend((0..k).map(|step| value + (next - value) * step as f64 / k as f64));
    }
    out
}

/// Samples to either side that sin(x)/x looks at.
const REACH: i64 = 24;

/// All but the first and last `REACH` samples, filled up.
fn sinc(x: &[f64], k: usize) -> Vec<f64> {
    // The same weights serve every sample.
    let weights: Vec<Vec<f64>> = (0..k)
        .map(|step| {
            let at = |j: i64| {
                let d = step as f64 / k as f64 - j as f64;
                let window = (0.5 * PI * d / REACH as f64).cos().powi(2);
                if d.abs() < 1e-12 { 1.0 } else { (PI * d).sin() / (PI * d) * window }
            };
            (1 - REACH..REACH).map(at).collect()
        })
        .collect();
    let mut out = Vec::with_capacity(x.len() * k);
    for around in x.windows(2 * REACH as usize + 1).take(x.len() - 2 * REACH as usize) {
        let sum = |weights: &Vec<f64>| weights.iter().zip(&around[1..]).map(|(w, x)| w * x).sum();
        out.extend(weights.iter().map(sum).collect::<Vec<f64>>());
    }
    out
}

fn extremes(part: &[f64]) -> [f64; 2] {
    let low = part.iter().copied().fold(f64::INFINITY, f64::min);
    [low, part.iter().copied().fold(f64::NEG_INFINITY, f64::max)]
}

fn rounded(value: f64, digits: i32) -> f64 {
    if value == 0.0 {
        return 0.0;
    }
    let step = 10_f64.powi(value.abs().log10().floor() as i32 + 1 - digits);
    (value / step).round() * step
}
