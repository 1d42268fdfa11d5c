//! What no sheet can mean.

use super::{AccuracySheet, LoadKind, Sheet};
use crate::keyfile::KeyfileError;
use crate::units::day_of;
use std::path::Path;

/// Fewer samples a second are a number in another unit, Hz.
const LOWEST_RATE_HZ: f64 = 1e5;

/// Refuses what no sheet can mean, with its line.
pub(super) fn check(file: &Path, text: &str, sheet: &Sheet) -> Result<(), KeyfileError> {
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
    if let Some(rate) = sheet.sample_rate_hz.filter(|rate| *rate < LOWEST_RATE_HZ) {
        let message = format!(
            "{rate} samples a second can't show a carrier of hundreds of kHz: is it meant in MHz?"
        );
        let error = KeyfileError::at_key(file, text, &["sample_rate_hz"], message);
        return Err(error.with_help("write it in samples a second, such as 1e7 for 10 MHz"));
    }
    if let Some(hints) = &sheet.text {
        let of_time = |unit: &String| {
            crate::units::Unit::parse(unit)
                .is_some_and(|(unit, _)| unit == crate::units::Unit::Second)
        };
        if let Some(unit) = hints.time_unit.as_ref().filter(|unit| !of_time(unit)) {
            let message = format!("`{unit}` is not a unit of time: write s, ms, us or ns");
            return fail(&["text", "time_unit"], message);
        }
        if hints.first_line == Some(0) {
            return fail(&["text", "first_line"], "lines count from 1".into());
        }
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
        for (key, value) in [
            ("resolution", channel.resolution),
            ("bandwidth_hz", channel.bandwidth_hz),
            ("lowest_hz", channel.lowest_hz),
        ] {
            if value.is_some_and(|value| !(value.is_finite() && value > 0.0)) {
                return fail(&[name, key], format!("{key} must be above 0"));
            }
        }
        if let (Some(low), Some(high)) = (channel.lowest_hz, channel.bandwidth_hz)
            && low >= high
        {
            return fail(&[name, "lowest_hz"], "lowest_hz must lie below bandwidth_hz".into());
        }
        let delay_u = channel.delay_standard_uncertainty_s;
        if delay_u.is_some_and(|u| !(u.is_finite() && (0.0..1e-3).contains(&u))) {
            let message = "the uncertainty of a delay lies between 0 and 1 ms".into();
            return fail(&[name, "delay_standard_uncertainty_s"], message);
        }
        megahertz(file, text, &[name, "bandwidth_hz"], channel.bandwidth_hz)?;
        let stated = channel.relative_standard_uncertainty;
        accuracy(file, text, &[name], stated, channel.accuracy.as_ref())?;
        parts(file, text, name, channel)?;
    }
    for (group, key, value) in [
        ("switch", "threshold", sheet.switch.as_ref().and_then(|switch| switch.threshold)),
        ("job", "dial", sheet.job.as_ref().and_then(|job| job.dial)),
    ] {
        if value.is_some_and(|value| !value.is_finite()) {
            return fail(&[group, key], format!("{key} must be a finite number"));
        }
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
        let stated = load.relative_standard_uncertainty;
        accuracy(file, text, &["load"], stated, load.accuracy.as_ref())?;
    }
    if let Some(clock) = &sheet.timebase {
        let other = clock.accuracy.clone().unwrap_or_default();
        for (key, value) in [
            ("temperature_coefficient_per_k", other.temperature_coefficient_per_k),
            ("calibrated_at_c", other.calibrated_at_c),
        ] {
            if value.is_some() {
                let message = "a time base has none here: put it into its half-width".into();
                return fail(&["timebase", "accuracy", key], message);
            }
        }
        let stated = clock.relative_standard_uncertainty;
        accuracy(file, text, &["timebase"], stated, clock.accuracy.as_ref())?;
    }
    correlation(file, text, sheet)?;
    dates(file, text, sheet)
}

/// An uncertainty is stated in one way, and in numbers that make sense.
fn accuracy(
    file: &Path,
    text: &str,
    table: &[&str],
    standard: Option<f64>,
    other: Option<&AccuracySheet>,
) -> Result<(), KeyfileError> {
    let fail = |path: &[&str], message: &str| Err(KeyfileError::at_key(file, text, path, message));
    let share =
        |value: Option<f64>| value.is_some_and(|u| !(u.is_finite() && (0.0..1.0).contains(&u)));
    if share(standard) {
        let path = [table, &["relative_standard_uncertainty"]].concat();
        return fail(&path, "a relative standard uncertainty lies between 0 and 1");
    }
    let Some(other) = other else { return Ok(()) };
    let at = |key| [table, &["accuracy", key]].concat();
    for (key, value) in [
        ("relative_expanded_uncertainty", other.relative_expanded_uncertainty),
        ("relative_half_width", other.relative_half_width),
        ("temperature_coefficient_per_k", other.temperature_coefficient_per_k),
    ] {
        if share(value) {
            return fail(&at(key), "it is a share, between 0 and 1");
        }
    }
    match (other.relative_expanded_uncertainty, other.coverage_factor) {
        (Some(_), None) => {
            let message =
                "an expanded uncertainty needs its coverage_factor: the certificate has it";
            return fail(&at("relative_expanded_uncertainty"), message);
        }
        (None, Some(_)) => {
            let message = "a coverage factor goes with a relative_expanded_uncertainty";
            return fail(&at("coverage_factor"), message);
        }
        (_, Some(k)) if !(1.0..=100.0).contains(&k) => {
            return fail(&at("coverage_factor"), "a coverage factor is 1 or more; mostly 2");
        }
        _ => {}
    }
    if other.distribution.is_some() && other.relative_half_width.is_none() {
        return fail(&at("distribution"), "a distribution goes with a relative_half_width");
    }
    if standard.is_some() && other.relative_half_width.is_some() {
        let message = "the uncertainty is stated already, as relative_standard_uncertainty";
        return fail(&at("relative_half_width"), message);
    }
    if other.relative_expanded_uncertainty.is_some()
        && (standard.is_some() || other.relative_half_width.is_some())
    {
        let message = "the uncertainty is stated in two ways: leave one of them out";
        return fail(&at("relative_expanded_uncertainty"), message);
    }
    if other.degrees_of_freedom.is_some_and(|df| df.is_nan() || df < 1.0) {
        return fail(&at("degrees_of_freedom"), "there is at least 1 degree of freedom");
    }
    if other.calibrated_at_c.is_some_and(|c| !(-50.0..=150.0).contains(&c)) {
        return fail(&at("calibrated_at_c"), "no bench is at that temperature (degrees Celsius)");
    }
    Ok(())
}

