//! Where the output changes: from the overview of a record to its phases and cycles.
//!
//! 1. `frames`: cells are gathered into frames of a quarter millisecond, several bursts long.
//! 2. `noise`: the quiet level of each channel.
//! 3. `stretches`: which frames carry output at all, and between which cells.
//! 4. `edges`: jumps of level or shape inside output, then every edge refined to the sample on the
//!    raw data.
//! 5. `kinds`: cut or coag, by crest factor and peak.
//! 6. `cycles`: the repeating sequence.
//!
//! All of it is linear in the length of the record; only a few milliseconds around each edge and
//! a few frames inside each phase are read again.

pub mod cycles;
mod edges;
mod frames;
mod kinds;
mod noise;
mod stretches;

pub use kinds::{Evidence, KindDoubt};

use crate::trace::{Channel, Channels, Kind, Overview, PerChannel, Phase, ReadFailure, Samples};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::Range;
use stretches::{Level, Stretch};

/// Every threshold that shapes the phases. All are printed and stored with the result.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
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
            phase_min_s: 1e-3,
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

/// Noise and offsets of both channels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Quiet {
    /// Standard deviation of the noise of voltage and current; 0 of an absent channel.
    pub sigma: PerChannel<f64>,
    /// Whether that was told under output: there is some even in the quietest stretches, as at the foot of
    /// a slow rise.
    pub under_output: PerChannel<bool>,
    /// Mean over rest of voltage and current, where there is rest.
    pub offset: Option<PerChannel<f64>>,
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
    /// Channels that show output.
    pub alive: Channels,
    /// Where no output was seen, in samples: a rest without the foot of a slow rise and the tail of what dies away.
    pub silent: Vec<Range<u64>>,
    /// Output too short to be a phase, taken for rest, in samples.
    pub dropped: Vec<Range<u64>>,
    /// Where a channel that shows output elsewhere is silent under output of the other one, in samples.
    pub one_sided: Vec<(Channel, Range<u64>)>,
    /// Output of another kind that was too short to stay a phase of its own, in samples.
    pub absorbed: Vec<Range<u64>>,
}

/// A record, and what is needed to find its phases.
#[derive(Clone, Copy)]
pub struct SegmentInput<'a> {
    /// The record's summary.
    pub overview: &'a Overview,
    /// Its samples.
    pub samples: &'a dyn Samples,
    /// Which channels there are.
    pub channels: Channels,
    /// Resistance of the load, ohm, where it is known: it tells the voltage where that was not
    /// captured. Without it continuous output of a low voltage can't be told from cut.
    pub load_ohm: Option<f64>,
    /// Steps of the converters of voltage and current; 0 where there are none.
    pub step: PerChannel<f64>,
    /// Thresholds.
    pub thresholds: &'a Thresholds,
}

impl fmt::Debug for SegmentInput<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("SegmentInput")
            .field("channels", &self.channels)
            .field("thresholds", &self.thresholds)
            .finish_non_exhaustive()
    }
}

