//! The time axis of a text: stated interval and time column held against each other, and what is
//! refused because of it.

use super::cell::Cell;
use super::preamble::Interval;
use super::reader::TextReader;
use crate::flag::{Code, Flag};
use crate::ingest::stamps::{self, Axis, FirstLook};
use crate::ingest::{IngestError, Piece, RateSource, Selection};
use crate::numeric::order::median;
use crate::units::SampleRate;

/// Stamps that are looked at first.
const FIRST: usize = 4096;
/// Share of uneven steps from which on a record is not evenly sampled.
const UNEVEN: f64 = 0.2;

/// Decides where the sample rate comes from.
///
/// # Errors
/// Where interval and time column contradict each other, or the samples are not those of an
/// evenly sampled wave.
pub(super) fn settle(reader: &mut TextReader) -> Result<(), IngestError> {
    refuse_extremes_by_name(reader)?;
    note_mode(reader)?;
    reader.stated.samples = reader.facts.samples;
    reader.stated.memory = reader.facts.memory;
    reader.stated.segments = reader.facts.segment.is_some();
    reader.first_day = first_day(reader);
    let interval = reader.facts.interval.clone();
    let rate = reader.facts.rate.clone();
    if reader.time.is_none() {
        return without_time(reader, interval.or(rate));
    }
    let mut first = Piece::default();
    let wanted = Selection { voltage: (!reader.channels.is_empty()).then_some(0), current: None };
    let mut time = reader.rows(0, wanted, &mut first)?;
    time.truncate(FIRST);
    first.v.truncate(FIRST);
    if let Some(stated) =
        interval.as_ref().or(rate.as_ref()).filter(|stated| is_index(reader, &time, stated))
    {
        let stated = stated.clone();
        reader.receipt.note("time column", "counts samples; the stated interval rules");
        reader.time = None;
        return without_time(reader, Some(stated));
    }
    let look = first_look(reader, &time)?;
    if look.pairs && ordered_pairs(&first.v) {
        return Err(no_rms(reader, "each time stamp appears twice, with a low and a high value"));
    }
    same_times(reader)?;
    if look.uneven > UNEVEN {
        return Err(ask(
            reader,
            format!(
                "the samples are not evenly spaced: {:.0} % of the first {} steps differ from the \
                 usual {:.3e} s (changes only, or a logarithmic axis?)",
                100.0 * look.uneven,
                time.len().saturating_sub(1),
                look.interval
            ),
            "export evenly sampled data; if the first column is no time, set \
             `text.time_column = \"none\"` and `sample_rate_hz` in the sheet",
        ));
    }
    reader.axis = Axis { interval: Some(look.interval), origin: Some(look.origin) };
    let held = match (interval, rate) {
        (Some(stated), other) => {
            against_interval(reader, &stated, &look, &time)?;
            other
        }
        (None, other) => other,
    };
    if let Some(stated) = held {
        against_rate(reader, &stated, &look, &time)?;
    }
    if reader.rate == RateSource::Absent {
        let rate = SampleRate::new(1.0 / look.interval);
        reader.rate = rate.map_or(RateSource::Absent, RateSource::TimeColumn);
    }
    if let RateSource::Stated(rate) = reader.rate {
        reader.axis.interval = Some(1.0 / rate.hertz());
    }
    Ok(())
}

fn ask(reader: &TextReader, message: String, help: &str) -> IngestError {
    IngestError::Ask { file: reader.named.name().to_owned(), message, help: help.to_owned() }
}

fn no_rms(reader: &TextReader, why: &str) -> IngestError {
    ask(
        reader,
        format!(
            "{why}: pairs of extremes show an envelope only, RMS, power and crest factor can't be \
             had from them"
        ),
        "acquire in the normal sample mode and export again; no sheet key can settle this",
    )
}

fn refuse_extremes_by_name(reader: &TextReader) -> Result<(), IngestError> {
    let ends = |word: &str| {
        reader.channels.iter().any(|info| {
            let name = info.name.to_lowercase();
            let tail = name.trim_end_matches([')', ']', '.']);
            tail.ends_with(&format!("({word}"))
                || tail.ends_with(&format!(" {word}"))
                || tail.ends_with(&format!("_{word}"))
        })
    };
    if ends("min") && ends("max") {
        return Err(no_rms(reader, "the columns are minima and maxima"));
    }
    Ok(())
}

