//! Edges: coarse on frames, then to the sample.

use super::frames::Frames;
use super::stretches::Level;
use super::{Look, Piece, Thresholds};
use crate::numeric::envelope::{amplitude, envelope};
use crate::numeric::moments::largest_absolute;
use crate::numeric::order::median;
use crate::numeric::runs::where_true;
use crate::numeric::spectrum::Fourier;
use crate::numeric::thin::means;
use crate::trace::{Channel, Phase, ReadFailure, find_carrier};
use std::f64::consts::TAU;
use std::ops::Range;

/// Frames on each side of a place that are compared.
const WINDOW: usize = 10;
/// Fewest frames on a side.
const LEAST: usize = 4;

/// Cuts a stretch of output at jumps of level or shape.
///
/// A straight line is fitted to either side of a place, and the two are compared where they meet:
/// a slow ramp or a decay meets itself, a jump does not. Frames of silence between bursts tell
/// nothing and are left out.
pub(super) fn split_at_jumps(
    frames: &Frames,
    powered: &[bool],
    range: &Range<u64>,
    level: &Level,
    thresholds: &Thresholds,
) -> Vec<Range<u64>> {
    let (channel, sigma) = (level.channel, level.noise.sigma);
    // The first and last frame are only partly powered.
    let all = frames.inside(range);
    let inner = if all.len() > 2 * LEAST { all.start + 1..all.end - 1 } else { all };
    let places: Vec<usize> = inner.filter(|k| powered[*k]).collect();
    let features: Vec<[f64; 3]> = places
        .iter()
        .map(|k| {
            let level = (frames.variance(*k, channel) - sigma * sigma).max(0.0).sqrt();
            let peak = frames.list[*k].reach(channel, 0.0);
            [level, frames.kurtosis(*k, channel).max(1.0).ln(), peak]
        })
        .collect();
    let mut cuts = Vec::new();
    find_jumps(&features, 0..features.len(), thresholds, &mut cuts);
    cuts.sort_unstable();
    let mut parts = Vec::new();
    let mut start = range.start;
    for cut in cuts {
        let at = places[cut] as u64 * frames.length as u64;
        parts.push(start..at);
        start = at;
    }
    parts.push(start..range.end);
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
        // A jump is there from one frame to the next but one; a ripple takes longer.
        let here = (features[at - 1][feature] - features[at + 1][feature]).abs();
        let (difference, limit) = if feature == KURTOSIS {
            ((a.value - b.value).abs() - spread, limit.ln())
        } else {
            // Held against the largest level nearby: next to the valley of a ripple any two values
            // differ by much of themselves.
            let near = left.start..right.end;
            let larger = features[near]
                .iter()
                .map(|frame| frame[feature])
                .fold(a.value.max(b.value).max(f64::MIN_POSITIVE), f64::max);
            let apart = (a.value.max(0.0) - b.value.max(0.0)).abs();
            ((apart.min(SPREAD * here) - spread) / larger, 1.0 - 1.0 / limit)
        };
        best = best.max(difference / limit);
    }
    best
}

/// Feature of a frame that tells shape by the logarithm of its kurtosis; the others are levels.
const KURTOSIS: usize = 1;
/// What one step between frames may show of a jump at least, as a divisor: frames of bursts scatter.
const SPREAD: f64 = 1.5;

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
pub(super) fn refine(
    look: &Look<'_>,
    pieces: &[Piece],
    phases: &mut [Phase],
) -> Result<(), ReadFailure> {
    let mut fourier = Fourier::new();
    let mut waves = Vec::with_capacity(pieces.len());
    for (piece, phase) in pieces.iter().zip(phases.iter()) {
        let Some(judged) = piece.judged else {
            waves.push(None);
            continue;
        };
        let range = phase.start..phase.end;
        let line =
            find_carrier(look.overview, look.samples, &range, judged.evidence.lead, &mut fourier)?;
        waves.push(Some(Wave::new(judged.evidence.lead, line)));
    }
    for k in 1..phases.len() {
        let (before, after) = (phases[k - 1], phases[k]);
        let edge = match (waves[k - 1], waves[k]) {
            (None, Some(wave)) if !before.kind.powered() => {
                half_level(look, &after, wave, before.start, true)?
            }
            (Some(wave), None) if !after.kind.powered() => {
                half_level(look, &before, wave, after.end, false)?
            }
            (Some(a), Some(b)) => {
                let wave = if b.channel == Channel::Voltage { b } else { a };
                likeliest(look, &before, &after, wave)?
            }
            _ => None,
        };
        if let Some(edge) = edge {
            let edge = edge.clamp(before.start + 1, (after.end - 1).max(before.start + 1));
            phases[k - 1].end = edge;
            phases[k].start = edge;
        }
    }
    Ok(())
}

