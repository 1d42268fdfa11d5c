//! The period with which a series repeats.

use realfft::RealFftPlanner;

/// What repeats, and how well.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Repetition {
    /// Period in values of the series.
    pub lag: f64,
    /// Autocorrelation at that lag, up to 1.
    pub strength: f64,
}

/// Longest series that is looked at; of longer ones the start.
const LONGEST: usize = 1 << 18;
/// A shorter lag is the period where its correlation comes this close to the best one, which may
/// stand at a multiple of it.
const AS_GOOD: f64 = 0.85;

/// The shortest lag of at least `least` values and at most half of the series at which the series is
/// like itself.
///
/// By its autocorrelation, each lag divided by the number of pairs it is summed over. `None` where
/// nothing repeats: the correlation stays below 0.35, or below what chance makes of so few values.
#[must_use]
pub fn repetition(y: &[f64], least: usize) -> Option<Repetition> {
    const WEAKEST: f64 = 0.35;
    let y = &y[..y.len().min(LONGEST)];
    let r = autocorrelation(y)?;
    let most = r.len().min(y.len() / 2 + 1);
    // The slope next to lag 0 is no repetition: it begins where the correlation has fallen.
    let fallen = r.iter().position(|r| *r < 0.5 * AS_GOOD)?;
    let peaks: Vec<usize> = (fallen.max(least).max(1)..most.saturating_sub(1))
        .filter(|k| r[*k] >= r[k - 1] && r[*k] > r[k + 1])
        .collect();
    let best = peaks.iter().map(|k| r[*k]).fold(0.0, f64::max);
    if best < WEAKEST {
        return None;
    }
    let lag = *peaks.iter().find(|k| r[**k] >= AS_GOOD * best)?;
    let (left, middle, right) = (r[lag - 1], r[lag], r[lag + 1]);
    let bend = left - 2.0 * middle + right;
    let aside = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    Some(Repetition { lag: lag as f64 + aside, strength: middle })
}

/// Autocorrelation of a series about its mean, by lag, 1 at lag 0. `None` of a constant one, or one of
/// fewer than eight values.
fn autocorrelation(y: &[f64]) -> Option<Vec<f64>> {
    let n = y.len();
    if n < 8 {
        return None;
    }
    let mean = super::moments::mean(y)?;
    // Zeros behind keep the end from meeting the start.
    let length = (2 * n).next_power_of_two();
    let mut input = vec![0.0; length];
    for (slot, value) in input.iter_mut().zip(y) {
        *slot = value - mean;
    }
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(length);
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut input, &mut spectrum).ok()?;
    for value in &mut spectrum {
        *value = realfft::num_complex::Complex::new(value.norm_sqr(), 0.0);
    }
    let back = planner.plan_fft_inverse(length);
    let mut out = vec![0.0; length];
    back.process(&mut spectrum, &mut out).ok()?;
    let zero = out[0] / n as f64;
    if zero.is_nan() || zero <= 0.0 {
        return None;
    }
    Some((0..n).map(|lag| out[lag] / (n - lag) as f64 / zero).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pulses of these heights by turns, each `width` long, every `spacing`.
    fn pulses(heights: &[f64], spacing: usize, width: usize, count: usize) -> Vec<f64> {
        (0..count * spacing)
            .map(|k| if k % spacing < width { heights[k / spacing % heights.len()] } else { 0.0 })
            .collect()
    }

    #[test]
    fn even_pulses_repeat_with_their_spacing() {
        let found = repetition(&pulses(&[1.0], 40, 5, 12), 2).unwrap();
        assert!((found.lag - 40.0).abs() < 0.1 && found.strength > 0.95, "{found:?}");
    }

    #[test]
    fn unlike_pulses_repeat_with_their_pattern() {
        // Second and third packets at places that are not even.
        let mut y = vec![0.0; 1200];
        for k in 0..10 {
            for (at, height) in [(0, 1.0), (31, 0.7), (52 + k % 3, 0.4)] {
                y[k * 120 + at..k * 120 + at + 6].fill(height);
            }
        }
        let found = repetition(&y, 2).unwrap();
        assert!((found.lag - 120.0).abs() < 0.5, "{found:?}");
    }

    #[test]
    fn nothing_repeats_in_a_ramp_or_a_constant() {
        assert_eq!(repetition(&[3.0; 100], 2), None);
        let ramp: Vec<f64> = (0..100).map(f64::from).collect();
        assert_eq!(repetition(&ramp, 2), None);
        assert_eq!(repetition(&[1.0, 2.0], 1), None);
    }
}
