//! The highest crests of a phase, free of what noise adds to them.

use super::close::{CloseLook, Seen};
use super::look::Look;
use super::stats::{Peaks, Repeated, Shape};
use crate::numeric::crest::{Crest, HALO, crests, expected_maximum, unbiased_maximum};
use crate::numeric::fold::Folded;
use crate::numeric::order::{median, quantile};
use crate::trace::{Cell, Channel, ReadFailure};
use std::collections::BTreeSet;
use std::ops::Range;

/// Length of a group of cells of which the highest are searched, s.
const GROUP_S: f64 = 31e-6;

/// Peaks of voltage and current, one pair after the other: upwards and downwards.
type Four = [f64; 4];

/// How crests differ.
struct Steadiness {
    /// Cycles after which the wave repeats.
    cycles: usize,
    /// Standard deviation from one crest to the one so many cycles on, by a root of two less: noise.
    noise: f64,
    /// The same from one to the next.
    step: f64,
    /// Standard deviation over all.
    spread: f64,
    /// Median height.
    middle: f64,
}

/// What a stretch holds of highest values.
struct Highest {
    /// Crests, smoothed and interpolated.
    crests: Four,
    /// Samples as they were recorded.
    samples: Four,
    /// Crests without smoothing.
    sharp: Four,
    /// What the highest crest may have beyond its samples, where it is no smooth one.
    rough: Four,
}

