//! The measures: one row each, with key, unit, name, formula, and what its uncertainty hangs on.

use super::reason::Reason;
use super::stats::{IntervalStats, Repeated, Shape};
use crate::estimate::Estimate;
use crate::keyfile::nearest;
use crate::trace::Channel;
use crate::units::Unit;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Computes one measure.
///
/// # Errors
/// The reason why it can't be had.
pub type Compute = fn(&IntervalStats) -> Result<Estimate, Reason>;

/// Form of a measure as a function of scales, load, noise and the like; `uncertainty::model` writes
/// each out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Formula {
    /// Mean power.
    Power,
    /// Power times time.
    Energy,
    /// Some power or energy (exponent of time 0 or 1) that scales as the mean power does.
    AsPower(i32),
    /// Root mean square.
    Rms(Channel),
    /// An extreme.
    Peak(Channel),
    /// Peak over RMS.
    Crest,
    /// 2 / CF^2.
    DutyEquivalent,
    /// Vrms * Irms.
    Apparent,
    /// P / S.
    PowerFactor,
    /// Real part of the ratio of voltage and current.
    Resistance,
    /// Imaginary part.
    Reactance,
    /// |mean| / RMS.
    DcShare,
    /// A direct reading that goes with this power of time.
    Direct(i32),
}

/// What is repeated in an interval, and how far the measure (its value is given) moves with one of it.
pub type Repetition = fn(&IntervalStats, f64) -> Option<(Repeated, f64)>;

/// Spread and limit of a measure of its own, beside what its [`Formula`] hangs on;
/// `uncertainty::inputs` works each out.
#[derive(Clone, Copy, Debug)]
pub enum Own {
    /// None.
    Nothing,
    /// The edges of its phase.
    Edges,
    /// The edges of the phases of its kind.
    SharedEdges,
    /// The spread of its repetitions; of a single one it is not known.
    Spread(Repetition),
    /// The same, and where the ends of a burst lie.
    OnTime(Repetition),
    /// The larger of the spread and a doubt in the unit of the measure.
    AtLeast(fn(&IntervalStats, f64) -> (Repeated, f64)),
    /// Noise and shape of the wave at the fit of the carrier.
    CarrierFit,
    /// Noise of the fitted amplitudes of voltage and current.
    Amplitudes,
    /// Noise in the harmonics.
    Harmonics,
    /// The noise that was taken away.
    NoiseTaken,
    /// It is a standard deviation of so many fits of the carrier.
    OfDeviation,
}

/// One measure.
#[derive(Debug)]
pub struct Row {
    /// Which.
    pub measure: Measure,
    /// Key in files.
    pub key: &'static str,
    /// Unit.
    pub unit: Unit,
    /// Name for people.
    pub title: &'static str,
    /// How it is computed.
    pub compute: Compute,
    /// What its uncertainty hangs on.
    pub formula: Formula,
    /// Its own spread and limit.
    pub own: Own,
}

macro_rules! measures {
    ($($variant:ident $key:literal, $unit:ident, $title:literal, $formula:expr, $own:expr, $compute:expr;)*) => {
        /// Names of all measures.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[non_exhaustive]
        pub enum Measure { $(#[doc = $title] $variant),* }

        /// All measures, in the order of [`Measure`] and of lists.
        pub const MEASURES: &[Row] = &[$(Row {
            measure: Measure::$variant,
            key: $key,
            unit: Unit::$unit,
            title: $title,
            compute: $compute,
            formula: $formula,
            own: $own,
        }),*];
    };
}

impl Measure {
    /// Its row.
    #[must_use]
    pub fn row(self) -> &'static Row {
        &MEASURES[self as usize]
    }

    /// Its key in files.
    #[must_use]
    pub fn key(self) -> &'static str {
        self.row().key
    }

    /// Its unit.
    #[must_use]
    pub fn unit(self) -> Unit {
        self.row().unit
    }

    /// Its name for people.
    #[must_use]
    pub fn title(self) -> &'static str {
        self.row().title
    }

    /// All measures in order.
    pub fn all() -> impl Iterator<Item = Self> + Clone {
        MEASURES.iter().map(|row| row.measure)
    }

    /// The measure of a key.
    ///
    /// # Errors
    /// Where there is none: the key, and the nearest or all that there are.
    pub fn find(key: &str) -> Result<Self, UnknownMeasure> {
        let found = MEASURES.iter().find(|row| row.key == key);
        found.map(|row| row.measure).ok_or_else(|| UnknownMeasure { key: key.to_owned() })
    }
}

