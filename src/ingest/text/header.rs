//! Names and units of the columns, and what else stands above or beside the numbers.

use super::cell::Cell;
use super::dialect::{Dialect, Line, Separator};
use super::is_time;
use super::preamble::{self, Facts, Interval, Row, Vertical};
use crate::ingest::sheet::TextHints;
use crate::ingest::{ChannelInfo, IngestError, Receipt};
use crate::units::Unit;
use std::path::Path;

/// What the rows above the data tell.
pub struct Header {
    /// Columns that are data channels.
    pub columns: Vec<usize>,
    /// The channels, one per column.
    pub channels: Vec<ChannelInfo>,
    /// Time column and the factor from its unit to seconds.
    pub time: Option<(usize, f64)>,
    /// Further time columns, one per channel in some layouts.
    pub more_times: Vec<(usize, f64)>,
    /// Whether the columns are named.
    pub named: bool,
    /// What the preamble states.
    pub facts: Facts,
    /// First cells of the rows above the data, and the rows of names and units whole: a row that
    /// begins so in mid-file is a header again.
    pub labels: Vec<String>,
}

/// The rows of a head, cut into cells.
struct Rows {
    /// Above the data.
    above: Vec<Row>,
    /// Beside the data: the cells of columns that hold no data.
    beside: Vec<Row>,
}

/// Reads what stands above and beside the data.
///
/// # Errors
/// Where the sheet names a time column that is not there.
pub fn read(
    file: &Path,
    lines: &[Line],
    dialect: &Dialect,
    hints: &TextHints,
    receipt: &mut Receipt,
) -> Result<Header, IngestError> {
    let rows = cut(lines, dialect);
    let (names, units) = names_and_units(&rows.above, dialect);
    let mut facts =
        preamble::facts(&[rows.above.as_slice(), &rows.beside].concat(), dialect.decimal_comma);
    if let Some(names) = names
        && let Some(found) = increment_column(&rows.above, names, dialect)
    {
        facts.interval = Some(found);
    }
    let body: Vec<Vec<Cell>> = lines
        .iter()
        .skip(dialect.first_line - 1)
        .filter(|(_, line)| !line.is_empty())
        .map(|(_, line)| dialect.separator.split(line).iter().map(|c| dialect.cell(c)).collect())
        .collect();
    let mut described: Vec<ChannelInfo> =
        (0..dialect.fields).map(|column| describe(column, names, units, &body)).collect();

    let time = time_column(file, &body, dialect, hints, &described, names.is_some())?;
    match time.and_then(|column| described.get(column).map(|info| (column, info))) {
        Some((column, info)) => receipt.note(
            "time column",
            format!("{} (column {}), in {}", info.name, column + 1, seconds(info.factor)),
        ),
        None => receipt.note("time column", "none"),
    }
    let factor = |column: usize| described.get(column).map_or(1.0, |info| info.factor);
    let is_data = |column: &usize| dialect.data.contains(column) && Some(*column) != time;
    // One time column per channel in some layouts.
    let more_times: Vec<(usize, f64)> = (0..dialect.fields)
        .filter(is_data)
        .filter(|k| described.get(*k).is_some_and(|info| is_time(&info.name, info.unit)))
        .map(|column| (column, factor(column)))
        .collect();
    let columns: Vec<usize> = (0..dialect.fields)
        .filter(is_data)
        .filter(|column| !more_times.iter().any(|(time, _)| time == column))
        .collect();
    let time = time.map(|column| (column, factor(column)));
    let mut channels = Vec::new();
    for (k, column) in columns.iter().enumerate() {
        let unit_cell = units.and_then(|row| row.cells.get(*column)).map_or("", String::as_str);
        let own = facts.vertical.get(k).or(facts.vertical.first()).copied().unwrap_or_default();
        let mut info = described.get_mut(*column).map_or_else(
            || ChannelInfo::named(""),
            |info| std::mem::replace(info, ChannelInfo::named("")),
        );
        let stated = facts.units.get(k).or(facts.units.first());
        if let (None, Some((unit, factor))) = (info.unit, stated) {
            info.unit = Some(*unit);
            info.factor = *factor;
        }
        scale(&mut info, unit_cell, own, &body, *column, receipt);
        note_channel(&info, receipt);
        channels.push(info);
    }
    let labels = labels(&rows.above, names, units);
    Ok(Header { columns, channels, time, more_times, named: names.is_some(), facts, labels })
}

