//! `crestbook synth`.

use super::exit::{Exit, Failure};
use super::printer::Printer;
use super::progress::{catch_interrupts, stopped};
use crate::export;
use crate::files::{WriteError, write_whole};
use crate::sheet::{ChannelName, ChannelSheet, LoadKind, LoadSheet, Sheet, SubjectSheet};
use crate::synth::{Output, Recipe, Section, Wave, truth};
use crate::trace::{Channels, Kind, PerChannel};
use crate::units::SampleRate;
use std::path::{Path, PathBuf};

/// Shape of a synthetic capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum Shape {
    /// A steady sine
    Continuous,
    /// A sine, on for a share of each burst period
    Gated,
    /// Bursts that ring and die away
    Damped,
    /// A sine with sinusoidal amplitude modulation
    Modulated,
    /// A repeating cycle of cut, coag and rest
    Cycled,
}

/// `crestbook synth`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Shape
    shape: Shape,

    /// Data file to write: .csv, .wav or .npy; sheet and truth are written beside it
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,

    /// Overwrite existing files
    #[arg(long)]
    force: bool,

    /// Sample rate
    #[arg(long, value_name = "HZ", default_value_t = 10e6)]
    rate_hz: f64,

    /// Length of the record [default: 0.01, or two cycles]
    #[arg(long, value_name = "S")]
    duration_s: Option<f64>,

    /// Carrier frequency
    #[arg(long, value_name = "HZ", default_value_t = 500e3)]
    carrier_hz: f64,

    /// Bursts per second (gated, damped) [default: 25e3]
    #[arg(long, value_name = "HZ")]
    burst_rate_hz: Option<f64>,

    /// Share of the burst period with carrier (gated) [default: 0.25]
    #[arg(long, value_name = "SHARE")]
    duty: Option<f64>,

    /// Logarithmic decrement per carrier cycle (damped) [default: 0.5]
    #[arg(long, value_name = "NEPER")]
    decrement: Option<f64>,

    /// Modulation frequency (modulated) [default: 20e3]
    #[arg(long, value_name = "HZ")]
    modulation_hz: Option<f64>,

    /// Modulation depth (modulated) [default: 0.5]
    #[arg(long, value_name = "SHARE")]
    depth: Option<f64>,

    /// Largest voltage [default: 1000]
    #[arg(long, value_name = "V", conflicts_with = "power_w")]
    peak_v: Option<f64>,

    /// Mean power instead of the largest voltage
    #[arg(long, value_name = "W")]
    power_w: Option<f64>,

    /// Load
    #[arg(long, value_name = "OHM", default_value_t = 500.0)]
    load_ohm: f64,

    /// White noise this far under the output's RMS
    #[arg(long, value_name = "DB")]
    snr_db: Option<f64>,

    /// Seed of the noise
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,

    /// Clip at this share of the peak
    #[arg(long, value_name = "SHARE")]
    clip: Option<f64>,

    /// The current channel lags by this
    #[arg(long, value_name = "S", default_value_t = 0.0, allow_negative_numbers = true)]
    skew_s: f64,

    /// Resolution
    #[arg(long, value_name = "BITS")]
    bits: Option<u32>,

    /// Linear rise at the start (continuous; cut of cycled) [default: 0]
    #[arg(long, value_name = "S")]
    ramp_s: Option<f64>,

    /// Place in the sequence at which the record begins
    #[arg(long, value_name = "S", default_value_t = 0.0)]
    start_s: f64,

    /// Length of each cut (cycled) [default: 0.02]
    #[arg(long, value_name = "S", help_heading = "Cycled")]
    cut_s: Option<f64>,

    /// Length of each coag (cycled) [default: 0.05]
    #[arg(long, value_name = "S", help_heading = "Cycled")]
    coag_s: Option<f64>,

    /// Length of each rest (cycled); 0 leaves it out [default: 0.03]
    #[arg(long, value_name = "S", help_heading = "Cycled")]
    rest_s: Option<f64>,

    /// Shape of the coag (cycled): continuous, gated, damped or modulated [default: damped]
    #[arg(long, value_name = "SHAPE", help_heading = "Cycled")]
    coag_shape: Option<Shape>,

    /// Largest voltage of the coag (cycled) [default: 1500]
    #[arg(long, value_name = "V", help_heading = "Cycled")]
    coag_peak_v: Option<f64>,

    /// Sheet: model of the generator
    #[arg(long, value_name = "TEXT", help_heading = "Sheet")]
    model: Option<String>,

    /// Sheet: serial number
    #[arg(long, value_name = "TEXT", help_heading = "Sheet")]
    serial: Option<String>,

    /// Sheet: setting id
    #[arg(long, value_name = "ID", help_heading = "Sheet")]
    setting: Option<String>,
}

