//! Names and units of the columns, and what else stands above or beside the numbers.

use super::cell::Cell;
use super::columns::{self, Body};
use super::dialect::{Dialect, Line, Separator};
use super::preamble::{self, Facts, Interval, Row, Vertical};
use crate::ingest::{ChannelInfo, IngestError, Receipt};
use crate::sheet::TextHints;
use crate::units::Unit;
use std::path::Path;

/// What the rows above the data tell.
pub(super) struct Header {
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
    /// First cells of the rows above the data: a row that begins so in mid-file is a header again.
    pub labels: Vec<String>,
    /// The rows of names and units.
    pub titles: Vec<Vec<String>>,
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
pub(super) fn read(
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
    let body = Body::of(lines, dialect);
    let mut described: Vec<ChannelInfo> =
        (0..dialect.fields).map(|column| columns::describe(column, names, units, &body)).collect();
    let interval = facts.interval.as_ref().map(|interval| interval.seconds);
    let roles = columns::roles(file, &body, dialect, hints, &described, names.is_some(), interval)?;
    match roles.time.and_then(|column| described.get(column).map(|info| (column, info))) {
        Some((column, info)) => receipt.note(
            "time column",
            format!("{} (column {}), in {}", info.name, column + 1, seconds(info.factor)),
        ),
        None => receipt.note("time column", "none"),
    }
    for column in &roles.index {
        let name = described.get(*column).map_or("", |info| info.name.as_str());
        receipt.note("left out", format!("{name} (column {}) counts the rows", column + 1));
    }
    let unit_factor = match hints.time_unit.as_deref().and_then(Unit::parse) {
        Some((Unit::Second, factor)) => Some(factor),
        _ => None,
    };
    let told = roles.time.and_then(|column| described.get(column));
    if let (Some(wanted), Some(info)) = (unit_factor, told)
        && info.unit == Some(Unit::Second)
        && (info.factor / wanted - 1.0).abs() > 1e-9
    {
        return Err(IngestError::Ask {
            file: file.to_owned(),
            message: format!(
                "the file gives the time in {}, `text.time_unit` says {}",
                seconds(info.factor),
                seconds(wanted)
            ),
            help: "take `text.time_unit` out, or correct the header of the file".into(),
        });
    }
    let factor = |column: usize| {
        unit_factor.unwrap_or_else(|| described.get(column).map_or(1.0, |info| info.factor))
    };
    let columns = roles.data;
    let more_times: Vec<(usize, f64)> =
        roles.more_times.iter().map(|column| (*column, factor(*column))).collect();
    let time = roles.time.map(|column| (column, factor(column)));
    let mut channels = Vec::new();
    for (k, column) in columns.iter().enumerate() {
        let unit_cell = units.and_then(|row| row.cells.get(*column)).map_or("", String::as_str);
        let own = facts.vertical.get(k).or(facts.vertical.first()).copied().unwrap_or_default();
        let mut info = described.get_mut(*column).map_or_else(
            || ChannelInfo::named(""),
            |info| std::mem::replace(info, ChannelInfo::named("")),
        );
        let stated = facts.units.get(k).or(facts.units.first());
        let from_preamble = info.unit.is_none() && stated.is_some();
        if let (None, Some((unit, factor))) = (info.unit, stated) {
            info.unit = Some(*unit);
            info.factor = *factor;
        }
        // A unit that the preamble names is that of the scale as well as of the samples.
        let looks_like_codes = if from_preamble {
            body.is_whole(*column)
        } else {
            info.unit.is_none() && body.has_whole_values(*column)
        };
        scale(&mut info, unit_cell, own, looks_like_codes, receipt);
        note_channel(&info, receipt);
        channels.push(info);
    }
    let labels = labels(&rows.above, names, units);
    let titles = [names, units].into_iter().flatten().map(|row| row.cells.clone()).collect();
    let named = names.is_some();
    Ok(Header { columns, channels, time, more_times, named, facts, labels, titles })
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
        .map(|line| row(dialect, line))
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

fn row(dialect: &Dialect, line: &str) -> Row {
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
    let mut told = cells.iter().filter(|cell| !cell.is_empty());
    if let (Some(only), None) = (told.next(), told.next())
        && (cells.len() == 1 || only.contains('='))
        && let Some((label, value)) = only.split_once([':', '='])
    {
        let mut apart = vec![label.trim().to_owned()];
        apart.extend(value.split_whitespace().map(str::to_owned));
        return Row::statement(apart);
    }
    Row::new(cells)
}

/// Words that stand alone above the data and name nothing.
const MARKERS: [&str; 9] =
    ["data", "begin", "start", "samples", "waveform", "values", "waveformdata", "rawdata", "curve"];

/// The rows of names and units: the last ones that have a cell for every column of data.
fn names_and_units<'a>(above: &'a [Row], dialect: &Dialect) -> (Option<&'a Row>, Option<&'a Row>) {
    let last = dialect.data.last().copied().unwrap_or(0);
    let is_wider = |row: &Row| row.cells.len() > dialect.fields;
    // More cells than the data have: `CH1,CH2,Start,Increment`, and their values in the row below.
    let wide = above.iter().position(|row| is_wider(row) && increment_cell(row).is_some());
    let fits = |k: usize, row: &Row| {
        row.cells.len() > last && (!is_wider(row) || wide.is_some_and(|at| k == at || k == at + 1))
    };
    let told = |row: &Row| row.cells.iter().filter(|cell| !cell.is_empty()).count();
    let fitting: Vec<&Row> = above
        .iter()
        .enumerate()
        .rev()
        .take(8)
        .filter(|(k, row)| fits(*k, row) && !row.stated)
        .map(|(_, row)| row)
        .filter(|row| {
            // A word alone above two columns or more names none of them, unless it stands over one.
            let first = row.cells.first().map_or("", String::as_str);
            let alone = told(row) == 1 && !first.is_empty();
            !(alone
                && (dialect.data.len() > 1 || MARKERS.contains(&preamble::word(first).as_str())))
        })
        .collect();
    let of = |row: &&Row| -> Vec<String> {
        dialect.data.iter().filter_map(|k| row.cells.get(*k).cloned()).collect()
    };
    let is_unit = |cell: &String| Unit::parse(cell).is_some() || is_code_unit(cell);
    // `Sequence,Volt,Volt`, `Second,Value,Value`.
    let no_name =
        |cell: &String| ["value", "values", "sequence"].contains(&preamble::word(cell).as_str());
    let units = fitting.iter().copied().find(|row| {
        let cells = of(row);
        !row.states_units()
            && cells.iter().all(|cell| cell.is_empty() || is_unit(cell) || no_name(cell))
            && cells.iter().any(is_unit)
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

/// The cell `Increment` of a row that also has others.
fn increment_cell(row: &Row) -> Option<usize> {
    row.cells.iter().position(|cell| preamble::word(cell) == "increment").filter(|at| *at > 0)
}

/// `Start,Increment` as columns of their own, their values in the row below the names.
fn increment_column(above: &[Row], names: &Row, dialect: &Dialect) -> Option<Interval> {
    let column = increment_cell(names)?;
    if dialect.data.contains(&column) {
        return None;
    }
    let place = above.iter().position(|row| std::ptr::eq(row, names))?;
    let cell = above.get(place + 1)?.cells.get(column)?;
    let seconds = dialect.number(cell)?;
    let from = format!("from the column `{}`, `{cell}` s", names.cells.get(column)?);
    Some(Interval { seconds, is_rate: false, from, unit: Some(Unit::Second) })
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

/// Applies what the preamble says of a channel's codes or divisions.
fn scale(
    info: &mut ChannelInfo,
    unit_cell: &str,
    vertical: Vertical,
    looks_like_codes: bool,
    receipt: &mut Receipt,
) {
    info.probe_factor = vertical.probe;
    if let Some(probe) = vertical.probe {
        receipt.note("probe factor", format!("{probe} for {}, from the preamble", info.name));
    }
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
    if info.unit.is_some() && !codes && !looks_like_codes {
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
    } else if looks_like_codes {
        info.needs_scale = Some(match vertical.per_division {
            Some(scale) => format!(
                "its numbers are whole: codes of the converter? The preamble states a vertical scale \
                 of {scale} per division, but not how many codes a division has"
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
