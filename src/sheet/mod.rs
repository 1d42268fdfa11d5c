//! The capture sheet: what the data file itself does not tell.

mod check;
mod keys;

pub use keys::{KEYS, KeyType, SheetKey, read, read_with};

use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// A capture sheet. Every key can be left out; see the contract of keys in docs/sheet.md.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    /// Version of the sheet's form; 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub format: Option<u32>,
    /// Data file, relative to the sheet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data: Option<PathBuf>,
    /// Data file of the current, relative to the sheet, where it has its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data_current: Option<PathBuf>,
    /// Kept text layout, relative to the sheet, that the data file must fit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub layout: Option<PathBuf>,
    /// Sample rate in hertz, only where the data file has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sample_rate_hz: Option<f64>,
    /// Voltage channel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub voltage: Option<ChannelSheet>,
    /// Current channel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub current: Option<ChannelSheet>,
    /// Test load.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load: Option<LoadSheet>,
    /// Clock by which the samples were taken.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timebase: Option<TimebaseSheet>,
    /// How the scales hang together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub correlation: Option<CorrelationSheet>,
    /// Channel that follows the switch, where one was captured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub switch: Option<SwitchSheet>,
    /// What was on the bench.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<SubjectSheet>,
    /// Step of a verification that this capture is for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub job: Option<JobSheet>,
    /// Where, when and by whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bench: Option<BenchSheet>,
    /// Instruments used.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instrument: Vec<InstrumentSheet>,
    /// How a text file is to be read, where it can be read in two ways.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<TextHints>,
}

/// Channel of a data file: its name, or its number among the data channels, from 0.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum ChannelName {
    /// Number among the data channels, from 0.
    Number(usize),
    /// Column name, whole or without its unit.
    Name(String),
}

/// `[voltage]` or `[current]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelSheet {
    /// Which channel of the file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel: Option<ChannelName>,
    /// Volts or amperes per file unit (where the file names a unit: per V or A of the file).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
    /// Offset in file units; left out: estimated from rest phases.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset: Option<f64>,
    /// This channel lags by so many seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub delay_s: Option<f64>,
    /// Probe factor that the instrument was set to, and that the file's numbers hold already; held
    /// against what the file says.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub probe_factor: Option<f64>,
    /// Level in file units at which the input clips; left out: found from repeated extremes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clip_at: Option<f64>,
    /// Step of the converter in file units; left out: found from the data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resolution: Option<f64>,
    /// Standard uncertainty of the delay, s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub delay_standard_uncertainty_s: Option<f64>,
    /// Frequency above which probe and input fall off by more than 3 dB, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bandwidth_hz: Option<f64>,
    /// Frequency below which a sensor droops by more than 3 dB, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lowest_hz: Option<f64>,
    /// Relative standard uncertainty of the scale.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_standard_uncertainty: Option<f64>,
    /// Other ways of stating the uncertainty of the scale.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accuracy: Option<AccuracySheet>,
    /// Parts of the chain that each have an accuracy of their own, in place of one for the whole.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub part: Vec<PartSheet>,
}

/// `[[voltage.part]]` or `[[current.part]]`: probe, instrument input, attenuator, transformer.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PartSheet {
    /// What it is.
    pub what: String,
    /// Relative standard uncertainty of its ratio.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_standard_uncertainty: Option<f64>,
    /// Relative half-width of what its compensation may be off by at the carrier.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compensation: Option<f64>,
    /// Frequency above which it falls off by more than 3 dB, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bandwidth_hz: Option<f64>,
    /// Frequency below which it droops by more than 3 dB, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lowest_hz: Option<f64>,
    /// Other ways of stating the uncertainty of its ratio.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accuracy: Option<AccuracySheet>,
}

/// `[voltage.accuracy]` and the like: an uncertainty as certificates and data sheets state it, and
/// how it moves with temperature.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AccuracySheet {
    /// Relative expanded uncertainty of a certificate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_expanded_uncertainty: Option<f64>,
    /// Coverage factor k that goes with it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub coverage_factor: Option<f64>,
    /// Relative half-width of a specification: the truth lies within plus or minus that.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_half_width: Option<f64>,
    /// How the truth lies within it; rectangular if left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub distribution: Option<DistributionName>,
    /// Degrees of freedom of the stated uncertainty; without end if left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// Largest relative change per kelvin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_coefficient_per_k: Option<f64>,
    /// Temperature at which the stated uncertainty holds, degrees Celsius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub calibrated_at_c: Option<f64>,
}

