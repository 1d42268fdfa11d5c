//! Crests: the largest |x| of each half-wave, interpolated between the samples.

use statrs::distribution::{ContinuousCDF, Normal};

/// Samples needed on each side of a crest for the interpolation.
pub const HALO: usize = 4;

/// Barycentric weights of eight equidistant nodes: (-1)^k C(7, k).
const WEIGHTS: [f64; 8] = [1.0, -7.0, 21.0, -35.0, 35.0, -21.0, 7.0, -1.0];

/// One crest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crest {
    /// Place in samples from the start of the slice, between samples.
    pub at: f64,
    /// Signed value there.
    pub value: f64,
}

/// Value of `x` between samples, `fraction` (0..=1) past index `k`, by the eight-point central
/// Lagrange interpolator: the maximally flat band-limited one (Laakso et al. 1996, "Splitting the
/// unit delay", IEEE Signal Processing Magazine 13:30; from memory).
///
/// Error for a sine at 12 samples per cycle: below 1e-5. Falls back to the nearer sample where
/// fewer than four samples stand on a side. `x` must not be empty and `k` must lie in it.
#[must_use]
pub fn between(x: &[f64], k: usize, fraction: f64) -> f64 {
    let inside = k + 1 >= HALO && k + HALO < x.len();
    if !inside || fraction <= 0.0 || fraction >= 1.0 {
        let nearer = if fraction >= 0.5 { k + 1 } else { k };
        return x[nearer.min(x.len() - 1)];
    }
    let nodes = &x[k + 1 - HALO..k + 1 + HALO];
    let place = fraction + (HALO - 1) as f64;
    let (mut top, mut bottom) = (0.0, 0.0);
    for (node, (weight, value)) in WEIGHTS.iter().zip(nodes).enumerate() {
        let share = weight / (place - node as f64);
        top += share * value;
        bottom += share;
    }
    top / bottom
}

/// The interpolated extreme next to the sample extreme at `k`; `sign` is +1 for a top, -1 for a
/// bottom.
#[must_use]
pub fn refine(x: &[f64], k: usize, sign: f64) -> Crest {
    let sample = Crest { at: k as f64, value: x[k] };
    if k == 0 || k + 1 >= x.len() {
        return sample;
    }
    let Some(first) = vertex(sign * x[k - 1], sign * x[k], sign * x[k + 1]) else {
        return sample;
    };
    let value_at = |place: f64| {
        let floor = place.floor();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let index = floor as usize;
        sign * between(x, index, place - floor)
    };
    // A second parabola through three interpolated values around the first vertex.
    const STEP: f64 = 0.1;
    let middle = k as f64 + first;
    let (left, centre, right) =
        (value_at(middle - STEP), value_at(middle), value_at(middle + STEP));
    let second = vertex(left, centre, right).unwrap_or(0.0).clamp(-1.0, 1.0);
    let place = middle + STEP * second;
    let best = value_at(place).max(centre);
    if best > sign * x[k] { Crest { at: place, value: sign * best } } else { sample }
}

/// Place (-1..1 around the middle) of the top of the parabola through three equidistant values.
fn vertex(left: f64, middle: f64, right: f64) -> Option<f64> {
    let curvature = left - 2.0 * middle + right;
    (curvature < 0.0).then(|| (0.5 * (left - right) / curvature).clamp(-1.0, 1.0))
}

/// Crests of `x`: for each run of one sign the largest |x|, where it is at least `floor`.
///
/// Crests within [`HALO`] samples of the ends are left out, so give a slice with that much more
/// on either side. `interpolate` refines each crest between samples.
#[must_use]
pub fn crests(x: &[f64], floor: f64, interpolate: bool) -> Vec<Crest> {
    let mut found = Vec::new();
    let mut best: Option<usize> = None;
    let mut positive = x.first().is_some_and(|first| *first >= 0.0);
    for (k, value) in x.iter().enumerate() {
        if (*value >= 0.0) != positive {
            take(x, best.take(), floor, interpolate, &mut found);
            positive = !positive;
        }
        if best.is_none_or(|b| value.abs() > x[b].abs()) {
            best = Some(k);
        }
    }
    take(x, best, floor, interpolate, &mut found);
    found
}

fn take(x: &[f64], best: Option<usize>, floor: f64, interpolate: bool, found: &mut Vec<Crest>) {
    let Some(k) = best else { return };
    if x[k].abs() < floor || k < HALO || k + HALO >= x.len() {
        return;
    }
    found.push(if interpolate {
        refine(x, k, x[k].signum())
    } else {
        Crest { at: k as f64, value: x[k] }
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

/// The largest true crest, from noisy crest heights.
///
/// `highest` is the largest height seen anywhere; `heights` is a sample of all heights, one in
/// `every`; `sigma` is the standard deviation of the noise. The maximum of m crests of one true
/// height exceeds it by [`expected_maximum`]`(m) * sigma`, and half of those m lie above it: the
/// two statements together give the estimate, found by iteration from below: from above, a single
/// outlier would look like a cluster of its own. Crests that are truly lower count only as far as
/// they reach above the estimate.
#[must_use]
pub fn unbiased_maximum(highest: f64, heights: &[f32], every: f64, sigma: f64) -> f64 {
    if sigma <= 0.0 {
        return highest;
    }
    let mut estimate = highest - sigma * expected_maximum(heights.len() as f64 * every);
    for _ in 0..30 {
        let above = heights.iter().filter(|h| f64::from(**h) >= estimate).count().max(1) as f64;
        let next = highest - sigma * expected_maximum(2.0 * above * every);
        if (next - estimate).abs() <= 1e-9 * highest {
            break;
        }
        // Half steps: the count jumps, and a full step can swing between two values.
        estimate = 0.5 * (estimate + next);
    }
    estimate.clamp(0.0, highest)
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
                for crest in crests(&x, 0.5, true) {
                    assert!((crest.value.abs() - 1.0).abs() < 2e-5, "{per_cycle} {crest:?}");
                }
            }
        }
    }

    #[test]
    fn a_sampled_top_is_kept_exactly() {
        // 20 samples per cycle from phase 0: the fifth sample is the crest itself.
        let x: Vec<f64> = (0..60).map(|n| (TAU * f64::from(n) / 20.0).sin()).collect();
        let top = crests(&x, 0.5, true)[0];
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

    #[test]
    fn a_flat_top_in_noise_is_found_again() {
        // Heights spread as normal quantiles about 100 with sigma 2.
        let normal = Normal::standard();
        let heights: Vec<f32> = (0..2000)
            .map(|k| (100.0 + 2.0 * normal.inverse_cdf((f64::from(k) + 0.5) / 2000.0)) as f32)
            .collect();
        let highest = f64::from(heights[1999]);
        let estimate = unbiased_maximum(highest, &heights, 1.0, 2.0);
        assert!((estimate - 100.0).abs() < 0.3, "{estimate}");
        assert_eq!(unbiased_maximum(highest, &heights, 1.0, 0.0), highest);
    }
}
