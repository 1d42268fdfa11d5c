//! The result of measuring one capture, as it is shown, stored and compared.

mod form;
mod sketch;

pub use form::{Form, FormError};
pub use sketch::{CloseUp, Column, Levels, Panel, Sketch, SketchPhase};

use crate::digest::Sha256;
use crate::estimate::Estimate;
use crate::flag::Flag;
use crate::ingest::Receipt;
use crate::measures::stats::PowerBy;
use crate::measures::{MeasureSet, ReadBudget, Reason};
use crate::segment::{Evidence, Thresholds};
use crate::sheet::{BenchSheet, CorrelationSheet, InstrumentSheet, LoadKind, SubjectSheet};
use crate::trace::{Channel, Kind};
use serde::ser::SerializeMap;
use serde::{Deserialize, Deserializer, Serialize};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// Everything measured on one capture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measurement {
    /// Form of this document.
    pub schema: Form,
    /// The program that made it.
    pub program: Program,
    /// The capture.
    pub capture: CaptureFacts,
    /// Every threshold that shaped the result.
    pub settings: AppliedSettings,
    /// Measures over the whole record.
    pub whole: MeasureSet,
    /// Measures over all phases of a kind.
    pub kinds: Kinds,
    /// The phases in order.
    pub phases: Vec<PhaseResult>,
    /// The repeating sequence.
    pub cycles: CyclesResult,
    /// What is in doubt.
    pub flags: Vec<Flag>,
    /// How the file was read.
    pub receipt: Receipt,
}

/// Name and version of the program.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Program {
    /// Version.
    pub version: Cow<'static, str>,
}

/// The capture as it was read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CaptureFacts {
    /// Data file as it was named.
    pub file: String,
    /// SHA-256 of the data file, where it was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sha256: Option<Sha256>,
    /// Every file that was read, where there are several.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<FileFacts>,
    /// Which record of the file this is, where it holds several.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub record: Option<RecordFacts>,
    /// Time stamp of the first sample, s, where the file has stamps.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub first_stamp_s: Option<f64>,
    /// Number of samples.
    pub samples: u64,
    /// Samples per second.
    pub sample_rate_hz: f64,
    /// Length, s.
    pub duration_s: f64,
    /// Nominal load, ohm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load_ohm: Option<f64>,
    /// Kind of load; `unknown` without a sheet.
    pub load_kind: LoadIs,
    /// How the power was had.
    pub power_by: PowerFormula,
    /// What was on the bench.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<SubjectSheet>,
    /// Where, when and by whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bench: Option<BenchSheet>,
    /// Instruments.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instrument: Vec<InstrumentSheet>,
}

/// What was connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LoadIs {
    /// A resistor.
    Resistor,
    /// Nothing.
    Open,
    /// The sheet does not say.
    Unknown,
}

impl From<Option<LoadKind>> for LoadIs {
    fn from(kind: Option<LoadKind>) -> Self {
        match kind {
            Some(LoadKind::Resistor) => Self::Resistor,
            Some(LoadKind::Open) => Self::Open,
            None => Self::Unknown,
        }
    }
}

/// How the power was had, or why not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum PowerFormula {
    /// Mean of the products of voltage and current.
    #[serde(rename = "mean(v*i)")]
    Product,
    /// By the voltage and the stated load.
    #[serde(rename = "Vrms^2/R with the nominal load: no current channel")]
    Voltage,
    /// By the current and the stated load.
    #[serde(rename = "Irms^2*R with the nominal load: no voltage channel")]
    Current,
    /// None: nothing is connected.
    #[serde(rename = "open circuit: no power is drawn")]
    OpenCircuit,
    /// None: the load is not known.
    #[serde(rename = "one channel and no load resistance: set load.nominal_ohm")]
    NoLoad,
}

