//! What a setting really puts out, in neutral electrical terms: cards made from jobs.
//!
//! A [`Card`] holds what was measured at each setting of a unit, by dial and load; [`mod@line`] says it in one
//! line that reads back, [`behaviour`] what the output holds over load, [`compare()`] sets two side by side,
//! [`nearest()`] finds the setting and dial of one unit that come nearest to one of another.
//!
//! Electrical likeness is not tissue likeness: see docs/neutral-terms.md.

pub mod behaviour;
mod candidate;
pub mod compare;
pub mod distance;
pub mod line;
pub mod nearest;
mod quantity;

pub use behaviour::{Behaviour, Held};
pub use compare::{Compared, Comparison, compare};
pub use line::{Line, LineError};
pub use nearest::{Match, Nearest, Uncompared, nearest};
pub use quantity::{Modulation, QUANTITIES, Quantity, part_of};

use crate::digest::Sha256;
use crate::flag::{Code, Effect};
use crate::measures::{Measure, Reason};
use crate::result::{Form, Part, Sketch};
use crate::trace::Kind;
use crate::verification::{
    CaptureOutcome, Correlated, JobResult, KeptMeasure, Load, Missing, StepKind, StepResult,
    UnitFacts,
};
use serde::{Deserialize, Serialize};

/// What a unit puts out at each of its settings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Card {
    /// Form of this document.
    pub schema: Form,
    /// Version of the program that made it.
    pub program: String,
    /// The unit.
    pub unit: UnitFacts,
    /// `as found` or `as left`.
    pub state: String,
    /// Day of the last capture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub day: Option<String>,
    /// SHA-256 of the result it was made from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub result_sha256: Option<Sha256>,
    /// The settings, in the order of the plan.
    pub settings: Vec<SettingCard>,
}

/// What one setting puts out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SettingCard {
    /// Its id in the plan.
    pub id: String,
    /// The unit's own label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mode: Option<String>,
    /// Whether it is a bipolar output: other reference loads.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub bipolar: bool,
    /// Dial and load that the plan states for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dial: Option<f64>,
    /// Load of the setting, ohm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rated_ohm: Option<f64>,
    /// Kinds of its phases, in order.
    pub sequence: Vec<Kind>,
    /// What was captured, by dial; the first of a dial and load counts, the others are repetitions.
    pub points: Vec<Point>,
    /// What a picture of it shows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sketch: Option<Sketch>,
    /// Captures that say nothing about the setting, and why.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<LeftOut>,
    /// What the job found about captures that count.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<LeftOut>,
}

/// A capture that does not count, or about which something was found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeftOut {
    /// Its step.
    pub step: String,
    /// Why.
    pub reason: String,
}

/// One capture of a setting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// Its step in the job.
    pub step: String,
    /// Number on the dial.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dial: Option<f64>,
    /// Load as the sheet states it.
    pub load: Load,
    /// Captures of one key share the errors of their scales.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instruments_key: Option<Sha256>,
    /// Captures of one key share the error of their load.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub load_key: Option<Sha256>,
    /// Correlations that the sheet states.
    #[serde(default)]
    pub correlated: Correlated,
    /// What was measured, of what a card shows.
    pub numbers: Vec<KeptMeasure>,
    /// What can't be had of it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<Missing>,
    /// What is in doubt.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub flags: Vec<Code>,
}

/// What a card says and what it does not; it stands on every sheet and table.
pub const NOT_TISSUE: &str = "Electrical likeness is not tissue likeness. Two units that are each within \
    ±20 % of what they state may differ 1.5 times at one setting. A resistor shows no arc, no spark \
    regulation, and no stop by impedance. Compare the same loads and the same instruments; nothing here is \
    carried on beyond what was measured. This is no clinical setting: the manufacturer's instructions \
    prevail.";

/// Loads on which outputs are told apart, ohm (common practice, no source); beside them the rated load
/// and none at all.
pub const MONOPOLAR_OHM: [f64; 3] = [200.0, 500.0, 2000.0];
/// The same of bipolar outputs.
pub const BIPOLAR_OHM: [f64; 3] = [50.0, 200.0, 1000.0];

