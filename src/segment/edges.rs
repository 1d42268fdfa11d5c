//! Edges: coarse on frames, then to the sample.

use super::frames::Frames;
use super::{Look, Thresholds};
use crate::numeric::envelope::envelope;
use crate::numeric::moments::largest_absolute;
use crate::numeric::order::median;
use crate::numeric::spectrum::Fourier;
use crate::trace::{Phase, ReadFailure, carrier_line};
use std::f64::consts::TAU;
use std::ops::Range;

/// Frames on each side of a place that are compared.
const WINDOW: usize = 10;
/// Fewest frames on a side.
const LEAST: usize = 4;

/// Cuts a powered run of frames at jumps of level or shape.
///
/// A straight line is fitted to either side of a place, and the two are compared where they meet:
/// a slow ramp or a decay meets itself, a jump does not.
pub fn split_at_jumps(
    frames: &Frames,
    run: Range<usize>,
    sigma: f64,
    thresholds: &Thresholds,
) -> Vec<Range<usize>> {
    let features: Vec<[f64; 3]> = run
        .clone()
        .map(|k| {
            let level = (frames.variance(k) - sigma * sigma).max(0.0).sqrt();
            let peak = frames.peak(k, 0.0).max(f64::MIN_POSITIVE).ln();
            [level, frames.kurtosis(k).max(1.0).ln(), peak]
        })
        .collect();
    let mut cuts = Vec::new();
    // The first and last frame are only partly powered.
    let inner = if features.len() > 2 * LEAST { 1..features.len() - 1 } else { 0..features.len() };
    find_jumps(&features, inner, thresholds, &mut cuts);
    cuts.sort_unstable();
    let mut parts = Vec::new();
    let mut start = run.start;
    for cut in cuts {
        parts.push(start..run.start + cut);
        start = run.start + cut;
    }
    parts.push(start..run.end);
    parts
}

fn find_jumps(
    features: &[[f64; 3]],
    range: Range<usize>,
    thresholds: &Thresholds,
    cuts: &mut Vec<usize>,
) {
    let mut work = vec![range];
    while let Some(range) = work.pop() {
        if range.len() < 2 * LEAST + 1 {
            continue;
        }
        let best = (range.start + LEAST..range.end - LEAST)
            .map(|at| (jump(features, &range, at, thresholds), at))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((score, at)) = best
            && score > 1.0
        {
            cuts.push(at);
            work.push(range.start..at);
            // The frame at the jump holds both sides.
            work.push(at + 1..range.end);
        }
    }
}

/// How plainly the series jumps at frame `at`: above 1 it does.
fn jump(features: &[[f64; 3]], range: &Range<usize>, at: usize, thresholds: &Thresholds) -> f64 {
    let left = at.saturating_sub(WINDOW).max(range.start)..at;
    let right = at + 1..(at + 1 + WINDOW).min(range.end);
    let mut best = 0.0_f64;
    for (feature, limit) in [thresholds.level_jump, thresholds.shape_jump, thresholds.shape_jump]
        .into_iter()
        .enumerate()
    {
        let series = |range: &Range<usize>| -> Vec<f64> {
            features[range.clone()].iter().map(|frame| frame[feature]).collect()
        };
        let (a, b) = (line(&series(&left), true), line(&series(&right), false));
        let spread = 3.0 * a.error.hypot(b.error);
        let (difference, limit) = if feature == 0 {
            let larger = a.value.max(b.value).max(f64::MIN_POSITIVE);
            (
                (a.value.max(0.0) - b.value.max(0.0)).abs() / larger - spread / larger,
                1.0 - 1.0 / limit,
            )
        } else {
            ((a.value - b.value).abs() - spread, limit.ln())
        };
        best = best.max(difference / limit);
    }
    best
}

struct Line {
    /// Value where the two sides meet.
    value: f64,
    /// Its standard error.
    error: f64,
}

/// Straight line through equidistant values, read one step past its end (or before its start).
fn line(y: &[f64], past_end: bool) -> Line {
    let n = y.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let mean = y.iter().sum::<f64>() / n;
    let spread: f64 = (0..y.len()).map(|k| (k as f64 - middle).powi(2)).sum();
    let slope = if spread > 0.0 {
        y.iter().enumerate().map(|(k, v)| (k as f64 - middle) * (v - mean)).sum::<f64>() / spread
    } else {
        0.0
    };
    let reach = if past_end { (n + 1.0) / 2.0 } else { -(n + 1.0) / 2.0 };
    let rest: f64 =
        y.iter().enumerate().map(|(k, v)| (v - mean - slope * (k as f64 - middle)).powi(2)).sum();
    let deviation = (rest / (n - 2.0).max(1.0)).sqrt();
    Line {
        value: mean + slope * reach,
        error: deviation * (1.0 / n + reach * reach / spread.max(1.0)).sqrt(),
    }
}

