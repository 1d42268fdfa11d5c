//! What one capture tells of a step: its power, its peak, the current to earth.

use super::estimate;
use super::outcome::{CaptureOutcome, KeptMeasure};
use crate::estimate::Estimate;
use crate::measures::{Measure, Reason};
use crate::result::Part;

/// RMS current, A: as measured, or P / V where only the voltage across the resistance was captured.
/// There P = V^2 / R, so that u(I)^2 = u(P)^2 - 3 u(V)^2 + 2 r u(V) u(R) in relative terms, r being the
/// correlation of the voltage's scale and the load.
///
/// # Errors
/// Why it can't be had.
pub(super) fn current(outcome: &CaptureOutcome, part: Part) -> Result<Estimate, Reason> {
    let measured = outcome.number(Measure::CurrentRms, part);
    let reason = match measured {
        Ok(number) => return Ok(number.estimate.clone()),
        Err(reason) => reason,
    };
    let both = (outcome.number(Measure::Power, part), outcome.number(Measure::VoltageRms, part));
    let (Ok(power), Ok(voltage)) = both else { return Err(reason) };
    let (p, v) = (power.estimate.value, voltage.estimate.value);
    if v <= 0.0 {
        return Err(reason);
    }
    let relative = |number: &KeptMeasure| {
        number.estimate.standard_uncertainty.map(|u| u / number.estimate.value.abs())
    };
    let mut found = match (relative(power), relative(voltage)) {
        (Some(p_u), Some(v_u)) => {
            let load = power.load_uncertainty.map_or(0.0, |u| u / p.abs());
            let channel = voltage.voltage_uncertainty.map_or(v_u, |u| u / v);
            let common = 2.0 * outcome.correlated.voltage_load * channel * load;
            let u = (p_u * p_u - 3.0 * v_u * v_u + common).max(0.0).sqrt() * p / v;
            estimate(p / v, u, power.freedom()).ok_or(reason)?
        }
        _ => Estimate::new(p / v).ok_or(reason)?,
    };
    found.missing_terms = power.estimate.missing_terms;
    found.partial = power.estimate.partial;
    Ok(found)
}

/// Power averaged over 1 s, as far as a capture tells it.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum OverOneSecond {
    /// From a record that is long enough.
    Measured(Estimate),
    /// The record is shorter: its cycle or its only kind of output, taken as if it went on.
    GoesOn(Estimate),
    /// The record is shorter, and holds only a part of what the setting repeats: it can't be more than
    /// this, but may be less.
    AtMost(Estimate),
}

/// The largest power averaged over 1 s that a capture vouches for, W; `mixed` where the setting
/// repeats more than one kind of output or rests between.
#[must_use]
pub(super) fn over_1s(outcome: &CaptureOutcome, mixed: bool) -> Option<OverOneSecond> {
    let best = |measure: Measure, parts: &[Part]| {
        parts
            .iter()
            .filter_map(|part| outcome.number(measure, *part).ok())
            .max_by(|a, b| a.estimate.value.total_cmp(&b.estimate.value))
            .map(|number| number.estimate.clone())
    };
    let kinds = [Part::Cut, Part::Coag];
    if let Some(found) = best(Measure::PowerOneSecond, &[Part::Whole, Part::Cut, Part::Coag]) {
        return Some(OverOneSecond::Measured(found));
    }
    if mixed {
        let cycle = best(Measure::Power, &[Part::Cycle]).map(OverOneSecond::GoesOn);
        return cycle.or_else(|| best(Measure::Power, &kinds).map(OverOneSecond::AtMost));
    }
    best(Measure::Power, &kinds)
        .or_else(|| best(Measure::Power, &[Part::Whole]))
        .map(OverOneSecond::GoesOn)
}
