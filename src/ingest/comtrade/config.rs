//! The configuration file.

use crate::ingest::text::finite;
use crate::ingest::{IngestError, Place};
use std::path::Path;

/// Kind of the data file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum DataKind {
    /// Text.
    Ascii,
    /// 16-bit codes.
    Binary,
    /// 32-bit codes.
    Binary32,
    /// 32-bit floats.
    Float32,
}

impl DataKind {
    /// For the receipt.
    pub(super) fn describe(self) -> &'static str {
        match self {
            Self::Ascii => "ASCII",
            Self::Binary => "BINARY, 16-bit codes",
            Self::Binary32 => "BINARY32, 32-bit codes",
            Self::Float32 => "FLOAT32",
        }
    }
}

/// One analog channel: value = factor · code + summand.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Analog {
    /// Name.
    pub name: String,
    /// Unit, as written.
    pub unit: String,
    /// Factor a.
    pub factor: f64,
    /// Summand b.
    pub summand: f64,
    /// Delay within a sample, µs.
    pub skew_us: f64,
    /// Ratio of the transformer or probe, and whether values are those behind it.
    pub primary: f64,
    /// Second number of the ratio.
    pub secondary: f64,
    /// Values are those at the instrument.
    pub secondary_values: bool,
}

/// A stretch of one sample rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Section {
    /// Samples per second; 0 where time stamps rule.
    pub rate: f64,
    /// Number of its last sample, from 1.
    pub last: u64,
}

/// The configuration.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Config {
    /// Edition for the receipt.
    pub edition: String,
    /// Analog channels.
    pub analog: Vec<Analog>,
    /// Number of digital channels.
    pub digital: usize,
    /// Rates.
    pub sections: Vec<Section>,
    /// Kind of the data.
    pub kind: DataKind,
    /// Factor of the time stamps.
    pub time_factor: f64,
}

impl Config {
    /// Bytes of one row of binary data.
    pub(super) fn stride(&self) -> usize {
        let number = if self.kind == DataKind::Binary { 2 } else { 4 };
        8 + number * self.analog.len() + 2 * self.digital.div_ceil(16)
    }
}

/// Lines with their number, from 1, cut into fields.
struct Lines<'a> {
    file: &'a Path,
    lines: std::iter::Enumerate<std::str::Lines<'a>>,
    at: usize,
}

impl<'a> Lines<'a> {
    fn next(&mut self) -> Result<Vec<&'a str>, IngestError> {
        match self.lines.next() {
            Some((k, line)) => {
                self.at = k + 1;
                Ok(line.split(',').map(str::trim).collect())
            }
            None => Err(self.fault("the configuration is cut off")),
        }
    }

    fn fault(&self, message: impl Into<String>) -> IngestError {
        IngestError::Damaged {
            file: self.file.to_owned(),
            place: Place::Line(self.at as u64, 0),
            message: message.into(),
            help: "copy the configuration file again".into(),
        }
    }

    fn number(&self, fields: &[&str], k: usize, what: &str) -> Result<f64, IngestError> {
        let cell = fields.get(k).copied().unwrap_or("");
        finite(cell).ok_or_else(|| self.fault(format!("{what} is `{cell}`, not a number")))
    }
}

/// Channels named at most; a configuration of more is damaged.
const MOST: usize = 1 << 16;

/// Reads a configuration.
///
/// # Errors
/// Where a line is missing or not as the standard says, with its number.
pub(super) fn read(file: &Path, text: &str) -> Result<Config, IngestError> {
    let mut lines = Lines { file, lines: text.lines().enumerate(), at: 0 };
    let station = lines.next()?;
    let edition = match station.get(2) {
        Some(year) if !year.is_empty() => (*year).to_owned(),
        _ => "1991".to_owned(),
    };
    let counts = lines.next()?;
    let count = |k: usize, letter: char| {
        let cell = counts.get(k).copied().unwrap_or("");
        cell.strip_suffix(letter)
            .and_then(|digits| digits.parse::<usize>().ok())
            .filter(|n| *n < MOST)
    };
    let (Some(analogs), Some(digital)) = (count(1, 'A'), count(2, 'D')) else {
        return Err(lines.fault("the numbers of channels, such as 2,2A,0D, are missing"));
    };
    let mut analog = Vec::new();
    for _ in 0..analogs {
        let fields = lines.next()?;
        let text = |k: usize| fields.get(k).copied().unwrap_or("");
        let factor = lines.number(&fields, 5, "the factor a")?;
        let summand = lines.number(&fields, 6, "the summand b")?;
        analog.push(Analog {
            name: if text(1).is_empty() { format!("A{}", text(0)) } else { text(1).to_owned() },
            unit: text(4).to_owned(),
            factor,
            summand,
            skew_us: finite(text(7)).unwrap_or(0.0),
            primary: finite(text(10)).unwrap_or(1.0),
            secondary: finite(text(11)).unwrap_or(1.0),
            secondary_values: text(12).eq_ignore_ascii_case("s"),
        });
    }
    for _ in 0..digital {
        lines.next()?;
    }
    lines.next()?;
    let rates = lines.next()?;
    let rates = lines.number(&rates, 0, "the number of sample rates")?;
    if !(0.0..1000.0).contains(&rates) {
        return Err(lines.fault(format!("{rates} sample rates can't be right")));
    }
    let mut sections = Vec::new();
    // Without a rate there is one line all the same: 0 and the last sample.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    for _ in 0..(rates as usize).max(1) {
        let fields = lines.next()?;
        let rate = lines.number(&fields, 0, "the sample rate")?;
        let last = lines.number(&fields, 1, "the last sample")?.max(0.0) as u64;
        sections.push(Section { rate, last });
    }
    lines.next()?;
    lines.next()?;
    let kind = lines.next()?;
    let kind = match kind.first().map(|word| word.to_ascii_uppercase()).as_deref() {
        Some("ASCII") => DataKind::Ascii,
        Some("BINARY") => DataKind::Binary,
        Some("BINARY32") => DataKind::Binary32,
        Some("FLOAT32") => DataKind::Float32,
        other => {
            return Err(
                lines.fault(format!("data of kind {} are not read", other.unwrap_or("none")))
            );
        }
    };
    // The 1991 edition ends here.
    let factor = lines.next().ok().and_then(|fields| finite(fields.first().copied().unwrap_or("")));
    let time_factor = factor.filter(|factor| *factor > 0.0).unwrap_or(1.0);
    Ok(Config { edition, analog, digital, sections, kind, time_factor })
}
