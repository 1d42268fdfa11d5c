//! Repeated activations: how far they scatter, and how the power moves along one.

use crate::estimate::{Coverage, Estimate};
use crate::numeric::moments::mean_and_deviation;
use crate::numeric::student::NORMAL_K;
use statrs::distribution::{ChiSquared, ContinuousCDF};

/// Relative standard deviation s / mean of some powers. Its interval is that of chi-square,
/// sqrt((n - 1) / chi2) about s, and reaches further up than down; U is its upper side, so that a
/// guarded pass is wrong in 2.5 of 100 cases.
#[must_use]
pub(super) fn spread(powers: &[f64]) -> Option<Estimate> {
    let (mean, deviation) = mean_and_deviation(powers)?;
    let freedom = powers.len() as f64 - 1.0;
    let relative = deviation? / mean;
    if mean <= 0.0 {
        return None;
    }
    let chi = ChiSquared::new(freedom).ok()?.inverse_cdf(0.025);
    let expanded = relative * ((freedom / chi).sqrt() - 1.0);
    let mut found = Estimate::new(relative)?;
    found.standard_uncertainty = Some(expanded / NORMAL_K);
    found.coverage = Some(Coverage {
        expanded_uncertainty: expanded,
        coverage_factor: NORMAL_K,
        degrees_of_freedom: None,
    });
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 98, 100, 102: s = 2, so 2 %; chi-square of 2 degrees of freedom at 2.5 % is 0.0506 (tables), so
    /// the upper end is 2 % sqrt(2 / 0.0506) = 12.57 %.
    #[test]
    fn by_hand() {
        let found = spread(&[98.0, 100.0, 102.0]).unwrap();
        assert!((found.value - 0.02).abs() < 1e-12);
        assert!((found.expanded().unwrap() - 0.1057).abs() < 1e-4);
        assert!(spread(&[100.0]).is_none());
    }
}
