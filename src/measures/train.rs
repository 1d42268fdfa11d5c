//! Bursts of a phase: found in each look by its pattern, measured one by one, held together.

use super::bursts::{self, Burst};
use super::carrier;
use super::close::{CloseLook, FEWEST_BURSTS, Seen};
use super::oddities::Oddities;
use super::pattern::{self, Mains};
use super::stats::{Bursts, Carrier, PowerBy, Repeated};
use crate::numeric::moments::PairMoments;
use crate::numeric::order::median;
use crate::numeric::sinefit::SineFit;
use std::f64::consts::TAU;

/// Of so many bursts that are fitted one is asked what its fit leaves over.
const DESCRIBED: usize = 4;
/// Carrier cycles of a burst period at least.
const FEWEST_CYCLES: f64 = 2.2;

/// Values of the bursts of one look.
#[derive(Default)]
struct Values {
    on: Vec<f64>,
    period: Vec<f64>,
    duty: Vec<f64>,
    energy: Vec<f64>,
    decay: Vec<f64>,
    peak: Vec<f64>,
}

impl CloseLook<'_> {
    /// Finds the pattern, its main packets, and takes in their bursts.
    pub(super) fn take_bursts(&mut self, seen: &[Seen], complete: bool) {
        let cycle = |one: &Seen| self.cycle / one.look.factor as f64;
        let mut periods: Vec<f64> = seen
            .iter()
            .filter(|one| one.packets.len() > 1)
            .filter_map(|one| {
                let found = pattern::period(&one.crests, cycle(one))?;
                Some(found.lag * one.look.factor as f64)
            })
            .collect();
        let period = median(&mut periods);
        let (mut values, mut mains_of) = (Vec::new(), Vec::new());
        for one in seen {
            let period = period.map(|period| period / one.look.factor as f64);
            let mains = pattern::mains(&one.packets, period, self.input.duty_threshold);
            let bursts = self.bursts_of(one, &mains);
            mains_of.push((mains, bursts));
        }
        self.refine_cycle(seen, &mains_of);
        let all: usize = mains_of.iter().map(|(_, bursts)| bursts.len()).sum();
        let every = all.div_ceil(self.input.budget.fitted_bursts.max(1)).max(1);
        let mut tally = Tally::default();
        for (one, (mains, bursts)) in seen.iter().zip(&mains_of) {
            values.push(self.take(one, mains, bursts, every));
            tally.add(mains, one);
        }
        let merged = |of: fn(&Values) -> &Vec<f64>| {
            let lists: Vec<&[f64]> = values.iter().map(|values| of(values).as_slice()).collect();
            if complete { Repeated::series(&lists.concat()) } else { Repeated::batched(&lists) }
        };
        self.bursts.on_s = merged(|v| &v.on);
        self.bursts.period_s = merged(|v| &v.period);
        self.bursts.duty = merged(|v| &v.duty);
        self.bursts.energy_j = merged(|v| &v.energy);
        self.bursts.decay_s = merged(|v| &v.decay);
        self.bursts.peak = merged(|v| &v.peak);
        // Half-waves of unlike height, or crests of a rich wave, are no bursts.
        let short = self.bursts.period_s.mean().is_some_and(|period| {
            period * self.input.samples.rate().hertz() < FEWEST_CYCLES * self.cycle
        });
        if short {
            self.bursts = Bursts::default();
            self.burst_count = 0;
            self.undescribed = Repeated::default();
        }
        if self.burst_count >= FEWEST_BURSTS {
            tally.tell(&mut self.oddities);
        }
    }

    /// The strongest line of bursts stands on a multiple of their rate, not on the carrier: fits inside
    /// a few of them tell the cycle.
    fn refine_cycle(&mut self, seen: &[Seen], found: &[(Mains, Vec<Burst>)]) {
        const FITS: usize = 16;
        let mut carrier = Carrier::default();
        let mut count = 0;
        for (one, (_, bursts)) in seen.iter().zip(found) {
            for burst in bursts.iter().take(FITS - count.min(FITS)) {
                self.fit(&mut carrier, one, burst);
                count += 1;
            }
        }
        if let Some(hz) = carrier.frequency().filter(|_| count >= FEWEST_BURSTS) {
            self.cycle = self.input.samples.rate().hertz() / hz;
        }
    }

    /// Measures the burst of each main packet.
    fn bursts_of(&self, one: &Seen, mains: &Mains) -> Vec<Burst> {
        let rule = self.rule(one);
        let x = one.look.of(self.lead);
        let ends = mains.packets.iter().skip(1).map(|k| one.packets[*k].crests.start);
        let ends = ends.chain([one.crests.len()]);
        mains
            .packets
            .iter()
            .zip(ends)
            .filter_map(|(k, end)| {
                bursts::measure(x, &one.crests[one.packets[*k].crests.start..end], &rule)
            })
            .collect()
    }

    /// Takes in the bursts of a look that are whole; every `every`th is fitted.
    fn take(&mut self, one: &Seen, mains: &Mains, found: &[Burst], every: usize) -> Values {
        let mut values = Values::default();
        let look = &one.look;
        let interval = look.factor as f64 / self.input.samples.rate().hertz();
        // At the start of the record the first burst may have begun before it.
        let first_is_whole = look.covers.start == self.range.start && look.covers.start > 0;
        let last_is_whole =
            look.covers.end == self.range.end && look.covers.end < self.input.samples.len();
        let cycle = self.cycle / look.factor as f64;
        let clean = || starts_clean(look.of(self.lead), found, cycle, one.floor);
        let skip = usize::from(!first_is_whole && !clean());
        let keep = if last_is_whole { found.len() } else { found.len().saturating_sub(1) };
        for k in skip..keep {
            let burst = &found[k];
            values.peak.push(burst.peak);
            values.decay.extend(burst.decay.map(|a| interval / a));
            let step = mains.steps.get(k).copied().unwrap_or(1);
            match found.get(k + 1).filter(|_| step == 1) {
                Some(next) => {
                    let length = next.start - burst.start;
                    let lasting = burst.on.min(length);
                    values.on.push(lasting * interval);
                    values.period.push(length * interval);
                    values.duty.push(lasting / length);
                    values.energy.extend(self.energy_of(one, burst.start, next.start, interval));
                }
                None => values.on.push(burst.on * interval),
            }
            if k % every == 0 {
                let mut carrier = std::mem::take(&mut self.carrier);
                let next = found.get(k + 1).filter(|_| step == 1).map(|next| next.start);
                let fit = self.fit(&mut carrier, one, burst);
                self.carrier = carrier;
                if k % (DESCRIBED * every) == 0 {
                    let left = fit.and_then(|(x, fit)| carrier::left_by(x, &fit, self.sigma()));
                    self.describe(one, burst, next, left);
                }
            }
        }
        self.burst_count += keep.saturating_sub(skip);
        values
    }

    /// Adds what a burst leaves over: energy outside of its on-time, and what its fit leaves inside.
    fn describe(&mut self, one: &Seen, burst: &Burst, next: Option<f64>, left: Option<f64>) {
        let Some(next) = next else { return };
        let x = one.look.of(self.lead);
        let energy = |from: f64, to: f64| {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let part = from.round().max(0.0) as usize..(to.round().max(0.0) as usize).min(x.len());
            let own = x.get(part).unwrap_or_default();
            let noise = self.sigma() * self.sigma() * own.len() as f64;
            (own.iter().map(|x| x * x).sum::<f64>() - noise).max(0.0)
        };
        let all = energy(burst.start, next);
        if all <= 0.0 {
            return;
        }
        let inside = energy(burst.start, (burst.start + burst.on).min(next));
        // What decays below the threshold is described by its decay.
        let tail = if burst.decay.is_some() { self.input.duty_threshold.powi(2) } else { 0.0 };
        let outside = ((all - inside) / all - tail).max(0.0);
        let share = (outside + left.unwrap_or(0.0) * inside / all).clamp(0.0, 1.0);
        self.undescribed.merge(&Repeated::of(&[share]));
    }

    /// Fits the carrier inside a burst; gives the samples that were fitted, and the sine.
    pub(super) fn fit<'a>(
        &self,
        carrier: &mut Carrier,
        one: &'a Seen,
        burst: &Burst,
    ) -> Option<(&'a [f64], SineFit)> {
        let from = burst.whole_from.max(0.0).ceil();
        let to = burst.whole_until.floor();
        if to <= from {
            return None;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let part = from as usize..to as usize + 1;
        let lead = one.look.of(self.lead).get(part.clone())?;
        let (v, i) = (one.look.block.v.get(part.clone()), one.look.block.i.get(part));
        let factor = one.look.factor as f64;
        let fit = carrier::add_burst(
            carrier,
            lead,
            (v.unwrap_or_default(), i.unwrap_or_default()),
            (TAU / (self.cycle / factor), burst.decay.unwrap_or(0.0)),
            (self.input.samples.rate().hertz() / factor, one.look.factor),
            self.sigma(),
        )?;
        Some((lead, fit))
    }

    /// Energy from `start` to `end` (kept samples of a look), J.
    fn energy_of(&self, one: &Seen, start: f64, end: f64, interval: f64) -> Option<f64> {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let part = start.round().max(0.0) as usize..end.round().max(0.0) as usize;
        let block = &one.look.block;
        let (v, i) = (block.v.get(part.clone()), block.i.get(part.clone()));
        let moments = PairMoments::of(v.unwrap_or_default(), i.unwrap_or_default());
        let power_by: PowerBy = self.input.power_by;
        (moments.n > 0)
            .then(|| power_by.power(&moments).ok())?
            .map(|p| p * moments.n as f64 * interval)
    }
}

