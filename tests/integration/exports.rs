//! Text exports as instruments, recorders and programs write them: labels as exports have them, values
//! made here. Each is read to the right rate, channels, units, first and last value, or refused.

use Row::{Bare, Index, IndexTime, Lead, Time};
use crestbook::ingest::{
    IngestError, Limits, Opening, Piece, RateSource, Selection, Source, TraceReader,
};
use crestbook::sheet::TextHints;
use crestbook::units::Unit;
use std::fmt::Write;
use std::path::Path;

/// Samples of each export.
const COUNT: usize = 500;
/// Sample interval, s, where the layout does not ask for another.
const STEP: f64 = 4e-8;

/// Voltage and current of sample `k`; a carrier of 400 kHz at 25 MS/s.
fn value(channel: usize, k: usize) -> f64 {
    let wave = (std::f64::consts::TAU * 0.016 * k as f64 + 0.3).sin();
    // With two decimals they are what a converter of 8 to 10 bits gives.
    (100.0 * [410.0, 1.3, 12.0, 77.0][channel] * wave).round() / 100.0
}

/// How the rows of an export are written.
#[derive(Clone, Copy)]
enum Row {
    /// Time first, then so many channels.
    Time,
    /// An index from this number on, then the channels.
    Index(usize),
    /// Index and time, then the channels.
    IndexTime,
    /// The channels alone.
    Bare,
    /// An empty cell, then the channels.
    Lead,
}

struct Export {
    name: &'static str,
    /// What stands above the rows; lines end in `|`.
    head: &'static str,
    row: Row,
    channels: usize,
    /// Unit of the time stamps, s.
    time_unit: f64,
    /// What ends each row.
    tail: &'static str,
    separator: char,
    /// Units that must be told of the channels; `None` where the file does not say.
    units: &'static [Option<Unit>],
    names: &'static [&'static str],
}

const V: Option<Unit> = Some(Unit::Volt);
const A: Option<Unit> = Some(Unit::Ampere);

const fn export(
    name: &'static str,
    head: &'static str,
    row: Row,
    units: &'static [Option<Unit>],
    names: &'static [&'static str],
) -> Export {
    Export {
        name,
        head,
        row,
        channels: units.len(),
        time_unit: 1.0,
        tail: "",
        separator: ',',
        units,
        names,
    }
}

impl Export {
    const fn tail(mut self, tail: &'static str) -> Self {
        self.tail = tail;
        self
    }

    const fn by(mut self, separator: char) -> Self {
        self.separator = separator;
        self
    }

    const fn in_units_of(mut self, seconds: f64) -> Self {
        self.time_unit = seconds;
        self
    }

    /// The text; `comma` with a decimal comma.
    fn text(&self, comma: bool) -> String {
        let mut out: String = self.head.replace('|', "\n");
        for k in 0..COUNT {
            let time = (k as f64 * STEP - 8e-6) / self.time_unit;
            let time = format!("{time:.9e}");
            let mut cells = match self.row {
                Time => vec![time],
                Index(from) => vec![(from + k).to_string()],
                IndexTime => vec![k.to_string(), time],
                Bare => Vec::new(),
                Lead => vec![String::new()],
            };
            cells.extend((0..self.channels).map(|channel| format!("{:.2}", value(channel, k))));
            let line = cells.join(&self.separator.to_string());
            let line = if comma { line.replace('.', ",") } else { line };
            writeln!(out, "{line}{}", self.tail).unwrap();
        }
        out
    }
}

