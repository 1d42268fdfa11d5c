//! The record at any zoom: smallest, largest and RMS value of each column of a picture.
//!
//! The cells of the overview carry what is wide, the samples what is narrow; neither memory nor the
//! number of samples that are held at once grows with the record.

use super::block::{ReadFailure, Samples};
use super::overview::{Cell, Overview};
use std::ops::Range;

/// Samples that are read at once.
const AT_ONCE: u64 = 1 << 20;
/// A column is taken from cells where it holds at least so many: its ends are then off by less than a
/// tenth of its width.
const CELLS_A_COLUMN: u64 = 16;

/// A stretch of the record and what it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Its samples.
    pub span: Range<u64>,
    /// Extremes and moments of its valid samples.
    pub cell: Cell,
}

/// A record to be looked at from far and near.
#[derive(Clone, Copy)]
pub struct Pyramid<'a> {
    overview: &'a Overview,
    samples: &'a dyn Samples,
}

impl std::fmt::Debug for Pyramid<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Pyramid").field("samples", &self.samples.len()).finish_non_exhaustive()
    }
}

impl<'a> Pyramid<'a> {
    /// Over the samples of a record and the overview that one pass over them gave.
    #[must_use]
    pub fn new(overview: &'a Overview, samples: &'a dyn Samples) -> Self {
        Self { overview, samples }
    }

    /// `range` in `count` columns of equal width, at most one a sample. A column without a valid sample
    /// is left out.
    ///
    /// # Errors
    /// Where the samples can't be read again.
    pub fn columns(&self, range: Range<u64>, count: usize) -> Result<Vec<Column>, ReadFailure> {
        let end = range.end.min(self.samples.len());
        let start = range.start.min(end);
        let total = end - start;
        let count = (count as u64).min(total);
        let span = |k: u64| {
            let at = |k: u64| {
                let wide = u128::from(k) * u128::from(total) / u128::from(count.max(1));
                start + u64::try_from(wide).unwrap_or(total)
            };
            at(k)..at(k + 1)
        };
        let narrow = total <= AT_ONCE
            || total / count.max(1) < CELLS_A_COLUMN * self.overview.cell_length() as u64;
        let mut found = Vec::with_capacity(usize::try_from(count).unwrap_or(0));
        let mut k = 0;
        while k < count {
            // As many columns as can be read at once.
            let first = k;
            while k < count && (k == first || span(k).end - span(first).start <= AT_ONCE) {
                k += 1;
            }
            let cells: Vec<Cell> = match narrow {
                true => self.of_samples((first..k).map(span))?,
                false => (first..k).map(|k| self.of_cells(&span(k))).collect(),
            };
            let columns = (first..k).map(span).zip(cells);
            found.extend(
                columns
                    .filter(|(_, cell)| cell.moments.n > 0)
                    .map(|(span, cell)| Column { span, cell }),
            );
        }
        Ok(found)
    }

    /// Neighbouring spans from their samples.
    fn of_samples(
        &self,
        spans: impl Iterator<Item = Range<u64>> + Clone,
    ) -> Result<Vec<Cell>, ReadFailure> {
        let mut found = Vec::new();
        let (Some(first), Some(last)) = (spans.clone().next(), spans.clone().last()) else {
            return Ok(found);
        };
        let gaps = self.samples.gaps();
        // One column may be wider than what is held at once.
        if last.end - first.start > AT_ONCE {
            let mut all = Cell::default();
            let mut at = first.start;
            while at < last.end {
                let block = self.samples.read(at..(at + AT_ONCE).min(last.end))?;
                all.merge(&Cell::of_valid(at, &block.v, &block.i, gaps));
                at += AT_ONCE;
            }
            return Ok(vec![all]);
        }
        let block = self.samples.read(first.start..last.end)?;
        for span in spans {
            let place = |sample: u64| usize::try_from(sample - first.start).unwrap_or(usize::MAX);
            let part = place(span.start)..place(span.end);
            let v = block.v.get(part.clone()).unwrap_or_default();
            let i = block.i.get(part).unwrap_or_default();
            found.push(Cell::of_valid(span.start, v, i, gaps));
        }
        Ok(found)
    }

    /// A span from the cells that touch it.
    fn of_cells(&self, span: &Range<u64>) -> Cell {
        let (cells, length) = (self.overview.cells(), self.overview.cell_length() as u64);
        let place = |cell: u64| usize::try_from(cell).unwrap_or(usize::MAX).min(cells.len());
        let range = place(span.start / length)..place(span.end.div_ceil(length));
        let mut all = Cell::default();
        cells.get(range).unwrap_or_default().iter().for_each(|cell| all.merge(cell));
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::{Block, Gaps};
    use crate::units::SampleRate;

    struct Held(Vec<f64>, Gaps);

    impl Samples for Held {
        fn len(&self) -> u64 {
            self.0.len() as u64
        }

        fn rate(&self) -> SampleRate {
            SampleRate::new(1e6).unwrap()
        }

        fn gaps(&self) -> &Gaps {
            &self.1
        }

        fn read(&self, range: Range<u64>) -> Result<Block, ReadFailure> {
            let part = range.start as usize..range.end.min(self.len()) as usize;
            Ok(Block { start: range.start, v: self.0[part].to_vec(), i: Vec::new() })
        }
    }

    /// Numbers without any order, so that each column has extremes of its own.
    fn record(n: u64) -> (Held, Overview) {
        let v: Vec<f64> = (0..n).map(|k| ((k * 7_919) % 10_007) as f64 - 5_000.0).collect();
        let mut overview = Overview::with_limit(64, 1 << 10);
        overview.push(&v, &[]);
        overview.finish();
        (Held(v, Gaps::default()), overview)
    }

    fn extremes(x: &[f64]) -> [f32; 2] {
        let fold = |f: fn(f64, f64) -> f64| x.iter().copied().reduce(f).unwrap() as f32;
        [fold(f64::min), fold(f64::max)]
    }

    #[test]
    fn columns_hold_the_extremes_of_their_samples_at_any_zoom() {
        let (held, overview) = record(3_000_000);
        let pyramid = Pyramid::new(&overview, &held);
        for (range, count) in [
            (0..3_000_000, 1_000),
            (0..3_000_000, 7),
            (5..2_999_999, 2),
            (1_000_003..1_000_450, 100),
            (17..18, 100),
            (2_999_990..9_000_000, 3),
        ] {
            let columns = pyramid.columns(range.clone(), count).unwrap();
            assert!(columns.len() <= count && !columns.is_empty());
            let mut at = range.start;
            for column in &columns {
                assert_eq!(column.span.start, at, "columns of {range:?} lie side by side");
                at = column.span.end;
                let own = column.span.start as usize..column.span.end as usize;
                let [low, high] = extremes(&held.0[own.clone()]);
                let exact = column.cell.v == [low, high];
                // From cells a column may reach into its neighbours by one cell.
                let wide = own.len() as u64 / 8 >= overview.cell_length() as u64;
                assert!(exact || wide && column.cell.v[0] <= low && column.cell.v[1] >= high);
            }
            assert_eq!(at, range.end.min(3_000_000));
        }
        assert!(pyramid.columns(9..9, 5).unwrap().is_empty());
        assert!(pyramid.columns(0..10, 0).unwrap().is_empty());
    }
}
