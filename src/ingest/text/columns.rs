//! What each column is: time, an index, or a channel with its name and unit.

use super::cell::Cell;
use super::dialect::{Dialect, Line};
use super::is_time;
use super::preamble::{self, Row};
use super::title::{name_and_unit, quantity};
use crate::ingest::{ChannelInfo, IngestError};
use crate::numeric::order::median;
use crate::sheet::TextHints;
use crate::units::Unit;
use std::path::Path;

/// The first rows of data.
pub(super) struct Body {
    rows: Vec<Vec<Cell>>,
    /// Columns whose numbers are written without decimals.
    whole: Vec<bool>,
}

impl Body {
    /// The rows of data in the head.
    pub(super) fn of(lines: &[Line], dialect: &Dialect) -> Self {
        let mut body = Self { rows: Vec::new(), whole: vec![true; dialect.fields] };
        for (_, line) in lines.iter().skip(dialect.first_line - 1) {
            if line.is_empty() {
                continue;
            }
            let texts = dialect.separator.split(line);
            for (whole, text) in body.whole.iter_mut().zip(&texts) {
                *whole &= text.trim_start_matches(['+', '-']).bytes().all(|b| b.is_ascii_digit());
            }
            body.rows.push(texts.iter().map(|text| dialect.cell(text)).collect());
        }
        body
    }

    /// Whether all numbers of a column are written as whole ones.
    pub(super) fn is_whole(&self, column: usize) -> bool {
        self.whole.get(column).copied().unwrap_or(false)
    }

    /// Whether all numbers of a column are whole, however they are written, and have no unit.
    pub(super) fn has_whole_values(&self, column: usize) -> bool {
        self.rows.iter().filter_map(|row| row.get(column)).all(|cell| match cell {
            Cell::Number(value, unit) => value.fract() == 0.0 && unit.is_none(),
            _ => true,
        })
    }

    /// The numbers of a column.
    fn numbers(&self, column: usize) -> Vec<f64> {
        let number = |row: &Vec<Cell>| match row.get(column) {
            Some(Cell::Number(value, _)) => Some(*value),
            _ => None,
        };
        self.rows.iter().filter_map(number).collect()
    }

    /// Whether a column counts the rows: 0, 1, 2 from any number on.
    fn counts(&self, column: usize) -> bool {
        let numbers = self.numbers(column);
        numbers.len() > 2 && numbers.array_windows().all(|[a, b]| (b - a - 1.0).abs() < 1e-9)
    }

    fn has_clock(&self, column: usize) -> bool {
        self.rows.iter().any(|row| matches!(row.get(column), Some(Cell::Clock(..))))
    }
}

/// Name and unit of a column, from the rows of names and units and from its cells.
pub(super) fn describe(
    column: usize,
    names: Option<&Row>,
    units: Option<&Row>,
    body: &Body,
) -> ChannelInfo {
    let cell = names.and_then(|row| row.cells.get(column)).map_or("", String::as_str);
    let (mut name, unit) = name_and_unit(cell);
    let unit_cell = units.and_then(|row| row.cells.get(column)).map_or("", String::as_str);
    // `Seconds,Volts`: the words are all there is.
    if names.is_none() && unit_cell.chars().filter(|c| c.is_alphabetic()).count() >= 3 {
        name = unit_cell.to_owned();
    }
    let written = body.rows.iter().find_map(|row| match row.get(column) {
        Some(Cell::Number(_, Some(unit))) => Some((*unit, 1.0)),
        _ => None,
    });
    let by_name = quantity(&name).map(|unit| (unit, 1.0));
    let unit = Unit::parse(unit_cell).or(unit).or(written).or(by_name);
    let mut info =
        ChannelInfo::named(if name.is_empty() { format!("column {}", column + 1) } else { name });
    info.unit = unit.map(|(unit, _)| unit);
    info.factor = unit.map_or(1.0, |(_, factor)| factor);
    let word = preamble::word(&info.name);
    let computed = ["math", "fft", "ref", "spectrum", "magnitude"];
    if computed.iter().any(|start| word.starts_with(start)) {
        info.not_measured = Some("was computed or stored by the instrument, not measured");
    } else if unit.is_none()
        && (is_other_unit(unit_cell) || bracket(cell).is_some_and(is_other_unit))
    {
        info.not_measured = Some("is in another unit than volts or amperes");
    }
    info
}

/// What stands in brackets at the end.
fn bracket(cell: &str) -> Option<&str> {
    let inner = cell.trim().strip_suffix([')', ']'])?;
    inner.get(inner.rfind(['(', '['])? + 1..).map(str::trim)
}