/// Corner frequencies below this are no corners of a probe, Hz: a number in MHz more likely.
const LOWEST_CORNER_HZ: f64 = 1e4;

/// Refuses a corner frequency that was most likely meant in another unit.
fn megahertz(
    file: &Path,
    text: &str,
    path: &[&str],
    value: Option<f64>,
) -> Result<(), KeyfileError> {
    let Some(hz) = value.filter(|hz| *hz < LOWEST_CORNER_HZ) else { return Ok(()) };
    let key = path.last().copied().unwrap_or_default();
    let message = format!("{key} is {hz} Hz, far below any carrier: is it meant in MHz?");
    Err(KeyfileError::at_key(file, text, path, message).with_help(format!("write {key} = {hz}e6")))
}

/// Parts of a chain: each with an accuracy, and none for the whole beside them.
fn parts(
    file: &Path,
    text: &str,
    name: &str,
    channel: &super::ChannelSheet,
) -> Result<(), KeyfileError> {
    let whole = channel.relative_standard_uncertainty.is_some() || channel.accuracy.is_some();
    for (k, part) in channel.part.iter().enumerate() {
        let place = k.to_string();
        let table = [name, "part", place.as_str()];
        let fail = |key: &str, message: String| {
            let path = [&table[..], &[key]].concat();
            Err(KeyfileError::at_key(file, text, &path, message))
        };
        if whole {
            let message = format!(
                "the accuracy of the whole {name} channel is stated as well: leave one of the two out"
            );
            return fail("what", message);
        }
        for (key, value) in [("bandwidth_hz", part.bandwidth_hz), ("lowest_hz", part.lowest_hz)] {
            if value.is_some_and(|value| !(value.is_finite() && value > 0.0)) {
                return fail(key, format!("{key} must be above 0"));
            }
        }
        megahertz(file, text, &[&table[..], &["bandwidth_hz"]].concat(), part.bandwidth_hz)?;
        if part.compensation.is_some_and(|share| !(0.0..1.0).contains(&share)) {
            return fail("compensation", "it is a share, between 0 and 1".into());
        }
        let stated = part.relative_standard_uncertainty;
        let other = part.accuracy.as_ref();
        let none = other.is_none_or(|other| {
            other.relative_expanded_uncertainty.is_none() && other.relative_half_width.is_none()
        });
        if stated.is_none() && none {
            let message =
                format!("the accuracy of {} is not stated: state that of every part", part.what);
            return fail("what", message);
        }
        accuracy(file, text, &table, stated, other)?;
    }
    Ok(())
}

/// Coefficients between -1 and 1 that can hold together: the determinant of the correlation matrix
/// is not negative.
fn correlation(file: &Path, text: &str, sheet: &Sheet) -> Result<(), KeyfileError> {
    let Some(given) = &sheet.correlation else { return Ok(()) };
    let pairs = [
        ("voltage_current", given.voltage_current),
        ("voltage_load", given.voltage_load),
        ("current_load", given.current_load),
    ];
    for (key, value) in pairs {
        if value.is_some_and(|r| !(-1.0..=1.0).contains(&r)) {
            let message = "a correlation lies between -1 and 1";
            return Err(KeyfileError::at_key(file, text, &["correlation", key], message));
        }
    }
    let [a, b, c] = pairs.map(|(_, value)| value.unwrap_or(0.0));
    let determinant = 1.0 + 2.0 * a * b * c - a * a - b * b - c * c;
    if determinant < -1e-12 {
        let last =
            pairs.iter().rev().find(|pair| pair.1.is_some()).map_or("voltage_current", |p| p.0);
        let message = format!(
            "these correlations can't hold together: the matrix of 1, {a}, {b} and {c} is not \
             positive semi-definite"
        );
        return Err(KeyfileError::at_key(file, text, &["correlation", last], message));
    }
    Ok(())
}

/// Dates that can be read.
fn dates(file: &Path, text: &str, sheet: &Sheet) -> Result<(), KeyfileError> {
    if let Some(taken) = sheet.bench.as_ref().and_then(|bench| bench.taken_at.as_ref())
        && day_of(taken).is_none()
    {
        let message = format!("`{taken}` is not a time; write it like 2026-03-02T09:14:00+00:00");
        return Err(KeyfileError::at_key(file, text, &["bench", "taken_at"], message));
    }
    for (k, instrument) in sheet.instrument.iter().enumerate() {
        if let Some(due) = &instrument.calibration_due
            && day_of(due).is_none()
        {
            let message = format!("`{due}` is not a date; write it like 2027-01-31");
            let path = ["instrument", &k.to_string(), "calibration_due"];
            return Err(KeyfileError::at_key(file, text, &path, message));
        }
    }
    Ok(())
}