impl CloseLook<'_> {
    /// Highest crests of a short stretch, less what noise may have added; `None` of nothing.
    pub(super) fn beside(&self, range: &Range<u64>) -> Result<Option<Four>, ReadFailure> {
        if range.is_empty() {
            return Ok(None);
        }
        let most = expected_maximum((range.end - range.start) as f64) + 1.5;
        let highest = self.highest(range)?.crests;
        Ok(Some([0, 1, 2, 3].map(|k| highest[k] - most * side(k).of(self.crest_noise))))
    }

    /// Peaks of voltage and current inside `inner`, from the highest cells, corrected by the crest
    /// heights.
    pub(super) fn peaks(
        &mut self,
        inner: &Range<u64>,
    ) -> Result<(Option<Peaks>, Option<Peaks>), ReadFailure> {
        let length = (self.range.end - self.range.start).max(1) as f64;
        let every = (length / self.seen.max(1) as f64).max(1.0);
        let highest = self.highest(inner)?;
        let factor = super::look::thinning(self.cycle) as f64;
        let mut found = [None, None];
        for channel in self.input.channels.present() {
            let raw = channel.of(self.input.sigma);
            let noise = self.noise_of_heights(channel);
            let mut both = [(0.0, 0.0); 2];
            for (up, slot) in both.iter_mut().enumerate() {
                let k = channel.of((0, 2)) + up;
                let smooth = unbiased_maximum(
                    highest.crests[k],
                    &self.heights[k],
                    every,
                    noise,
                    // A smoothed crest is one value, not the highest of several.
                    if self.smoother.is_some() { 0.0 } else { self.cycle / factor },
                );
                *slot = self.folded_peak(k)?.unwrap_or((smooth.value, smooth.u));
                // A crest that is sharper than the carrier's does not survive thinning, nor one that
                // stands alone the mean over cycles.
                let sample = highest.samples[k];
                let by_noise = |values: f64| raw * (expected_maximum(values) + 1.0);
                // Of each crest some three samples stand near its top. What stands higher than their
                // noise explains may be a feature of its own, sharper than the carrier's crests.
                let excess = highest.sharp[k].max(sample) - slot.0;
                if excess > by_noise(3.0 * length / self.cycle.max(3.0)) {
                    slot.1 = slot.1.hypot(excess / 3_f64.sqrt());
                }
                let least = sample - by_noise(length);
                if least > slot.0 {
                    if factor > 1.0 && least > 1.01 * slot.0 && channel == self.lead {
                        self.oddities.sharp = Some(sample / slot.0);
                    }
                    *slot = (least, slot.1.hypot(raw));
                }
                // What is fitted to a crest may overshoot beside a jump, but not the samples by much.
                if self.smoother.is_some() {
                    let between = 1.0 - (std::f64::consts::PI * factor / self.cycle).cos();
                    let most = sample * (1.0 + between) + raw;
                    if slot.0 > most {
                        *slot = (most, slot.1.hypot((slot.0 - most) / 3_f64.sqrt()));
                    }
                }
                // Beside the cut of a gate what is interpolated above the samples may be none of the wave.
                if matches!(self.shape(), Shape::Bursts(_)) && slot.0 > sample {
                    slot.1 = slot.1.hypot((slot.0 - sample) / 3_f64.sqrt());
                }
                // A crest that is no smooth one, and what smoothing may have taken.
                slot.1 = slot.1.hypot(highest.rough[k] / 3_f64.sqrt());
                slot.1 = slot.1.hypot(1.5 * self.misfit * slot.0);
            }
            let [(positive, u), (negative, v)] = both;
            let peaks = Peaks { positive, negative: -negative, u: u.max(v) };
            found[channel.of((0, 1))] = Some(peaks);
            if channel == self.lead {
                let top = usize::from(negative > positive) + channel.of((0, 2));
                self.oddities.lone_peak = lone(peaks.largest(), &self.heights[top]);
            }
        }
        Ok((found[0], found[1]))
    }

    /// How the crests of steady output differ, upwards or downwards (`k`).
    fn steadiness(&self, k: usize) -> Option<Steadiness> {
        const MANY: usize = 40;
        /// Cycles over which a wave may repeat.
        const MOST: usize = 8;
        let heights = &self.heights[k];
        if heights.len() < MANY || self.slices.is_empty() || self.shape() != Shape::Continuous {
            return None;
        }
        // As standard deviations, of single crests.
        let step = |apart: usize| {
            let mut steps: Vec<f64> = heights
                .windows(apart + 1)
                .map(|window| f64::from((window[apart] - window[0]).abs()))
                .collect();
            median(&mut steps).map_or(0.0, |step| step / (0.6745 * 2_f64.sqrt()))
        };
        let steps: Vec<f64> = (1..=MOST).map(step).collect();
        let least = steps.iter().copied().fold(f64::INFINITY, f64::min);
        // By turns: the wave repeats after so many cycles.
        let cycles = 1 + steps.iter().position(|step| *step <= 1.3 * least).unwrap_or(0);
        let mut sorted: Vec<f64> = heights.iter().map(|h| f64::from(*h)).collect();
        let (low, high) = (quantile(&mut sorted, 0.16)?, quantile(&mut sorted, 0.84)?);
        Some(Steadiness {
            cycles,
            noise: steps[cycles - 1],
            step: steps[0],
            spread: 0.5 * (high - low),
            middle: median(&mut sorted)?,
        })
    }

    /// Noise by which crest heights of a channel spread. Where steady crests are all alike, what they
    /// differ by from one to the next is noise, whatever its colour.
    fn noise_of_heights(&self, channel: Channel) -> f64 {
        const ALIKE: f64 = 1.6;
        const SMALL: f64 = 0.06;
        let known = channel.of(self.crest_noise);
        match self.steadiness(channel.of((0, 2))) {
            // What changes slowly from crest to crest is no noise, nor what changes by much.
            Some(found)
                if found.cycles == 1
                    && found.spread < ALIKE * found.noise
                    && found.spread < SMALL * found.middle =>
            {
                known.max(found.noise)
            }
            _ => known,
        }
    }

    /// The peak of steady output by cycles put together from many, where its crests do not swing along
    /// the phase.
    fn folded_peak(&self, k: usize) -> Result<Option<(f64, f64)>, ReadFailure> {
        /// Spread of crests that differ from one to the next by chance, over what they differ by.
        const BY_CHANCE: f64 = 1.5;
        const SMALL: f64 = 0.002;
        let Some(found) = self.steadiness(k) else { return Ok(None) };
        if found.spread > BY_CHANCE * found.step + SMALL * found.middle {
            return Ok(None);
        }
        let sign = if k.is_multiple_of(2) { 1.0 } else { -1.0 };
        let (mut tops, mut within) = (Vec::new(), 0.0_f64);
        for (range, w) in &self.slices {
            let look = Look::read(self.input.samples, range, range, self.cycle, 0)?;
            let Some(folded) = Folded::new(look.of(side(k)), *w, found.cycles) else {
                return Ok(None);
            };
            let (top, u) = folded.top(sign);
            tops.push(top);
            within = within.max(u);
        }
        let found = Repeated::of(&tops);
        let apart = found.deviation().unwrap_or(0.0);
        let root = (tops.len() as f64).sqrt();
        Ok(found.mean().map(|mean| (mean, within.hypot(apart) / root)))
    }

    /// Highest crests, interpolated, among the cells with the highest samples.
    fn highest(&self, range: &Range<u64>) -> Result<Highest, ReadFailure> {
        let overview = self.input.overview;
        let (before, cells, after) = overview.inside(range);
        let height = |cell: &Cell, k: usize| {
            let [low, high] = cell.extremes(side(k));
            if k.is_multiple_of(2) { high } else { -low }
        };
        let group = overview.cells_in(self.input.samples.rate().samples(GROUP_S));
        // The four lists have most cells in common; each is read once.
        let mut chosen = BTreeSet::new();
        let mut samples = [0.0_f64; 4];
        for (k, top) in samples.iter_mut().enumerate() {
            let count = self.input.budget.peak_cells;
            let of = |cell: &Cell| height(cell, k);
            let groups = overview.highest(cells.clone(), group, count, of);
            chosen.extend(groups.into_iter().map(|group| (group.start, group.end)));
            let all = overview.cells()[cells.clone()].iter();
            *top = all.map(|cell| height(cell, k)).fold(0.0, f64::max);
        }
        let mut spans: Vec<Range<u64>> =
            chosen.into_iter().map(|(from, to)| overview.span(from..to)).collect();
        spans.extend([before, after].into_iter().filter(|span| !span.is_empty()));
        let (mut best, mut rough, mut sharp) = ([0.0_f64; 4], [0.0; 4], [0.0_f64; 4]);
        let gaps = self.input.samples.gaps();
        for span in spans.iter().flat_map(|span| gaps.valid(span)) {
            let clean = self.clean_around(&span);
            let samples = self.input.samples;
            let look = Look::read(samples, &span, &clean, self.cycle, self.halo())?;
            let own = look.index(&span);
            for channel in self.input.channels.present() {
                let x = look.of(channel);
                let first = channel.of((0, 2));
                // Samples at the ends of the record have no neighbours to interpolate with; where
                // crests are smoothed, single samples don't count.
                let inner =
                    if self.smoother.is_some() { own.start..own.start } else { own.clone() };
                for value in x.get(inner).unwrap_or_default() {
                    best[first] = best[first].max(*value);
                    best[first + 1] = best[first + 1].max(-value);
                }
                if self.smoother.is_some() {
                    let part = x.get(own.start.saturating_sub(HALO)..(own.end + HALO).min(x.len()));
                    for crest in crests(part.unwrap_or_default(), 0.0, None) {
                        let k = first + usize::from(crest.value < 0.0);
                        sharp[k] = sharp[k].max(crest.value.abs());
                    }
                }
                let floor = 0.9 * best[first].min(best[first + 1]);
                for crest in crests(x, floor, self.smoother.as_ref()) {
                    let k = first + usize::from(crest.value < 0.0);
                    if crest.value.abs() >= best[k] {
                        (best[k], rough[k]) = (crest.value.abs(), crest.rough);
                    }
                }
            }
        }
        Ok(Highest { crests: best, samples, sharp, rough })
    }
}