/// Samples of a carrier cycle that are enough to follow it; more are thinned.
const PER_CYCLE: f64 = 32.0;

/// Samples over which output without a known carrier is averaged.
const WITHOUT_CARRIER: usize = 6;

/// The carrier of a phase, and by how much its samples are thinned.
#[derive(Clone, Copy)]
struct Wave {
    channel: Channel,
    factor: usize,
    /// Radians per thinned sample; `None` where no carrier is known.
    w: Option<f64>,
}

impl Wave {
    /// Of a carrier of so many cycles per sample.
    fn new(channel: Channel, line: Option<f64>) -> Self {
        let Some(line) = line else { return Self { channel, factor: 1, w: None } };
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let factor = ((1.0 / line / PER_CYCLE) as usize).max(1);
        Self { channel, factor, w: Some(TAU * line * factor as f64) }
    }

    /// Thinned samples over which the envelope of an output of this amplitude is averaged: one
    /// carrier cycle, or as many as keep the noise well under half of it.
    fn averaging(&self, look: &Look<'_>, amplitude: f64) -> usize {
        let Some(w) = self.w else { return WITHOUT_CARRIER };
        let cycle = TAU / w;
        let sigma = look.sigma(self.channel) / (self.factor as f64).sqrt();
        let noise = 16.0 * sigma / amplitude.max(f64::MIN_POSITIVE);
        let cycles = (noise * noise * 2.0 / cycle).clamp(1.0, 50.0).ceil();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let length = (cycles * cycle).round() as usize;
        length.max(2)
    }

    /// Amplitude along `range`: the place of its first value, and a value every `factor` samples.
    fn along(
        &self,
        look: &Look<'_>,
        range: Range<u64>,
        length: usize,
    ) -> Result<(u64, Vec<f64>), ReadFailure> {
        let (start, x) = look.read(self.channel, range)?;
        Ok((start, self.envelope(&x, length)))
    }

    /// Amplitude by demodulation with the carrier; without one, the root of twice the running mean
    /// square.
    fn envelope(&self, x: &[f64], length: usize) -> Vec<f64> {
        match self.w {
            Some(w) => envelope(&means(x, self.factor), w, length),
            None => amplitude(x, length),
        }
    }

    /// Sample of the value `k` of an envelope that starts at `start`.
    fn place(&self, start: u64, k: usize) -> u64 {
        start + (k * self.factor + self.factor / 2) as u64
    }
}

/// The edge between rest and a phase of output: where the envelope first (or last) crosses half of the
/// level step (mid reference level of IEEE 181 applied to the envelope). The step is up to the level
/// of the phase; where output sets in at once, but lower, it is up to the level there. `limit` is how
/// far the rest reaches.
fn half_level(
    look: &Look<'_>,
    phase: &Phase,
    wave: Wave,
    limit: u64,
    rising: bool,
) -> Result<Option<u64>, ReadFailure> {
    const OUTSIDE: u64 = 2;
    const INSIDE: u64 = 4;
    let frame = look.frames.length.min(phase.len() as usize) as u64;
    let Some(level) = level(look, phase, wave)? else { return Ok(None) };
    let length = wave.averaging(look, level);
    // From the rest inwards.
    let (start, mut e) = if rising {
        let from = phase.start.saturating_sub(OUTSIDE * frame).max(limit);
        wave.along(look, from..(phase.start + INSIDE * frame).min(phase.end), length)?
    } else {
        let from = phase.end.saturating_sub(INSIDE * frame).max(phase.start);
        wave.along(look, from..(phase.end + OUTSIDE * frame).min(limit), length)?
    };
    let count = e.len();
    if !rising {
        e.reverse();
    }
    let here = e.iter().copied().fold(0.0, f64::max);
    let first = |level: f64| e.iter().position(|e| *e >= level);
    let at_once = |foot: usize, middle: usize| middle - foot <= 2 * length;
    let half = match (first(0.1 * here), first(0.5 * here)) {
        (Some(foot), Some(middle)) if here < 0.8 * level && at_once(foot, middle) => 0.5 * here,
        _ => 0.5 * level,
    };
    if let Some(k) = first_lasting(&e, half, length) {
        let k = if rising { k } else { count - 1 - k };
        return Ok(Some(wave.place(start, k) + u64::from(!rising)));
    }
    slow(look, phase, wave, half, length, rising)
}