/// No bench sees more, in whatever unit.
const MOST: f64 = 1e9;

/// Share by which a load may differ from another and be the same: the tolerance of test loads
/// (IEC 60601-2-2, from memory).
pub const SAME_LOAD: f64 = 0.03;

/// How far two loads are apart, in logarithms; `None` of a load and none at all.
fn apart(a: Load, b: Load) -> Option<f64> {
    match (a, b) {
        (Load::Ohm(a), Load::Ohm(b)) => Some((a / b).ln().abs()),
        (Load::Open, Load::Open) => Some(0.0),
        _ => None,
    }
}

/// Whether two loads are one.
#[must_use]
pub fn same_load(a: Load, b: Load) -> bool {
    apart(a, b).is_some_and(|apart| apart <= SAME_LOAD.ln_1p())
}

/// Codes in the order of their names, each once.
fn each_once(codes: impl IntoIterator<Item = Code>) -> Vec<Code> {
    let mut all: Vec<Code> = codes.into_iter().collect();
    all.sort_by_key(|code| code.name());
    all.dedup();
    all
}

/// Measures that a card keeps.
const KEPT: &[Measure] = &[
    Measure::Power,
    Measure::Energy,
    Measure::VoltageRms,
    Measure::CurrentRms,
    Measure::VoltagePeak,
    Measure::CurrentPeak,
    Measure::CrestFactor,
    Measure::DutyCycle,
    Measure::DutyCycleEquivalent,
    Measure::BurstRate,
    Measure::BurstEnergy,
    Measure::Fundamental,
    Measure::Duration,
    Measure::PowerOneSecond,
    Measure::OnsetBoost,
    Measure::RippleDepth,
    Measure::RippleRate,
    Measure::Load,
];

impl Card {
    /// The card of a job's unit: every capture of its settings into a load or into nothing; leakage, timing
    /// and readings by hand are no part of it.
    #[must_use]
    pub fn of(job: &JobResult) -> Self {
        let of_setting = |id: &str| {
            let steps = job.steps.iter().filter(move |step| step.setting.as_deref() == Some(id));
            let (mut points, mut left_out, mut findings) = (Vec::new(), Vec::new(), Vec::new());
            for step in steps.filter(|step| step.kind.facts().shows_output) {
                match step.capture.as_deref() {
                    Some(capture) => match blocked(step, capture) {
                        None => {
                            points.push((step.kind == StepKind::Setting, Point::of(step, capture)));
                            findings.extend(found(step, capture));
                        }
                        Some(reason) => left_out.push(LeftOut { step: step.id.clone(), reason }),
                    },
                    None => left_out
                        .push(LeftOut { step: step.id.clone(), reason: "not captured".into() }),
                }
            }
            // Of twins the setting's own capture counts, the others are repetitions.
            points.sort_by(|(own, a): &(bool, Point), (other, b)| {
                let dial = |one: &Point| one.dial.unwrap_or(f64::MAX);
                dial(a)
                    .total_cmp(&dial(b))
                    .then(other.cmp(own))
                    .then(ohm(a.load).total_cmp(&ohm(b.load)))
            });
            let points: Vec<Point> = points.into_iter().map(|(_, point)| point).collect();
            (points, left_out, findings)
        };
        let settings = job.plan.settings.iter().map(|setting| {
            let (points, left_out, findings) = of_setting(&setting.id);
            let sequence = match setting.sequence.as_slice() {
                [] => seen(&points),
                stated => stated.to_vec(),
            };
            SettingCard {
                id: setting.id.clone(),
                mode: setting.mode.clone(),
                bipolar: setting.bipolar,
                dial: setting.dial,
                rated_ohm: setting.load_ohm,
                sequence,
                sketch: sketch_of(job, &setting.id),
                points,
                left_out,
                findings,
            }
        });
        Self {
            schema: Form::Card,
            program: env!("CARGO_PKG_VERSION").into(),
            unit: job.job.unit.clone(),
            state: job.job.state.clone(),
            day: job.job.last_day.clone(),
            result_sha256: job.seal,
            settings: settings.collect(),
        }
    }

