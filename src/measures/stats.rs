//! What one pass over an interval leaves, and how two intervals are taken together.

use super::baseline::Baseline;
use super::reason::Reason;
use crate::numeric::moments::{PairMoments, mean};
use crate::trace::{Channels, PerChannel};

/// How the power of an interval is had.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PowerBy {
    /// mean(v * i).
    Product,
    /// Vrms^2 / R with the stated resistance in ohm: there is no current channel.
    Voltage(f64),
    /// Irms^2 * R with the stated resistance in ohm: there is no voltage channel.
    Current(f64),
    /// Not at all: nothing is connected.
    OpenCircuit,
    /// Not at all: there is one channel, and no load is stated.
    NoLoad,
}

impl PowerBy {
    /// Mean power of an interval with these moments, W.
    ///
    /// # Errors
    /// The reason why it can't be had.
    pub fn power(self, moments: &PairMoments) -> Result<f64, Reason> {
        let value = match self {
            Self::Product => moments.mean_product(),
            Self::Voltage(ohm) => moments.mean_square_v().map(|square| square / ohm),
            Self::Current(ohm) => moments.mean_square_i().map(|square| square * ohm),
            Self::OpenCircuit => return Err(Reason::OpenCircuit),
            Self::NoLoad => return Err(Reason::NoLoad),
        };
        value.ok_or(Reason::NoSamples)
    }
}

/// Extremes of one channel, interpolated between samples and corrected for noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peaks {
    /// Largest value.
    pub positive: f64,
    /// Smallest value; below zero for any output.
    pub negative: f64,
    /// Standard uncertainty that noise leaves either.
    pub u: f64,
}

impl Peaks {
    /// Largest |x|.
    #[must_use]
    pub fn largest(&self) -> f64 {
        self.positive.max(-self.negative)
    }

    fn merge(a: Option<Self>, b: Option<Self>) -> Option<Self> {
        match (a, b) {
            (Some(a), Some(b)) => Some(Self {
                positive: a.positive.max(b.positive),
                negative: a.negative.min(b.negative),
                u: a.u.max(b.u),
            }),
            (a, b) => a.or(b),
        }
    }
}

/// A mean over repetitions that merges: count, mean and sum of squared deviations, of the single
/// values and of the means of batches of consecutive ones.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Repeated {
    single: PairMoments,
    batches: PairMoments,
}

/// Consecutive values of one batch: what hangs together over fewer is averaged out inside it.
const BATCH: usize = 8;
/// Fewest batches that tell a spread.
const LEAST_BATCHES: u64 = 4;

impl Repeated {
    /// Of single values that do not hang together.
    #[must_use]
    pub fn of(values: &[f64]) -> Self {
        Self { single: PairMoments::of(values, &[]), batches: PairMoments::default() }
    }

    /// Of consecutive values, which may hang together.
    #[must_use]
    pub fn series(values: &[f64]) -> Self {
        let means: Vec<f64> = values.chunks_exact(BATCH).filter_map(mean).collect();
        Self { single: PairMoments::of(values, &[]), batches: PairMoments::of(&means, &[]) }
    }

    /// Of values that were taken at several places: the places are the batches.
    #[must_use]
    pub fn batched(lists: &[&[f64]]) -> Self {
        let means: Vec<f64> = lists.iter().filter_map(|list| mean(list)).collect();
        Self {
            single: PairMoments::of(&lists.concat(), &[]),
            batches: PairMoments::of(&means, &[]),
        }
    }

    /// Takes in the repetitions of another.
    pub fn merge(&mut self, other: &Self) {
        self.single.merge(&other.single);
        self.batches.merge(&other.batches);
    }

    /// Number of repetitions.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.single.n
    }

    /// Mean; `None` of nothing.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        (self.single.n > 0).then_some(self.single.mean_v)
    }

    /// Sample standard deviation; `None` below two.
    #[must_use]
    pub fn deviation(&self) -> Option<f64> {
        deviation(&self.single)
    }

    /// Standard uncertainty of the mean and its degrees of freedom; `None` below two.
    ///
    /// Consecutive repetitions are not independent, so that s/sqrt(n) can be far too small or too
    /// large; the spread of the means of batches tells what averaging really does (method of batch
    /// means, Schmeiser 1982, "Batch size effects in the analysis of simulation output", Operations
    /// Research 30:556; from memory). With too few batches: s/sqrt(n) (JCGM 100, 4.2.3).
    #[must_use]
    pub fn error_of_mean(&self) -> Option<(f64, f64)> {
        let of = if self.batches.n >= LEAST_BATCHES { &self.batches } else { &self.single };
        let n = of.n as f64;
        deviation(of).map(|deviation| (deviation / n.sqrt(), n - 1.0))
    }
}

