//! Power over the dial: it must never rise when the dial is lowered.

use super::estimate;
use super::outcome::Number;
use crate::estimate::Estimate;

/// By how much the power rises from one number on the dial to the next, W. What both captures
/// share (scales, load, ...) goes with the difference only, in the proportion of both.
#[must_use]
pub fn rise(low: &Number, high: &Number) -> Option<Estimate> {
    let difference = high.estimate.value - low.estimate.value;
    let shared = |number: &Number| {
        let (u, own) = (number.estimate.standard_uncertainty?, number.apart(true)?);
        Some((u * u - own * own).max(0.0).sqrt())
    };
    let u_shared = shared(high)? - shared(low)?;
    let u = low.apart(true)?.hypot(high.apart(true)?).hypot(u_shared);
    let mut found = estimate(difference, u, low.freedom().min(high.freedom()))?;
    found.partial = low.estimate.partial || high.estimate.partial;
    found.missing_terms.clone_from(&high.estimate.missing_terms);
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::result::Part;

    fn number(value: f64, u: f64, own: f64) -> Number {
        Number {
            measure: "power_w".into(),
            part: Part::Cut,
            estimate: estimate(value, u, f64::INFINITY).unwrap(),
            own_uncertainty: Some(own),
            load_uncertainty: Some(0.0),
        }
    }

    /// 2 % shared of 50 W and 51 W: 1 W and 1.02 W; of the difference 0.02 W. Own: 0.1 W each.
    #[test]
    fn what_is_shared_cancels() {
        let (low, high) =
            (number(50.0, 1.0_f64.hypot(0.1), 0.1), number(51.0, 1.02_f64.hypot(0.1), 0.1));
        let found = rise(&low, &high).unwrap();
        assert!((found.value - 1.0).abs() < 1e-12);
        let wanted = (0.02_f64.powi(2) + 2.0 * 0.1_f64.powi(2)).sqrt();
        assert!((found.standard_uncertainty.unwrap() - wanted).abs() < 1e-12);
    }
}
