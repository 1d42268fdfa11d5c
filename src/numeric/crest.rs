//! Crests: the largest |x| of each half-wave, interpolated between the samples.

use super::order::{median, quantile};
use super::smooth::Smoother;
use statrs::distribution::{ContinuousCDF, Normal};

/// Samples needed on each side of a crest for the interpolation.
pub const HALO: usize = 4;

/// Lagrange's basis polynomials over eight equidistant nodes, three before and four behind the place
/// 0: row `k` holds the factors of the value at node `k` in the coefficients of the powers 0 to 7.
const BASIS: [[f64; 8]; 8] = basis();

const fn basis() -> [[f64; 8]; 8] {
    let mut rows = [[0.0; 8]; 8];
    let mut node = 0;
    while node < 8 {
        // The product of (t - place of j) / (node - j) over all other nodes j, power by power.
        let mut product = [0.0; 8];
        product[0] = 1.0;
        let mut other = 0;
        while other < 8 {
            if other != node {
                let place = other as f64 - (HALO - 1) as f64;
                let scale = node as f64 - other as f64;
                let mut power = 7;
                while power > 0 {
                    product[power] = (product[power - 1] - place * product[power]) / scale;
                    power -= 1;
                }
                product[0] = -place * product[0] / scale;
            }
            other += 1;
        }
        let mut power = 0;
        while power < 8 {
            rows[node][power] = product[power];
            power += 1;
        }
        node += 1;
    }
    rows
}

/// The polynomial through eight samples about the interval that begins at index `k` (the structure
/// of C. W. Farrow 1988; from memory), or `None` where fewer than four stand on a side.
struct Local([f64; 8]);

impl Local {
    fn about(x: &[f64], k: usize) -> Option<Self> {
        let nodes = x.get((k + 1).checked_sub(HALO)?..k + 1 + HALO)?;
        let mut powers = [0.0; 8];
        for (row, value) in BASIS.iter().zip(nodes) {
            for (power, factor) in powers.iter_mut().zip(row) {
                *power += factor * value;
            }
        }
        Some(Self(powers))
    }

    /// Its value `fraction` past index `k`.
    fn at(&self, fraction: f64) -> f64 {
        self.0.iter().rev().fold(0.0, |sum, power| sum * fraction + power)
    }
}

/// One crest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crest {
    /// Place in samples from the start of the slice, between samples.
    pub at: f64,
    /// Signed value there.
    pub value: f64,
    /// How much higher the wave may stand between samples, where it jumps there; 0 of a smooth crest.
    pub rough: f64,
}

/// Value of `x` between samples, `fraction` (0..=1) past index `k`, by the eight-point central
/// Lagrange interpolator: the maximally flat band-limited one (Laakso et al. 1996, "Splitting the
/// unit delay", IEEE Signal Processing Magazine 13:30; from memory).
///
/// Error for a sine at 12 samples per cycle: below 1e-5. Falls back to the nearer sample where
/// fewer than four samples stand on a side. `x` must not be empty and `k` must lie in it.
#[must_use]
pub fn between(x: &[f64], k: usize, fraction: f64) -> f64 {
    match Local::about(x, k).filter(|_| fraction > 0.0 && fraction < 1.0) {
        Some(local) => local.at(fraction),
        None => {
            let nearer = if fraction >= 0.5 { k + 1 } else { k };
            x[nearer.min(x.len() - 1)]
        }
    }
}

/// Largest relative error of [`between`] on a sine of so many samples per cycle: half-way between
/// two samples, where the eight weights are (-5, 49, -245, 1225, 1225, -245, 49, -5) / 2048.
#[must_use]
pub fn interpolation_error(per_cycle: f64) -> f64 {
    if per_cycle.is_nan() || per_cycle <= 2.0 {
        return 1.0;
    }
    let half = std::f64::consts::PI / per_cycle;
    let terms = [(1225.0, 1.0), (-245.0, 3.0), (49.0, 5.0), (-5.0, 7.0)];
    let gain: f64 = terms.iter().map(|(weight, odd)| weight * (odd * half).cos()).sum();
    (1.0 - gain / 1024.0).abs()
}

