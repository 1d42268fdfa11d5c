//! Short power spectra: where the strongest line is, and how high the floor between the lines.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use std::fmt;

/// Longest slice that is transformed, in samples.
pub const LONGEST: usize = 1 << 16;

/// A transform planner with its scratch; keep one per thread.
#[derive(Default)]
pub struct Fourier {
    planner: RealFftPlanner<f64>,
    input: Vec<f64>,
    output: Vec<Complex<f64>>,
}

impl fmt::Debug for Fourier {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Fourier").field("length", &self.input.len()).finish_non_exhaustive()
    }
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

    /// Share (0..1) of the Nyquist frequency at which the floor falls off a cliff: beyond it there
    /// is next to nothing, as where samples were filled up by band-limited interpolation. `None`
    /// where the floor is even or falls gently.
    #[must_use]
    pub fn cliff(&self) -> Option<f64> {
        const BANDS: usize = 64;
        /// Power by which the floor falls, and bands over which it does.
        const FALL: f64 = 1e-3;
        const WITHIN: usize = 3;
        let width = self.power.len() / BANDS;
        if width < 8 {
            return None;
        }
        let floors: Vec<f64> = self
            .power
            .chunks_exact(width)
            .take(BANDS)
            .filter_map(|band| super::order::median(&mut band.to_vec()))
            .collect();
        let top = self.power.iter().copied().fold(0.0, f64::max);
        let place = (WITHIN..floors.len() - 4).find(|edge| {
            let below = floors[edge - WITHIN..*edge].iter().copied().fold(f64::INFINITY, f64::min);
            let above = floors[edge + 2..].iter().copied().fold(0.0, f64::max);
            // Below it there must be a floor of noise, not the feet of a line or rounding.
            below > 1e-13 * top && above < FALL * below
        })?;
        // All of the floor before the cliff stands above all that comes behind it.
        let lowest = floors[..place].iter().copied().fold(f64::INFINITY, f64::min);
        let highest = floors[place + 2..].iter().copied().fold(0.0, f64::max);
        (highest < 10.0 * FALL * lowest).then(|| (place as f64 + 0.5) / BANDS as f64)
    }

    /// Share (0..1) of the power from `from` on (cycles per sample) that lies within two bins of the
    /// multiples of `line`.
    #[must_use]
    pub fn comb_share(&self, line: f64, from: f64) -> f64 {
        const REACH: f64 = 2.0;
        let spacing = line * self.length as f64;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let first = ((from * self.length as f64) as usize).max(3);
        let (mut all, mut own) = (0.0, 0.0);
        for (k, power) in self.power.iter().enumerate().skip(first) {
            let order = (k as f64 / spacing).round();
            all += power;
            if order >= 1.0 && (k as f64 - order * spacing).abs() <= REACH {
                own += power;
            }
        }
        if all > 0.0 { own / all } else { 0.0 }
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
    /// A record of noise and a tone, filled up four times by zeros in the spectrum.
    #[test]
    fn a_cliff_is_found_where_a_record_was_filled_up() {
        use super::Fourier;
        let mut state = 1_u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 33) as f64 / 2_147_483_648.0 - 1.0
        };
        let real: Vec<f64> =
            (0..2048).map(|k| (f64::from(k) * 0.3).sin() + 1e-3 * noise()).collect();
        assert_eq!(Fourier::new().spectrum(&real).unwrap().cliff(), None);
        for factor in [2_usize, 4] {
            // Band-limited: each real sample contributes a windowed sinc.
            let filled: Vec<f64> = (0..real.len() * factor)
                .map(|n| {
                    let at = n as f64 / factor as f64;
                    let near = (at as usize).saturating_sub(64)..(at as usize + 64).min(real.len());
                    near.map(|k| {
                        let x = std::f64::consts::PI * (at - k as f64);
                        let sinc = if x.abs() < 1e-12 { 1.0 } else { x.sin() / x };
                        let edge = (at - k as f64) / 64.5;
                        real[k] * sinc * (0.5 + 0.5 * (std::f64::consts::PI * edge).cos())
                    })
                    .sum()
                })
                .collect();
            let cliff = Fourier::new().spectrum(&filled).unwrap().cliff().unwrap();
            assert!((cliff * factor as f64 - 1.0).abs() < 0.12, "{factor}: {cliff}");
        }
        // A clean tone has a floor of feet and rounding only.
        let clean: Vec<f64> = (0..8192).map(|k| (f64::from(k) * 0.3).sin()).collect();
        assert_eq!(Fourier::new().spectrum(&clean).unwrap().cliff(), None);
    }
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
