//! What one capture tells of a step: its power, its peak, the current to earth.

use super::estimate;
use super::outcome::{CaptureOutcome, Number};
use crate::estimate::Estimate;
use crate::result::Part;

/// RMS current, A: as measured, or P / V where only the voltage across the resistance was captured.
/// There P = V^2 / R, so that u(I)^2 = u(P)^2 - 3 u(V)^2 in relative terms.
///
/// # Errors
/// Why it can't be had.
pub fn current(outcome: &CaptureOutcome, part: Part) -> Result<Estimate, String> {
    let measured = outcome.number("current_rms_a", part);
    let reason = match measured {
        Ok(number) => return Ok(number.estimate.clone()),
        Err(reason) => reason,
    };
    let both = (outcome.number("power_w", part), outcome.number("voltage_rms_v", part));
    let (Ok(power), Ok(voltage)) = both else { return Err(reason) };
    let (p, v) = (power.estimate.value, voltage.estimate.value);
    if v <= 0.0 {
        return Err(reason);
    }
    let relative = |number: &Number| {
        number.estimate.standard_uncertainty.map(|u| u / number.estimate.value.abs())
    };
    let mut found = match (relative(power), relative(voltage)) {
        (Some(p_u), Some(v_u)) => {
            let u = (p_u * p_u - 3.0 * v_u * v_u).max(0.0).sqrt() * p / v;
            estimate(p / v, u, power.freedom()).ok_or(reason)?
        }
        _ => Estimate::new(p / v).ok_or(reason)?,
    };
    found.missing_terms.clone_from(&power.estimate.missing_terms);
    found.partial = power.estimate.partial;
    Ok(found)
}

/// The largest power averaged over 1 s that a capture vouches for, W, and whether the record was
/// shorter than that: then its strongest part is taken as if it went on.
#[must_use]
pub fn largest_1s(outcome: &CaptureOutcome) -> Option<(Estimate, bool)> {
    let parts = [Part::Whole, Part::Cut, Part::Coag];
    let best = |measure: &str| {
        parts
            .iter()
            .filter_map(|part| outcome.number(measure, *part).ok())
            .max_by(|a, b| a.estimate.value.total_cmp(&b.estimate.value))
            .map(|number| number.estimate.clone())
    };
    best("power_1s_max_w")
        .map(|found| (found, false))
        .or_else(|| best("power_w").map(|found| (found, true)))
}
