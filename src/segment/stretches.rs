//! Which stretches of the record carry output.
//!
//! Frames are sensitive: output far below the noise of a sample still moves the mean square of
//! thousands. Cells are fine: where output stands above the noise they tell its borders.

use super::Thresholds;
use super::frames::Frames;
use super::noise::Noise;
use crate::numeric::runs::runs;
use crate::trace::{Cell, Channel, Overview};
use std::ops::Range;

/// Quiet level of one channel, and which of its frames carry output.
pub(super) struct Level {
    /// The channel.
    pub channel: Channel,
    /// Its noise.
    pub noise: Noise,
    /// Mean square of what may be noise: noise of less than a step of the converter shows as one code or
    /// the next now and then, half a step at most.
    quiet_square: f64,
    /// Whether each frame carries output.
    pub powered: Vec<bool>,
}

impl Level {
    /// Holds every frame of a channel against its quiet level.
    pub(super) fn of(
        frames: &Frames,
        channel: Channel,
        noise: Noise,
        step: f64,
        thresholds: &Thresholds,
    ) -> Self {
        let count = frames.list.len();
        let small = thresholds.rest_share * thresholds.rest_share * noise.strongest;
        let square = noise.sigma.max(0.5 * step).powi(2);
        let usual = unsteadiness(frames, channel, square, count);
        let powered = (0..count)
            .map(|k| {
                let variance = frames.variance(k, channel);
                let ceiling = ceiling(&frames.list[k], thresholds).max(usual);
                variance > square * ceiling && variance - square > small
            })
            .collect();
        Self { channel, noise, quiet_square: square, powered }
    }

    /// Whether the channel shows output at all.
    pub(super) fn has_output(&self) -> bool {
        self.powered.contains(&true)
    }

    /// Whether nothing above the quiet level is seen in a cell.
    fn is_quiet(&self, cell: &Cell, thresholds: &Thresholds) -> bool {
        let variance = cell.variance(self.channel);
        let square = self.quiet_square;
        let small = thresholds.rest_share * thresholds.rest_share * self.noise.strongest;
        cell.moments.n == 0
            || variance <= square * ceiling(cell, thresholds)
            || variance - square <= small
    }
}

/// Mean square over that of the noise up to which a cell may be noise alone: the mean square of n
/// samples varies by sqrt(2/n) of itself; half as much again is allowed for the estimate of the noise.
fn ceiling(cell: &Cell, thresholds: &Thresholds) -> f64 {
    let n = cell.moments.n.max(1) as f64;
    1.5 + thresholds.rest_noise_factor * (2.0 / n).sqrt()
}

/// The same as far as the quiet frames themselves tell: noise need not be white, nor steady.
fn unsteadiness(frames: &Frames, channel: Channel, square: f64, count: usize) -> f64 {
    /// Frames up to so many times the quiet level are asked.
    const NEAR: f64 = 4.0;
    const FEWEST: usize = 12;
    let mut ratios: Vec<f64> = (0..count)
        .map(|k| frames.variance(k, channel) / square.max(f64::MIN_POSITIVE))
        .filter(|ratio| *ratio < NEAR)
        .collect();
    if ratios.len() < FEWEST {
        return 0.0;
    }
    let Some(middle) = crate::numeric::order::median(&mut ratios) else { return 0.0 };
    let mut away: Vec<f64> = ratios.iter().map(|ratio| (ratio - middle).abs()).collect();
    let spread = 1.4826 * crate::numeric::order::median(&mut away).unwrap_or(0.0);
    // Where half of all frames are output of one level there is no such spread to be told.
    if middle > 1.6 { 0.0 } else { middle + 8.0 * spread }
}

/// A stretch of samples with or without output.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Stretch {
    /// Samples.
    pub range: Range<u64>,
    /// Whether there is output.
    pub powered: bool,
}

/// The stretches of a record, and output that was too short to be one.
#[derive(Debug, Default)]
pub(super) struct Found {
    /// They tile the record; neighbours differ.
    pub stretches: Vec<Stretch>,
    /// Output shorter than a phase with rest around it, which was taken for rest.
    pub dropped: Vec<Range<u64>>,
    /// Whether each frame carries output by any channel.
    pub powered: Vec<bool>,
    /// Where one channel shows output for as long as a phase lasts and another none.
    pub one_sided: Vec<(Channel, Range<u64>)>,
}

