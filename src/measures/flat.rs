//! Flat crests: what a probe, an amplifier or a converter cuts off before or after its noise comes on
//! top.
//!
//! A smooth crest is a parabola near its top: it spends 1/(sqrt(2) - 1) = 2.4 times as long within a
//! narrow band under the top as within the band below that, whatever its height; lower crests beside
//! it only add to the lower band. A crest as flat as a wave of a few harmonics can be (a parabola of
//! fourth degree) reaches 5.3. Crests that are cut off pile up.

use super::close::{CloseLook, Seen};
use crate::numeric::crest::expected_maximum;
use crate::numeric::order::median;
use crate::numeric::runs::where_true;
use crate::trace::Channel;
use std::ops::Range;

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flat {
    /// Level at which crests are cut off.
    pub level: f64,
    /// Share of the samples that stand there.
    pub share: f64,
}

/// Ratio of times in the two bands beyond that of the flattest smooth crest.
const PILED: f64 = 5.6;
/// The same where the samples of a half-wave tell it in a row.
const LONG_RUN: f64 = 1.6;
/// Width of a band as a share of the top: as narrow as noise and steps allow.
const BAND: f64 = 0.01;
/// Widest band in which a smooth crest is still told from a flat one.
const WIDEST: f64 = 0.04;
/// Narrowest band of exact values, as a share of the highest.
const EXACT: f64 = 1e-6;
/// Fewest samples in the upper band.
const FEWEST: usize = 24;

impl CloseLook<'_> {
    /// Crests of a channel that are cut off on either side, in the look that tells most of them.
    pub(super) fn flat(&self, seen: &[Seen], channel: Channel) -> Option<Flat> {
        const LONGEST: usize = 1 << 17;
        let mut found: Option<Flat> = None;
        for one in seen {
            let x = one.look.of(channel);
            let x = &x[..x.len().min(LONGEST)];
            let cycle = self.cycle / one.look.factor as f64;
            let noise = channel.of(self.noise);
            let step = channel.of(self.input.step) / (one.look.factor as f64).sqrt();
            let down: Vec<f64> = x.iter().map(|x| -x).collect();
            let sides = [find(x, cycle, noise, step), find(&down, cycle, noise, step)];
            let all = sides
                .into_iter()
                .flatten()
                .reduce(|a, b| Flat { level: a.level.max(b.level), share: a.share + b.share });
            if all.is_some_and(|all| found.is_none_or(|known| all.share > known.share)) {
                found = all;
            }
        }
        found
    }
}

/// Looks for crests of `x` that are cut off upwards. `cycle` is the carrier cycle in samples, `sigma`
/// the noise on top and `step` that of the converter.
#[must_use]
pub fn find(x: &[f64], cycle: f64, sigma: f64, step: f64) -> Option<Flat> {
    let top = top(x, sigma)?;
    let width = BAND.max(4.0 * sigma / top).max(3.0 * step / top);
    if cycle < 3.0 {
        return None;
    }
    let wide = (width <= WIDEST).then_some(top * width);
    let flat = |edge: f64, width: f64, exact: bool| piled(x, cycle, edge, width, exact);
    let found =
        wide.is_some_and(|width| flat(top, width, false)) || same_top(x, cycle, top, step) || {
            // At a rail of the converter all values are the same, or fall on two neighbours.
            let highest = x.iter().copied().fold(0.0, f64::max);
            let step = step.max(EXACT * highest);
            (1..=2).any(|steps| {
                let width = f64::from(steps) * step;
                width <= WIDEST * highest && flat(highest + 0.5 * step, width, true)
            })
        };
    let share =
        |width: f64| x.iter().filter(|x| **x >= top - width).count() as f64 / x.len() as f64;
    found.then(|| Flat { level: top, share: share(wide.unwrap_or(step)) })
}

/// Whether samples pile up in the band of this width below `edge`; `exact` where that is a code or two
/// of a converter.
fn piled(x: &[f64], cycle: f64, edge: f64, width: f64, exact: bool) -> bool {
    let top = edge;
    let (upper, lower) = (edge - width, edge - 2.0 * width);
    let in_upper = x.iter().filter(|x| **x >= upper).count();
    if in_upper < FEWEST {
        return false;
    }
    let in_lower = x.iter().filter(|x| **x >= lower && **x < upper).count();
    let ratio = in_upper as f64 / (in_lower as f64).max(1.0);
    let runs = where_true(x, |x| *x >= upper);
    let mut lengths: Vec<f64> = runs.iter().map(|run| run.len() as f64).collect();
    let usual = median(&mut lengths).unwrap_or(0.0);
    let natural = natural(width, top, cycle);
    let long = usual > LONG_RUN * natural + 2.0 && ratio > 0.7 * PILED;
    // Where the samples keep step with the carrier, a run of one code must be longer than places
    // explain.
    let in_step = || exact && usual > (1.3 * natural + 1.5).max(2.5);
    long || (ratio > PILED && (spread(x, &runs, top) || in_step()))
}

/// Whether far more half-waves end at the very same code than places of the samples explain: the
/// highest samples of a smooth crest spread over many codes.
fn same_top(x: &[f64], cycle: f64, top: f64, step: f64) -> bool {
    /// Share of the half-waves that would be chance.
    const CHANCE: f64 = 0.4;
    /// Share that a smooth crest may explain.
    const NATURAL: f64 = 0.2;
    const FEWEST: usize = 12;
    if step <= 0.0 || natural(step, top, cycle) > NATURAL {
        return false;
    }
    let runs = where_true(x, |x| *x >= 0.8 * top);
    let highest = |run: &Range<usize>| x[run.clone()].iter().copied().fold(0.0, f64::max);
    let same = runs.iter().filter(|run| (highest(run) - top).abs() < 0.5 * step).count();
    runs.len() >= FEWEST && same as f64 > CHANCE * runs.len() as f64 && spread(x, &runs, top)
}

