//! Units, estimates and the way numbers are written for people.

use serde::Serialize;

/// Sampling frequency in hertz: finite and above zero.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct SampleRate(f64);

impl SampleRate {
    /// A rate of `hertz`, or `None` where that is not a finite number above zero.
    #[must_use]
    pub fn new(hertz: f64) -> Option<Self> {
        (1e-6..=1e15).contains(&hertz).then_some(Self(hertz))
    }

    /// The rate in hertz.
    #[must_use]
    pub fn hertz(self) -> f64 {
        self.0
    }

    /// Time in seconds that `samples` sample intervals take.
    #[must_use]
    pub fn seconds(self, samples: f64) -> f64 {
        samples / self.0
    }

    /// Number of sample intervals in `seconds`, not rounded.
    #[must_use]
    pub fn samples(self, seconds: f64) -> f64 {
        seconds * self.0
    }

    /// `seconds` as a whole number of samples, at least `least`.
    #[must_use]
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub fn count(self, seconds: f64, least: usize) -> usize {
        // `as` saturates: an absurd duration becomes usize::MAX, never a wrap.
        (self.samples(seconds).round() as usize).max(least)
    }
}

/// Unit of a measure; SI throughout, shares and ratios are [`Unit::One`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Unit {
    /// V
    Volt,
    /// A
    Ampere,
    /// W
    Watt,
    /// VA
    VoltAmpere,
    /// Ω
    Ohm,
    /// Hz
    Hertz,
    /// s
    Second,
    /// J
    Joule,
    /// a ratio or share
    One,
}

impl Unit {
    /// Symbol as written after a number; empty for [`Unit::One`].
    #[must_use]
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Volt => "V",
            Self::Ampere => "A",
            Self::Watt => "W",
            Self::VoltAmpere => "VA",
            Self::Ohm => "Ω",
            Self::Hertz => "Hz",
            Self::Second => "s",
            Self::Joule => "J",
            Self::One => "",
        }
    }

    /// Reads a unit cell such as `mV`, `µs`, `Volt`, `kHz`, `[A]` or `(ms)`.
    ///
    /// Returns the unit and the factor that turns a value into the SI unit, or `None` where the
    /// text is not a unit this program knows. Case matters where it tells milli from mega.
    #[must_use]
    pub fn parse(text: &str) -> Option<(Self, f64)> {
        let text = text
            .trim()
            .trim_start_matches(['(', '[', '{'])
            .trim_end_matches([')', ']', '}'])
            .trim();
        let text = text.strip_prefix("in ").map_or(text, str::trim);
        if let Some(found) = word(text) {
            return Some(found);
        }
        let (unit, prefix) = [
            ("VA", Self::VoltAmpere),
            ("V", Self::Volt),
            ("v", Self::Volt),
            ("A", Self::Ampere),
            ("W", Self::Watt),
            ("Ohm", Self::Ohm),
            ("ohm", Self::Ohm),
            ("Ω", Self::Ohm),
            ("Ω", Self::Ohm),
            ("Hz", Self::Hertz),
            ("S/s", Self::Hertz),
            ("Sa/s", Self::Hertz),
            ("s", Self::Second),
            ("S", Self::Second),
            ("J", Self::Joule),
        ]
        .into_iter()
        .find_map(|(symbol, unit)| Some((unit, text.strip_suffix(symbol)?)))?;
        let factor = match prefix {
            "" => 1.0,
            "f" => 1e-15,
            "p" => 1e-12,
            "n" => 1e-9,
            "u" | "µ" | "μ" => 1e-6,
            "m" => 1e-3,
            "k" | "K" => 1e3,
            "M" => 1e6,
            "G" => 1e9,
            _ => return None,
        };
        Some((unit, factor))
    }
}

/// Units as words, in the languages that instruments speak.
const WORDS: [(Unit, &[&str]); 6] = [
    (Unit::Volt, &["volts", "volt", "voltios", "voltio", "вольт", "в", "伏特", "伏", "ボルト"]),
    (
        Unit::Ampere,
        &[
            "amperes",
            "ampere",
            "amps",
            "amp",
            "ampères",
            "ampère",
            "amperios",
            "amperio",
            "ампер",
            "а",
            "安培",
            "安",
            "アンペア",
        ],
    ),
    (
        Unit::Second,
        &[
            "seconds",
            "second",
            "secs",
            "sec",
            "sekunden",
            "sekunde",
            "secondes",
            "seconde",
            "segundos",
            "segundo",
            "secondi",
            "secondo",
            "секунды",
            "секунда",
            "секунд",
            "сек",
            "с",
            "秒",
        ],
    ),
    (Unit::Watt, &["watts", "watt"]),
    (Unit::Ohm, &["ohms", "ohm"]),
    (Unit::Hertz, &["hertz"]),
];

