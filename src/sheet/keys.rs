//! Every single-valued key, and sheets read with some of them given as flags.

use super::Sheet;
use super::check::check;
use crate::keyfile::{self, KeyfileError};
use std::path::{Path, PathBuf};

/// Type of a sheet key that can be given for one run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeyType {
    /// A number.
    Number,
    /// A text.
    Text,
    /// A whole number.
    Count,
    /// A channel: a number if it reads as one, else a name.
    Channel,
}

/// A sheet key that can be given for one run.
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

/// Every single-valued sheet key; each can be given for one run, as `--set voltage.scale=1000`.
pub const KEYS: &[SheetKey] = keys! {
    "data_current": Text = "Data file of the current, where it has its own";
    "layout": Text = "Kept text layout that the data file must fit";
    "sample_rate_hz": Number = "Sample rate, where the data file has none";
    "voltage"."channel": Channel = "Name of the voltage column, or its number among the channels (from 0)";
    "voltage"."scale": Number = "Volts per file unit";
    "voltage"."offset": Number = "Offset of the voltage, in file units";
    "voltage"."delay_s": Number = "The voltage channel lags by this";
    "voltage"."probe_factor": Number = "Probe factor set on the instrument, in the voltage's numbers already";
    "voltage"."clip_at": Number = "Level at which the voltage input clips, in file units";
    "voltage"."resolution": Number = "Step of the voltage's converter, in file units";
    "voltage"."delay_standard_uncertainty_s": Number = "Of the voltage's delay";
    "voltage"."bandwidth_hz": Number = "Upper 3 dB corner of voltage probe and input";
    "voltage"."lowest_hz": Number = "Lower 3 dB corner of the voltage sensor";
    "voltage"."relative_standard_uncertainty": Number = "Of the voltage scale";
    "voltage"."accuracy"."relative_expanded_uncertainty": Number = "Of the voltage scale by certificate, with its k";
    "voltage"."accuracy"."coverage_factor": Number = "k of that certificate";
    "voltage"."accuracy"."relative_half_width": Number = "Of the voltage scale by specification";
    "voltage"."accuracy"."distribution": Text = "rectangular or triangular, within that half-width";
    "voltage"."accuracy"."degrees_of_freedom": Number = "Of the stated uncertainty of the voltage scale";
    "voltage"."accuracy"."temperature_coefficient_per_k": Number = "Largest relative change of the voltage scale per kelvin";
    "voltage"."accuracy"."calibrated_at_c": Number = "Temperature at which the voltage scale was calibrated";
    "current"."channel": Channel = "Name of the current column, or its number among the channels (from 0)";
    "current"."scale": Number = "Amperes per file unit";
    "current"."offset": Number = "Offset of the current, in file units";
    "current"."delay_s": Number = "The current channel lags by this";
    "current"."probe_factor": Number = "Probe factor set on the instrument, in the current's numbers already";
    "current"."clip_at": Number = "Level at which the current input clips, in file units";
    "current"."resolution": Number = "Step of the current's converter, in file units";
    "current"."delay_standard_uncertainty_s": Number = "Of the current's delay";
    "current"."bandwidth_hz": Number = "Upper 3 dB corner of current sensor and input";
    "current"."lowest_hz": Number = "Lower 3 dB corner of the current sensor";
    "current"."relative_standard_uncertainty": Number = "Of the current scale";
    "current"."accuracy"."relative_expanded_uncertainty": Number = "Of the current scale by certificate, with its k";
    "current"."accuracy"."coverage_factor": Number = "k of that certificate";
    "current"."accuracy"."relative_half_width": Number = "Of the current scale by specification";
    "current"."accuracy"."distribution": Text = "rectangular or triangular, within that half-width";
    "current"."accuracy"."degrees_of_freedom": Number = "Of the stated uncertainty of the current scale";
    "current"."accuracy"."temperature_coefficient_per_k": Number = "Largest relative change of the current scale per kelvin";
    "current"."accuracy"."calibrated_at_c": Number = "Temperature at which the current scale was calibrated";
    "load"."kind": Text = "resistor or open";
    "load"."nominal_ohm": Number = "Nominal resistance of the test load";
    "load"."relative_standard_uncertainty": Number = "Of the load";
    "load"."accuracy"."relative_expanded_uncertainty": Number = "Of the load by certificate, with its k";
    "load"."accuracy"."coverage_factor": Number = "k of that certificate";
    "load"."accuracy"."relative_half_width": Number = "Of the load by specification";
    "load"."accuracy"."distribution": Text = "rectangular or triangular, within that half-width";
    "load"."accuracy"."degrees_of_freedom": Number = "Of the stated uncertainty of the load";
    "load"."accuracy"."temperature_coefficient_per_k": Number = "Largest relative change of the load per kelvin";
    "load"."accuracy"."calibrated_at_c": Number = "Temperature at which the load was calibrated";
    "timebase"."relative_standard_uncertainty": Number = "Of the sample rate";
    "timebase"."accuracy"."relative_expanded_uncertainty": Number = "Of the sample rate by certificate, with its k";
    "timebase"."accuracy"."coverage_factor": Number = "k of that certificate";
    "timebase"."accuracy"."relative_half_width": Number = "Of the sample rate by specification";
    "timebase"."accuracy"."distribution": Text = "rectangular or triangular, within that half-width";
    "timebase"."accuracy"."degrees_of_freedom": Number = "Of the stated uncertainty of the sample rate";
    "correlation"."voltage_current": Number = "Correlation of voltage and current scale";
    "correlation"."voltage_load": Number = "Correlation of voltage scale and load";
    "correlation"."current_load": Number = "Correlation of current scale and load";
    "switch"."channel": Channel = "Name or number (from 0) of the channel that follows the switch";
    "switch"."threshold": Number = "Level between pressed and not, in the file's numbers";
    "switch"."pressed": Text = "above or below that level";
    "subject"."model": Text = "Model of the generator";
    "subject"."serial": Text = "Serial number of the generator";
    "subject"."setting": Text = "Setting id in the profile";
    "bench"."operator": Text = "Who took the capture";
    "bench"."place": Text = "Where";
    "bench"."taken_at": Text = "When, RFC 3339 with offset";
    "bench"."temperature_c": Number = "Ambient temperature";
    "bench"."humidity_percent": Number = "Relative humidity";
    "job"."step": Text = "Step of the verification that this capture is for";
    "job"."dial": Number = "Number on the dial";
    "job"."plan": Text = "SHA-256 of the plan the sheet was made for";
    "job"."set_aside": Text = "Why this capture does not count";
    "text"."separator": Text = "comma, semicolon, tab or space";
    "text"."decimal": Text = "point or comma";
    "text"."time_column": Text = "Name or number (from 0) of the time column, or none";
    "text"."time_unit": Text = "Unit of the time column, such as us, where the file does not say it";
    "text"."first_line": Count = "Line of the first row of data, from 1";
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
            KeyType::Count => toml::Value::Integer(count(key, value)?),
            KeyType::Channel => value
                .parse::<i64>()
                .map_or_else(|_| toml::Value::String(value.clone()), toml::Value::Integer),
        };
        insert(&mut table, key.path, value);
    }
    // A scale given for one channel of a capture without a sheet does not leave the other one out.
    if sheet.voltage.is_none() && sheet.current.is_none() {
        let given = |side: &str| replaced.iter().any(|(key, _)| key.path.first() == Some(&side));
        let named = replaced.iter().any(|(key, _)| key.path.get(1) == Some(&"channel"));
        for (one, other) in [("voltage", "current"), ("current", "voltage")] {
            if given(one) && !given(other) && !named {
                insert(&mut table, &[other], toml::Value::Table(toml::Table::new()));
            }
        }
    }
    let merged = table.to_string();
    let flags = Path::new("the sheet with --set");
    let sheet: Sheet = keyfile::parse(flags, &merged)?;
    check(flags, &merged, &sheet)?;
    Ok(sheet)
}

/// Sets the value at a path, making tables on the way.
fn insert(table: &mut toml::Table, path: &[&str], value: toml::Value) {
    match path {
        [] => {}
        [name] => _ = table.insert((*name).to_owned(), value),
        [group, rest @ ..] => {
            let empty = || toml::Value::Table(toml::Table::new());
            if let toml::Value::Table(inner) = table.entry(*group).or_insert_with(empty) {
                insert(inner, rest, value);
            }
        }
    }
}

fn number(key: &SheetKey, value: &str) -> Result<f64, KeyfileError> {
    let help = "give a number in SI units, such as 1e7, without its unit";
    value.trim().parse().map_err(|_| no_number(key, value, "a number", help))
}

fn count(key: &SheetKey, value: &str) -> Result<i64, KeyfileError> {
    let help = "give a whole number, such as 12";
    value.trim().parse().map_err(|_| no_number(key, value, "a whole number", help))
}

fn no_number(key: &SheetKey, value: &str, wanted: &str, help: &str) -> KeyfileError {
    KeyfileError {
        file: PathBuf::from(format!("--set {}", key.path.join("."))),
        position: None,
        message: format!("`{value}` is not {wanted}"),
        line: None,
        help: Some(help.into()),
    }
}