/// Distribution within stated limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DistributionName {
    /// Equally likely everywhere.
    Rectangular,
    /// More likely in the middle.
    Triangular,
}

/// `[timebase]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TimebaseSheet {
    /// Relative standard uncertainty of the sample rate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_standard_uncertainty: Option<f64>,
    /// Other ways of stating it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accuracy: Option<AccuracySheet>,
}

/// `[correlation]`: coefficients between the errors of the scales and of the load.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CorrelationSheet {
    /// Between voltage and current scale, such as by one oscilloscope for both.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub voltage_current: Option<f64>,
    /// Between voltage scale and load.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub voltage_load: Option<f64>,
    /// Between current scale and load.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub current_load: Option<f64>,
}

/// Kind of test load.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LoadKind {
    /// A resistor.
    Resistor,
    /// Nothing connected.
    Open,
}

impl LoadKind {
    /// The word used in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Resistor => "resistor",
            Self::Open => "open",
        }
    }
}

/// `[load]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoadSheet {
    /// Kind of load; a resistor where only the resistance is given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<LoadKind>,
    /// Nominal resistance in ohm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nominal_ohm: Option<f64>,
    /// Relative standard uncertainty of the resistance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_standard_uncertainty: Option<f64>,
    /// Other ways of stating it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accuracy: Option<AccuracySheet>,
}

/// `[switch]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SwitchSheet {
    /// Which channel of the file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel: Option<ChannelName>,
    /// Level between pressed and not, in the file's numbers.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub threshold: Option<f64>,
    /// On which side of it the switch is pressed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pressed: Option<SideName>,
}

/// Side of a level.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SideName {
    /// Above it.
    Above,
    /// Below it.
    Below,
}

/// `[job]`: filled in by `crestbook job init`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JobSheet {
    /// Id of the step.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<String>,
    /// Number on the dial.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dial: Option<f64>,
    /// SHA-256 of the plan the sheet was made for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plan: Option<String>,
    /// Why this capture does not count, where it does not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub set_aside: Option<String>,
}

/// `[subject]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SubjectSheet {
    /// Model of the generator.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// Serial number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Setting, by its id in the profile.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub setting: Option<String>,
}

/// `[bench]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BenchSheet {
    /// Who took the capture.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub operator: Option<String>,
    /// Where.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// When, RFC 3339 with offset.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken_at: Option<String>,
    /// Ambient temperature in degrees Celsius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Relative humidity in percent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub humidity_percent: Option<f64>,
}

/// `[[instrument]]`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InstrumentSheet {
    /// What it was used for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<String>,
    /// Inventory or serial number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Day on which its calibration ends, YYYY-MM-DD.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub calibration_due: Option<String>,
    /// Number of the certificate of that calibration.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
    /// SHA-256 of the document of that certificate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate_sha256: Option<crate::digest::Sha256>,
}

/// `[text]`: settles how a text file is read.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TextHints {
    /// Between fields: `comma`, `semicolon`, `tab` or `space`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub separator: Option<SeparatorName>,
    /// Decimal mark: `point` or `comma`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decimal: Option<DecimalName>,
    /// Name (or number, from 0) of the time column, or `none`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_column: Option<String>,
    /// Unit of the time column, such as `us`, where the file does not say it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_unit: Option<String>,
    /// Line of the first row of data, from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub first_line: Option<usize>,
}

/// What stands between fields.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SeparatorName {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// A tab.
    Tab,
    /// One or more blanks or tabs.
    Space,
}