/// What stands before such a word.
const WORD_PREFIXES: [(f64, &[&str]); 6] = [
    (1e-3, &["milli", "mili", "m", "м", "毫", "ミリ"]),
    (1e-6, &["micro", "mikro", "u", "µ", "μ", "мк", "微", "マイクロ"]),
    (1e-9, &["nano", "n", "н", "纳", "ナノ"]),
    (1e-12, &["pico", "piko", "p", "п", "皮", "ピコ"]),
    (1e3, &["kilo", "k", "к", "千", "キロ"]),
    (1e6, &["mega"]),
];

/// A unit written as a word, such as `Millisekunden` or `kVolt`.
fn word(text: &str) -> Option<(Unit, f64)> {
    let lower = text.to_lowercase();
    WORDS.iter().find_map(|(unit, words)| {
        words.iter().find_map(|word| {
            let before = lower.strip_suffix(word)?;
            let factor = |before: &str| {
                WORD_PREFIXES.iter().find(|(_, all)| all.contains(&before)).map(|(by, _)| *by)
            };
            let factor = if before.is_empty() { Some(1.0) } else { factor(before) };
            Some((*unit, factor?))
        })
    })
}

/// A unit as people write it beside a reading: one that can be converted, or another word that is
/// only compared.
#[derive(Clone, Debug, PartialEq)]
pub enum Quantity {
    /// A unit and the factor that turns a value into SI.
    Known(Unit, f64),
    /// Another word, such as `dB(A)`.
    Other(String),
}

impl Quantity {
    /// Reads a unit.
    #[must_use]
    pub fn parse(text: &str) -> Self {
        let found = Unit::parse(text);
        found.map_or_else(|| Self::Other(text.trim().into()), |(unit, by)| Self::Known(unit, by))
    }

    /// The unit, where it is one that is known here.
    #[must_use]
    pub fn unit(&self) -> Option<Unit> {
        match self {
            Self::Known(unit, _) => Some(*unit),
            Self::Other(_) => None,
        }
    }

    /// Turns `value` in this unit into one in `wanted`; `None` where they are of different kinds.
    #[must_use]
    pub fn convert(&self, value: f64, wanted: &Self) -> Option<f64> {
        match (self, wanted) {
            (Self::Known(a, from), Self::Known(b, to)) if a == b => Some(value * from / to),
            (Self::Other(a), Self::Other(b)) if a == b => Some(value),
            _ => None,
        }
    }

    /// Reads `2 %`, `1 mohm`, or `2 % or 1 mohm` for a reading in `unit`: the share of the reading
    /// and the amount in `unit`.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn share_or_amount(text: &str, unit: &str) -> Result<(f64, f64), AmountError> {
        let (mut share, mut amount) = (0.0, 0.0);
        for term in text.split(" or ") {
            let term = term.trim();
            let wrong = || AmountError::Unreadable { text: term.into(), unit: unit.into() };
            let (digits, symbol) = term.split_once(' ').ok_or_else(wrong)?;
            let value: f64 = digits.parse().map_err(|_| wrong())?;
            if !(value.is_finite() && value >= 0.0) {
                return Err(AmountError::Negative(term.into()));
            }
            if symbol.trim() == "%" && unit != "%" {
                share = value / 100.0;
            } else {
                let found = Self::parse(symbol).convert(value, &Self::parse(unit));
                amount = found.ok_or_else(|| AmountError::OtherUnit {
                    found: symbol.trim().into(),
                    wanted: unit.into(),
                })?;
            }
        }
        Ok((share, amount))
    }
}

/// A tolerance or uncertainty that can't be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AmountError {
    /// Not a number with `%` or a unit.
    #[error(
        "`{text}` is not a share or an amount; write it like \"2 %\", \"10 {unit}\" or \"2 % or 10 {unit}\""
    )]
    Unreadable {
        /// What was written.
        text: String,
        /// The unit that fits.
        unit: String,
    },
    /// Below zero.
    #[error("`{0}` can't be negative")]
    Negative(String),
    /// A unit of something else.
    #[error("{} ({wanted})", if .found.is_empty() { "the unit is missing: write %, or the unit of this measure".to_owned() } else { format!("`{found}` is not the unit of this measure") })]
    OtherUnit {
        /// What was written.
        found: String,
        /// The unit that fits.
        wanted: String,
    },
    /// Two shares, or two amounts.
    #[error("the same kind of tolerance is given twice")]
    Twice,
}

/// The day of a date (`2027-01-31`) or of an RFC 3339 time, as written there.
#[must_use]
pub fn day_of(text: &str) -> Option<jiff::civil::Date> {
    jiff::fmt::temporal::Pieces::parse(text.trim()).ok().map(|pieces| pieces.date())
}