fn cut(lines: &[Line], dialect: &Dialect) -> Rows {
    let above = lines
        .iter()
        .take(dialect.first_line - 1)
        .map(|(_, line)| {
            let line = line.trim().trim_start_matches('\u{feff}').trim_start_matches(['#', '%']);
            // A semicolon in front marks a comment where it separates nothing.
            let comment = dialect.separator != Separator::Semicolon;
            if comment { line.trim_start_matches(';').trim() } else { line.trim() }
        })
        .filter(|line| !line.is_empty())
        .map(|line| Row::new(cells(dialect, line)))
        .collect();
    let beside = lines
        .iter()
        .skip(dialect.first_line - 1)
        .map(|(_, line)| {
            let fields = dialect.separator.split(line).into_iter().enumerate();
            fields.filter(|(k, _)| !dialect.data.contains(k)).map(|(_, cell)| cell).collect()
        })
        .filter(|cells: &Vec<String>| cells.iter().any(|cell| !cell.is_empty()))
        .map(Row::new)
        .collect();
    Rows { above, beside }
}

fn cells(dialect: &Dialect, line: &str) -> Vec<String> {
    let mut cells = dialect.separator.split(line);
    if dialect.separator == Separator::Space && cells.len() != dialect.fields {
        // `CH1 (V)` has a blank inside: join a bracketed unit to the name before it.
        let mut joined: Vec<String> = Vec::new();
        for cell in cells {
            match joined.last_mut() {
                Some(last) if cell.starts_with(['(', '[']) => {
                    last.push(' ');
                    last.push_str(&cell);
                }
                _ => joined.push(cell),
            }
        }
        cells = joined;
    }
    // A separator at the end of a header row, where the data rows have none.
    while cells.len() > dialect.fields && cells.last().is_some_and(String::is_empty) {
        cells.pop();
    }
    // `Date: 2031-02-03`, `Interval = 2 ns` where the separator is another.
    if let [only] = cells.as_slice()
        && let Some((label, value)) = only.split_once([':', '='])
    {
        let mut apart = vec![label.trim().to_owned()];
        apart.extend(value.split_whitespace().map(str::to_owned));
        return apart;
    }
    cells
}

/// Words that stand alone above the data and name nothing.
const MARKERS: [&str; 6] = ["data", "begin", "start", "samples", "waveform", "values"];

/// The rows of names and units: the last ones that have a cell for every column of data.
fn names_and_units<'a>(above: &'a [Row], dialect: &Dialect) -> (Option<&'a Row>, Option<&'a Row>) {
    let last = dialect.data.last().copied().unwrap_or(0);
    let fitting: Vec<&Row> = above
        .iter()
        .rev()
        .take(8)
        .filter(|row| row.cells.len() > last && row.cells.len() <= dialect.fields)
        .filter(|row| {
            let alone = row.cells.len() == 1;
            !(alone
                && row.cells.iter().any(|cell| MARKERS.contains(&preamble::word(cell).as_str())))
        })
        .collect();
    let of = |row: &&Row| -> Vec<String> {
        dialect.data.iter().filter_map(|k| row.cells.get(*k).cloned()).collect()
    };
    let is_unit = |cell: &String| Unit::parse(cell).is_some() || is_code_unit(cell);
    let units = fitting.iter().copied().find(|row| {
        let cells = of(row);
        cells.iter().all(|cell| cell.is_empty() || is_unit(cell)) && cells.iter().any(is_unit)
    });
    let names = fitting.iter().copied().find(|row| {
        let cells = of(row);
        let text = |cell: &String| dialect.cell(cell) == Cell::Text;
        // Channel numbers may stand in a row of names, measured numbers not.
        let whole = |cell: &String| cell.bytes().all(|byte| byte.is_ascii_digit());
        units.is_none_or(|units| !std::ptr::eq(units, *row))
            && !row.states_a_fact()
            && cells.iter().any(text)
            && cells.iter().all(|cell| text(cell) || whole(cell))
    });
    (names, units)
}

/// `Start,Increment` as columns of their own, their values in the row below the names.
fn increment_column(above: &[Row], names: &Row, dialect: &Dialect) -> Option<Interval> {
    let column = names.cells.iter().position(|cell| preamble::word(cell) == "increment")?;
    if dialect.data.contains(&column) {
        return None;
    }
    let place = above.iter().position(|row| std::ptr::eq(row, names))?;
    let cell = above.get(place + 1)?.cells.get(column)?;
    let seconds = dialect.number(cell)?;
    let from = format!("from the column `{}`, `{cell}` s", names.cells.get(column)?);
    Some(Interval { seconds, is_rate: false, from })
}

