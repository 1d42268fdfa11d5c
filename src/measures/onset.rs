//! How output sets in after a rest.

use super::stats::{Onset, Repeated};
use crate::numeric::envelope::envelope;
use crate::numeric::order::median;
use crate::numeric::state::state_levels;
use crate::trace::{Overview, ReadFailure, Samples};
use std::f64::consts::TAU;
use std::ops::Range;

/// The boost is told over this time, s.
const BOOST_S: f64 = 20e-3;

/// Rise and boost of the phase `range`, which begins after a rest.
///
/// `cycle` is the carrier cycle in samples; `steady` whether the output is continuous.
pub fn onset(
    overview: &Overview,
    samples: &dyn Samples,
    range: &Range<u64>,
    cycle: f64,
    steady: bool,
    voltage: bool,
) -> Result<Onset, ReadFailure> {
    let mut found = Onset::default();
    let rate = samples.rate();
    let cell = overview.cell_length() as u64;
    let (_, cells, _) = overview.inside(range);
    let square = |range: Range<usize>| {
        let mut total = crate::numeric::moments::PairMoments::default();
        for cell in &overview.cells()[range] {
            total.merge(&cell.moments);
        }
        if voltage { total.mean_square_v() } else { total.mean_square_i() }
    };

    let boost_cells = rate.count(BOOST_S, 1).div_ceil(overview.cell_length());
    if cells.len() >= 2 * boost_cells {
        let early = square(cells.start..cells.start + boost_cells);
        let late = square(cells.start + boost_cells..cells.end);
        if let (Some(early), Some(late)) = (early, late)
            && late > 0.0
        {
            found.boost = Repeated::of(&[(early / late).sqrt()]);
        }
    }

    // Level of the phase, and where the cells first pass 10 and 90 % of it.
    let mut levels: Vec<f64> =
        cells.clone().filter_map(|k| Some(square(k..k + 1)?.sqrt())).collect();
    let Some(level) = median(&mut levels).filter(|level| *level > 0.0) else { return Ok(found) };
    let at = |k: usize| square(k..k + 1).map_or(0.0, f64::sqrt);
    // The phase begins half-way up: the foot of a slow rise lies before it.
    let mut low = cells.start;
    while low > 0 && at(low - 1) >= 0.1 * level {
        low -= 1;
    }
    while low < cells.end && at(low) < 0.1 * level {
        low += 1;
    }
    let Some(high) = (low..cells.end).find(|k| at(*k) >= 0.9 * level) else { return Ok(found) };
    if high > low + 4 {
        found.rise_s = Repeated::of(&[rate.seconds((high - low) as f64 * cell as f64)]);
    } else if steady {
        // Faster than the cells tell: demodulate the samples.
        let from = range.start.saturating_sub(4 * cell);
        let block = samples.read(from..(range.start + 4 * cell).min(range.end))?;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let length = (cycle.round() as usize).max(2);
        let e = envelope(block.leading(), TAU / cycle, length);
        let Some((rest, full)) = state_levels(&e) else { return Ok(found) };
        let pass = |share: f64| e.iter().position(|e| *e >= rest + share * (full - rest));
        if let (Some(low), Some(high)) = (pass(0.1), pass(0.9))
            && high >= low
        {
            found.rise_s = Repeated::of(&[rate.seconds((high - low) as f64)]);
        }
    }
    Ok(found)
}