/// Finds the phases of a record.
///
/// # Errors
/// Where samples can't be read again.
pub fn segment(question: &SegmentInput<'_>) -> Result<Segmentation, ReadFailure> {
    let SegmentInput { overview, samples, channels, thresholds, .. } = *question;
    let rate = samples.rate();
    let frames = frames::gather(overview, rate, thresholds.frame_s);
    let mut levels = Vec::new();
    for channel in channels.present() {
        let noise = noise::find(&frames, samples, channel, thresholds.rest_share)?;
        levels.push(Level::of(&frames, channel, noise, channel.of(question.step), thresholds));
    }
    let shows = |channel: Channel| {
        levels.iter().any(|level| level.channel == channel && level.has_output())
    };
    let alive = Channels { voltage: shows(Channel::Voltage), current: shows(Channel::Current) };
    // What shows no output tells nothing of it.
    if alive.present().next().is_some() {
        levels.retain(|level| alive.has(level.channel));
    }
    let found =
        stretches::find(&frames, overview, &levels, |seconds| rate.samples(seconds), thresholds);
    let offset = rest_offset(overview, &found.stretches);
    let silent: Vec<Range<u64>> = found
        .stretches
        .iter()
        .filter(|stretch| !stretch.powered)
        .map(|stretch| stretch.range.clone())
        .collect();
    let look = Look { question, frames: &frames, levels: &levels, offset };

    let mut pieces: Vec<Piece> = Vec::new();
    let mut absorbed = Vec::new();
    for Stretch { range, powered } in found.stretches {
        if !powered {
            pieces.push(Piece { range, judged: None });
            continue;
        }
        let level = look.level(look.lead_of(&range));
        let mut parts: Vec<Piece> = Vec::new();
        for part in edges::split_at_jumps(&frames, &found.powered, &range, level, thresholds) {
            let judged = Some(kinds::judge(&look, part.clone())?);
            parts.push(Piece { range: part, judged });
        }
        let mut parts = merge_alike(&look, parts, &mut absorbed)?;
        if range.end < samples.len() {
            join_tail(&look, &mut parts);
        }
        pieces.extend(parts);
    }

    let mut phases: Vec<Phase> = pieces
        .iter()
        .map(|piece| {
            let kind = piece.judged.map_or(Kind::Rest, |judged| judged.kind);
            let lead = piece.judged.map_or(Channel::Voltage, |judged| judged.evidence.lead);
            let (start, end) = (piece.range.start, piece.range.end);
            Phase { kind, measured_kind: kind, lead, start, end }
        })
        .collect();
    edges::refine(&look, &pieces, &mut phases)?;
    let evidence = pieces.iter().map(|piece| Some(piece.judged?.evidence)).collect();
    let quiet = Quiet {
        sigma: PerChannel::each(|channel| look.sigma(channel)),
        under_output: PerChannel::each(|channel| {
            look.noise(channel).is_some_and(|noise| noise.output_everywhere)
        }),
        offset,
    };
    let (dropped, one_sided) = (found.dropped, found.one_sided);
    Ok(Segmentation { phases, evidence, quiet, alive, silent, dropped, one_sided, absorbed })
}

/// What the later steps need to look at the record.
struct Look<'a> {
    question: &'a SegmentInput<'a>,
    frames: &'a frames::Frames,
    /// Of the channels that show output, voltage first; of all where none does.
    levels: &'a [Level],
    offset: Option<PerChannel<f64>>,
}

impl<'a> std::ops::Deref for Look<'a> {
    type Target = SegmentInput<'a>;
    fn deref(&self) -> &Self::Target {
        self.question
    }
}

impl Look<'_> {
    /// The quiet level of a channel, or of the one that is there.
    fn level(&self, channel: Channel) -> &Level {
        self.levels.iter().find(|level| level.channel == channel).unwrap_or(&self.levels[0])
    }

    /// Noise of a channel; 0 where it is absent or shows no output.
    fn sigma(&self, channel: Channel) -> f64 {
        self.noise(channel).map_or(0.0, |noise| noise.sigma)
    }

    fn noise(&self, channel: Channel) -> Option<noise::Noise> {
        self.levels.iter().find(|level| level.channel == channel).map(|level| level.noise)
    }

    /// Mean of a channel over rest; 0 where there is none.
    fn offset(&self, channel: Channel) -> f64 {
        self.offset.map_or(0.0, |offsets| channel.of(offsets))
    }

    /// The channel that shows the output over `range`: the voltage, unless it is quiet there and the
    /// current is not, as where the output is shorted.
    fn lead_of(&self, range: &Range<u64>) -> Channel {
        let inside = self.frames.inside(range);
        let loud = |level: &Level| inside.clone().filter(|k| level.powered[*k]).count();
        let mut levels = self.levels.iter();
        let Some(first) = levels.next() else { return Channel::Voltage };
        let better = levels.find(|level| loud(level) > 4 * loud(first));
        better.unwrap_or(first).channel
    }

    /// Volts across the load for one unit of a channel, where that is known.
    fn volts_per_unit(&self, channel: Channel) -> Option<f64> {
        match channel {
            Channel::Voltage => Some(1.0),
            Channel::Current => self.load_ohm,
        }
    }

    /// A channel over `range`, its offset taken away, with the place of its first sample.
    fn read(&self, channel: Channel, range: Range<u64>) -> Result<(u64, Vec<f64>), ReadFailure> {
        let block = self.samples.read(range)?;
        let offset = self.offset(channel);
        let start = block.start;
        let mut x = channel.of((block.v, block.i));
        for value in &mut x {
            *value -= offset;
        }
        Ok((start, x))
    }
}

