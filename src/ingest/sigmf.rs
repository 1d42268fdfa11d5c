//! SigMF recordings: metadata and data side by side, or both in one archive (`.sigmf`, a tar).
//!
//! Real samples of one or several channels. What SigMF has no field for, scale and unit of each
//! channel, stands in the extension `crestbook` (docs/formats.md).

use super::archive;
use super::binary::{Columns, Form, Number};
use super::error::damaged;
use super::table::Table;
use super::{ChannelInfo, IngestError, Opening, Place, RateSource, Receipt, Source, TraceReader};
use crate::flag::{Code, Flag};
use crate::units::{SampleRate, Unit};
use serde::{Deserialize, Serialize};
use sha2::Digest;

/// Name of the extension.
pub const EXTENSION: &str = "crestbook";
/// Version of the extension.
pub const EXTENSION_VERSION: &str = "1.0.0";

/// Scale and unit of one channel in the extension: `value = (number - offset) * scale`, where an
/// integer is taken as a share of full scale, from -1 to 1.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ChannelScale {
    /// Name.
    pub name: String,
    /// Unit symbol, such as `V`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Units per number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<f64>,
}

/// Data larger than this are not held against their checksum when they are read, bytes.
const CHECKED: u64 = 1 << 25;

#[derive(Deserialize)]
struct Metadata {
    global: Global,
    #[serde(default)]
    captures: Vec<Segment>,
}

#[derive(Deserialize)]
struct Global {
    #[serde(rename = "core:datatype")]
    datatype: String,
    #[serde(rename = "core:sample_rate")]
    sample_rate: Option<f64>,
    #[serde(rename = "core:num_channels")]
    channels: Option<usize>,
    #[serde(rename = "core:dataset")]
    dataset: Option<String>,
    #[serde(rename = "core:sha512")]
    sha512: Option<String>,
    #[serde(rename = "core:metadata_only")]
    metadata_only: Option<bool>,
    #[serde(rename = "core:trailing_bytes")]
    trailing: Option<u64>,
    #[serde(rename = "crestbook:channels")]
    scales: Option<Vec<ChannelScale>>,
}

#[derive(Deserialize)]
struct Segment {
    #[serde(rename = "core:sample_start")]
    start: u64,
    #[serde(rename = "core:header_bytes", default)]
    header_bytes: u64,
}

/// Whether the first bytes are of a metadata file or an archive.
pub fn probe(head: &[u8]) -> bool {
    let json = head.trim_ascii_start().starts_with(b"{");
    json || head.get(257..262) == Some(b"ustar")
}

/// Opens a recording.
pub fn open(source: Source, opening: &Opening) -> Result<Box<dyn TraceReader>, IngestError> {
    let mut head = Vec::new();
    source.read(0, 512, &mut head)?;
    if head.get(257..262) == Some(b"ustar") {
        let (meta, data) = unpack(&source)?;
        let meta = archive::text(&meta, &opening.limits)?;
        return read(source, Some(data), &meta, opening);
    }
    let meta = archive::text(&source, &opening.limits)?;
    read(source, None, &meta, opening)
}

/// The metadata and data of an archive, in place.
fn unpack(source: &Source) -> Result<(Source, Source), IngestError> {
    let fail = |error: std::io::Error| {
        damaged(source, format!("the archive is damaged: {error}"), "save it again")
    };
    let (mut meta, mut data) = (None, None);
    let mut tar = tar::Archive::new(source.cursor());
    for entry in tar.entries_with_seek().map_err(fail)? {
        let entry = entry.map_err(fail)?;
        let name = String::from_utf8_lossy(&entry.path_bytes()).into_owned();
        let slot = if name.ends_with(".sigmf-meta") {
            &mut meta
        } else if name.ends_with(".sigmf-data") {
            &mut data
        } else {
            continue;
        };
        if !entry.header().entry_type().is_file() {
            let message = format!("`{name}` is a link or a folder, not a file");
            return Err(damaged(source, message, "save it again, with the files themselves"));
        }
        let (start, size) = (entry.raw_file_position(), entry.size());
        if start.checked_add(size).is_none_or(|end| end > source.length()) {
            return Err(damaged(source, format!("`{name}` is cut off"), "copy it again"));
        }
        if slot.replace(source.part(start, size)).is_some() {
            let message = "the archive contains several recordings".to_owned();
            return Err(damaged(source, message, "unpack it and name one of them"));
        }
    }
    match (meta, data) {
        (Some(meta), Some(data)) => Ok((meta, data)),
        _ => Err(damaged(source, "no SigMF recording in the archive", "name a .sigmf archive")),
    }
}