/// The interpolated extreme next to the sample extreme at `k`; `sign` is +1 for a top, -1 for a
/// bottom.
#[must_use]
pub fn refine(x: &[f64], k: usize, sign: f64) -> Crest {
    let sample = Crest { at: k as f64, value: x[k], rough: 0.0 };
    if k == 0 || k + 1 >= x.len() {
        return sample;
    }
    let Some(first) = vertex(sign * x[k - 1], sign * x[k], sign * x[k + 1]) else {
        return sample;
    };
    if !smooth(x, k) {
        // On the side without the jump the wave falls by so much from sample to sample.
        let falls = [x[k - 1], x[k + 1]].map(|beside| (x[k] - beside).abs());
        return Crest { rough: falls[0].min(falls[1]), ..sample };
    }
    // A second parabola through three interpolated values around the first vertex, all of the
    // polynomial about the vertex.
    const STEP: f64 = 0.1;
    let middle = k as f64 + first;
    // Places are above zero here, so that this rounds down.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let index = middle as usize;
    let Some(local) = Local::about(x, index) else { return sample };
    let value_at = |place: f64| sign * local.at(place - index as f64);
    let (left, centre, right) =
        (value_at(middle - STEP), value_at(middle), value_at(middle + STEP));
    let second = vertex(left, centre, right).unwrap_or(0.0).clamp(-1.0, 1.0);
    let place = middle + STEP * second;
    let best = value_at(place).max(centre);
    // The window about a sampled top is not even on both sides: what that leaves is no crest.
    let higher = best > sign * x[k] * (1.0 + 1e-11);
    if higher { Crest { at: place, value: sign * best, rough: 0.0 } } else { sample }
}

/// Whether the wave goes on about `k` as a sine does: no second difference stands far out of the
/// five about it. Where a gate cuts the wave off, an interpolator would overshoot.
fn smooth(x: &[f64], k: usize) -> bool {
    if k < 3 || k + 3 >= x.len() {
        return true;
    }
    let mut bends = [0.0; 5];
    for (slot, at) in bends.iter_mut().zip(k - 2..=k + 2) {
        *slot = (2.0 * x[at] - x[at - 1] - x[at + 1]).abs();
    }
    // Steps of a converter bend the wave by a part of a percent.
    let steps = 0.03 * x[k].abs();
    let (low, high) =
        bends.iter().fold((f64::INFINITY, 0.0_f64), |(low, high), b| (low.min(*b), high.max(*b)));
    // Held against the least of the five it is held against their median all the more.
    if high <= 2.2 * low + steps {
        return true;
    }
    bends.sort_unstable_by(f64::total_cmp);
    bends[4] <= 2.2 * bends[2] + steps
}

/// Place (-1..1 around the middle) of the top of the parabola through three equidistant values.
fn vertex(left: f64, middle: f64, right: f64) -> Option<f64> {
    let curvature = left - 2.0 * middle + right;
    (curvature < 0.0).then(|| (0.5 * (left - right) / curvature).clamp(-1.0, 1.0))
}

/// Crests of `x`: for each run of one sign the largest |x|, where it is at least `floor`.
///
/// Crests within [`HALO`] samples of the ends are left out, so give a slice with that much more
/// on either side (as much as the smoother takes, where there is one). Each crest is told between
/// samples: smoothed, or where there is no smoother or the crest is not smooth, interpolated.
#[must_use]
pub fn crests(x: &[f64], floor: f64, smoother: Option<&Smoother>) -> Vec<Crest> {
    let mut found = Vec::new();
    // The highest sample of the half-wave in hand, and its place; below zero where there is none.
    let (mut top, mut best) = (-1.0, 0);
    let silence = 0.25 * floor;
    let mut positive = x.first().is_some_and(|first| *first >= 0.0);
    let mut close = |top: &mut f64, best: usize| {
        if *top >= 0.0 {
            take(x, best, floor, smoother, &mut found);
        }
        *top = -1.0;
    };
    for (k, value) in x.iter().enumerate() {
        let size = value.abs();
        if (*value >= 0.0) != positive {
            close(&mut top, best);
            positive = !positive;
        }
        if size < silence {
            // A half-wave that a gate cuts off ends here, whatever its sign.
            close(&mut top, best);
        } else if size > top {
            (top, best) = (size, k);
        }
    }
    close(&mut top, best);
    found
}

