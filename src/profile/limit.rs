//! A limit on one measure, and its bounds.

use crate::measures::Measure;
use crate::result::Part;
use crate::units::{AmountError, Unit};
use serde::{Deserialize, Serialize};

/// `[[setting.limit]]`: either `nominal` with `tolerance`, or `min`, `max` or both.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// The measure.
    pub measure: Measure,
    /// Part of the record it is taken over.
    #[serde(rename = "in")]
    pub part: Part,
    /// Expected value, in the measure's unit.
    pub nominal: Option<f64>,
    /// `20 %`, `10 W`, or `15 % or 10 W` (the greater).
    pub tolerance: Option<String>,
    /// Smallest value that passes.
    pub min: Option<f64>,
    /// Largest value that passes.
    pub max: Option<f64>,
}

/// Lower and upper bound.
pub type Bounds = (Option<f64>, Option<f64>);

/// A tolerance: a share of the nominal value, an amount, or the greater of both.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tolerance {
    /// Share of the nominal value.
    pub share: Option<f64>,
    /// Amount in the measure's unit.
    pub amount: Option<f64>,
}

impl Tolerance {
    /// Reads a tolerance for a measure of `unit`.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn parse(text: &str, unit: Unit) -> Result<Self, AmountError> {
        let wanted =
            || if unit == Unit::One { "none".to_owned() } else { unit.symbol().to_owned() };
        let mut tolerance = Self::default();
        for term in text.split(" or ") {
            let term = term.trim();
            let split = term.find(|c: char| !matches!(c, '0'..='9' | '.' | 'e' | 'E' | '+' | '-'));
            let (digits, symbol) = term.split_at(split.unwrap_or(term.len()));
            let value: f64 = digits.parse().map_err(|_| AmountError::Unreadable {
                text: term.into(),
                unit: unit.symbol().into(),
            })?;
            if !(value.is_finite() && value >= 0.0) {
                return Err(AmountError::Negative(term.into()));
            }
            let symbol = symbol.trim();
            let slot = if symbol == "%" {
                tolerance.share.replace(value / 100.0)
            } else if symbol.is_empty() && unit == Unit::One {
                tolerance.amount.replace(value)
            } else {
                match Unit::parse(symbol) {
                    Some((found, factor)) if found == unit => {
                        tolerance.amount.replace(value * factor)
                    }
                    _ => {
                        return Err(AmountError::OtherUnit {
                            found: symbol.into(),
                            wanted: wanted(),
                        });
                    }
                }
            };
            if slot.is_some() {
                return Err(AmountError::Twice);
            }
        }
        Ok(tolerance)
    }

    /// Distance from `nominal` that is allowed.
    #[must_use]
    pub fn around(&self, nominal: f64) -> f64 {
        let share = self.share.map_or(0.0, |share| share * nominal.abs());
        share.max(self.amount.unwrap_or(0.0))
    }
}

impl Limit {
    /// Lower and upper bound in the measure's unit; at least one is there.
    ///
    /// # Errors
    /// The key at fault and what is wrong with it.
    pub fn bounds(&self, unit: Unit) -> Result<Bounds, (&'static str, String)> {
        let finite = [("nominal", self.nominal), ("min", self.min), ("max", self.max)];
        for (key, value) in finite {
            if value.is_some_and(|value| !value.is_finite()) {
                return Err((key, format!("{key} must be a finite number")));
            }
        }
        match (&self.nominal, &self.tolerance) {
            (Some(nominal), Some(tolerance)) => {
                if self.min.is_some() || self.max.is_some() {
                    let message = "give either nominal and tolerance, or min and max".into();
                    return Err(("nominal", message));
                }
                let width = Tolerance::parse(tolerance, unit)
                    .map_err(|error| ("tolerance", error.to_string()))?
                    .around(*nominal);
                Ok((Some(nominal - width), Some(nominal + width)))
            }
            (Some(_), None) => Err(("nominal", "a nominal value needs a tolerance".into())),
            (None, Some(_)) => Err(("tolerance", "a tolerance needs a nominal value".into())),
            (None, None) => match (self.min, self.max) {
                (None, None) => Err(("measure", "a limit needs nominal, min or max".into())),
                (Some(min), Some(max)) if min > max => {
                    Err(("min", "min lies above max: nothing could pass".into()))
                }
                (min, max) => Ok((min, max)),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tolerances() {
        let both = Tolerance::parse("15 % or 10 W", Unit::Watt).unwrap();
        // The greater: 15 % of 50 W is 7.5 W, so 10 W; 15 % of 200 W is 30 W.
        assert_eq!((both.around(50.0), both.around(200.0)), (10.0, 30.0));
        assert_eq!(Tolerance::parse("5 kHz", Unit::Hertz).unwrap().around(1.0), 5e3);
        assert_eq!(Tolerance::parse("0.2", Unit::One).unwrap().around(1.0), 0.2);
        for (text, unit) in [
            ("ten", Unit::Watt),
            ("10 V", Unit::Watt),
            ("-1 %", Unit::Watt),
            ("0.2", Unit::Watt),
            ("1 % or 2 %", Unit::Watt),
        ] {
            assert!(Tolerance::parse(text, unit).is_err(), "{text}");
        }
    }
}