impl PowerFormula {
    /// The formula or the reason, in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Product => "mean(v*i)",
            Self::Voltage => "Vrms^2/R with the nominal load: no current channel",
            Self::Current => "Irms^2*R with the nominal load: no voltage channel",
            Self::OpenCircuit => "open circuit: no power is drawn",
            Self::NoLoad => "one channel and no load resistance: set load.nominal_ohm",
        }
    }
}

impl From<PowerBy> for PowerFormula {
    fn from(by: PowerBy) -> Self {
        match by {
            PowerBy::Product => Self::Product,
            PowerBy::Voltage(_) => Self::Voltage,
            PowerBy::Current(_) => Self::Current,
            PowerBy::OpenCircuit => Self::OpenCircuit,
            PowerBy::NoLoad => Self::NoLoad,
        }
    }
}

/// Where the offset of a channel comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum OffsetSource {
    /// The sheet states it.
    #[serde(rename = "sheet")]
    Sheet,
    /// The mean over rest.
    #[serde(rename = "mean over rest")]
    Rest,
    /// Nothing tells it: taken as 0.
    #[serde(rename = "taken as 0: no rest in the record")]
    Nothing,
}

impl OffsetSource {
    /// The words used in files and messages.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Sheet => "sheet",
            Self::Rest => "mean over rest",
            Self::Nothing => "taken as 0: no rest in the record",
        }
    }
}

/// A file that was read, and its hash.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileFacts {
    /// Its path.
    pub file: String,
    /// SHA-256, where it was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sha256: Option<Sha256>,
}

/// One record of a file of several.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecordFacts {
    /// Its number, from 1.
    pub number: usize,
    /// Records in the file.
    pub of: usize,
    /// Its first sample in the file.
    pub first_sample: u64,
}

/// Settings and what was decided from the data: the same plan gives the same result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AppliedSettings {
    /// Share of a burst's peak above which it is on.
    pub duty_threshold: f64,
    /// Thresholds of the segmentation.
    #[serde(flatten)]
    pub thresholds: Thresholds,
    /// How much is read a second time.
    #[serde(flatten)]
    pub budget: ReadBudget,
    /// Scale, offset and delay of the voltage channel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub voltage: Option<ChannelPlan>,
    /// Scale, offset and delay of the current channel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub current: Option<ChannelPlan>,
    /// Sequence by which the phases were named.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected_sequence: Option<Vec<Kind>>,
    /// Correlations that the sheet states between scales and load.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub correlation: Option<CorrelationSheet>,
    /// Probability that a stated interval holds the value.
    pub coverage_probability: f64,
    /// How distributions were simulated, where that was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub monte_carlo: Option<SimulationPlan>,
}

/// How distributions were simulated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SimulationPlan {
    /// Number of draws; left out where it was settled by the outcome.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub draws: Option<u64>,
    /// Seed.
    pub seed: u64,
}

/// Conditioning of one channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelPlan {
    /// Name in the file.
    pub channel: String,
    /// SI units per number in the file.
    pub scale: f64,
    /// Offset that was taken away, in file units.
    pub offset: f64,
    /// Where the offset comes from.
    pub offset_from: OffsetSource,
    /// The channel lags by this, s.
    pub delay_s: f64,
    /// Standard deviation of the noise, V or A.
    pub noise: f64,
}

/// Measures by kind, in the order of [`Kind::ALL`]; only kinds that occur.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Kinds(pub Vec<KindResult>);

impl Kinds {
    /// Measures of one kind.
    #[must_use]
    pub fn get(&self, kind: Kind) -> Option<&KindResult> {
        self.0.iter().find(|result| result.kind == kind)
    }
}

impl Serialize for Kinds {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for kind in &self.0 {
            map.serialize_entry(kind.kind.name(), kind)?;
        }
        map.end()
    }
}

impl<'de> Deserialize<'de> for Kinds {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        struct Body {
            count: usize,
            #[serde(flatten)]
            measures: MeasureSet,
        }
        let all = BTreeMap::<Kind, Body>::deserialize(deserializer)?;
        let of = |(kind, Body { count, measures })| KindResult { kind, count, measures };
        Ok(Self(all.into_iter().map(of).collect()))
    }
}