/// Decimal mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DecimalName {
    /// `.`
    Point,
    /// `,`
    Comma,
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn key(path: &[&str]) -> &'static SheetKey {
        KEYS.iter().find(|key| key.path == path).unwrap()
    }

    #[test]
    fn flags_replace_keys() {
        let file = Path::new("a.capture.toml");
        let text = "[voltage]\nscale = 100.0\nchannel = 'CH1'\n";
        let replaced = [
            (key(&["voltage", "scale"]), "1000".to_owned()),
            (key(&["load", "nominal_ohm"]), "500".to_owned()),
            (key(&["current", "channel"]), "1".to_owned()),
        ];
        let sheet = read_with(file, text, &replaced).unwrap();
        assert_eq!(sheet.voltage.unwrap().scale, Some(1000.0));
        assert_eq!(sheet.load.unwrap().nominal_ohm, Some(500.0));
        assert_eq!(sheet.current.unwrap().channel, Some(ChannelName::Number(1)));
    }

    #[test]
    fn absurd_values_name_their_line() {
        let file = Path::new("a.capture.toml");
        for (text, line) in [
            ("format = 1\nsample_rate_hz = 0.0\n", 2),
            ("[voltage]\nscale = 0.0\n", 2),
            ("[load]\n\nnominal_ohm = -5.0\n", 3),
            ("[current]\nrelative_standard_uncertainty = -0.1\n", 2),
            ("[current]\nchanel = 'x'\n", 2),
            ("format = 2\n", 1),
            ("[voltage]\nrelative_standard_uncertainty = 1.5\n", 2),
            ("[voltage.accuracy]\nrelative_expanded_uncertainty = 0.02\n", 2),
            ("[load.accuracy]\nrelative_expanded_uncertainty = 0.02\ncoverage_factor = 0.0\n", 3),
            ("[load.accuracy]\ncoverage_factor = 2.0\n", 2),
            ("[load.accuracy]\nrelative_half_width = 1.0\n", 2),
            ("[load.accuracy]\ndistribution = 'triangular'\n", 2),
            ("[load.accuracy]\ndistribution = 'rectangle'\n", 2),
            ("[load.accuracy]\nrelative_half_width = 0.1\ndegrees_of_freedom = 0.5\n", 3),
            (
                "[voltage]\nrelative_standard_uncertainty = 0.01\n[voltage.accuracy]\nrelative_half_width = 0.1\n",
                4,
            ),
            ("[timebase]\nrelative_standard_uncertainty = -1e-6\n", 2),
            ("[timebase.accuracy]\ntemperature_coefficient_per_k = 1e-6\n", 2),
            ("[correlation]\nvoltage_current = 1.01\n", 2),
            ("[correlation]\nvoltage_current = 0.9\nvoltage_load = 0.9\ncurrent_load = -0.9\n", 4),
            ("[voltage]\nbandwidth_hz = 0.0\n", 2),
            ("[voltage]\nbandwidth_hz = 1e3\nlowest_hz = 2e3\n", 3),
            ("[current]\ndelay_standard_uncertainty_s = -1e-9\n", 2),
            ("[current]\nresolution = 0.0\n", 2),
            ("[bench]\ntaken_at = 'yesterday'\n", 2),
            ("[[instrument]]\ncalibration_due = '2027-02-30'\n", 2),
        ] {
            assert_eq!(read(file, text).unwrap_err().position.unwrap().0, line, "{text}");
        }
    }

    #[test]
    fn every_key_of_the_table_is_a_key_of_the_sheet() {
        for key in KEYS {
            let value = match (key.kind, *key.path.last().unwrap()) {
                (_, "sample_rate_hz" | "bandwidth_hz") => "1e7",
                (KeyType::Number, "coverage_factor" | "degrees_of_freedom") => "2",
                (KeyType::Number, _) => "1e-4",
                (KeyType::Count, _) => "12",
                (_, "kind") => "resistor",
                (_, "separator") => "tab",
                (_, "time_unit") => "us",
                (_, "decimal") => "comma",
                (_, "distribution") => "triangular",
                (_, "pressed") => "below",
                (_, "taken_at") => "2026-03-02T09:14:00+00:00",
                _ => "x",
            };
            // Some keys only make sense beside others.
            let beside = match key.path {
                [group, "accuracy", "coverage_factor"] => {
                    format!(
                        "[{group}.accuracy]\nrelative_expanded_uncertainty = 0.02\ncoverage_factor = 3.0\n"
                    )
                }
                [group, "accuracy", "relative_expanded_uncertainty"] => {
                    format!(
                        "[{group}.accuracy]\nrelative_expanded_uncertainty = 0.02\ncoverage_factor = 3.0\n"
                    )
                }
                [group, "accuracy", _] => {
                    format!("[{group}.accuracy]\nrelative_half_width = 0.02\n")
                }
                _ => String::new(),
            };
            read_with(Path::new("x"), &beside, &[(key, value.to_owned())]).unwrap();
        }
    }
}
