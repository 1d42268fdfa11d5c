//! A capture written in another format, its sheet carried over.

use crate::analysis::{AnalysisError, Settings, measure_record};
use crate::explain::{ErrorCode, Explain, Place};
use crate::export::{self, Floats, Notes, Shape, Writable};
use crate::files::WriteError;
use crate::ingest::{ChannelInfo, Form, Number, Piece};
use crate::measures::Measure;
use crate::recording::{Capture, Observer, Recording, RecordingError};
use crate::result::Measurement;
use crate::sheet::{ChannelName, ChannelSheet, Sheet};
use crate::trace::{Block, Channel, Channels, Mark, PerChannel};
use crate::units::{Unit, for_people};
use std::path::{Path, PathBuf};

/// Why a capture can't be converted.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ConvertError {
    /// It can't be read or measured.
    #[error(transparent)]
    Analysis(#[from] AnalysisError),
    /// The new file can't be written.
    #[error(transparent)]
    Write(#[from] WriteError),
}

impl Explain for ConvertError {
    fn code(&self) -> ErrorCode {
        match self {
            Self::Analysis(error) => error.code(),
            Self::Write(error) => error.code(),
        }
    }

    fn file(&self) -> Option<&Path> {
        match self {
            Self::Analysis(error) => error.file(),
            Self::Write(error) => error.file(),
        }
    }

    fn place(&self) -> Option<Place> {
        match self {
            Self::Analysis(error) => error.place(),
            Self::Write(error) => error.place(),
        }
    }

    fn excerpt(&self) -> Option<String> {
        match self {
            Self::Analysis(error) => error.excerpt(),
            Self::Write(error) => error.excerpt(),
        }
    }

    fn help(&self) -> Option<String> {
        match self {
            Self::Analysis(error) => error.help(),
            Self::Write(error) => error.help(),
        }
    }
}

impl From<RecordingError> for ConvertError {
    fn from(error: RecordingError) -> Self {
        Self::Analysis(error.into())
    }
}

/// What was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Converted {
    /// Number of samples.
    pub samples: u64,
    /// How numbers were laid down.
    pub numbers: String,
    /// The sheet for the new file.
    pub sheet: Sheet,
}

/// One channel on its way.
struct Side {
    /// SI units per number of the old file, and the number that stands for zero.
    gain: f64,
    zero: f64,
    number: Option<Number>,
}

/// Writes record `k` (from 0) of a capture to `out`, in the format of its ending.
///
/// Floats are written in volts and amperes, codes as they are with their scale; the sheet's own
/// offset and delay are not applied but carried over.
///
/// # Errors
/// Where the record can't be read, its gaps have no place in the format, or `out` can't be
/// written.
pub fn convert(
    recording: &Recording,
    k: usize,
    out: &Path,
    phases: bool,
    settings: &Settings,
    observer: &dyn Observer,
) -> Result<Converted, ConvertError> {
    let capture = recording.capture();
    let format = export::writable(out).ok_or_else(|| {
        let source = std::io::Error::other("no format has this ending");
        WriteError { file: out.to_owned(), source }
    })?;
    let window = recording.records().get(k).cloned().unwrap_or(0..0);
    let rate = recording.rate_of(k)?;
    let selection = recording.selection();
    let info = |channel: Option<usize>| channel.and_then(|k| recording.reader().channels().get(k));
    let side = |channel: Option<usize>, sheet: &ChannelSheet| {
        info(channel).map(|info: &ChannelInfo| Side {
            gain: info.factor * sheet.scale.unwrap_or(1.0),
            zero: info.offset,
            number: info.number,
        })
    };
    let sides = [
        side(selection.voltage, &capture.channel_sheet(Channel::Voltage)),
        side(selection.current, &capture.channel_sheet(Channel::Current)),
    ];
    let gaps = recording.gaps().count(&window) > 0;
    let (bits, floats) = numbers(&sides, format, gaps);
    let gain = |side: &Option<Side>| side.as_ref().map_or(1.0, |side| side.gain);
    let shape = Shape {
        channels: Channels { voltage: sides[0].is_some(), current: sides[1].is_some() },
        rate,
        samples: window.end - window.start,
        bits,
        full_scale: PerChannel { voltage: gain(&sides[0]), current: gain(&sides[1]) },
        floats,
    };
    let mut notes = Notes {
        description: description(capture),
        taken_at: capture.sheet.bench.as_ref().and_then(|bench| bench.taken_at.clone()),
        annotations: Vec::new(),
    };
    if phases {
        let run = measure_record(recording, k, settings, observer)?;
        notes.annotations = annotations(&run.measurement);
    }
    let mut writer = export::create_with(out, &shape, &notes)?;
    let pieces = recording.pieces_of(&window);
    let total = pieces.len() as u64;
    let mut piece = Piece::default();
    for (done, number) in pieces.enumerate() {
        let (start, part) = recording.decode(number, &window, &mut piece)?;
        let block = block(&mut piece, start - window.start, part, &sides);
        writer.push(&block)?;
        observer.progress(done as u64 + 1, total);
        if observer.stop() {
            return Err(AnalysisError::Interrupted.into());
        }
    }
    writer.finish()?;
    let sheet = sheet(capture, &sides, &shape, format, out);
    let numbers = match (bits, floats) {
        (Some(bits), _) => format!("{bits}-bit codes, as they are"),
        (None, Floats::Single) => "32-bit floats, volts and amperes".to_owned(),
        (None, _) => "floats, volts and amperes".to_owned(),
    };
    Ok(Converted { samples: shape.samples, numbers, sheet })
}