    /// Name of the unit, with its serial number where there is one.
    #[must_use]
    pub fn name(&self) -> String {
        let model = self.unit.model.clone().unwrap_or_else(|| "unknown unit".into());
        let name = match &self.unit.serial {
            Some(serial) => format!("{model} {serial}"),
            None => model,
        };
        crate::keyfile::shown_plainly(&name)
    }

    /// What of it no bench can have measured: of a card that was written by hand.
    #[must_use]
    pub fn fault(&self) -> Option<String> {
        let mut ids: Vec<&str> = self.settings.iter().map(|one| one.id.as_str()).collect();
        ids.sort_unstable();
        if let Some(pair) = ids.windows(2).find(|pair| pair[0] == pair[1]) {
            return Some(format!("the setting {} stands there twice", pair[0]));
        }
        self.settings.iter().find_map(|setting| {
            let fault = setting.points.iter().find_map(Point::fault)?;
            Some(format!("setting {}: {fault}", setting.id))
        })
    }

    /// Whether both are of one unit at one time.
    #[must_use]
    pub fn is_same(&self, other: &Self) -> bool {
        self.unit == other.unit && self.result_sha256 == other.result_sha256
    }

    /// The setting of this id.
    #[must_use]
    pub fn setting(&self, id: &str) -> Option<&SettingCard> {
        self.settings.iter().find(|setting| setting.id == id)
    }
}

/// The picture that the job has of a setting.
fn sketch_of(job: &JobResult, setting: &str) -> Option<Sketch> {
    let of_setting = |step: &str| {
        let step = job.steps.iter().find(|one| one.id == step);
        step.is_some_and(|one| {
            one.setting.as_deref() == Some(setting) && one.kind.facts().shows_output
        })
    };
    Some(job.waveforms.iter().find(|wave| of_setting(&wave.step))?.sketch.clone())
}

/// Why a capture says nothing about its setting.
fn blocked(step: &StepResult, capture: &CaptureOutcome) -> Option<String> {
    let findings = step.findings.iter().chain(&capture.findings);
    findings.filter(|finding| finding.blocks()).map(|finding| finding.message.clone()).next()
}

/// What was found about a capture that counts.
fn found(step: &StepResult, capture: &CaptureOutcome) -> Vec<LeftOut> {
    let findings = step.findings.iter().chain(&capture.findings);
    let about = findings.filter(|finding| finding.at_best.is_some());
    let mut all: Vec<LeftOut> = about
        .map(|finding| LeftOut { step: step.id.clone(), reason: finding.message.clone() })
        .collect();
    all.dedup();
    all
}

/// Kinds of phases of a setting whose plan names none: those that were seen; a rest counts in cycles.
fn seen(points: &[Point]) -> Vec<Kind> {
    let Some(point) = points.iter().find(|point| point.is_loaded()) else { return Vec::new() };
    let there = |kind: &Kind| {
        let had = |part| point.numbers.iter().any(|one| one.part == part);
        had(part_of(*kind)) && (kind.powered() || had(Part::Cycle))
    };
    [Kind::Cut, Kind::Coag, Kind::Rest].into_iter().filter(there).collect()
}

/// Load for sorting: nothing comes last.
fn ohm(load: Load) -> f64 {
    match load {
        Load::Ohm(ohm) => ohm,
        Load::Open => f64::INFINITY,
    }
}