/// Samples written at a time.
const BLOCK: u64 = 1 << 14;
/// Longest record, so that a slip of the keyboard does not fill the disk.
const LONGEST: f64 = 1e10;

/// Runs `crestbook synth`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    catch_interrupts();
    let Some(format) = export::writable(&args.output) else {
        let known: Vec<&str> = export::endings().collect();
        return Err(Failure::usage(
            format!("{}: no format has this ending", args.output.display()),
            format!("end the name in one of: {}", known.join(", ")),
        ));
    };
    let recipe = recipe(args)?;
    let data = &args.output;
    // Only stated for integer files; floats are volts and amperes.
    let full = PerChannel {
        voltage: recipe.full_scale_v(),
        current: recipe.full_scale_v() / recipe.load_ohm,
    };
    // Only WAV is written as codes of the converter; elsewhere values are rounded to its steps.
    let scaled = recipe.bits.is_some() && format.codes;
    let shape = export::Shape {
        channels: Channels { voltage: true, current: true },
        rate: recipe.rate,
        samples: recipe.samples,
        bits: recipe.bits.filter(|_| scaled),
        full_scale: full,
        floats: export::Floats::Usual,
    };
    if !args.force {
        let numbers = format.numbers.map(|ending| beside(data, ending));
        let written = [
            Some(data.clone()),
            numbers,
            Some(beside(data, "capture.toml")),
            Some(beside(data, "truth.json")),
        ];
        refuse_existing(written.iter().flatten())?;
    }
    let mut writer = export::create(data, &shape)?;
    let mut at = 0;
    while at < recipe.samples {
        if stopped() {
            return Err(crate::recording::RecordingError::Interrupted.into());
        }
        let end = (at + BLOCK).min(recipe.samples);
        writer.push(&recipe.block(at..end))?;
        at = end;
    }
    let sheet = sheet(args, &recipe, format, scaled.then_some(full));
    let json = |error: serde_json::Error| WriteError {
        file: beside(data, "truth.json"),
        source: std::io::Error::other(error),
    };
    let mut truth = serde_json::to_string_pretty(&truth(&recipe, 0.1)).map_err(json)?;
    truth.push('\n');
    let sheet = toml::to_string(&sheet).map_err(|error| WriteError {
        file: beside(data, "capture.toml"),
        source: std::io::Error::other(error),
    })?;
    writer.finish()?;
    write_whole(&beside(data, "capture.toml"), sheet.as_bytes())?;
    write_whole(&beside(data, "truth.json"), truth.as_bytes())?;
    printer.note(&format!(
        "{}, {} and {}",
        data.display(),
        beside(data, "capture.toml").display(),
        beside(data, "truth.json").display()
    ));
    Ok(Exit::Done)
}

/// Refuses to write over a file, which may hold what somebody typed.
pub(super) fn refuse_existing<'a>(
    outputs: impl IntoIterator<Item = &'a PathBuf>,
) -> Result<(), Failure> {
    match outputs.into_iter().find(|output| output.is_file()) {
        None => Ok(()),
        Some(output) => Err(Failure::usage(
            format!("{}: a file of this name already exists", output.display()),
            "choose another name, or overwrite it with --force",
        )),
    }
}

/// The file of the same stem with another ending.
pub(super) fn beside(data: &Path, ending: &str) -> PathBuf {
    let stem = data.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    data.with_file_name(format!("{stem}.{ending}"))
}

/// What belongs to some shapes only, each as given or by default.
struct Shaped {
    burst_rate_hz: f64,
    duty: f64,
    decrement: f64,
    modulation_hz: f64,
    depth: f64,
    ramp_s: f64,
    cut_s: f64,
    coag_s: f64,
    rest_s: f64,
    coag_peak_v: f64,
    coag_shape: Shape,
}

