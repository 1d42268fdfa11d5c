//! Control charts of single values: Shewhart's individuals chart, EWMA and CUSUM, as the NIST/SEMATECH e-Handbook of
//! Statistical Methods has them (6.3.2.2, 6.3.2.4, 6.3.2.3).

use super::student;

/// Mean of the range of two normal values over their standard deviation: d2 for n = 2.
const D2: f64 = 1.128;
/// Centre and limits of an individuals chart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Individuals {
    /// Mean of the values.
    pub centre: f64,
    /// Mean of the moving ranges.
    pub moving_range: f64,
    /// Lower limit: three standard deviations, by the moving range.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

fn moving_ranges(values: &[f64]) -> Vec<f64> {
    values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect()
}

/// The individuals chart of values; `None` below two.
#[must_use]
pub fn individuals(values: &[f64]) -> Option<Individuals> {
    let ranges = moving_ranges(values);
    if ranges.is_empty() {
        return None;
    }
    let moving_range = ranges.iter().sum::<f64>() / ranges.len() as f64;
    let centre = values.iter().sum::<f64>() / values.len() as f64;
    let three = 3.0 * moving_range / D2;
    Some(Individuals { centre, moving_range, lower: centre - three, upper: centre + three })
}

/// Standard deviation by the moving ranges without the largest fifth of them, which neither one outlier nor one
/// step moves much; the factor is that of normal values.
#[must_use]
pub fn robust_deviation(values: &[f64]) -> Option<f64> {
    let mut ranges = moving_ranges(values);
    let all = ranges.len();
    ranges.sort_by(f64::total_cmp);
    ranges.truncate(all - all / 5);
    if ranges.is_empty() {
        return None;
    }
    let mean = ranges.iter().sum::<f64>() / ranges.len() as f64;
    if mean > 0.0 {
        // Mean of |z| below its quantile q of the share that is kept, times the root of 2.
        let share = ranges.len() as f64 / all as f64;
        let below = if all == ranges.len() {
            1.0
        } else {
            let q = student::quantile(f64::midpoint(1.0, share), f64::INFINITY)?;
            1.0 - (-q * q / 2.0).exp()
        };
        return Some(mean / (2.0 * std::f64::consts::FRAC_1_PI.sqrt() * below / share));
    }
    // Nearly all values repeat the one before, as rounded ones do.
    let ranges = moving_ranges(values);
    Some(ranges.iter().sum::<f64>() / ranges.len() as f64 / D2)
}

/// Exponentially weighted moving average from a starting value: one value for each that is given.
#[must_use]
pub fn ewma(values: &[f64], start: f64, weight: f64) -> Vec<f64> {
    let mut at = start;
    let step = |value: &f64| {
        at = weight * value + (1.0 - weight) * at;
        at
    };
    values.iter().map(step).collect()
}

/// Half width of the limits of an EWMA after `count` values (0: in the long run), in standard deviations of one value.
#[must_use]
pub fn ewma_half_width(weight: f64, count: usize, factor: f64) -> f64 {
    let long_run = weight / (2.0 - weight);
    let grown = if count == 0 { 1.0 } else { 1.0 - (1.0 - weight).powf(2.0 * count as f64) };
    factor * (long_run * grown).sqrt()
}

/// Both sums of a CUSUM chart about a target, with the slack `k`: above and below.
#[must_use]
pub fn cusum(values: &[f64], target: f64, k: f64) -> Vec<(f64, f64)> {
    let (mut high, mut low) = (0.0_f64, 0.0_f64);
    let step = |value: &f64| {
        high = (high + value - target - k).max(0.0);
        low = (low + target - k - value).max(0.0);
        (high, low)
    };
    values.iter().map(step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, wanted: f64, within: f64) {
        assert!((found - wanted).abs() <= within, "{found}, not {wanted}");
    }

    /// NIST/SEMATECH e-Handbook, 6.3.2.2: flowrate in ten batches (values from memory, results as in
    /// shared/metrology.md: they agree).
    #[test]
    fn individuals_are_those_of_the_handbook() {
        let values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let chart = individuals(&values).unwrap();
        near(chart.centre, 50.81, 1e-9);
        near(chart.moving_range, 1.8778, 5e-5);
        near(chart.upper, 55.8041, 6e-4);
        near(chart.lower, 45.8159, 6e-4);
        assert_eq!(individuals(&values[..1]), None);
    }

    /// NIST/SEMATECH e-Handbook, 6.3.2.4: 20 values (from memory), weight 0.3, centre 50, deviation 2.0539.
    #[test]
    fn averages_are_those_of_the_handbook() {
        let values = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
            47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
        ];
        let wanted = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
            49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        for (found, wanted) in ewma(&values, 50.0, 0.3).into_iter().zip(wanted) {
            near(found, wanted, 0.0051);
        }
        let half = 2.0539 * ewma_half_width(0.3, 0, 3.0);
        near(50.0 + half, 52.5884, 1e-4);
        near(50.0 - half, 47.4115, 2e-4);
        assert!(ewma_half_width(0.3, 1, 3.0) < ewma_half_width(0.3, 9, 3.0));
    }

    /// NIST/SEMATECH e-Handbook, 6.3.2.3: target 325, k 0.3175 (values from memory; sums as in
    /// shared/metrology.md).
    #[test]
    fn sums_are_those_of_the_handbook() {
        let values = [
            324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225,
            324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775,
            326.875, 328.350,
        ];
        let sums = cusum(&values, 325.0, 0.3175);
        let wanted = [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035];
        for ((high, _), wanted) in sums[12..].iter().zip(wanted) {
            near(*high, wanted, 1e-6);
        }
        assert_eq!(sums.iter().position(|(high, low)| high.max(*low) > 4.1959), Some(13));
    }

    #[test]
    fn neither_an_outlier_nor_a_step_moves_the_deviation() {
        let mut values: Vec<f64> = (0..20).map(|k| [0.0, 1.0, -0.5, 0.4][k % 4]).collect();
        let before = robust_deviation(&values).unwrap();
        values[9] = 100.0;
        let after = robust_deviation(&values).unwrap();
        assert!(after < 2.0 * before);
        // Six values that stay, one step: five of six ranges are nothing.
        let step = [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 2.0];
        assert_eq!(robust_deviation(&step), Some(1.0 / 6.0 / D2));
        // Of all ranges it is the usual estimate.
        let few = robust_deviation(&[1.0, 2.0, 1.0, 2.0]).unwrap();
        assert!((few - 1.0 / D2).abs() < 1e-3);
        assert_eq!(robust_deviation(&[1.0]), None);
    }
}
