//! A polynomial through many samples about a crest: its top without what noise adds to the highest
//! of them.
//!
//! Least squares of fourth degree over a window (Savitzky and Golay 1964, "Smoothing and
//! differentiation of data by simplified least squares procedures", Analytical Chemistry 36:1627;
//! from memory). Noise of any colour moves the top by about what is left of it in the fit, and to both
//! sides alike; the highest of the samples it can only raise.

use nalgebra::DMatrix;

/// Coefficients of a polynomial of fourth degree.
const TERMS: usize = 5;

/// Fits about single places.
#[derive(Clone, Debug)]
pub struct Smoother {
    half: usize,
    /// A narrower one, for crests next to a jump.
    inner: Option<Box<Self>>,
    /// Row k: weight of each sample in the coefficient of the k-th power of the place in half windows.
    rows: Vec<Vec<f64>>,
}

/// Fewest samples per cycle with which a window holds enough of them.
pub const LEAST_PER_CYCLE: f64 = 40.0;

impl Smoother {
    /// For a carrier of so many samples per cycle: an eighth of a cycle to either side. `None` with
    /// fewer than [`LEAST_PER_CYCLE`].
    #[must_use]
    pub fn new(per_cycle: f64) -> Option<Self> {
        if !(LEAST_PER_CYCLE..1e6).contains(&per_cycle) {
            return None;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        Self::over((per_cycle / 8.0).round() as usize)
    }

    /// One of half the width, for crests that are narrower than a sine's; `None` where too few samples
    /// would be left.
    #[must_use]
    pub fn narrower(&self) -> Option<Self> {
        Self::over(self.half / 2)
    }

    fn over(half: usize) -> Option<Self> {
        if half < 3 {
            return None;
        }
        let width = 2 * half + 1;
        let place = |k: usize| (k as f64 - half as f64) / half as f64;
        #[allow(clippy::cast_possible_truncation, clippy::cast_possible_wrap)]
        let powers = DMatrix::from_fn(width, TERMS, |k, power| place(k).powi(power as i32));
        let solved = (powers.transpose() * &powers).cholesky()?.solve(&powers.transpose());
        let rows =
            (0..TERMS).map(|row| solved.row(row).iter().copied().collect::<Vec<f64>>()).collect();
        let inner = Self::over(half / 2).map(Box::new);
        Some(Self { half, inner, rows })
    }

    /// Samples needed on each side of a highest sample: the middle of its crest may stand aside.
    #[must_use]
    pub fn halo(&self) -> usize {
        self.half + self.half / 2 + 1
    }

    /// Share of white noise that is left in the middle of the window, as a standard deviation.
    #[must_use]
    pub fn noise_left(&self) -> f64 {
        self.rows[0].iter().map(|weight| weight * weight).sum::<f64>().sqrt()
    }

    /// The smoothed value at sample `k`; `None` too close to the ends.
    #[must_use]
    pub fn value(&self, x: &[f64], k: usize) -> Option<f64> {
        let window = x.get(k.checked_sub(self.half)?..=k + self.half)?;
        Some(dot(&self.rows[0], window))
    }

    /// How far crests of at least `least` differ from what is fitted to them, on the average of many, as
    /// a share of their height: what noise can't be the reason of.
    #[must_use]
    pub fn misfit(&self, x: &[f64], least: f64) -> f64 {
        const MANY: usize = 200;
        let width = 2 * self.half + 1;
        let is_top = |k: usize| {
            let size = x[k].abs();
            size >= least && (k - self.half..=k + self.half).all(|n| x[n].abs() <= size)
        };
        let inner = self.half..x.len().saturating_sub(self.half);
        let tops: Vec<usize> = inner.filter(|k| is_top(*k)).collect();
        let every = tops.len().div_ceil(MANY).max(1);
        let (mut sum, mut square, mut count) = (vec![0.0; width], 0.0, 0.0);
        for k in tops.iter().step_by(every) {
            let k = self.middle(x, *k, x[*k].signum());
            let Some(window) =
                k.checked_sub(self.half).and_then(|from| x.get(from..=k + self.half))
            else {
                continue;
            };
            if jumps(window, self.half) {
                continue;
            }
            let c: Vec<f64> = self.rows.iter().map(|row| dot(row, window)).collect();
            count += 1.0;
            for (n, slot) in sum.iter_mut().enumerate() {
                let t = (n as f64 - self.half as f64) / self.half as f64;
                let fitted = c.iter().rev().fold(0.0, |sum, c| sum * t + c);
                let off = (window[n] - fitted) / window[self.half];
                *slot += off;
                square += off * off;
            }
        }
        if count < 2.0 {
            return 0.0;
        }
        let mean_square = sum.iter().map(|s| (s / count).powi(2)).sum::<f64>() / width as f64;
        // What noise leaves in a mean of so many.
        let by_noise = square / (width as f64 * count * count);
        (mean_square - by_noise).max(0.0).sqrt()
    }

    /// Place and value of the top about the highest sample `k`; `sign` is +1 for a top, -1 for a bottom.
    /// `None` too close to the ends, or where a jump nearby shows that the crest is no smooth one.
    #[must_use]
    pub fn top(&self, x: &[f64], k: usize, sign: f64) -> Option<(f64, f64)> {
        let narrower = || self.inner.as_ref().and_then(|inner| inner.top(x, k, sign));
        let k = self.middle(x, k, sign);
        let window = x.get(k.checked_sub(self.half)?..=k + self.half)?;
        if jumps(window, self.half) {
            return narrower();
        }
        let mut c = [0.0; TERMS];
        for (slot, row) in c.iter_mut().zip(&self.rows) {
            *slot = sign * dot(row, window);
        }
        // Newton on the slope, from the middle.
        const FARTHEST: f64 = 0.7;
        let mut t = 0.0_f64;
        for _ in 0..4 {
            let slope = c[1] + t * (2.0 * c[2] + t * (3.0 * c[3] + t * 4.0 * c[4]));
            let bend = 2.0 * c[2] + t * (6.0 * c[3] + t * 12.0 * c[4]);
            if bend >= 0.0 {
                return narrower();
            }
            t = (t - slope / bend).clamp(-FARTHEST, FARTHEST);
        }
        let value = c.iter().rev().fold(0.0, |sum, c| sum * t + c);
        Some((k as f64 + t * self.half as f64, sign * value))
    }

    /// The middle of the crest whose highest sample is `k`. The highest sample was chosen for its noise;
    /// a window about it would hold that.
    fn middle(&self, x: &[f64], k: usize, sign: f64) -> usize {
        const SHARE: f64 = 0.85;
        let level = SHARE * sign * x[k];
        let high = |n: &usize| sign * x[*n] >= level;
        let from = k.saturating_sub(2 * self.half);
        let to = (k + 2 * self.half + 1).min(x.len());
        let first = (from..k).find(high).unwrap_or(k);
        let last = (k..to).rev().find(high).unwrap_or(k);
        let middle = usize::midpoint(first, last);
        // Where the top stands far aside, the crest is not even.
        if middle.abs_diff(k) > self.half / 2 { k } else { middle }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Whether the wave jumps within a window: by far more than it moves from sample to sample in most of
/// it, and by a part of its height.
fn jumps(window: &[f64], middle: usize) -> bool {
    const FAR_MORE: f64 = 8.0;
    const SHARE: f64 = 0.03;
    let mut steps: Vec<f64> = window.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    let largest = steps.iter().copied().fold(0.0, f64::max);
    if largest < SHARE * window[middle].abs() {
        return false;
    }
    largest > FAR_MORE * super::order::median(&mut steps).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn a_clean_crest_is_kept() {
        for per_cycle in [40.0, 47.3, 64.0, 120.0] {
            let smoother = Smoother::new(per_cycle).unwrap();
            let x: Vec<f64> = (0..400).map(|n| (TAU * f64::from(n) / per_cycle).sin()).collect();
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let k = (1.25 * per_cycle).round() as usize;
            let (at, value) = smoother.top(&x, k, 1.0).unwrap();
            assert!((value - 1.0).abs() < 2e-4, "{per_cycle}: {value}");
            let wanted = (at / per_cycle - 0.25).round() * per_cycle + 0.25 * per_cycle;
            assert!((at - wanted).abs() < 0.01 * per_cycle, "{per_cycle}: {at} {wanted}");
            // Five coefficients of an even window: the middle keeps sqrt(225/64 / width) of white noise
            // for a wide one.
            let width = (2 * smoother.half + 1) as f64;
            assert!((smoother.noise_left() / (225.0 / 64.0 / width).sqrt() - 1.0).abs() < 0.1);
        }
        assert!(Smoother::new(30.0).is_none());
    }

    #[test]
    fn a_strike_is_not_smoothed() {
        let smoother = Smoother::new(64.0).unwrap();
        let x: Vec<f64> =
            (0..64).map(|n| if n < 30 { 0.1 } else { 1.0 - 0.01 * f64::from(n - 30) }).collect();
        assert!(smoother.top(&x, 30, 1.0).is_none());
    }
}