/// Joins metadata and data; `inside` holds the data where they do not stand beside.
fn read(
    source: Source,
    inside: Option<Source>,
    text: &str,
    opening: &Opening,
) -> Result<Box<dyn TraceReader>, IngestError> {
    let meta: Metadata = serde_json::from_str(text).map_err(|error| IngestError::Damaged {
        file: source.name().to_owned(),
        place: Place::Line(error.line() as u64, 0),
        message: format!("the metadata can't be read as SigMF: {error}"),
        help: "it must be a JSON object with `global`, `captures`, `annotations`".into(),
    })?;
    let global = &meta.global;
    if global.metadata_only == Some(true) {
        return Err(damaged(&source, "the recording has metadata only", "name one with data"));
    }
    let number = number_of(&source, &global.datatype)?;
    let apart = inside.is_none();
    let data = match inside {
        Some(data) => data,
        None => opening.beside.open(source.name(), &data_name(&source, global)?)?,
    };
    let count = global.channels.unwrap_or(1).max(1);
    opening.limits.check_columns(source.name(), count)?;
    let mut receipt = Receipt::new("SigMF");
    receipt.note("numbers", format!("{number} ({})", global.datatype));
    checksum(&data, global, &mut receipt)?;
    let frame = (number.bytes() * count) as u64;
    let header = meta.captures.first().map_or(0, |segment| segment.header_bytes);
    if meta.captures.iter().skip(1).any(|segment| segment.header_bytes > 0) {
        let message = "headers between the captures of one recording are not read".to_owned();
        return Err(damaged(&source, message, "split the recording"));
    }
    let there = data.length().saturating_sub(header).saturating_sub(global.trailing.unwrap_or(0));
    let samples = there / frame;
    if samples == 0 {
        return Err(damaged(&source, "it has no sampless data", "copy the data again"));
    }
    if there % frame != 0 {
        receipt.doubts.push(Flag::new(
            Code::Truncated,
            format!("the data end inside a sample, {} byte(s) too many: cut off?", there % frame),
        ));
    }
    receipt.note("layout", format!("{samples} samples of {count} channel(s)"));
    let channels = (0..count)
        .map(|k| channel(&source, k, number, global.scales.as_deref(), &mut receipt))
        .collect::<Result<Vec<_>, _>>()?;
    let rate = match global.sample_rate.map(SampleRate::new) {
        Some(Some(rate)) => {
            receipt.note("sample rate", format!("{} Hz, from the metadata", rate.hertz()));
            RateSource::Stated(rate)
        }
        Some(None) => {
            let message = "the metadata give an impossible sample rate".to_owned();
            return Err(damaged(&source, message, "correct core:sample_rate"));
        }
        None => RateSource::Absent,
    };
    let columns = Columns::rows(&data, header, count, number, samples);
    let mut table = Table::new(source, receipt, channels, columns, rate);
    table.breaks = meta
        .captures
        .iter()
        .map(|segment| segment.start)
        .filter(|start| *start > 0 && *start < samples)
        .collect();
    table.breaks.sort_unstable();
    table.breaks.dedup();
    if apart {
        table.others.push(data);
    }
    Ok(Box::new(table))
}

/// Name of the data file beside the metadata.
fn data_name(source: &Source, global: &Global) -> Result<String, IngestError> {
    if let Some(name) = &global.dataset {
        return Ok(name.clone());
    }
    let name = source.name().file_name().map(|name| name.to_string_lossy().into_owned());
    name.as_deref()
        .and_then(|name| name.strip_suffix("-meta"))
        .map(|stem| format!("{stem}-data"))
        .ok_or_else(|| {
            let message = "the metadata do not name the data file".to_owned();
            damaged(source, message, "name the metadata file NAME.sigmf-meta")
        })
}

fn number_of(source: &Source, datatype: &str) -> Result<Number, IngestError> {
    let (kind, big_endian) = match datatype.rsplit_once('_') {
        Some((kind, "be")) => (kind, true),
        Some((kind, "le")) => (kind, false),
        _ => (datatype, false),
    };
    let form = match kind {
        "ri8" => Form::Int8,
        "ru8" => Form::Unsigned8,
        "ri16" => Form::Int16,
        "ru16" => Form::Unsigned16,
        "ri32" => Form::Int32,
        "ru32" => Form::Unsigned32,
        "rf32" => Form::Float32,
        "rf64" => Form::Float64,
        _ => {
            let message = format!(
                "samples of type {datatype} are not read: a capture across a load holds real \
                 numbers"
            );
            return Err(damaged(source, message, "save real samples: ri8, ri16_le, rf32_le, ..."));
        }
    };
    Ok(Number { form, big_endian })
}

fn checksum(data: &Source, global: &Global, receipt: &mut Receipt) -> Result<(), IngestError> {
    let Some(wanted) = &global.sha512 else { return Ok(()) };
    if data.length() > CHECKED {
        receipt.note("checksum", "stated, not checked: the data are large");
        return Ok(());
    }
    let mut bytes = Vec::new();
    data.read(0, usize::try_from(data.length()).unwrap_or(usize::MAX), &mut bytes)?;
    if hexadecimal(&sha2::Sha512::digest(&bytes)) == wanted.to_lowercase() {
        receipt.note("checksum", "SHA-512 of the data agrees with the metadata");
        return Ok(());
    }
    let message = "the data are not those of the metadata: their SHA-512 differs".to_owned();
    Err(damaged(data, message, "copy both files again; something was altered or cut off"))
}

fn channel(
    source: &Source,
    k: usize,
    number: Number,
    scales: Option<&[ChannelScale]>,
    receipt: &mut Receipt,
) -> Result<ChannelInfo, IngestError> {
    let mut info = ChannelInfo::named(format!("channel {k}")).laid(number);
    let Some(own) = scales.and_then(|scales| scales.get(k)) else { return Ok(info) };
    info.name.clone_from(&own.name);
    let (unit, factor) = match own.unit.as_deref().map(|unit| (unit, Unit::parse(unit))) {
        None => (None, 1.0),
        Some((_, Some((unit, factor)))) => (Some(unit), factor),
        Some((word, None)) => {
            let message = format!("crestbook:channels gives `{}` the unit `{word}`", own.name);
            return Err(damaged(source, message, "use a unit such as V, mV, A"));
        }
    };
    let scale = own.scale.unwrap_or(1.0);
    if !(scale.is_finite() && scale != 0.0) {
        let message = format!("crestbook:channels gives `{}` the scale {scale}", own.name);
        return Err(damaged(source, message, "a scale is a number other than 0"));
    }
    info.unit = unit;
    info.factor = scale * factor;
    receipt.note(
        "channel",
        format!("{}: {} per number {}", own.name, info.factor, unit.map_or("", Unit::symbol)),
    );
    Ok(info)
}

/// Bytes as lower-case hexadecimal.
fn hexadecimal(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing to a string can't fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}
