//! What a run shows beside its measures: its picture, and how the power moves along it.

use super::Run;
use crate::measures::Measure;
use crate::measures::drift::{WINDOWS, drift};
use crate::numeric::moments::PairMoments;
use crate::report::picture::Picture;
use crate::trace::Kind;

/// Least cells of the overview in one window of a drift.
const CELLS: usize = 4;

impl Run {
    /// The run as a picture with these two lines above it.
    #[must_use]
    pub fn picture<'a>(&'a self, title: &'a str, subtitle: &'a str) -> Picture<'a> {
        let measurement = &self.measurement;
        let carriers =
            measurement.phases.iter().filter_map(|p| p.measures.get(Measure::Fundamental));
        let lowest = carriers.map(|carrier| carrier.value).reduce(f64::min);
        let close_s = [Kind::Cut, Kind::Coag].map(|kind| (kind, self.close_s(kind)));
        Picture {
            title,
            subtitle,
            overview: self.record.overview(),
            samples: self.record.samples(),
            phases: &self.phases,
            carrier_s: lowest.map_or(0.0, |hz| 1.0 / hz),
            close_s: close_s.into(),
        }
    }

    /// Length of a close-up: three bursts, or six carrier cycles, s.
    fn close_s(&self, kind: Kind) -> f64 {
        let measures = self.measurement.kinds.get(kind).map(|kind| &kind.measures);
        let value = |measure: Measure| {
            measures.and_then(|m| m.get(measure)).map(|e| e.value).filter(|v| *v > 0.0)
        };
        let bursts = value(Measure::BurstRate).map(|rate| 3.0 / rate);
        bursts.or_else(|| value(Measure::Fundamental).map(|hz| 6.0 / hz)).unwrap_or(20e-6)
    }

    /// How the power moves along the longest phase of output: relative change, its standard
    /// uncertainty, degrees of freedom, and the length of the phase in s. `None` where it is too
    /// short to be cut into windows.
    #[must_use]
    pub fn drift(&self) -> Option<([f64; 3], f64)> {
        let powered = self.phases.iter().filter(|phase| phase.kind.powered());
        let phase = powered.max_by_key(|phase| phase.len())?;
        let overview = self.record.overview();
        let (_, cells, _) = overview.inside(&(phase.start..phase.end));
        // Windows of a few cells at least: a cut carrier cycle must not look like a change.
        let count = cells.len();
        let windows = WINDOWS.min(count / CELLS);
        let window = |k: usize| {
            let part = cells.start + k * count / windows..cells.start + (k + 1) * count / windows;
            let mut all = PairMoments::default();
            overview.cells()[part].iter().for_each(|cell| all.merge(&cell.moments));
            self.record.power_by().power(&all).ok()
        };
        let powers: Option<Vec<f64>> = (0..windows).map(window).collect();
        let (relative, u, freedom) = drift(&powers?)?;
        let length = self.record.samples().rate().seconds(phase.len() as f64);
        Some(([relative, u, freedom], length))
    }
}