/// Writes `value` with its unit for people: four significant digits and an SI prefix where the
/// unit takes one, such as `391.2 kHz`, `12.50 ms`, `0.0600` (a ratio).
#[must_use]
pub fn for_people(value: f64, unit: Unit) -> String {
    significant(value, unit, 4)
}

/// As [`for_people`], with `digits` significant digits.
#[must_use]
pub fn significant(value: f64, unit: Unit, digits: usize) -> String {
    if unit == Unit::One {
        return digits_of(value, digits);
    }
    // Below a pico nothing is measured here: rounding.
    if value.abs() < 1e-12 {
        return format!("0 {}", unit.symbol());
    }
    const PREFIXES: [(&str, f64); 8] = [
        ("p", 1e-12),
        ("n", 1e-9),
        ("µ", 1e-6),
        ("m", 1e-3),
        ("", 1.0),
        ("k", 1e3),
        ("M", 1e6),
        ("G", 1e9),
    ];
    // Volts, amperes, watts and ohms read best unprefixed over the range met on a bench.
    let plain = match unit {
        Unit::Volt | Unit::Watt | Unit::VoltAmpere | Unit::Ohm => 0.1..20_000.0,
        Unit::Ampere | Unit::Joule => 0.01..1_000.0,
        _ => 1.0..1.0,
    };
    let size = value.abs();
    let (prefix, factor) = if plain.contains(&size) {
        ("", 1.0)
    } else {
        PREFIXES
            .into_iter()
            .rev()
            .find(|(_, factor)| size * (1.0 + 1e-12) >= *factor)
            .unwrap_or(PREFIXES[0])
    };
    format!("{} {prefix}{}", digits_of(value / factor, digits), unit.symbol())
}

fn digits_of(value: f64, digits: usize) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let size = value.abs();
    if !(1e-4..1e7).contains(&size) {
        return format!("{value:.*e}", digits.saturating_sub(1));
    }
    #[allow(clippy::cast_possible_truncation)]
    let exponent = size.log10().floor() as i64;
    let decimals = usize::try_from(digits as i64 - 1 - exponent).unwrap_or(0);
    format!("{value:.decimals$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unit_cells_are_read_with_their_prefix() {
        assert_eq!(Unit::parse("mV"), Some((Unit::Volt, 1e-3)));
        assert_eq!(Unit::parse("(µs)"), Some((Unit::Second, 1e-6)));
        assert_eq!(Unit::parse("[A]"), Some((Unit::Ampere, 1.0)));
        assert_eq!(Unit::parse("Volt"), Some((Unit::Volt, 1.0)));
        assert_eq!(Unit::parse("MHz"), Some((Unit::Hertz, 1e6)));
        assert_eq!(Unit::parse("0.5"), None);
        assert_eq!(Unit::parse("CH1"), None);
    }

    #[test]
    fn readings_are_converted_or_refused() {
        let convert = |value: f64, from: &str, to: &str| {
            Quantity::parse(from).convert(value, &Quantity::parse(to))
        };
        assert!((convert(0.12, "ohm", "mohm").unwrap() - 120.0).abs() < 1e-9);
        assert_eq!(convert(65.0, "dB(A)", "dB(A)"), Some(65.0));
        assert_eq!(convert(1.0, "mA", "mohm"), None);
        assert_eq!(convert(1.0, "dB(A)", "dB"), None);
        let (share, amount) = Quantity::share_or_amount("2 % or 0.001 ohm", "mohm").unwrap();
        assert!((share - 0.02).abs() < 1e-15 && (amount - 1.0).abs() < 1e-12);
        assert!(Quantity::share_or_amount("2 V", "mohm").is_err());
        assert!(Quantity::share_or_amount("two", "mohm").is_err());
    }

    #[test]
    fn days_are_those_written() {
        let day = day_of("2026-03-02T23:14:00-05:00").unwrap();
        assert_eq!(day, jiff::civil::date(2026, 3, 2));
        assert_eq!(day_of("2026-03-02T23:14:00Z"), Some(day));
        assert_eq!(day_of("2026-03-02"), Some(day));
        assert_eq!(day_of("2026-02-30"), None);
        assert_eq!(day_of("soon"), None);
    }

    #[test]
    fn numbers_read_as_people_write_them() {
        assert_eq!(for_people(391_234.0, Unit::Hertz), "391.2 kHz");
        assert_eq!(for_people(0.0125, Unit::Second), "12.50 ms");
        assert_eq!(for_people(1234.0, Unit::Volt), "1234 V");
        assert_eq!(for_people(0.06, Unit::One), "0.06000");
        assert_eq!(for_people(1.0, Unit::Second), "1.000 s");
        assert_eq!(for_people(-60.0, Unit::Watt), "-60.00 W");
    }

    #[test]
    fn rates_are_positive() {
        assert!(SampleRate::new(0.0).is_none());
        assert!(SampleRate::new(f64::NAN).is_none());
    }
}