fn deviation(of: &PairMoments) -> Option<f64> {
    (of.n > 1).then(|| (of.m2_v / (of.n - 1) as f64).max(0.0).sqrt())
}

/// Carrier of an interval.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Carrier {
    /// Sum of weights of the fits.
    pub weight: f64,
    /// What the fits tell of the frequency together: noise of deviation s leaves it a variance of s^2
    /// over this.
    pub information: f64,
    /// Weighted sum of frequencies, Hz.
    pub weighted_hz: f64,
    /// The fitted frequencies, each counted once, Hz.
    pub hz: Repeated,
    /// Weighted sum of the standard uncertainties that the shape of the wave leaves each fit, Hz.
    pub weighted_doubt_hz: f64,
    /// Sum of V * conj(I) over the fits: real and imaginary part, VA.
    pub product: (f64, f64),
    /// Sum of |I|^2 over the fits, A^2.
    pub current_square: f64,
    /// Power of harmonics over power of the fundamental, weighted; steady output only.
    pub harmonics: Repeated,
    /// Power below 10 kHz over all power; steady output only.
    pub low: Repeated,
}

impl Carrier {
    /// Takes in the fits of another.
    pub fn merge(&mut self, other: &Self) {
        self.weight += other.weight;
        self.weighted_hz += other.weighted_hz;
        self.weighted_doubt_hz += other.weighted_doubt_hz;
        self.information += other.information;
        self.hz.merge(&other.hz);
        self.product.0 += other.product.0;
        self.product.1 += other.product.1;
        self.current_square += other.current_square;
        self.harmonics.merge(&other.harmonics);
        self.low.merge(&other.low);
    }

    /// Gives the fits so far the weight of one.
    pub fn even(&mut self) {
        if self.weight > 0.0 {
            self.weighted_hz /= self.weight;
            self.weighted_doubt_hz /= self.weight;
            self.weight = 1.0;
        }
    }

    /// Standard uncertainty of the frequency by the shape of the wave, Hz.
    #[must_use]
    pub fn shape_doubt_hz(&self) -> f64 {
        if self.weight > 0.0 { self.weighted_doubt_hz / self.weight } else { 0.0 }
    }

    /// Mean frequency in hertz, weighted by how well each fit determines it.
    #[must_use]
    pub fn frequency(&self) -> Option<f64> {
        (self.weight > 0.0).then(|| self.weighted_hz / self.weight)
    }

    /// Complex ratio of voltage and current at the fundamental, ohm.
    #[must_use]
    pub fn impedance(&self) -> Option<(f64, f64)> {
        (self.current_square > 0.0)
            .then(|| (self.product.0 / self.current_square, self.product.1 / self.current_square))
    }
}

/// Bursts of an interval.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bursts {
    /// On-time, s.
    pub on_s: Repeated,
    /// Time from start to start, s.
    pub period_s: Repeated,
    /// On-time over time to the next start.
    pub duty: Repeated,
    /// Energy from start to start, J.
    pub energy_j: Repeated,
    /// 1/alpha of bursts that decay, s.
    pub decay_s: Repeated,
    /// Largest |x| of the leading channel in a burst.
    pub peak: Repeated,
    /// Share of the interval that was looked at burst by burst.
    pub seen_share: f64,
}

impl Bursts {
    fn merge(&mut self, other: &Self) {
        self.seen_share = self.seen_share.min(other.seen_share);
        self.on_s.merge(&other.on_s);
        self.period_s.merge(&other.period_s);
        self.duty.merge(&other.duty);
        self.energy_j.merge(&other.energy_j);
        self.decay_s.merge(&other.decay_s);
        self.peak.merge(&other.peak);
    }
}