impl Shaped {
    /// Refuses what would have no effect on the shape.
    fn of(args: &Args) -> Result<Self, Failure> {
        let coag_shape = args.coag_shape.unwrap_or(Shape::Damped);
        let cycled = args.shape == Shape::Cycled;
        let any = |shapes: &[Shape]| {
            shapes.contains(&args.shape) || (cycled && shapes.contains(&coag_shape))
        };
        let bursts = any(&[Shape::Gated, Shape::Damped]);
        let modulated = any(&[Shape::Modulated]);
        for (flag, given, acts) in [
            ("burst-rate-hz", args.burst_rate_hz.is_some(), bursts),
            ("duty", args.duty.is_some(), any(&[Shape::Gated])),
            ("decrement", args.decrement.is_some(), any(&[Shape::Damped])),
            ("modulation-hz", args.modulation_hz.is_some(), modulated),
            ("depth", args.depth.is_some(), modulated),
            ("ramp-s", args.ramp_s.is_some(), cycled || args.shape == Shape::Continuous),
            ("cut-s", args.cut_s.is_some(), cycled),
            ("coag-s", args.coag_s.is_some(), cycled),
            ("rest-s", args.rest_s.is_some(), cycled),
            ("coag-shape", args.coag_shape.is_some(), cycled),
            ("coag-peak-v", args.coag_peak_v.is_some(), cycled),
        ] {
            if given && !acts {
                let shape = clap::ValueEnum::to_possible_value(&args.shape);
                let shape = shape.map_or(String::new(), |value| value.get_name().to_owned());
                return Err(Failure::usage(
                    format!("--{flag} has no effect on the shape {shape}"),
                    "leave it out, or choose the shape that has it",
                ));
            }
        }
        Ok(Self {
            burst_rate_hz: args.burst_rate_hz.unwrap_or(25e3),
            duty: args.duty.unwrap_or(0.25),
            decrement: args.decrement.unwrap_or(0.5),
            modulation_hz: args.modulation_hz.unwrap_or(20e3),
            depth: args.depth.unwrap_or(0.5),
            ramp_s: args.ramp_s.unwrap_or(0.0),
            cut_s: args.cut_s.unwrap_or(0.02),
            coag_s: args.coag_s.unwrap_or(0.05),
            rest_s: args.rest_s.unwrap_or(0.03),
            coag_peak_v: args.coag_peak_v.unwrap_or(1500.0),
            coag_shape,
        })
    }
}