/// Acquisition modes that matter.
fn note_mode(reader: &mut TextReader) -> Result<(), IngestError> {
    let Some(mode) = reader.facts.mode.clone() else { return Ok(()) };
    let word = mode.to_lowercase();
    let has = |words: &[&str]| words.iter().any(|known| word.contains(known));
    if has(&["peak", "envelope", "min/max", "minmax"]) {
        return Err(no_rms(reader, &format!("the preamble says acquisition mode `{mode}`")));
    }
    reader.receipt.note("acquisition mode", format!("{mode}, from the preamble"));
    if has(&["average", "hires", "hi-res", "high res", "hi res"]) {
        reader.receipt.doubts.push(Flag::new(
            Code::Averaged,
            format!(
                "the preamble says `{mode}`: averaging takes away noise, jitter and part of the \
                 band, so peaks and crest factor may read low; acquire in the normal mode"
            ),
        ));
    }
    if has(&["sin(x)", "sinx", "sin x", "interpol", "linear"]) && !has(&["off", "none"]) {
        reader.receipt.doubts.push(Flag::new(
            Code::Interpolated,
            format!("the preamble says `{mode}`: some of the samples may have been computed"),
        ));
    }
    Ok(())
}

/// The first cell of the time column.
fn first_stamp(reader: &TextReader) -> Option<Cell> {
    let (column, _) = reader.time?;
    let (_, line) = reader.lines.get(reader.dialect.first_line - 1)?;
    Some(reader.dialect.cell(reader.dialect.separator.split(line).get(column)?))
}

fn first_day(reader: &TextReader) -> Option<i64> {
    match first_stamp(reader) {
        Some(Cell::Clock(_, day)) => day,
        _ => None,
    }
}

fn without_time(reader: &mut TextReader, stated: Option<Interval>) -> Result<(), IngestError> {
    let Some(stated) = stated else { return Ok(()) };
    let rate = checked(reader, &stated)?;
    take(reader, rate, &stated);
    Ok(())
}

/// The stated rate is that of the samples.
fn take(reader: &mut TextReader, rate: SampleRate, stated: &Interval) {
    reader.receipt.note("sample rate", format!("{} Hz, {}", rate.hertz(), stated.from));
    reader.rate = RateSource::Stated(rate);
}

fn checked(reader: &TextReader, stated: &Interval) -> Result<SampleRate, IngestError> {
    SampleRate::new(1.0 / stated.seconds).ok_or_else(|| {
        ask(
            reader,
            format!("an impossible sample interval of {} s ({})", stated.seconds, stated.from),
            "set `sample_rate_hz` in the sheet and `text.time_column = \"none\"`",
        )
    })
}

/// Whether the time column counts 0, 1, 2 while another interval is stated.
fn is_index(reader: &TextReader, time: &[f64], stated: &Interval) -> bool {
    let factor = reader.time.map_or(1.0, |(_, factor)| factor);
    let counts =
        time.len() > 2 && time.array_windows().all(|[a, b]| ((b - a) / factor - 1.0).abs() < 1e-9);
    counts && (stated.seconds / factor - 1.0).abs() > 0.01
}

fn first_look(reader: &TextReader, time: &[f64]) -> Result<FirstLook, IngestError> {
    // Days of a spreadsheet: 15 digits leave about a microsecond.
    let days = reader.time.is_some_and(|(_, factor)| factor == 1.0)
        && !matches!(first_stamp(reader), Some(Cell::Clock(..)))
        && time.iter().all(|stamp| (20_000.0..100_000.0).contains(stamp));
    let span = time.last().zip(time.first()).map_or(0.0, |(last, first)| last - first);
    if days && !time.is_empty() && span < 1.0 {
        return Err(ask(
            reader,
            format!(
                "the time column counts days of a spreadsheet ({} ...): that resolves about a \
                 microsecond, too little for a sample interval",
                time.first().copied().unwrap_or(0.0)
            ),
            "set `text.time_column = \"none\"` and `sample_rate_hz` in the sheet",
        ));
    }
    let look = stamps::first_look(time).ok_or_else(|| {
        ask(
            reader,
            "the time column does not increase over the first rows".into(),
            "set `text.time_column` to the right column, or to \"none\" with `sample_rate_hz`",
        )
    })?;
    Ok(look)
}

/// Whether values come as low and high in turn, or the other way round.
fn ordered_pairs(v: &[f64]) -> bool {
    let (pairs, _) = v.as_chunks::<2>();
    let rising = pairs.iter().filter(|[a, b]| a <= b).count();
    pairs.len() >= 4 && (rising == pairs.len() || pairs.iter().all(|[a, b]| a >= b))
}

