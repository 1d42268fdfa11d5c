//! Where the output changes: from the overview of a record to its phases and cycles.
//!
//! 1. `frames`: cells are gathered into frames of a quarter millisecond, several bursts long.
//! 2. `levels`: the noise floor, and which frames carry output at all.
//! 3. `edges`: jumps of level or shape inside powered stretches, then every edge refined to
//!    the sample on the raw data.
//! 4. `kinds`: cut or coag, by crest factor and peak.
//! 5. `cycles`: the repeating sequence.
//!
//! All of it is linear in the length of the record; only a few milliseconds around each edge and
//! a few frames inside each phase are read again.

pub mod cycles;
mod edges;
mod frames;
mod kinds;
mod levels;

pub use kinds::Evidence;

use crate::trace::{Kind, Overview, Phase, ReadFailure, Samples};
use serde::Serialize;
use std::ops::Range;

/// Every threshold that shapes the phases. All are printed and stored with the result.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Thresholds {
    /// Rest: envelope below this share of the strongest phase.
    pub rest_share: f64,
    /// Rest: envelope power within so many standard deviations of its noise floor.
    pub rest_noise_factor: f64,
    /// A quiet stretch shorter than this between bursts is a gap, not a rest, s.
    pub rest_min_s: f64,
    /// Output shorter than this is no phase of its own, s.
    pub phase_min_s: f64,
    /// Coag: crest factor at or above this.
    pub coag_crest_factor: f64,
    /// Continuous: crest factor below this.
    pub continuous_crest_factor: f64,
    /// Continuous output of a lower peak is coag, V.
    pub arc_peak_v: f64,
    /// Length of a frame, s.
    pub frame_s: f64,
    /// A jump of the RMS level by this ratio is looked at as an edge.
    pub level_jump: f64,
    /// A jump of the shape (kurtosis, peak) by this ratio is looked at as an edge.
    pub shape_jump: f64,
    /// Neighbours of one kind stay apart only from this ratio of their RMS levels on.
    pub same_kind_jump: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            rest_share: 0.01,
            rest_noise_factor: 6.0,
            rest_min_s: 2e-3,
            phase_min_s: 2e-3,
            coag_crest_factor: 4.0,
            continuous_crest_factor: 1.7,
            arc_peak_v: 200.0,
            frame_s: 2.5e-4,
            level_jump: 1.25,
            shape_jump: 1.4,
            same_kind_jump: 1.5,
        }
    }
}

/// White noise and offsets of the leading channel and of both.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Quiet {
    /// Standard deviation of the noise of the leading channel.
    pub sigma: f64,
    /// Mean over rest of voltage and current, where there is rest.
    pub offset: Option<(f64, f64)>,
}

/// What segmentation found.
#[derive(Clone, Debug)]
pub struct Segmentation {
    /// Phases; they tile the record.
    pub phases: Vec<Phase>,
    /// Why each phase got its kind; one per phase, `None` for rest.
    pub evidence: Vec<Option<Evidence>>,
    /// Noise and offsets.
    pub quiet: Quiet,
}

/// Finds the phases of a record.
///
/// `volts_per_unit` tells how many volts across the load one unit of the leading channel stands
/// for (1 for a voltage, the load's resistance for a current), where that is known; without it
/// the rule for low-voltage coag can't be applied and continuous output is cut.
///
/// # Errors
/// Where samples can't be read again.
pub fn segment(
    overview: &Overview,
    samples: &dyn Samples,
    volts_per_unit: Option<f64>,
    thresholds: &Thresholds,
) -> Result<Segmentation, ReadFailure> {
    let frames = frames::gather(overview, samples.rate(), thresholds.frame_s);
    let levels = levels::find(&frames, samples, thresholds)?;
    let offset = rest_offset(&frames, &levels.powered);
    let leading_offset = offset.map_or(0.0, |(v, i)| if frames.voltage { v } else { i });
    let look = Look {
        frames: &frames,
        overview,
        samples,
        sigma: levels.sigma,
        offset: leading_offset,
        volts_per_unit,
        thresholds,
    };

    // Powered stretches, cut at jumps, each piece with its kind.
    let mut pieces: Vec<Piece> = Vec::new();
    for run in runs(&levels.powered) {
        if !levels.powered[run.start] {
            pieces.push(Piece { frames: run, evidence: None });
            continue;
        }
        let mut found: Vec<Piece> = Vec::new();
        for part in edges::split_at_jumps(&frames, run, levels.sigma, thresholds) {
            let evidence = Some(kinds::judge(&look, look.span(&part))?);
            found.push(Piece { frames: part, evidence });
        }
        pieces.extend(merge_alike(&look, found)?);
    }

    let mut phases: Vec<Phase> = pieces
        .iter()
        .map(|piece| {
            let kind = piece.evidence.map_or(Kind::Rest, |evidence| evidence.kind);
            let span = look.span(&piece.frames);
            Phase { kind, measured_kind: kind, start: span.start, end: span.end }
        })
        .collect();
    edges::refine(&look, &mut phases)?;
    let evidence = pieces.iter().map(|piece| piece.evidence).collect();
    Ok(Segmentation { phases, evidence, quiet: Quiet { sigma: levels.sigma, offset } })
}