/// Whether an interval's output comes in bursts.
#[allow(clippy::large_enum_variant)] // one per phase, copied rarely
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// No output.
    None,
    /// Without gaps; the duty is 1.
    Continuous,
    /// In bursts.
    Bursts(Bursts),
    /// Too short to tell.
    Unclear,
    /// Different shapes taken together.
    Mixed,
}

/// How output sets in.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Onset {
    /// 10-90 % rise of the envelope, s.
    pub rise_s: Repeated,
    /// What a rise is told to, as a standard uncertainty, s.
    pub doubt_s: f64,
    /// RMS of the first 20 ms over that of the rest of the phase.
    pub boost: Repeated,
}

/// Spread of what is had from sums, over the phases or cycles of the interval.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    /// Mean power, W.
    pub power: Repeated,
    /// Mean square of the voltage, V^2.
    pub square_v: Repeated,
    /// Mean square of the current, A^2.
    pub square_i: Repeated,
    /// Largest |v|, V.
    pub peak_v: Repeated,
    /// Largest |i|, A.
    pub peak_i: Repeated,
    /// Peak over RMS of the voltage.
    pub crest: Repeated,
}

impl Spread {
    fn merge(&mut self, other: &Self) {
        self.power.merge(&other.power);
        self.square_v.merge(&other.square_v);
        self.square_i.merge(&other.square_i);
        self.peak_v.merge(&other.peak_v);
        self.peak_i.merge(&other.peak_i);
        self.crest.merge(&other.crest);
    }
}

/// What the places of the edges leave open, as sums of variances over the interval's phases.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct EdgeDoubt {
    /// Of the lengths by edges that are told to a part of a cycle, s^2.
    pub time_square: f64,
    /// Of the lengths by the silence after a last burst, s^2: rectangular, and of one sign.
    pub silence_square: f64,
    /// Of the energies, J^2.
    pub energy_square: f64,
    /// Of the integrals of the squares of voltage and current, V^4 s^2 and A^4 s^2.
    pub squares: PerChannel<f64>,
}

/// How the level of the output changes slowly inside its phases.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ripple {
    /// (highest - lowest) / (highest + lowest) of the level: one value per turn where it repeats, else
    /// one of the phase.
    pub depth: Repeated,
    /// Standard uncertainty of a depth beside its spread.
    pub doubt: f64,
    /// Rate at which it repeats, one value per phase, Hz.
    pub hz: Repeated,
    /// Its standard uncertainty.
    pub doubt_hz: f64,
}

/// A share of time and its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// The share.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

impl Ripple {
    fn merge(&mut self, other: &Self) {
        self.depth.merge(&other.depth);
        self.hz.merge(&other.hz);
        self.doubt = self.doubt.max(other.doubt);
        self.doubt_hz = self.doubt_hz.max(other.doubt_hz);
    }
}

/// Everything the measures of an interval are computed from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IntervalStats {
    /// Which channels there are.
    pub channels: Channels,
    /// How the power is had.
    pub power_by: PowerBy,
    /// Sample interval, s.
    pub interval_s: f64,
    /// Length of the single phases (or cycles) of the interval, s.
    pub duration_s: Repeated,
    /// Samples that are not valid, and those of them that lay beyond the range.
    pub invalid: (u64, u64),
    /// Moments of all valid samples.
    pub moments: PairMoments,
    /// Extremes of the voltage.
    pub peaks_v: Option<Peaks>,
    /// Extremes of the current.
    pub peaks_i: Option<Peaks>,
    /// Carrier, where there is output.
    pub carrier: Option<Carrier>,
    /// Bursts or not.
    pub shape: Shape,
    /// Share of energy that no measure describes, one value per stretch that was fitted.
    pub undescribed: Repeated,
    /// Slow changes of the level.
    pub ripple: Ripple,
    /// Share of a kind of phase in the whole cycles.
    pub share: Option<Share>,
    /// How the zero lines of voltage and current move.
    pub baseline: PerChannel<Baseline>,
    /// Onset of the phases that begin inside the record.
    pub onset: Onset,
    /// Largest mean power over 1 s, W.
    pub largest_1s_w: Option<f64>,
    /// Spread over phases or cycles.
    pub spread: Spread,
    /// What the edges leave open.
    pub edges: EdgeDoubt,
}

