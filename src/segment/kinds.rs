//! Cut or coag.

use super::Look;
use crate::numeric::crest::{HALO, crests, unbiased_maximum};
use crate::numeric::moments::PairMoments;
use crate::trace::{Channel, Kind, ReadFailure};
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// Why a phase got its kind.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Channel by which it was told.
    pub lead: Channel,
    /// Crest factor on which the kind was decided.
    pub crest_factor: f64,
    /// Whether the output counts as continuous.
    pub continuous: bool,
    /// Why the kind is in doubt, where it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub doubt: Option<KindDoubt>,
}

/// A kind, and what it was decided by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Judgement {
    /// The kind.
    pub kind: Kind,
    /// Peak of the leading channel, corrected for noise.
    pub peak: f64,
    /// RMS of it, noise taken away.
    pub rms: f64,
    /// What goes with the result.
    pub evidence: Evidence,
}

/// Why the waveform does not tell the kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum KindDoubt {
    /// The voltage is too low to tell cut from coag.
    LowVoltage,
    /// The voltage is not known.
    VoltageUnknown,
    /// The crest factor lies close to the border.
    NearBorder,
}

/// Share about a border within which a value may lie on either side.
const NEAR: f64 = 0.03;

/// Judges a powered stretch.
pub(super) fn judge(look: &Look<'_>, range: Range<u64>) -> Result<Judgement, ReadFailure> {
    /// Stretches that are read to see how crests are spread.
    const LOOKS: u64 = 8;
    /// Groups of cells that are read to find the highest crest, and length of one, s.
    const TOPS: usize = 8;
    const TOP_S: f64 = 31e-6;
    /// Most samples of one look.
    const LONGEST: u64 = 1 << 16;
    let lead = look.lead_of(&range);
    let sigma = look.sigma(lead);
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
    let m2 = lead.of((moments.m2_v, moments.m2_i));
    let noise = sigma * sigma;
    let square = (m2 / n - noise).max(0.0);
    let rms = square.sqrt();

    let mut highest = 0.0_f64;
    let group = look.overview.cells_in(look.samples.rate().samples(TOP_S));
    let reach = |cell: &crate::trace::Cell| cell.reach(lead, look.offset(lead));
    for group in look.overview.highest(cells, group, TOPS, reach) {
        let span = look.overview.span(group);
        highest = highest.max(heights(look, lead, span, 0.0)?.into_iter().fold(0.0, f64::max));
    }
    let mut all: Vec<f32> = Vec::new();
    let length = trimmed.end - trimmed.start;
    let step = (length / LOOKS).max(1);
    let mut seen = 0;
    for at in (0..LOOKS).map(|k| trimmed.start + k * step) {
        let end = (at + frame.min(LONGEST)).min(trimmed.end);
        if end <= at {
            break;
        }
        seen += end - at;
        #[allow(clippy::cast_possible_truncation)]
        all.extend(heights(look, lead, at..end, 0.3 * highest)?.iter().map(|h| *h as f32));
    }
    let every = length as f64 / seen.max(1) as f64;
    let mut peak = unbiased_maximum(highest, &all, every.max(1.0), sigma, 0.0).value;

    // In strong noise crests say little; the kurtosis, freed from noise, still tells a steady
    // sine (1.5) from bursts, and its peak is then sqrt(2) times its RMS.
    if square < 30.0 * noise {
        let clean = fourth / n - 6.0 * square * noise - 3.0 * noise * noise;
        if square > 0.0 && clean / (square * square) < 2.1 {
            peak = rms * std::f64::consts::SQRT_2;
        }
    }
    let crest_factor = if rms > 0.0 { peak / rms } else { 0.0 };
    let volts = look.volts_per_unit(lead).map(|volts| peak * volts);
    Ok(decide(look, lead, peak, rms, crest_factor, volts))
}

fn decide(
    look: &Look<'_>,
    lead: Channel,
    peak: f64,
    rms: f64,
    crest_factor: f64,
    volts: Option<f64>,
) -> Judgement {
    let limits = look.thresholds;
    let continuous = crest_factor < limits.continuous_crest_factor;
    let strongly = crest_factor >= limits.coag_crest_factor;
    let low = volts.is_some_and(|volts| volts < limits.arc_peak_v);
    let kind = if strongly || (continuous && low) { Kind::Coag } else { Kind::Cut };
    let near = |value: f64, border: f64| (value / border - 1.0).abs() < NEAR;
    let doubt = if near(crest_factor, limits.coag_crest_factor) {
        Some(KindDoubt::NearBorder)
    } else if strongly {
        None
    } else {
        match volts {
            None => Some(KindDoubt::VoltageUnknown),
            Some(volts) if volts < limits.arc_peak_v * (1.0 + NEAR) => Some(KindDoubt::LowVoltage),
            Some(_) => None,
        }
    };
    let evidence = Evidence { lead, crest_factor, continuous, doubt };
    Judgement { kind, peak, rms, evidence }
}

fn heights(
    look: &Look<'_>,
    lead: Channel,
    span: Range<u64>,
    floor: f64,
) -> Result<Vec<f64>, ReadFailure> {
    let halo = HALO as u64;
    let mut heights = Vec::new();
    for part in look.samples.gaps().valid(&(span.start.saturating_sub(halo)..span.end + halo)) {
        let (_, x) = look.read(lead, part)?;
        heights.extend(crests(&x, floor, None).into_iter().map(|crest| crest.value.abs()));
    }
    Ok(heights)
}
