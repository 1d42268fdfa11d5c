//! What one capture gave, as a job keeps it.

use crate::check::{Finding, LimitResult};
use crate::digest::Sha256;
use crate::estimate::Estimate;
use crate::flag::Flag;
use crate::measures::{Measure, Reason};
use crate::result::{Measurement, Part, PowerFormula, Sketch};
use crate::sheet::{BenchSheet, InstrumentSheet};
use crate::term::Term;
use serde::{Deserialize, Serialize};

/// One measure over one part of a record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct KeptMeasure {
    /// The measure.
    pub measure: Measure,
    /// Part of the record.
    #[serde(rename = "in")]
    pub part: Part,
    /// Value and uncertainty.
    #[serde(flatten)]
    pub estimate: Estimate,
    /// Standard uncertainty without what captures by the same instruments into the same load share:
    /// scales, load, delay, bandwidth, clock and their temperature.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub own_uncertainty: Option<f64>,
    /// Degrees of freedom of that; left out where there is no end to them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub own_freedom: Option<f64>,
    /// The part of it that the load brings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load_uncertainty: Option<f64>,
    /// The part that scale, bandwidth and temperature of the voltage channel bring.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub voltage_uncertainty: Option<f64>,
    /// The same of the current channel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_uncertainty: Option<f64>,
}

/// A measure, or all of a part, that can't be had.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Missing {
    /// The measure; all of them if left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measure: Option<Measure>,
    /// Part of the record.
    #[serde(rename = "in")]
    pub part: Part,
    /// Why.
    pub reason: Reason,
}

/// Correlations that the sheet states.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Correlated {
    /// Of the scales of voltage and current.
    pub voltage_current: f64,
    /// Of the scale of the voltage and the load.
    pub voltage_load: f64,
    /// Of the scale of the current and the load.
    pub current_load: f64,
}

impl KeptMeasure {
    /// Standard uncertainty and degrees of freedom of what is its own: with `shared`, what captures by
    /// the same instruments do not share, else all of it.
    #[must_use]
    pub fn term(&self, shared: bool, same_load: bool) -> Option<super::Term> {
        use super::Term;
        let all = || Some(Term { u: self.estimate.standard_uncertainty?, freedom: self.freedom() });
        if !shared {
            return all();
        }
        match (self.own_uncertainty, self.load_uncertainty) {
            (Some(own), Some(load)) => {
                let own = Term { u: own, freedom: self.own_freedom.unwrap_or(f64::INFINITY) };
                Some(if same_load { own } else { own.and(Term::normal(load)) })
            }
            _ => all(),
        }
    }

    /// Degrees of freedom of its uncertainty.
    #[must_use]
    pub fn freedom(&self) -> f64 {
        self.estimate.coverage.and_then(|c| c.degrees_of_freedom).unwrap_or(f64::INFINITY)
    }
}

/// Change of the power along one activation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    /// Relative change from start to end, by a straight line.
    pub relative: f64,
    /// Standard uncertainty of it.
    pub standard_uncertainty: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Length of the activation, s.
    pub duration_s: f64,
}

/// Times between switch and output, over every press of the record.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SwitchTimes {
    /// Presses.
    pub presses: usize,
    /// Presses without output, and output without a press.
    pub unpaired: usize,
    /// From pressing to the start of its output, s: the longest time.
    pub start_s: Option<f64>,
    /// The shortest of them; below zero where output came before the press.
    pub earliest_s: Option<f64>,
    /// From letting go to the end of output, s: the longest time.
    pub end_s: Option<f64>,
    /// Standard uncertainty of each, s.
    pub standard_uncertainty_s: f64,
}

/// What one capture gave.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CaptureOutcome {
    /// Data file, relative to the job's folder.
    pub file: String,
    /// SHA-256 of the data file; of several, each in turn.
    pub sha256: Vec<Sha256>,
    /// SHA-256 of the sheet as it was used.
    pub sheet_sha256: Sha256,
    /// Version of the program that measured it.
    pub program: String,
    /// KeptMeasure of samples.
    pub samples: u64,
    /// Samples per second.
    pub sample_rate_hz: f64,
    /// Nominal load, ohm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load_ohm: Option<f64>,
    /// Where, when and by whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bench: Option<BenchSheet>,
    /// Instruments.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instrument: Vec<InstrumentSheet>,
    /// SHA-256 of all that the sheet says of instruments, channels and sample rate: captures of one
    /// key share the errors of their scales.
    #[serde(default)]
    pub instruments_key: Option<Sha256>,
    /// SHA-256 of all that the sheet says of the load.
    #[serde(default)]
    pub load_key: Option<Sha256>,
    /// Correlations that the sheet states.
    #[serde(default)]
    pub correlated: Correlated,
    /// Every measure of every part.
    pub numbers: Vec<KeptMeasure>,
    /// What can't be had.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<Missing>,
    /// What is in doubt.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub flags: Vec<Flag>,
    /// What is not as the step says.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
    /// Other settings of the plan whose output it looks like, where it is not that of its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub looks_like: Vec<String>,
    /// By which formula its power was computed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power_by: Option<PowerFormula>,
    /// The setting's own limits, where the step is one of a setting.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub limits: Vec<LimitResult>,
    /// Change along the longest phase of output.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drift: Option<Drift>,
    /// Output against the switch, where a channel follows it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub switch: Option<SwitchTimes>,
    /// What a picture of it shows, where the report has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sketch: Option<Sketch>,
}

