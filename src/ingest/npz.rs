//! NumPy `.npz` archives: one array of several channels, or one named array per channel.

use super::archive::Archive;
use super::binary::{Column, Columns};
use super::npy::{self, Header};
use super::table::Table;
use super::{
    ChannelInfo, IngestError, Opening, Piece, RateSource, Receipt, Selection, Source, TraceReader,
};
use crate::units::SampleRate;

/// Whether the first bytes are of an archive whose first member is an array.
pub(super) fn probe(head: &[u8]) -> bool {
    // Local header: the name begins at byte 30, its length stands at byte 26.
    let length = super::bytes::u16_at(head, 26, false).unwrap_or(0);
    let name = head.get(30..30 + usize::from(length)).unwrap_or_default();
    head.starts_with(b"PK\x03\x04") && name.ends_with(b".npy")
}

/// Names that stand for a time axis, a sample rate, a sample interval.
const TIMES: [&str; 4] = ["t", "time", "times", "time_s"];
const RATES: [&str; 5] = ["fs", "rate", "sample_rate", "sample_rate_hz", "samplerate"];
const INTERVALS: [&str; 4] = ["dt", "interval", "sample_interval", "sample_interval_s"];

struct Member {
    name: String,
    source: Source,
    header: Header,
}

/// Opens an npz archive.
pub(super) fn open(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let limits = &opening.limits;
    let mut archive = Archive::open(&source)?;
    let mut names = archive.names();
    limits.check_columns(source.name(), names.len())?;
    names.sort();
    let mut members = Vec::new();
    for file in names.iter().filter(|name| name.ends_with(".npy")) {
        let bytes = archive.member(file, limits)?;
        let header = npy::header(&bytes, limits)?;
        members.push(Member {
            name: file.trim_end_matches(".npy").to_owned(),
            source: bytes,
            header,
        });
    }
    let ask = |message: String, help: &str| IngestError::Ask {
        file: source.name().to_owned(),
        message,
        help: help.to_owned(),
    };
    let is = |member: &Member, list: &[&str]| list.contains(&member.name.to_lowercase().as_str());
    let mut receipt = Receipt::new("NumPy archive");
    let mut rate = RateSource::Absent;
    for member in members.iter().filter(|member| member.header.count() == Some(1)) {
        let hertz = match single(member)? {
            value if is(member, &RATES) => value,
            value if is(member, &INTERVALS) => 1.0 / value,
            _ => continue,
        };
        let stated = SampleRate::new(hertz).ok_or_else(|| {
            ask(
                format!("`{}` gives an impossible rate", member.name),
                "set `sample_rate_hz` in the sheet",
            )
        })?;
        receipt.note("sample rate", format!("{hertz} Hz, from the array `{}`", member.name));
        rate = RateSource::Stated(stated);
    }
    let long = |member: &&Member| member.header.count().is_some_and(|count| count > 1);
    let time = members.iter().filter(long).find(|member| is(member, &TIMES));
    let mut data: Vec<&Member> = members.iter().filter(long).filter(|m| !is(m, &TIMES)).collect();
    if let Some(length) = length_of_capture(time, &data) {
        let (own, others): (Vec<&Member>, Vec<&Member>) =
            data.into_iter().partition(|member| samples_of(member) == length);
        data = own;
        for member in others {
            receipt.note("left out", format!("{}, an array of another length", member.name));
        }
    }
    let mut channels = Vec::new();
    let mut columns: Option<Columns> = None;
    for member in &data {
        let own = npy::columns(&member.source, &member.header, limits)?;
        for k in 0..own.list.len() {
            let several = own.list.len() > 1;
            let name = if several { format!("{} {k}", member.name) } else { member.name.clone() };
            let mut info = ChannelInfo::named(name).laid(member.header.number);
            // Floats under the name of a quantity are volts or amperes; codes need a scale.
            if member.header.number.full_scale().is_none() {
                info.unit = super::text::quantity(&member.name);
            }
            channels.push(info);
        }
        receipt.note("array", format!("{}: {}", member.name, member.header.number));
        match &mut columns {
            None => columns = Some(own),
            Some(all) if all.samples == own.samples => all.list.extend(own.list),
            Some(all) => {
                return Err(ask(
                    format!(
                        "the arrays differ in length: `{}` has {} samples, those before {}",
                        member.name, own.samples, all.samples
                    ),
                    "save the arrays of one capture only",
                ));
            }
        }
    }
    let Some(columns) = columns else {
        return Err(ask("it has no array of samples".into(), "save voltage and current as arrays"));
    };
    let samples = columns.samples;
    let table = Table::new(source.clone(), receipt, channels, columns, rate);
    let Some(time) = time else { return Ok(Box::new(table)) };
    if time.header.count() != Some(samples) {
        return Err(ask(
            format!("`{}` has not as many numbers as the channels", time.name),
            "save one time stamp per sample, or `sample_rate_hz` as a number",
        ));
    }
    let number = time.header.number;
    let column = Column::bare(&time.source, time.header.start, number.bytes(), number);
    Ok(Box::new(table.stamped(column, 1.0)?))
}

/// Samples of each channel in an array: its longer side.
fn samples_of(member: &Member) -> Option<u64> {
    member.header.shape.iter().copied().max()
}

/// The length of the arrays that belong to the capture, where it is plain: that of the time axis, of
/// the arrays named for a quantity, or of all arrays of floats.
fn length_of_capture(time: Option<&Member>, data: &[&Member]) -> Option<Option<u64>> {
    let alike = |members: Vec<&&Member>| {
        let mut lengths = members.into_iter().map(|member| samples_of(member));
        let first = lengths.next()?;
        lengths.all(|length| length == first).then_some(first)
    };
    if let Some(time) = time {
        return Some(samples_of(time));
    }
    let named = |member: &&&Member| super::text::quantity(&member.name).is_some();
    let float = |member: &&&Member| member.header.number.full_scale().is_none();
    alike(data.iter().filter(named).collect())
        .or_else(|| alike(data.iter().filter(float).collect()))
}

/// The number in an array of one.
fn single(member: &Member) -> Result<f64, IngestError> {
    let one = Columns::planes(&member.source, member.header.start, 1, member.header.number, 1);
    let mut piece = Piece::default();
    one.decode(0, Selection { voltage: Some(0), current: None }, &mut piece)?;
    let scale = member.header.number.full_scale().unwrap_or(1.0);
    Ok(piece.v.first().copied().unwrap_or(0.0) * scale)
}
