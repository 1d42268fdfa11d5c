//! One cycle of a wave that repeats, put together from many: what each sample adds lies at its own place
//! of the cycle, so that the shape is told more finely than any one cycle tells it, and noise of any
//! colour averages out (equivalent-time sampling).

/// Mean values over one cycle.
#[derive(Clone, Debug, PartialEq)]
pub struct Folded {
    /// Means by place, from the start of the cycle on.
    means: Vec<f64>,
    /// Standard deviation of a mean.
    u: f64,
}

/// Places of a cycle, and samples that each has at least.
const PLACES: usize = 256;
const EACH: usize = 8;

impl Folded {
    /// Folds `x`, whose wave turns by `w` radians per sample, over `cycles` of it. `None` where there are
    /// too few samples, or where they keep step with the wave and leave places empty.
    #[must_use]
    pub fn new(x: &[f64], w: f64, cycles: usize) -> Option<Self> {
        let places = (x.len() / (2 * EACH)).min(PLACES * cycles.max(1));
        if places < 32 * cycles {
            return None;
        }
        let (mut sums, mut squares, mut counts) =
            (vec![0.0; places], vec![0.0; places], vec![0_usize; places]);
        let step = w / std::f64::consts::TAU / cycles.max(1) as f64;
        for (k, value) in x.iter().enumerate() {
            let turns = k as f64 * step;
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let place = (((turns - turns.floor()) * places as f64) as usize).min(places - 1);
            sums[place] += value;
            squares[place] += value * value;
            counts[place] += 1;
        }
        if counts.iter().any(|count| *count < EACH) {
            return None;
        }
        let means: Vec<f64> =
            sums.iter().zip(&counts).map(|(sum, count)| sum / *count as f64).collect();
        // Spread within the places, less what the wave itself moves within one.
        let within: f64 = squares
            .iter()
            .zip(&sums)
            .zip(&counts)
            .map(|((square, sum), count)| (square - sum * sum / *count as f64).max(0.0))
            .sum();
        let moves: f64 = (0..places)
            .map(|k| {
                let slope = 0.5 * (means[(k + 1) % places] - means[(k + places - 1) % places]);
                slope * slope / 12.0
            })
            .sum::<f64>()
            / places as f64;
        let variance = (within / x.len() as f64 - moves).max(0.0);
        let fewest = counts.iter().min().copied().unwrap_or(1);
        Some(Self { means, u: (variance / fewest as f64).sqrt() })
    }

    /// Largest value of the cycle upwards (`sign` +1) or downwards (-1, given as a height), and its
    /// standard uncertainty.
    #[must_use]
    pub fn top(&self, sign: f64) -> (f64, f64) {
        let places = self.means.len();
        let at = |k: usize| sign * self.means[k % places];
        // Three places together: the highest of single ones is chosen for its noise.
        let three = |k: usize| (at(k + places - 1) + at(k) + at(k + 1)) / 3.0;
        let best = (0..places).max_by(|a, b| three(*a).total_cmp(&three(*b))).unwrap_or(0);
        // What the mean of three takes off a parabola: two thirds of its fall to the next place. A
        // sharper crest loses more, and noise at most this much of it.
        let bend = (2.0 * at(best) - at(best + places - 1) - at(best + 1)) / 2.0;
        let noise = self.u / 3_f64.sqrt();
        let lost = 2.0 / 3.0 * bend;
        let back = if lost.abs() > 3.0 * self.u { lost } else { lost.clamp(0.0, noise) };
        // The highest of so many places that stand within the noise of the top.
        let near = (0..places).filter(|k| three(best) - three(*k) < noise).count();
        let chosen = noise * super::crest::expected_maximum((near as f64 / 3.0).max(1.0));
        (three(best) + back.max(0.0) - chosen, noise.hypot(0.3 * chosen).hypot(0.3 * back))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn tops_of_waves_are_found_again() {
        let triangle = |angle: f64| (angle.sin()).asin() * 2.0 / std::f64::consts::PI;
        type Wave = fn(f64) -> f64;
        let waves: [(Wave, f64); 2] = [(f64::sin, 2e-4), (triangle, 1e-2)];
        for per_cycle in [3.1713, 7.7137, 20.37, 89.7] {
            for (wave, within) in waves {
                let w = TAU / per_cycle;
                let x: Vec<f64> = (0..16_384).map(|k| wave(w * f64::from(k))).collect();
                let folded = Folded::new(&x, w, 1).unwrap();
                for sign in [1.0, -1.0] {
                    let (top, _) = folded.top(sign);
                    assert!((top - 1.0).abs() < within, "{per_cycle}: {top}");
                }
            }
        }
        // Samples that keep step with the wave fill ten places and no others.
        let x: Vec<f64> = (0..16_384).map(|k| (TAU * f64::from(k) / 10.0).sin()).collect();
        assert_eq!(Folded::new(&x, TAU / 10.0, 1), None);
    }
}