#[rustfmt::skip]
const EXPORTS: &[Export] = &[
    export("index, start and increment behind, four cells", "X,CH1,Start,Increment,|Sequence,Volt,-8.0e-06,4.0e-08,|", Index(0), &[V], &["CH1"]).tail(","),
    export("the same of two channels", "X,CH1,CH2,Start,Increment,|Sequence,Volt,Volt,-8.0e-06,4.0e-08,|", Index(0), &[V, V], &["CH1", "CH2"]).tail(","),
    export("second row without a comma at its end", "X,CH1,CH2,Start,Increment,|Sequence,Volt,Ampere,-8.0e-06,4.0e-08|", Index(0), &[V, A], &["CH1", "CH2"]).tail(","),
    export("index that begins at 22", "X,CH1,CH2,Start,Increment,|Sequence,Volt,Volt,-8.0e-06,4.0e-08,|", Index(22), &[V, V], &["CH1", "CH2"]).tail(","),
    export("of four channels", "X,CH1,CH2,CH3,CH4,Start,Increment,|Sequence,Volt,Volt,Volt,Volt,-8.0e-06,4.0e-08,|", Index(0), &[V, V, V, V], &["CH1", "CH2", "CH3", "CH4"]).tail(","),
    export("start and increment, no index", "CH1,CH2,Start,Increment,|Volt,Volt,-8.0e-06,4.0e-08,|", Bare, &[V, V], &["CH1", "CH2"]).tail(","),
    export("the same, one channel", "CH1,Start,Increment,|Volt,-8.0e-06,4.0e-08,|", Bare, &[V], &["CH1"]).tail(","),
    export("the same below a preamble", "Model,bench 7|Date,2031-02-03|CH1,CH2,Start,Increment,|Volt,Ampere,-8.0e-06,4.0e-08,|", Bare, &[V, A], &["CH1", "CH2"]).tail(","),
    export("blank in the names", "CH 1,CH 2,Start,Increment,|Volt,Volt,-8.0e-06,4.0e-08,|", Bare, &[V, V], &["CH 1", "CH 2"]).tail(","),
    export("names of another language", "Kanal 1,Kanal 2,Start,Increment,|Volt,Ampere,-8.0e-06,4.0e-08,|", Bare, &[V, A], &["Kanal 1", "Kanal 2"]).tail(","),
    export("units with numbers as names", "sec,Volt1,Volt2,Volt3|", Time, &[V, V, V], &["Volt1", "Volt2", "Volt3"]),
    export("one unit with a number", "sec,Volt1|", Time, &[V], &["Volt1"]),
    export("ampere with a number", "sec,Volt1,Ampere2|", Time, &[V, A], &["Volt1", "Ampere2"]),
    export("in UNIT", "in s,C1 in V,C2 in V|", Time, &[V, V], &["C1", "C2"]),
    export("in UNIT, ampere", "in s,C1 in V,C2 in A|", Time, &[V, A], &["C1", "C2"]),
    export("in UNIT, ms and ampere", "in ms,C1 in V,C4 in A|", Time, &[V, A], &["C1", "C4"]).in_units_of(1e-3),
    export("rows of numbers and units", "x-axis,1,2|second,Volt,Volt|", Time, &[V, V], &["1", "2"]),
    export("rows of numbers and units, ampere", "x-axis,1,2|second,Volt,Ampere|", Time, &[V, A], &["1", "2"]),
    export("time and channel names", "Time,CH1,CH2|s,V,A|", Time, &[V, A], &["CH1", "CH2"]),
    export("empty first name", ",CH1,CH2|Second,Volt,Volt|", Time, &[V, V], &["CH1", "CH2"]),
    export("empty first name, trailing commas", ",CH1,CH2,|Second,Volt,Volt,|", Time, &[V, V], &["CH1", "CH2"]).tail(","),
    export("blank at the end of rows", ",CH1,CH2, |Second,Volt,Volt, |", Time, &[V, V], &["CH1", "CH2"]).tail(", "),
    export("sampling period, two columns", "Sampling Period,4.00000e-08,|Mode,Detail,|Waveform Data,|", Time, &[None], &["column 2"]).tail(","),
    export("an index beside the time", "Sample,Time(S),CH1(V),CH2(V)|", IndexTime, &[V, V], &["CH1", "CH2"]),
    export("the same with comments", ";Nr of samples,500|Sample,Time(S),CH1(V),CH2(A)|", IndexTime, &[V, A], &["CH1", "CH2"]),
    export("index and time by other names", "No.,Time (s),Voltage (V)|", IndexTime, &[V], &["Voltage"]),
    export("point number", "Point,Time [s],U1 [V],I1 [A]|", IndexTime, &[V, A], &["U1", "I1"]),
    export("names and units in a first column", "TraceName,CH1,CH2|VUnit,V,A|HResolution,4e-8|HUnit,s|", Lead, &[V, A], &["CH1", "CH2"]),
    export("the same, one value per channel", "TraceName,CH1,CH2|VUnit,V,A|HResolution,4e-8,4e-8|HUnit,s,s|", Lead, &[V, A], &["CH1", "CH2"]),
    export("the same with blanks", "TraceName, CH1, CH2|VUnit, V, V|HResolution, 0.04|HUnit, us|", Lead, &[V, V], &["CH1", "CH2"]),
    export("the same, quoted", "\"TraceName\",\"CH1\",\"CH2\"|\"VUnit\",\"V\",\"A\"|\"HResolution\",\"0.04\"|\"HUnit\",\"us\"|", Lead, &[V, A], &["CH1", "CH2"]),
    export("names above the word value", "Record Length,Analog:500,|Sample Interval,Analog:4.0E-08,|Vertical Units,CH1:V, CH2:V,,|Source,CH1,CH2|Second,Value,Value|", Time, &[V, V], &["CH1", "CH2"]),
    export("preamble of several channels in a cell", "Sample Interval,CH1:0.00000004 CH2:0.00000004|Vertical Units,CH1:V CH2:A|Source,CH1,CH2|Second,Value,Value|", Time, &[V, A], &["CH1", "CH2"]),
    export("t0 and delta t, a tab behind each value", "t0\t12/31/1903 21:00:00.000000|delta t\t4.0E-08|Y\t|", Bare, &[None], &["Y"]).by('\t').tail("\t"),
    export("rate with a label of its own", "#dataFreq=25000000Hz;|#ch1\tch2|", Bare, &[None, None], &["ch1", "ch2"]).by('\t'),
    export("x_axis", "x_axis,channel_2|", Time, &[None], &["channel_2"]),
    export("names that say nothing", "A,B|", Time, &[None], &["B"]),
    export("time and a sensor", "Time,Sensor|", Time, &[None], &["Sensor"]),
    export("German", "Zeit;Spannung;Strom|Sekunden;Volt;Ampere|", Time, &[V, A], &["Spannung", "Strom"]).by(';'),
    export("German, ms", "Zeit;Kanal A;Kanal B|(ms);(V);(A)|", Time, &[V, A], &["Kanal A", "Kanal B"]).by(';').in_units_of(1e-3),
    export("German, words with prefixes", "Zeit;Kanal A|Mikrosekunden;Volt|", Time, &[V], &["Kanal A"]).by(';').in_units_of(1e-6),
    export("slashes", "Zeit / ms;U / V;I / A|", Time, &[V, A], &["U", "I"]).by(';').in_units_of(1e-3),
    export("French", "Temps;Voie 1;Voie 2|secondes;volts;ampères|", Time, &[V, A], &["Voie 1", "Voie 2"]).by(';'),
    export("Spanish", "Tiempo;Canal 1;Canal 2|segundos;voltios;amperios|", Time, &[V, A], &["Canal 1", "Canal 2"]).by(';'),
    export("Italian", "Tempo;Canale 1|secondi;volt|", Time, &[V], &["Canale 1"]).by(';'),
    export("Chinese", "时间,通道1,通道2|秒,伏,安|", Time, &[V, A], &["通道1", "通道2"]),
    export("Japanese", "時間,CH1,CH2|秒,ボルト,アンペア|", Time, &[V, A], &["CH1", "CH2"]),
    export("Russian", "Время;Канал 1;Канал 2|мкс;В;А|", Time, &[V, A], &["Канал 1", "Канал 2"]).by(';').in_units_of(1e-6),
    export("nothing but a unit", "[s],CH2[V]|", Time, &[V], &["CH2"]),
    export("microseconds in brackets", "Time,Channel A|(us),(V)|", Time, &[V], &["Channel A"]).in_units_of(1e-6),
    export("the same, tab", "Time\tChannel A|(us)\t(V)|", Time, &[V], &["Channel A"]).by('\t').in_units_of(1e-6),
    export("nanoseconds", "Time (ns),CH1 (V),CH2 (A)|", Time, &[V, A], &["CH1", "CH2"]).in_units_of(1e-9),
    export("a preamble with settings per division", "Vertical Scale,100 V/div|Horizontal Scale,5e-6|TIME,CH1|", Time, &[None], &["CH1"]),
    export("a model in the first row", "Model,bench 7|Firmware Version,2.26||Point Format,Y|Record Length,500|TIME,CH1,CH2|", Time, &[None, None], &["CH1", "CH2"]),
    export("comment signs", "# recorded by the bench|# sample rate: 25000000 Hz|# time,voltage,current|", Time, &[V, A], &["voltage", "current"]),
    export("percent signs", "% bench export|% t, v, i|", Time, &[V, A], &["v", "i"]),
    export("two underlines", "time_s,voltage_V,current_A|", Time, &[V, A], &["voltage", "current"]),
    export("quoted names", "\"Time (s)\",\"CH1 (V)\",\"CH2 (A)\"|", Time, &[V, A], &["CH1", "CH2"]),
    export("no names at all", "", Time, &[None, None], &["column 2", "column 3"]),
    export("no names, one channel", "", Time, &[None], &["column 2"]),
    export("no names, semicolons", "", Time, &[None, None], &["column 2", "column 3"]).by(';'),
    export("no names, tabs", "", Time, &[None, None], &["column 2", "column 3"]).by('\t'),
    export("no names, blanks", "", Time, &[None, None], &["column 2", "column 3"]).by(' '),
    export("increment as a statement", "Increment = 4e-8|", Bare, &[None], &["column 1"]),
    export("sample rate as a statement", "Sample Rate: 25 MHz|Voltage|", Bare, &[V], &["Voltage"]),
    export("a per-division time base beside stamps", "#timebase=5000000(ps)|,#voltbase=100000000(uV)|#size=500|", Time, &[None], &["column 2"]),
    export("delta x", "Points: 500|Delta X: 4.0E-8|CH1|V|", Bare, &[V], &["CH1"]),
    export("seconds as a word alone", "Seconds,Volts|", Time, &[V], &["Volts"]),
    export("words of units, two channels", "Seconds,Volts,Amps|", Time, &[V, A], &["Volts", "Amps"]),
    export("milliseconds as a word", "Milliseconds,Volts|", Time, &[V], &["Volts"]).in_units_of(1e-3),
];

