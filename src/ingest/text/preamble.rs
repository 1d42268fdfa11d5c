//! What the lines above the numbers say: interval, rate, counts, vertical scale, probe factor,
//! the way it was acquired.

use super::cell::{self, Cell};
use crate::units::Unit;

/// One row above the data: a label and what stands behind it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Row {
    /// The cells.
    pub cells: Vec<String>,
    /// Letters of the label, lower case, without its unit.
    word: String,
    /// Unit in brackets behind the label.
    unit: Option<(Unit, f64)>,
    /// Whether it is written as `label = value` or `label: value`.
    pub stated: bool,
}

/// A statement about the sample interval.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Interval {
    /// Interval, s; may be absurd.
    pub seconds: f64,
    /// Whether it was stated as a rate, which may be that of the acquisition.
    pub is_rate: bool,
    /// Where it was found.
    pub from: String,
    /// Unit that stands with it.
    pub unit: Option<Unit>,
}

/// How a channel's numbers become volts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Vertical {
    /// Units per division.
    pub per_division: Option<f64>,
    /// Units per code.
    pub per_code: Option<f64>,
    /// Units at the reference code.
    pub origin: Option<f64>,
    /// Code at the origin.
    pub reference: Option<f64>,
    /// Probe factor that the instrument has applied.
    pub probe: Option<f64>,
}

/// The facts.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Facts {
    /// Sample interval.
    pub interval: Option<Interval>,
    /// Rate stated besides an interval.
    pub rate: Option<Interval>,
    /// Samples of a channel.
    pub samples: Option<u64>,
    /// Samples the instrument took.
    pub memory: Option<u64>,
    /// Samples of a segment.
    pub segment: Option<u64>,
    /// Vertical facts by channel; the first holds for those that have none of their own.
    pub vertical: Vec<Vertical>,
    /// Units of the channels; the first holds for those that have none of their own.
    pub units: Vec<(Unit, f64)>,
    /// How it was acquired, where that matters: the words as they stand.
    pub mode: Option<String>,
}

const INTERVAL: &[&str] = &[
    "interval",
    "sampleinterval",
    "samplinginterval",
    "sampleperiod",
    "samplingperiod",
    "increment",
    "xincrement",
    "xincr",
    "timestep",
    "timeinterval",
    "horizontalinterval",
    "horizontalincrement",
    "dt",
    "deltat",
    "deltax",
    "hresolution",
    "horizontalresolution",
    "timeresolution",
];
const RATE: &[&str] = &[
    "samplerate",
    "samplingrate",
    "samplefrequency",
    "samplingfrequency",
    "samplingfreq",
    "fs",
    "acquisitionrate",
    "clockfrequency",
    "datafreq",
    "datafrequency",
    "datarate",
    "samplespersecond",
    "abtastrate",
    "frequencedechantillonnage",
];
const SAMPLES: &[&str] = &[
    "samples",
    "recordlength",
    "points",
    "npoints",
    "datapoints",
    "numberofpoints",
    "numberofsamples",
    "waveformpoints",
    "nsamples",
    "recordsize",
    "datalength",
    "nrofsamples",
    "size",
];
const MEMORY: &[&str] =
    &["memorydepth", "memorylength", "acquiredpoints", "acquisitionlength", "memory"];
const SEGMENT: &[&str] = &["segmentsize", "segmentlength", "pointspersegment"];
const DIVISION: &[&str] = &[
    "verticalscale",
    "vscale",
    "yscale",
    "voltsdiv",
    "voltsperdiv",
    "voltsperdivision",
    "vdiv",
    "verticalrange",
    "scale",
];
const CODE: &[&str] = &[
    "yincrement",
    "yincr",
    "ymult",
    "verticalresolution",
    "voltsperlsb",
    "voltspercode",
    "lsb",
    "voltspercount",
    "verticalincrement",
    "unitspercode",
];
const ORIGIN: &[&str] = &["yorigin", "yzero", "verticaloffset", "yoffset"];
const REFERENCE: &[&str] = &["yreference", "yref", "zerocode"];
const PROBE: &[&str] = &[
    "probe",
    "probefactor",
    "probeattenuation",
    "probeatten",
    "proberatio",
    "attenuation",
    "probesetting",
];
const MODE: &[&str] = &[
    "acquisitionmode",
    "acquiremode",
    "acqmode",
    "acquisition",
    "mode",
    "samplemode",
    "displaymode",
    "interpolation",
    "sampling",
    "decimation",
];
const UNITS: &[&str] =
    &["verticalunits", "verticalunit", "yunits", "yunit", "vunits", "vunit", "channelunit"];
