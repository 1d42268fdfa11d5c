//! `[[open_circuit]]`: highest voltage over the dial with nothing connected.

use super::Wiring;
use super::{Entry, Facts, Fault, INTO_LOAD, Profile, StepKind, Table, dial};
use crate::measures::Measure;
use crate::result::Part;
use crate::units::{Unit, for_people};
use crate::verification::judge::{Bench, group, line, series};
use crate::verification::result::GroupResult;
use crate::verification::step::{CaptureNeed, Expectation, Load, Planned, Step, plain};
use serde::Deserialize;

/// `[[open_circuit]]`: highest voltage over the dial with nothing connected.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OpenCircuit {
    /// Identifier.
    pub id: String,
    /// Whether its captures serve no other step, and no other capture serves it.
    #[serde(default)]
    pub own_capture: bool,
    /// Setting of the profile whose output it is.
    pub setting: String,
    /// Part of the record the peak is taken over.
    #[serde(rename = "in")]
    pub part: Option<Part>,
    /// Numbers on the dial, rising.
    pub dials: Vec<f64>,
    /// Expected peak at each of them, V.
    pub expected_v: Option<Vec<f64>>,
    /// Tolerance around it.
    pub tolerance: Option<String>,
    /// Highest peak at any of them, V.
    pub max_v: Option<f64>,
}

pub(super) const FACTS: Facts = Facts {
    title: "open circuit",
    wiring: Wiring::Open,
    own_sequence: false,
    rated: false,
    ..INTO_LOAD
};

impl OpenCircuit {
    /// What is wanted at a number on the dial, in words.
    fn wanted(&self, index: usize) -> String {
        let peak = self.expected_v.as_ref().and_then(|peaks| peaks.get(index));
        let of_peak = peak.zip(self.tolerance.as_ref()).map(|(volt, tolerance)| {
            format!("peak {} ± {tolerance}", for_people(*volt, Unit::Volt))
        });
        let most = self.max_v.map(|volt| format!("peak at most {}", for_people(volt, Unit::Volt)));
        [of_peak, most].into_iter().flatten().collect::<Vec<_>>().join("; ")
    }

    /// Peak that is to be expected, V.
    fn peak_v(&self, index: usize) -> Option<f64> {
        self.expected_v.as_ref().and_then(|peaks| peaks.get(index)).copied().or(self.max_v)
    }
}

impl Entry for OpenCircuit {
    fn id(&self) -> &str {
        &self.id
    }

    fn check(&self, at: &Table, profile: &Profile) -> Result<(), Fault> {
        at.setting(profile, &self.setting)?;
        at.rising("dials", &self.dials, f64::NEG_INFINITY)?;
        let (expected, tolerance) = (&self.expected_v, &self.tolerance);
        at.expected("expected_v", expected.as_deref(), tolerance, &self.dials, Unit::Volt)?;
        at.positive("max_v", self.max_v)?;
        if self.expected_v.is_none() && self.max_v.is_none() {
            return at.fault("id", "give expected_v with a tolerance, or max_v");
        }
        Ok(())
    }

    fn steps(&self, profile: &Profile) -> Vec<Step> {
        let one = |(index, dial): (usize, &f64)| {
            let id = format!("{}-{}", self.id, plain(*dial));
            let step = Planned {
                kind: StepKind::OpenCircuit,
                group: &self.id,
                index,
                id,
                setting: &self.setting,
                dial: Some(*dial),
                load: Some(Load::Open),
                more: "",
                capture: if self.own_capture { CaptureNeed::Own } else { CaptureNeed::Any },
                wanted: self.wanted(index),
                power_w: None,
            }
            .step(profile);
            let expected = self.peak_v(index).map_or(step.expected, Expectation::of_peak);
            Step { expected, ..step }
        };
        self.dials.iter().enumerate().map(one).collect()
    }

    fn judge(&self, bench: &Bench<'_>) -> Option<GroupResult> {
        let part = bench.part(&self.setting, self.part);
        let steps: Vec<&Step> = bench.steps_of(&self.id).collect();
        let expected = self.expected_v.as_deref();
        let (mut lines, mut points, band) =
            dial::over_dial(bench, &steps, (Measure::VoltagePeak, part), expected, &self.tolerance);
        if let Some(limit) = self.max_v {
            for step in &steps {
                let part = bench.output_of(&step.id, part);
                let bounds = (None, Some(limit));
                let judged = bench.judge_one(&step.id, (Measure::VoltagePeak, part), None, bounds);
                if let Some(point) = points.iter_mut().find(|point| point.step == step.id) {
                    point.verdict = point.verdict.max(judged.verdict);
                }
                let what = format!("peak at {}", step.dial.unwrap_or_default());
                lines.push(line(Some(&step.id), "peak_max_v", what, "V", judged));
            }
        }
        let title = format!("{}: open-circuit peak over dial", bench.mode(&self.setting));
        let series = series(("dial", ""), ("open-circuit peak", "V"), band, self.max_v, points);
        Some(group(&self.id, StepKind::OpenCircuit, title, lines, Some(series)))
    }
}