fn open(text: &[u8]) -> Result<Box<dyn TraceReader>, String> {
    let source = Source::memory(Path::new("export.csv"), text.to_vec()).unwrap();
    let opening = Opening { limits: Limits::default(), ..Opening::default() };
    crestbook::ingest::open_source(source, &opening).map_err(|error| error.to_string())
}

/// Rate, samples, and per channel name, unit, first and last value.
type Told = (Option<f64>, usize, Vec<(String, Option<Unit>, f64, f64)>);

/// What was read of it: rate, samples, and per channel name, unit, first and last value.
fn told(reader: &dyn TraceReader) -> Result<Told, IngestError> {
    let rate = match reader.rate() {
        RateSource::Stated(rate) | RateSource::TimeColumn(rate) => Some(rate.hertz()),
        RateSource::Absent => None,
    };
    let mut count = 0;
    let mut channels = Vec::new();
    for (k, info) in reader.channels().iter().enumerate() {
        let mut all = Vec::new();
        for piece in 0..reader.pieces() {
            let mut out = Piece::default();
            let wanted = Selection { voltage: Some(k), current: None };
            reader.decode(piece, wanted, &mut out)?;
            all.extend(out.v.iter().map(|x| (x - info.offset) * info.factor));
        }
        count = all.len();
        channels.push((info.name.clone(), info.unit, all[0], all[count - 1]));
    }
    Ok((rate, count, channels))
}

