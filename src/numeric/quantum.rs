//! What a converter leaves in numbers: its step, and what its coarseness does to a sine.

use super::moments::extremes;

/// Step of the quantiser: the greatest common divisor of all differences, within a millionth of
/// the range; `None` where there is none, as in computed data.
#[must_use]
pub fn quantum(x: &[f64]) -> Option<f64> {
    let (low, high) = extremes(x)?;
    let slack = 1e-6 * (high - low);
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    let mut step = 0.0_f64;
    for pair in sorted.windows(2) {
        let mut difference = pair[1] - pair[0];
        // Euclid's algorithm, with remainders next to 0 or to the divisor taken as none.
        while difference > slack {
            let rest = step % difference;
            step = difference;
            difference = if difference - rest < slack { 0.0 } else { rest };
        }
        if step > 0.0 && step < 10.0 * slack {
            return None;
        }
    }
    (step > 0.0).then_some(step)
}

/// What rounding to whole codes does to the RMS of a sine of `codes` from peak to peak, relative,
/// at worst over its place between the codes: rounding adds a twelfth of a squared step to the
/// mean square, and more where steps and crests fall together.
#[must_use]
pub fn effect_on_rms(codes: f64) -> f64 {
    let effects = [0.0, 0.25, 0.5].map(|shift| effect_at(codes, shift));
    effects
        .into_iter()
        .fold(0.0, |worst, effect| if effect.abs() > worst { effect.abs() } else { worst })
}

/// The same, signed, for a sine whose middle lies `shift` of a step from a code.
fn effect_at(codes: f64, shift: f64) -> f64 {
    const POINTS: u32 = 20_000;
    let amplitude = codes / 2.0;
    let (mut rounded, mut exact) = (0.0, 0.0);
    for k in 0..POINTS {
        let angle = std::f64::consts::TAU * (f64::from(k) + 0.5) / f64::from(POINTS);
        let x = amplitude * angle.sin();
        let y = (x + shift).round() - shift;
        rounded += y * y;
        exact += x * x;
    }
    (rounded / f64::max(exact, f64::MIN_POSITIVE)).sqrt() - 1.0
}

/// How samples between the real ones were made up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Filling {
    /// Each value stands several times.
    Held,
    /// Straight lines between the real samples.
    Linear,
}

/// Whether all samples but one in `n` lie on a straight line or a step between their neighbours: such
/// a record was sampled `n` times more slowly. Rounding may leave a little of it. `None` where it was
/// not.
#[must_use]
pub fn filled(x: &[f64]) -> Option<(usize, Filling)> {
    const MOST: usize = 32;
    let (low, high) = extremes(x)?;
    if high <= low || x.len() < 8 * MOST {
        return None;
    }
    let steps: Vec<f64> = x.windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).collect();
    let bends: Vec<f64> =
        x.windows(3).map(|three| (three[0] - 2.0 * three[1] + three[2]).powi(2)).collect();
    let held = spaced(&steps, MOST).map(|n| (n, Filling::Held));
    held.or_else(|| spaced(&bends, MOST).map(|n| (n, Filling::Linear)))
}

/// The largest spacing `n` > 1 of which one place in `n` holds next to all of what changes, and nearly
/// each of these places some.
fn spaced(changes: &[f64], most: usize) -> Option<usize> {
    /// Share of the change that rounding may spread over the other places.
    const SPREAD: f64 = 0.02;
    let all: f64 = changes.iter().sum();
    if all <= 0.0 {
        return None;
    }
    (2..=most).rev().find(|n| {
        let mut sums = vec![0.0; *n];
        for (k, change) in changes.iter().enumerate() {
            sums[k % n] += change;
        }
        let Some(best) = (0..*n).max_by(|a, b| sums[*a].total_cmp(&sums[*b])) else {
            return false;
        };
        if all - sums[best] > SPREAD * all {
            return false;
        }
        // A wave that keeps step with the samples may jump at one place in n too, but only now and
        // then.
        let own: Vec<f64> = changes.iter().skip(best).step_by(*n).copied().collect();
        let small = 1e-4 * all / own.len() as f64;
        2 * own.iter().filter(|change| **change > small).count() > own.len()
    })
}

/// Whether samples stand in pairs of a smallest and a largest value, as peak detection leaves them:
/// within each pair the step goes the same way.
#[must_use]
pub fn in_pairs(x: &[f64]) -> bool {
    const FEWEST: usize = 200;
    const NEARLY: f64 = 0.985;
    if x.len() < 2 * FEWEST {
        return false;
    }
    let one_way = |from: usize| {
        let (mut up, mut down) = (0_usize, 0_usize);
        for pair in x[from..].chunks_exact(2) {
            up += usize::from(pair[1] > pair[0]);
            down += usize::from(pair[1] < pair[0]);
        }
        let pairs = (x.len() - from) / 2;
        // Equal ones tell nothing, but most must differ.
        let told = up + down;
        2 * told > pairs && up.max(down) as f64 >= NEARLY * told as f64
    };
    one_way(0) || one_way(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RMS errors of a quantised sine, measured by the project by a second implementation: +0.01, +0.10,
    /// +0.43, +1.8, +5.3 % at 200, 50, 20, 8, 4 codes from peak to peak.
    #[test]
    fn coarseness_reads_high_by_what_was_measured() {
        for (codes, percent, slack) in [
            (200.0, 0.01, 0.005),
            (50.0, 0.10, 0.005),
            (20.0, 0.43, 0.01),
            (8.0, 1.8, 0.05),
            (4.0, 5.3, 0.1),
        ] {
            let effect = 100.0 * effect_at(codes, 0.0);
            assert!((effect - percent).abs() < slack, "{codes}: {effect}");
            assert!(effect_on_rms(codes) >= effect / 100.0);
        }
    }

    #[test]
    fn made_up_samples_are_found() {
        let real: Vec<f64> = (0..600).map(|k| (f64::from(k) * 0.37).sin()).collect();
        assert_eq!(filled(&real), None);
        for n in [2, 3, 5, 10] {
            let linear: Vec<f64> = real
                .windows(2)
                .flat_map(|pair| {
                    (0..n).map(move |k| pair[0] + (pair[1] - pair[0]) * f64::from(k) / f64::from(n))
                })
                .collect();
            assert_eq!(filled(&linear), Some((n as usize, Filling::Linear)));
            let held: Vec<f64> = real.iter().flat_map(|x| vec![*x; n as usize]).collect();
            assert_eq!(filled(&held), Some((n as usize, Filling::Held)));
        }
        let coarse: Vec<f64> =
            (0..3000).map(|k| (100.0 * (f64::from(k) * 0.21).sin()).round()).collect();
        assert_eq!(filled(&coarse), None);
    }
}