impl IntervalStats {
    /// An interval without samples.
    #[must_use]
    pub fn empty(channels: Channels, power_by: PowerBy, interval_s: f64) -> Self {
        Self {
            channels,
            power_by,
            interval_s,
            duration_s: Repeated::default(),
            invalid: (0, 0),
            moments: PairMoments::default(),
            peaks_v: None,
            peaks_i: None,
            carrier: None,
            shape: Shape::None,
            undescribed: Repeated::default(),
            ripple: Ripple::default(),
            share: None,
            baseline: Default::default(),
            onset: Onset::default(),
            largest_1s_w: None,
            spread: Spread::default(),
            edges: EdgeDoubt::default(),
        }
    }

    /// Takes in another interval.
    pub fn merge(&mut self, other: &Self) {
        self.duration_s.merge(&other.duration_s);
        self.invalid.0 += other.invalid.0;
        self.invalid.1 += other.invalid.1;
        self.moments.merge(&other.moments);
        self.peaks_v = Peaks::merge(self.peaks_v, other.peaks_v);
        self.peaks_i = Peaks::merge(self.peaks_i, other.peaks_i);
        if let Some(carrier) = &other.carrier {
            self.carrier.get_or_insert_default().merge(carrier);
        }
        self.shape = match (self.shape, other.shape) {
            (Shape::None, shape) | (shape, Shape::None) => shape,
            (Shape::Continuous, Shape::Continuous) => Shape::Continuous,
            (Shape::Bursts(mut a), Shape::Bursts(b)) => {
                a.merge(&b);
                Shape::Bursts(a)
            }
            // A stretch too short to tell adds nothing to one that tells.
            (Shape::Unclear, shape) | (shape, Shape::Unclear) => shape,
            _ => Shape::Mixed,
        };
        self.undescribed.merge(&other.undescribed);
        self.ripple.merge(&other.ripple);
        self.baseline = PerChannel {
            voltage: self.baseline.voltage.larger(other.baseline.voltage),
            current: self.baseline.current.larger(other.baseline.current),
        };
        self.onset.rise_s.merge(&other.onset.rise_s);
        self.onset.doubt_s = self.onset.doubt_s.max(other.onset.doubt_s);
        self.onset.boost.merge(&other.onset.boost);
        self.spread.merge(&other.spread);
        self.edges.time_square += other.edges.time_square;
        self.edges.silence_square += other.edges.silence_square;
        self.edges.energy_square += other.edges.energy_square;
        self.edges.squares.voltage += other.edges.squares.voltage;
        self.edges.squares.current += other.edges.squares.current;
        self.largest_1s_w = match (self.largest_1s_w, other.largest_1s_w) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        };
    }

    /// Mean power, where it is known.
    #[must_use]
    pub fn power(&self) -> Option<f64> {
        self.power_by.power(&self.moments).ok()
    }

    /// Mean squares of voltage and current; 0 of an absent channel.
    #[must_use]
    pub fn squares(&self) -> PerChannel<f64> {
        let of = |square: Option<f64>| square.unwrap_or(0.0);
        PerChannel {
            voltage: of(self.moments.mean_square_v()),
            current: of(self.moments.mean_square_i()),
        }
    }

    /// Takes the interval as one repetition, however many were merged into it.
    pub fn close(&mut self) {
        let one = |value: Option<f64>| value.map_or_else(Repeated::default, |v| Repeated::of(&[v]));
        let square_v = self.moments.mean_square_v().filter(|_| self.channels.voltage);
        let peak_v = self.peaks_v.map(|peaks| peaks.largest());
        let crest = square_v.filter(|square| *square > 0.0).and_then(|s| Some(peak_v? / s.sqrt()));
        self.spread = Spread {
            power: one(self.power_by.power(&self.moments).ok()),
            square_v: one(square_v),
            square_i: one(self.moments.mean_square_i().filter(|_| self.channels.current)),
            peak_v: one(peak_v),
            peak_i: one(self.peaks_i.map(|peaks| peaks.largest())),
            crest: one(crest),
        };
    }

    /// Share of the samples that are not valid.
    #[must_use]
    pub fn invalid_share(&self) -> f64 {
        self.invalid.0 as f64 / (self.invalid.0 + self.moments.n).max(1) as f64
    }

    /// Time covered by valid samples, s.
    #[must_use]
    pub fn total_s(&self) -> f64 {
        self.moments.n as f64 * self.interval_s
    }
}