/// Terms that captures by the same instruments share, whatever the load.
const SHARED: [Term; 8] = [
    Term::GainV,
    Term::GainI,
    Term::Skew,
    Term::Time,
    Term::ResponseV,
    Term::ResponseI,
    Term::TemperatureV,
    Term::TemperatureI,
];
/// And those that belong to the load.
const OF_LOAD: [Term; 2] = [Term::Load, Term::TemperatureLoad];

/// What the channels themselves bring.
const OF_VOLTAGE: [Term; 3] = [Term::GainV, Term::ResponseV, Term::TemperatureV];
const OF_CURRENT: [Term; 3] = [Term::GainI, Term::ResponseI, Term::TemperatureI];

/// Where an uncertainty comes from; needs the lines of its budget.
struct Shares {
    own: super::Term,
    load: f64,
    voltage: f64,
    current: f64,
}

fn shares(estimate: &Estimate) -> Option<Shares> {
    let (mut own, mut quartic) = (0.0_f64, 0.0_f64);
    let (mut load, mut voltage, mut current) = (0.0_f64, 0.0_f64, 0.0_f64);
    for line in estimate.budget.as_ref()? {
        let square = line.contribution * line.contribution;
        if line.term.is_some_and(|term| OF_LOAD.contains(&term)) {
            load += square;
        } else if line.term.is_some_and(|term| OF_VOLTAGE.contains(&term)) {
            voltage += square;
        } else if line.term.is_some_and(|term| OF_CURRENT.contains(&term)) {
            current += square;
        } else if !line.term.is_some_and(|term| SHARED.contains(&term)) {
            own += square;
            quartic += line.degrees_of_freedom.map_or(0.0, |freedom| square * square / freedom);
        }
    }
    let freedom = if quartic > 0.0 { own * own / quartic } else { f64::INFINITY };
    Some(Shares {
        own: super::Term { u: own.sqrt(), freedom },
        load: load.sqrt(),
        voltage: voltage.sqrt(),
        current: current.sqrt(),
    })
}

impl CaptureOutcome {
    /// Numbers of a measurement; its budgets are used and dropped.
    #[must_use]
    pub fn numbers_of(measurement: &Measurement) -> (Vec<KeptMeasure>, Vec<Missing>) {
        let (mut numbers, mut missing) = (Vec::new(), Vec::new());
        for part in [Part::Whole, Part::Cut, Part::Coag, Part::Rest, Part::Cycle] {
            let set = match measurement.part(part) {
                Ok(set) => set,
                Err(reason) => {
                    missing.push(Missing { measure: None, part, reason });
                    continue;
                }
            };
            for (measure, estimate) in set.iter() {
                let shares = shares(estimate);
                let of = |share: fn(&Shares) -> f64| shares.as_ref().map(share);
                numbers.push(KeptMeasure {
                    measure,
                    part,
                    estimate: Estimate { budget: None, monte_carlo: None, ..estimate.clone() },
                    own_uncertainty: of(|s| s.own.u),
                    own_freedom: of(|s| s.own.freedom).filter(|freedom| freedom.is_finite()),
                    load_uncertainty: of(|s| s.load),
                    voltage_uncertainty: of(|s| s.voltage),
                    current_uncertainty: of(|s| s.current),
                });
            }
            missing.extend(set.missing().map(|(measure, reason)| Missing {
                measure: Some(measure),
                part,
                reason: reason.clone(),
            }));
        }
        (numbers, missing)
    }

    /// A measure over a part.
    ///
    /// # Errors
    /// Why it can't be had.
    pub fn number(&self, measure: Measure, part: Part) -> Result<&KeptMeasure, Reason> {
        let found = self.numbers.iter().find(|n| n.measure == measure && n.part == part);
        found.ok_or_else(|| {
            let of_this = |one: &&Missing| {
                one.part == part && one.measure.is_none_or(|missing| missing == measure)
            };
            let why = self.missing.iter().find(of_this);
            why.map_or(Reason::NotOfCapture, |missing| missing.reason.clone())
        })
    }
}
