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

    /// The slope d ln P / d ln R at which it is held; none where nothing is.
    fn ideal(self) -> Option<f64> {
        match self {
            Self::Power => Some(0.0),
            Self::Voltage => Some(-1.0),
            Self::Current => Some(1.0),
            Self::Rising | Self::Falling => None,
        }
    }

    /// Whether the points (ln ohm, ln watt) hold it: each slope within a quarter of the ideal one, and over
    /// all of them no more than a quarter up or down.
    fn is_held(self, points: &[(f64, f64)]) -> bool {
        let Some(ideal) = self.ideal() else { return false };
        let along = |(ohm, watt): &(f64, f64)| watt - ideal * ohm;
        let low = points.iter().map(along).fold(f64::INFINITY, f64::min);
        let high = points.iter().map(along).fold(f64::NEG_INFINITY, f64::max);
        let slopes =
            points.windows(2).map(|pair| (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0));
        let mut near = slopes.map(|slope| (slope - ideal).abs() <= 0.25);
        near.all(|near| near) && high - low <= 1.25_f64.ln()
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
/// no more than their slope is known; a range goes on as long as the whole of it holds the same.
#[must_use]
pub fn over_load(powers: &[(f64, f64)]) -> Vec<Behaviour> {
    let known: Vec<(f64, f64)> =
        powers.iter().copied().filter(|(a, p)| *a > 0.0 && *p > 0.0).collect();
    let ln: Vec<(f64, f64)> = known.iter().map(|(a, p)| (a.ln(), p.ln())).collect();
    let mut found: Vec<Behaviour> = Vec::new();
    // Place at which the last range begins.
    let mut begin = 0;
    for k in 1..known.len() {
        if let Some(last) = found.last_mut() {
            let goes_on = match last.held {
                Held::Rising | Held::Falling => of_pair(&ln[k - 1..=k]) == last.held,
                held => held.is_held(&ln[begin..=k]),
            };
            if goes_on {
                last.to_ohm = known[k].0;
                continue;
            }
        }
        begin = k - 1;
        let held = of_pair(&ln[k - 1..=k]);
        found.push(Behaviour { held, from_ohm: known[k - 1].0, to_ohm: known[k].0 });
    }
    found
}

/// What two points hold.
fn of_pair(pair: &[(f64, f64)]) -> Held {
    let held =
        [Held::Power, Held::Voltage, Held::Current].into_iter().find(|held| held.is_held(pair));
    held.unwrap_or(if pair[1].1 > pair[0].1 { Held::Rising } else { Held::Falling })
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

    /// Rising by s = 0.24 all along, no pair of loads far apart holds its power.
    #[test]
    fn what_creeps_is_not_held() {
        let loads = [50.0, 160.0, 500.0, 1600.0, 5000.0];
        let found = over_load(&loads.map(|ohm: f64| (ohm, 40.0 * (ohm / 500.0).powf(0.24))));
        assert_eq!(found, [Behaviour { held: Held::Rising, from_ohm: 50.0, to_ohm: 5000.0 }]);
    }

    #[test]
    fn too_few_loads_tell_nothing() {
        assert!(over_load(&[(500.0, 80.0)]).is_empty());
        assert!(over_load(&[]).is_empty());
        assert!(over_load(&[(200.0, 0.0), (500.0, 80.0)]).is_empty());
    }
}
