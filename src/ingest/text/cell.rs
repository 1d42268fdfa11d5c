//! One cell as people and instruments write it: marks for no value, units and SI letters behind
//! the number, digits in groups, odd exponents, times of day.

use crate::units::Unit;

/// What a cell holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Cell {
    /// A number, its SI letter worked in, and the unit written behind it.
    Number(f64, Option<Unit>),
    /// A time of day, s, and the day as a number, where it is written.
    Clock(f64, Option<i64>),
    /// Nothing was recorded.
    Missing,
    /// Beyond the range.
    Overrange,
    /// No text at all.
    Empty,
    /// Anything else.
    Text,
}

impl Cell {
    /// Whether a data row may hold it: a number, or a mark in its place.
    pub(super) fn is_data(self) -> bool {
        matches!(self, Self::Number(..) | Self::Missing | Self::Overrange)
    }

    /// The number, or what stands for a gap until the piece is settled.
    pub(super) fn value(self) -> Option<f64> {
        match self {
            Self::Number(value, _) => Some(value),
            Self::Missing | Self::Empty => Some(f64::NAN),
            Self::Overrange => Some(f64::INFINITY),
            Self::Clock(..) | Self::Text => None,
        }
    }
}

/// Reads a cell; `comma` where the decimal mark is a comma.
pub(super) fn read(cell: &str, comma: bool) -> Cell {
    let cell = cell.trim_matches(|c: char| c.is_whitespace() || c == '"' || c == '\u{a0}');
    if cell.is_empty() {
        return Cell::Empty;
    }
    // Most cells are plain numbers.
    if cell.starts_with(|c: char| c.is_ascii_digit() || c == '-')
        && !(comma && cell.contains('.'))
        && let Ok(value) = fast_float2::parse::<f64, _>(cell)
        && crate::ingest::binary::is_value(value)
    {
        return Cell::Number(value, None);
    }
    if let Some(mark) = mark(cell) {
        return mark;
    }
    // Nothing else can begin a number, and no number is so long.
    let numeric = |c: char| c.is_ascii_digit() || "+-.,\u{2212}".contains(c);
    if cell.len() > LONGEST || !cell.starts_with(numeric) {
        return Cell::Text;
    }
    if let Some((value, unit)) = number(cell, comma) {
        return if crate::ingest::binary::is_value(value) {
            Cell::Number(value, unit)
        } else if value.abs() < 9.905e37 || value.is_infinite() {
            Cell::Overrange
        } else {
            Cell::Missing
        };
    }
    clock(cell).map_or(Cell::Text, |(seconds, day)| Cell::Clock(seconds, day))
}

/// Longest cell that is looked at, bytes.
const LONGEST: usize = 64;

/// Words that stand for no value; common practice, no source.
fn mark(cell: &str) -> Option<Cell> {
    const OVER: [&str; 15] = [
        "over",
        "overrange",
        "overflow",
        "over range",
        "ol",
        "o.l",
        "ovld",
        "ovf",
        "clip",
        "inf",
        "infinity",
        "∞",
        "1.#inf",
        "1,#inf",
        "1.#inf00",
    ];
    const NONE: [&str; 14] = [
        "nan", "n/a", "na", "#n/a", "null", "none", "missing", "invalid", "1.#ind", "1,#ind",
        "1.#qnan", "1.#nan", "1.#ind00", "nd",
    ];
    let all = |sign: char| cell.chars().all(|c| c == sign);
    if all('*') {
        return Some(Cell::Overrange);
    }
    if cell.len() >= 2 && (all('-') || all('_') || all('?')) {
        return Some(Cell::Missing);
    }
    let first = cell.chars().next()?;
    // Most cells are numbers: look no further.
    if first.is_ascii_digit() && !cell.contains('#') {
        return None;
    }
    let word = cell.trim_start_matches(['+', '-', '\u{2212}']).to_lowercase();
    if OVER.contains(&word.as_str()) {
        return Some(Cell::Overrange);
    }
    NONE.contains(&word.as_str()).then_some(Cell::Missing)
}

