//! The measurement model: every measure as a function of what it hangs on.

use super::budget::{Model, Real};
use crate::measures::catalog::{Formula, Measure};
use crate::measures::stats::{IntervalStats, PowerBy};
use crate::term::{TERM_COUNT, Term};
use crate::trace::{Channel, PerChannel};

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
    pub squares: PerChannel<f64>,
    /// Means, V and A.
    pub means: PerChannel<f64>,
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
    /// Model of a measure, read as `value`, over `stats`.
    #[must_use]
    pub fn of(measure: Measure, value: f64, stats: &IntervalStats) -> Self {
        let moments = &stats.moments;
        let hz = stats.carrier.and_then(|carrier| carrier.frequency()).unwrap_or(0.0);
        Self {
            formula: measure.row().formula,
            value,
            power_by: stats.power_by,
            squares: stats.squares(),
            means: PerChannel { voltage: moments.mean_v, current: moments.mean_i },
            product: moments.mean_product().unwrap_or(0.0),
            peak_v: stats.peaks_v.map_or(0.0, |peaks| peaks.largest()),
            leading: if stats.channels.voltage { Channel::Voltage } else { Channel::Current },
            impedance: stats.carrier.and_then(|c| c.impedance()).unwrap_or((1.0, 0.0)),
            omega: std::f64::consts::TAU * hz,
            total_s: stats.total_s(),
        }
    }
}

/// Input `term`.
fn at<D: Real>(x: &[D; TERM_COUNT], term: Term) -> D {
    x[term as usize]
}

/// What the reading of a side has to be multiplied with.
fn gain<D: Real>(x: &[D; TERM_COUNT], side: Channel) -> D {
    match side {
        Channel::Voltage => at(x, Term::GainV) * at(x, Term::ResponseV) * at(x, Term::TemperatureV),
        Channel::Current => at(x, Term::GainI) * at(x, Term::ResponseI) * at(x, Term::TemperatureI),
    }
}

impl MeasureModel {
    /// Mean square of a side: offset, noise and edges set right.
    fn square<D: Real>(&self, x: &[D; TERM_COUNT], side: Channel) -> D {
        let (raw, mean, offset, noise, bias) = match side {
            Channel::Voltage => {
                (self.squares.voltage, self.means.voltage, Term::OffsetV, Term::NoiseV, Term::BiasV)
            }
            Channel::Current => {
                (self.squares.current, self.means.current, Term::OffsetI, Term::NoiseI, Term::BiasI)
            }
        };
        let (o, g) = (at(x, offset), gain(x, side));
        let square = o * o - o * (2.0 * mean) + at(x, noise) - at(x, bias) + raw;
        square * g * g * at(x, Term::Edges) * at(x, Term::Repeat)
    }

    fn power<D: Real>(&self, x: &[D; TERM_COUNT]) -> D {
        let load = |ohm: f64| at(x, Term::Load) * at(x, Term::TemperatureLoad) * ohm;
        match self.power_by {
            PowerBy::Voltage(ohm) => self.square(x, Channel::Voltage) / load(ohm),
            PowerBy::Current(ohm) => self.square(x, Channel::Current) * load(ohm),
            PowerBy::Product | PowerBy::OpenCircuit | PowerBy::NoLoad => {
                // A current that lags by d more than was taken away is a phase of w d more: P turns
                // into P cos(w d) + Q sin(w d), with Q = P X / R of the fundamental.
                let turn = at(x, Term::Skew) * self.omega;
                let (resistance, reactance) = self.impedance;
                let reactive =
                    if resistance == 0.0 { 0.0 } else { self.product * reactance / resistance };
                let (v, i) = (at(x, Term::OffsetV), at(x, Term::OffsetI));
                let offset = v * i - v * self.means.current - i * self.means.voltage;
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
    fn impedance<D: Real>(&self, x: &[D; TERM_COUNT]) -> (D, D) {
        let turn = at(x, Term::Skew) * self.omega;
        let (cos, sin) = (turn.cos(), turn.sin());
        let (r, q) = self.impedance;
        let ratio = gain(x, Channel::Voltage) / gain(x, Channel::Current);
        ((cos * r + sin * q) * ratio, (cos * q - sin * r) * ratio)
    }

    /// Largest |v|.
    fn crest_height<D: Real>(&self, x: &[D; TERM_COUNT]) -> D {
        let height = at(x, Term::PeakV) + at(x, Term::Between) - at(x, Term::OffsetV) + self.peak_v;
        height * gain(x, Channel::Voltage)
    }
}

impl Model<TERM_COUNT> for MeasureModel {
    fn value<D: Real>(&self, x: &[D; TERM_COUNT]) -> D {
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
                    Channel::Voltage => (self.means.voltage, Term::OffsetV),
                    Channel::Current => (self.means.current, Term::OffsetI),
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
            PowerBy::Voltage(ohm) => self.squares.voltage / ohm,
            PowerBy::Current(ohm) => self.squares.current * ohm,
            PowerBy::Product | PowerBy::OpenCircuit | PowerBy::NoLoad => self.product,
        }
    }
}
