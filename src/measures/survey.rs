//! Fills the statistics of one phase: moments from the overview, the rest from a second look.

use super::bursts::{self, Rule};
use super::carrier;
use super::onset::onset;
use super::sliding::largest_1s;
use super::stats::{Bursts, Carrier, IntervalStats, Peaks, PowerBy, Repeated, Shape};
use crate::numeric::crest::{HALO, crests, expected_maximum, unbiased_maximum};
use crate::numeric::moments::{PairMoments, largest_absolute};
use crate::numeric::spectrum::{Fourier, LONGEST};
use crate::trace::{
    Block, Cell, Channels, Kind, Overview, Phase, ReadFailure, Samples, carrier_line,
};
use std::collections::BTreeSet;
use std::f64::consts::TAU;
use std::ops::Range;

/// How much is read a second time.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Budget {
    /// Samples of the record that are looked at burst by burst; more are sampled evenly.
    pub burst_samples: u64,
    /// Bursts of a phase whose carrier is fitted.
    pub fitted_bursts: usize,
    /// Slices of a continuous phase whose carrier is fitted.
    pub fitted_slices: u64,
    /// Cells of a phase that are searched for its highest crest.
    pub peak_cells: usize,
}

impl Default for Budget {
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
    pub sigma: (f64, f64),
    /// Share of a burst's peak above which it is on.
    pub duty_threshold: f64,
    /// How much is read again.
    pub budget: Budget,
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
        stats.close();
        return Ok(Surveyed { stats, beside: [None; 2] });
    }
    let mut close = CloseLook::new(input, range.clone());
    close.run()?;
    // Crests beside a border with other output may be those of the neighbour.
    let margin = (rate.count(UNCERTAIN_S, 1) as u64).min(phase.len() / 8);
    let powered = |kind: Option<Kind>| kind.is_some_and(Kind::powered);
    let start = range.start + if powered(neighbours.before) { margin } else { 0 };
    let end = range.end - if powered(neighbours.after) { margin } else { 0 };
    (stats.peaks_v, stats.peaks_i) = close.peaks(&(start..end))?;
    let beside = [close.beside(&(range.start..start))?, close.beside(&(end..range.end))?];
    stats.shape = close.shape();
    stats.carrier = Some(close.carrier);
    if neighbours.before == Some(Kind::Rest) && stats.invalid.0 == 0 {
        let steady = stats.shape == Shape::Continuous;
        let cycle = close.cycle;
        let voltage = input.channels.voltage;
        stats.onset = onset(input.overview, input.samples, &range, cycle, steady, voltage)?;
    }
    stats.close();
    Ok(Surveyed { stats, beside })
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

/// Looks at stretches of a powered phase, sample by sample.
struct CloseLook<'a> {
    input: &'a SurveyInput<'a>,
    range: Range<u64>,
    fourier: Fourier,
    /// Carrier cycle in samples; 0 until it is known.
    cycle: f64,
    carrier: Carrier,
    bursts: Bursts,
    burst_count: usize,
    fitted: usize,
    /// Heights of crests: voltage up and down, current up and down.
    heights: [Vec<f32>; 4],
    seen: u64,
}

/// Samples of one look.
const LOOK: u64 = 1 << 16;

impl<'a> CloseLook<'a> {
    fn new(input: &'a SurveyInput<'a>, range: Range<u64>) -> Self {
        Self {
            input,
            range,
            fourier: Fourier::new(),
            cycle: 0.0,
            carrier: Carrier::default(),
            bursts: Bursts::default(),
            burst_count: 0,
            fitted: 0,
            heights: Default::default(),
            seen: 0,
        }
    }

    fn run(&mut self) -> Result<(), ReadFailure> {
        let length = self.range.end - self.range.start;
        let share = length as f64 / self.input.samples.len().max(1) as f64;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let budget = ((self.input.budget.burst_samples as f64 * share) as u64).max(LOOK);
        self.find_cycle()?;
        if length <= budget {
            // All of it, each look starting with the burst that the last one left unfinished.
            for part in self.whole_stretches(self.range.clone()) {
                let mut at = part.start;
                while at < part.end {
                    let end = (at + LOOK).min(part.end);
                    let resume = self.look(at..end)?;
                    at = if end == part.end { end } else { resume.max(at + LOOK / 2) };
                }
            }
        } else {
            let looks = (budget / LOOK).max(2);
            let step = (length - LOOK) / (looks - 1);
            for k in 0..looks {
                let at = self.range.start + k * step;
                for part in self.whole_stretches(at..(at + LOOK).min(self.range.end)) {
                    self.look(part)?;
                }
            }
        }
        // Output that never falls under the threshold has its carrier all the time, even where
        // its amplitude swings.
        let always = self.bursts.duty.mean().is_none_or(|duty| duty > 0.98);
        if self.burst_count < 3 || always {
            self.steady_carrier()?;
        }
        Ok(())
    }

