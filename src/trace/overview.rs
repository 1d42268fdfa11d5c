//! The whole record in bounded memory: moments and extremes of small cells.
//!
//! Cells are merged in pairs when their number reaches the limit, so that the memory used does
//! not grow with the record; only the resolution falls, and edges are refined on samples anyway.

use super::block::{Block, Channel};
use super::gaps::Gaps;
use crate::numeric::moments::{PairMoments, Scan, scan};
use crate::units::SampleRate;
use std::ops::Range;

/// Moments and extremes of one cell of consecutive samples.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cell {
    /// Moments of both channels.
    pub moments: PairMoments,
    /// Sum of fourth powers of the leading channel about each sub-cell's mean.
    pub fourth: f64,
    /// Smallest and largest voltage.
    pub v: [f32; 2],
    /// Smallest and largest current.
    pub i: [f32; 2],
}

impl Cell {
    /// Summary of two slices of equal length, or of one where the other is empty.
    #[must_use]
    pub fn of(v: &[f64], i: &[f64]) -> Self {
        let scans = [v, i].map(scan);
        let mean = |found: Option<Scan>, x: &[f64]| found.map_or(0.0, |s| s.sum / x.len() as f64);
        let (moments, fourth) = PairMoments::about(v, i, [mean(scans[0], v), mean(scans[1], i)]);
        #[allow(clippy::cast_possible_truncation)]
        let [v, i] = scans.map(|found| found.map_or([0.0; 2], |s| [s.low as f32, s.high as f32]));
        Self { moments, fourth, v, i }
    }

    /// The same of the samples outside `gaps` only; `start` is the first sample's place in the
    /// record. Without any it holds no sample.
    #[must_use]
    pub fn of_valid(start: u64, v: &[f64], i: &[f64], gaps: &Gaps) -> Self {
        let window = start..start + v.len().max(i.len()) as u64;
        if gaps.is_empty() || gaps.count(&window) == 0 {
            return Self::of(v, i);
        }
        let mut all = Self::default();
        for part in gaps.valid(&window) {
            #[allow(clippy::cast_possible_truncation)]
            let part = (part.start - start) as usize..(part.end - start) as usize;
            let of = |x: &'_ [f64]| x.get(part.clone()).unwrap_or_default().to_vec();
            all.merge(&Self::of(&of(v), &of(i)));
        }
        all
    }

    /// Sum of squared deviations of a channel from its mean.
    #[must_use]
    pub fn squares(&self, channel: Channel) -> f64 {
        channel.of((self.moments.m2_v, self.moments.m2_i))
    }

    /// Variance of a channel; 0 without samples.
    #[must_use]
    pub fn variance(&self, channel: Channel) -> f64 {
        self.squares(channel) / self.moments.n.max(1) as f64
    }

    /// Mean of a channel.
    #[must_use]
    pub fn mean(&self, channel: Channel) -> f64 {
        channel.of((self.moments.mean_v, self.moments.mean_i))
    }

    /// Smallest and largest value of a channel.
    #[must_use]
    pub fn extremes(&self, channel: Channel) -> [f64; 2] {
        channel.of((self.v, self.i)).map(f64::from)
    }

    /// Largest distance of a value of a channel from `zero`.
    #[must_use]
    pub fn reach(&self, channel: Channel, zero: f64) -> f64 {
        let [low, high] = self.extremes(channel);
        (high - zero).abs().max((low - zero).abs())
    }

    /// Adds a neighbour.
    pub fn merge(&mut self, other: &Self) {
        if other.moments.n == 0 {
            return;
        }
        if self.moments.n == 0 {
            *self = *other;
            return;
        }
        self.moments.merge(&other.moments);
        self.fourth += other.fourth;
        self.v = [self.v[0].min(other.v[0]), self.v[1].max(other.v[1])];
        self.i = [self.i[0].min(other.i[0]), self.i[1].max(other.i[1])];
    }
}

/// Cells of equal length over the record; the last one may be shorter.
#[derive(Clone, Debug)]
pub struct Overview {
    cells: Vec<Cell>,
    cell_length: usize,
    limit: usize,
    samples: u64,
    /// Samples of the cell that is not full yet.
    rest: Block,
}

impl Overview {
    /// Cells kept before their length doubles: about 50 MB would be 2^19, this is half of it.
    pub const LIMIT: usize = 1 << 18;

    /// Length of the first cells, s: some of them to a burst period.
    const CELL_S: f64 = 4e-6;
    /// Fewest samples of a cell: fewer cost more time than the record itself.
    const CELL_LEAST: usize = 64;