/// The first value of at least `level`, past short clicks that stand apart from all that follows: a
/// click is followed by a far longer silence than anything behind it.
fn first_lasting(e: &[f64], level: f64, length: usize) -> Option<usize> {
    const SHORT: f64 = 0.1;
    const APART: usize = 3;
    let on = where_true(e, |e| *e >= level);
    let silence_behind = |k: usize| match on.get(k + 1) {
        Some(next) => next.start - on[k].end,
        None => e.len() - on[k].end,
    };
    let mut first = 0;
    while first + 1 < on.len() {
        let silence = silence_behind(first);
        let later = (first + 1..on.len()).map(silence_behind).max().unwrap_or(0);
        let click = on[first].len() as f64 <= SHORT * silence as f64;
        if !click || silence <= APART * later.max(2 * length) {
            break;
        }
        first += 1;
    }
    on.get(first).map(|run| run.start)
}

/// Amplitude of a phase: the median of the highest in five parts of it.
fn level(look: &Look<'_>, phase: &Phase, wave: Wave) -> Result<Option<f64>, ReadFailure> {
    const LOOKS: u64 = 5;
    let frame = look.frames.length as u64;
    let rough = 12.0 * look.sigma(wave.channel);
    let mut tops = Vec::new();
    for k in 0..LOOKS {
        let part =
            phase.start + k * phase.len() / LOOKS..phase.start + (k + 1) * phase.len() / LOOKS;
        let range = look.overview.strongest(&part, frame, wave.channel);
        let length = wave.averaging(look, rough);
        let (_, e) = wave.along(look, range, length)?;
        tops.extend(e.into_iter().reduce(f64::max));
    }
    Ok(median(&mut tops).filter(|level| *level > 0.0))
}

/// The place at which a slow ramp reaches `half`, further inside the phase.
fn slow(
    look: &Look<'_>,
    phase: &Phase,
    wave: Wave,
    half: f64,
    length: usize,
    rising: bool,
) -> Result<Option<u64>, ReadFailure> {
    const STEP: u64 = 1 << 15;
    let margin = (2 * length * wave.factor) as u64;
    let cell = look.overview.cell_length() as u64;
    let near = |range: &Range<u64>| {
        #[allow(clippy::cast_possible_truncation)]
        let cells = (range.start / cell) as usize..(range.end.div_ceil(cell) as usize);
        let cells = look.overview.cells().get(cells).unwrap_or_default();
        cells.iter().any(|one| one.reach(wave.channel, look.offset(wave.channel)) >= 0.8 * half)
    };
    let mut at = if rising { phase.start } else { phase.end };
    while at < phase.end || !rising && at > phase.start {
        let part = if rising {
            at..(at + STEP).min(phase.end)
        } else {
            at.saturating_sub(STEP).max(phase.start)..at
        };
        at = if rising { part.end } else { part.start };
        if near(&part) {
            let wide = part.start.saturating_sub(margin)..part.end + margin;
            let (start, e) = wave.along(look, wide, length)?;
            let found = if rising {
                e.iter().position(|e| *e >= half)
            } else {
                e.iter().rposition(|e| *e >= half)
            };
            if let Some(k) = found {
                return Ok(Some(wave.place(start, k) + u64::from(!rising)));
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
    wave: Wave,
) -> Result<Option<u64>, ReadFailure> {
    let frame = look.frames.length as u64;
    let coarse = before.end;
    // Of short phases most is left to tell them by.
    let reach = |frames: u64, phase: &Phase| (frames * frame).min(phase.len() / 2);
    let zone = coarse - reach(3, before)..coarse + reach(4, after);
    let left = zone.start.saturating_sub(12 * frame).max(before.start)..zone.start;
    let right = zone.end..(zone.end + 12 * frame).min(after.end);
    if left.is_empty() || right.is_empty() {
        return Ok(None);
    }
    let (start, x) = look.read(wave.channel, left.start..right.end)?;
    let amplitude = largest_absolute(&x);
    let length = wave.averaging(look, amplitude);
    let e = wave.envelope(&x, length);
    #[allow(clippy::cast_possible_truncation)]
    let index = |at: u64| ((at - start) as usize / wave.factor).min(e.len());
    let part = |range: &Range<u64>| index(range.start)..index(range.end);
    let sigma = look.sigma(wave.channel) / (wave.factor as f64).sqrt();
    let floor = (amplitude * 1e-3).max(sigma * (2.0 / length as f64).sqrt());
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
    Ok(Some(start + (best.1 * wave.factor) as u64))
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