impl std::fmt::Display for Measure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.key())
    }
}

impl Serialize for Measure {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.key())
    }
}

impl<'de> Deserialize<'de> for Measure {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let key = std::borrow::Cow::<str>::deserialize(deserializer)?;
        Self::find(&key)
            .map_err(|unknown| serde::de::Error::custom(format!("{unknown}; {}", unknown.help())))
    }
}

/// A key that is not that of a measure.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("unknown measure `{key}`")]
pub struct UnknownMeasure {
    /// The key.
    pub key: String,
}

impl UnknownMeasure {
    /// What was probably meant, or all keys.
    #[must_use]
    pub fn help(&self) -> String {
        let known = MEASURES.iter().map(|row| row.key);
        match nearest(&self.key, known.clone()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("known: {}", known.collect::<Vec<_>>().join(", ")),
        }
    }
}

use Channel::{Current, Voltage};
use Formula::{
    Apparent, AsPower, Crest, DcShare, Direct, DutyEquivalent, Energy, Peak, Power, PowerFactor,
    Reactance, Resistance, Rms,
};
use Own::{
    Amplitudes, AtLeast, CarrierFit, Edges, Harmonics, NoiseTaken, Nothing, OfDeviation, OnTime,
    SharedEdges, Spread,
};

measures! {
    Duration "duration_s", Second, "duration", Direct(1), Edges, duration;
    PhaseShare "phase_share", One, "share of the cycles", Direct(0), SharedEdges, |s| {
        value(s.share.ok_or(Reason::NotOfThisPart)?.value)
    };
    Power "power_w", Watt, "power", Power, Nothing, power;
    Energy "energy_j", Joule, "energy", Energy, Nothing, energy;
    VoltageRms "voltage_rms_v", Volt, "voltage RMS", Rms(Voltage), Nothing, voltage_rms;
    CurrentRms "current_rms_a", Ampere, "current RMS", Rms(Current), Nothing, current_rms;
    VoltagePeak "voltage_peak_v", Volt, "voltage peak", Peak(Voltage), Nothing, voltage_peak;
    CurrentPeak "current_peak_a", Ampere, "current peak", Peak(Current), Nothing, current_peak;
    VoltagePeakPositive "voltage_peak_positive_v", Volt, "voltage peak +", Peak(Voltage), Nothing,
        |s| peak(s, s.peaks_v.map(|p| p.positive), s.channels.voltage);
    VoltagePeakNegative "voltage_peak_negative_v", Volt, "voltage peak -", Peak(Voltage), Nothing,
        |s| peak(s, s.peaks_v.map(|p| p.negative), s.channels.voltage);
    VoltagePeakToPeak "voltage_peak_to_peak_v", Volt, "voltage peak to peak", Peak(Voltage), Nothing,
        |s| peak(s, s.peaks_v.map(|p| p.positive - p.negative), s.channels.voltage);
    CrestFactor "crest_factor", One, "crest factor", Crest, Nothing, crest_factor;
    DutyCycle "duty_cycle", One, "duty cycle", Direct(0), OnTime(|s, _| Some((bursts(s).ok()?.duty, 1.0))),
        duty_cycle;
    DutyCycleEquivalent "duty_cycle_equivalent", One, "duty cycle, equivalent", DutyEquivalent, Nothing,
        duty_equivalent;
    Fundamental "fundamental_hz", Hertz, "fundamental", Direct(-1), CarrierFit, fundamental;
    BurstRate "burst_rate_hz", Hertz, "burst rate", Direct(-1),
        Spread(|s, rate| Some((bursts(s).ok()?.period_s, rate * rate))), burst_rate;
    BurstOn "burst_on_s", Second, "burst on-time", Direct(1),
        OnTime(|s, _| Some((bursts(s).ok()?.on_s, 1.0))),
        |s| repeated(&bursts(s)?.on_s, || Reason::NoWholeBurst);
    BurstEnergy "burst_energy_j", Joule, "burst energy", AsPower(1),
        Spread(|s, _| Some((bursts(s).ok()?.energy_j, 1.0))),
        |s| repeated(&bursts(s)?.energy_j, || Reason::NoWholeBurstOrPower);
    BurstDecay "burst_decay_s", Second, "burst decay", Direct(1),
        OnTime(|s, _| Some((bursts(s).ok()?.decay_s, 1.0))),
        |s| repeated(&bursts(s)?.decay_s, || Reason::NoDecay);
    ApparentPower "apparent_power_va", VoltAmpere, "apparent power", Apparent, Nothing, apparent_power;
    PowerFactor "power_factor", One, "power factor", PowerFactor, Nothing, power_factor;
    Load "load_ohm", Ohm, "load resistance", Resistance, Amplitudes, |s| value(impedance(s)?.0);
    LoadReactance "load_reactance_ohm", Ohm, "load reactance", Reactance, Amplitudes,
        |s| value(impedance(s)?.1);
    PowerOneSecond "power_1s_max_w", Watt, "largest power over 1 s", AsPower(0), Nothing, |s| {
        value(s.largest_1s_w.ok_or_else(|| gap_or(s, Reason::ShorterThanOneSecond))?)
    };
    OnsetRise "onset_rise_s", Second, "onset rise", Direct(1), AtLeast(|s, _| (s.onset.rise_s, s.onset.doubt_s)),
        |s| repeated(&s.onset.rise_s, || gap_or(s, Reason::NoOnset));
    // Its 20 ms end inside a cycle or a burst.
    OnsetBoost "onset_boost", One, "onset boost", Direct(0),
        AtLeast(|s, boost| (s.onset.boost, 0.5 * boost * cycle_or_period(s) / 20e-3)),
        |s| repeated(&s.onset.boost, || gap_or(s, Reason::NoLongOnset));
    RippleDepth "ripple_depth", One, "ripple depth", Direct(0), AtLeast(|s, _| (s.ripple.depth, s.ripple.doubt)),
        |s| repeated(&s.ripple.depth, || gap_or(s, Reason::TooShortForRipple));
    RippleRate "ripple_hz", Hertz, "ripple rate", Direct(-1), AtLeast(|s, _| (s.ripple.hz, s.ripple.doubt_hz)),
        |s| repeated(&s.ripple.hz, || gap_or(s, Reason::NoRipple));
    FundamentalSpread "fundamental_spread", One, "spread of the fundamental", Direct(0), OfDeviation,
        |s| value(fundamental_spread(s).ok_or(Reason::NotSteady)?);
    Distortion "distortion", One, "distortion", Direct(0), Harmonics, |s| {
        let power = s.carrier.and_then(|c| c.harmonics.mean());
        value(power.ok_or(Reason::NotContinuous)?.sqrt())
    };
    UndescribedShare "undescribed_share", One, "energy not described", Direct(0), NoiseTaken,
        |s| repeated(&s.undescribed, || Reason::NotOutput);
    DcShare "dc_share", One, "DC share", DcShare, Nothing, dc_share;
    // Root of a mean: half of the relative spread.
    LowFrequencyShare "low_frequency_share", One, "share below 10 kHz", Direct(0),
        Spread(|s, share| Some((s.carrier?.low, if share > 0.0 { 0.5 / share } else { 0.0 }))),
        |s| {
            let power = s.carrier.and_then(|c| c.low.mean());
            value(power.ok_or(Reason::NotContinuousFor1Ms)?.sqrt())
        };
}

