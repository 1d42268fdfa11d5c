//! Fewer samples where there are more than are needed.

/// Means of `factor` samples each; samples at the end that fill no group are left out. A factor below
/// 2 leaves all as they are.
#[must_use]
pub fn means(x: &[f64], factor: usize) -> Vec<f64> {
    if factor < 2 {
        return x.to_vec();
    }
    let share = 1.0 / factor as f64;
    x.chunks_exact(factor).map(|group| super::moments::sum(group) * share).collect()
}

/// What is left of the amplitude of a sine of so many samples per cycle when `factor` samples each
/// are taken together: sin(pi m / n) / (m sin(pi / n)).
#[must_use]
pub fn amplitude_left(per_cycle: f64, factor: usize) -> f64 {
    if factor < 2 || per_cycle.is_nan() || per_cycle <= 2.0 {
        return 1.0;
    }
    let (m, step) = (factor as f64, std::f64::consts::PI / per_cycle);
    (m * step).sin() / (m * step.sin())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_keeps_what_is_said() {
        let n = 320;
        let x: Vec<f64> =
            (0..10 * n).map(|k| (std::f64::consts::TAU * k as f64 / n as f64).sin()).collect();
        let thin = means(&x, 10);
        let square = thin.iter().map(|x| x * x).sum::<f64>() / thin.len() as f64;
        let left = (2.0 * square).sqrt();
        assert!((left - amplitude_left(n as f64, 10)).abs() < 1e-12, "{left}");
    }
}
