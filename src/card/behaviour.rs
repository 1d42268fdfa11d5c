//! What an output holds over load: power, voltage, or current.

use super::Point;
use crate::measures::Measure;
use crate::result::Part;
use crate::verification::Load;
use serde::{Deserialize, Serialize};

/// What is held between two loads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Held {
    /// Power: P ~ R^0.
    Power,
    /// Voltage: P ~ 1/R.
    Voltage,
    /// Current: P ~ R.
    Current,
    /// None of them: the power rises with the load.
    Rising,
    /// None of them: it falls.
    Falling,
}

impl Held {
    /// All of them.
    pub const ALL: [Self; 5] =
        [Self::Power, Self::Voltage, Self::Current, Self::Rising, Self::Falling];

    /// The word of the neutral line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Power => "power",
            Self::Voltage => "voltage",
            Self::Current => "current",
            Self::Rising => "rising",
            Self::Falling => "falling",
        }
    }

    /// By the slope d ln P / d ln R: within a quarter of 0, -1 or 1 something is held.
    #[must_use]
    pub fn of(slope: f64) -> Self {
        let near = |ideal: f64| (slope - ideal).abs() <= 0.25;
        if near(0.0) {
            Self::Power
        } else if near(-1.0) {
            Self::Voltage
        } else if near(1.0) {
            Self::Current
        } else if slope > 0.0 {
            Self::Rising
        } else {
            Self::Falling
        }
    }
}

/// What is held over a range of loads.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Behaviour {
    /// What.
    pub held: Held,
    /// From this load, ohm,
    pub from_ohm: f64,
    /// to this one, ohm.
    pub to_ohm: f64,
}

/// What an output holds, range by range, from the powers into ascending loads (ohm, W). Between two loads
/// no more than their slope is known; ranges of one kind are joined.
#[must_use]
pub fn over_load(powers: &[(f64, f64)]) -> Vec<Behaviour> {
    let mut found: Vec<Behaviour> = Vec::new();
    for pair in powers.windows(2) {
        let [(a, p), (b, q)] = [pair[0], pair[1]];
        if !(a > 0.0 && b > a && p > 0.0 && q > 0.0) {
            continue;
        }
        let held = Held::of((q / p).ln() / (b / a).ln());
        match found.last_mut() {
            Some(last) if last.held == held && last.to_ohm == a => last.to_ohm = b,
            _ => found.push(Behaviour { held, from_ohm: a, to_ohm: b }),
        }
    }
    found
}

/// The same of the points of one dial.
#[must_use]
pub fn of_points(points: &[&Point], part: Part) -> Vec<Behaviour> {
    let powers: Vec<(f64, f64)> = points
        .iter()
        .filter_map(|point| {
            let Load::Ohm(ohm) = point.load else { return None };
            Some((ohm, point.had(Measure::Power, part).ok()?.estimate.value))
        })
        .collect();
    over_load(&powers)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Held quantities in closed form: P = V^2 / R, P = I^2 R, P = const.
    #[test]
    fn what_is_held_is_told() {
        let of = |power: fn(f64) -> f64| {
            let loads = [100.0, 200.0, 500.0, 1000.0];
            over_load(&loads.map(|ohm| (ohm, power(ohm))))
        };
        let whole = |held| [Behaviour { held, from_ohm: 100.0, to_ohm: 1000.0 }];
        assert_eq!(of(|_| 80.0), whole(Held::Power));
        assert_eq!(of(|ohm| 200.0 * 200.0 / ohm), whole(Held::Voltage));
        assert_eq!(of(|ohm| 0.5 * 0.5 * ohm), whole(Held::Current));
    }

    /// A source of 500 ohm, P = R / (R + 500)^2, by secants: 10 to 20 ohm ln(7.40 / 3.84) / ln 2 = 0.94, to 300
    /// ln(46.9 / 7.40) / ln 15 = 0.68, to 900 ohm -0.02, to 20,000 ohm -0.73, to 40,000 ohm -0.96.
    #[test]
    fn a_source_behind_a_resistance_goes_through_all() {
        let power = |ohm: f64| ohm / (ohm + 500.0).powi(2);
        let loads = [10.0, 20.0, 300.0, 900.0, 20_000.0, 40_000.0];
        let found = over_load(&loads.map(|ohm| (ohm, power(ohm))));
        let held: Vec<Held> = found.iter().map(|one| one.held).collect();
        assert_eq!(held, [Held::Current, Held::Rising, Held::Power, Held::Falling, Held::Voltage]);
    }

    #[test]
    fn too_few_loads_tell_nothing() {
        assert!(over_load(&[(500.0, 80.0)]).is_empty());
        assert!(over_load(&[]).is_empty());
        assert!(over_load(&[(200.0, 0.0), (500.0, 80.0)]).is_empty());
    }
}
