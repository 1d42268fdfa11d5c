//! The closer look at a phase of output: its crests, packets, bursts and carrier, sample by sample.

use super::bursts::Rule;
use super::carrier::{self, Noise};
use super::look::Look;
use super::oddities::Oddities;
use super::pattern::{self, Packet};
use super::stats::{Bursts, Carrier, Repeated, Shape};
use super::survey::SurveyInput;
use crate::numeric::crest::{Crest, HALO, crests};
use crate::numeric::moments::{PairMoments, largest_absolute};
use crate::numeric::smooth::Smoother;
use crate::numeric::spectrum::Fourier;
use crate::trace::{Channel, PerChannel, ReadFailure, find_carrier};
use std::ops::Range;

/// Samples of one look at least, and of all looks at most.
pub(super) const LOOK: u64 = 1 << 16;
const MOST: u64 = 1 << 22;
/// Looks at a phase of which not everything is looked at.
const LOOKS: u64 = 16;
/// And fewest of them, where each has to be long.
const FEWEST_LOOKS: u64 = 4;
/// Periods of the pattern that one of them holds.
const PERIODS: f64 = 24.0;
/// Bursts that make a phase one of bursts.
pub(super) const FEWEST_BURSTS: usize = 3;

/// What was found by looking closely.
pub(super) struct CloseLook<'a> {
    pub(super) input: &'a SurveyInput<'a>,
    pub(super) range: Range<u64>,
    /// Channel that shows the output.
    pub(super) lead: Channel,
    /// Carrier cycle in samples; 0 until it is known.
    pub(super) cycle: f64,
    pub(super) carrier: Carrier,
    pub(super) bursts: Bursts,
    pub(super) burst_count: usize,
    pub(super) oddities: Oddities,
    /// Share of energy that no measure describes, one value per stretch that was fitted.
    pub(super) undescribed: Repeated,
    /// Slices of steady output and the frequency of each in radians per kept sample.
    pub(super) slices: Vec<(Range<u64>, f64)>,
    /// Heights of crests: voltage up and down, current up and down.
    pub(super) heights: [Vec<f32>; 4],
    /// Noise of voltage and current as far as a look keeps it.
    pub(super) noise: PerChannel<f64>,
    /// The same at a crest, where crests are smoothed.
    pub(super) crest_noise: PerChannel<f64>,
    /// Smooths crests, where a cycle has samples enough.
    pub(super) smoother: Option<Smoother>,
    /// Share of their height by which crests may differ from what smoothing makes of them.
    pub(super) misfit: f64,
    /// Whether the bursts are told by gaps shorter than a carrier cycle.
    pub(super) gapped: bool,
    /// Samples that were looked at.
    pub(super) seen: u64,
    fourier: Fourier,
}

/// One look with what was found in it; places in kept samples.
pub(super) struct Seen {
    pub look: Look,
    pub crests: Vec<Crest>,
    pub packets: Vec<Packet>,
    pub floor: f64,
}

impl<'a> CloseLook<'a> {
    /// Looks at the phase `range`, shown by `lead`.
    ///
    /// # Errors
    /// Where samples can't be read again.
    pub(super) fn new(
        input: &'a SurveyInput<'a>,
        range: Range<u64>,
        lead: Channel,
    ) -> Result<Self, ReadFailure> {
        let mut this = Self {
            input,
            range,
            lead,
            cycle: 0.0,
            carrier: Carrier::default(),
            bursts: Bursts::default(),
            burst_count: 0,
            oddities: Oddities::default(),
            undescribed: Repeated::default(),
            slices: Vec::new(),
            heights: Default::default(),
            noise: input.sigma,
            crest_noise: input.sigma,
            smoother: None,
            misfit: 0.0,
            gapped: false,
            seen: 0,
            fourier: Fourier::new(),
        };
        this.run()?;
        Ok(this)
    }

