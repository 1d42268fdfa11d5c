//! `crestbook synth`.

use super::exit::{Exit, Failure};
use super::printer::Printer;
use super::progress::Watch;
use crate::sheet::SubjectSheet;
use crate::synth::{Request, Shape};
use crate::synthetic;
use clap::builder::PossibleValue;
use std::path::PathBuf;

/// A shape by its name.
#[derive(Clone, Copy, Debug)]
pub(super) struct Named(Shape);

impl clap::ValueEnum for Named {
    fn value_variants<'a>() -> &'a [Self] {
        const ALL: [Named; 5] = [
            Named(Shape::Continuous),
            Named(Shape::Gated),
            Named(Shape::Damped),
            Named(Shape::Modulated),
            Named(Shape::Cycled),
        ];
        &ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        let help = match self.0 {
            Shape::Continuous => "A steady sine",
            Shape::Gated => "A sine, on for a share of each burst period",
            Shape::Damped => "Bursts that ring and die away",
            Shape::Modulated => "A sine with sinusoidal amplitude modulation",
            Shape::Cycled => "A repeating cycle of cut, coag and rest",
        };
        Some(PossibleValue::new(self.0.name()).help(help))
    }
}

/// `crestbook synth`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Shape
    shape: Named,

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
    coag_shape: Option<Named>,

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

impl Args {
    fn request(&self) -> Request {
        Request {
            shape: self.shape.0,
            rate_hz: Some(self.rate_hz),
            duration_s: self.duration_s,
            carrier_hz: Some(self.carrier_hz),
            burst_rate_hz: self.burst_rate_hz,
            duty: self.duty,
            decrement: self.decrement,
            modulation_hz: self.modulation_hz,
            depth: self.depth,
            peak_v: self.peak_v,
            power_w: self.power_w,
            load_ohm: Some(self.load_ohm),
            snr_db: self.snr_db,
            seed: Some(self.seed),
            clip: self.clip,
            skew_s: Some(self.skew_s),
            bits: self.bits,
            ramp_s: self.ramp_s,
            start_s: Some(self.start_s),
            cut_s: self.cut_s,
            coag_s: self.coag_s,
            rest_s: self.rest_s,
            coag_shape: self.coag_shape.map(|shape| shape.0),
            coag_peak_v: self.coag_peak_v,
        }
    }
}

/// Runs `crestbook synth`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let subject = SubjectSheet {
        model: args.model.clone(),
        serial: args.serial.clone(),
        setting: args.setting.clone(),
    };
    let recipe = args.request().recipe().map_err(|error| {
        let flag = error.name.replace('_', "-");
        Failure::usage(format!("--{flag} {}", error.message), error.help)
    })?;
    let data = &args.output;
    let [sheet, truth] =
        synthetic::write(&recipe, data, &subject, args.force, &Watch::new(printer))?;
    printer.note(&format!("{}, {} and {}", data.display(), sheet.display(), truth.display()));
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
