//! The verification plan that a profile can hold beside its settings: what is to be captured and
//! read, and what must come out.

use super::Decision;
use crate::result::Part;
use serde::Deserialize;

/// `[plan]`: what holds for the whole verification.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanHead {
    /// Where loads and limits come from, as it is to stand in the report.
    pub basis: Option<String>,
    /// Longest activation, s; 10 if left out.
    pub on_s: Option<f64>,
    /// Shortest pause after it, s; 30 if left out.
    pub off_s: Option<f64>,
    /// Months until the next verification is due.
    pub interval_months: Option<u32>,
    /// Largest power averaged over any 1 s, over all captures, W.
    pub power_1s_max_w: Option<f64>,
}

impl PlanHead {
    /// Longest activation and shortest pause, s: 10 and 30 (common practice, no source) unless
    /// stated.
    #[must_use]
    pub fn duty_s(&self) -> (f64, f64) {
        (self.on_s.unwrap_or(10.0), self.off_s.unwrap_or(30.0))
    }
}

/// `[[curve]]`: power over load at one setting.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Curve {
    /// Identifier, unique among everything that is judged.
    pub id: String,
    /// Setting of the profile whose output it is.
    pub setting: String,
    /// Number on the dial, where it is not the setting's.
    pub dial: Option<f64>,
    /// Part of the record the power is taken over; left out: all output of the setting's kind.
    #[serde(rename = "in")]
    pub part: Option<Part>,
    /// Loads, ohm, rising.
    pub loads_ohm: Vec<f64>,
    /// Expected power at each of them, W.
    pub expected_w: Vec<f64>,
    /// Tolerance around the expected power at the load as measured.
    pub tolerance: String,
    /// Below this expected power the tolerance is not applied, W.
    pub applies_from_w: Option<f64>,
    /// Load at which the unit is to put out most, ohm.
    pub rated_load_ohm: Option<f64>,
    /// Share by which another load may take more power than the rated one; 5 % unless stated.
    pub rated_load_tolerance: Option<f64>,
    /// Flatness: `max / min - 1` of the power between `flat_from_ohm` and `flat_to_ohm` is at most
    /// this.
    pub flatness: Option<f64>,
    /// Lowest load of the flat stretch, ohm.
    pub flat_from_ohm: Option<f64>,
    /// Highest load of the flat stretch, ohm.
    pub flat_to_ohm: Option<f64>,
    /// Resistance of the source that the curve is to have, ohm, at least.
    pub source_ohm_min: Option<f64>,
    /// And at most.
    pub source_ohm_max: Option<f64>,
}

impl Curve {
    /// Lowest and highest load of the flat stretch, ohm.
    #[must_use]
    pub fn flat_stretch(&self) -> (f64, f64) {
        (self.flat_from_ohm.unwrap_or(0.0), self.flat_to_ohm.unwrap_or(f64::INFINITY))
    }
}

/// `[[ladder]]`: power over the dial at one load.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ladder {
    /// Identifier.
    pub id: String,
    /// Setting of the profile whose output it is.
    pub setting: String,
    /// Part of the record the power is taken over.
    #[serde(rename = "in")]
    pub part: Option<Part>,
    /// Load, ohm; the setting's if left out.
    pub load_ohm: Option<f64>,
    /// Numbers on the dial, rising.
    pub dials: Vec<f64>,
    /// Expected power at each of them, W.
    pub expected_w: Option<Vec<f64>>,
    /// Tolerance around it.
    pub tolerance: Option<String>,
    /// Whether the power must never rise when the dial is lowered; yes if left out.
    pub monotonic: Option<bool>,
    /// Largest power at the lowest number, W.
    pub lowest_max_w: Option<f64>,
    /// The same as a share of `rated_w`; the smaller of both counts.
    pub lowest_share: Option<f64>,
    /// Rated power, W.
    pub rated_w: Option<f64>,
}

impl Ladder {
    /// Most power at the lowest number, W.
    #[must_use]
    pub fn lowest_limit_w(&self) -> Option<f64> {
        let share = self.lowest_share.zip(self.rated_w).map(|(share, rated)| share * rated);
        match (self.lowest_max_w, share) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }
}

/// `[[open_circuit]]`: highest voltage over the dial with nothing connected.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OpenCircuit {
    /// Identifier.
    pub id: String,
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

/// `[[hf_leakage]]`: HF current through a resistance to earth.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HfLeakage {
    /// Identifier.
    pub id: String,
    /// Setting of the profile that is activated.
    pub setting: String,
    /// From where to where, in words.
    pub path: String,
    /// Number on the dial, where it is not the setting's.
    pub dial: Option<f64>,
    /// Resistance it flows through, ohm.
    pub load_ohm: f64,
    /// Largest current (RMS), A.
    pub max_a: Option<f64>,
    /// Or: largest share of the rated power into that resistance.
    pub share_of_rated: Option<f64>,
    /// Rated power, W, that goes with it.
    pub rated_w: Option<f64>,
}

impl HfLeakage {
    /// Largest current, A: stated, or that of a share of the rated power, sqrt(share P / R).
    #[must_use]
    pub fn limit_a(&self) -> Option<f64> {
        self.max_a.or_else(|| {
            let power = self.share_of_rated? * self.rated_w?;
            Some((power / self.load_ohm).sqrt())
        })
    }
}

/// `[[repeat]]`: the same activation several times.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Repeat {
    /// Identifier.
    pub id: String,
    /// Setting of the profile that is activated.
    pub setting: String,
    /// Part of the record the power is taken over.
    #[serde(rename = "in")]
    pub part: Option<Part>,
    /// Load, ohm; the setting's if left out.
    pub load_ohm: Option<f64>,
    /// Number of activations.
    pub count: usize,
    /// Largest relative standard deviation of the power.
    pub spread: Option<f64>,
    /// Largest relative change of the power from the start to the end of one activation.
    pub drift: Option<f64>,
}

/// `[[timing]]`: output against the switch.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Timing {
    /// Identifier.
    pub id: String,
    /// Setting of the profile that is activated.
    pub setting: String,
    /// Load, ohm; the setting's if left out.
    pub load_ohm: Option<f64>,
    /// Longest time from pressing to output, s.
    pub start_max_s: Option<f64>,
    /// Longest time from letting go to the end of output, s.
    pub end_max_s: Option<f64>,
}

/// `[[manual]]`: what is looked at or read from another instrument.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manual {
    /// Identifier.
    pub id: String,
    /// What is to be done, in words.
    pub what: String,
    /// Unit of a reading with limits, such as `mohm`, `mA`, `dB(A)`.
    pub unit: Option<String>,
    /// Smallest value that passes.
    pub min: Option<f64>,
    /// Largest value that passes.
    pub max: Option<f64>,
    /// Answer that passes, `yes` or `no`.
    pub answer: Option<String>,
    /// Expanded uncertainty of the reading at 95 %, such as `2 % or 1 mohm`.
    pub uncertainty: Option<String>,
    /// Decision rule, where it is not the profile's.
    pub decision: Option<Decision>,
}

/// What a manual step takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// A number with a unit.
    Number,
    /// yes or no.
    YesNo,
    /// A text; nothing is judged.
    Note,
}

impl Manual {
    /// What it takes.
    #[must_use]
    pub fn takes(&self) -> Answer {
        if self.answer.is_some() {
            Answer::YesNo
        } else if self.min.is_some() || self.max.is_some() {
            Answer::Number
        } else {
            Answer::Note
        }
    }
}