/// Samples for which a sine stays in the band of this width under its top.
fn natural(width: f64, top: f64, cycle: f64) -> f64 {
    (2.0 * width / top).sqrt() * cycle / std::f64::consts::PI
}

/// The highest level that samples really reach: a few stand higher by chance or by a spike.
fn top(x: &[f64], sigma: f64) -> Option<f64> {
    const SPIKES: usize = 10;
    if x.len() < 4 * SPIKES {
        return None;
    }
    let mut sorted = x.to_vec();
    sorted.select_nth_unstable_by(SPIKES, |a, b| b.total_cmp(a));
    let near = sorted.iter().filter(|x| **x > *sorted.get(SPIKES).unwrap_or(&0.0) - 2.0 * sigma);
    let by_noise = sigma * (expected_maximum(near.count() as f64 / SPIKES as f64) - 0.5).max(0.0);
    let high = sorted.get(SPIKES).copied().unwrap_or(0.0) - by_noise;
    (high > 0.0).then_some(high)
}

/// Whether the crests of these runs are met at all places between samples: where the samples keep step
/// with the carrier, counts tell of their places and not of the wave. A crest lies midway between the
/// points at which the wave passes a lower level.
fn spread(x: &[f64], runs: &[Range<usize>], top: f64) -> bool {
    const BINS: usize = 10;
    const FILLED: usize = 6;
    const LEVEL: f64 = 0.7;
    let level = LEVEL * top;
    let mut bins = [0_usize; BINS];
    for run in runs {
        let before = x[..run.start].iter().rposition(|x| *x < level);
        let after = x[run.end..].iter().position(|x| *x < level).map(|k| run.end + k);
        let (Some(before), Some(after)) = (before, after) else { continue };
        let part = |below: f64, above: f64| (level - below) / (above - below);
        let rises = before as f64 + part(x[before], x[before + 1]);
        let falls = after as f64 - part(x[after], x[after - 1]);
        let place = (0.5 * (rises + falls)).fract();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let bin = ((place * BINS as f64) as usize).min(BINS - 1);
        bins[bin] += 1;
    }
    // A few by chance do not fill a bin.
    let least = runs.len() / (10 * BINS);
    bins.iter().filter(|count| **count > least).count() >= FILLED
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// A fixed pseudo-noise of unit variance.
    fn noise(k: usize) -> f64 {
        let unit = |salt: f64| {
            let x = ((k as f64 + salt) * 12.9898).sin() * 43_758.545_3;
            x - x.floor()
        };
        (unit(0.1) + unit(0.2) + unit(0.3) + unit(0.4) - 2.0) * 3_f64.sqrt()
    }

    fn wave(per_cycle: f64, at: impl Fn(f64) -> f64, clip: f64, sigma: f64) -> Vec<f64> {
        (0..20_000).map(|k| at(TAU * k as f64 / per_cycle).min(clip) + sigma * noise(k)).collect()
    }

    #[test]
    fn what_is_cut_off_is_found_under_noise() {
        for per_cycle in [20.3, 64.7, 250.0] {
            for clip in [0.8, 0.9, 0.95, 0.97] {
                let x = wave(per_cycle, f64::sin, clip, 1e-3);
                let found = find(&x, per_cycle, 1e-3, 0.0);
                let level = found.map_or(0.0, |flat| flat.level);
                assert!((level - clip).abs() < 0.005, "{per_cycle} {clip}: {found:?}");
            }
        }
    }

    #[test]
    fn smooth_crests_are_not() {
        let third = |share: f64| move |angle: f64| angle.sin() + share * (3.0 * angle).sin();
        for per_cycle in [12.0, 20.0, 20.3, 64.7, 250.0, 997.0] {
            for sigma in [0.0, 1e-3, 5e-3] {
                for share in [-0.2, 0.0, 0.05, 0.1] {
                    let x = wave(per_cycle, third(share), 9.0, sigma);
                    assert_eq!(
                        find(&x, per_cycle, sigma, 0.0),
                        None,
                        "{per_cycle} {sigma} {share}"
                    );
                }
            }
        }
    }

    #[test]
    fn crests_of_a_converter_pile_up_at_its_rail_only() {
        for (bits, per_cycle) in [(8, 24.3), (8, 100.3), (8, 400.7), (12, 50.3), (14, 13.7)] {
            let full = f64::from(1 << (bits - 1));
            let at = |clip: f64, sigma: f64| -> Vec<f64> {
                wave(per_cycle, f64::sin, 9.0, sigma)
                    .into_iter()
                    .map(|x| (x.min(clip) * full * 0.95).round() / full)
                    .collect()
            };
            for sigma in [0.0, 2e-3] {
                let step = 1.0 / full;
                assert_eq!(
                    find(&at(9.0, sigma), per_cycle, sigma, step),
                    None,
                    "{bits} {per_cycle}"
                );
                let clipped = find(&at(0.9, sigma), per_cycle, sigma, step);
                assert!(clipped.is_some(), "{bits} {per_cycle} {sigma}");
            }
        }
    }
}
