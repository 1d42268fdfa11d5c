//! Propagation of distributions by simulation (JCGM 101).

use super::budget::{Budget, Model, PROBABILITY};
use super::correlation::Correlation;
use super::input::Input;
use crate::estimate::Simulated;
use crate::numeric::moments::PairMoments;
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution as _, StandardNormal};

/// How many draws.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Draws {
    /// So many.
    Count(u64),
    /// Blocks of 10,000 until mean, uncertainty and both ends of the interval have settled to a
    /// fifth of the numerical tolerance (JCGM 101, 7.9 and 8.2), or a million.
    Auto,
}

/// Most draws that can be asked for: their values are held in memory, 8 bytes each.
pub const MOST_COUNTED: u64 = 10_000_000;
/// Fewest draws that can be asked for.
const FEWEST: u64 = 1_000;

impl Draws {
    /// So many draws, where they are neither too few nor too many.
    #[must_use]
    pub fn count(draws: u64) -> Option<Self> {
        (FEWEST..=MOST_COUNTED).contains(&draws).then_some(Self::Count(draws))
    }

    /// What can be asked for.
    #[must_use]
    pub fn help() -> String {
        format!("give a whole number from {FEWEST} to {MOST_COUNTED}, or auto")
    }
}

/// Draws of one block of the adaptive procedure.
const BLOCK: usize = 10_000;
/// Most draws of the adaptive procedure.
const MOST: usize = 1_000_000;

/// Draws from the joint distribution of the inputs.
struct Source<'a, const N: usize> {
    inputs: &'a [Input; N],
    /// Inputs that are drawn on their own.
    free: Vec<usize>,
    /// Inputs that are drawn together, and the factor of their correlation matrix, by rows.
    tied: Vec<usize>,
    factor: Vec<f64>,
    normals: Vec<f64>,
    random: ChaCha12Rng,
}

impl<'a, const N: usize> Source<'a, N> {
    /// Of the inputs for which `matters` holds; the others stay at their estimates.
    fn new(
        inputs: &'a [Input; N],
        correlation: &Correlation,
        matters: impl Fn(usize) -> bool,
        seed: u64,
    ) -> Self {
        let drawn = |k: &usize| *k < N && inputs[*k].standard_uncertainty > 0.0 && matters(*k);
        let tied: Vec<usize> = correlation.members().into_iter().filter(drawn).collect();
        let free = (0..N).filter(|k| drawn(k) && !tied.contains(k)).collect();
        // The matrix is stored by columns: transposed, its rows stand one behind the other.
        let factor = correlation.factor(&tied).transpose().as_slice().to_vec();
        let normals = vec![0.0; tied.len()];
        Self { inputs, free, tied, factor, normals, random: ChaCha12Rng::seed_from_u64(seed) }
    }

    fn draw(&mut self) -> [f64; N] {
        let mut x = self.inputs.map(|input| input.estimate);
        for k in &self.free {
            x[*k] = self.inputs[*k].draw(&mut self.random);
        }
        for normal in &mut self.normals {
            *normal = StandardNormal.sample(&mut self.random);
        }
        for (k, row) in self.tied.iter().zip(self.factor.chunks(self.tied.len().max(1))) {
            let z = row.iter().zip(&self.normals).map(|(factor, normal)| factor * normal).sum();
            x[*k] = self.inputs[*k].at_normal(z);
        }
        x
    }
}

/// Intervals that are longer than the shortest by less than this are as good: their middle is taken,
/// which scatters far less from draw to draw than the one that happens to be shortest.
const AS_SHORT: f64 = 0.002;

/// Shortest interval that holds `share` of the values; sorts them. `None` of fewer than two.
#[must_use]
pub fn shortest_interval(values: &mut [f64], share: f64) -> Option<(f64, f64)> {
    values.sort_unstable_by(f64::total_cmp);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let inside = (share * values.len() as f64).round() as usize;
    let ends = values.len().checked_sub(inside).filter(|ends| *ends > 0 && inside > 0)?;
    let length = |k: usize| values[k + inside] - values[k];
    let shortest = (0..ends).map(length).min_by(f64::total_cmp)?;
    let (mut count, mut sum) = (0, 0);
    for k in (0..ends).filter(|k| length(*k) <= (1.0 + AS_SHORT) * shortest) {
        (count, sum) = (count + 1, sum + k);
    }
    let middle = sum / count.max(1);
    Some((values[middle], values[middle + inside]))
}

/// Half a unit of the second significant digit of `u` (JCGM 101, 7.9.2).
#[must_use]
pub fn numerical_tolerance(u: f64) -> f64 {
    if !(u > 0.0 && u.is_finite()) {
        return 0.0;
    }
    0.5 * 10_f64.powf(u.log10().floor() - 1.0)
}

