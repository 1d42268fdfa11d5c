//! Names, units and the sample interval that stand above the numbers.

use super::dialect::{Dialect, Separator};
use super::is_time;
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
    /// Sample interval in seconds, and where it was found.
    pub interval: Option<(f64, String)>,
}

/// Words that stand before a sample interval or a sample rate in a preamble, letters only.
const INTERVAL_WORDS: [&str; 10] = [
    "interval",
    "sampleinterval",
    "samplinginterval",
    "sampleperiod",
    "samplingperiod",
    "increment",
    "xincrement",
    "timestep",
    "dt",
    "timebase",
];
const RATE_WORDS: [&str; 6] =
    ["samplerate", "samplingrate", "samplefrequency", "samplingfrequency", "samplingfreq", "fs"];

/// Reads the rows above the data.
///
/// # Errors
/// Where the sheet names a time column that is not there.
pub fn read(
    file: &Path,
    head: &[u8],
    dialect: &Dialect,
    hints: &TextHints,
    receipt: &mut Receipt,
) -> Result<Header, IngestError> {
    #[allow(clippy::cast_possible_truncation)]
    let above = decode(&head[..dialect.data_start as usize]);
    let above = above.trim_start_matches('\u{feff}');
    let rows: Vec<Vec<String>> = above
        .lines()
        .map(|line| line.trim().trim_start_matches(['#', '%']).trim())
        .filter(|line| !line.is_empty())
        .map(|line| cells(dialect, line))
        .collect();

    // Names and units stand in the last rows that have as many cells as the data.
    let fitting: Vec<&Vec<String>> =
        rows.iter().rev().take(3).filter(|row| row.len() == dialect.fields).collect();
    let all_units = |row: &&&Vec<String>| {
        row.iter().all(|cell| cell.is_empty() || Unit::parse(cell).is_some())
            && row.iter().any(|cell| !cell.is_empty())
    };
    let units = fitting.iter().find(all_units).copied();
    let names = fitting
        .iter()
        .find(|row| Some(**row) != units && row.iter().any(|cell| dialect.number(cell).is_none()))
        .copied();
    let mut described: Vec<ChannelInfo> = (0..dialect.fields)
        .map(|column| {
            let cell = names.and_then(|row| row.get(column)).map_or("", String::as_str);
            let (name, unit) = name_and_unit(cell);
            let unit = units.and_then(|row| Unit::parse(row.get(column)?)).or(unit);
            ChannelInfo {
                name: if name.is_empty() { format!("column {}", column + 1) } else { name },
                unit: unit.map(|(unit, _)| unit),
                factor: unit.map_or(1.0, |(_, factor)| factor),
            }
        })
        .collect();

    let interval = rows.iter().find_map(|row| stated_interval(row, dialect));
    let time = time_column(file, head, dialect, hints, &described, names.is_some())?;
    match time {
        Some(column) => receipt.note(
            "time column",
            format!(
                "{} (column {}), in {}",
                described[column].name,
                column + 1,
                seconds(described[column].factor)
            ),
        ),
        None => receipt.note("time column", "none"),
    }
    // Further time columns (one per channel in some layouts) are not data either.
    let columns: Vec<usize> = (0..dialect.fields)
        .filter(|column| Some(*column) != time && described[*column].unit != Some(Unit::Second))
        .collect();
    let time = time.map(|column| (column, described[column].factor));
    let channels: Vec<ChannelInfo> = columns
        .iter()
        .map(|column| std::mem::replace(&mut described[*column], nameless()))
        .collect();
    for channel in &channels {
        let unit = channel.unit.map_or("unit not stated", Unit::symbol);
        let factor = if channel.factor == 1.0 {
            String::new()
        } else {
            format!(", values times {:e}", channel.factor)
        };
        receipt.note("channel", format!("{} ({unit}{factor})", channel.name));
    }
    Ok(Header { columns, channels, time, interval })
}

/// UTF-8, or else Latin-1, in which older instruments write their unit signs.
fn decode(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(_) => bytes.iter().map(|byte| char::from(*byte)).collect(),
    }
}

fn nameless() -> ChannelInfo {
    ChannelInfo { name: String::new(), unit: None, factor: 1.0 }
}

fn seconds(factor: f64) -> String {
    if factor == 1.0 { "s".into() } else { format!("units of {factor:e} s") }
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
    cells
}

/// `U1 [mV]` -> (`U1`, mV); `Volt(mV)`; a bracket that holds no unit stays in the name.
fn name_and_unit(cell: &str) -> (String, Option<(Unit, f64)>) {
    let cell = cell.trim();
    let bracketed = cell.ends_with([')', ']']).then(|| cell.rfind(['(', '['])).flatten();
    if let Some(at) = bracketed
        && let (Some(name), Some(unit)) = (cell.get(..at), cell.get(at..).and_then(Unit::parse))
    {
        return (name.trim().to_owned(), Some(unit));
    }
    (cell.to_owned(), None)
}

fn stated_interval(row: &[String], dialect: &Dialect) -> Option<(f64, String)> {
    let label = row.first()?;
    let (name, own_unit) = name_and_unit(label.trim_end_matches(['=', ':']));
    let word: String =
        name.chars().filter(char::is_ascii_alphabetic).collect::<String>().to_lowercase();
    let is_rate = RATE_WORDS.contains(&word.as_str());
    if !is_rate && !INTERVAL_WORDS.contains(&word.as_str()) {
        return None;
    }
    let cell = row.get(1)?;
    let (value, behind) = match dialect.number(cell) {
        Some(value) => (value, row.get(2).and_then(|cell| Unit::parse(cell))),
        None => {
            let split = cell.find(|c: char| c.is_ascii_alphabetic() && !matches!(c, 'e' | 'E'))?;
            (dialect.number(cell.get(..split)?)?, Unit::parse(cell.get(split..)?))
        }
    };
    let unit = if is_rate { Unit::Hertz } else { Unit::Second };
    let factor = match behind.or(own_unit) {
        None => 1.0,
        Some((found, factor)) if found == unit => factor,
        Some(_) => return None,
    };
    let value = value * factor;
    let interval = if is_rate { 1.0 / value } else { value };
    Some((interval, format!("from the preamble row `{}`", row.join(" "))))
}

fn time_column(
    file: &Path,
    head: &[u8],
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
    let by_name = described.iter().position(|channel| is_time(&channel.name, channel.unit));
    if by_name.is_some() || named || dialect.fields < 2 {
        return Ok(by_name);
    }
    // Without names: a first column that climbs evenly is time.
    #[allow(clippy::cast_possible_truncation)]
    let body = String::from_utf8_lossy(&head[dialect.data_start as usize..]).into_owned();
    let mut rows: Vec<&str> = body.lines().take(200).collect();
    rows.pop();
    let first: Vec<f64> = rows
        .iter()
        .filter_map(|line| dialect.number(dialect.separator.split(line).first()?))
        .collect();
    let steps: Vec<f64> = first.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let mean = crate::numeric::moments::mean(&steps).unwrap_or(0.0);
    let even = mean > 0.0 && steps.iter().all(|step| (step / mean - 1.0).abs() < 0.5);
    Ok(even.then_some(0))
}
