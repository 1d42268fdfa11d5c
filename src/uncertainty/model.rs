//! The measurement model: every measure as a function of what it hangs on.

use super::budget::{Model, Number};
use crate::measures::stats::{IntervalStats, PowerBy};
use crate::trace::Channel;

macro_rules! terms {
    ($($variant:ident: $name:literal;)*) => {
        /// What a measure can hang on; one input quantity each.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Term { $(#[doc = $name] $variant),* }

        /// All terms in the order of the inputs, with their names.
        pub const TERMS: [(Term, &str); TERM_COUNT] = [$((Term::$variant, $name)),*];
    };
}

/// Number of terms.
pub const TERM_COUNT: usize = 24;

terms! {
    GainV: "scale of the voltage";
    GainI: "scale of the current";
    Load: "resistance of the load";
    Skew: "delay between the channels";
    Time: "time base";
    ResponseV: "bandwidth of the voltage channel";
    ResponseI: "bandwidth of the current channel";
    TemperatureV: "temperature of the voltage channel";
    TemperatureI: "temperature of the current channel";
    TemperatureLoad: "temperature of the load";
    OffsetV: "offset of the voltage";
    OffsetI: "offset of the current";
    NoiseV: "noise in the mean square of the voltage";
    NoiseI: "noise in the mean square of the current";
    NoiseP: "noise in the mean power";
    BiasV: "noise and zero line counted as voltage";
    BiasI: "noise and zero line counted as current";
    PeakV: "noise and steps at the highest voltage";
    PeakI: "noise and steps at the highest current";
    Between: "interpolation between samples";
    Edges: "edges of the phase";
    Repeat: "spread over repetitions";
    Own: "spread of the measure itself";
    Limit: "limit of the method";
}

/// Form of a measure.
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

/// Form of the measure of this key.
#[must_use]
pub fn formula(key: &str) -> Option<Formula> {
    Some(match key {
        "power_w" => Formula::Power,
        "energy_j" => Formula::Energy,
        "power_1s_max_w" => Formula::AsPower(0),
        "burst_energy_j" => Formula::AsPower(1),
        "voltage_rms_v" => Formula::Rms(Channel::Voltage),
        "current_rms_a" => Formula::Rms(Channel::Current),
        "voltage_peak_v"
        | "voltage_peak_positive_v"
        | "voltage_peak_negative_v"
        | "voltage_peak_to_peak_v" => Formula::Peak(Channel::Voltage),
        "current_peak_a" => Formula::Peak(Channel::Current),
        "crest_factor" => Formula::Crest,
        "duty_cycle_equivalent" => Formula::DutyEquivalent,
        "apparent_power_va" => Formula::Apparent,
        "power_factor" => Formula::PowerFactor,
        "load_ohm" => Formula::Resistance,
        "load_reactance_ohm" => Formula::Reactance,
        "dc_share" => Formula::DcShare,
        "duration_s" | "burst_on_s" | "burst_decay_s" | "onset_rise_s" => Formula::Direct(1),
        "fundamental_hz" | "burst_rate_hz" | "ripple_hz" => Formula::Direct(-1),
        "duty_cycle"
        | "distortion"
        | "low_frequency_share"
        | "onset_boost"
        | "phase_share"
        | "ripple_depth"
        | "fundamental_spread"
        | "undescribed_share" => Formula::Direct(0),
        _ => return None,
    })
}

/// One measure of one interval as a function of the [`Term`]s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeasureModel {
    /// Its form.
    pub formula: Formula,
    /// Its value as measured.
    pub value: f64,
    /// How power is had.
    pub power_by: PowerBy,
    /// Mean squares of voltage and current, V^2 and A^2.
    pub squares: (f64, f64),
    /// Means, V and A.
    pub means: (f64, f64),
    /// mean(v i), W.
    pub product: f64,
    /// Largest |v|, V.
    pub peak_v: f64,
    /// Channel by which spectra and shares are told.
    pub leading: Channel,
    /// Resistance and reactance at the fundamental, ohm; (1, 0) where they are not known.
    pub impedance: (f64, f64),
    /// Carrier, radians per second; 0 where it is not known.
    pub omega: f64,
    /// Time, s.
    pub total_s: f64,
}