/// All phases of one kind taken together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct KindResult {
    /// The kind.
    #[serde(skip)]
    pub kind: Kind,
    /// Number of phases.
    pub count: usize,
    /// Measures.
    #[serde(flatten)]
    pub measures: MeasureSet,
}

/// One phase.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PhaseResult {
    /// Kind.
    pub kind: Kind,
    /// Kind by the waveform alone, where the expected sequence names it otherwise.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured_kind: Option<Kind>,
    /// Start, s.
    pub start_s: f64,
    /// End, s.
    pub end_s: f64,
    /// Whether the record begins or ends inside this phase.
    pub cut_off: bool,
    /// Share of its samples that are not valid, where there are any.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub invalid_share: Option<f64>,
    /// What decided the kind.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decided_by: Option<Evidence>,
    /// Measures.
    #[serde(flatten)]
    pub measures: MeasureSet,
}

/// The repeating sequence.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CyclesResult {
    /// Whole cycles.
    pub count: usize,
    /// Length of a cycle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period_s: Option<Estimate>,
    /// Kinds in order.
    pub sequence: Vec<Kind>,
    /// Measures over all whole cycles.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measures: Option<MeasureSet>,
    /// Each whole cycle.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub each: Vec<CycleResult>,
}

/// One cycle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CycleResult {
    /// Start, s.
    pub start_s: f64,
    /// End, s.
    pub end_s: f64,
    /// Measures.
    #[serde(flatten)]
    pub measures: MeasureSet,
}

/// The delay of one channel behind the other.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DelayEstimate {
    /// Form of this document.
    pub schema: Form,
    /// Channel that lags.
    pub lagging: Channel,
    /// By so much, s: what the sheet states and what was found on top of it.
    pub delay_s: f64,
    /// Standard uncertainty, s.
    pub standard_uncertainty_s: f64,
    /// What that leaves out.
    pub missing_terms: Vec<Cow<'static, str>>,
    /// Found on top of what the sheet states; positive where the current lags, s.
    pub further_s: f64,
    /// Carrier, Hz.
    pub carrier_hz: f64,
    /// Stretches of the record it is the mean of.
    pub stretches: u64,
    /// Size of the ratio of voltage and current, ohm.
    pub load_ohm: f64,
    /// Share of the current that does not follow the voltage once the delay is taken away.
    pub residual_share: f64,
}

/// Part of a measurement that a limit speaks of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// The whole record.
    Whole,
    /// All cut phases.
    Cut,
    /// All coag phases.
    Coag,
    /// All rests.
    Rest,
    /// All whole cycles.
    Cycle,
}

impl Part {
    /// The word used in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Whole => "whole",
            Self::Cut => "cut",
            Self::Coag => "coag",
            Self::Rest => "rest",
            Self::Cycle => "cycle",
        }
    }

    /// The kind of phases that it stands for; `None` for the whole record and for cycles.
    #[must_use]
    pub fn kind(self) -> Option<Kind> {
        match self {
            Self::Cut => Some(Kind::Cut),
            Self::Coag => Some(Kind::Coag),
            Self::Rest => Some(Kind::Rest),
            Self::Whole | Self::Cycle => None,
        }
    }
}

impl Measurement {
    /// Measures of a part.
    ///
    /// # Errors
    /// Why there is no such part.
    pub fn part(&self, part: Part) -> Result<&MeasureSet, Reason> {
        let Some(kind) = part.kind() else {
            return match part {
                Part::Cycle => self.cycles.measures.as_ref().ok_or(Reason::NoWholeCycle),
                _ => Ok(&self.whole),
            };
        };
        let found = self.kinds.get(kind).map(|result| &result.measures);
        found.ok_or(match kind {
            Kind::Cut => Reason::NoCut,
            Kind::Coag => Reason::NoCoag,
            Kind::Rest => Reason::NoRest,
        })
    }
}