/// Units that are neither of time nor electrical, or of a computed quantity.
fn is_other_unit(text: &str) -> bool {
    const OTHER: [&str; 24] = [
        "g", "m", "mm", "cm", "µm", "um", "kg", "n", "nm", "k", "pa", "kpa", "bar", "psi", "db",
        "dbm", "dbv", "dbµv", "deg", "rad", "rpm", "t", "lx", "c",
    ];
    let text = text.trim().trim_matches(['(', ')', '[', ']']).trim().to_lowercase();
    if text.is_empty() || text.chars().count() > 8 || is_division(&text) {
        return false;
    }
    OTHER.contains(&text.as_str()) || text.contains(['°', '%', '²', '^']) || {
        // `m/s`, `km/h`, `V/s`.
        text.split_once('/').is_some_and(|(above, below)| {
            !above.is_empty() && ["s", "s2", "h", "min", "hz", "√hz"].contains(&below)
        }) && Unit::parse(&text).is_none()
    }
}

/// `V/div` is a setting of the instrument, never a unit of samples.
fn is_division(text: &str) -> bool {
    text.ends_with("/div") || text.ends_with("/division")
}

/// What the columns are for.
pub(super) struct Roles {
    /// The time column.
    pub time: Option<usize>,
    /// Further columns of the same time.
    pub more_times: Vec<usize>,
    /// Columns that count the rows.
    pub index: Vec<usize>,
    /// The channels.
    pub data: Vec<usize>,
}

/// Decides what each column of numbers is for; `interval` is what the file states, s.
///
/// # Errors
/// Where the sheet names a time column that is not there.
pub(super) fn roles(
    file: &Path,
    body: &Body,
    dialect: &Dialect,
    hints: &TextHints,
    described: &[ChannelInfo],
    named: bool,
    interval: Option<f64>,
) -> Result<Roles, IngestError> {
    let info = |column: usize| described.get(column);
    let says_seconds = |column: usize| info(column).is_some_and(|i| i.unit == Some(Unit::Second));
    let hint = told(file, hints, described)?;
    let fixed = match hint {
        Hint::Column(column) => Some(column),
        Hint::None | Hint::Nothing => None,
    };
    let usable = dialect.data.iter().copied();
    // What counts the rows is no time, unless something says seconds; nor is it a channel where its
    // name says that it counts, or where it stands first without a name of its own.
    let is_index = |column: usize| {
        Some(column) != fixed
            && body.counts(column)
            && !says_seconds(column)
            && dialect.data.len() > 1
            && info(column).is_some_and(|info| {
                let first = dialect.data.first() == Some(&column);
                let bare = info.name == format!("column {}", column + 1);
                is_count(&info.name) || (first && bare) || is_time(&info.name, None)
            })
    };
    // A stated interval of one second, or none and no name: then it may be seconds all the same.
    let index: Vec<usize> = match hint {
        Hint::None => Vec::new(),
        _ => usable.clone().filter(|column| is_index(*column)).collect(),
    };
    let left = || usable.clone().filter(|column| !index.contains(column));
    let by_name = |column: &usize| {
        body.has_clock(*column) || info(*column).is_some_and(|i| is_time(&i.name, i.unit))
    };
    let time = match hint {
        Hint::Column(column) => Some(column),
        Hint::None => None,
        Hint::Nothing => left()
            .find(|column| says_seconds(*column) && by_name(column))
            .or_else(|| left().find(by_name))
            .or_else(|| {
                let first = left().next().filter(|_| left().count() > 1)?;
                climbs(body, first, info(first), named, interval).then_some(first)
            }),
    };
    let twin = |column: &usize| {
        let Some(time) = time.filter(|_| hint != Hint::None) else { return false };
        let bare = info(*column).is_some_and(|i| i.name == format!("column {}", column + 1));
        let numbers = body.numbers(*column);
        by_name(column) || (bare && (numbers == body.numbers(time) || is_ruled(&numbers)))
    };
    let others = || left().filter(|column| Some(*column) != time);
    let more_times: Vec<usize> = others().filter(twin).collect();
    let data = others().filter(|column| !more_times.contains(column)).collect();
    Ok(Roles { time, more_times, index, data })
}

/// What the sheet says of the time column.
#[derive(Clone, Copy, PartialEq)]
enum Hint {
    Column(usize),
    None,
    Nothing,
}

