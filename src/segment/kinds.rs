//! Cut or coag.

use super::Look;
use crate::numeric::crest::{HALO, crests, unbiased_maximum};
use crate::numeric::moments::PairMoments;
use crate::trace::{Kind, ReadFailure};
use serde::Serialize;
use std::ops::Range;

/// Why a phase got its kind.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Evidence {
    /// The kind.
    #[serde(skip)]
    pub kind: Kind,
    /// Peak of the leading channel, corrected for noise.
    #[serde(skip)]
    pub peak: f64,
    /// RMS of the leading channel, noise taken away.
    #[serde(skip)]
    pub rms: f64,
    /// Crest factor on which the kind was decided.
    pub crest_factor: f64,
    /// Whether the output counts as continuous.
    pub continuous: bool,
}

/// Judges a powered stretch.
pub fn judge(look: &Look<'_>, range: Range<u64>) -> Result<Evidence, ReadFailure> {
    /// Frames that are read to see how crests are spread.
    const LOOKS: u64 = 8;
    /// Cells that are read to find the highest crest.
    const TOPS: usize = 8;
    let frame = look.frames.length as u64;
    // The frames at the borders may belong to the neighbour.
    let trimmed = if range.end - range.start > 4 * frame {
        range.start + frame..range.end - frame
    } else {
        range
    };
    let (_, cells, _) = look.overview.inside(&trimmed);
    let mut moments = PairMoments::default();
    let mut fourth = 0.0;
    for cell in &look.overview.cells()[cells.clone()] {
        moments.merge(&cell.moments);
        fourth += cell.fourth;
    }
    let n = moments.n.max(1) as f64;
    let m2 = if look.frames.voltage { moments.m2_v } else { moments.m2_i };
    let noise = look.sigma * look.sigma;
    let square = (m2 / n - noise).max(0.0);
    let rms = square.sqrt();

    let mut highest = 0.0_f64;
    let tops = look.overview.highest(cells, TOPS, |cell| look.frames.peak_of(cell, look.offset));
    for k in tops {
        let span = look.overview.span(k..k + 1);
        highest = highest.max(crest_heights(look, span, 0.0)?.into_iter().fold(0.0, f64::max));
    }
    let mut heights: Vec<f32> = Vec::new();
    let length = trimmed.end - trimmed.start;
    let step = (length / LOOKS).max(1);
    let mut seen = 0;
    for at in (0..LOOKS).map(|k| trimmed.start + k * step) {
        let end = (at + frame).min(trimmed.end);
        if end <= at {
            break;
        }
        seen += end - at;
        #[allow(clippy::cast_possible_truncation)]
        heights.extend(crest_heights(look, at..end, 0.3 * highest)?.iter().map(|h| *h as f32));
    }
    let every = length as f64 / seen.max(1) as f64;
    let mut peak = unbiased_maximum(highest, &heights, every.max(1.0), look.sigma, 0.0).value;

    // In strong noise crests say little; the kurtosis, freed from noise, still tells a steady
    // sine (1.5) from bursts, and its peak is then sqrt(2) times its RMS.
    if square < 30.0 * noise {
        let clean = fourth / n - 6.0 * square * noise - 3.0 * noise * noise;
        if square > 0.0 && clean / (square * square) < 2.1 {
            peak = rms * std::f64::consts::SQRT_2;
        }
    }
    let crest_factor = if rms > 0.0 { peak / rms } else { 0.0 };
    let continuous = crest_factor < look.thresholds.continuous_crest_factor;
    let low = look.volts_per_unit.is_some_and(|v| peak * v < look.thresholds.arc_peak_v);
    let kind = if crest_factor >= look.thresholds.coag_crest_factor || (continuous && low) {
        Kind::Coag
    } else {
        Kind::Cut
    };
    Ok(Evidence { kind, peak, rms, crest_factor, continuous })
}

fn crest_heights(look: &Look<'_>, span: Range<u64>, floor: f64) -> Result<Vec<f64>, ReadFailure> {
    let halo = HALO as u64;
    let mut heights = Vec::new();
    for part in look.samples.gaps().valid(&(span.start.saturating_sub(halo)..span.end + halo)) {
        let (_, x) = look.leading(part)?;
        heights.extend(crests(&x, floor, true).into_iter().map(|crest| crest.value.abs()));
    }
    Ok(heights)
}