struct Piece {
    range: Range<u64>,
    judged: Option<kinds::Judgement>,
}

/// Joins neighbours of one kind whose levels are close, and pieces too short to be phases; those are
/// told in `absorbed`.
fn merge_alike(
    look: &Look<'_>,
    pieces: Vec<Piece>,
    absorbed: &mut Vec<Range<u64>>,
) -> Result<Vec<Piece>, ReadFailure> {
    let shortest = look.samples.rate().samples(look.thresholds.phase_min_s);
    let mut kept: Vec<Piece> = Vec::new();
    for piece in pieces {
        let Some(last) = kept.last_mut() else {
            kept.push(piece);
            continue;
        };
        let (Some(a), Some(b)) = (last.judged, piece.judged) else {
            kept.push(piece);
            continue;
        };
        let ratio = (a.rms / b.rms).max(b.rms / a.rms);
        let alike = a.kind == b.kind
            && a.evidence.lead == b.evidence.lead
            && ratio < look.thresholds.same_kind_jump
            && a.evidence.continuous == b.evidence.continuous;
        // What the record cuts off may be short.
        let short = |piece: &Piece| {
            let inside = piece.range.start > 0 && piece.range.end < look.samples.len();
            inside && ((piece.range.end - piece.range.start) as f64) < shortest
        };
        if !alike && !short(last) && !short(&piece) {
            kept.push(piece);
            continue;
        }
        if !alike {
            absorbed.push(if short(&piece) { piece.range.clone() } else { last.range.clone() });
        }
        last.range.end = piece.range.end;
        last.judged = Some(kinds::judge(look, last.range.clone())?);
    }
    Ok(kept)
}

/// Takes the last part of a stretch of output for the tail of the one before it, where it only dies
/// away: the edge at half level then leaves it to the rest.
fn join_tail(look: &Look<'_>, parts: &mut Vec<Piece>) {
    let [.., before, tail] = parts.as_slice() else { return };
    let (Some(a), Some(b)) = (before.judged, tail.judged) else { return };
    if a.evidence.lead == b.evidence.lead
        && b.rms < a.rms
        && dies_away(look, &tail.range, b.evidence.lead)
    {
        let end = tail.range.end;
        parts.pop();
        if let Some(last) = parts.last_mut() {
            last.range.end = end;
        }
    }
}

/// Whether a stretch falls all along, to less than a third of where it starts.
fn dies_away(look: &Look<'_>, range: &Range<u64>, channel: Channel) -> bool {
    const PARTS: usize = 4;
    const FALLS: f64 = 3.0;
    let inside = look.frames.inside(range);
    if inside.len() < PARTS {
        return false;
    }
    let levels: Vec<f64> = (0..PARTS)
        .map(|k| {
            let part = inside.start + k * inside.len() / PARTS
                ..inside.start + (k + 1) * inside.len() / PARTS;
            let count = part.len() as f64;
            part.map(|frame| look.frames.variance(frame, channel)).sum::<f64>() / count
        })
        .collect();
    levels.windows(2).all(|pair| pair[1] < 0.9 * pair[0])
        && levels[PARTS - 1] * FALLS * FALLS < levels[0]
}

/// Mean of both channels over the cells inside rest; a frame's time at its borders may hold output.
fn rest_offset(overview: &Overview, stretches: &[Stretch]) -> Option<PerChannel<f64>> {
    let mut total = crate::numeric::moments::PairMoments::default();
    for stretch in stretches.iter().filter(|stretch| !stretch.powered) {
        let (_, cells, _) = overview.inside(&stretch.range);
        let spare = cells.len() / 8;
        for cell in &overview.cells()[cells.start + spare..cells.end - spare] {
            total.merge(&cell.moments);
        }
    }
    (total.n > 0).then_some(PerChannel { voltage: total.mean_v, current: total.mean_i })
}