/// What is wrong with it, if anything.
fn hold(export: &Export, text: &[u8], variant: &str) -> Option<String> {
    let fail = |what: String| Some(format!("{}, {variant}: {what}", export.name));
    let reader = match open(text) {
        Ok(reader) => reader,
        Err(error) => return fail(format!("refused: {error}")),
    };
    let (rate, count, channels) = match told(reader.as_ref()) {
        Ok(told) => told,
        Err(error) => return fail(format!("refused: {error}")),
    };
    let Some(rate) = rate else { return fail("no rate".into()) };
    if (rate * STEP - 1.0).abs() > 1e-6 {
        return fail(format!("{rate} Hz"));
    }
    if count != COUNT {
        return fail(format!("{count} samples"));
    }
    let names: Vec<&str> = channels.iter().map(|channel| channel.0.as_str()).collect();
    if names != export.names {
        return fail(format!("channels {names:?}"));
    }
    for (k, (name, unit, first, last)) in channels.iter().enumerate() {
        if *unit != export.units[k] {
            return fail(format!("{name} in {unit:?}"));
        }
        let near = |found: f64, wanted: f64| (found - wanted).abs() < 1e-9 * wanted.abs().max(1.0);
        if !near(*first, value(k, 0)) || !near(*last, value(k, COUNT - 1)) {
            return fail(format!("{name} from {first} to {last}"));
        }
    }
    None
}

