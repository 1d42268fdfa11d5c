//! COMTRADE (IEC 60255-24, IEEE C37.111; editions 1991, 1999, 2013; from memory): a configuration
//! and a data file side by side, or both in one (`.cff`). Numbers are y = a·x + b of the code x.

mod config;

use super::binary::{Column, Columns, Form, Number};
use super::bytes::u32_at;
use super::error::{damaged, damaged_at};
use super::table::Table;
use super::{ChannelInfo, IngestError, Opening, Place, RateSource, Receipt, Source, TraceReader};
use crate::flag::{Code, Flag};
use crate::units::{SampleRate, Unit};
use config::{Config, DataKind};

/// Whether the first bytes are of a configuration, or of both in one.
pub(super) fn probe(head: &[u8]) -> bool {
    let text = String::from_utf8_lossy(head);
    let text = text.trim_start_matches('\u{feff}');
    if text.starts_with("--- file type: CFG") {
        return true;
    }
    let counts = text.lines().nth(1).map(|line| line.split(',').map(str::trim).collect::<Vec<_>>());
    counts.is_some_and(|fields| {
        let counts = |field: &str, letter: char| {
            field.strip_suffix(letter).is_some_and(|digits| digits.parse::<u32>().is_ok())
        };
        matches!(fields.as_slice(), [all, analog, digital]
            if all.parse::<u32>().is_ok() && counts(analog, 'A') && counts(digital, 'D'))
    })
}

/// Opens a recording.
pub(super) fn open(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let mut head = Vec::new();
    let length = opening.limits.header.min(1 << 24);
    source.read(0, length, &mut head)?;
    let combined = super::text::decode(&head).starts_with("--- file type: CFG");
    let (text, data) = if combined {
        combined_parts(&source, &head)?
    } else {
        if (head.len() as u64) < source.length() {
            opening.limits.check_header(source.name(), source.length())?;
        }
        (super::text::decode(&head), None)
    };
    let config = config::read(source.name(), &text)?;
    opening.limits.check_columns(source.name(), config.analog.len())?;
    let apart = data.is_none();
    let data = match data {
        Some(data) => data,
        None => beside(&source, opening)?,
    };
    table(source, config, data, apart, opening)
}

/// The data file: the configuration's name with another ending.
fn beside(source: &Source, opening: &Opening) -> Result<Source, IngestError> {
    let stem = source.name().file_stem().map(|stem| stem.to_string_lossy().into_owned());
    let Some(stem) = stem else {
        let message = "the configuration has no name to find its data by".to_owned();
        return Err(damaged(source, message, "name the .cfg file"));
    };
    opening.beside.open(source.name(), &format!("{stem}.dat")).or_else(|first| {
        opening.beside.open(source.name(), &format!("{stem}.DAT")).map_err(|_| first)
    })
}

/// Configuration and data of a combined file.
fn combined_parts(source: &Source, head: &[u8]) -> Result<(String, Option<Source>), IngestError> {
    const MARK: &[u8] = b"--- file type:";
    let marks: Vec<usize> = memchr::memmem::find_iter(head, MARK).collect();
    let line_of = |at: usize| {
        let rest = head.get(at..).unwrap_or_default();
        let end = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
        (String::from_utf8_lossy(rest.get(..end).unwrap_or_default()).into_owned(), at + end + 1)
    };
    let missing = |what: &str| {
        damaged(
            source,
            format!("the combined file has no part {what} within its header"),
            "copy the file again",
        )
    };
    let (_, from) = marks.first().map(|at| line_of(*at)).ok_or_else(|| missing("CFG"))?;
    let to = marks.get(1).copied().ok_or_else(|| missing("DAT"))?;
    let text = super::text::decode(head.get(from..to).unwrap_or_default());
    let data = marks.iter().map(|at| line_of(*at)).find(|(line, _)| {
        line.trim_start_matches("--- file type:").trim_start().starts_with("DAT")
    });
    let (line, start) = data.ok_or_else(|| missing("DAT"))?;
    // `--- file type: DAT BINARY: 1234 ---` tells its length.
    let stated = line.rsplit(':').next().map(|rest| rest.trim().trim_end_matches(['-', ' ', '\r']));
    let length = stated.and_then(|digits| digits.parse::<u64>().ok()).unwrap_or(u64::MAX);
    Ok((text, Some(source.part(start as u64, length))))
}