fn recipe(args: &Args) -> Result<Recipe, Failure> {
    let given = Shaped::of(args)?;
    let bad = |flag: &str, message: &str| {
        Err(Failure::usage(format!("--{flag}: {message}"), "see `crestbook synth --help`"))
    };
    for (flag, value) in [
        ("carrier-hz", args.carrier_hz),
        ("burst-rate-hz", given.burst_rate_hz),
        ("decrement", given.decrement),
        ("modulation-hz", given.modulation_hz),
        ("load-ohm", args.load_ohm),
        ("cut-s", given.cut_s),
        ("coag-s", given.coag_s),
        ("coag-peak-v", given.coag_peak_v),
        ("duration-s", args.duration_s.unwrap_or(1.0)),
        ("peak-v", args.peak_v.unwrap_or(1.0)),
        ("power-w", args.power_w.unwrap_or(1.0)),
    ] {
        if !(value.is_finite() && value > 0.0) {
            return bad(flag, "must be above 0");
        }
    }
    for (flag, value) in
        [("rest-s", given.rest_s), ("ramp-s", given.ramp_s), ("start-s", args.start_s)]
    {
        if !(value.is_finite() && value >= 0.0) {
            return bad(flag, "can't be negative");
        }
    }
    for (flag, value) in
        [("duty", given.duty), ("depth", given.depth), ("clip", args.clip.unwrap_or(1.0))]
    {
        if !(value > 0.0 && value <= 1.0) {
            return bad(flag, "must lie above 0 and up to 1");
        }
    }
    if args.bits.is_some_and(|bits| !(2..=32).contains(&bits)) {
        return bad("bits", "2 to 32");
    }
    if !args.skew_s.is_finite() || args.snr_db.is_some_and(|snr| !snr.is_finite()) {
        return bad("skew-s", "skew and SNR must be finite");
    }
    let Some(rate) = SampleRate::new(args.rate_hz) else {
        return bad("rate-hz", "must be above 0");
    };
    if args.carrier_hz >= args.rate_hz / 2.0 {
        return bad("rate-hz", "the carrier needs more than two samples per cycle");
    }
    if given.coag_shape == Shape::Cycled {
        return bad("coag-shape", "a coag is continuous, gated, damped or modulated");
    }
    let output = |shape: Shape, peak_v: f64, ramp_s: f64| Output {
        wave: match shape {
            Shape::Continuous | Shape::Cycled => Wave::Continuous,
            Shape::Gated => Wave::Gated { burst_hz: given.burst_rate_hz, duty: given.duty },
            Shape::Damped => {
                Wave::Damped { burst_hz: given.burst_rate_hz, decrement: given.decrement }
            }
            Shape::Modulated => {
                Wave::Modulated { modulation_hz: given.modulation_hz, depth: given.depth }
            }
        },
        peak_v,
        carrier_hz: args.carrier_hz,
        ramp_s,
    };
    let mut sections = Vec::new();
    let first = output(args.shape, args.peak_v.unwrap_or(1000.0), given.ramp_s);
    let cycle = given.cut_s + given.coag_s + given.rest_s;
    let duration =
        args.duration_s.unwrap_or(if args.shape == Shape::Cycled { 2.0 * cycle } else { 0.01 });
    let count = (rate.samples(duration)).round();
    if !(2.0..=LONGEST).contains(&count) {
        return bad("duration-s", "the record would have fewer than 2 or more than 10^10 samples");
    }
    if args.shape == Shape::Cycled {
        let coag = output(given.coag_shape, given.coag_peak_v, 0.0);
        for (duration_s, output) in
            [(given.cut_s, Some(first)), (given.coag_s, Some(coag)), (given.rest_s, None)]
        {
            let kind = output.map_or(Kind::Rest, |output| kind_of(&output));
            sections.push(Section { kind, duration_s, output });
        }
        sections.retain(|section| section.duration_s > 0.0);
    } else {
        sections.push(Section {
            kind: kind_of(&first),
            duration_s: f64::INFINITY,
            output: Some(first),
        });
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let mut recipe = Recipe {
        sections,
        samples: count as u64,
        start_s: args.start_s,
        snr_db: args.snr_db,
        seed: args.seed,
        clip_share: args.clip,
        skew_s: args.skew_s,
        bits: args.bits,
        ..Recipe::single(first, Kind::Cut, rate, 0, args.load_ohm)
    };
    if let Some(power) = args.power_w {
        // Power goes with the square of all voltages.
        let factor = (power / truth(&recipe, 0.1).whole.power_w).sqrt();
        for section in &mut recipe.sections {
            if let Some(output) = &mut section.output {
                output.peak_v *= factor;
            }
        }
        for section in &mut recipe.sections {
            section.kind = section.output.map_or(Kind::Rest, |output| kind_of(&output));
        }
    }
    Ok(recipe)
}

/// Kind by the definitions, from the closed forms.
fn kind_of(output: &Output) -> Kind {
    let long = 1000.0 / output.burst_hz().unwrap_or(output.carrier_hz);
    let crest = output.peak_v / (output.square_integral(long) / long).sqrt();
    if crest >= 4.0 || (crest < 1.7 && output.peak_v < 200.0) { Kind::Coag } else { Kind::Cut }
}

fn sheet(
    args: &Args,
    recipe: &Recipe,
    format: &export::Writable,
    full_scale: Option<PerChannel<f64>>,
) -> Sheet {
    let file = args.output.file_name().map(PathBuf::from);
    let text = format.tells_units;
    let channel = |name: &str, number: usize, scale: Option<f64>| ChannelSheet {
        channel: Some(if text {
            ChannelName::Name(name.into())
        } else {
            ChannelName::Number(number)
        }),
        scale,
        ..ChannelSheet::default()
    };
    // Floats of a format without units are volts and amperes.
    let bare = (!format.tells_units).then_some(1.0);
    let mut current = channel("current", 1, full_scale.map(|full| full.current).or(bare));
    if recipe.skew_s != 0.0 {
        current.delay_s = Some(recipe.skew_s);
    }
    Sheet {
        format: Some(1),
        data: file,
        sample_rate_hz: (!format.tells_rate).then(|| recipe.rate.hertz()),
        voltage: Some(channel("voltage", 0, full_scale.map(|full| full.voltage).or(bare))),
        current: Some(current),
        load: Some(LoadSheet {
            kind: Some(LoadKind::Resistor),
            nominal_ohm: Some(recipe.load_ohm),
            ..LoadSheet::default()
        }),
        subject: Some(SubjectSheet {
            model: args.model.clone(),
            serial: args.serial.clone(),
            setting: args.setting.clone(),
        })
        .filter(|s| s.model.is_some() || s.serial.is_some() || s.setting.is_some()),
        ..Sheet::default()
    }
}
