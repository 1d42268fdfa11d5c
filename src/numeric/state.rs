//! The two states of a signal that switches between levels.

use super::moments::extremes;
use super::order::median;

/// Bins of the histogram.
const BINS: usize = 100;

/// Levels of the low and the high state: the modes of the lower and the upper half of a histogram
/// (IEEE Std 181, histogram method), each refined to
/// the median of the values in its bin and the two beside it. Without that a level sits in the
/// middle of its bin, up to half a bin (0.5 % of the span) off.
///
/// `None` where there are no values or only one level. Values must not be NaN.
#[must_use]
pub fn state_levels(x: &[f64]) -> Option<(f64, f64)> {
    let (low, high) = extremes(x).filter(|(low, high)| high > low)?;
    let width = (high - low) / BINS as f64;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let bin = |value: f64| (((value - low) / width) as usize).min(BINS - 1);
    let mut counts = [0_usize; BINS];
    for value in x {
        counts[bin(*value)] += 1;
    }
    let level = |half: std::ops::Range<usize>| {
        let mode = half.clone().max_by_key(|k| (counts[*k], std::cmp::Reverse(*k)))?;
        let near = mode.saturating_sub(1).max(half.start)..(mode + 2).min(half.end);
        let mut members: Vec<f64> = x.iter().copied().filter(|v| near.contains(&bin(*v))).collect();
        median(&mut members)
    };
    Some((level(0..BINS / 2)?, level(BINS / 2..BINS)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Trapezoid of 0 to 5 V, rise 5 us, top 30, fall 20, period 100, at 10 MS/s. The mode of a
    /// 100-bin histogram alone gives 0.025 and 4.975 V, and a rise of 3.96 us; by closed form the
    /// 10-90 % rise is 0.8 * 5 = 4 us, the duration between 50 % points 2.5 + 30 + 10 = 42.5 us.
    #[test]
    fn levels_of_a_trapezoid_are_not_half_a_bin_off() {
        let x: Vec<f64> = (0..10_000)
            .map(|n| {
                let t = f64::from(n % 1000) / 10.0;
                match t {
                    t if t < 5.0 => t,
                    t if t < 35.0 => 5.0,
                    t if t < 55.0 => 5.0 - (t - 35.0) / 4.0,
                    _ => 0.0,
                }
            })
            .collect();
        let (low, high) = state_levels(&x).unwrap();
        assert!(low.abs() < 1e-12 && (high - 5.0).abs() < 1e-12, "{low} {high}");
        // Instants by linear interpolation between samples, us.
        let crossing = |share: f64, from: usize, up: bool| {
            let level = low + share * (high - low);
            let k = (from..x.len() - 1)
                .find(|k| if up { x[k + 1] >= level } else { x[k + 1] <= level })
                .unwrap();
            (k as f64 + (level - x[k]) / (x[k + 1] - x[k])) / 10.0
        };
        let rise = crossing(0.9, 1000, true) - crossing(0.1, 1000, true);
        let duration = crossing(0.5, 1300, false) - crossing(0.5, 1000, true);
        let fall = crossing(0.1, 1300, false) - crossing(0.9, 1300, false);
        assert!((rise - 4.0).abs() < 1e-9, "{rise}");
        assert!((fall - 16.0).abs() < 1e-9, "{fall}");
        assert!((duration - 42.5).abs() < 1e-9, "{duration}");
    }

    #[test]
    fn one_level_is_no_two_states() {
        assert_eq!(state_levels(&[]), None);
        assert_eq!(state_levels(&[3.0; 10]), None);
    }
}
