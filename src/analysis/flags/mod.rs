//! What is in doubt about a result. Every threshold here is stated in the message it leads to.

mod bench;
mod phases;
mod sampling;
mod shape;

use crate::flag::Flag;
use crate::measures::oddities::Oddities;
use crate::measures::stats::IntervalStats;
use crate::recording::Record;
use crate::result::Measurement;
use crate::segment::Segmentation;
use crate::trace::{Kind, PerChannel, Phase, ReadFailure};

/// What flags are told from.
pub(super) struct Case<'a> {
    /// The result so far.
    pub measurement: &'a Measurement,
    /// The record.
    pub record: &'a Record,
    /// How its phases were found.
    pub segmentation: &'a Segmentation,
    /// Its phases, as they are named.
    pub phases: &'a [Phase],
    /// Their statistics.
    pub stats: &'a [IntervalStats],
    /// What those do not tell.
    pub oddities: &'a [Oddities],
    /// Noise of voltage and current.
    pub noise: PerChannel<f64>,
    /// Whether the phases were named by the sequence that a setting is expected to give.
    pub named: bool,
}

impl Case<'_> {
    /// Phases of output, by number.
    fn powered(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.phases.len()).filter(|k| self.phases[*k].kind.powered())
    }

    /// Phases of output for which something holds, their kinds, and the largest value of it.
    fn worst(&self, of: impl Fn(usize) -> Option<f64>) -> Option<(Vec<Kind>, f64)> {
        let mut kinds = Vec::new();
        let mut largest = 0.0_f64;
        for k in self.powered() {
            if let Some(value) = of(k) {
                kinds.push(self.phases[k].kind);
                largest = largest.max(value);
            }
        }
        (!kinds.is_empty()).then_some((kinds, largest))
    }
}

/// All flags of a measurement.
pub(super) fn find(case: &Case<'_>) -> Result<Vec<Flag>, ReadFailure> {
    let mut flags = Vec::new();
    sampling::find(case, &mut flags)?;
    bench::find(case, &mut flags);
    shape::find(case, &mut flags);
    phases::find(case, &mut flags);
    Ok(flags)
}
