//! Amplitude of a carrier along time.

/// Amplitude of the carrier along `x`: demodulated at `w` and averaged over whole cycles, about
/// `length` samples, centred.
#[must_use]
pub fn envelope(x: &[f64], w: f64, length: usize) -> Vec<f64> {
    let mut sums = Vec::with_capacity(x.len() + 1);
    let (mut re, mut im) = (0.0, 0.0);
    sums.push((re, im));
    for (n, value) in x.iter().enumerate() {
        let (sin, cos) = (w * n as f64).sin_cos();
        re += value * cos;
        im += value * sin;
        sums.push((re, im));
    }
    let before = length / 2;
    (0..x.len())
        .map(|n| {
            let (from, to) = (n.saturating_sub(before), (n + length - before).min(x.len()));
            let (a, b) = (sums[from], sums[to]);
            2.0 * (b.0 - a.0).hypot(b.1 - a.1) / length as f64
        })
        .collect()
}

/// Amplitude of a sine of unknown frequency along `x`: the root of twice the mean square of `length`
/// samples, centred.
#[must_use]
pub fn amplitude(x: &[f64], length: usize) -> Vec<f64> {
    let mut sums = Vec::with_capacity(x.len() + 1);
    let mut sum = 0.0;
    sums.push(sum);
    for value in x {
        sum += value * value;
        sums.push(sum);
    }
    let before = length / 2;
    (0..x.len())
        .map(|n| {
            let (from, to) = (n.saturating_sub(before), (n + length - before).min(x.len()));
            (2.0 * (sums[to] - sums[from]).max(0.0) / length as f64).sqrt()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn envelope_of_a_switched_sine_crosses_half_at_the_switch() {
        let w = TAU / 20.0;
        let x: Vec<f64> =
            (0..400).map(|n| if n < 200 { 0.0 } else { (w * f64::from(n)).sin() * 7.0 }).collect();
        let e = envelope(&x, w, 20);
        let at = e.iter().position(|e| *e >= 3.5).unwrap();
        assert!((198..=202).contains(&at), "{at}");
        assert!((e[300] - 7.0).abs() < 1e-9);
    }

    #[test]
    fn amplitude_needs_no_frequency() {
        let x: Vec<f64> = (0..400).map(|n| (f64::from(n) * 2.3).sin() * 7.0).collect();
        let e = amplitude(&x, 60);
        assert!((e[200] - 7.0).abs() < 0.2, "{}", e[200]);
    }
}
