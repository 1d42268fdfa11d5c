//! How far two outputs are apart: logarithms of ratios, each counted in what repeated measurements of one
//! setting commonly vary.
//!
//! d = sqrt(mean over all q of (ln(a_q / b_q) / s_q)^2). Over one set of quantities it is a scaled
//! Euclidean distance: zero to itself, symmetric, and it obeys the triangle inequality. Where the
//! quantities in common change from pair to pair, as with captures on other loads, or where a dial is
//! chosen, it is no metric: docs/neutral-terms.md.

use super::quantity::{QUANTITIES, Quantity, part_of};
use super::{Point, SettingCard, same_load};
use crate::result::Part;
use crate::verification::{KeptMeasure, Load};

/// What is compared: a quantity of a part at a load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axis {
    /// The quantity.
    pub quantity: Quantity,
    /// The part.
    pub part: Part,
    /// The load.
    pub load: Load,
}

/// A value on an axis.
#[derive(Clone, Copy, Debug)]
pub struct Coordinate<'a> {
    /// The axis.
    pub axis: Axis,
    /// Where it was measured.
    pub point: &'a Point,
    /// The measure.
    pub kept: &'a KeptMeasure,
}

/// Everything a setting has at a dial, in the order of loads.
#[must_use]
pub fn coordinates(setting: &SettingCard, dial: Option<f64>) -> Vec<Coordinate<'_>> {
    let cyclic = setting.sequence.len() > 1;
    let mut all = Vec::new();
    for point in setting.distinct().filter(|point| point.dial == dial) {
        let parts: Vec<Part> = match point.is_loaded() {
            true => setting.kinds().into_iter().map(part_of).collect(),
            false => vec![Part::Whole],
        };
        for part in parts {
            for quantity in QUANTITIES {
                let of_rest = part == Part::Rest && !quantity.of_cycle;
                let whole = cyclic && point.has_whole_cycle();
                let fits = (point.is_loaded() || quantity.open)
                    && (whole || !quantity.of_cycle)
                    && !of_rest;
                let kept = quantity.of(point, part).filter(|_| fits);
                if let Some(kept) = kept {
                    let axis = Axis { quantity: *quantity, part, load: point.load };
                    all.push(Coordinate { axis, point, kept });
                }
            }
        }
    }
    all
}

/// Whether two axes are one.
#[must_use]
pub fn same_axis(a: &Axis, b: &Axis) -> bool {
    a.quantity == b.quantity && a.part == b.part && same_load(a.load, b.load)
}

/// Distance of values on some axes: their differences in logarithms, and the scale of each.
#[must_use]
pub fn distance(differences: impl IntoIterator<Item = (f64, f64)>) -> Option<f64> {
    let (mut sum, mut count) = (0.0, 0_u32);
    for (difference, scale) in differences {
        sum += (difference / scale).powi(2);
        count += 1;
    }
    (count > 0).then(|| (sum / f64::from(count)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn by_hand() {
        // 10 % and 0 % at a scale of 5 %: sqrt((4 + 0) / 2).
        let found = distance([(0.1, 0.05), (0.0, 0.05)]).unwrap();
        assert!((found - 2_f64.sqrt()).abs() < 1e-12);
        assert_eq!(distance([]), None);
    }

    proptest! {
        /// Over one set of axes: zero to itself, symmetric, triangle.
        #[test]
        fn it_is_a_metric_over_one_set_of_axes(
            points in prop::collection::vec(prop::collection::vec(-3.0..3.0_f64, 5), 3),
        ) {
            let scales = [0.05, 0.05, 0.05, 0.1, 0.1];
            let between = |a: &[f64], b: &[f64]| {
                distance(a.iter().zip(b).zip(scales).map(|((a, b), s)| (a - b, s))).unwrap()
            };
            let (a, b, c) = (&points[0], &points[1], &points[2]);
            prop_assert_eq!(between(a, a), 0.0);
            prop_assert_eq!(between(a, b), between(b, a));
            prop_assert!(between(a, c) <= between(a, b) + between(b, c) + 1e-9);
        }
    }
}