impl Point {
    fn of(step: &StepResult, capture: &CaptureOutcome) -> Self {
        // What the sheet states of the load prevails over the plan.
        let load = match (capture.load_ohm, step.load) {
            (_, Some(Load::Open)) | (None, None) => Load::Open,
            (Some(ohm), _) => Load::Ohm(ohm),
            (None, Some(planned)) => planned,
        };
        let kept = |measure: Option<Measure>| measure.is_none_or(|one| KEPT.contains(&one));
        Self {
            step: step.id.clone(),
            dial: step.dial,
            load,
            // Of instruments that nobody names none is known to be the same as another.
            instruments_key: capture.instruments_key.filter(|_| !capture.instrument.is_empty()),
            load_key: capture.load_key,
            correlated: capture.correlated,
            numbers: capture
                .numbers
                .iter()
                .filter(|one| kept(Some(one.measure)))
                .cloned()
                .collect(),
            missing: capture.missing.iter().filter(|one| kept(one.measure)).cloned().collect(),
            flags: capture.flags.iter().map(|flag| flag.code).collect(),
        }
    }

    /// A measure over a part; one that a flag leaves no ground for is none.
    ///
    /// # Errors
    /// Why it can't be had.
    pub fn had(&self, measure: Measure, part: Part) -> Result<&KeptMeasure, Reason> {
        let blocks = |code: &Code| code.row().effect == Effect::Blocks && code.touches(measure);
        if self.flags.iter().any(blocks) {
            return Err(Reason::NotTold);
        }
        let found = self.numbers.iter().find(|one| one.measure == measure && one.part == part);
        found.ok_or_else(|| {
            let of_this = |one: &&Missing| {
                one.part == part && one.measure.is_none_or(|missing| missing == measure)
            };
            let why = self.missing.iter().find(of_this);
            why.map_or(Reason::NotOfCapture, |missing| missing.reason.clone())
        })
    }

    /// Flags that put a measure in doubt without taking its ground away.
    pub fn doubts(&self) -> impl Iterator<Item = Code> + '_ {
        self.flags.iter().copied().filter(|code| code.row().effect != Effect::Notes)
    }

    /// Whether a cycle lies wholly in the capture: only then are the lengths of phases those of the setting.
    #[must_use]
    pub fn has_whole_cycle(&self) -> bool {
        self.had(Measure::Duration, Part::Cycle).is_ok()
    }

    /// What no bench can have measured.
    fn fault(&self) -> Option<String> {
        let bad = |what: &str, value: f64| Some(format!("{what} of {value} in {}", self.step));
        if let Load::Ohm(ohm) = self.load
            && !(ohm.is_finite() && ohm > 0.0 && ohm <= MOST)
        {
            return bad("a load", ohm);
        }
        if let Some(dial) = self.dial.filter(|dial| !(dial.is_finite() && dial.abs() <= MOST)) {
            return bad("a dial", dial);
        }
        let Correlated { voltage_current, voltage_load, current_load } = self.correlated;
        let correlations = [voltage_current, voltage_load, current_load];
        if let Some(r) = correlations.into_iter().find(|r| !(-1.0..=1.0).contains(r)) {
            return bad("a correlation", r);
        }
        self.numbers.iter().find_map(|one| {
            let value = one.estimate.value;
            let parts = [
                one.estimate.standard_uncertainty,
                one.estimate.expanded(),
                one.own_uncertainty,
                one.load_uncertainty,
                one.voltage_uncertainty,
                one.current_uncertainty,
            ];
            if let Some(u) = parts.into_iter().flatten().find(|u| !(u.is_finite() && *u >= 0.0)) {
                return bad(&format!("an uncertainty of {}", one.measure.key()), u);
            }
            let within = match one.measure {
                Measure::CrestFactor => value >= 0.999,
                Measure::DutyCycle => (0.0..=1.001).contains(&value),
                // Power may flow the other way: that is told, not refused.
                Measure::Power | Measure::Energy | Measure::Load => true,
                _ => value >= 0.0,
            };
            let finite = value.is_finite() && value.abs() <= MOST;
            if within && finite { None } else { bad(one.measure.key(), value) }
        })
    }

    /// Whether the load is a resistor.
    #[must_use]
    pub fn is_loaded(&self) -> bool {
        matches!(self.load, Load::Ohm(_))
    }
}