/// Unit of the time axis, where it stands in a row of its own.
const TIME_UNITS: &[&str] = &["hunit", "hunits", "xunit", "xunits"];
const AVERAGES: &[&str] = &["averages", "numberofaverages", "averagecount", "numavg"];

/// The lower-case letters of a label.
pub(super) fn word(label: &str) -> String {
    label.chars().filter(char::is_ascii_alphabetic).collect::<String>().to_lowercase()
}

impl Row {
    /// A row of cells.
    pub(super) fn new(cells: Vec<String>) -> Self {
        let label = cells.first().map_or("", String::as_str).trim_end_matches(['=', ':', ' ']);
        let (name, unit) = super::title::name_and_unit(label);
        Self { word: word(&name), unit, cells, stated: false }
    }

    /// A row that is written as `label = value`.
    pub(super) fn statement(cells: Vec<String>) -> Self {
        Self { stated: true, ..Self::new(cells) }
    }

    /// The same with `CH1:2.0 CH2:1.0` taken apart into the values.
    fn without_names(&self) -> Self {
        let named = |part: &str| {
            let (name, value) = part.split_once(':')?;
            let is_name = name.starts_with(|c: char| c.is_ascii_alphabetic())
                && name.bytes().all(|byte| byte.is_ascii_alphanumeric());
            (is_name && !value.is_empty()).then(|| value.to_owned())
        };
        let mut cells: Vec<String> = self.cells.iter().take(1).cloned().collect();
        for cell in self.cells.iter().skip(1) {
            let values: Option<Vec<String>> = cell.split_whitespace().map(named).collect();
            match values {
                Some(values) if !values.is_empty() => cells.extend(values),
                _ => cells.push(cell.clone()),
            }
        }
        Self { cells, ..self.clone() }
    }

    /// Whether its label is one that states a fact, so that it names no columns.
    pub(super) fn states_a_fact(&self) -> bool {
        let lists = [INTERVAL, RATE, SAMPLES, MEMORY, SEGMENT, DIVISION, CODE, ORIGIN, REFERENCE];
        lists.iter().chain(&[PROBE, MODE, AVERAGES, UNITS, TIME_UNITS]).any(|list| self.is(list))
            && self.cells.len() > 1
    }

    /// Whether it states units under a label of its own, one per channel or for all.
    pub(super) fn states_units(&self) -> bool {
        self.is(UNITS) || self.is(TIME_UNITS)
    }

    fn is(&self, words: &[&str]) -> bool {
        words.contains(&self.word.as_str())
    }

    /// The number in cell `k`, in the unit behind it or after it.
    fn number(&self, k: usize, comma: bool) -> Option<(f64, Option<Unit>)> {
        let text = self.cells.get(k)?.trim_end_matches(';');
        // `10X`, `x10`, `1:10`, `10:1`.
        match cell::read(text, comma) {
            Cell::Number(value, Some(unit)) => Some((value, Some(unit))),
            Cell::Number(value, None) => {
                let behind = self.cells.get(k + 1).and_then(|next| Unit::parse(next)).or(self.unit);
                match behind {
                    Some((unit, factor)) => Some((value * factor, Some(unit))),
                    None => Some((value, None)),
                }
            }
            _ => None,
        }
    }

    /// All numbers behind the label.
    fn numbers(&self, comma: bool) -> Vec<f64> {
        (1..self.cells.len()).filter_map(|k| Some(self.number(k, comma)?.0)).collect()
    }

    fn count(&self, comma: bool) -> Option<u64> {
        let value = self.number(1, comma)?.0;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        ((1.0..1e15).contains(&value) && value.fract() == 0.0).then_some(value as u64)
    }

    fn ratio(&self, k: usize, comma: bool) -> Option<f64> {
        let text = self.cells.get(k)?.trim().to_lowercase();
        if let Some((a, b)) = text.split_once(':') {
            let of = |x: &str| super::finite(x).filter(|x| *x > 0.0);
            let (a, b) = (of(a)?, of(b)?);
            return Some(a.max(b) / a.min(b));
        }
        let text = text.trim_matches(['x', '×', ' ']);
        match cell::read(text, comma) {
            Cell::Number(value, None) if value > 0.0 => Some(value),
            _ => None,
        }
    }
}