fn table(
    source: Source,
    config: Config,
    data: Source,
    apart: bool,
    opening: &Opening,
) -> Result<Box<dyn TraceReader>, IngestError> {
    let mut receipt = Receipt::new("COMTRADE");
    receipt.note("edition", config.edition.clone());
    receipt.note("data", config.kind.describe());
    let (columns, rows, left_over) = columns(&config, &data, opening)?;
    if rows == 0 {
        let message = "it has no sampless data".to_owned();
        return Err(damaged(&data, message, "copy the data file again"));
    }
    let promised = config.sections.last().map(|section| section.last);
    if left_over > 0 || promised.is_some_and(|promised| promised > rows) {
        receipt.doubts.push(Flag::new(
            Code::Truncated,
            format!(
                "the configuration promises {} samples, the data hold {rows} and {left_over} \
                 byte(s) more: cut off; read as far as they go",
                promised.unwrap_or(0)
            ),
        ));
    }
    let samples =
        promised.filter(|promised| *promised > 0).map_or(rows, |promised| promised.min(rows));
    let rate = rate(&source, &config, &mut receipt)?;
    let channels = channels(&config, &mut receipt);
    let time = Column::bare(&data, 4, config.stride(), Number::little(Form::Unsigned32));
    let columns = Columns { samples, ..columns };
    let mut table = Table::new(source, receipt, channels, columns, rate);
    if apart {
        table.others.push(data);
    }
    if table.rate == RateSource::Absent && config.kind != DataKind::Ascii {
        // Stamps count microseconds times the multiplier.
        return Ok(Box::new(table.stamped(time, 1e-6 * config.time_factor)?));
    }
    Ok(Box::new(table))
}

/// The one rate of all sections; absent where the recording relies on time stamps.
fn rate(
    source: &Source,
    config: &Config,
    receipt: &mut Receipt,
) -> Result<RateSource, IngestError> {
    let mut rates: Vec<f64> = config.sections.iter().map(|section| section.rate).collect();
    rates.dedup();
    match rates.as_slice() {
        [] => Ok(RateSource::Absent),
        [hertz] if *hertz == 0.0 => Ok(RateSource::Absent),
        [hertz] => {
            let rate = SampleRate::new(*hertz).ok_or_else(|| {
                let message = format!("a sample rate of {hertz} Hz is impossible");
                damaged(source, message, "correct the configuration")
            })?;
            receipt.note("sample rate", format!("{hertz} Hz, from the configuration"));
            Ok(RateSource::Stated(rate))
        }
        several => Err(damaged(
            source,
            format!("the recording changes its sample rate: {several:?} Hz"),
            "export the part with one rate",
        )),
    }
}

fn channels(config: &Config, receipt: &mut Receipt) -> Vec<ChannelInfo> {
    let mut found = Vec::new();
    for channel in &config.analog {
        let mut info = ChannelInfo::named(channel.name.clone());
        if let Some((unit, factor)) = Unit::parse(&channel.unit) {
            info.unit = Some(unit);
            info.factor = factor;
        }
        receipt.note(
            "channel",
            format!(
                "{} ({}): {} times the code, plus {}",
                channel.name, channel.unit, channel.factor, channel.summand
            ),
        );
        let ratio = channel.primary / channel.secondary;
        if channel.secondary_values && ratio.is_finite() && (ratio - 1.0).abs() > 1e-9 {
            receipt.doubts.push(Flag::new(
                Code::SecondaryValues,
                format!(
                    "the numbers of {} are those at the instrument, {ratio} times smaller than \
                     at the load: the scale in the sheet must hold that factor",
                    channel.name
                ),
            ));
        }
        if channel.skew_us != 0.0 {
            receipt.doubts.push(Flag::new(
                Code::SkewStated,
                format!(
                    "the file says that {} was sampled {} µs late; set its delay_s in the sheet \
                     if it has not been taken away",
                    channel.name, channel.skew_us
                ),
            ));
        }
        found.push(info);
    }
    found
}