fn told(file: &Path, hints: &TextHints, described: &[ChannelInfo]) -> Result<Hint, IngestError> {
    let Some(hint) = &hints.time_column else { return Ok(Hint::Nothing) };
    if hint == "none" {
        return Ok(Hint::None);
    }
    let found = described
        .iter()
        .position(|channel| channel.name == *hint)
        .or_else(|| hint.parse().ok().filter(|k| *k < described.len()));
    found.map(Hint::Column).ok_or_else(|| {
        let names: Vec<&str> = described.iter().map(|channel| channel.name.as_str()).collect();
        IngestError::Ask {
            file: file.to_owned(),
            message: format!("no column `{hint}` for the time"),
            help: format!("columns here: {}", names.join(", ")),
        }
    })
}

/// Whether a name says that a column counts.
fn is_count(name: &str) -> bool {
    const WORDS: [&str; 20] = [
        "sample",
        "samples",
        "sampleno",
        "samplenumber",
        "index",
        "idx",
        "point",
        "points",
        "pt",
        "no",
        "nr",
        "n",
        "num",
        "number",
        "count",
        "counter",
        "row",
        "sequence",
        "seq",
        "x",
    ];
    let lower = name.trim().to_lowercase();
    WORDS.contains(&preamble::word(name).as_str())
        || ["#", "№", "序号", "点", "номер", "番号"].contains(&lower.as_str())
}

/// Whether a first column is time though no name says so: it climbs evenly, and is no channel by
/// name or unit.
fn climbs(
    body: &Body,
    column: usize,
    info: Option<&ChannelInfo>,
    named: bool,
    interval: Option<f64>,
) -> bool {
    let Some(info) = info else { return false };
    let word = preamble::word(&info.name);
    let channel = ["ch", "channel", "kanal", "canal", "voie", "analog", "input", "trace"];
    if named && (info.unit.is_some() || channel.contains(&word.as_str())) {
        return false;
    }
    is_even(&body.numbers(column), interval)
}

/// Whether numbers climb along a straight line, up to a first jump, rounding allowed for; or by the
/// stated interval.
fn is_even(numbers: &[f64], interval: Option<f64>) -> bool {
    const FEWEST: usize = 3;
    let mut steps: Vec<f64> = numbers.array_windows().map(|[a, b]| b - a).collect();
    let stated = |step: f64| interval.is_some_and(|stated| (step / stated - 1.0).abs() < 1e-3);
    let mut positive: Vec<f64> = steps.iter().copied().filter(|step| *step > 0.0).collect();
    let Some(usual) = median(&mut positive).filter(|usual| *usual > 0.0) else { return false };
    if numbers.len() >= 2 && stated(usual) {
        return true;
    }
    // Stamps rounded so that some repeat climb in steps of one digit.
    let jump = steps.iter().position(|step| *step < 0.0 || *step > 3.0 * usual);
    steps.truncate(jump.unwrap_or(steps.len()));
    let Some(run) = numbers.get(..=steps.len()).filter(|run| run.len() > FEWEST) else {
        return numbers.len() >= 2 && jump.is_none() && steps.iter().all(|step| *step == usual);
    };
    let [first, .., last] = run else { return false };
    let slope = (last - first) / (run.len() - 1) as f64;
    let repeats = steps.contains(&0.0);
    let allowed = if repeats { 1.01 * usual } else { 0.6 * usual };
    slope > 0.0
        && run.iter().enumerate().all(|(k, x)| (x - first - slope * k as f64).abs() <= allowed)
}

/// Whether many numbers climb along a straight line so closely that they can be nothing but time.
fn is_ruled(numbers: &[f64]) -> bool {
    const MANY: usize = 32;
    let Some([first, .., last]) = numbers.get(..).filter(|all| all.len() >= MANY) else {
        return false;
    };
    let step = (last - first) / (numbers.len() - 1) as f64;
    let off = |(k, x): (usize, &f64)| (x - first - step * k as f64).abs() <= 0.02 * step;
    step > 0.0 && numbers.iter().enumerate().all(off)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn other_units_are_told_from_notes() {
        for unit in ["m/s^2", "g", "°C", "%", "dBV"] {
            assert!(is_other_unit(unit), "{unit}");
        }
        for word in ["V/div", "probe", "A1", "", "left"] {
            assert!(!is_other_unit(word), "{word}");
        }
    }

    #[test]
    fn a_flank_of_a_wave_is_no_time() {
        let flank: Vec<f64> = (0..200).map(|k| (f64::from(k) * 0.0025).sin()).collect();
        assert!(!is_even(&flank, None));
        let time: Vec<f64> = (0..200).map(|k| -1e-3 + 4e-7 * f64::from(k)).collect();
        assert!(is_even(&time, None));
        let rounded: Vec<f64> = time.iter().map(|t| (t * 1e6).round() / 1e6).collect();
        assert!(is_even(&rounded, None));
    }
}