impl CloseLook<'_> {
    pub(super) fn all_heights(&self, seen: &[Seen]) -> [Vec<f32>; 4] {
        let mut heights: [Vec<f32>; 4] = Default::default();
        let first = |channel: Channel| channel.of((0, 2));
        for one in seen {
            keep_heights(&mut heights, &one.crests, first(self.lead));
            let other = self.lead.other();
            let x = one.look.of(other);
            let own = one.look.index(&one.look.covers);
            let Some(inside) = x.get(own.clone()).filter(|inside| !inside.is_empty()) else {
                continue;
            };
            let floor = self.floor(inside, other);
            let mut crests = crests(x, floor, self.smoother.as_ref());
            crests.retain(|crest| (own.start as f64..own.end as f64).contains(&crest.at));
            keep_heights(&mut heights, &crests, first(other));
        }
        heights
    }
}

fn keep_heights(heights: &mut [Vec<f32>; 4], crests: &[Crest], first: usize) {
    for crest in crests {
        let slot = if crest.value >= 0.0 { first } else { first + 1 };
        #[allow(clippy::cast_possible_truncation)]
        heights[slot].push(crest.value.abs() as f32);
    }
    for heights in heights {
        // Only the highest matter; keep memory flat on long phases.
        if heights.len() > 1 << 17 {
            let top = heights.iter().copied().fold(0.0, f32::max);
            heights.retain(|h| *h > 0.6 * top);
        }
    }
}

/// Channel of one of four values.
fn side(k: usize) -> Channel {
    if k < 2 { Channel::Voltage } else { Channel::Current }
}

/// The peak over the fifth highest crest, where it stands alone among many.
fn lone(peak: f64, heights: &[f32]) -> Option<f64> {
    const MANY: usize = 100;
    const ALONE: f64 = 1.25;
    if heights.len() < MANY {
        return None;
    }
    let mut sorted = heights.to_vec();
    let (_, fifth, _) = sorted.select_nth_unstable_by(4, |a, b| b.total_cmp(a));
    let ratio = peak / f64::from(*fifth);
    (ratio > ALONE && ratio.is_finite()).then_some(ratio)
}