/// Output that stands alone for less than this is a click, s.
const CLICK_S: f64 = 150e-6;

/// Finds them.
pub(super) fn find(
    frames: &Frames,
    overview: &Overview,
    levels: &[Level],
    samples_of: impl Fn(f64) -> f64,
    thresholds: &Thresholds,
) -> Found {
    let powered = join(levels, samples_of(thresholds.phase_min_s) / frames.length as f64);
    let total = overview.samples();
    let quiet = |cell: &Cell| levels.iter().all(|level| level.is_quiet(cell, thresholds));
    let fine = Fine { overview, quiet: &quiet };
    let mut on: Vec<Range<u64>> = runs(&powered)
        .into_iter()
        .filter(|run| powered[run.start])
        .map(|run| fine.tighten(&frames.span(&run, total), frames.length as u64))
        .collect();
    close_gaps(&mut on, samples_of(thresholds.rest_min_s), samples_of(CLICK_S));
    for range in &mut on {
        fine.reach_border(range, samples_of(thresholds.rest_min_s));
    }
    let least = samples_of(thresholds.phase_min_s);
    let short = |range: &Range<u64>| {
        let inside = range.start > 0 && range.end < total;
        inside && ((range.end - range.start) as f64) < least
    };
    let (dropped, on): (Vec<_>, Vec<_>) = on.into_iter().partition(short);
    let one_sided = one_sided(levels, frames, total, least);
    Found { stretches: tile(&on, total), dropped, powered, one_sided }
}

/// Stretches of at least `least` samples in which a channel that shows output elsewhere is silent under
/// output of the other one.
fn one_sided(
    levels: &[Level],
    frames: &Frames,
    total: u64,
    least: f64,
) -> Vec<(Channel, Range<u64>)> {
    let mut found = Vec::new();
    for silent in levels {
        for loud in levels.iter().filter(|level| level.channel != silent.channel) {
            let alone: Vec<bool> =
                loud.powered.iter().zip(&silent.powered).map(|(loud, own)| *loud && !own).collect();
            for run in runs(&alone) {
                let range = frames.span(&run, total);
                if alone[run.start] && (range.end - range.start) as f64 >= least {
                    found.push((silent.channel, range));
                }
            }
        }
    }
    found
}

/// Frames with output by any channel. Where the leading channel shows none, the other one has to show
/// it for as long as a phase lasts: a channel by itself may well pick up what is no output.
fn join(levels: &[Level], least_frames: f64) -> Vec<bool> {
    let mut levels = levels.iter();
    let mut all = levels.next().map(|level| level.powered.clone()).unwrap_or_default();
    for level in levels {
        for run in runs(&level.powered) {
            if level.powered[run.start] && run.len() as f64 >= least_frames {
                all[run].fill(true);
            }
        }
    }
    all
}

/// What cells tell beside frames.
struct Fine<'a> {
    overview: &'a Overview,
    quiet: &'a dyn Fn(&Cell) -> bool,
}

impl Fine<'_> {
    fn cells(&self, range: &Range<u64>) -> Range<usize> {
        let length = self.overview.cell_length() as u64;
        #[allow(clippy::cast_possible_truncation)]
        let (from, to) = ((range.start / length) as usize, range.end.div_ceil(length) as usize);
        from..to.min(self.overview.cells().len())
    }

    fn loud(&self, cells: Range<usize>) -> impl DoubleEndedIterator<Item = usize> {
        cells.filter(|k| !(self.quiet)(&self.overview.cells()[*k]))
    }

    /// The output of a run of frames from its first to its last cell, where cells tell; it may begin
    /// in the frame before and end in the one after, too short there to move that frame.
    fn tighten(&self, range: &Range<u64>, frame: u64) -> Range<u64> {
        let total = self.overview.samples();
        let head = range.start.saturating_sub(frame)..(range.start + 2 * frame).min(range.end);
        let tail =
            range.end.saturating_sub(2 * frame).max(range.start)..(range.end + frame).min(total);
        let first = self.loud(self.cells(&head)).next();
        let last = self.loud(self.cells(&tail)).next_back();
        let start = first.map_or(range.start, |k| self.overview.span(k..k + 1).start);
        let end = last.map_or(range.end, |k| self.overview.span(k..k + 1).end);
        if start < end { start..end } else { range.clone() }
    }

    /// Takes silence at the ends of the record into output in bursts, as far as the silence between
    /// its bursts is as long; `rest` samples are a rest in any case.
    fn reach_border(&self, range: &mut Range<u64>, rest: f64) {
        /// Cells that silence between bursts may seem longer by.
        const SPARE: u64 = 2;
        let total = self.overview.samples();
        let cell = self.overview.cell_length() as u64;
        let (before, after) = (range.start, total - range.end);
        let near = |silence: u64| silence > 0 && (silence as f64) < rest;
        if !near(before) && !near(after) {
            return;
        }
        let mut longest = 0;
        let mut last = None;
        for k in self.loud(self.cells(range)) {
            if let Some(last) = last {
                longest = longest.max(k - last - 1);
            }
            last = Some(k);
        }
        let usual = if longest == 0 { SPARE } else { 2 * longest as u64 + SPARE };
        let natural = |silence: u64| near(silence) && silence <= usual * cell;
        if natural(before) {
            range.start = 0;
        }
        if natural(after) {
            range.end = total;
        }
    }
}

