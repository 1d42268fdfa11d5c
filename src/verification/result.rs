//! The result of a job, as it is shown, stored and compared: the model of every report.

use super::entries::StepKind;
use super::reading::ManualReading;
use super::step::Load;
use crate::check::{Finding, Judged, Verdict};
use crate::digest::Sha256;
use crate::result::{Form, Part, Sketch};
use crate::sheet::{BenchSheet, InstrumentSheet};
use crate::trace::Kind;
use crate::verification::outcome::CaptureOutcome;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// A whole verification.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct JobResult {
    /// Form of this document.
    pub schema: Form,
    /// SHA-256 of this document without this field; tells whether it was changed since.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seal: Option<Sha256>,
    /// Version of the program that judged it.
    pub program: String,
    /// The worst verdict.
    pub verdict: Verdict,
    /// The unit, people and place.
    pub job: JobFacts,
    /// The plan it was judged by.
    pub plan: PlanFacts,
    /// Steps by state.
    pub counts: Counts,
    /// What was judged, entry by entry of the plan.
    pub groups: Vec<GroupResult>,
    /// Each step and its capture.
    pub steps: Vec<StepResult>,
    /// Readings by hand as they were typed; of several of one step the last counts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub readings: Vec<ManualReading>,
    /// What is not as it should be with the job as a whole.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
    /// Against the job before the service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_found: Option<super::Change>,
    /// Pictures of the captures of settings.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub waveforms: Vec<Waveform>,
}

/// The unit, people and place.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct JobFacts {
    /// The unit.
    pub unit: UnitFacts,
    /// `as found` or `as left`.
    pub state: String,
    /// Why it was verified.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// What the report states beside the results.
    #[serde(default)]
    pub report: ReportFacts,
    /// What was changed after a report was issued.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub amendments: Vec<Amendment>,
    /// Who, by role.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub people: Vec<Person>,
    /// Where, and in which air.
    pub bench: BenchSheet,
    /// Instruments of all captures, each once.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instruments: Vec<InstrumentSheet>,
    /// Day of the first capture or reading.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub first_day: Option<String>,
    /// Day of the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_day: Option<String>,
    /// Day on which the next verification is due.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next_due: Option<String>,
}

/// What a report under ISO/IEC 17025:2017, 7.8, states beside the results; `[report]` of a job.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReportFacts {
    /// Number of this report, unique in the laboratory (7.8.2.1 d).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub number: Option<String>,
    /// Name of the laboratory (7.8.2.1 b).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub laboratory: Option<String>,
    /// Its address.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// Its country, two letters of ISO 3166-1; a digital certificate states it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub country: Option<String>,
    /// Department the unit belongs to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub department: Option<String>,
    /// Name and contact of the customer (7.8.2.1 e).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub customer: Option<String>,
    /// Method and its issue (7.8.2.1 f).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub method: Option<String>,
    /// Condition of the unit (7.8.2.1 g).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub condition: Option<String>,
    /// Day on which the unit was received (7.8.2.1 h).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub received_on: Option<String>,
    /// Day of issue of the report (7.8.2.1 j).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub issued_on: Option<String>,
    /// Additions to, deviations from, exclusions of the method (7.8.2.1 n); `none` where there are none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deviations: Option<String>,
    /// Specification that is met or not (7.8.6.2 b).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub specification: Option<String>,
    /// With whom, and when, the decision rule was agreed (7.1.3).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rule_agreed: Option<String>,
    /// Who authorises the report (7.8.2.1 o), which is not the release to service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub authorised_by: Option<String>,
    /// Number of the report that this one amends or replaces (7.8.8).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub amends: Option<String>,
}

/// `[[amendment]]` of a job: what was changed after a report was issued (7.5.2).
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Amendment {
    /// When, a day or an RFC 3339 time.
    pub at: String,
    /// By whom.
    pub by: String,
    /// Why.
    pub reason: String,
    /// What it said before.
    pub old: String,
    /// What it says now.
    pub new: String,
}

/// The unit that is verified; `[unit]` of a job.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnitFacts {
    /// Model.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// Serial number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Inventory number of the house.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inventory: Option<String>,
}

/// Someone by role.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// What they do in this job.
    pub role: String,
    /// Name or initials.
    pub name: String,
}

/// The plan a job was judged by.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanFacts {
    /// File of the profile.
    pub file: String,
    /// SHA-256 of it.
    pub sha256: String,
    /// Decision rule in words.
    pub rule: String,
    /// Whether it keeps a guard band.
    #[serde(default)]
    pub guarded: bool,
    /// Where loads and limits come from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub basis: Option<String>,
    /// The settings, as the unit and the plan name them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub settings: Vec<SettingFacts>,
    /// Changes of the plan that were accepted during the job: when, why, what.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<String>,
}

/// A setting as the plan names it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SettingFacts {
    /// Its id.
    pub id: String,
    /// The unit's own label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mode: Option<String>,
    /// Number on the dial.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dial: Option<f64>,
    /// Load at which its limits hold, ohm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub load_ohm: Option<f64>,
    /// Whether it is a bipolar output.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub bipolar: bool,
    /// Expected phases, repeating.
    pub sequence: Vec<Kind>,
}

