//! Readings typed in by hand.

use super::entries::{Answer, Manual};
use super::estimate;
use crate::estimate::Estimate;
use crate::units::{Quantity, Unit};
use serde::{Deserialize, Serialize};

/// `[[reading]]` of a job.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ManualReading {
    /// Step it belongs to.
    pub step: String,
    /// A number, `yes` or `no`, or a note, as it was typed.
    pub value: String,
    /// Unit of a number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Expanded uncertainty (95 %) of a number, as `2 %`, `1 mohm` or both.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<String>,
    /// Inventory or serial number of the instrument it was read from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
    /// Day on which the calibration of that instrument ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meter_due: Option<String>,
    /// What else is to be said of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub comment: Option<String>,
    /// When, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken_at: Option<String>,
    /// By whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
}

/// A reading that its step can't take.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct ReadingFault {
    /// Key at fault.
    pub key: &'static str,
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub help: String,
}

/// A reading as its step takes it.
#[derive(Clone, Debug, PartialEq)]
pub enum Settled {
    /// A number in the step's unit.
    Number(Estimate),
    /// Only known to lie above this, in the step's unit: `> 500`.
    Above(Estimate),
    /// Only known to lie below this: `< 0.1`.
    Below(Estimate),
    /// Beyond the range of the instrument: `OL`.
    Overflow,
    /// Yes or no.
    YesNo(bool),
    /// A text.
    Note(String),
}

/// Reads a reading as its step takes it; numbers are turned into the step's unit.
///
/// # Errors
/// What does not fit.
pub fn settle(reading: &ManualReading, manual: &Manual) -> Result<Settled, ReadingFault> {
    let fault = |key, message: String, help: &str| ReadingFault { key, message, help: help.into() };
    let id = &manual.id;
    match manual.takes() {
        Answer::Note if reading.value.trim().is_empty() => {
            Err(fault("value", format!("the note of `{id}` is empty"), "write what is to be noted"))
        }
        Answer::Note => Ok(Settled::Note(reading.value.clone())),
        Answer::YesNo => match reading.value.trim().to_lowercase().as_str() {
            "yes" | "y" => Ok(Settled::YesNo(true)),
            "no" | "n" => Ok(Settled::YesNo(false)),
            other => Err(fault(
                "value",
                format!("the step `{id}` takes yes or no, not `{other}`"),
                "give yes or no",
            )),
        },
        Answer::Number => {
            let wanted = manual.unit.as_deref().unwrap_or_default();
            let like = format!("give it like: {id} 120 {wanted}");
            let typed = reading.value.trim();
            if typed.eq_ignore_ascii_case("ol") {
                return Ok(Settled::Overflow);
            }
            let (side, digits) = match typed.as_bytes().first() {
                Some(side @ (b'>' | b'<')) => (Some(*side), typed[1..].trim()),
                _ => (None, typed),
            };
            let value: f64 =
                digits.parse().ok().filter(|v: &f64| v.is_finite()).ok_or_else(|| {
                    fault("value", format!("`{}` is not a number", reading.value), &like)
                })?;
            let Some(unit) = &reading.unit else {
                let message = format!("the reading of `{id}` has no unit");
                return Err(fault("unit", message, &like));
            };
            let convert = |value| Quantity::parse(unit).convert(value, &Quantity::parse(wanted));
            let value = convert(value).ok_or_else(|| {
                let message =
                    format!("the step `{id}` is read in {wanted}, `{unit}` is another unit");
                fault("unit", message, &like)
            })?;
            let known = Quantity::parse(wanted);
            if value < 0.0 && known.unit().is_some_and(never_negative) {
                let message = format!("{id} can't be negative: {} {unit}", reading.value);
                return Err(fault("value", message, "check the leads and the sign"));
            }
            let stated = reading.uncertainty.as_ref().or(manual.uncertainty.as_ref());
            if let Some(text) = stated {
                Quantity::share_or_amount(text, wanted).map_err(|error| {
                    fault("uncertainty", error.to_string(), "give it like \"2 %\"")
                })?;
            }
            let found = match stated {
                None => Estimate::new(value),
                Some(text) => {
                    let (share, amount) =
                        Quantity::share_or_amount(text, wanted).map_err(|error| {
                            fault("uncertainty", error.to_string(), "give it like \"2 %\"")
                        })?;
                    // Stated at 95 %, normal: u = U / 1.96 (k of infinite degrees of freedom).
                    let expanded = (share * value.abs()).max(amount);
                    let normal = crate::numeric::student::coverage_factor(0.95, f64::INFINITY);
                    estimate(value, expanded / normal.unwrap_or(2.0), f64::INFINITY)
                }
            };
            let message = || fault("value", "the reading is not a finite number".into(), &like);
            let found = found.ok_or_else(message)?;
            Ok(match side {
                Some(b'>') => Settled::Above(found),
                Some(_) => Settled::Below(found),
                None => Settled::Number(found),
            })
        }
    }
}

/// Whether a quantity of this unit has no values below 0.
fn never_negative(unit: Unit) -> bool {
    matches!(unit, Unit::Ohm | Unit::Second | Unit::Hertz)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn earth() -> Manual {
        Manual {
            id: "earth".into(),
            what: "protective earth".into(),
            unit: Some("mohm".into()),
            min: None,
            max: Some(200.0),
            answer: None,
            uncertainty: Some("2 % or 1 mohm".into()),
            decision: None,
        }
    }

    fn reading(value: &str, unit: Option<&str>) -> ManualReading {
        let unit = unit.map(str::to_owned);
        ManualReading {
            step: "earth".into(),
            value: value.into(),
            unit,
            ..ManualReading::default()
        }
    }

    #[test]
    fn numbers_come_in_the_unit_of_the_step() {
        let Settled::Number(found) = settle(&reading("0.12", Some("ohm")), &earth()).unwrap()
        else {
            panic!("a number was given")
        };
        assert!((found.value - 120.0).abs() < 1e-9);
        // 2 % of 120 mohm is 2.4 mohm, above 1 mohm.
        assert!((found.expanded().unwrap() - 2.4).abs() < 1e-9);
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        for (value, unit, key) in [
            ("0.12", Some("mA"), "unit"),
            ("0.12", None, "unit"),
            ("low", Some("mohm"), "value"),
            ("inf", Some("mohm"), "value"),
        ] {
            assert_eq!(settle(&reading(value, unit), &earth()).unwrap_err().key, key, "{value}");
        }
        let pedals = Manual {
            unit: None,
            max: None,
            answer: Some("yes".into()),
            uncertainty: None,
            ..earth()
        };
        assert_eq!(settle(&reading("no", None), &pedals), Ok(Settled::YesNo(false)));
        assert!(settle(&reading("maybe", None), &pedals).is_err());
    }
}
