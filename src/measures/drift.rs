//! How the power moves along one activation.

/// Most windows that one activation is cut into.
pub const WINDOWS: usize = 20;

/// Relative change of a power from start to end by a straight line through the means of even
/// windows, its standard uncertainty from their scatter, and the degrees of freedom.
///
/// `None` with fewer than four windows, or where the mean is not above 0.
#[must_use]
pub fn drift(windows: &[f64]) -> Option<(f64, f64, f64)> {
    let kept = windows;
    if kept.len() < 4 {
        return None;
    }
    let n = kept.len() as f64;
    let mean = kept.iter().sum::<f64>() / n;
    // Places of the windows' middles in shares of the activation, about their own mean.
    let place = |k: usize| (k as f64 - (n - 1.0) / 2.0) / windows.len() as f64;
    let squares: f64 = (0..kept.len()).map(|k| place(k) * place(k)).sum();
    let slope = kept.iter().enumerate().map(|(k, y)| place(k) * (y - mean)).sum::<f64>() / squares;
    let residual: f64 =
        kept.iter().enumerate().map(|(k, y)| (y - mean - slope * place(k)).powi(2)).sum();
    let freedom = n - 2.0;
    let u = (residual / freedom / squares).sqrt();
    (mean > 0.0).then_some((slope / mean, u / mean, freedom))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 100 W falling by 1 W per window of 10: from 100 to 90 over the whole, 95 on average.
    #[test]
    fn a_straight_line_is_found_again() {
        let windows: Vec<f64> = (0..10).map(|k| 99.5 - f64::from(k)).collect();
        let (relative, u, freedom) = drift(&windows).unwrap();
        assert!((relative + 10.0 / 95.0).abs() < 1e-12);
        assert!(u < 1e-12 && freedom == 8.0);
        assert!(drift(&windows[..3]).is_none());
        assert!(drift(&[0.0; 10]).is_none());
    }
}
