//! Largest mean over a window that slides along the record.

use super::stats::PowerBy;
use crate::trace::Cell;

/// Largest mean power over 1 s, W, at the resolution of the cells; `interval_s` is the sample
/// interval. `None` where the cells cover less or the power can't be had.
#[must_use]
pub fn largest_1s(cells: &[Cell], power_by: PowerBy, interval_s: f64) -> Option<f64> {
    let energies: Option<Vec<(f64, f64)>> = cells
        .iter()
        .map(|cell| {
            let time = cell.moments.n as f64 * interval_s;
            Some((time, power_by.power(&cell.moments).ok()? * time))
        })
        .collect();
    largest_mean(&energies?, 1.0)
}

/// Largest mean of a quantity over any window of `window` (in the unit of the cell lengths).
///
/// `cells` gives, in order, the length of each cell and the integral over it; inside a cell the
/// quantity is taken to be even. `None` where the record is shorter than the window.
fn largest_mean(cells: &[(f64, f64)], window: f64) -> Option<f64> {
    let mut borders = Vec::with_capacity(cells.len() + 1);
    let (mut place, mut total) = (0.0, 0.0);
    borders.push((place, total));
    for (length, integral) in cells {
        place += length;
        total += integral;
        borders.push((place, total));
    }
    // A hair's breadth for a record of exactly the window's length.
    if place < window * (1.0 - 1e-9) {
        return None;
    }
    let window = window.min(place);
    // The integral over the window is piecewise linear: its largest value lies where one of the
    // two ends stands on a border.
    let mut best = f64::NEG_INFINITY;
    let (mut ahead, mut behind) = (0, 0);
    let upto = |index: &mut usize, place: f64| {
        while *index + 2 < borders.len() && borders[*index + 1].0 <= place {
            *index += 1;
        }
        let (a, b) = (borders[*index], borders[*index + 1]);
        a.1 + (b.1 - a.1) * ((place - a.0) / (b.0 - a.0)).clamp(0.0, 1.0)
    };
    for (border, sum) in &borders {
        if border + window <= place {
            best = best.max(upto(&mut ahead, border + window) - sum);
        }
        if *border >= window {
            best = best.max(sum - upto(&mut behind, border - window));
        }
    }
    best.is_finite().then_some(best / window)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_strongest_second() {
        // 2 s of 0 W, 0.5 s of 100 W, 2 s of 0 W in cells of 0.25 s: 50 J in the best second.
        let power = [0.0; 8].into_iter().chain([100.0; 2]).chain([0.0; 8]);
        let cells: Vec<(f64, f64)> = power.map(|p| (0.25, p * 0.25)).collect();
        assert!((largest_mean(&cells, 1.0).unwrap() - 50.0).abs() < 1e-12);
        assert_eq!(largest_mean(&cells[..3], 1.0), None);
        assert!((largest_mean(&[(1.0, 7.0)], 1.0).unwrap() - 7.0).abs() < 1e-12);
        assert_eq!(largest_mean(&[], 1.0), None);
    }
}
