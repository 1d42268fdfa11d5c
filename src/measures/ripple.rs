//! Slow changes of the level inside a phase: mains ripple, sag, a level that swings.

use super::stats::{Repeated, Ripple};
use crate::numeric::moments::PairMoments;
use crate::numeric::period::repetition;
use crate::trace::{Channel, Overview};
use std::ops::Range;

/// Fewest windows of a phase that tell its ripple.
const FEWEST: usize = 16;
/// Most values that are looked at; of more, neighbours are taken together.
const MOST: usize = 1 << 15;
/// Depth from which on what repeats is told as a rate.
const PLAIN: f64 = 0.005;

/// How the level of `channel` changes along `range`: the root mean square of windows of `window`
/// samples, `sigma` being the noise in it. The first and last window are left to onset and tail.
#[must_use]
pub(super) fn find(
    overview: &Overview,
    range: &Range<u64>,
    window: f64,
    channel: Channel,
    sigma: f64,
    interval_s: f64,
) -> Ripple {
    let (_, cells, _) = overview.inside(range);
    let least = overview.cells_in(window);
    let group = least.max(cells.len().div_ceil(MOST));
    let levels: Vec<f64> = overview.cells()[cells]
        .chunks_exact(group)
        .map(|cells| {
            let mut all = PairMoments::default();
            cells.iter().for_each(|cell| all.merge(&cell.moments));
            let square = channel.of((all.mean_square_v(), all.mean_square_i())).unwrap_or(0.0);
            (square - sigma * sigma).max(0.0).sqrt()
        })
        .collect();
    if levels.len() < FEWEST + 2 {
        return Ripple::default();
    }
    let levels = &levels[1..levels.len() - 1];
    let found = repetition(levels, 3);
    if let Some(found) = found {
        // From one turn of it to the next; the ends of a turn may lie anywhere.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let turn = found.lag.round() as usize;
        let depths: Vec<f64> = levels.chunks_exact(turn).map(depth).collect();
        let mean = depths.iter().sum::<f64>() / depths.len() as f64;
        if mean > PLAIN {
            let hz = 1.0 / (found.lag * (group * overview.cell_length()) as f64 * interval_s);
            // The peak of an autocorrelation is told to a part of a value, over the turns there are.
            let turns = levels.len() as f64 / found.lag;
            let doubt_hz = hz * 0.3 / found.lag / (turns - 1.0).max(1.0);
            // A window takes away sinc(pi w f) of a swing.
            let smoothed = (std::f64::consts::PI / found.lag).powi(2) / 6.0;
            let depth = Repeated::series(&depths);
            return Ripple { depth, doubt: mean * smoothed, hz: Repeated::of(&[hz]), doubt_hz };
        }
    }
    let mut sorted = levels.to_vec();
    let middle = crate::numeric::order::median(&mut sorted).unwrap_or(0.0);
    let mut steps: Vec<f64> = levels.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    let step = crate::numeric::order::median(&mut steps).unwrap_or(0.0);
    let noise = if middle > 0.0 { step / (0.6745 * 2_f64.sqrt()) / middle } else { 0.0 };
    Ripple { depth: Repeated::of(&[depth(levels)]), doubt: noise, ..Ripple::default() }
}

/// (highest - lowest) / (highest + lowest).
fn depth(levels: &[f64]) -> f64 {
    let (low, high) =
        levels.iter().fold((f64::INFINITY, 0.0_f64), |(low, high), x| (low.min(*x), high.max(*x)));
    if high > 0.0 { (high - low) / (high + low) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// 5 MS/s, 400 kHz, the amplitude as given by the time in seconds.
    fn ripple(seconds: f64, amplitude: impl Fn(f64) -> f64) -> Ripple {
        const RATE: f64 = 5e6;
        let mut overview = Overview::new(64);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let count = (seconds * RATE) as usize;
        let v: Vec<f64> = (0..count)
            .map(|k| k as f64 / RATE)
            .map(|t| amplitude(t) * (TAU * 4e5 * t).sin())
            .collect();
        overview.push(&v, &[]);
        overview.finish();
        find(&overview, &(0..count as u64), 1250.0, Channel::Voltage, 0.0, 1.0 / RATE)
    }

    #[test]
    fn depth_and_rate_of_a_ripple() {
        // A window of 0.25 ms takes 1 % off at 300 Hz, and sees the valley of a deep one filled.
        for (hz, depth, within) in [(100.0, 0.05, 0.02), (120.0, 0.3, 0.02), (300.0, 0.8, 0.03)] {
            let found = ripple(0.1, |t| 400.0 * (1.0 + depth * (TAU * hz * t).sin()));
            let (seen, rate) = (found.depth.mean().unwrap(), found.hz.mean().unwrap());
            assert!((seen / depth - 1.0).abs() < within, "{hz}: {seen}");
            assert!((rate / hz - 1.0).abs() < 5e-3, "{hz}: {rate}");
        }
    }

    #[test]
    fn steady_output_and_a_slope_have_no_rate() {
        let steady = ripple(0.05, |_| 400.0);
        assert!(steady.depth.mean().unwrap() < 1e-3 && steady.hz.count() == 0, "{steady:?}");
        let slope = ripple(0.05, |t| 400.0 * (1.0 - 4.0 * t));
        assert!((slope.depth.mean().unwrap() - 0.11).abs() < 0.01, "{slope:?}");
        assert_eq!(slope.hz.count(), 0);
        assert_eq!(ripple(0.003, |_| 400.0), Ripple::default());
    }
}