/// The longer of a carrier cycle and a burst period, s; 0 where neither is known.
fn cycle_or_period(stats: &IntervalStats) -> f64 {
    let hz = stats.carrier.and_then(|carrier| carrier.frequency());
    let period = match &stats.shape {
        Shape::Bursts(bursts) => bursts.period_s.mean(),
        _ => None,
    };
    period.unwrap_or(0.0).max(hz.map_or(0.0, |hz| 1.0 / hz))
}

fn value(x: f64) -> Result<Estimate, Reason> {
    Estimate::new(x).ok_or(Reason::NotFinite)
}

fn repeated(of: &Repeated, reason: impl FnOnce() -> Reason) -> Result<Estimate, Reason> {
    let mean = of.mean().ok_or_else(reason)?;
    Ok(value(mean)?.with_deviation(of.deviation()))
}

fn duration(s: &IntervalStats) -> Result<Estimate, Reason> {
    repeated(&s.duration_s, || Reason::NoSuchPhase)
}

fn power(s: &IntervalStats) -> Result<Estimate, Reason> {
    value(s.power_by.power(&s.moments)?)
}

/// Power times time; of what was not recorded nothing is known.
fn energy(s: &IntervalStats) -> Result<Estimate, Reason> {
    if s.invalid.0 > 0 {
        return Err(not_recorded(s));
    }
    value(s.power_by.power(&s.moments)? * s.total_s())
}