/// What the later steps need to look at the record.
struct Look<'a> {
    frames: &'a frames::Frames,
    overview: &'a Overview,
    samples: &'a dyn Samples,
    sigma: f64,
    offset: f64,
    volts_per_unit: Option<f64>,
    thresholds: &'a Thresholds,
}

impl Look<'_> {
    /// Samples of a range of frames.
    fn span(&self, frames: &Range<usize>) -> Range<u64> {
        self.frames.span(self.overview, frames)
    }

    /// The leading channel over `range`, its offset taken away.
    fn leading(&self, range: Range<u64>) -> Result<(u64, Vec<f64>), ReadFailure> {
        let block = self.samples.read(range)?;
        let mut x = if block.v.is_empty() { block.i } else { block.v };
        for value in &mut x {
            *value -= self.offset;
        }
        Ok((block.start, x))
    }
}

struct Piece {
    frames: Range<usize>,
    evidence: Option<Evidence>,
}

/// Runs of equal values.
fn runs(flags: &[bool]) -> Vec<Range<usize>> {
    let mut found: Vec<Range<usize>> = Vec::new();
    for (k, flag) in flags.iter().enumerate() {
        match found.last_mut() {
            Some(run) if flags[run.start] == *flag => run.end = k + 1,
            _ => found.push(k..k + 1),
        }
    }
    found
}

/// Joins neighbours of one kind whose levels are close, and pieces too short to be phases.
fn merge_alike(look: &Look<'_>, pieces: Vec<Piece>) -> Result<Vec<Piece>, ReadFailure> {
    let shortest = look.samples.rate().samples(look.thresholds.phase_min_s);
    let mut kept: Vec<Piece> = Vec::new();
    for piece in pieces {
        let Some(last) = kept.last_mut() else {
            kept.push(piece);
            continue;
        };
        let join = match (last.evidence, piece.evidence) {
            (Some(a), Some(b)) => {
                let ratio = (a.rms / b.rms).max(b.rms / a.rms);
                // What the record cuts off may be short.
                let short = |piece: &Piece| {
                    let span = look.span(&piece.frames);
                    let inside = span.start > 0 && span.end < look.samples.len();
                    inside && ((span.end - span.start) as f64) < shortest
                };
                short(last)
                    || short(&piece)
                    || (a.kind == b.kind
                        && (ratio < look.thresholds.same_kind_jump)
                        && a.continuous == b.continuous)
            }
            _ => false,
        };
        if join {
            last.frames.end = piece.frames.end;
            last.evidence = Some(kinds::judge(look, look.span(&last.frames))?);
        } else {
            kept.push(piece);
        }
    }
    Ok(kept)
}

/// Mean of both channels over the frames inside rest; the frames at its borders may hold output.
fn rest_offset(frames: &frames::Frames, powered: &[bool]) -> Option<(f64, f64)> {
    let mut total = crate::numeric::moments::PairMoments::default();
    for (k, frame) in frames.list.iter().enumerate() {
        let near = k.saturating_sub(1)..(k + 2).min(powered.len());
        if powered[near].iter().all(|on| !on) {
            total.merge(&frame.moments);
        }
    }
    (total.n > 0).then_some((total.mean_v, total.mean_i))
}
