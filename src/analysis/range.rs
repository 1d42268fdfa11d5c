//! Measures between any two samples of a record.

use super::assemble::stated;
use super::run::{quiet, survey_input};
use super::{AnalysisError, Run};
use crate::measures::stats::{EdgeDoubt, IntervalStats, Repeated};
use crate::measures::{MeasureSet, Neighbours, largest_1s, survey};
use crate::trace::{Column, Phase};
use std::ops::Range;

impl Run {
    /// `count` columns over the samples `range`: smallest, largest and RMS value of each, for a picture
    /// at any zoom.
    ///
    /// # Errors
    /// Where samples can't be read again.
    pub fn columns(&self, range: Range<u64>, count: usize) -> Result<Vec<Column>, AnalysisError> {
        Ok(self.record.pyramid().columns(range, count)?)
    }

    /// Measures of the samples `range`, with the offsets, noise and instruments of the whole record.
    /// Where it cuts through a phase, only what lies inside counts; its ends are exact.
    ///
    /// # Errors
    /// Where the range is empty or reaches beyond the record, or samples can't be read again.
    pub fn measure_range(&self, range: Range<u64>) -> Result<MeasureSet, AnalysisError> {
        let Self { phases, record, ground, .. } = self;
        let total = record.overview().samples();
        if range.is_empty() || range.end > total {
            return Err(AnalysisError::Range { start: range.start, end: range.end, total });
        }
        let conditions = &ground.conditions;
        let quiet = quiet(record, &ground.silent);
        let noise = (conditions.noise, conditions.step);
        let input = survey_input(record, &ground.settings, noise, quiet.as_ref());
        let interval = 1.0 / conditions.rate_hz;
        let mut all = IntervalStats::empty(record.channels(), record.power_by(), interval);
        for (phase, stats) in phases.iter().zip(&ground.stats) {
            let (start, end) = (phase.start.max(range.start), phase.end.min(range.end));
            if start >= end {
                continue;
            }
            if (start, end) == (phase.start, phase.end) {
                all.merge(stats);
            } else {
                let part = Phase { start, end, ..*phase };
                all.merge(&survey(&input, &part, Neighbours::default())?.stats);
            }
        }
        let length = record.samples().rate().seconds((range.end - range.start) as f64);
        all.duration_s = Repeated::of(&[length]);
        all.edges = EdgeDoubt::default();
        // Ends that are those of a phase are known as well as they are.
        for (border, pair) in ground.borders.iter().zip(phases.windows(2)) {
            if [range.start, range.end].contains(&pair[0].end) {
                border.add_to(&mut all.edges);
            }
        }
        all.close();
        let (_, cells, _) = record.overview().inside(&range);
        all.largest_1s_w = (all.invalid.0 == 0)
            .then(|| largest_1s(&record.overview().cells()[cells], record.power_by(), interval))
            .flatten();
        Ok(stated(&all, conditions, ground.settings.extras, &|| false))
    }
}