    /// An empty overview of a record of this rate.
    #[must_use]
    pub fn at(rate: SampleRate) -> Self {
        Self::new(rate.count(Self::CELL_S, Self::CELL_LEAST))
    }

    /// An empty overview with cells of `cell_length` samples (at least 1).
    #[must_use]
    pub fn new(cell_length: usize) -> Self {
        Self::with_limit(cell_length, Self::LIMIT)
    }

    /// The same with another limit (at least 2), for tests of the merging.
    #[must_use]
    pub fn with_limit(cell_length: usize, limit: usize) -> Self {
        Self {
            cells: Vec::new(),
            cell_length: cell_length.max(1),
            limit: limit.max(2),
            samples: 0,
            rest: Block::default(),
        }
    }

    /// Adds the samples that follow. The result does not depend on how they are cut in blocks.
    pub fn push(&mut self, v: &[f64], i: &[f64]) {
        self.push_valid(v, i, &Gaps::default());
    }

    /// The same where some samples are not valid: they leave no trace in any cell. `gaps` are
    /// those of the record, complete up to the last sample given.
    pub fn push_valid(&mut self, v: &[f64], i: &[f64], gaps: &Gaps) {
        let length = v.len().max(i.len());
        let start = self.samples;
        self.samples += length as u64;
        let mut at = 0;
        if !self.rest.is_empty() {
            at = (self.cell_length - self.rest.len()).min(length);
            self.rest.v.extend_from_slice(&v[..at.min(v.len())]);
            self.rest.i.extend_from_slice(&i[..at.min(i.len())]);
            if self.rest.len() < self.cell_length {
                return;
            }
            let full = Cell::of_valid(self.rest.start, &self.rest.v, &self.rest.i, gaps);
            self.rest.v.clear();
            self.rest.i.clear();
            self.add(full);
        }
        let part = |x: &[f64], range: Range<usize>| x.get(range).map(<[f64]>::to_vec);
        while at + self.cell_length <= length {
            let range = at..at + self.cell_length;
            at = range.end;
            let v = if v.is_empty() { v } else { &v[range.clone()] };
            let i = if i.is_empty() { i } else { &i[range.clone()] };
            self.add(Cell::of_valid(start + range.start as u64, v, i, gaps));
        }
        if at < length {
            self.rest.start = start + at as u64;
            self.rest.v = part(v, at..length).unwrap_or_default();
            self.rest.i = part(i, at..length).unwrap_or_default();
        }
    }

    fn add(&mut self, cell: Cell) {
        self.cells.push(cell);
        if self.cells.len() < self.limit {
            return;
        }
        // The limit may be odd and cells must pair up: merge only at an even count.
        if self.cells.len().is_multiple_of(2) {
            for k in 0..self.cells.len() / 2 {
                let mut merged = self.cells[2 * k];
                merged.merge(&self.cells[2 * k + 1]);
                self.cells[k] = merged;
            }
            self.cells.truncate(self.cells.len() / 2);
            self.cell_length *= 2;
        }
    }

    /// Closes the last, shorter cell. Call once, after the last block.
    pub fn finish(&mut self) {
        self.finish_valid(&Gaps::default());
    }

    /// The same with the record's gaps.
    pub fn finish_valid(&mut self, gaps: &Gaps) {
        if !self.rest.is_empty() {
            let last = Cell::of_valid(self.rest.start, &self.rest.v, &self.rest.i, gaps);
            self.rest = Block::default();
            self.cells.push(last);
        }
    }

    /// Takes an offset away from each channel.
    pub fn remove_offset(&mut self, v: f64, i: f64) {
        #[allow(clippy::cast_possible_truncation)]
        let (small_v, small_i) = (v as f32, i as f32);
        for cell in &mut self.cells {
            cell.moments = cell.moments.less_offset(v, i);
            cell.v = cell.v.map(|x| x - small_v);
            cell.i = cell.i.map(|x| x - small_i);
        }
    }

    /// The `count` groups of `group` neighbouring cells among `cells` with the greatest `height`, in
    /// no order.
    #[must_use]
    pub fn highest(
        &self,
        cells: Range<usize>,
        group: usize,
        count: usize,
        height: impl Fn(&Cell) -> f64,
    ) -> Vec<Range<usize>> {
        let end = cells.end;
        let top = |from: usize| {
            let to = (from + group.max(1)).min(end);
            let of = self.cells[from..to].iter().map(&height);
            (of.fold(f64::NEG_INFINITY, f64::max), from..to)
        };
        let mut order: Vec<(f64, Range<usize>)> = cells.step_by(group.max(1)).map(top).collect();
        let count = count.min(order.len());
        if count > 0 {
            order.select_nth_unstable_by(count - 1, |a, b| b.0.total_cmp(&a.0));
        }
        order.truncate(count);
        order.into_iter().map(|(_, group)| group).collect()
    }

