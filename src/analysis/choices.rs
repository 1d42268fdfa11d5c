//! What a user may change of the settings, by name and within bounds.

use super::Settings;
use crate::explain::{ErrorCode, Explain};
use serde::Deserialize;

/// Each as usual if left out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Choices {
    /// Share of a burst's peak above which it is on; 0.1.
    pub duty_threshold: Option<f64>,
    /// Least crest factor of coag; 4.
    pub coag_crest_factor: Option<f64>,
    /// Crest factor below which output is continuous; 1.7.
    pub continuous_crest_factor: Option<f64>,
    /// Continuous output of a lower peak is coag, V; 200.
    pub arc_peak_v: Option<f64>,
    /// Share of the strongest phase below which there is rest; 0.01.
    pub rest_share: Option<f64>,
    /// A shorter quiet stretch is a gap between bursts, s; 2e-3.
    pub rest_min_s: Option<f64>,
    /// A shorter stretch of output is no phase of its own, s; 1e-3.
    pub phase_min_s: Option<f64>,
    /// Samples looked at burst by burst; 1048576.
    pub burst_samples: Option<u64>,
    /// Threads; one per core.
    pub threads: Option<usize>,
}

/// A choice out of its bounds.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{name} {value} is out of range")]
pub struct ChoiceError {
    /// The choice, as the field of [`Choices`] is named.
    pub name: &'static str,
    /// What was given.
    pub value: f64,
    /// It must lie above this,
    pub low: f64,
    /// and below this.
    pub high: f64,
}

impl Explain for ChoiceError {
    fn code(&self) -> ErrorCode {
        ErrorCode::WrongUse
    }

    fn help(&self) -> Option<String> {
        Some(format!("give a number between {} and {}", self.low, self.high))
    }
}

impl Choices {
    /// The settings with these choices in the place of theirs.
    ///
    /// # Errors
    /// A number out of its bounds.
    pub fn over(&self, mut settings: Settings) -> Result<Settings, ChoiceError> {
        let Settings { duty_threshold, thresholds, budget, read, .. } = &mut settings;
        for (name, given, slot, low, high) in [
            ("duty_threshold", self.duty_threshold, duty_threshold, 0.0, 1.0),
            (
                "coag_crest_factor",
                self.coag_crest_factor,
                &mut thresholds.coag_crest_factor,
                1.0,
                1e3,
            ),
            (
                "continuous_crest_factor",
                self.continuous_crest_factor,
                &mut thresholds.continuous_crest_factor,
                1.0,
                1e3,
            ),
            ("arc_peak_v", self.arc_peak_v, &mut thresholds.arc_peak_v, -1.0, 1e6),
            ("rest_share", self.rest_share, &mut thresholds.rest_share, 0.0, 1.0),
            ("rest_min_s", self.rest_min_s, &mut thresholds.rest_min_s, 0.0, 1e3),
            ("phase_min_s", self.phase_min_s, &mut thresholds.phase_min_s, 0.0, 1e3),
        ] {
            let Some(value) = given else { continue };
            if !(value.is_finite() && value > low && value < high) {
                return Err(ChoiceError { name, value, low, high });
            }
            *slot = value;
        }
        budget.burst_samples = self.burst_samples.unwrap_or(budget.burst_samples);
        read.threads = self.threads.map_or(read.threads, |threads| threads.clamp(1, 256));
        Ok(settings)
    }
}