/// Every export with line ends of both kinds, with and without a mark at its start, with a row of
/// separators or an empty row at its end, and with a decimal comma where the separator allows it.
#[test]
fn exports_are_read_in_every_variant() {
    let mut wrong = Vec::new();
    for export in EXPORTS {
        let plain = export.text(false);
        let separators = export.separator.to_string().repeat(export.channels);
        let marked = export.separator != ' ' && !matches!(export.row, Bare | Lead);
        let mut variants = vec![
            ("plain", plain.clone()),
            ("CRLF", plain.replace('\n', "\r\n")),
            ("mark at the start", format!("\u{feff}{plain}")),
            ("without a last line end", plain.trim_end_matches('\n').to_owned()),
            ("an empty row at the end", format!("{plain}\n\n")),
        ];
        if marked {
            variants.push(("separators at the end", format!("{plain}{separators}\n")));
        }
        let commas = export.separator != ',' && !export.head.contains('.');
        if commas {
            variants.push(("decimal comma", export.text(true)));
        }
        for (variant, text) in variants {
            wrong.extend(hold(export, text.as_bytes(), variant));
        }
    }
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
    assert!(EXPORTS.len() >= 60, "{}", EXPORTS.len());
}

/// Channels that begin after the head: gaps, not damage.
#[test]
fn a_channel_may_begin_late() {
    let mut text = String::from("x-axis,1,2\nsecond,Volt,Volt\n");
    for k in 0..3000 {
        let time = k as f64 * STEP - 8e-6;
        if k < 700 {
            writeln!(text, "{time:.9e},,").unwrap();
        } else {
            writeln!(text, "{time:.9e},{:.2},{:.2}", value(0, k), value(1, k)).unwrap();
        }
    }
    let reader = open(text.as_bytes()).unwrap();
    let names: Vec<&str> = reader.channels().iter().map(|info| info.name.as_str()).collect();
    assert_eq!(names, ["1", "2"]);
    let (rate, count, _) = told(reader.as_ref()).unwrap();
    assert!((rate.unwrap() * STEP - 1.0).abs() < 1e-6);
    assert_eq!(count, 3000);
    let mut piece = Piece::default();
    reader.decode(0, Selection { voltage: Some(0), current: None }, &mut piece).unwrap();
    assert_eq!(piece.gaps[0].0, 0..700);
}

