//! Clipped samples: repeated extremes that a crest would not have.

use crate::numeric::moments::extremes;
use crate::numeric::quantum::quantum;
use crate::trace::{Overview, ReadFailure, Samples};

/// What was clipped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clipping {
    /// Samples at the rails.
    pub samples: u64,
    /// Level of the rail, in the channel's unit.
    pub level: f64,
}

/// Shortest run of equal extremes that counts.
const RUN: usize = 3;
/// Cells that are read to find out whether anything clips.
const LOOKS: usize = 16;

/// Looks for clipping of one channel; `clip_at` gives the rail where it is known (|x|).
///
/// # Errors
/// Where samples can't be read again.
pub fn find(
    overview: &Overview,
    samples: &dyn Samples,
    voltage: bool,
    clip_at: Option<f64>,
) -> Result<Option<Clipping>, ReadFailure> {
    let pair = |k: usize| {
        let cell = &overview.cells()[k];
        if voltage { cell.v } else { cell.i }
    };
    let count = overview.cells().len();
    let mut total = 0;
    let mut level = 0.0_f64;
    for up in [true, false] {
        let height = |k: usize| f64::from(if up { pair(k)[1] } else { -pair(k)[0] });
        let rail = clip_at.unwrap_or_else(|| (0..count).map(height).fold(0.0, f64::max));
        if rail <= 0.0 {
            continue;
        }
        // Room for the single precision of the overview.
        let gaps = samples.gaps();
        let near: Vec<usize> = (0..count)
            .filter(|k| height(*k) >= rail * (1.0 - 1e-6))
            .filter(|k| gaps.is_empty() || gaps.count(&overview.span(*k..*k + 1)) == 0)
            .collect();
        let read = |k: usize| -> Result<Vec<f64>, ReadFailure> {
            let span = overview.span(k..k + 1);
            let block = samples.read(span.start.saturating_sub(64)..span.end + 64)?;
            let x = if voltage { block.v } else { block.i };
            Ok(if up { x } else { x.into_iter().map(|x| -x).collect() })
        };
        let step = near.len().div_ceil(LOOKS).max(1);
        let mut suspect = 0;
        let mut looked = 0;
        for k in near.iter().step_by(step) {
            looked += 1;
            suspect += u64::from(clip_at.is_some() || has_flat_top(&read(*k)?));
        }
        if suspect == 0 || (clip_at.is_none() && 4 * suspect < looked) {
            continue;
        }
        for k in &near {
            let span = overview.span(*k..*k + 1);
            let block = samples.read(span)?;
            let x = if voltage { &block.v } else { &block.i };
            let at_rail = |x: &&f64| (if up { **x } else { -**x }) >= rail * (1.0 - 1e-6);
            total += x.iter().filter(at_rail).count() as u64;
        }
        level = level.max(rail);
    }
    Ok((total > 0).then_some(Clipping { samples: total, level }))
}

/// Whether the highest samples form a plateau: a run of at least three within one quantum of the
/// top, far longer than the time the wave spends in the quantum below it.
///
/// An unclipped crest is a parabola: it spends at most 2.4 times as long in its top quantum as in
/// the next one.
fn has_flat_top(x: &[f64]) -> bool {
    let Some((_, top)) = extremes(x) else { return false };
    let quantum = quantum(x).unwrap_or(0.0).max(top.abs() * 1e-9);
    let on_top = |value: f64| value > top - 0.5 * quantum;
    let below = |value: f64| value > top - 1.5 * quantum && !on_top(value);
    let (mut longest, mut at) = (0, 0);
    let mut run = 0;
    for (k, value) in x.iter().enumerate() {
        run = if on_top(*value) { run + 1 } else { 0 };
        if run > longest {
            (longest, at) = (run, k);
        }
    }
    if longest < RUN {
        return false;
    }
    let start = at + 1 - longest;
    let before = x[..start].iter().rev().take_while(|value| below(**value)).count();
    let after = x[at + 1..].iter().take_while(|value| below(**value)).count();
    longest as f64 > 3.0 * (before + after) as f64
}

/// What clipping a sine at this share of its peak does to its mean square, relative: the integral
/// of min(|sin|, c)^2 in closed form. At 0.95 it is -2.6 %.
#[must_use]
pub fn effect_on_mean_square(share: f64) -> f64 {
    let c = share.clamp(0.0, 1.0);
    let angle = c.asin();
    let half = std::f64::consts::FRAC_PI_2;
    let below = angle / 2.0 - (2.0 * angle).sin() / 4.0;
    (below + c * c * (half - angle)) / (half / 2.0) - 1.0
}

/// Clip level over peak of a sine of which this share of time is clipped.
#[must_use]
pub fn level_from_time(share_of_time: f64) -> f64 {
    (std::f64::consts::FRAC_PI_2 * share_of_time.clamp(0.0, 1.0)).cos()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn published_effects() {
        // Sine clipped at 99, 95, 90, 80 % of its peak: power -0.24, -2.6, -7.2, -19 %.
        for (share, effect) in [(0.99, -0.0024), (0.95, -0.026), (0.90, -0.072), (0.80, -0.19)] {
            assert!((effect_on_mean_square(share) - effect).abs() < 0.05 * effect.abs(), "{share}");
        }
        assert!((level_from_time(0.2) - 0.951).abs() < 1e-3);
    }

    #[test]
    fn a_crest_is_no_plateau_and_a_clipped_one_is() {
        for (bits, per_cycle) in [(0, 24.0), (8, 24.0), (8, 100.0), (8, 400.0), (12, 50.0)] {
            for phase in [0.0, 0.3, 0.7] {
                let wave = |clip: f64| -> Vec<f64> {
                    (0..2000)
                        .map(|n| (TAU * f64::from(n) / per_cycle + phase).sin().clamp(-clip, clip))
                        .map(|x| match bits {
                            0 => x,
                            bits => (x * f64::from(1 << (bits - 1))).round(),
                        })
                        .collect()
                };
                assert!(!has_flat_top(&wave(1.0)), "{bits} {per_cycle}");
                assert!(has_flat_top(&wave(0.9)), "{bits} {per_cycle}");
            }
        }
    }
}