/// Moves every inner edge to its sample. The phases keep their order and go on tiling the record.
pub fn refine(look: &Look<'_>, phases: &mut [Phase]) -> Result<(), ReadFailure> {
    let mut fourier = Fourier::new();
    let carriers = phases
        .iter()
        .map(
            |phase| {
                if phase.kind.powered() { carrier(look, phase, &mut fourier) } else { Ok(None) }
            },
        )
        .collect::<Result<Vec<_>, _>>()?;
    for k in 1..phases.len() {
        let (before, after) = (phases[k - 1], phases[k]);
        let limits = before.start + 1..after.end.saturating_sub(1).max(before.start + 2);
        let w = carriers[k].or(carriers[k - 1]);
        let edge = match (before.kind.powered(), after.kind.powered(), w) {
            (_, _, None) | (false, false, _) => None,
            (false, true, Some(w)) => half_level(look, &after, w, true)?,
            (true, false, Some(w)) => half_level(look, &before, w, false)?,
            (true, true, Some(w)) => likeliest(look, &before, &after, w)?,
        };
        if let Some(edge) = edge {
            let edge = edge.clamp(limits.start, limits.end);
            phases[k - 1].end = edge;
            phases[k].start = edge;
        }
    }
    Ok(())
}

/// Strongest line of a powered phase, radians per sample.
fn carrier(
    look: &Look<'_>,
    phase: &Phase,
    fourier: &mut Fourier,
) -> Result<Option<f64>, ReadFailure> {
    const LOOK: u64 = 1 << 14;
    let middle = phase.start + phase.len() / 2;
    let half = LOOK.min(phase.len()) / 2;
    let (_, x) = look.leading(middle - half..middle + half)?;
    let rate = look.samples.rate();
    let line = fourier.spectrum(&x).and_then(|spectrum| carrier_line(&spectrum, rate));
    Ok(line.map(|f| TAU * f))
}

/// Samples over which the envelope of an output of this amplitude is averaged: one carrier cycle,
/// or as many as keep the noise well under half of it.
fn averaging(look: &Look<'_>, w: f64, amplitude: f64) -> usize {
    let cycle = TAU / w;
    let noise = 16.0 * look.sigma / amplitude.max(f64::MIN_POSITIVE);
    let cycles = (noise * noise * 2.0 / cycle).clamp(1.0, 50.0).ceil();
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let length = (cycles * cycle).round() as usize;
    length.max(2)
}

/// The edge between rest and a powered phase: where the envelope first (or last) crosses half of
/// the phase's level (mid reference level of IEEE 181 applied to the envelope).
fn half_level(
    look: &Look<'_>,
    phase: &Phase,
    w: f64,
    rising: bool,
) -> Result<Option<u64>, ReadFailure> {
    const LOOKS: u64 = 5;
    let frame = look.frames.length as u64;
    let rough = look.sigma * 3.0;
    let mut tops = Vec::new();
    for k in 0..LOOKS {
        let at = phase.start + (2 * k + 1) * phase.len() / (2 * LOOKS);
        let range = at.saturating_sub(frame / 2).max(phase.start)..(at + frame / 2).min(phase.end);
        let (_, x) = look.leading(range)?;
        let length = averaging(look, w, rough.max(1e-12) * 4.0).min(x.len() / 2).max(2);
        tops.extend(envelope(&x, w, length).into_iter().reduce(f64::max));
    }
    let Some(level) = median(&mut tops).filter(|level| *level > 0.0) else { return Ok(None) };
    let half = level / 2.0;
    let length = averaging(look, w, level);

    // Cells in which a sample reaches near half the level, from the coarse edge inwards; a slow
    // ramp gets there late.
    let cell = look.overview.cell_length() as u64;
    let reach = 2 * frame;
    let bottom = 0.8 * half;
    let near = |k: u64| {
        #[allow(clippy::cast_possible_truncation)]
        let cell = look.overview.cells().get(k as usize);
        cell.is_some_and(|cell| look.frames.peak_of(cell, look.offset) >= bottom)
    };
    let margin = (2 * length as u64).max(cell);
    if rising {
        let mut k = phase.start.saturating_sub(reach) / cell;
        while k * cell < phase.end {
            if near(k) {
                let from = (k * cell).saturating_sub(margin);
                let (start, x) = look.leading(from..(k + 1) * cell + margin)?;
                let found = envelope(&x, w, length).iter().position(|e| *e >= half);
                if let Some(at) = found {
                    return Ok(Some(start + at as u64));
                }
            }
            k += 1;
        }
    } else {
        let mut k = ((phase.end + reach) / cell).min(look.overview.cells().len() as u64);
        while k > 0 && k * cell > phase.start {
            k -= 1;
            if near(k) {
                let from = (k * cell).saturating_sub(margin);
                let (start, x) = look.leading(from..(k + 1) * cell + margin)?;
                let found = envelope(&x, w, length).iter().rposition(|e| *e >= half);
                if let Some(at) = found {
                    return Ok(Some(start + at as u64 + 1));
                }
            }
        }
    }
    Ok(None)
}