    /// Stretches of `part` without a gap that are long enough to hold a few carrier cycles.
    fn whole_stretches(&self, part: Range<u64>) -> Vec<Range<u64>> {
        let mut found = self.input.samples.gaps().valid(&part);
        if found.len() > 1 {
            found.retain(|part| (part.end - part.start) as f64 >= 3.0 * self.cycle.max(3.0));
        }
        found
    }

    /// First idea of the carrier, from the middle of the phase.
    fn find_cycle(&mut self) -> Result<(), ReadFailure> {
        let clean = self.input.samples.gaps().longest_valid(&self.range);
        let length = (clean.end - clean.start).min(1 << 14);
        let start = clean.start + (clean.end - clean.start - length) / 2;
        let block = self.input.samples.read(start..start + length)?;
        let rate = self.input.samples.rate();
        let spectrum = self.fourier.spectrum(block.leading());
        let line = spectrum.and_then(|spectrum| carrier_line(&spectrum, rate));
        let Some(line) = line else { return Ok(()) };
        self.cycle = 1.0 / line;
        // The strongest line of bursts stands on a multiple of their rate, not on the carrier:
        // fit inside a few bursts.
        let floor = self.floor(&block);
        let found = {
            let leading = block.leading();
            bursts::find(leading, &crests(leading, floor, true), &self.rule(floor))
        };
        let mut carrier = Carrier::default();
        for burst in found.iter().take(16) {
            self.fit(&mut carrier, &block, burst);
        }
        if let Some(hz) = carrier.frequency().filter(|_| found.len() >= 3) {
            self.cycle = self.input.samples.rate().hertz() / hz;
        }
        Ok(())
    }

    /// Height under which crests of the leading channel may be noise.
    fn floor(&self, block: &Block) -> f64 {
        let sigma = self.sigma();
        let top = largest_absolute(block.leading());
        // Crests of noise alone rarely pass four and a half of its standard deviations.
        (0.02 * top).max(4.5 * sigma)
    }

    /// Noise of the leading channel.
    fn sigma(&self) -> f64 {
        if self.input.channels.voltage { self.input.sigma.0 } else { self.input.sigma.1 }
    }

    fn rule(&self, floor: f64) -> Rule {
        let threshold = self.input.duty_threshold;
        Rule { cycle: self.cycle, threshold, floor, sigma: self.sigma() }
    }

    fn steady_carrier(&mut self) -> Result<(), ReadFailure> {
        self.carrier = Carrier::default();
        let clean = self.input.samples.gaps().longest_valid(&self.range);
        let length = (clean.end - clean.start).min(LONGEST as u64 / 4);
        // Across a gap there is no frequency; a stretch of a few cycles tells none.
        if clean != self.range && (length as f64) < 10.0 * self.cycle.max(1.0) {
            return Ok(());
        }
        let spare = clean.end - clean.start - length;
        let slices = self.input.budget.fitted_slices.min(1 + spare / length.max(1));
        for k in 0..slices {
            let at = clean.start + spare * (2 * k + 1) / (2 * slices);
            let block = self.input.samples.read(at..at + length)?;
            let leading = block.leading();
            if let Some(spectrum) = self.fourier.spectrum(leading) {
                let rate = self.input.samples.rate();
                carrier::add_steady(
                    &mut self.carrier,
                    leading,
                    &block.v,
                    &block.i,
                    &spectrum,
                    rate,
                );
            }
        }
        Ok(())
    }

    /// One stretch. Returns the sample at which the last burst begins, which may be cut off.
    fn look(&mut self, part: Range<u64>) -> Result<u64, ReadFailure> {
        let halo = HALO as u64;
        let around = self.clean_around(&part, halo);
        let from = around.start;
        let block = self.input.samples.read(around)?;
        self.seen += part.end - part.start;
        let floor = self.floor(&block);
        let leading = crests(block.leading(), floor, true);
        let (lead, other) = if block.v.is_empty() { (2, 0) } else { (0, 2) };
        self.keep_heights(&leading, lead);
        let second = if block.v.is_empty() { &block.v } else { &block.i };
        if !second.is_empty() {
            let top = largest_absolute(second);
            let crests = crests(second, 0.5 * top, true);
            self.keep_heights(&crests, other);
        }
        if self.cycle < 2.0 {
            return Ok(part.end);
        }
        let found = bursts::find(block.leading(), &leading, &self.rule(floor));
        // At the start of the record the first burst may have begun before it.
        let first_is_whole = part.start == self.range.start && part.start > 0;
        let last_is_whole = part.end == self.range.end;
        let skip = usize::from(!first_is_whole && !starts_clean(&block, &found, self.cycle, floor));
        let keep = if last_is_whole { found.len() } else { found.len().saturating_sub(1) };
        if skip < keep {
            self.take(&block, &found, skip..keep);
        }
        let last = found.last().map_or(part.end as f64, |burst| from as f64 + burst.start);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let resume = (last - self.cycle / 2.0).max(0.0) as u64;
        Ok(resume.min(part.end))
    }

