//! Short power spectra: where the strongest line is, and how high the floor between the lines.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// Longest slice that is transformed, in samples.
pub const LONGEST: usize = 1 << 16;

/// A transform planner with its scratch; keep one per thread.
#[derive(Default)]
pub struct Fourier {
    planner: RealFftPlanner<f64>,
    input: Vec<f64>,
    output: Vec<Complex<f64>>,
}

/// Power of a slice under a Hann window, bin 0 to the Nyquist bin.
#[derive(Clone, Debug)]
pub struct Spectrum {
    /// `|X[k]|^2`, not normalised.
    pub power: Vec<f64>,
    /// Length of the transformed slice.
    pub length: usize,
}

impl Fourier {
    /// A planner without plans.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Spectrum of the longest power-of-two stretch at the start of `x` (at most [`LONGEST`]),
    /// its mean removed. `None` below 16 samples.
    pub fn spectrum(&mut self, x: &[f64]) -> Option<Spectrum> {
        if x.len() < 16 {
            return None;
        }
        let length = (1_usize << x.len().ilog2()).min(LONGEST);
        let x = &x[..length];
        let mean = super::moments::mean(x)?;
        self.input.clear();
        self.input.extend(x.iter().enumerate().map(|(n, value)| {
            let angle = std::f64::consts::TAU * n as f64 / length as f64;
            (value - mean) * (0.5 - 0.5 * angle.cos())
        }));
        let plan = self.planner.plan_fft_forward(length);
        self.output.resize(length / 2 + 1, Complex::default());
        // Lengths agree by construction; a failure would be a fault of the plan, not of the data.
        plan.process(&mut self.input, &mut self.output).ok()?;
        Some(Spectrum { power: self.output.iter().map(Complex::norm_sqr).collect(), length })
    }
}

impl Spectrum {
    /// Frequency of bin `k` in cycles per sample.
    #[must_use]
    pub fn frequency(&self, k: f64) -> f64 {
        k / self.length as f64
    }

    /// Strongest line between two frequencies (cycles per sample), interpolated over three bins
    /// by delta = 2(R - L)/(L + 2C + R) on Hann magnitudes; its bias for a steady sine is below
    /// 1e-5 bin for a real tone away from the ends.
    #[must_use]
    pub fn strongest(&self, from: f64, to: f64) -> Option<f64> {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let bin = |f: f64| (f * self.length as f64).round() as usize;
        let low = bin(from).max(2);
        let high = bin(to).min(self.power.len().saturating_sub(2));
        let peak = (low..=high).max_by(|a, b| self.power[*a].total_cmp(&self.power[*b]))?;
        if self.power[peak] <= 0.0 {
            return None;
        }
        let [left, centre, right] =
            [peak - 1, peak, peak + 1].map(|k| self.power.get(k).copied().unwrap_or(0.0).sqrt());
        let delta = 2.0 * (right - left) / (left + 2.0 * centre + right);
        Some(self.frequency(peak as f64 + delta.clamp(-1.0, 1.0)))
    }

    /// Standard deviation of white noise as high as the floor between the lines: the median bin
    /// power of exponentially distributed bins is ln 2 times their mean.
    #[must_use]
    pub fn floor_deviation(&self) -> Option<f64> {
        let count = self.power.len();
        let mut middle = self.power.get(count / 20..count - count / 20)?.to_vec();
        let median = super::order::median(&mut middle)?;
        // The sum of squared Hann weights is 3/8 of the length.
        Some((median / std::f64::consts::LN_2 / (0.375 * self.length as f64)).sqrt())
    }

    /// Share (0..1) of all power beyond bin 2 that lies between two frequencies (cycles per
    /// sample); bins 0 to 2 hold what the removed mean leaves.
    #[must_use]
    pub fn share(&self, from: f64, to: f64) -> Option<f64> {
        let all: f64 = self.power.iter().skip(3).sum();
        let part: f64 = self
            .power
            .iter()
            .enumerate()
            .skip(3)
            .filter(|(k, _)| (from..=to).contains(&self.frequency(*k as f64)))
            .map(|(_, power)| power)
            .sum();
        (all > 0.0).then(|| part / all)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn line_and_floor() {
        let x: Vec<f64> = (0..4096)
            .map(|n| {
                // A fixed pseudo-noise of variance 1/12 * 1e-4 beside a unit sine.
                let noise = (f64::from(n) * 12.9898).sin() * 43758.5453;
                (TAU * 0.05123 * f64::from(n)).sin() + 0.01 * (noise - noise.floor() - 0.5)
            })
            .collect();
        let spectrum = Fourier::new().spectrum(&x).expect("long enough");
        let line = spectrum.strongest(0.001, 0.5).expect("a line");
        assert!((line - 0.05123).abs() < 1e-4 / 4096.0, "{line}");
        let floor = spectrum.floor_deviation().expect("a floor");
        assert!((floor / (0.01 / 12.0_f64.sqrt()) - 1.0).abs() < 0.15, "{floor}");
        assert!(spectrum.share(0.05, 0.053).expect("power") > 0.99);
        assert!(Fourier::new().spectrum(&[0.0; 5]).is_none());
    }
}