/// Steps by state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// All.
    pub steps: usize,
    /// Pass.
    pub pass: usize,
    /// Neither pass nor fail.
    pub doubtful: usize,
    /// Fail.
    pub fail: usize,
    /// Nothing captured or read.
    pub missing: usize,
    /// Of the doubtful ones: claimed by more than one capture.
    pub repeated: usize,
}

/// One number against its limits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Step it belongs to; none where it is of several captures together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<String>,
    /// Key of what is judged: a measure, `monotonic`, `flatness`, ...
    pub measure: String,
    /// Part of the record, where it is a measure of one.
    #[serde(rename = "in", default, skip_serializing_if = "Option::is_none")]
    pub part: Option<Part>,
    /// What is judged, in words.
    pub what: String,
    /// Unit of value and bounds; empty for ratios.
    pub unit: String,
    /// Answer or note in words, where there is no number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Steps whose captures it rests on, where it is of several and not of all of its entry.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub of: Vec<String>,
    /// Whether it is a remark, and nothing is judged.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub remark: bool,
    /// Value, bounds and verdict.
    #[serde(flatten)]
    pub judged: Judged,
}

/// One entry of the plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GroupResult {
    /// Its id.
    pub id: String,
    /// What kind of entry it is.
    pub kind: GroupKind,
    /// What it is, in words.
    pub title: String,
    /// The worst verdict of its lines and of its steps.
    pub verdict: Verdict,
    /// What was judged.
    pub lines: Vec<Line>,
    /// What is drawn, where it is a curve.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub series: Option<Series>,
    /// Source resistance, where the entry is a power curve.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<SourceFit>,
    /// What is to be known beside the verdicts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
}

/// Kind of an entry; that of its steps, or the whole job.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum GroupKind {
    /// That of its steps.
    Of(StepKind),
    /// Over all captures.
    Job(JobWide),
}

/// Over all captures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum JobWide {
    /// Over all captures.
    AllCaptures,
}

impl From<StepKind> for GroupKind {
    fn from(kind: StepKind) -> Self {
        Self::Of(kind)
    }
}

impl From<JobWide> for GroupKind {
    fn from(wide: JobWide) -> Self {
        Self::Job(wide)
    }
}

/// Points of a curve and what was expected.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Series {
    /// Name of the axis: `load` or `dial`.
    pub x: String,
    /// Unit of the axis.
    pub x_unit: String,
    /// Name of what is drawn.
    pub y: String,
    /// Unit of it.
    pub y_unit: String,
    /// Expected value with its lower and upper bound, along the axis.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub expected: Vec<[f64; 4]>,
    /// A bound along the whole axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<f64>,
    /// What was measured.
    pub points: Vec<CurvePoint>,
}

/// A measured point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Place on the axis.
    pub x: f64,
    /// Value.
    pub y: f64,
    /// Expanded uncertainty of it, where it is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expanded_uncertainty: Option<f64>,
    /// Its verdict.
    pub verdict: Verdict,
    /// Its step.
    pub step: String,
}

/// A voltage behind a resistance that gives the measured curve best.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SourceFit {
    /// RMS voltage of the source, V.
    pub voltage_v: f64,
    /// Expanded uncertainty of it, V.
    pub voltage_expanded_uncertainty_v: f64,
    /// Resistance of the source, ohm.
    pub resistance_ohm: f64,
    /// Expanded uncertainty of it, ohm.
    pub resistance_expanded_uncertainty_ohm: f64,
    /// Largest relative distance of a point's power from the fitted curve.
    pub worst_residual: f64,
    /// Whether the curve is one of a source behind a resistance: every power within 5 % of it.
    pub fits: bool,
}

/// How a step stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StepState {
    /// Captured or read, once.
    Done,
    /// Nothing there.
    Missing,
    /// Claimed by more than one capture.
    Repeated,
    /// A capture is there but can't be used.
    Unreadable,
}

/// One step and what was captured or read for it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StepResult {
    /// Its id.
    pub id: String,
    /// Id of the plan's entry.
    pub group: String,
    /// Kind.
    pub kind: StepKind,
    /// What to do, in words.
    pub what: String,
    /// Setting.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub setting: Option<String>,
    /// Number on the dial.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dial: Option<f64>,
    /// Load as planned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load: Option<Load>,
    /// Step whose capture it takes, where it has none of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shares: Option<String>,
    /// How it stands.
    pub state: StepState,
    /// The worst of its own lines and findings.
    pub verdict: Verdict,
    /// What is not as it should be.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
    /// What was captured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capture: Option<Arc<CaptureOutcome>>,
    /// Captures that were set aside, with the reason.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub set_aside: Vec<(String, String)>,
}

/// A picture of one capture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Waveform {
    /// Step it belongs to.
    pub step: String,
    /// What it shows.
    pub title: String,
    /// What it draws.
    pub sketch: Sketch,
}