fn is_code_unit(cell: &str) -> bool {
    let word = preamble::word(cell);
    [
        "div",
        "divs",
        "division",
        "divisions",
        "code",
        "codes",
        "count",
        "counts",
        "lsb",
        "adc",
        "raw",
    ]
    .contains(&word.as_str())
}

/// Name and unit of a column, from the rows of names and units and from its cells.
fn describe(
    column: usize,
    names: Option<&Row>,
    units: Option<&Row>,
    body: &[Vec<Cell>],
) -> ChannelInfo {
    let cell = names.and_then(|row| row.cells.get(column)).map_or("", String::as_str);
    let (name, unit) = name_and_unit(cell);
    let below = units.and_then(|row| Unit::parse(row.cells.get(column)?));
    let written = body.iter().find_map(|row| match row.get(column) {
        Some(Cell::Number(_, Some(unit))) => Some((*unit, 1.0)),
        _ => None,
    });
    let by_name = quantity(&name).map(|unit| (unit, 1.0));
    let unit = below.or(unit).or(written).or(by_name);
    let mut info =
        ChannelInfo::named(if name.is_empty() { format!("column {}", column + 1) } else { name });
    info.unit = unit.map(|(unit, _)| unit);
    info.factor = unit.map_or(1.0, |(_, factor)| factor);
    let word = preamble::word(&info.name);
    let computed = ["math", "fft", "ref", "spectrum", "magnitude"];
    if computed.iter().any(|start| word.starts_with(start)) {
        info.not_measured = Some("was computed or stored by the instrument, not measured");
    }
    info
}

/// Volt or ampere where a name can mean nothing else.
pub fn quantity(name: &str) -> Option<Unit> {
    let letters: String = name.trim_end_matches(|c: char| c.is_ascii_digit()).trim().to_lowercase();
    match letters.as_str() {
        "v" | "u" | "volt" | "volts" | "voltage" | "spannung" | "tension" | "tensión" => {
            Some(Unit::Volt)
        }
        "i" | "current" | "strom" | "courant" | "corriente" | "ampere" | "amps" => {
            Some(Unit::Ampere)
        }
        _ => None,
    }
}

/// Applies what the preamble says of a channel's codes or divisions.
fn scale(
    info: &mut ChannelInfo,
    unit_cell: &str,
    vertical: Vertical,
    body: &[Vec<Cell>],
    column: usize,
    receipt: &mut Receipt,
) {
    info.probe_factor = vertical.probe;
    if let Some(probe) = vertical.probe {
        receipt.note("probe factor", format!("{probe} for {}, from the preamble", info.name));
    }
    let whole = body.iter().filter_map(|row| row.get(column)).all(|cell| match cell {
        Cell::Number(value, unit) => value.fract() == 0.0 && unit.is_none(),
        _ => true,
    });
    let word = preamble::word(unit_cell);
    let divisions = word.starts_with("div");
    let codes = is_code_unit(unit_cell) && !divisions;
    if divisions {
        match vertical.per_division {
            Some(scale) => {
                info.unit = Some(Unit::Volt);
                info.factor = scale;
                receipt
                    .note("vertical scale", format!("{scale} V per division, from the preamble"));
            }
            None => {
                info.needs_scale =
                    Some("its numbers are divisions, and no vertical scale is stated".into());
            }
        }
        return;
    }
    if info.unit.is_some() && !codes {
        return;
    }
    if let Some(step) = vertical.per_code.filter(|step| *step != 0.0 && step.is_finite()) {
        // value = (code - reference) * step + origin
        let (origin, reference) =
            (vertical.origin.unwrap_or(0.0), vertical.reference.unwrap_or(0.0));
        info.unit = Some(Unit::Volt);
        info.factor = step;
        info.offset = reference - origin / step;
        receipt.note("vertical scale", format!("{step} V per code, from the preamble"));
    } else if codes {
        info.needs_scale = Some("its numbers are codes, and no volts per code are stated".into());
    } else if whole && info.unit.is_none() {
        info.needs_scale = Some(match vertical.per_division {
            Some(scale) => format!(
                "its numbers are whole and a vertical scale of {scale} stands in the preamble: \
                 codes or divisions, and of how many volts is not told"
            ),
            None => "its numbers are whole and have no unit: codes of the converter?".into(),
        });
    }
}