/// The channels, the number of rows, and bytes behind the last whole row.
fn columns(
    config: &Config,
    data: &Source,
    opening: &Opening,
) -> Result<(Columns, u64, u64), IngestError> {
    let (number, missing) = match config.kind {
        DataKind::Ascii => return ascii(config, data, opening),
        DataKind::Binary => (Number::little(Form::Int16), Some(-1.0)),
        DataKind::Binary32 => (Number::little(Form::Int32), Some(-1.0)),
        DataKind::Float32 => (Number::little(Form::Float32), None),
    };
    let stride = config.stride();
    let full = number.full_scale().unwrap_or(1.0);
    let list = config
        .analog
        .iter()
        .enumerate()
        .map(|(k, channel)| Column {
            line: Some((channel.factor * full, channel.summand)),
            // The most negative code stands for no value.
            missing,
            ..Column::bare(data, (8 + k * number.bytes()) as u64, stride, number)
        })
        .collect();
    let rows = data.length() / stride as u64;
    let mut first = Vec::new();
    data.read(0, 4, &mut first)?;
    // Rows are numbered from 1; another number means another kind of data.
    if let Some(n) = u32_at(&first, 0, false).filter(|n| *n > 1 << 24) {
        let message = format!(
            "the first row has the number {n}: not the data that the configuration describes"
        );
        return Err(damaged_at(data, Place::Byte(0), message, "copy both files again"));
    }
    Ok((Columns { list, samples: rows }, rows, data.length() % stride as u64))
}

/// Text rows `number,time,A1,..,D1,..`, written anew as floats to be read at any place.
fn ascii(
    config: &Config,
    data: &Source,
    opening: &Opening,
) -> Result<(Columns, u64, u64), IngestError> {
    let count = config.analog.len();
    let width = 2 + count + config.digital;
    let mut rows = 0_u64;
    let spooled = data.derived(&opening.limits, |out| {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(data.cursor());
        let mut record = csv::ByteRecord::new();
        loop {
            let line = reader.position().line();
            let fail = |message: String| {
                damaged_at(data, Place::Line(line, 0), message, "copy the data file again")
            };
            match reader.read_byte_record(&mut record) {
                Ok(true) => {}
                Ok(false) => return Ok(()),
                Err(error) => return Err(fail(error.to_string())),
            }
            // The end of a combined file, or of an old one: a single mark.
            if record.len() == 1 && record.iter().all(|cell| cell.len() <= 1) {
                continue;
            }
            if record.len() < width {
                return Err(fail(format!("{} fields where {width} are needed", record.len())));
            }
            for (channel, cell) in config.analog.iter().zip(record.iter().skip(2)) {
                let code = if cell.is_empty() || cell == b"99999" {
                    f64::NAN
                } else {
                    fast_float2::parse::<f64, _>(cell)
                        .map_err(|_| fail(format!("`{}` is not a number", cell.escape_ascii())))?
                };
                let value = code * channel.factor + channel.summand;
                out.write_all(&value.to_le_bytes()).map_err(|source| IngestError::Io {
                    file: data.name().to_owned(),
                    what: "can't keep the numbers of",
                    source,
                })?;
            }
            rows += 1;
        }
    })?;
    let columns = Columns::rows(&spooled, 0, count, Number::little(Form::Float64), rows);
    Ok((columns, rows, 0))
}