    /// Cells that make up about so many samples, at least one.
    #[must_use]
    pub fn cells_in(&self, samples: f64) -> usize {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let cells = (samples / self.cell_length as f64).round() as usize;
        cells.max(1)
    }

    /// About `length` samples inside `range` around the strongest place of a channel.
    #[must_use]
    pub fn strongest(&self, range: &Range<u64>, length: u64, channel: Channel) -> Range<u64> {
        let (_, cells, _) = self.inside(range);
        let best = cells.max_by(|a, b| {
            let of = |k: usize| self.cells[k].variance(channel);
            of(*a).total_cmp(&of(*b))
        });
        let middle = best.map_or(range.start + (range.end - range.start) / 2, |k| {
            let span = self.span(k..k + 1);
            span.start + (span.end - span.start) / 2
        });
        let length = length.min(range.end - range.start);
        let start = middle.saturating_sub(length / 2).clamp(range.start, range.end - length);
        start..start + length
    }

    /// Number of samples seen.
    #[must_use]
    pub fn samples(&self) -> u64 {
        self.samples
    }

    /// Samples per cell.
    #[must_use]
    pub fn cell_length(&self) -> usize {
        self.cell_length
    }

    /// All cells.
    #[must_use]
    pub fn cells(&self) -> &[Cell] {
        &self.cells
    }

    /// Samples of the cells `range`, cut to the record.
    #[must_use]
    pub fn span(&self, range: Range<usize>) -> Range<u64> {
        let at = |cell: usize| (cell as u64 * self.cell_length as u64).min(self.samples);
        at(range.start)..at(range.end)
    }

    /// The cells that lie wholly inside `samples`, and the samples before and after them that
    /// no whole cell covers.
    #[must_use]
    pub fn inside(&self, samples: &Range<u64>) -> (Range<u64>, Range<usize>, Range<u64>) {
        let length = self.cell_length as u64;
        let first = samples.start.div_ceil(length);
        let last = if samples.end >= self.samples {
            self.cells.len() as u64
        } else {
            samples.end / length
        };
        if first >= last {
            return (samples.clone(), 0..0, samples.end..samples.end);
        }
        #[allow(clippy::cast_possible_truncation)]
        let cells = first as usize..last as usize;
        let covered = self.span(cells.clone());
        (samples.start..covered.start, cells, covered.end..samples.end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(n: usize) -> (Vec<f64>, Vec<f64>) {
        let v: Vec<f64> = (0..n).map(|k| (k as f64 * 0.3).sin() * 100.0 + 3.0).collect();
        let i = v.iter().map(|v| v / 500.0).collect();
        (v, i)
    }

    #[test]
    fn does_not_depend_on_how_the_record_is_cut() {
        let (v, i) = wave(1000);
        let mut once = Overview::new(32);
        once.push(&v, &i);
        once.finish();
        for size in [1, 7, 31, 32, 33, 500] {
            let mut pieces = Overview::new(32);
            for (v, i) in v.chunks(size).zip(i.chunks(size)) {
                pieces.push(v, i);
            }
            pieces.finish();
            assert_eq!(once.cells(), pieces.cells(), "blocks of {size}");
        }
        assert_eq!(once.samples(), 1000);
        assert_eq!(once.cells().len(), 32);
    }

    #[test]
    fn memory_is_bounded_and_totals_are_kept() {
        let (v, i) = wave(10_000);
        let mut small = Overview::with_limit(8, 16);
        small.push(&v, &i);
        small.finish();
        assert!(small.cells().len() <= 17);
        let mut total = Cell::default();
        for cell in small.cells() {
            total.merge(cell);
        }
        let direct = PairMoments::of(&v, &i);
        assert_eq!(total.moments.n, 10_000);
        assert!((total.moments.m2_v / direct.m2_v - 1.0).abs() < 1e-12);
        assert!((total.moments.c_vi / direct.c_vi - 1.0).abs() < 1e-12);
    }

    #[test]
    fn whole_cells_and_what_they_leave() {
        let (v, i) = wave(100);
        let mut overview = Overview::new(16);
        overview.push(&v, &i);
        overview.finish();
        assert_eq!(overview.inside(&(10..50)), (10..16, 1..3, 48..50));
        assert_eq!(overview.inside(&(20..30)), (20..30, 0..0, 30..30));
        assert_eq!(overview.inside(&(0..100)), (0..0, 0..7, 100..100));
    }
}
