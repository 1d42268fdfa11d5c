//! The zero line: whether it stays where it was taken to be.

use crate::trace::{Channel, Overview};
use std::ops::Range;

/// How a zero line moves.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Baseline {
    /// Largest distance from its mean.
    pub excursion: f64,
    /// Mean square about its mean.
    pub square: f64,
}

impl Baseline {
    /// The one that moves farther.
    #[must_use]
    pub fn larger(self, other: Self) -> Self {
        Self {
            excursion: self.excursion.max(other.excursion),
            square: self.square.max(other.square),
        }
    }
}

/// Fewest windows that show a movement.
const FEWEST: usize = 3;
/// How many times what is expected of a still zero line its movement must be.
const CLEARLY: f64 = 4.0;

/// Movement of the means of windows of `window` samples over `range`, where it is more than `still`:
/// what windows of a still zero line may differ by, as a standard deviation.
#[must_use]
pub fn find(
    overview: &Overview,
    range: &Range<u64>,
    window: f64,
    channel: Channel,
    still: f64,
) -> Option<Baseline> {
    let (_, cells, _) = overview.inside(range);
    let group = overview.cells_in(window);
    let means: Vec<f64> = overview.cells()[cells]
        .chunks_exact(group)
        .map(|cells| {
            let mut all = crate::numeric::moments::PairMoments::default();
            cells.iter().for_each(|cell| all.merge(&cell.moments));
            channel.of((all.mean_v, all.mean_i))
        })
        .collect();
    if means.len() < FEWEST {
        return None;
    }
    let mean = crate::numeric::moments::mean(&means)?;
    let away = |x: &f64| (x - mean).abs();
    let excursion = means.iter().map(away).fold(0.0, f64::max);
    let square = means.iter().map(|x| away(x).powi(2)).sum::<f64>() / means.len() as f64;
    // The largest of many still windows stands out too.
    let chance = 1.0 + crate::numeric::crest::expected_maximum(means.len() as f64);
    (excursion > CLEARLY.max(chance) * still).then_some(Baseline { excursion, square })
}