impl MeasureModel {
    /// Model of the measure `key`, read as `value`, over `stats`.
    #[must_use]
    pub fn of(key: &str, value: f64, stats: &IntervalStats) -> Option<Self> {
        let moments = &stats.moments;
        let hz = stats.carrier.and_then(|carrier| carrier.frequency()).unwrap_or(0.0);
        Some(Self {
            formula: formula(key)?,
            value,
            power_by: stats.power_by,
            squares: (
                moments.mean_square_v().unwrap_or(0.0),
                moments.mean_square_i().unwrap_or(0.0),
            ),
            means: (moments.mean_v, moments.mean_i),
            product: moments.mean_product().unwrap_or(0.0),
            peak_v: stats.peaks_v.map_or(0.0, |peaks| peaks.largest()),
            leading: if stats.channels.voltage { Channel::Voltage } else { Channel::Current },
            impedance: stats.carrier.and_then(|c| c.impedance()).unwrap_or((1.0, 0.0)),
            omega: std::f64::consts::TAU * hz,
            total_s: stats.total_s(),
        })
    }
}

/// Input `term`.
fn at<D: Number>(x: &[D; TERM_COUNT], term: Term) -> D {
    x[term as usize]
}

/// What the reading of a side has to be multiplied with.
fn gain<D: Number>(x: &[D; TERM_COUNT], side: Channel) -> D {
    match side {
        Channel::Voltage => at(x, Term::GainV) * at(x, Term::ResponseV) * at(x, Term::TemperatureV),
        Channel::Current => at(x, Term::GainI) * at(x, Term::ResponseI) * at(x, Term::TemperatureI),
    }
}

impl MeasureModel {
    /// Mean square of a side: offset, noise and edges set right.
    fn square<D: Number>(&self, x: &[D; TERM_COUNT], side: Channel) -> D {
        let (raw, mean, offset, noise, bias) = match side {
            Channel::Voltage => {
                (self.squares.0, self.means.0, Term::OffsetV, Term::NoiseV, Term::BiasV)
            }
            Channel::Current => {
                (self.squares.1, self.means.1, Term::OffsetI, Term::NoiseI, Term::BiasI)
            }
        };
        let (o, g) = (at(x, offset), gain(x, side));
        let square = o * o - o * (2.0 * mean) + at(x, noise) - at(x, bias) + raw;
        square * g * g * at(x, Term::Edges) * at(x, Term::Repeat)
    }

    fn power<D: Number>(&self, x: &[D; TERM_COUNT]) -> D {
        let load = |ohm: f64| at(x, Term::Load) * at(x, Term::TemperatureLoad) * ohm;
        match self.power_by {
            PowerBy::Voltage(ohm) => self.square(x, Channel::Voltage) / load(ohm),
            PowerBy::Current(ohm) => self.square(x, Channel::Current) * load(ohm),
            PowerBy::Product | PowerBy::Unknown(_) => {
                // A current that lags by d more than was taken away is a phase of w d more: P turns
                // into P cos(w d) + Q sin(w d), with Q = P X / R of the fundamental.
                let turn = at(x, Term::Skew) * self.omega;
                let (resistance, reactance) = self.impedance;
                let reactive =
                    if resistance == 0.0 { 0.0 } else { self.product * reactance / resistance };
                let (v, i) = (at(x, Term::OffsetV), at(x, Term::OffsetI));
                let offset = v * i - v * self.means.1 - i * self.means.0;
                let turned = turn.cos() * self.product + turn.sin() * reactive;
                (turned + at(x, Term::NoiseP) + offset)
                    * gain(x, Channel::Voltage)
                    * gain(x, Channel::Current)
                    * at(x, Term::Edges)
                    * at(x, Term::Repeat)
            }
        }
    }

