//! The capture sheet: what the data file itself does not tell.

use crate::keyfile::{self, KeyfileError};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

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
    /// What was on the bench.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<SubjectSheet>,
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
    /// Relative standard uncertainty of the scale.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_standard_uncertainty: Option<f64>,
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

/// Type of a sheet key, for the flag of the same name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeyType {
    /// A number.
    Number,
    /// A text.
    Text,
    /// A channel: a number if it reads as one, else a name.
    Channel,
}

/// A sheet key that has a flag.
#[derive(Clone, Copy, Debug)]
pub struct SheetKey {
    /// Table and key, or the key alone.
    pub path: &'static [&'static str],
    /// Type of its value.
    pub kind: KeyType,
    /// What it is, for the help text.
    pub help: &'static str,
}

macro_rules! keys {
    ($($($part:literal).+ : $kind:ident = $help:literal;)*) => {
        &[$(SheetKey { path: &[$($part),+], kind: KeyType::$kind, help: $help },)*]
    };
}

/// Every single-valued sheet key; `voltage.scale` has the flag `--voltage-scale`.
pub const KEYS: &[SheetKey] = keys! {
    "data_current": Text = "Data file of the current, where it has its own";
    "layout": Text = "Kept text layout that the data file must fit";
    "sample_rate_hz": Number = "Sample rate, where the data file has none";
    "voltage"."channel": Channel = "Column name or number (from 0) of the voltage";
    "voltage"."scale": Number = "Volts per file unit";
    "voltage"."offset": Number = "Offset of the voltage, in file units";
    "voltage"."delay_s": Number = "The voltage channel lags by this";
    "voltage"."probe_factor": Number = "Probe factor set on the instrument, in the voltage's numbers already";
    "voltage"."clip_at": Number = "Level at which the voltage input clips, in file units";
    "voltage"."relative_standard_uncertainty": Number = "Of the voltage scale";
    "current"."channel": Channel = "Column name or number (from 0) of the current";
    "current"."scale": Number = "Amperes per file unit";
    "current"."offset": Number = "Offset of the current, in file units";
    "current"."delay_s": Number = "The current channel lags by this";
    "current"."probe_factor": Number = "Probe factor set on the instrument, in the current's numbers already";
    "current"."clip_at": Number = "Level at which the current input clips, in file units";
    "current"."relative_standard_uncertainty": Number = "Of the current scale";
    "load"."kind": Text = "resistor or open";
    "load"."nominal_ohm": Number = "Nominal resistance of the test load";
    "load"."relative_standard_uncertainty": Number = "Of the load";
    "subject"."model": Text = "Model of the generator";
    "subject"."serial": Text = "Serial number of the generator";
    "subject"."setting": Text = "Setting id in the profile";
    "bench"."operator": Text = "Who took the capture";
    "bench"."place": Text = "Where";
    "bench"."taken_at": Text = "When, RFC 3339 with offset";
    "bench"."temperature_c": Number = "Ambient temperature";
    "bench"."humidity_percent": Number = "Relative humidity";
    "text"."separator": Text = "comma, semicolon, tab or space";
    "text"."decimal": Text = "point or comma";
    "text"."time_column": Text = "Name or number (from 0) of the time column, or none";
};

/// Reads a sheet and checks its values.
///
/// # Errors
/// Unknown keys and absurd values, with their line.
pub fn read(file: &Path, text: &str) -> Result<Sheet, KeyfileError> {
    let sheet: Sheet = keyfile::parse(file, text)?;
    check(file, text, &sheet)?;
    Ok(sheet)
}