/// Several time columns must tell the same time.
fn same_times(reader: &TextReader) -> Result<(), IngestError> {
    let Some((column, factor)) = reader.time else { return Ok(()) };
    let mut rows: Vec<Vec<Cell>> = Vec::new();
    for (_, line) in reader.lines.iter().skip(reader.dialect.first_line - 1) {
        let cells = reader.dialect.separator.split(line);
        rows.push(cells.iter().map(|cell| reader.dialect.cell(cell)).collect());
    }
    let number = |row: &Vec<Cell>, column: usize| match row.get(column) {
        Some(Cell::Number(value, _)) => Some(*value),
        _ => None,
    };
    let mut steps: Vec<f64> = rows
        .windows(2)
        .filter_map(|pair| {
            Some(factor * (number(pair.last()?, column)? - number(pair.first()?, column)?))
        })
        .collect();
    let step = median(&mut steps).unwrap_or(0.0);
    for (other, other_factor) in &reader.more_times {
        let away = rows
            .iter()
            .filter_map(|row| {
                Some(number(row, column)? * factor - number(row, *other)? * other_factor)
            })
            .fold(0.0_f64, |worst, away| worst.max(away.abs()));
        if away > 0.1 * step {
            return Err(ask(
                reader,
                format!(
                    "the time columns {} and {} differ by up to {away:.3e} s, {:.1} samples",
                    column + 1,
                    other + 1,
                    away / step
                ),
                "export both channels with one time axis; a constant shift can be set as delay_s \
                 with `text.time_column` naming one column and the other left out",
            ));
        }
    }
    Ok(())
}

/// A stated interval rules over rounded stamps; but the two must agree.
fn against_interval(
    reader: &mut TextReader,
    stated: &Interval,
    look: &FirstLook,
    time: &[f64],
) -> Result<(), IngestError> {
    let rate = checked(reader, stated)?;
    if agrees(stated.seconds, look, time) {
        take(reader, rate, stated);
        return Ok(());
    }
    Err(contradiction(reader, rate, look))
}

fn contradiction(reader: &TextReader, rate: SampleRate, look: &FirstLook) -> IngestError {
    ask(
        reader,
        format!(
            "the preamble states {} Hz, the time column gives {:.6} Hz",
            rate.hertz(),
            1.0 / look.interval
        ),
        "find out which is right; set `text.time_column = \"none\"` in the sheet to rely on the \
         preamble",
    )
}

/// Whether stamps go with an interval, rounding allowed for.
fn agrees(interval: f64, look: &FirstLook, time: &[f64]) -> bool {
    // Up to the first jump.
    let jump = time.array_windows().position(|[before, now]| {
        let step = now - before;
        step < 0.0 || step > 10.0 * look.interval.max(interval)
    });
    let even = time.get(..=jump.unwrap_or(time.len().saturating_sub(1))).unwrap_or(time);
    let steps = even.len().saturating_sub(1) as f64;
    let span = even.last().zip(even.first()).map_or(0.0, |(last, first)| last - first);
    let smallest = even
        .array_windows()
        .map(|[before, now]| now - before)
        .filter(|step| *step > 0.0)
        .fold(f64::INFINITY, f64::min);
    let rounding = if smallest.is_finite() { smallest } else { 0.0 };
    let slack = 0.01 * steps * interval + 2.0 * rounding.min(10.0 * interval);
    (span - steps * interval).abs() <= slack
}

/// A stated rate may be that of the acquisition: exports are thinned out or filled up by whole
/// numbers.
fn against_rate(
    reader: &mut TextReader,
    stated: &Interval,
    look: &FirstLook,
    time: &[f64],
) -> Result<(), IngestError> {
    let rate = checked(reader, stated)?;
    if agrees(stated.seconds, look, time) {
        if reader.rate == RateSource::Absent {
            take(reader, rate, stated);
        }
        return Ok(());
    }
    let ratio = look.interval / stated.seconds;
    let factor = if ratio > 1.0 { ratio } else { 1.0 / ratio };
    let whole = factor > 1.5 && (factor - factor.round()).abs() < 0.02 * factor.round().max(1.0);
    if !whole {
        return Err(contradiction(reader, rate, look));
    }
    reader.stated.acquisition = Some(rate);
    reader.receipt.note("acquisition rate", format!("{} Hz, {}", rate.hertz(), stated.from));
    Ok(())
}
