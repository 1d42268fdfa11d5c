//! How the power moves along a run.

use super::Run;
use crate::measures::drift::{WINDOWS, drift};
use crate::numeric::moments::PairMoments;

/// Least cells of the overview in one window of a drift.
const CELLS: usize = 4;

impl Run {
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