/// Bits of codes, or size of floats, that lose nothing: codes stay codes where the format has
/// them, and where no gap needs a mark.
fn numbers(sides: &[Option<Side>; 2], format: &Writable, gaps: bool) -> (Option<u32>, Floats) {
    let present = || sides.iter().flatten();
    let bits = |side: &Side| {
        let number = side.number?;
        number.full_scale()?;
        u32::try_from(8 * number.bytes()).ok()
    };
    // A zero of its own would be lost.
    let whole = present().all(|side| bits(side).is_some() && side.zero == 0.0);
    if whole && format.integers && !gaps {
        return (present().filter_map(bits).max(), Floats::Usual);
    }
    let single = present().all(|side| {
        let form = side.number.map(|number| number.form);
        let exact = (side.gain.abs() - 1.0).abs() < f64::EPSILON && side.zero == 0.0;
        exact && form == Some(Form::Float32)
    });
    (None, if single { Floats::Single } else { Floats::Double })
}

/// The samples `part` of a piece in volts and amperes; what is not valid as NaN or infinity, for
/// the writer to mark.
fn block(
    piece: &mut Piece,
    start: u64,
    part: std::ops::Range<usize>,
    sides: &[Option<Side>; 2],
) -> Block {
    let mut block = Block { start, ..Block::default() };
    for ((x, side), out) in
        [&piece.v, &piece.i].into_iter().zip(sides).zip([&mut block.v, &mut block.i])
    {
        let (Some(side), Some(x)) = (side, x.get(part.clone())) else { continue };
        out.extend(x.iter().map(|x| (x - side.zero) * side.gain));
        for (gap, mark) in &piece.gaps {
            let (from, to) = (gap.start.max(part.start), gap.end.min(part.end));
            let value = if *mark == Mark::Overrange { f64::INFINITY } else { f64::NAN };
            if let Some(cut) =
                out.get_mut(from.saturating_sub(part.start)..to.saturating_sub(part.start))
            {
                cut.fill(value);
            }
        }
    }
    block
}

fn description(capture: &Capture) -> Option<String> {
    let subject = capture.sheet.subject.as_ref()?;
    let parts: Vec<String> = [
        subject.model.clone(),
        subject.serial.as_ref().map(|serial| format!("serial {serial}")),
        subject.setting.as_ref().map(|setting| format!("setting {setting}")),
        capture.load_ohm().map(|ohm| format!("load {ohm} ohm")),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!parts.is_empty()).then(|| parts.join("; "))
}

/// Phases as marked stretches.
fn annotations(measurement: &Measurement) -> Vec<(u64, u64, String, String)> {
    let rate = measurement.capture.sample_rate_hz;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let sample = |seconds: f64| (seconds * rate).round().max(0.0) as u64;
    let mut found = Vec::new();
    for phase in &measurement.phases {
        let (start, end) = (sample(phase.start_s), sample(phase.end_s));
        let mut said = Vec::new();
        for (key, name, unit) in [
            (Measure::Power, "power", Unit::Watt),
            (Measure::VoltageRms, "voltage RMS", Unit::Volt),
            (Measure::CrestFactor, "crest factor", Unit::One),
        ] {
            if let Some(estimate) = phase.measures.get(key) {
                said.push(format!("{name} {}", for_people(estimate.value, unit)));
            }
        }
        found.push((start, end - start, phase.kind.name().to_owned(), said.join(", ")));
    }
    found
}

/// The old sheet, fitted to the new file.
fn sheet(
    capture: &Capture,
    sides: &[Option<Side>; 2],
    shape: &Shape,
    format: &Writable,
    out: &Path,
) -> Sheet {
    let codes = shape.bits.is_some();
    let mut number = 0;
    let mut channel = |side: &Option<Side>, old: &ChannelSheet, name: &str| {
        let side = side.as_ref()?;
        let place = number;
        number += 1;
        // Numbers in the new file: shares of full scale stay as they were, floats are in SI.
        let factor =
            if codes && format.ending != "cfg" && format.ending != "cff" { 1.0 } else { side.gain };
        let scale = match (codes && format.shares, format.tells_units) {
            (true, _) => Some(side.gain),
            (false, true) => None,
            (false, false) => Some(1.0),
        };
        let name = if format.tells_units {
            ChannelName::Name(name.to_owned())
        } else {
            ChannelName::Number(place)
        };
        Some(ChannelSheet {
            channel: Some(name),
            scale,
            offset: old.offset.map(|offset| offset * factor),
            delay_s: old.delay_s,
            probe_factor: None,
            clip_at: old.clip_at.map(|level| (level - side.zero).abs() * factor.abs()),
            resolution: old.resolution.map(|step| step * factor.abs()),
            ..old.clone()
        })
    };
    let voltage = channel(&sides[0], &capture.channel_sheet(Channel::Voltage), "voltage");
    let current = channel(&sides[1], &capture.channel_sheet(Channel::Current), "current");
    Sheet {
        format: Some(1),
        data: out.file_name().map(PathBuf::from),
        data_current: None,
        layout: None,
        sample_rate_hz: (!format.tells_rate).then(|| shape.rate.hertz()),
        voltage,
        current,
        text: None,
        ..capture.sheet.clone()
    }
}
