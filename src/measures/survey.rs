//! Fills the statistics of one phase: moments from the overview, the rest from a second look.

use super::baseline::{self, Baseline};
use super::close::CloseLook;
use super::oddities::Oddities;
use super::onset::onset;
use super::ripple;
use super::sliding::largest_1s;
use super::stats::{IntervalStats, Peaks, PowerBy, Repeated, Shape};
use crate::numeric::moments::PairMoments;
use crate::trace::{Channel, Channels, Kind, Overview, PerChannel, Phase, ReadFailure, Samples};
use std::fmt;
use std::ops::Range;

/// How much is read a second time.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ReadBudget {
    /// Samples of the record that are looked at burst by burst; more are sampled evenly.
    pub burst_samples: u64,
    /// Bursts of a phase whose carrier is fitted.
    pub fitted_bursts: usize,
    /// Slices of a continuous phase whose carrier is fitted.
    pub fitted_slices: u64,
    /// Groups of cells of a phase that are searched for its highest crest.
    pub peak_cells: usize,
}

impl Default for ReadBudget {
    fn default() -> Self {
        Self { burst_samples: 1 << 20, fitted_bursts: 150, fitted_slices: 4, peak_cells: 16 }
    }
}

/// What a survey needs to know besides the phase.
#[derive(Clone, Copy)]
pub struct SurveyInput<'a> {
    /// The record's summary, offsets taken away.
    pub overview: &'a Overview,
    /// The record's samples, offsets taken away.
    pub samples: &'a dyn Samples,
    /// Which channels there are.
    pub channels: Channels,
    /// How power is had.
    pub power_by: PowerBy,
    /// Noise of voltage and current.
    pub sigma: PerChannel<f64>,
    /// Steps of the converters of voltage and current; 0 where there are none.
    pub step: PerChannel<f64>,
    /// A stretch without output, where there is one.
    pub quiet: Option<&'a Range<u64>>,
    /// Share of a burst's peak above which it is on.
    pub duty_threshold: f64,
    /// How much is read again.
    pub budget: ReadBudget,
}

impl fmt::Debug for SurveyInput<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("SurveyInput")
            .field("channels", &self.channels)
            .field("power_by", &self.power_by)
            .finish_non_exhaustive()
    }
}

/// Kinds of the phases before and after.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Neighbours {
    /// Before; `None` at the start of the record.
    pub before: Option<Kind>,
    /// After; `None` at its end.
    pub after: Option<Kind>,
}

/// Statistics of one phase, and the extremes right beside its borders with other output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Surveyed {
    /// The statistics; their peaks are those away from such borders.
    pub stats: IntervalStats,
    /// Highest crests beside the border before and after: voltage up and down, current up and down.
    pub beside: [Option<[f64; 4]>; 2],
    /// What the statistics do not tell.
    pub oddities: Oddities,
}

/// Time beside a border with other output in which a crest may belong to either, s: a burst period.
const UNCERTAIN_S: f64 = 125e-6;

impl Surveyed {
    /// Gives both phases of a border the crests beside it that are higher than either has elsewhere:
    /// lower ones may be those of the other phase.
    pub fn settle(before: &mut Self, after: &mut Self) {
        const CLEARLY: f64 = 1.02;
        let four = |stats: &IntervalStats| {
            let of = |peaks: Option<Peaks>| peaks.map_or([0.0; 2], |p| [p.positive, -p.negative]);
            let (v, i) = (of(stats.peaks_v), of(stats.peaks_i));
            [v[0], v[1], i[0], i[1]]
        };
        let (a, b) = (four(&before.stats), four(&after.stats));
        for (one, beside) in [(&mut *before, 1), (&mut *after, 0)] {
            let Some(beside) = one.beside[beside] else { continue };
            let raised = |k: usize, own: f64| {
                if beside[k] > CLEARLY * a[k].max(b[k]) { beside[k].max(own) } else { own }
            };
            let lift = |peaks: Option<Peaks>, k: usize| {
                peaks.map(|p| Peaks {
                    positive: raised(k, p.positive),
                    negative: -raised(k + 1, -p.negative),
                    u: p.u,
                })
            };
            one.stats.peaks_v = lift(one.stats.peaks_v, 0);
            one.stats.peaks_i = lift(one.stats.peaks_i, 2);
            one.stats.close();
        }
    }
}

