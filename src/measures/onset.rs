//! How output sets in after a rest.

use super::stats::{Onset, Repeated};
use crate::numeric::envelope::envelope;
use crate::numeric::order::median;
use crate::numeric::state::state_levels;
use crate::numeric::thin::means;
use crate::trace::{Channel, Overview, ReadFailure, Samples};
use std::f64::consts::TAU;
use std::ops::Range;

/// The boost is told over this time, s.
const BOOST_S: f64 = 20e-3;

/// Length of a group of cells, s: a few bursts.
const GROUP_S: f64 = 31e-6;

/// Rise and boost of the phase `range`, which begins after a rest.
///
/// `cycle` is the carrier cycle in samples; `steady` whether the output is continuous.
pub(super) fn onset(
    overview: &Overview,
    samples: &dyn Samples,
    range: &Range<u64>,
    cycle: f64,
    steady: bool,
    lead: Channel,
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
        lead.of((total.mean_square_v(), total.mean_square_i()))
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

    // Level of the phase, and where groups of cells first pass 10 and 90 % of it.
    let group = overview.cells_in(rate.samples(GROUP_S));
    let before = cells.start / group;
    let first = cells.start - before * group;
    let count = before + cells.len() / group;
    let at = |k: usize| square(first + k * group..first + (k + 1) * group).map_or(0.0, f64::sqrt);
    let mut levels: Vec<f64> = (before..count).map(at).collect();
    let Some(level) = median(&mut levels).filter(|level| *level > 0.0) else { return Ok(found) };
    // The phase begins half-way up: the foot of a slow rise lies before it.
    let mut low = before;
    while low > 0 && at(low - 1) >= 0.1 * level {
        low -= 1;
    }
    while low < count && at(low) < 0.1 * level {
        low += 1;
    }
    let Some(high) = (low..count).find(|k| at(*k) >= 0.9 * level) else { return Ok(found) };
    if high > low + 4 {
        let seconds = |groups: usize| rate.seconds((groups * group) as f64 * cell as f64);
        found.rise_s = Repeated::of(&[seconds(high - low)]);
        found.doubt_s = seconds(1) / 3_f64.sqrt();
    } else if steady {
        // Faster than the cells tell: demodulate the samples.
        let reach = 4 * group as u64 * cell;
        let from = range.start.saturating_sub(reach);
        let block = samples.read(from..(range.start + reach).min(range.end))?;
        let factor = super::look::thinning(cycle);
        let x = means(block.of(lead), factor);
        let cycle = cycle / factor as f64;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let length = (cycle.round() as usize).max(2);
        let e = envelope(&x, TAU / cycle, length);
        let Some((rest, full)) = state_levels(&e) else { return Ok(found) };
        let pass = |share: f64| e.iter().position(|e| *e >= rest + share * (full - rest));
        if let (Some(low), Some(high)) = (pass(0.1), pass(0.9))
            && high >= low
        {
            found.rise_s = Repeated::of(&[rate.seconds(((high - low) * factor) as f64)]);
            // The envelope is a mean over a carrier cycle: a jump takes it as long.
            found.doubt_s = rate.seconds((length * factor) as f64) / 3_f64.sqrt();
        }
    }
    Ok(found)
}