fn take(x: &[f64], k: usize, floor: f64, smoother: Option<&Smoother>, found: &mut Vec<Crest>) {
    let halo = smoother.map_or(HALO, Smoother::halo);
    if x[k].abs() < floor || k < halo || k + halo >= x.len() {
        return;
    }
    let sign = x[k].signum();
    let smooth = smoother.and_then(|smoother| smoother.top(x, k, sign));
    found.push(match smooth {
        Some((at, value)) => Crest { at, value, rough: 0.0 },
        None => refine(x, k, sign),
    });
}

/// Median of the largest of `n` standard normal values (n >= 1, need not be whole): what noise
/// alone adds to a maximum, in standard deviations. Tends to sqrt(2 ln n) from below.
#[must_use]
pub fn expected_maximum(n: f64) -> f64 {
    // The maximum of n lies below z with probability Phi(z)^n = 1/2.
    let p = (-std::f64::consts::LN_2 / n.max(1.0)).exp();
    Normal::standard().inverse_cdf(p).max(0.0)
}

/// How many independent values noise of deviation `sigma` chooses from at a crest of height
/// `height`, in a carrier of `per_cycle` samples: those that stand within the noise of the top.
#[must_use]
pub fn chosen_from(height: f64, sigma: f64, per_cycle: f64) -> f64 {
    // A (1 - cos(2 pi j / n)) < sigma for |j| < n / (2 pi) sqrt(2 sigma / A).
    let share = (2.0 * sigma / height.max(sigma)).sqrt();
    (per_cycle / std::f64::consts::PI * share).max(1.0)
}

/// A largest crest and the standard uncertainty that noise leaves it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Maximum {
    /// The crest.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
}

/// Share of the noise that is left of a height told by the median of many: measured on synthetic
/// captures (docs/accuracy.md).
const LEFT_OF_MEDIAN: f64 = 0.12;

/// The largest true crest, from noisy crest heights.
///
/// `highest` is the largest height seen anywhere; `heights` is a sample of all heights, one in
/// `every`; `sigma` is the standard deviation of the noise; `per_cycle` the samples of a carrier
/// cycle (0 where it is not known).
///
/// Where all heights are alike but for the noise, their median less what noise adds to each is the
/// answer. Else: the maximum of m crests of one true height exceeds it by
/// [`expected_maximum`]`(m) * sigma`, and half of those m lie above it: the two statements together
/// give the estimate, found by iteration from below: from above, a single outlier would look like a
/// cluster of its own. Crests that are truly lower count only as far as they reach above it.
#[must_use]
pub fn unbiased_maximum(
    highest: f64,
    heights: &[f32],
    every: f64,
    sigma: f64,
    per_cycle: f64,
) -> Maximum {
    if sigma <= 0.0 {
        return Maximum { value: highest, u: 0.0 };
    }
    let near = chosen_from(highest, sigma, per_cycle);
    let all = heights.len() as f64 * every * near;
    if let Some((steady, seen)) = steady_height(heights, sigma, near)
        && highest - steady < sigma * (expected_maximum(all) + 2.5)
    {
        // What was taken for noise may be edges of the wave: then heights spread less.
        let added = seen.min(sigma) * expected_maximum(chosen_from(highest, seen, per_cycle));
        return Maximum { value: (steady - added).clamp(0.0, highest), u: LEFT_OF_MEDIAN * sigma };
    }
    let every = every * near;
    let mut estimate = highest - sigma * expected_maximum(all);
    let mut chosen = all;
    for _ in 0..30 {
        let above = heights.iter().filter(|h| f64::from(**h) >= estimate).count().max(1) as f64;
        chosen = 2.0 * above * every;
        let next = highest - sigma * expected_maximum(chosen);
        if (next - estimate).abs() <= 1e-9 * highest {
            break;
        }
        // Half steps: the count jumps, and a full step can swing between two values.
        estimate = 0.5 * (estimate + next);
    }
    // The largest of m normal values spreads by pi / sqrt(6) / sqrt(2 ln m) (extreme value theory);
    // what is taken off for it is known to a tenth.
    let spread = std::f64::consts::PI / 6_f64.sqrt() / (2.0 * chosen.max(3.0).ln()).sqrt();
    let u = sigma * spread.hypot(0.1 * expected_maximum(chosen));
    Maximum { value: estimate.clamp(0.0, highest), u }
}

