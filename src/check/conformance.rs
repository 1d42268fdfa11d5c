//! How likely it is that a value lies within its bounds (JCGM 106:2012, clause 7).

use crate::numeric::student;

/// Probability that the true value lies between `bounds`, from a measured value with standard
/// uncertainty `u` and `freedom` degrees of freedom (infinity: normal), without other knowledge of
/// it.
#[must_use]
pub fn probability(value: f64, u: f64, freedom: f64, bounds: (Option<f64>, Option<f64>)) -> f64 {
    let below = |bound: f64| {
        if u > 0.0 {
            student::probability_below((bound - value) / u, freedom)
        } else if value < bound {
            1.0
        } else {
            0.0
        }
    };
    let up_to = bounds.1.map_or(1.0, |upper| {
        // Exactly on the bound is inside it.
        if u > 0.0 || value != upper { below(upper) } else { 1.0 }
    });
    (up_to - bounds.0.map_or(0.0, below)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_uncertainty_it_is_yes_or_no() {
        let bounds = (Some(1.0), Some(2.0));
        for (value, wanted) in [(0.9, 0.0), (1.0, 1.0), (1.5, 1.0), (2.0, 1.0), (2.1, 0.0)] {
            assert_eq!(probability(value, 0.0, f64::INFINITY, bounds), wanted, "{value}");
        }
    }

    /// On the bound, with a symmetric distribution: one half.
    #[test]
    fn on_the_bound_it_is_even() {
        for freedom in [3.0, f64::INFINITY] {
            let p = probability(5.0, 0.1, freedom, (None, Some(5.0)));
            assert!((p - 0.5).abs() < 1e-12);
        }
    }
}