    /// Resistance and reactance, the skew turned back.
    fn impedance<D: Number>(&self, x: &[D; TERM_COUNT]) -> (D, D) {
        let turn = at(x, Term::Skew) * self.omega;
        let (cos, sin) = (turn.cos(), turn.sin());
        let (r, q) = self.impedance;
        let ratio = gain(x, Channel::Voltage) / gain(x, Channel::Current);
        ((cos * r + sin * q) * ratio, (cos * q - sin * r) * ratio)
    }

    /// Largest |v|.
    fn crest_height<D: Number>(&self, x: &[D; TERM_COUNT]) -> D {
        let height = at(x, Term::PeakV) + at(x, Term::Between) - at(x, Term::OffsetV) + self.peak_v;
        height * gain(x, Channel::Voltage)
    }
}

impl Model<TERM_COUNT> for MeasureModel {
    fn value<D: Number>(&self, x: &[D; TERM_COUNT]) -> D {
        let own = at(x, Term::Own) + at(x, Term::Limit);
        match self.formula {
            Formula::Power => self.power(x),
            Formula::Energy => self.power(x) * at(x, Term::Time) * self.total_s,
            Formula::AsPower(time) => {
                let relative = self.power(x) / self.reference_power();
                (relative * self.value + own) * at(x, Term::Time).powi(time)
            }
            Formula::Rms(side) => self.square(x, side).sqrt(),
            Formula::Peak(side) => {
                let (noise, offset) = match side {
                    Channel::Voltage => (Term::PeakV, Term::OffsetV),
                    Channel::Current => (Term::PeakI, Term::OffsetI),
                };
                (at(x, noise) + at(x, Term::Between) - at(x, offset) + self.value) * gain(x, side)
            }
            Formula::Crest => self.crest_height(x) / self.square(x, Channel::Voltage).sqrt(),
            Formula::DutyEquivalent => {
                let height = self.crest_height(x);
                self.square(x, Channel::Voltage) / (height * height) * 2.0
            }
            Formula::Apparent => {
                (self.square(x, Channel::Voltage) * self.square(x, Channel::Current)).sqrt()
            }
            Formula::PowerFactor => {
                let apparent =
                    (self.square(x, Channel::Voltage) * self.square(x, Channel::Current)).sqrt();
                // Spread and edges move both alike.
                self.power(x) / apparent
            }
            Formula::Resistance => self.impedance(x).0 + own,
            Formula::Reactance => self.impedance(x).1 + own,
            Formula::DcShare => {
                let (mean, offset) = match self.leading {
                    Channel::Voltage => (self.means.0, Term::OffsetV),
                    Channel::Current => (self.means.1, Term::OffsetI),
                };
                let sign = if mean < 0.0 { -1.0 } else { 1.0 };
                let share = (D::from(mean) - at(x, offset)) * gain(x, self.leading) * sign;
                share / self.square(x, self.leading).sqrt() + own
            }
            Formula::Direct(time) => (own + self.value) * at(x, Term::Time).powi(time),
        }
    }

    fn curved(&self) -> bool {
        // Skew has no first derivative on a resistor, where power is largest.
        matches!(
            self.formula,
            Formula::Power | Formula::Energy | Formula::AsPower(_) | Formula::PowerFactor
        ) && self.power_by == PowerBy::Product
    }
}

impl MeasureModel {
    /// Phase between voltage and current at the fundamental, rad; positive where the current lags.
    pub(super) fn phase(&self) -> f64 {
        self.impedance.1.atan2(self.impedance.0.abs())
    }

    /// Mean power as measured; what scales as it is told relative to that.
    fn reference_power(&self) -> f64 {
        match self.power_by {
            PowerBy::Voltage(ohm) => self.squares.0 / ohm,
            PowerBy::Current(ohm) => self.squares.1 * ohm,
            PowerBy::Product | PowerBy::Unknown(_) => self.product,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::catalog::MEASURES;

    #[test]
    fn every_measure_has_a_form() {
        for measure in MEASURES {
            assert!(formula(measure.key).is_some(), "{}", measure.key);
        }
    }

    #[test]
    fn terms_stand_in_order() {
        for (k, (term, _)) in TERMS.iter().enumerate() {
            assert_eq!(*term as usize, k);
        }
    }
}