fn note_channel(info: &ChannelInfo, receipt: &mut Receipt) {
    let unit = info.unit.map_or("unit not stated", Unit::symbol);
    let factor = if info.factor == 1.0 {
        String::new()
    } else {
        format!(", values times {:e}", info.factor)
    };
    let offset = if info.offset == 0.0 { String::new() } else { format!(", less {}", info.offset) };
    let not = info.not_measured.map_or(String::new(), |why| format!("; not used: {why}"));
    receipt.note("channel", format!("{} ({unit}{factor}{offset}){not}", info.name));
}

fn seconds(factor: f64) -> String {
    if factor == 1.0 { "s".into() } else { format!("units of {factor:e} s") }
}

/// `U1 [mV]` -> (`U1`, mV); `Volt(mV)`; `CH1_V`; a bracket that holds no unit stays in the name.
pub fn name_and_unit(cell: &str) -> (String, Option<(Unit, f64)>) {
    let cell = cell.trim();
    let bracketed = cell.ends_with([')', ']']).then(|| cell.rfind(['(', '['])).flatten();
    if let Some(at) = bracketed
        && let (Some(name), Some(unit)) = (cell.get(..at), cell.get(at..).and_then(Unit::parse))
    {
        return (name.trim().to_owned(), Some(unit));
    }
    if let Some((name, symbol)) = cell.rsplit_once('_')
        && let Some(unit) = Unit::parse(symbol)
    {
        // `CH_A` is channel A, `CH1_A` a current.
        let numbered = name.ends_with(|c: char| c.is_ascii_digit());
        if symbol != "A" || numbered || quantity(name) == Some(Unit::Ampere) {
            return (name.trim().to_owned(), Some(unit));
        }
    }
    (cell.to_owned(), None)
}

fn time_column(
    file: &Path,
    body: &[Vec<Cell>],
    dialect: &Dialect,
    hints: &TextHints,
    described: &[ChannelInfo],
    named: bool,
) -> Result<Option<usize>, IngestError> {
    if let Some(hint) = &hints.time_column {
        if hint == "none" {
            return Ok(None);
        }
        let found = described
            .iter()
            .position(|channel| channel.name == *hint)
            .or_else(|| hint.parse().ok().filter(|k| *k < described.len()));
        return found.map(Some).ok_or_else(|| {
            let names: Vec<&str> = described.iter().map(|channel| channel.name.as_str()).collect();
            IngestError::Ask {
                file: file.to_owned(),
                message: format!("there is no column `{hint}` for the time"),
                help: format!("columns here: {}", names.join(", ")),
            }
        });
    }
    let by_name = dialect.data.iter().copied().find(|column| {
        let clock = body.iter().any(|row| matches!(row.get(*column), Some(Cell::Clock(..))));
        clock || described.get(*column).is_some_and(|info| is_time(&info.name, info.unit))
    });
    if by_name.is_some() || named || dialect.data.len() < 2 {
        return Ok(by_name);
    }
    // Without names: a first column that climbs evenly is time.
    let column = dialect.data.first().copied().unwrap_or(0);
    let first: Vec<f64> = body
        .iter()
        .take(200)
        .filter_map(|row| match row.get(column) {
            Some(Cell::Number(value, _)) => Some(*value),
            _ => None,
        })
        .collect();
    let steps: Vec<f64> = first.array_windows().map(|[before, now]| now - before).collect();
    let mean = crate::numeric::moments::mean(&steps).unwrap_or(0.0);
    let mut sorted: Vec<f64> = steps.iter().copied().filter(|step| *step > 0.0).collect();
    let usual = crate::numeric::order::median(&mut sorted).unwrap_or(0.0);
    let near = steps.iter().filter(|step| (**step / usual - 1.0).abs() < 0.5).count();
    // Stamps rounded so that some repeat climb in steps; a jump or a restart is no reason either.
    let climbs = mean > 0.0 && steps.iter().all(|step| *step >= 0.0);
    let even =
        usual > 0.0 && (10 * near > 9 * steps.len() || (climbs && sorted.len() < steps.len()));
    Ok(even.then_some(column))
}

/// What begins a row that repeats the header.
fn labels(above: &[Row], names: Option<&Row>, units: Option<&Row>) -> Vec<String> {
    let mut labels: Vec<String> = above
        .iter()
        .filter_map(|row| row.cells.iter().find(|cell| !cell.is_empty()))
        .map(|cell| cell.trim_end_matches([':', '=', ' ']).to_owned())
        .collect();
    for row in [names, units].into_iter().flatten() {
        labels.extend(row.cells.iter().find(|cell| !cell.is_empty()).cloned());
    }
    labels.retain(|label| label.chars().any(char::is_alphabetic));
    labels.dedup();
    labels
}