    /// A stretch with so many samples more on either side as no gap stands in.
    fn clean_around(&self, part: &Range<u64>, halo: u64) -> Range<u64> {
        let wide = part.start.saturating_sub(halo)..part.end + halo;
        let clean = self.input.samples.gaps().valid(&wide);
        clean.into_iter().find(|clean| clean.contains(&part.start)).unwrap_or(wide)
    }

    /// Takes in the bursts `whole` of `found`.
    fn take(&mut self, block: &Block, found: &[bursts::Burst], whole: Range<usize>) {
        let interval = 1.0 / self.input.samples.rate().hertz();
        let (mut on, mut period, mut duty) = (Vec::new(), Vec::new(), Vec::new());
        let (mut energy, mut decay) = (Vec::new(), Vec::new());
        for k in whole.clone() {
            let burst = &found[k];
            decay.extend(burst.decay.map(|a| interval / a));
            if let Some(next) = found.get(k + 1) {
                let length = next.start - burst.start;
                let lasting = burst.on.min(length);
                on.push(lasting * interval);
                period.push(length * interval);
                duty.push(lasting / length);
                energy.extend(energy_of(
                    block,
                    burst.start,
                    next.start,
                    self.input.power_by,
                    interval,
                ));
            } else {
                on.push(burst.on * interval);
            }
            if self.fitted < self.input.budget.fitted_bursts {
                self.fitted += 1;
                let mut carrier = std::mem::take(&mut self.carrier);
                self.fit(&mut carrier, block, burst);
                self.carrier = carrier;
            }
        }
        self.burst_count += whole.len();
        for (slot, values) in [
            (&mut self.bursts.on_s, on),
            (&mut self.bursts.period_s, period),
            (&mut self.bursts.duty, duty),
            (&mut self.bursts.energy_j, energy),
            (&mut self.bursts.decay_s, decay),
        ] {
            slot.merge(&Repeated::series(&values));
        }
    }

