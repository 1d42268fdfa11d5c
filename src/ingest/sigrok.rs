//! sigrok session files (`.sr`), version 2: a ZIP archive with a `metadata` text and the analog
//! channels in chunks `analog-1-CHANNEL-CHUNK` of 32-bit floats, lowest byte first (seen in files
//! of sigrok-cli 0.7.2).

use super::archive::{self, Archive};
use super::binary::{Column, Columns, Form, Number};
use super::error::damaged;
use super::table::Table;
use super::{ChannelInfo, IngestError, Opening, RateSource, Receipt, Source, TraceReader};
use crate::units::{SampleRate, Unit};
use std::collections::BTreeMap;

/// Whether the first bytes are of an archive; arrays have been recognised before.
pub(super) fn probe(head: &[u8]) -> bool {
    head.starts_with(b"PK\x03\x04")
}

/// Opens a session file.
pub(super) fn open(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let limits = &opening.limits;
    let mut archive = Archive::open(&source)?;
    let names = archive.names();
    if !names.iter().any(|name| name == "metadata") || !names.iter().any(|name| name == "version") {
        return Err(damaged(
            &source,
            "the archive is neither a sigrok session nor one of NumPy arrays",
            "unpack it and name the capture inside",
        ));
    }
    let version = archive.member("version", limits)?;
    let version = archive::text(&version, limits)?;
    if version.trim() != "2" {
        let message = format!("session files of version {} are not read", version.trim());
        return Err(damaged(&source, message, "save it with a current sigrok"));
    }
    let metadata = archive.member("metadata", limits)?;
    let metadata = archive::text(&metadata, limits)?;
    let (rate, titles) = read_metadata(&metadata);
    let mut chunks: BTreeMap<u32, BTreeMap<u32, String>> = BTreeMap::new();
    for name in &names {
        let mut parts = name.strip_prefix("analog-1-").unwrap_or_default().split('-');
        let numbers = (parts.next().map(str::parse), parts.next().map(str::parse), parts.next());
        if let (Some(Ok(channel)), Some(Ok(chunk)), None) = numbers {
            chunks.entry(channel).or_default().insert(chunk, name.clone());
        }
    }
    limits.check_columns(source.name(), chunks.len())?;
    if chunks.is_empty() {
        return Err(damaged(
            &source,
            "the session has no analog channel",
            "capture voltage and current with an analog device",
        ));
    }
    let number = Number::little(Form::Float32);
    let mut receipt = Receipt::new("sigrok session");
    let (mut channels, mut list, mut samples) = (Vec::new(), Vec::new(), None);
    for (channel, parts) in &chunks {
        let joined = join(&source, &mut archive, parts, opening)?;
        let length = joined.length() / number.bytes() as u64;
        if *samples.get_or_insert(length) != length {
            let message = format!("analog channel {channel} is not as long as the others");
            return Err(damaged(&source, message, "capture again"));
        }
        let title = titles.get(channel).cloned().unwrap_or_else(|| format!("analog {channel}"));
        receipt.note("channel", format!("{title}: {} chunk(s)", parts.len()));
        channels.push(ChannelInfo::named(title).laid(number));
        list.push(Column::bare(&joined, 0, number.bytes(), number));
    }
    let rate = match rate {
        Some(rate) => {
            receipt.note("sample rate", format!("{} Hz, from the metadata", rate.hertz()));
            RateSource::Stated(rate)
        }
        None => RateSource::Absent,
    };
    let columns = Columns { list, samples: samples.unwrap_or(0) };
    Ok(Box::new(Table::new(source, receipt, channels, columns, rate)))
}

/// Sample rate, and names of the analog channels by number.
fn read_metadata(text: &str) -> (Option<SampleRate>, BTreeMap<u32, String>) {
    let (mut rate, mut titles) = (None, BTreeMap::new());
    for line in text.lines() {
        let Some((key, value)) = line.split_once('=') else { continue };
        let (key, value) = (key.trim(), value.trim());
        if key == "samplerate" {
            let split = value.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(value.len());
            let (digits, unit) = value.split_at_checked(split).unwrap_or((value, ""));
            let factor = match Unit::parse(unit) {
                Some((Unit::Hertz, factor)) => factor,
                _ => 1.0,
            };
            rate = super::text::finite(digits).and_then(|n| SampleRate::new(n * factor));
        } else if let Some(Ok(number)) = key.strip_prefix("analog").map(str::parse) {
            titles.insert(number, value.to_owned());
        }
    }
    (rate, titles)
}

/// The chunks of a channel one behind the other.
fn join(
    source: &Source,
    archive: &mut Archive,
    parts: &BTreeMap<u32, String>,
    opening: &Opening,
) -> Result<Source, IngestError> {
    let limits = &opening.limits;
    if parts.keys().copied().ne(1..=u32::try_from(parts.len()).unwrap_or(0)) {
        return Err(damaged(source, "a chunk of an analog channel is missing", "save it again"));
    }
    if let (Some(only), 1) = (parts.values().next(), parts.len()) {
        return archive.member(only, limits);
    }
    source.derived(limits, |out| {
        let mut buffer = Vec::new();
        for name in parts.values() {
            let part = archive.member(name, limits)?;
            let mut at = 0;
            while at < part.length() {
                part.read(at, 1 << 18, &mut buffer)?;
                at += buffer.len() as u64;
                out.write_all(&buffer).map_err(|error| IngestError::Io {
                    file: source.name().to_owned(),
                    what: "can't unpack",
                    source: error,
                })?;
            }
        }
        Ok(())
    })
}
