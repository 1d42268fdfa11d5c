//! Stretches of a record that hold no valid sample.

use serde::Serialize;
use std::ops::Range;

/// Why samples are not valid.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Mark {
    /// Nothing was recorded, or the file says so.
    Missing,
    /// The value lay beyond the range of the instrument: the highest crests are lost.
    Overrange,
}

/// Invalid samples: half-open ranges, sorted, without overlap.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Gaps {
    ranges: Vec<(Range<u64>, Mark)>,
}

impl Gaps {
    /// Ranges kept apart at most; further ones are joined to the last, valid samples between them
    /// included, so that memory stays bounded.
    const LIMIT: usize = 1 << 18;

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.ranges.is_empty()
    }

    /// The ranges and their marks.
    #[must_use]
    pub fn ranges(&self) -> &[(Range<u64>, Mark)] {
        &self.ranges
    }

    /// Adds a range that begins at or after the start of the last one, or touches it.
    pub fn push(&mut self, range: Range<u64>, mark: Mark) {
        if range.is_empty() {
            return;
        }
        let full = self.ranges.len() >= Self::LIMIT;
        match self.ranges.last_mut() {
            Some((last, kind))
                if range.start < last.end || full || (range.start == last.end && *kind == mark) =>
            {
                last.start = last.start.min(range.start);
                last.end = last.end.max(range.end);
                *kind = mark.max(*kind);
            }
            _ => self.ranges.push((range, mark)),
        }
    }

    /// Gaps in `window`, cut to it.
    fn overlapping<'a>(
        &'a self,
        window: &Range<u64>,
    ) -> impl Iterator<Item = (Range<u64>, Mark)> + 'a {
        let window = window.clone();
        let first = self.ranges.partition_point(|(gap, _)| gap.end <= window.start);
        self.ranges
            .get(first..)
            .unwrap_or_default()
            .iter()
            .take_while(move |(gap, _)| gap.start < window.end)
            .map(move |(gap, mark)| (gap.start.max(window.start)..gap.end.min(window.end), *mark))
    }

    /// Invalid samples in `window`.
    #[must_use]
    pub fn count(&self, window: &Range<u64>) -> u64 {
        self.overlapping(window).map(|(gap, _)| gap.end - gap.start).sum()
    }

    /// Samples in `window` that lay beyond the range.
    #[must_use]
    pub fn overrange(&self, window: &Range<u64>) -> u64 {
        let over = self.overlapping(window).filter(|(_, mark)| *mark == Mark::Overrange);
        over.map(|(gap, _)| gap.end - gap.start).sum()
    }

    /// The stretches of `window` without a gap.
    #[must_use]
    pub fn valid(&self, window: &Range<u64>) -> Vec<Range<u64>> {
        let mut found = Vec::new();
        let mut at = window.start;
        for (gap, _) in self.overlapping(window) {
            if gap.start > at {
                found.push(at..gap.start);
            }
            at = gap.end;
        }
        if at < window.end {
            found.push(at..window.end);
        }
        found
    }

    /// The longest stretch of `window` without a gap; empty where there is none.
    #[must_use]
    pub fn longest_valid(&self, window: &Range<u64>) -> Range<u64> {
        if self.is_empty() {
            return window.clone();
        }
        let longest = self.valid(window).into_iter().max_by_key(|part| part.end - part.start);
        longest.unwrap_or(window.start..window.start)
    }

    /// The part before `end`.
    #[must_use]
    pub fn cut(mut self, end: u64) -> Self {
        while self.ranges.last().is_some_and(|(gap, _)| gap.start >= end) {
            self.ranges.pop();
        }
        if let Some((last, _)) = self.ranges.last_mut() {
            last.end = last.end.min(end);
        }
        self
    }
}

#[cfg(test)]
#[allow(clippy::single_range_in_vec_init)] // a gap is one range
mod tests {
    use super::*;

    fn gaps(ranges: &[Range<u64>]) -> Gaps {
        let mut gaps = Gaps::default();
        for range in ranges {
            gaps.push(range.clone(), Mark::Missing);
        }
        gaps
    }

    #[test]
    fn what_is_left_between_gaps() {
        let found = gaps(&[3..5, 5..6, 10..12]);
        let ranges: Vec<Range<u64>> = found.ranges().iter().map(|(gap, _)| gap.clone()).collect();
        assert_eq!(ranges, [3..6, 10..12]);
        assert_eq!(found.valid(&(0..20)), [0..3, 6..10, 12..20]);
        assert_eq!(found.valid(&(4..11)), [6..10]);
        assert_eq!(found.count(&(4..11)), 3);
        assert_eq!(found.overrange(&(0..20)), 0);
        assert_eq!(found.longest_valid(&(0..20)), 12..20);
        assert_eq!(found.longest_valid(&(3..5)), 3..3);
        assert_eq!(found.cut(11).valid(&(0..20)), [0..3, 6..10, 11..20]);
    }

    #[test]
    fn marks_stay_apart_and_memory_is_bounded() {
        let mut many = Gaps::default();
        many.push(0..1, Mark::Missing);
        many.push(1..3, Mark::Overrange);
        assert_eq!(many.overrange(&(0..10)), 2);
        assert_eq!(many.valid(&(0..4)), [3..4]);
        for k in 2..(Gaps::LIMIT as u64 + 10) {
            many.push(2 * k..2 * k + 1, Mark::Missing);
        }
        assert_eq!(many.ranges().len(), Gaps::LIMIT);
    }
}