    fn run(&mut self) -> Result<(), ReadFailure> {
        let line = find_carrier(
            self.input.overview,
            self.input.samples,
            &self.range,
            self.lead,
            &mut self.fourier,
        )?;
        self.cycle = line.map_or(0.0, |line| 1.0 / line);
        let factor = super::look::thinning(self.cycle) as f64;
        self.smoother = Smoother::new(self.cycle / factor);
        self.settle_noise()?;
        self.fit_smoother()?;
        let (ranges, complete) = self.plan();
        let mut seen = Vec::with_capacity(ranges.len());
        for range in ranges {
            seen.extend(self.see(&range)?);
        }
        self.heights = self.all_heights(&seen);
        self.oddities.flat =
            (self.flat(&seen, Channel::Voltage), self.flat(&seen, Channel::Current));
        if self.cycle < 2.0 || seen.is_empty() {
            return Ok(());
        }
        self.take_bursts(&seen, complete);
        if self.burst_count < FEWEST_BURSTS {
            self.take_silences(&seen, complete);
        }
        self.silent_level(&seen);
        self.compare(&seen, complete);
        // Output that never falls under the threshold has its carrier all the time, even where
        // its amplitude swings.
        let always = self.bursts.duty.mean().is_none_or(|duty| duty > 0.98);
        if self.burst_count < FEWEST_BURSTS || (always && !self.gapped) {
            self.steady_carrier()?;
        }
        Ok(())
    }

    /// Kept samples that a look needs beside its own.
    pub(super) fn halo(&self) -> u64 {
        self.smoother.as_ref().map_or(0, Smoother::halo).max(HALO) as u64
    }

    /// Stretches to look at, and whether they are all of the phase.
    fn plan(&self) -> (Vec<Range<u64>>, bool) {
        let length = self.range.end - self.range.start;
        let share = length as f64 / self.input.samples.len().max(1) as f64;
        let factor = super::look::thinning(self.cycle) as u64;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let budget = ((self.input.budget.burst_samples as f64 * share) as u64).max(LOOK * factor);
        let period = if length > budget { self.slow_period() } else { None };
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let wanted = period.map_or(0, |period| (PERIODS * period) as u64).max(LOOK * factor);
        let one = wanted.min(MOST * factor / FEWEST_LOOKS);
        let count = (budget / one).clamp(FEWEST_LOOKS, LOOKS.max(budget / LOOK));
        let gaps = self.input.samples.gaps();
        if length <= budget || one * count >= length {
            let mut all = gaps.valid(&self.range);
            self.keep_long(&mut all);
            return (all, true);
        }
        // Not evenly spaced: what repeats along the phase must not meet every look alike.
        const GOLDEN: f64 = 0.618_033_988_749_894_9;
        let room = (length - one) as f64 / count as f64;
        let found = (0..count)
            .flat_map(|k| {
                let place = (k as f64 + (k as f64 * GOLDEN).fract()) * room;
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
                let at = self.range.start + place as u64;
                let mut parts = gaps.valid(&(at..at + one));
                self.keep_long(&mut parts);
                parts
            })
            .collect();
        (found, false)
    }

    /// Of stretches between gaps, those that hold a few carrier cycles.
    fn keep_long(&self, parts: &mut Vec<Range<u64>>) {
        if parts.len() > 1 {
            parts.retain(|part| (part.end - part.start) as f64 >= 3.0 * self.cycle.max(3.0));
        }
    }

    /// Period of what repeats more slowly than a look is long, in samples, by the extremes of all
    /// cells.
    fn slow_period(&self) -> Option<f64> {
        const MOST_VALUES: usize = 1 << 15;
        let overview = self.input.overview;
        let (_, cells, _) = overview.inside(&self.range);
        let group = cells.len().div_ceil(MOST_VALUES).max(1);
        let heights: Vec<f64> = overview.cells()[cells]
            .chunks(group)
            .map(|cells| cells.iter().map(|cell| cell.reach(self.lead, 0.0)).fold(0.0, f64::max))
            .collect();
        let found = crate::numeric::period::repetition(&heights, 4)?;
        Some(found.lag * (group * overview.cell_length()) as f64)
    }

    /// Looks at one stretch.
    fn see(&mut self, range: &Range<u64>) -> Result<Option<Seen>, ReadFailure> {
        let clean = self.clean_around(range);
        let look = Look::read(self.input.samples, range, &clean, self.cycle, self.halo())?;
        if look.block.is_empty() {
            return Ok(None);
        }
        self.seen += range.end - range.start;
        let x = look.of(self.lead);
        let floor = self.floor(x, self.lead);
        let crests = crests(x, floor, self.smoother.as_ref());
        let cycle = self.cycle / look.factor as f64;
        let packets =
            if cycle < 2.0 { Vec::new() } else { pattern::packets(&crests, cycle, floor) };
        Ok(Some(Seen { look, crests, packets, floor }))
    }

