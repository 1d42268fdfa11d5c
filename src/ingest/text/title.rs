//! Name and unit in the title of a column, as they are written.

use super::is_time;
use crate::units::Unit;

/// Volt or ampere where a name can mean nothing else.
pub(crate) fn quantity(name: &str) -> Option<Unit> {
    let letters: String = name.trim_end_matches(|c: char| c.is_ascii_digit()).trim().to_lowercase();
    match letters.as_str() {
        "v"
        | "u"
        | "voltage"
        | "spannung"
        | "tension"
        | "tensión"
        | "tensione"
        | "电压"
        | "電圧"
        | "напряжение" => Some(Unit::Volt),
        "i" | "current" | "strom" | "courant" | "corriente" | "corrente" | "电流" | "電流"
        | "ток" => Some(Unit::Ampere),
        // `Volt1`, `Amps`: a unit as a name.
        word if word.chars().count() >= 3 => {
            let (unit, factor) = Unit::parse(word)?;
            (factor == 1.0 && [Unit::Volt, Unit::Ampere].contains(&unit)).then_some(unit)
        }
        _ => None,
    }
}

/// `U1 [mV]` -> (`U1`, mV); `Volt(mV)`; `CH1_V`; `CH1 in V`; `Time / ms`; a bracket that holds no unit
/// stays in the name.
pub(crate) fn name_and_unit(cell: &str) -> (String, Option<(Unit, f64)>) {
    let cell = cell.trim();
    let bracketed = cell.ends_with([')', ']']).then(|| cell.rfind(['(', '['])).flatten();
    if let Some(at) = bracketed
        && let (Some(name), Some(unit)) = (cell.get(..at), cell.get(at..).and_then(Unit::parse))
    {
        return (name.trim().to_owned(), Some(unit));
    }
    if let Some(symbol) = cell.strip_prefix("in ")
        && let Some(unit) = Unit::parse(symbol)
    {
        return (String::new(), Some(unit));
    }
    for mark in [" in ", " / ", ", "] {
        if let Some((name, symbol)) = cell.rsplit_once(mark)
            && let Some(unit) = Unit::parse(symbol)
        {
            return (name.trim().to_owned(), Some(unit));
        }
    }
    for mark in ['_', ' ', '/'] {
        if let Some((name, symbol)) = cell.rsplit_once(mark)
            && let Some(unit) = Unit::parse(symbol)
            && (mark == '_' || is_told(name, unit.0))
        {
            // `CH_A` is channel A, `CH1_A` a current.
            let numbered = name.ends_with(|c: char| c.is_ascii_digit());
            if symbol != "A" || numbered || quantity(name) == Some(Unit::Ampere) {
                return (name.trim().to_owned(), Some(unit));
            }
        }
    }
    (cell.to_owned(), None)
}

/// Whether a name asks for a unit behind it: `Time s`, `CH1 V`, `Voltage V`.
fn is_told(name: &str, unit: Unit) -> bool {
    match unit {
        Unit::Second => is_time(name, None),
        Unit::Volt | Unit::Ampere => {
            name.ends_with(|c: char| c.is_ascii_digit()) || quantity(name) == Some(unit)
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_units_as_they_are_written() {
        for (cell, name, unit) in [
            ("U1 [mV]", "U1", Some((Unit::Volt, 1e-3))),
            ("C1 in V", "C1", Some((Unit::Volt, 1.0))),
            ("in s", "", Some((Unit::Second, 1.0))),
            ("Zeit / ms", "Zeit", Some((Unit::Second, 1e-3))),
            ("Time/s", "Time", Some((Unit::Second, 1.0))),
            ("CH1 V", "CH1", Some((Unit::Volt, 1.0))),
            ("Channel A", "Channel A", None),
            ("CH_A", "CH_A", None),
            ("CH1_A", "CH1", Some((Unit::Ampere, 1.0))),
            ("m/s", "m/s", None),
            ("V/div", "V/div", None),
            ("Volt1", "Volt1", None),
        ] {
            assert_eq!(name_and_unit(cell), (name.to_owned(), unit), "{cell}");
        }
        assert_eq!(quantity("Volt1"), Some(Unit::Volt));
        assert_eq!(quantity("Amps"), Some(Unit::Ampere));
        assert_eq!(quantity("CH1"), None);
    }
}