/// Simulates `model` and holds the outcome against the linear `budget`. `None` where the model
/// gave no finite value for some draw, or `stop` says to end.
#[must_use]
pub fn simulate<const N: usize, M: Model<N>>(
    model: &M,
    inputs: &[Input; N],
    correlation: &Correlation,
    budget: &Budget,
    (draws, seed): (Draws, u64),
    stop: &(dyn Fn() -> bool + Sync),
) -> Option<Simulated> {
    // An input matters where the value moves with it, the others standing anywhere but in the middle,
    // where derivatives may vanish.
    let mut aside = inputs.map(|input| input.estimate);
    for (k, (x, input)) in aside.iter_mut().zip(inputs).enumerate() {
        *x += input.standard_uncertainty * (0.5 + 0.37 * (k as f64).sin());
    }
    let value = model.value(&aside);
    let matters = |k: usize| {
        let mut moved = aside;
        moved[k] = inputs[k].estimate;
        model.value(&moved) != value
    };
    let mut source = Source::new(inputs, correlation, matters, seed);
    let mut values: Vec<f64> = Vec::new();
    let mut settled = Settling::default();
    let total = match draws {
        #[allow(clippy::cast_possible_truncation)]
        Draws::Count(count) => count.clamp(2, MOST_COUNTED) as usize,
        Draws::Auto => MOST,
    };
    while values.len() < total {
        if stop() {
            return None;
        }
        let from = values.len();
        let count = BLOCK.min(total - from);
        values.extend((0..count).map(|_| model.value(&source.draw())));
        if values[from..].iter().any(|value| !value.is_finite()) {
            return None;
        }
        settled.add(&mut values[from..].to_vec());
        if draws == Draws::Auto && settled.within(0.2) {
            break;
        }
    }
    let moments = PairMoments::of(&values, &[]);
    let u = (moments.m2_v / (moments.n.max(2) - 1) as f64).sqrt();
    let draws = values.len() as u64;
    let (low, high) = shortest_interval(&mut values, PROBABILITY)?;
    let tolerance = numerical_tolerance(u);
    let expanded = budget.coverage().expanded_uncertainty;
    let off = |end: f64, side: f64| (budget.value + side * expanded - end).abs();
    // Without any spread there is nothing to compare.
    let validates_linear = u == 0.0 || (off(low, -1.0) <= tolerance && off(high, 1.0) <= tolerance);
    Some(Simulated {
        draws,
        mean: moments.mean_v,
        standard_uncertainty: u,
        low,
        high,
        tolerance,
        settled: u == 0.0 || settled.within(1.0),
        validates_linear,
    })
}

/// Results of the blocks so far: mean, uncertainty, lower and upper end (JCGM 101, 7.9.4).
#[derive(Default)]
struct Settling([PairMoments; 4]);

impl Settling {
    fn add(&mut self, block: &mut [f64]) {
        let moments = PairMoments::of(block, &[]);
        let u = (moments.m2_v / (moments.n.max(2) - 1) as f64).sqrt();
        let (low, high) =
            shortest_interval(block, PROBABILITY).unwrap_or((moments.mean_v, moments.mean_v));
        for (slot, value) in self.0.iter_mut().zip([moments.mean_v, u, low, high]) {
            slot.merge(&PairMoments::of(&[value], &[]));
        }
    }

    /// Whether twice the standard deviation of each average is below `share` of the tolerance.
    fn within(&self, share: f64) -> bool {
        let count = self.0[0].n;
        if count < 2 {
            return false;
        }
        let tolerance = numerical_tolerance(self.0[1].mean_v);
        self.0.iter().all(|of| {
            let deviation = (of.m2_v / (count * (count - 1)) as f64).sqrt();
            2.0 * deviation <= share * tolerance
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tolerance_of_two_digits() {
        // u = 0.0755: two digits 76e-3, so half of 1e-3.
        assert!((numerical_tolerance(0.0755) - 0.0005).abs() < 1e-15);
        assert!((numerical_tolerance(2.0) - 0.05).abs() < 1e-15);
        assert_eq!(numerical_tolerance(0.0), 0.0);
    }

    #[test]
    fn shortest_interval_leaves_out_the_thin_side() {
        let mut values: Vec<f64> = (0..100).map(|k| f64::from(k * k)).collect();
        assert_eq!(shortest_interval(&mut values, 0.5), Some((0.0, 2500.0)));
        assert_eq!(shortest_interval(&mut [], 0.95), None);
    }
}