    /// The stretch without a gap around the start of `range`.
    pub(super) fn clean_around(&self, range: &Range<u64>) -> Range<u64> {
        let samples = self.input.samples;
        let gaps = samples.gaps();
        if gaps.is_empty() {
            return 0..samples.len();
        }
        let wide = range.start.saturating_sub(1 << 12)..range.end + (1 << 12);
        let clean = gaps.valid(&wide);
        clean.into_iter().find(|clean| clean.contains(&range.start)).unwrap_or(wide)
    }

    /// Height under which crests may be noise.
    pub(super) fn floor(&self, x: &[f64], channel: Channel) -> f64 {
        // Crests of noise alone rarely pass four and a half of its standard deviations.
        (0.02 * largest_absolute(x)).max(4.5 * channel.of(self.noise))
    }

    /// Noise of the leading channel as a look keeps it.
    pub(super) fn sigma(&self) -> f64 {
        self.lead.of(self.noise)
    }

    pub(super) fn rule(&self, seen: &Seen) -> Rule {
        let cycle = self.cycle / seen.look.factor as f64;
        let threshold = self.input.duty_threshold;
        let chosen = self.smoother.is_none();
        Rule { cycle, threshold, floor: seen.floor, sigma: self.lead.of(self.crest_noise), chosen }
    }

    /// Holds the stretches that were looked at against all samples of the phase.
    fn compare(&mut self, seen: &[Seen], complete: bool) {
        /// Difference that is no doubt.
        const SMALL: f64 = 0.01;
        if complete {
            return;
        }
        let squares: Vec<f64> = seen
            .iter()
            .filter_map(|one| {
                let part = one.look.index(&one.look.covers);
                let x = one.look.of(self.lead).get(part)?;
                Some(x.iter().map(|x| x * x).sum::<f64>() / x.len().max(1) as f64)
            })
            .collect();
        let (_, cells, _) = self.input.overview.inside(&self.range);
        let mut all = PairMoments::default();
        self.input.overview.cells()[cells].iter().for_each(|cell| all.merge(&cell.moments));
        let whole = match self.lead {
            Channel::Voltage => all.mean_square_v(),
            Channel::Current => all.mean_square_i(),
        };
        let found = Repeated::of(&squares);
        let (Some(mean), Some((error, _)), Some(whole)) =
            (found.mean(), found.error_of_mean(), whole.filter(|whole| *whole > 0.0))
        else {
            return;
        };
        let off = (mean / whole - 1.0).abs();
        if off > SMALL + 4.0 * error / whole {
            self.oddities.unlike = Some(off);
        }
    }

    pub(super) fn shape(&self) -> Shape {
        if self.burst_count >= FEWEST_BURSTS {
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

    fn steady_carrier(&mut self) -> Result<(), ReadFailure> {
        let clean = self.input.samples.gaps().longest_valid(&self.range);
        let cycles = (clean.end - clean.start) as f64 / self.cycle.max(1.0);
        // Across a gap there is no frequency; a stretch of a few cycles tells none.
        if clean != self.range && cycles < 10.0 {
            self.carrier = Carrier::default();
            return Ok(());
        }
        let noise = Noise { lead: self.lead, sigma: self.sigma() };
        let found = carrier::steady(
            self.input.samples,
            &clean,
            self.cycle,
            self.input.budget.fitted_slices,
            noise,
            &mut self.fourier,
        )?;
        let mut found = found;
        // Bursts that run into each other may each begin anew; then the lines of all together stand on
        // multiples of their rate, and fits inside them say something else.
        if let (Some(inside), Some(all)) = (self.carrier.frequency(), found.carrier.frequency())
            && self.carrier.hz.count() > 1
        {
            let doubt = (inside - all).abs() / 3_f64.sqrt();
            found.carrier.weighted_doubt_hz += found.carrier.weight * doubt;
        }
        self.carrier = found.carrier;
        self.oddities.carrier_moves = found.moves;
        self.undescribed = found.undescribed;
        self.slices = found.slices;
        Ok(())
    }
}
