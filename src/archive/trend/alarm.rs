//! Whether a measure drifts. One outlier is none; what stands only on one point is no drift.

use super::WEIGHT;
use crate::numeric::chart::{ewma, ewma_half_width, robust_deviation};
use crate::numeric::regression::Line;
use serde::Serialize;

/// Points that are needed to tell: half of them are what the rest is compared with.
pub(super) const NEEDS: usize = 8;
/// Limits of the moving average in standard deviations: of eleven steady values one in a hundred raises an alarm.
const LIMITS: f64 = 2.5;
/// Chance of so steep a line by scatter alone below which it is one.
const CHANCE: f64 = 0.005;
/// Times the standard deviation beyond which a single point is an outlier.
const OUTLIER: f64 = 4.0;

/// Where a measure went.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// Up.
    Up,
    /// Down.
    Down,
}

/// What the points say.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "is", rename_all = "snake_case")]
pub enum Alarm {
    /// There are too few points to tell.
    TooFew {
        /// How many are needed.
        needs: usize,
    },
    /// The measure is steady.
    Steady {
        /// Entries whose value stands alone.
        outliers: Vec<u64>,
    },
    /// It drifts, or has shifted.
    Drift {
        /// Where to.
        direction: Direction,
        /// Entry at which it showed.
        entry: u64,
        /// Whether the moving average left its limits.
        by_average: bool,
        /// Whether the line is steeper than scatter explains.
        by_line: bool,
        /// Entries whose value stands alone.
        outliers: Vec<u64>,
    },
}

/// Index and direction of the first moving average beyond its limits. The first half of the points is the baseline;
/// limits count how well its centre is known.
fn average_leaves(values: &[f64]) -> Option<(usize, Direction)> {
    let base = values.len() / 2;
    let mut sorted = values[..base].to_vec();
    sorted.sort_by(f64::total_cmp);
    let centre = f64::midpoint(sorted[(base - 1) / 2], sorted[base / 2]);
    let deviation = robust_deviation(values)?.max(1e-9 * centre.abs());
    let averages = ewma(&values[base..], centre, WEIGHT);
    averages.iter().enumerate().find_map(|(k, average)| {
        // The median of n normal values spreads by the root of pi/2 over n.
        let of_centre = LIMITS * (std::f64::consts::FRAC_PI_2 / base as f64).sqrt();
        let half = deviation * ewma_half_width(WEIGHT, k + 1, LIMITS).hypot(of_centre);
        let away = average - centre;
        let direction = if away > 0.0 { Direction::Up } else { Direction::Down };
        (away.abs() > half).then_some((base + k, direction))
    })
}

fn steep(points: &[(f64, f64)]) -> Option<Direction> {
    let line = Line::fit(points).filter(|line| line.chance() < CHANCE)?;
    Some(if line.slope > 0.0 { Direction::Up } else { Direction::Down })
}

fn without<T: Copy>(all: &[T], index: usize) -> Vec<T> {
    all.iter().enumerate().filter(|(k, _)| *k != index).map(|(_, one)| *one).collect()
}

/// The point that speaks most for a direction: the farthest from its neighbours' level that way, and for a line the one
/// with the largest pull on the slope.
fn most(points: &[(f64, f64)], weight: impl Fn(usize, &(f64, f64)) -> f64) -> usize {
    let weights = points.iter().enumerate().map(|(k, point)| (k, weight(k, point)));
    weights.max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(k, _)| k)
}