impl SettingCard {
    /// Points of different dials and loads; repetitions are left out.
    pub fn distinct(&self) -> impl Iterator<Item = &Point> {
        self.points.iter().enumerate().filter_map(|(k, point)| {
            let twin =
                |other: &Point| other.dial == point.dial && same_load(other.load, point.load);
            (!self.points[..k].iter().any(twin)).then_some(point)
        })
    }

    /// The point at a dial and load, where one was captured.
    #[must_use]
    pub fn point(&self, dial: Option<f64>, load: Load) -> Option<&Point> {
        self.points.iter().find(|point| point.dial == dial && same_load(point.load, load))
    }

    /// Other captures of the dial and load of a point.
    pub fn repetitions<'a>(&'a self, of: &'a Point) -> impl Iterator<Item = &'a Point> {
        self.points.iter().filter(move |other| {
            !std::ptr::eq(*other, of) && other.dial == of.dial && same_load(other.load, of.load)
        })
    }

    /// The points of one dial into loads, by load.
    #[must_use]
    pub fn over_load(&self, dial: Option<f64>) -> Vec<&Point> {
        let of_dial = self.distinct().filter(|point| point.dial == dial && point.is_loaded());
        let mut points: Vec<&Point> = of_dial.collect();
        points.sort_by(|a, b| ohm(a.load).total_cmp(&ohm(b.load)));
        points
    }

    /// The dials at which something was captured, ascending.
    #[must_use]
    pub fn dials(&self) -> Vec<f64> {
        let mut all: Vec<f64> = self.points.iter().filter_map(|point| point.dial).collect();
        all.sort_by(f64::total_cmp);
        all.dedup();
        all
    }

    /// The dial that the plan states, or else the highest that was captured.
    #[must_use]
    pub fn own_dial(&self) -> Option<f64> {
        self.dial.or_else(|| self.dials().last().copied())
    }

    /// The point of a dial whose load is next to `ohm`; the lowest load where none is asked for.
    #[must_use]
    pub fn near(&self, dial: Option<f64>, ohm: Option<f64>) -> Option<&Point> {
        let off = |point: &&Point| match ohm {
            Some(ohm) => apart(point.load, Load::Ohm(ohm)).unwrap_or(f64::INFINITY),
            None => 0.0,
        };
        self.over_load(dial).into_iter().min_by(|a, b| off(a).total_cmp(&off(b)))
    }

    /// The part that its output stands for: its kind where it has one kind of output, else the cycle.
    #[must_use]
    pub fn part(&self) -> Part {
        let powered: Vec<Kind> =
            self.sequence.iter().copied().filter(|kind| kind.powered()).collect();
        match powered.as_slice() {
            [Kind::Cut] if self.sequence.len() == 1 => Part::Cut,
            [Kind::Coag] if self.sequence.len() == 1 => Part::Coag,
            [] => Part::Whole,
            _ => Part::Cycle,
        }
    }

    /// Kinds of its phases, each once, in order.
    #[must_use]
    pub fn kinds(&self) -> Vec<Kind> {
        let mut kinds: Vec<Kind> = Vec::new();
        for kind in &self.sequence {
            if !kinds.contains(kind) {
                kinds.push(*kind);
            }
        }
        kinds
    }

    /// Reference loads that were not captured at the setting's own dial.
    #[must_use]
    pub fn not_captured(&self) -> Vec<Load> {
        let reference = if self.bipolar { BIPOLAR_OHM } else { MONOPOLAR_OHM };
        let wanted = reference.into_iter().chain(self.rated_ohm).map(Load::Ohm);
        let mut missing: Vec<Load> = Vec::new();
        for load in wanted.chain([Load::Open]) {
            let there = self.point(self.dial, load).is_some();
            if !there && !missing.iter().any(|known| same_load(*known, load)) {
                missing.push(load);
            }
        }
        missing.sort_by(|a, b| ohm(*a).total_cmp(&ohm(*b)));
        missing
    }
}