/// What can't be read to the end is refused with a reason, or has no rate: never a guess.
#[test]
fn what_a_file_does_not_tell_is_not_guessed() {
    let rows = |row: &dyn Fn(usize) -> String| (0..50).map(row).collect::<Vec<_>>().join("\n");
    let wave = |k: usize| format!("{:.2}", value(0, k));
    // An index is no time.
    let index = format!("X,CH1\n{}\n", rows(&|k| format!("{k},{}", wave(k))));
    let reader = open(index.as_bytes()).unwrap();
    assert_eq!(reader.rate(), RateSource::Absent);
    assert_eq!(reader.channels().len(), 1);
    let bare = rows(&|k| format!("{k},{}", wave(k)));
    assert_eq!(open(bare.as_bytes()).unwrap().rate(), RateSource::Absent);
    // Start and increment are named, but their row is not there.
    let lost =
        format!("CH1,CH2,Start,Increment,\n{}\n", rows(&|k| format!("{},{},", wave(k), wave(k))));
    assert_eq!(open(lost.as_bytes()).unwrap().rate(), RateSource::Absent);
    // Whole numbers are codes, whatever unit the preamble names.
    let codes = format!(
        "Vertical Units,V\nVertical Scale,1.000E+00\nSampling Period,4.0E-08\nWaveform Data\n{}\n",
        rows(&|k| format!("{},", value(0, k).round()))
    );
    let reader = open(codes.as_bytes()).unwrap();
    let why = reader.channels()[0].needs_scale.clone().unwrap();
    assert!(why.contains("codes"), "{why}");
    let reader = open(codes.replace('\n', "\r\n").as_bytes()).unwrap();
    assert_eq!(reader.channels().len(), 1);
    assert!(reader.channels()[0].needs_scale.is_some());
    // A tab ends the row, so the comma is a decimal one.
    let commas = format!(
        "t0\t12/31/1903 21:00:00,000000\r\ndelta t\t4,0E-8\r\nY\t\r\n{}\t\r\n",
        rows(&|k| wave(k).replace('.', ",")).replace('\n', "\t\r\n")
    );
    let reader = open(commas.as_bytes()).unwrap();
    let (rate, count, channels) = told(reader.as_ref()).unwrap();
    assert!((rate.unwrap() * STEP - 1.0).abs() < 1e-6 && count == 50);
    assert!((channels[0].2 - value(0, 0)).abs() < 1e-9);
    // Whole numbers under a unit of their own are volts.
    let volts =
        format!("s,V\n{}\n", rows(&|k| format!("{:.9e},{}", k as f64 * STEP, value(0, k).round())));
    assert!(open(volts.as_bytes()).unwrap().channels()[0].needs_scale.is_none());
    // Other units are no volts.
    let other = format!(
        "Time (s),Acceleration x (m/s^2)\n{}\n",
        rows(&|k| format!("{:.9e},{}", k as f64 * STEP, wave(k)))
    );
    assert!(open(other.as_bytes()).unwrap().channels()[0].not_measured.is_some());
    // Two records side by side with times of their own.
    let beside = rows(&|k| {
        let time = k as f64 * STEP;
        format!("{time:.9e},{},{:.9e},{}", wave(k), time + 1e-3, wave(k))
    });
    let error = open(beside.as_bytes()).err().unwrap();
    assert!(error.contains("time columns"), "{error}");
}

/// What the file does not say can be told; what it does say can't be told otherwise.
#[test]
fn a_time_axis_without_unit_can_be_told() {
    let rows: String =
        (0..200).map(|k| format!("{:.2},{:.2}\n", k as f64 * STEP * 1e6, value(0, k))).collect();
    let open = |text: &str, unit: &str| {
        let source = Source::memory(Path::new("export.csv"), text.as_bytes().to_vec()).unwrap();
        let hints = TextHints { time_unit: Some(unit.into()), ..TextHints::default() };
        let opening = Opening { hints, ..Opening::default() };
        crestbook::ingest::open_source(source, &opening).map_err(|error| error.to_string())
    };
    let reader = open(&rows, "us").unwrap();
    let (rate, ..) = told(reader.as_ref()).unwrap();
    assert!((rate.unwrap() * STEP - 1.0).abs() < 1e-6, "{rate:?}");
    let error = open(&format!("Time (us),CH1 (V)\n{rows}"), "ms").err().unwrap();
    assert!(error.contains("the file gives the time in units of 1e-6 s"), "{error}");
}

/// A header that comes again with other units is not read by the first one.
#[test]
fn a_header_again_must_be_the_same() {
    let rows: String =
        (0..100).map(|k| format!("{:.9e},{:.2}\n", k as f64 * STEP, value(0, k))).collect();
    for (first, second, good) in [
        ("s,V", "s,V", true),
        ("s,V", "s,mV", false),
        ("Time,CH1\ns,V", "Time,CH1\ns,mV", false),
        ("Time (s),CH1 (V)", "Time (s),CH1 (V)", true),
    ] {
        let text = format!("{first}\n{rows}{second}\n{rows}");
        let read = open(text.as_bytes())
            .and_then(|reader| told(reader.as_ref()).map_err(|error| error.to_string()));
        assert_eq!(read.is_ok(), good, "{second}: {:?}", read.as_ref().err());
        assert!(good || read.is_err_and(|error| error.contains("the header comes again")));
    }
}