/// Joins output across silence that is too short to be a rest. What stands alone at either end of such
/// a group, for less than `click` samples and much farther off than the others are from each other, is
/// a click in the rest beside it.
fn close_gaps(on: &mut Vec<Range<u64>>, rest: f64, click: f64) {
    let mut groups: Vec<Vec<Range<u64>>> = Vec::new();
    for range in on.drain(..) {
        match groups.last_mut() {
            Some(group)
                if group
                    .last()
                    .is_some_and(|last| (range.start.saturating_sub(last.end) as f64) < rest) =>
            {
                group.push(range);
            }
            _ => groups.push(vec![range]),
        }
    }
    for group in groups {
        on.extend(without_clicks(group, click));
    }
}

fn without_clicks(mut group: Vec<Range<u64>>, click: f64) -> Vec<Range<u64>> {
    const FARTHER: u64 = 3;
    let gap = |pair: &[Range<u64>]| pair[1].start.saturating_sub(pair[0].end);
    let is_click = |range: &Range<u64>| ((range.end - range.start) as f64) < click;
    let (mut before, mut after) = (Vec::new(), Vec::new());
    while let [first, second, ..] = group.as_slice() {
        let others = group[1..].windows(2).map(gap).max().unwrap_or(0);
        let own = gap(&[first.clone(), second.clone()]);
        if !is_click(first) || own <= FARTHER * others || group[1..].iter().all(is_click) {
            break;
        }
        before.push(group.remove(0));
    }
    while let [.., last_but_one, last] = group.as_slice() {
        let others = group[..group.len() - 1].windows(2).map(gap).max().unwrap_or(0);
        let own = gap(&[last_but_one.clone(), last.clone()]);
        let rest_clicks = group[..group.len() - 1].iter().all(is_click);
        if !is_click(last) || own <= FARTHER * others || rest_clicks {
            break;
        }
        after.extend(group.pop());
    }
    let all = group.first().zip(group.last()).map(|(first, last)| first.start..last.end);
    before.extend(all);
    before.extend(after.into_iter().rev());
    before
}

/// Output and what lies between it, over the whole record.
fn tile(on: &[Range<u64>], total: u64) -> Vec<Stretch> {
    let mut found = Vec::with_capacity(2 * on.len() + 1);
    let mut at = 0;
    let mut add = |range: Range<u64>, powered: bool| {
        if !range.is_empty() {
            found.push(Stretch { range, powered });
        }
    };
    for range in on {
        add(at..range.start, false);
        add(range.clone(), true);
        at = range.end;
    }
    add(at..total, false);
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[allow(clippy::single_range_in_vec_init)]
    fn silence_shorter_than_a_rest_is_no_rest() {
        let mut on = vec![0..10, 19..30, 40..50];
        close_gaps(&mut on, 10.0, 0.0);
        assert_eq!(on, [0..30, 40..50]);
        let tiled = tile(&on, 60);
        let ranges: Vec<Range<u64>> = tiled.iter().map(|one| one.range.clone()).collect();
        assert_eq!(ranges, [0..30, 30..40, 40..50, 50..60]);
        assert_eq!(tile(&[], 5), [Stretch { range: 0..5, powered: false }]);
    }
}