    fn fit(&self, carrier: &mut Carrier, block: &Block, burst: &bursts::Burst) {
        let from = burst.whole_from.max(0.0).ceil();
        let to = burst.whole_until.floor();
        if to <= from {
            return;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let part = from as usize..to as usize + 1;
        let Some(leading) = block.leading().get(part.clone()) else { return };
        let (v, i) = (block.v.get(part.clone()), block.i.get(part));
        carrier::add_burst(
            carrier,
            leading,
            v.unwrap_or_default(),
            i.unwrap_or_default(),
            TAU / self.cycle,
            burst.decay.unwrap_or(0.0),
            self.input.samples.rate().hertz(),
        );
    }

    fn keep_heights(&mut self, crests: &[crate::numeric::crest::Crest], first: usize) {
        for crest in crests {
            #[allow(clippy::cast_possible_truncation)]
            let slot = if crest.value >= 0.0 { first } else { first + 1 };
            #[allow(clippy::cast_possible_truncation)]
            self.heights[slot].push(crest.value.abs() as f32);
        }
        for heights in &mut self.heights {
            // Only the highest matter; keep memory flat on long phases.
            if heights.len() > 1 << 17 {
                let top = heights.iter().copied().fold(0.0, f32::max);
                heights.retain(|h| *h > 0.6 * top);
            }
        }
    }

    fn shape(&self) -> Shape {
        if self.burst_count >= 3 {
            let length = (self.range.end - self.range.start).max(1) as f64;
            return Shape::Bursts(Bursts {
                seen_share: (self.seen as f64 / length).min(1.0),
                ..self.bursts
            });
        }
        let cycles = (self.range.end - self.range.start) as f64 / self.cycle.max(1.0);
        // One or two bursts with a gap are no continuous output; nor are a few cycles.
        let gap = self.bursts.duty.mean().is_some_and(|duty| duty < 0.9);
        if self.cycle < 2.0 || cycles < 10.0 || gap { Shape::Unclear } else { Shape::Continuous }
    }

    /// Highest crests of a short stretch, less what noise may have added; `None` of nothing.
    fn beside(&self, range: &Range<u64>) -> Result<Option<[f64; 4]>, ReadFailure> {
        if range.is_empty() {
            return Ok(None);
        }
        let most = expected_maximum((range.end - range.start) as f64) + 1.5;
        let (v, i) = self.input.sigma;
        let highest = self.highest(range)?;
        Ok(Some([0, 1, 2, 3].map(|k| highest[k] - most * if k < 2 { v } else { i })))
    }

    /// Peaks of voltage and current inside `inner`, from the highest cells, corrected by the crest
    /// heights.
    fn peaks(&self, inner: &Range<u64>) -> Result<(Option<Peaks>, Option<Peaks>), ReadFailure> {
        let length = (self.range.end - self.range.start).max(1) as f64;
        let every = (length / self.seen.max(1) as f64).max(1.0);
        let highest = self.highest(inner)?;
        let side = |present: bool, sigma: f64, first: usize| {
            let peak =
                |k: usize| unbiased_maximum(highest[k], &self.heights[k], every, sigma, self.cycle);
            present.then(|| {
                let (up, down) = (peak(first), peak(first + 1));
                Peaks { positive: up.value, negative: -down.value, u: up.u.max(down.u) }
            })
        };
        let channels = self.input.channels;
        Ok((
            side(channels.voltage, self.input.sigma.0, 0),
            side(channels.current, self.input.sigma.1, 2),
        ))
    }

    /// Highest crests, interpolated, among the cells with the highest samples: voltage up and
    /// down, current up and down.
    fn highest(&self, range: &Range<u64>) -> Result<[f64; 4], ReadFailure> {
        let (before, cells, after) = self.input.overview.inside(range);
        let heights = |cell: &Cell| [cell.v[1], -cell.v[0], cell.i[1], -cell.i[0]];
        // The four lists have most cells in common; each is read once.
        let mut chosen = BTreeSet::new();
        for side in 0..4 {
            let count = self.input.budget.peak_cells;
            let height = |cell: &Cell| f64::from(heights(cell)[side]);
            chosen.extend(self.input.overview.highest(cells.clone(), count, height));
        }
        let mut spans: Vec<Range<u64>> =
            chosen.into_iter().map(|k| self.input.overview.span(k..k + 1)).collect();
        spans.extend([before, after].into_iter().filter(|span| !span.is_empty()));
        let halo = HALO as u64;
        let mut best = [0.0_f64; 4];
        let gaps = self.input.samples.gaps();
        for span in spans.iter().flat_map(|span| gaps.valid(span)) {
            let around = self.clean_around(&span, halo);
            let from = around.start;
            let block = self.input.samples.read(around)?;
            for (x, first) in [(&block.v, 0), (&block.i, 2)] {
                // Samples at the ends of the record have no neighbours to interpolate with.
                #[allow(clippy::cast_possible_truncation)]
                let own = (span.start - from) as usize..((span.end - from) as usize).min(x.len());
                for value in x.get(own).unwrap_or_default() {
                    best[first] = best[first].max(*value);
                    best[first + 1] = best[first + 1].max(-value);
                }
                for crest in crests(x, 0.9 * best[first].min(best[first + 1]), true) {
                    best[first] = best[first].max(crest.value);
                    best[first + 1] = best[first + 1].max(-crest.value);
                }
            }
        }
        Ok(best)
    }
}

/// Whether the first burst of a block has quiet samples before it, so that its start was seen.
fn starts_clean(block: &Block, found: &[bursts::Burst], cycle: f64, floor: f64) -> bool {
    let Some(first) = found.first() else { return false };
    let before = first.start - cycle;
    if before < 0.0 {
        return false;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let quiet = &block.leading()[..before as usize];
    quiet.iter().all(|x| x.abs() < floor.max(first.peak * 0.5))
}

/// Energy from `start` to `end` (samples into the block), J.
fn energy_of(block: &Block, start: f64, end: f64, power_by: PowerBy, interval: f64) -> Option<f64> {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let part = start.round().max(0.0) as usize..end.round().max(0.0) as usize;
    let (v, i) = (block.v.get(part.clone()), block.i.get(part.clone()));
    let moments = PairMoments::of(v.unwrap_or_default(), i.unwrap_or_default());
    (moments.n > 0).then(|| power_by.power(&moments).ok())?.map(|p| p * moments.n as f64 * interval)
}