/// Whether the first burst has quiet samples before it, so that its start was seen.
fn starts_clean(x: &[f64], found: &[Burst], cycle: f64, floor: f64) -> bool {
    let Some(first) = found.first() else { return false };
    let before = first.start - cycle;
    if before < 0.0 {
        return false;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let quiet = &x[..(before as usize).min(x.len())];
    quiet.iter().all(|x| x.abs() < floor.max(first.peak * 0.5))
}

/// What the looks tell of the pattern together.
#[derive(Default)]
struct Tally {
    periods: u64,
    with_second: u64,
    second: f64,
    missing: u64,
    ratios: Vec<f64>,
    looks: usize,
}

impl Tally {
    fn add(&mut self, mains: &Mains, one: &Seen) {
        if one.packets.is_empty() {
            return;
        }
        self.looks += 1;
        self.periods += mains.steps.iter().map(|step| u64::from(*step)).sum::<u64>();
        self.missing += mains.steps.iter().map(|step| u64::from(*step - 1)).sum::<u64>();
        self.with_second += mains.with_second as u64;
        self.second = self.second.max(mains.second);
        self.ratios.extend(mains.alternation);
    }

    fn tell(&self, oddities: &mut Oddities) {
        /// Share of the periods from which on second packets count.
        const SHARE: f64 = 0.05;
        let share = self.with_second as f64 / self.periods.max(1) as f64;
        if share > SHARE {
            oddities.second_packets = Some((share, self.second));
        }
        if self.missing > 0 {
            oddities.missing = Some((self.missing, self.periods));
        }
        if 2 * self.ratios.len() > self.looks {
            oddities.alternation = median(&mut self.ratios.clone());
        }
    }
}