/// Judges points in order of time; `entries` names them.
pub(super) fn judge(points: &[(f64, f64)], entries: &[u64]) -> Alarm {
    if points.len() < NEEDS {
        return Alarm::TooFew { needs: NEEDS };
    }
    let values: Vec<f64> = points.iter().map(|(_, value)| *value).collect();
    let outliers = outliers(&values, entries);
    let sign = |direction: Direction| if direction == Direction::Up { 1.0 } else { -1.0 };
    let average =
        average_leaves(&values).filter(|(_, direction)| {
            // Once more without the point that says so the loudest.
            let loudest = most(points, |k, point| {
                if k < values.len() / 2 { f64::MIN } else { sign(*direction) * point.1 }
            });
            average_leaves(&without(&values, loudest)).is_some_and(|(_, again)| again == *direction)
        });
    let line = steep(points).filter(|direction| {
        let Some(line) = Line::fit(points) else { return false };
        let pull = |_: usize, point: &(f64, f64)| {
            let lever = (point.0 - line.centre).powi(2) / line.spread + 1.0 / line.count as f64;
            let residual = point.1 - line.at(point.0);
            sign(*direction) * (point.0 - line.centre) * residual / (1.0 - lever).max(1e-9)
        };
        // The ends pull most where there is no residual: each is left out in turn.
        let candidates = [most(points, pull), 0, points.len() - 1];
        candidates.iter().all(|k| steep(&without(points, *k)) == Some(*direction))
    });
    match (average, line) {
        (None, None) => Alarm::Steady { outliers },
        (Some((at, direction)), line) => Alarm::Drift {
            direction,
            entry: entries[at.min(entries.len() - 1)],
            by_average: true,
            by_line: line == Some(direction),
            outliers,
        },
        (None, Some(direction)) => Alarm::Drift {
            direction,
            entry: entries[entries.len() - 1],
            by_average: false,
            by_line: true,
            outliers,
        },
    }
}

/// Values far from both neighbours, on the same side of both.
fn outliers(values: &[f64], entries: &[u64]) -> Vec<u64> {
    let Some(deviation) = robust_deviation(values).filter(|deviation| *deviation > 0.0) else {
        return Vec::new();
    };
    let far = |k: usize, other: usize| {
        (values[k] - values[other]) / (deviation * std::f64::consts::SQRT_2)
    };
    let last = values.len() - 1;
    let alone = |k: usize| {
        let (a, b) = match k {
            // At an end, against the two nearest.
            0 => (far(0, 1), far(0, 2)),
            _ if k == last => return false,
            _ => (far(k, k - 1), far(k, k + 1)),
        };
        a * b > 0.0 && a.abs().min(b.abs()) > OUTLIER
    };
    (0..values.len()).filter(|k| alone(*k)).map(|k| entries[k]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn drifts(shape: impl Fn(usize, usize) -> f64, seed: u64) -> f64 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let (runs, count) = (2_000, 11);
        let mut alarms = 0;
        for run in 0..runs {
            let points: Vec<(f64, f64)> = (0..count)
                .map(|k| {
                    let noise: f64 = StandardNormal.sample(&mut random);
                    (182.0 * k as f64, 100.0 + noise + shape(run, k))
                })
                .collect();
            let entries: Vec<u64> = (1..=count as u64).collect();
            alarms += usize::from(matches!(judge(&points, &entries), Alarm::Drift { .. }));
        }
        alarms as f64 / runs as f64
    }

    #[test]
    fn outliers_raise_no_alarm_and_shifts_do() {
        let quiet = drifts(|_, _| 0.0, 1);
        let outlier = drifts(|run, k| if k == run % 11 { 10.0 } else { 0.0 }, 2);
        let shift = drifts(|_, k| if k >= 6 { 5.0 } else { 0.0 }, 3);
        let slow = drifts(|_, k| -1.2 * k as f64, 4);
        assert!(quiet < 0.02, "{quiet}");
        assert!(outlier < 0.03, "{outlier}");
        assert!(shift > 0.95, "{shift}");
        assert!(slow > 0.95, "{slow}");
    }

    #[test]
    fn few_points_say_nothing_and_equal_ones_are_steady() {
        let points: Vec<(f64, f64)> = (0..12).map(|k| (f64::from(k), 5.0)).collect();
        let entries: Vec<u64> = (1..=12).collect();
        assert_eq!(judge(&points[..7], &entries[..7]), Alarm::TooFew { needs: NEEDS });
        assert_eq!(judge(&points, &entries), Alarm::Steady { outliers: Vec::new() });
        let mut one = points.clone();
        one[5].1 = 9.0;
        one[2].1 = 5.1;
        one[8].1 = 4.9;
        assert!(matches!(judge(&one, &entries), Alarm::Steady { .. }));
    }
}