fn voltage_rms(s: &IntervalStats) -> Result<Estimate, Reason> {
    root(s.channels.voltage, Reason::NoVoltage, s.moments.mean_square_v())
}

fn current_rms(s: &IntervalStats) -> Result<Estimate, Reason> {
    root(s.channels.current, Reason::NoCurrent, s.moments.mean_square_i())
}

/// Root of a mean square, where the channel is there.
fn root(channel: bool, absent: Reason, square: Option<f64>) -> Result<Estimate, Reason> {
    if !channel {
        return Err(absent);
    }
    value(square.ok_or(Reason::NoSamples)?.sqrt())
}

/// The gaps, where there are any, or else `reason`.
fn gap_or(s: &IntervalStats, reason: Reason) -> Reason {
    if s.invalid.0 == 0 { reason } else { not_recorded(s) }
}

fn not_recorded(s: &IntervalStats) -> Reason {
    Reason::not_recorded(s.invalid_share())
}

fn peak(s: &IntervalStats, found: Option<f64>, channel: bool) -> Result<Estimate, Reason> {
    if s.invalid.1 > 0 {
        return Err(Reason::Overrange { samples: s.invalid.1 });
    }
    match found {
        Some(peak) => value(peak),
        None if !channel => Err(Reason::NoSuchChannel),
        None => Err(Reason::NoOutput),
    }
}

fn voltage_peak(s: &IntervalStats) -> Result<Estimate, Reason> {
    peak(s, s.peaks_v.map(|peaks| peaks.largest()), s.channels.voltage)
}

fn current_peak(s: &IntervalStats) -> Result<Estimate, Reason> {
    peak(s, s.peaks_i.map(|peaks| peaks.largest()), s.channels.current)
}

/// Peak over RMS of the interval.
fn crest_factor(s: &IntervalStats) -> Result<Estimate, Reason> {
    let (peak, rms) = (voltage_peak(s)?.value, voltage_rms(s)?.value);
    if rms > 0.0 { value(peak / rms) } else { Err(Reason::NoOutput) }
}

/// 2 / CF^2: duty of the gated sine with the same crest factor.
fn duty_equivalent(s: &IntervalStats) -> Result<Estimate, Reason> {
    let crest = crest_factor(s)?.value;
    value(2.0 / (crest * crest))
}