/// Median of the heights, where they spread no more than noise makes them: each is the largest of
/// `near` values of deviation `sigma`. With it the deviation by which they do spread.
fn steady_height(heights: &[f32], sigma: f64, near: f64) -> Option<(f64, f64)> {
    if heights.len() < 20 {
        return None;
    }
    let mut sorted: Vec<f64> = heights.iter().map(|h| f64::from(*h)).collect();
    let low = quantile(&mut sorted, 0.16)?;
    let middle = median(&mut sorted)?;
    // The largest of n lies below z with probability Phi(z)^n.
    let below = |p: f64| Normal::standard().inverse_cdf(p.powf(1.0 / near));
    let one = below(0.5) - below(0.16);
    (middle - low <= 1.25 * sigma * one).then_some((middle, (middle - low) / one))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn crest_of_a_sine_between_samples() {
        for per_cycle in [12.0, 13.7, 20.0, 50.0] {
            for phase in [0.0, 0.1, 0.37, 1.1] {
                let x: Vec<f64> =
                    (0..200).map(|n| (TAU * f64::from(n) / per_cycle + phase).sin()).collect();
                for crest in crests(&x, 0.5, None) {
                    assert!((crest.value.abs() - 1.0).abs() < 2e-5, "{per_cycle} {crest:?}");
                }
            }
        }
    }

    #[test]
    fn interpolation_errs_as_its_weights_say() {
        for per_cycle in [5.0, 8.0, 12.0, 20.0] {
            // A cosine whose crest lies half-way between two samples.
            let x: Vec<f64> =
                (0..8).map(|n| (TAU * (f64::from(n) - 3.5) / per_cycle).cos()).collect();
            let seen = 1.0 - between(&x, 3, 0.5);
            assert!((seen.abs() - interpolation_error(per_cycle)).abs() < 1e-12, "{per_cycle}");
        }
        assert!(interpolation_error(12.0) < 2e-5);
    }

    #[test]
    fn a_sampled_top_is_kept_exactly() {
        // 20 samples per cycle from phase 0: the fifth sample is the crest itself.
        let x: Vec<f64> = (0..60).map(|n| (TAU * f64::from(n) / 20.0).sin()).collect();
        let top = crests(&x, 0.5, None)[0];
        assert!((top.value - 1.0).abs() < 1e-12 && (top.at - 5.0).abs() < 1e-6, "{top:?}");
    }

    #[test]
    fn noise_adds_what_order_statistics_say() {
        // Median of one standard normal value is 0; median of the largest of 2 is the z with
        // Phi(z)^2 = 1/2, z = 0.5450 (normal table: Phi(0.545) = 0.7071).
        assert!(expected_maximum(1.0).abs() < 1e-9);
        assert!((expected_maximum(2.0) - 0.5450).abs() < 1e-3);
        let million = expected_maximum(1e6);
        assert!(million < (2.0 * 1e6_f64.ln()).sqrt() && million > 4.7);
    }

    /// Heights that swing by twice the noise are not taken for steady ones: their highest counts.
    #[test]
    fn a_swing_in_noise_is_no_flat_top() {
        let normal = Normal::standard();
        let heights: Vec<f32> = (0..4000)
            .map(|k| {
                // Noise quantiles in an order that has nothing to do with the swing.
                let place = f64::from((k * 1237) % 4000) + 0.5;
                let swing = 4.0 * (TAU * f64::from(k) / 4000.0).sin();
                (100.0 + swing + 2.0 * normal.inverse_cdf(place / 4000.0)) as f32
            })
            .collect();
        let highest = heights.iter().copied().fold(0.0, f32::max);
        let found = unbiased_maximum(f64::from(highest), &heights, 1.0, 2.0, 0.0);
        assert!((found.value - 104.0).abs() < 1.5, "{found:?}");
    }

    #[test]
    fn a_flat_top_in_noise_is_found_again() {
        // Heights spread as normal quantiles about 100 with sigma 2.
        let normal = Normal::standard();
        let heights: Vec<f32> = (0..2000)
            .map(|k| (100.0 + 2.0 * normal.inverse_cdf((f64::from(k) + 0.5) / 2000.0)) as f32)
            .collect();
        let highest = f64::from(heights[1999]);
        let estimate = unbiased_maximum(highest, &heights, 1.0, 2.0, 0.0).value;
        assert!((estimate - 100.0).abs() < 0.3, "{estimate}");
        assert_eq!(unbiased_maximum(highest, &heights, 1.0, 0.0, 0.0).value, highest);
    }
}
