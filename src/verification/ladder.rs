//! Power over the dial: it must never rise when the dial is lowered.

use super::outcome::KeptMeasure;
use super::{Term, estimate};
use crate::estimate::Estimate;

/// By how much the power rises from one number on the dial to the next, W. What both captures share
/// (scales, and with `same_load` the load) goes with the difference only, in the proportion of both;
/// without `shared` instruments nothing cancels.
#[must_use]
pub(super) fn rise(
    low: &KeptMeasure,
    high: &KeptMeasure,
    shared: bool,
    same_load: bool,
) -> Option<Estimate> {
    let difference = high.estimate.value - low.estimate.value;
    let (low_term, high_term) = (low.term(shared, same_load)?, high.term(shared, same_load)?);
    let common = |number: &KeptMeasure, own: Term| {
        let u = number.estimate.standard_uncertainty?;
        Some((u * u - own.u * own.u).max(0.0).sqrt())
    };
    let left = common(high, high_term)? - common(low, low_term)?;
    let term = low_term.and(high_term).and(Term::normal(left.abs()));
    let mut found = estimate(difference, term.u, term.freedom)?;
    found.partial = low.estimate.partial || high.estimate.partial;
    found.missing_terms = high.estimate.missing_terms;
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::result::Part;

    fn number(value: f64, u: f64, own: f64) -> KeptMeasure {
        KeptMeasure {
            measure: crate::measures::Measure::Power,
            part: Part::Cut,
            estimate: estimate(value, u, f64::INFINITY).unwrap(),
            own_uncertainty: Some(own),
            own_freedom: None,
            load_uncertainty: Some(0.0),
            voltage_uncertainty: None,
            current_uncertainty: None,
        }
    }

    /// 2 % shared of 50 W and 51 W: 1 W and 1.02 W; of the difference 0.02 W. Own: 0.1 W each.
    #[test]
    fn what_is_shared_cancels() {
        let (low, high) =
            (number(50.0, 1.0_f64.hypot(0.1), 0.1), number(51.0, 1.02_f64.hypot(0.1), 0.1));
        let found = rise(&low, &high, true, true).unwrap();
        assert!((found.value - 1.0).abs() < 1e-12);
        let wanted = (0.02_f64.powi(2) + 2.0 * 0.1_f64.powi(2)).sqrt();
        assert!((found.standard_uncertainty.unwrap() - wanted).abs() < 1e-12);
        // By two sets of instruments nothing cancels.
        let apart = rise(&low, &high, false, true).unwrap();
        let wanted = (2.0 * 0.1_f64.powi(2) + 1.0 + 1.02_f64.powi(2)).sqrt();
        assert!((apart.standard_uncertainty.unwrap() - wanted).abs() < 1e-12);
    }

    /// Three activations each, 0.1 W their deviation of the mean: 4 degrees of freedom, k 2.78.
    #[test]
    fn few_activations_leave_few_degrees_of_freedom() {
        let few = |value: f64| KeptMeasure { own_freedom: Some(2.0), ..number(value, 0.1, 0.1) };
        let found = rise(&few(50.0), &few(51.0), true, true).unwrap();
        assert!((found.coverage.unwrap().degrees_of_freedom.unwrap() - 4.0).abs() < 1e-9);
        assert!((found.coverage.unwrap().coverage_factor - 2.776).abs() < 1e-3);
    }
}