/// Gathers the facts of the rows above the data.
pub(super) fn facts(rows: &[Row], comma: bool) -> Facts {
    let mut facts = Facts::default();
    let mut of_time = None;
    for row in rows {
        let row = &row.without_names();
        if row.is(INTERVAL) || row.is(RATE) {
            statement(row, comma, &mut facts);
        } else if row.is(SAMPLES) {
            facts.samples = facts.samples.or(row.count(comma));
        } else if row.is(MEMORY) {
            facts.memory = facts.memory.or(row.count(comma));
        } else if row.is(PROBE) {
            let ratios: Vec<f64> =
                (1..row.cells.len()).filter_map(|k| row.ratio(k, comma)).collect();
            put(&mut facts.vertical, &ratios, |vertical, x| vertical.probe = Some(x));
        } else if row.is(UNITS) && facts.units.is_empty() {
            facts.units = row.cells.iter().skip(1).filter_map(|cell| Unit::parse(cell)).collect();
        } else if row.is(TIME_UNITS) {
            of_time = row.cells.get(1).and_then(|cell| Unit::parse(cell));
        } else if row.is(MODE) && facts.mode.is_none() {
            facts.mode = row.cells.get(1).cloned();
        } else if row.is(AVERAGES) && row.count(comma).is_some_and(|count| count > 1) {
            facts.mode =
                Some(format!("average of {}", row.cells.get(1).map_or("", String::as_str)));
        } else {
            let numbers = row.numbers(comma);
            for (words, set) in VERTICAL {
                if row.is(words) {
                    put(&mut facts.vertical, &numbers, *set);
                }
            }
        }
        // Further labels in the row: `Segments,3,SegmentSize,502`.
        for (k, label) in row.cells.iter().enumerate() {
            if SEGMENT.contains(&word(label).as_str()) {
                let rest = Row::new(row.cells.get(k..).unwrap_or_default().to_vec());
                facts.segment = facts.segment.or(rest.count(comma));
            }
        }
    }
    if let (Some(interval), Some((Unit::Second, factor))) = (&mut facts.interval, of_time)
        && interval.unit.is_none()
    {
        interval.seconds *= factor;
    }
    facts
}

type Setter = fn(&mut Vertical, f64);
const VERTICAL: &[(&[&str], Setter)] = &[
    (DIVISION, |vertical, x| vertical.per_division = Some(x)),
    (CODE, |vertical, x| vertical.per_code = Some(x)),
    (ORIGIN, |vertical, x| vertical.origin = Some(x)),
    (REFERENCE, |vertical, x| vertical.reference = Some(x)),
];

fn put(list: &mut Vec<Vertical>, numbers: &[f64], set: Setter) {
    if list.len() < numbers.len() {
        list.resize(numbers.len(), Vertical::default());
    }
    for (vertical, number) in list.iter_mut().zip(numbers) {
        set(vertical, *number);
    }
}

fn statement(row: &Row, comma: bool, facts: &mut Facts) {
    let is_rate = row.is(RATE);
    let wanted = if is_rate { Unit::Hertz } else { Unit::Second };
    let found = (1..row.cells.len().min(4)).find_map(|k| row.number(k, comma));
    let Some((value, unit)) = found else { return };
    if unit.is_some_and(|unit| unit != wanted) {
        return;
    }
    let from = format!("from the preamble row `{}`", row.cells.join(" ").trim());
    let seconds = if is_rate { 1.0 / value } else { value };
    let slot = if is_rate { &mut facts.rate } else { &mut facts.interval };
    slot.get_or_insert(Interval { seconds, is_rate, from, unit });
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Facts {
        let rows: Vec<Row> = text
            .lines()
            .map(|line| Row::new(line.split(',').map(str::to_owned).collect()))
            .collect();
        facts(&rows, false)
    }

    #[test]
    fn labels_are_read_in_their_units() {
        let facts = of("Record Length,2500,pts\nSample Interval,2.0E-06,s\nSample Rate,500 kHz\n\
                        Memory Depth,10M\nProbe Attenuation,10X,1:100\nVertical Scale,10E-03\n\
                        Segments,3,SegmentSize,502\nAcquisition Mode,Peak Detect");
        assert_eq!(facts.samples, Some(2500));
        assert!((facts.interval.unwrap().seconds - 2e-6).abs() < 1e-18);
        assert!((facts.rate.unwrap().seconds - 2e-6).abs() < 1e-18);
        assert_eq!(facts.memory, Some(10_000_000));
        assert_eq!(facts.segment, Some(502));
        assert_eq!(facts.vertical[0].probe, Some(10.0));
        assert_eq!(facts.vertical[1].probe, Some(100.0));
        assert_eq!(facts.vertical[0].per_division, Some(10e-3));
        assert_eq!(facts.mode.as_deref(), Some("Peak Detect"));
    }
}