/// The edge between two powered phases: the split that makes the envelope values on either side
/// most likely, given how they are spread well inside each phase.
fn likeliest(
    look: &Look<'_>,
    before: &Phase,
    after: &Phase,
    w: f64,
) -> Result<Option<u64>, ReadFailure> {
    let frame = look.frames.length as u64;
    let coarse = before.end;
    let zone =
        coarse.saturating_sub(3 * frame).max(before.start)..(coarse + 4 * frame).min(after.end);
    let left = zone.start.saturating_sub(12 * frame).max(before.start)..zone.start;
    let right = zone.end..(zone.end + 12 * frame).min(after.end);
    if left.is_empty() || right.is_empty() {
        return Ok(None);
    }
    let (start, x) = look.leading(left.start..right.end)?;
    let amplitude = largest_absolute(&x);
    let length = averaging(look, w, amplitude);
    let e = envelope(&x, w, length);
    #[allow(clippy::cast_possible_truncation)]
    let part = |range: &Range<u64>| (range.start - start) as usize..(range.end - start) as usize;
    let floor = (amplitude * 1e-3).max(look.sigma * (2.0 / length as f64).sqrt());
    if floor <= 0.0 {
        return Ok(None);
    }
    let spread_left = Spread::of(&e[part(&left)], floor);
    let spread_right = Spread::of(&e[part(&right)], floor);
    let zone = part(&zone);
    let mut gain = 0.0;
    let mut best = (0.0, zone.start);
    for n in zone {
        gain += spread_left.log_share(e[n]) - spread_right.log_share(e[n]);
        if gain > best.0 {
            best = (gain, n + 1);
        }
    }
    Ok(Some(start + best.1 as u64))
}

/// How envelope values are spread, on a logarithmic scale.
struct Spread {
    floor: f64,
    shares: [f64; Self::BINS],
}

impl Spread {
    const BINS: usize = 64;
    const PER_OCTAVE: f64 = 5.0;

    fn of(values: &[f64], floor: f64) -> Self {
        let mut shares = [0.0; Self::BINS];
        let mut empty = Self { floor, shares };
        for value in values {
            let bin = empty.bin(*value);
            // Spread over the neighbours, so that a value beside a filled bin is not a surprise.
            for (step, weight) in [(0, 0.5), (1, 0.25)] {
                shares[(bin + step).min(Self::BINS - 1)] += weight;
                shares[bin.saturating_sub(step)] += weight;
            }
        }
        let total: f64 = shares.iter().sum::<f64>().max(1.0);
        empty.shares = shares.map(|share| share / total + 1e-4);
        empty
    }

    fn bin(&self, value: f64) -> usize {
        let octaves = (value / self.floor).max(1.0).log2();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let bin = (octaves * Self::PER_OCTAVE) as usize;
        bin.min(Self::BINS - 1)
    }

    fn log_share(&self, value: f64) -> f64 {
        self.shares[self.bin(value)].ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps(levels: &[(usize, f64)]) -> Vec<[f64; 3]> {
        levels.iter().flat_map(|(count, level)| vec![[*level, 0.4, 1.0]; *count]).collect()
    }

    fn cuts(features: &[[f64; 3]]) -> Vec<usize> {
        let mut cuts = Vec::new();
        find_jumps(features, 0..features.len(), &Thresholds::default(), &mut cuts);
        cuts.sort_unstable();
        cuts
    }

    #[test]
    fn a_step_is_cut_and_a_ramp_is_not() {
        let found = cuts(&steps(&[(40, 500.0), (40, 100.0)]));
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((39..=41).contains(&found[0]), "{found:?}");
        let ramp: Vec<[f64; 3]> = (0..80).map(|k| [f64::from(k) * 5.0, 0.4, 1.0]).collect();
        assert!(cuts(&ramp).is_empty());
        assert!(cuts(&steps(&[(80, 300.0)])).is_empty());
    }

    #[test]
    fn one_dip_is_no_edge() {
        let features = steps(&[(30, 100.0), (1, 50.0), (30, 100.0)]);
        assert!(cuts(&features).is_empty());
    }
}
