//! Repeated activations: how far they scatter, and how the power moves along one.

use super::estimate;
use crate::estimate::Estimate;
use crate::numeric::moments::mean_and_deviation;

/// Relative standard deviation s / mean of some powers; its own standard uncertainty is
/// s / sqrt(2 (n - 1)) (JCGM 100, E.4.3).
#[must_use]
pub fn spread(powers: &[f64]) -> Option<Estimate> {
    let (mean, deviation) = mean_and_deviation(powers)?;
    let freedom = powers.len() as f64 - 1.0;
    let relative = deviation? / mean;
    if mean <= 0.0 {
        return None;
    }
    estimate(relative, relative / (2.0 * freedom).sqrt(), freedom)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 98, 100, 102: s = 2, so 2 %; u = 0.02 / sqrt(4) = 1 %.
    #[test]
    fn by_hand() {
        let found = spread(&[98.0, 100.0, 102.0]).unwrap();
        assert!((found.value - 0.02).abs() < 1e-12);
        assert!((found.standard_uncertainty.unwrap() - 0.01).abs() < 1e-12);
        assert!(spread(&[100.0]).is_none());
    }
}