fn number(cell: &str, comma: bool) -> Option<(f64, Option<Unit>)> {
    let plain = normal(cell, comma)?;
    let (value, length) = fast_float2::parse_partial::<f64, _>(plain.as_bytes()).ok()?;
    let digits = plain.get(..length)?;
    // `inf` and `nan` have been taken as marks; other words are no numbers.
    if !digits.bytes().any(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let rest = plain.get(length..)?.trim();
    if rest.is_empty() {
        return Some((value, None));
    }
    // `1.2 E3`, `1.2D+03`.
    if let Some(exponent) = exponent(rest) {
        return Some((format!("{digits}e{exponent}").parse().ok()?, None));
    }
    let letter = match rest {
        "p" => Some(1e-12),
        "n" => Some(1e-9),
        "u" | "µ" | "μ" => Some(1e-6),
        "m" => Some(1e-3),
        "k" | "K" => Some(1e3),
        "M" => Some(1e6),
        "G" => Some(1e9),
        _ => None,
    };
    if let Some(factor) = letter {
        return Some((value * factor, None));
    }
    let (unit, factor) = Unit::parse(rest)?;
    Some((value * factor, Some(unit)))
}

fn exponent(rest: &str) -> Option<i32> {
    let digits = rest.strip_prefix(['e', 'E', 'd', 'D'])?;
    let digits = digits.strip_prefix('+').unwrap_or(digits);
    (digits.len() <= 5).then(|| digits.parse().ok())?
}

/// The cell with a decimal point, a plain minus and its digits joined; `None` where commas or
/// groups do not stand as they must.
fn normal(cell: &str, comma: bool) -> Option<String> {
    let mut text: String = cell
        .chars()
        .map(|c| match c {
            '\u{2212}' => '-',
            '\u{a0}' | '\u{2009}' | '\u{202f}' => ' ',
            '\u{2019}' => '\'',
            other => other,
        })
        .collect();
    let (decimal, other) = if comma { (',', '.') } else { ('.', ',') };
    for group in [other, '\'', ' '] {
        if text.contains(group)
            && let Some(joined) = join_groups(&text, group, decimal)
        {
            text = joined;
        }
    }
    if comma {
        // A comma at the end is a separator.
        if text.contains('.') || text.ends_with(',') {
            return None;
        }
        text = text.replace(',', ".");
    }
    (!text.contains(',')).then_some(text)
}

/// `1'234.5` -> `1234.5`, where every group has three digits and the first one to three.
fn join_groups(text: &str, group: char, decimal: char) -> Option<String> {
    let end = text
        .char_indices()
        .find(|(_, c)| !(c.is_ascii_digit() || *c == group || matches!(c, '+' | '-')))
        .map_or(text.len(), |(at, _)| at);
    let (whole, rest) = text.split_at_checked(end)?;
    let whole = whole.trim_end_matches(' ');
    if !(rest.is_empty() || rest.starts_with(decimal) || rest.starts_with([' ', 'e', 'E'])) {
        return None;
    }
    let sign = whole.len() - whole.trim_start_matches(['+', '-']).len();
    let (sign, digits) = whole.split_at_checked(sign)?;
    let mut groups = digits.split(group);
    let first = groups.next()?;
    let fits = (1..=3).contains(&first.len()) && groups.clone().count() > 0;
    (fits && groups.all(|part| part.len() == 3 && part.bytes().all(|b| b.is_ascii_digit())))
        .then(|| format!("{sign}{}{rest}", digits.replace(group, "")))
}

/// `13:10:34.255.812.740`, with or without a date before it: seconds of the day, and the day.
fn clock(cell: &str) -> Option<(f64, Option<i64>)> {
    let (date, time) = match cell.rsplit_once(['T', ' ']) {
        Some((date, time)) => (Some(date.trim()), time),
        None => (None, cell),
    };
    let mut parts: Vec<&str> = time.splitn(3, ':').collect();
    // `08:32.3`: minutes and seconds.
    if parts.len() == 2 && date.is_none() && parts.last().is_some_and(|part| part.contains('.')) {
        parts.insert(0, "0");
    }
    let [hours, minutes, seconds] = parts.as_slice() else { return None };
    let hours: u32 = hours.parse().ok().filter(|n| *n < 24)?;
    let minutes: u32 = minutes.parse().ok().filter(|n| *n < 60)?;
    let (whole, fraction) = seconds.split_once(['.', ',']).unwrap_or((seconds, ""));
    let whole: u32 = whole.parse().ok().filter(|n| *n < 61)?;
    // Dots between the groups of a fraction say nothing.
    let digits: String = fraction.chars().filter(|c| *c != '.' && *c != ',').collect();
    if !digits.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let fraction: f64 = if digits.is_empty() { 0.0 } else { format!("0.{digits}").parse().ok()? };
    let of_day = f64::from(hours * 3600 + minutes * 60 + whole) + fraction;
    let day = match date {
        None => None,
        Some(date) => Some(day_number(date)?),
    };
    Some((of_day, day))
}

/// Days from the first of January 1970 of an ISO date (H. Hinnant, days_from_civil, from memory).
fn day_number(date: &str) -> Option<i64> {
    let mut parts = date.split(['-', '/', '.']);
    let mut next = || parts.next()?.parse::<i64>().ok();
    let (year, month, day) = (next()?, next()?, next()?);
    if !((1000..10_000).contains(&year) && (1..=12).contains(&month) && (1..=31).contains(&day)) {
        return None;
    }
    let year = if month <= 2 { year - 1 } else { year };
    let era = year.div_euclid(400);
    let of_era = year.rem_euclid(400);
    let of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    Some(era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_as_they_are_written() {
        let volt = Some(Unit::Volt);
        for (text, comma, wanted) in [
            ("1.234 V", false, Cell::Number(1.234, volt)),
            ("12.5mV", false, Cell::Number(12.5e-3, volt)),
            ("4.7k", false, Cell::Number(4700.0, None)),
            ("2n", false, Cell::Number(2e-9, None)),
            ("1,234.5", false, Cell::Number(1234.5, None)),
            ("1 234,5", true, Cell::Number(1234.5, None)),
            ("1'234.5", false, Cell::Number(1234.5, None)),
            ("-1.234.567,5", true, Cell::Number(-1_234_567.5, None)),
            ("1.2 E3", false, Cell::Number(1200.0, None)),
            ("1.2D+03", false, Cell::Number(1200.0, None)),
            ("1.2E+003", false, Cell::Number(1200.0, None)),
            ("\u{2212}0.5", false, Cell::Number(-0.5, None)),
            ("-.5", false, Cell::Number(-0.5, None)),
            ("0,0125", true, Cell::Number(0.0125, None)),
            ("9.91E+37", false, Cell::Missing),
            ("-9.9E+37", false, Cell::Overrange),
            ("1e400", false, Cell::Overrange),
            ("***", false, Cell::Overrange),
            ("----", false, Cell::Missing),
            ("OVER", false, Cell::Overrange),
            ("-1.#INF", false, Cell::Overrange),
            ("1.#IND", false, Cell::Missing),
            ("NaN", false, Cell::Missing),
            ("", false, Cell::Empty),
            ("CH1", false, Cell::Text),
            ("1,5", false, Cell::Text),
            ("12,34,5", false, Cell::Text),
            ("3 Feb", false, Cell::Text),
            ("08:32.3", false, Cell::Clock(512.3, None)),
            ("1:10", false, Cell::Text),
            ("13:10:34.255.812", false, Cell::Clock(47_434.255_812, None)),
            ("1970-01-02 00:00:01", false, Cell::Clock(1.0, Some(1))),
            ("2031-02-03T00:00:00.5", false, Cell::Clock(0.5, Some(22_313))),
        ] {
            let got = read(text, comma);
            match (got, wanted) {
                (Cell::Number(a, u), Cell::Number(b, w)) => {
                    assert!((a - b).abs() <= 1e-15 * b.abs() && u == w, "{text}: {got:?}");
                }
                _ => assert_eq!(got, wanted, "{text}"),
            }
        }
    }
}