fn bursts(s: &IntervalStats) -> Result<super::stats::Bursts, Reason> {
    match s.shape {
        Shape::Bursts(bursts) => Ok(bursts),
        Shape::Continuous => Err(Reason::Continuous),
        Shape::None => Err(Reason::NoOutput),
        Shape::Unclear => Err(gap_or(s, Reason::TooShortForBursts)),
        Shape::Mixed => Err(Reason::Mixed),
    }
}

/// Standard deviation of the carrier along steady output over its mean.
fn fundamental_spread(s: &IntervalStats) -> Option<f64> {
    let carrier = s.carrier.filter(|_| s.shape == Shape::Continuous)?;
    Some(carrier.hz.deviation()? / carrier.hz.mean()?)
}

/// On-time over repetition, mean over the bursts; 1 for continuous output.
fn duty_cycle(s: &IntervalStats) -> Result<Estimate, Reason> {
    if s.shape == Shape::Continuous {
        return value(1.0);
    }
    repeated(&bursts(s)?.duty, || Reason::NoWholeBurst)
}

fn burst_rate(s: &IntervalStats) -> Result<Estimate, Reason> {
    let period = bursts(s)?.period_s;
    let mean = period.mean().filter(|mean| *mean > 0.0);
    let mean = mean.ok_or(Reason::FewerThanTwoBursts)?;
    let deviation = period.deviation().map(|deviation| deviation / (mean * mean));
    Ok(value(1.0 / mean)?.with_deviation(deviation))
}

fn fundamental(s: &IntervalStats) -> Result<Estimate, Reason> {
    let carrier = s.carrier.ok_or(Reason::NoOutput)?;
    let hz = carrier.frequency().ok_or_else(|| gap_or(s, Reason::NoCarrier))?;
    Ok(value(hz)?.with_deviation(carrier.hz.deviation()))
}

/// Vrms * Irms.
fn apparent_power(s: &IntervalStats) -> Result<Estimate, Reason> {
    value(voltage_rms(s)?.value * current_rms(s)?.value)
}

/// P / S.
fn power_factor(s: &IntervalStats) -> Result<Estimate, Reason> {
    let apparent = apparent_power(s)?.value;
    if apparent > 0.0 && s.carrier.is_some() {
        value(power(s)?.value / apparent)
    } else {
        Err(Reason::NoOutput)
    }
}

fn impedance(s: &IntervalStats) -> Result<(f64, f64), Reason> {
    if !(s.channels.voltage && s.channels.current) {
        return Err(Reason::NeedsBoth);
    }
    let carrier = s.carrier.ok_or(Reason::NoOutput)?;
    carrier.impedance().ok_or(Reason::NoCurrentAtFundamental)
}

fn dc_share(s: &IntervalStats) -> Result<Estimate, Reason> {
    if s.carrier.is_none() {
        return Err(Reason::NoOutput);
    }
    let (mean, square) = if s.channels.voltage {
        (s.moments.mean_v, s.moments.mean_square_v())
    } else {
        (s.moments.mean_i, s.moments.mean_square_i())
    };
    match square {
        Some(square) if square > 0.0 => value(mean.abs() / square.sqrt()),
        _ => Err(Reason::NoOutput),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_unique_and_end_in_their_unit() {
        for (k, measure) in MEASURES.iter().enumerate() {
            assert_eq!(measure.measure as usize, k);
            assert!(MEASURES[..k].iter().all(|other| other.key != measure.key));
            let suffix = match measure.unit {
                Unit::Volt => "_v",
                Unit::Ampere => "_a",
                Unit::Watt => "_w",
                Unit::VoltAmpere => "_va",
                Unit::Ohm => "_ohm",
                Unit::Hertz => "_hz",
                Unit::Second => "_s",
                Unit::Joule => "_j",
                Unit::One => "",
            };
            assert!(measure.key.ends_with(suffix), "{}", measure.key);
        }
    }
}