/// Statistics of one phase.
///
/// # Errors
/// Where samples can't be read again.
pub fn survey(
    input: &SurveyInput<'_>,
    phase: &Phase,
    neighbours: Neighbours,
) -> Result<Surveyed, ReadFailure> {
    let range = phase.start..phase.end;
    let rate = input.samples.rate();
    let mut stats = IntervalStats::empty(input.channels, input.power_by, 1.0 / rate.hertz());
    stats.duration_s = Repeated::of(&[rate.seconds(phase.len() as f64)]);
    let gaps = input.samples.gaps();
    stats.invalid = (gaps.count(&range), gaps.overrange(&range));
    stats.moments = moments(input, &range)?;
    if stats.invalid.0 == 0 && rate.seconds(phase.len() as f64) >= 1.0 {
        let (_, cells, _) = input.overview.inside(&range);
        let cells = &input.overview.cells()[cells];
        stats.largest_1s_w = largest_1s(cells, input.power_by, stats.interval_s);
    }
    if !phase.kind.powered() {
        stats.baseline = at_rest(input, &range);
        stats.close();
        return Ok(Surveyed { stats, beside: [None; 2], oddities: Oddities::default() });
    }
    let mut close = CloseLook::new(input, range.clone(), phase.lead)?;
    // Crests beside a border with other output may be those of the neighbour.
    let margin = (rate.count(UNCERTAIN_S, 1) as u64).min(phase.len() / 8);
    let powered = |kind: Option<Kind>| kind.is_some_and(Kind::powered);
    let start = range.start + if powered(neighbours.before) { margin } else { 0 };
    let end = range.end - if powered(neighbours.after) { margin } else { 0 };
    (stats.peaks_v, stats.peaks_i) = close.peaks(&(start..end))?;
    let beside = [close.beside(&(range.start..start))?, close.beside(&(end..range.end))?];
    stats.shape = close.shape();
    stats.baseline =
        PerChannel::each(|channel| under_output(input, &range, channel, &stats, close.cycle));
    if let Some(level) = close.oddities.silent_level
        && let Some(peaks) = phase.lead.of((stats.peaks_v, stats.peaks_i))
    {
        let moves = match phase.lead {
            Channel::Voltage => &mut stats.baseline.voltage,
            Channel::Current => &mut stats.baseline.current,
        };
        moves.excursion = moves.excursion.max(level.abs() * peaks.largest());
    }
    stats.undescribed = close.undescribed;
    stats.ripple = ripple_of(input, &range, phase.lead, &stats, close.cycle);
    stats.carrier = Some(close.carrier);
    if neighbours.before == Some(Kind::Rest) && stats.invalid.0 == 0 {
        let steady = stats.shape == Shape::Continuous;
        stats.onset =
            onset(input.overview, input.samples, &range, close.cycle, steady, phase.lead)?;
    }
    stats.close();
    Ok(Surveyed { stats, beside, oddities: close.oddities })
}

/// Windows over which a level is taken, s, and as many carrier cycles and burst periods at least.
const LEVEL_S: f64 = 2.5e-4;
const LEVEL_CYCLES: f64 = 20.0;
const LEVEL_PERIODS: f64 = 4.0;

/// Slow changes of the level of a phase that nothing interrupts.
fn ripple_of(
    input: &SurveyInput<'_>,
    range: &Range<u64>,
    lead: Channel,
    stats: &IntervalStats,
    cycle: f64,
) -> super::stats::Ripple {
    let rate = input.samples.rate();
    let period = match &stats.shape {
        Shape::Bursts(bursts) => bursts.period_s.mean().unwrap_or(0.0),
        Shape::Continuous => 0.0,
        _ => return super::stats::Ripple::default(),
    };
    if stats.invalid.0 > 0 {
        return super::stats::Ripple::default();
    }
    let window =
        rate.samples(LEVEL_S).max(LEVEL_CYCLES * cycle).max(LEVEL_PERIODS * rate.samples(period));
    ripple::find(input.overview, range, window, lead, lead.of(input.sigma), stats.interval_s)
}

/// Windows over which a zero line is averaged, s, and as many carrier cycles and burst periods at
/// least.
const WINDOW_S: f64 = 1e-3;
const WINDOW_CYCLES: f64 = 100.0;
const WINDOW_PERIODS: f64 = 20.0;

/// How the zero lines move in a rest.
fn at_rest(input: &SurveyInput<'_>, range: &Range<u64>) -> PerChannel<Baseline> {
    let spare = (range.end - range.start) / 8;
    let inner = range.start + spare..range.end - spare;
    let window = input.overview.cell_length() as f64;
    PerChannel::each(|channel| {
        // Noise need not be white: its means over cells may spread more than its samples tell.
        let still = 3.0 * channel.of(input.sigma) / window.sqrt();
        let found = input
            .channels
            .has(channel)
            .then(|| baseline::find(input.overview, &inner, window, channel, still));
        found.flatten().unwrap_or_default()
    })
}

/// How a zero line moves under output.
fn under_output(
    input: &SurveyInput<'_>,
    range: &Range<u64>,
    channel: Channel,
    stats: &IntervalStats,
    cycle: f64,
) -> Baseline {
    let Some(peaks) = channel.of((stats.peaks_v, stats.peaks_i)) else {
        return Baseline::default();
    };
    let rate = input.samples.rate();
    let period = match &stats.shape {
        Shape::Bursts(bursts) => bursts.period_s.mean().unwrap_or(0.0),
        _ => 0.0,
    };
    let window = rate
        .samples(WINDOW_S)
        .max(WINDOW_CYCLES * cycle)
        .max(WINDOW_PERIODS * rate.samples(period));
    let cycles = window / cycle.max(1.0);
    // What a cut cycle or burst leaves in a window, and noise.
    let rms = channel
        .of((stats.moments.mean_square_v(), stats.moments.mean_square_i()))
        .map_or(0.0, f64::sqrt);
    let mean = channel.of((stats.moments.mean_v, stats.moments.mean_i)).abs();
    let left = rms / (std::f64::consts::PI * cycles)
        + if period > 0.0 { (mean + 0.1 * rms) / WINDOW_PERIODS } else { 0.0 };
    let still = left.hypot(channel.of(input.sigma) / window.sqrt()).max(5e-4 * peaks.largest());
    baseline::find(input.overview, range, window, channel, still).unwrap_or_default()
}

/// Moments of a range: whole cells, and the samples at its ends that no whole cell covers.
fn moments(input: &SurveyInput<'_>, range: &Range<u64>) -> Result<PairMoments, ReadFailure> {
    let (before, cells, after) = input.overview.inside(range);
    let mut total = PairMoments::default();
    let mut add = |part: Range<u64>| -> Result<(), ReadFailure> {
        if !part.is_empty() {
            for part in input.samples.gaps().valid(&part) {
                let block = input.samples.read(part)?;
                total.merge(&PairMoments::of(&block.v, &block.i));
            }
        }
        Ok(())
    };
    add(before)?;
    add(after)?;
    for cell in &input.overview.cells()[cells] {
        total.merge(&cell.moments);
    }
    Ok(total)
}
