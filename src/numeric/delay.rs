//! Band-limited shift of a series by a part of a sample.

/// Samples needed on each side of the place where a value is wanted.
pub const HALO: usize = 24;

/// A windowed-sinc filter that reads a series `shift` samples later.
///
/// 48 taps under a Kaiser window with beta 8.6 (Kaiser 1974; about 86 dB of stop band, from
/// memory); gain 1 at zero frequency.
#[derive(Clone, Debug)]
pub struct Advance {
    whole: i64,
    taps: Vec<f64>,
}

impl Advance {
    /// Reads `shift` samples ahead (negative: behind); `shift` must be finite.
    #[must_use]
    pub fn new(shift: f64) -> Self {
        #[allow(clippy::cast_possible_truncation)]
        let whole = shift.floor() as i64;
        let fraction = shift - shift.floor();
        if fraction == 0.0 {
            return Self { whole, taps: vec![1.0] };
        }
        const BETA: f64 = 8.6;
        let half = HALO as f64;
        let mut taps: Vec<f64> = (0..2 * HALO)
            .map(|tap| {
                // Tap j weighs x[k + j - (HALO - 1)] for the value at k + fraction.
                let distance = tap as f64 - (half - 1.0) - fraction;
                let edge = distance / half;
                let window = if edge.abs() >= 1.0 {
                    0.0
                } else {
                    bessel_i0(BETA * (1.0 - edge * edge).sqrt()) / bessel_i0(BETA)
                };
                let angle = std::f64::consts::PI * distance;
                window * angle.sin() / angle
            })
            .collect();
        let gain: f64 = taps.iter().sum();
        for tap in &mut taps {
            *tap /= gain;
        }
        Self { whole, taps }
    }

    /// Samples that must stand before the first wanted one.
    #[must_use]
    pub fn before(&self) -> i64 {
        let reach = if self.taps.len() == 1 { 0 } else { HALO as i64 - 1 };
        reach - self.whole
    }

    /// Samples that must stand after the last wanted one.
    #[must_use]
    pub fn after(&self) -> i64 {
        let reach = if self.taps.len() == 1 { 0 } else { HALO as i64 };
        reach + self.whole
    }

    /// Fills `out[k]` with the value of `x` at place `origin + k + shift`.
    ///
    /// Beyond its ends `x` is taken to stay at its last value; an empty `x` gives zeros.
    pub fn apply(&self, x: &[f64], origin: i64, out: &mut [f64]) {
        let Some(top) = (x.len() as i64).checked_sub(1).filter(|top| *top >= 0) else {
            out.fill(0.0);
            return;
        };
        let first = origin + self.whole - if self.taps.len() == 1 { 0 } else { HALO as i64 - 1 };
        for (k, slot) in (0_i64..).zip(out.iter_mut()) {
            let start = first + k;
            let inside = usize::try_from(start).ok().and_then(|s| x.get(s..s + self.taps.len()));
            *slot = match inside {
                Some(window) => dot(&self.taps, window),
                #[allow(clippy::cast_sign_loss, clippy::cast_possible_truncation)]
                None => (start..)
                    .zip(&self.taps)
                    .map(|(place, tap)| tap * x[place.clamp(0, top) as usize])
                    .sum(),
            };
        }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 4];
    let (xs, ys) = (a.chunks_exact(4), b.chunks_exact(4));
    let tail: f64 = xs.remainder().iter().zip(ys.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in xs.zip(ys) {
        for lane in 0..4 {
            lanes[lane] += x[lane] * y[lane];
        }
    }
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3]) + tail
}

/// Modified Bessel function of the first kind, order zero, by its power series
/// (Abramowitz and Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut total) = (1.0, 1.0);
    let mut k = 1.0;
    while term > total * f64::EPSILON {
        term *= quarter / (k * k);
        total += term;
        k += 1.0;
    }
    total
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn shifts_a_sine_by_parts_of_a_sample() {
        for frequency in [0.01, 0.08, 0.3, 0.4] {
            for shift in [-2.25, -0.5, 0.0, 0.12, 0.5, 1.0, 3.9] {
                let advance = Advance::new(shift);
                let x: Vec<f64> =
                    (-40..120).map(|k| (TAU * frequency * f64::from(k)).sin()).collect();
                let mut out = vec![0.0; 50];
                advance.apply(&x, 40, &mut out);
                for (k, value) in out.iter().enumerate() {
                    let truth = (TAU * frequency * (k as f64 + shift)).sin();
                    assert!((value - truth).abs() < 2e-4, "f {frequency} shift {shift} at {k}");
                }
            }
        }
    }

    #[test]
    fn bessel_function_has_its_table_value() {
        // I0(1) = 1.266065877752 (Abramowitz and Stegun, table 9.8, from memory).
        assert!((bessel_i0(1.0) - 1.266_065_877_752).abs() < 1e-12);
    }
}