/// The same with single keys replaced: `(path, value)` pairs as flags give them.
///
/// # Errors
/// As [`read`]; a fault in a replaced value names its key instead of a line.
pub fn read_with(
    file: &Path,
    text: &str,
    replaced: &[(&'static SheetKey, String)],
) -> Result<Sheet, KeyfileError> {
    let sheet = read(file, text)?;
    if replaced.is_empty() {
        return Ok(sheet);
    }
    let mut table: toml::Table = keyfile::parse(file, text)?;
    for (key, value) in replaced {
        let value = match key.kind {
            KeyType::Number => toml::Value::Float(number(key, value)?),
            KeyType::Text => toml::Value::String(value.clone()),
            KeyType::Channel => value
                .parse::<i64>()
                .map_or_else(|_| toml::Value::String(value.clone()), toml::Value::Integer),
        };
        match key.path {
            [name] => _ = table.insert((*name).to_owned(), value),
            [group, name] => {
                let empty = || toml::Value::Table(toml::Table::new());
                if let toml::Value::Table(inner) = table.entry(*group).or_insert_with(empty) {
                    inner.insert((*name).to_owned(), value);
                }
            }
            _ => {}
        }
    }
    let merged = table.to_string();
    let flags = Path::new("flags and sheet together");
    let sheet: Sheet = keyfile::parse(flags, &merged)?;
    check(flags, &merged, &sheet)?;
    Ok(sheet)
}

fn number(key: &SheetKey, value: &str) -> Result<f64, KeyfileError> {
    let flag = format!("--{}", key.path.join("-").replace('_', "-"));
    value.trim().parse().map_err(|_| KeyfileError {
        file: PathBuf::from(flag),
        position: None,
        message: format!("`{value}` is not a number"),
        line: None,
        help: Some("give a number in SI units, such as 1e7, without its unit".into()),
    })
}

fn check(file: &Path, text: &str, sheet: &Sheet) -> Result<(), KeyfileError> {
    let fail =
        |path: &[&str], message: String| Err(KeyfileError::at_key(file, text, path, message));
    if sheet.format.is_some_and(|version| version != 1) {
        return fail(&["format"], "this program reads sheets of format 1".into());
    }
    if let Some(rate) = sheet.sample_rate_hz
        && crate::units::SampleRate::new(rate).is_none()
    {
        return fail(&["sample_rate_hz"], format!("a sample rate of {rate} Hz is impossible"));
    }
    for (name, channel) in [("voltage", &sheet.voltage), ("current", &sheet.current)] {
        let Some(channel) = channel else { continue };
        if channel.scale.is_some_and(|scale| !scale.is_finite() || scale == 0.0) {
            return fail(&[name, "scale"], "a scale must be a number other than 0".into());
        }
        for (key, value) in [("offset", channel.offset), ("delay_s", channel.delay_s)] {
            if value.is_some_and(|value| !value.is_finite()) {
                return fail(&[name, key], format!("{key} must be a finite number"));
            }
        }
        if channel.delay_s.is_some_and(|delay| delay.abs() > 1e-3) {
            return fail(&[name, "delay_s"], "a delay over 1 ms can't be one of a probe".into());
        }
        if channel.clip_at.is_some_and(|level| !(level.is_finite() && level > 0.0)) {
            return fail(&[name, "clip_at"], "clip_at must be above 0".into());
        }
        if channel.probe_factor.is_some_and(|factor| !(factor.is_finite() && factor > 0.0)) {
            return fail(&[name, "probe_factor"], "a probe factor must be above 0".into());
        }
        positive_share(file, text, name, channel.relative_standard_uncertainty)?;
    }
    if let Some(bench) = &sheet.bench {
        for (key, value) in
            [("temperature_c", bench.temperature_c), ("humidity_percent", bench.humidity_percent)]
        {
            if value.is_some_and(|value| !value.is_finite()) {
                return fail(&["bench", key], format!("{key} must be a finite number"));
            }
        }
    }
    if let Some(load) = &sheet.load {
        if load.nominal_ohm.is_some_and(|ohm| !(ohm.is_finite() && ohm > 0.0)) {
            return fail(&["load", "nominal_ohm"], "a load must be above 0 ohm".into());
        }
        if load.kind == Some(LoadKind::Open) && load.nominal_ohm.is_some() {
            return fail(&["load", "nominal_ohm"], "an open circuit has no resistance".into());
        }
        positive_share(file, text, "load", load.relative_standard_uncertainty)?;
    }
    Ok(())
}

fn positive_share(
    file: &Path,
    text: &str,
    table: &str,
    value: Option<f64>,
) -> Result<(), KeyfileError> {
    match value {
        Some(u) if !(u.is_finite() && (0.0..1.0).contains(&u)) => {
            let path = [table, "relative_standard_uncertainty"];
            let message = "a relative standard uncertainty lies between 0 and 1".to_owned();
            Err(KeyfileError::at_key(file, text, &path, message))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
        ] {
            assert_eq!(read(file, text).unwrap_err().position.unwrap().0, line, "{text}");
        }
    }

    #[test]
    fn every_key_of_the_table_is_a_key_of_the_sheet() {
        for key in KEYS {
            let value = match (key.kind, *key.path.last().unwrap()) {
                (KeyType::Number, _) => "1e-4",
                (_, "kind") => "resistor",
                (_, "separator") => "tab",
                (_, "decimal") => "comma",
                _ => "x",
            };
            read_with(Path::new("x"), "", &[(key, value.to_owned())]).unwrap();
        }
    }
}
