//! `crestbook measure`.

use super::exit::{Exit, Failure};
use super::printer::{JsonList, Printer};
use super::progress::Watch;
use super::sheet_flags::SheetFlags;
use crate::analysis::{self, AnalysisError, Choices, Detail, Run, Settings};
use crate::explain::{ErrorCode, Explain};
use crate::files::write_whole;
use crate::ingest::Limits;
use crate::measures::Measure;
use crate::measures::catalog::UnknownMeasure;
use crate::recording::{Capture, ReadSettings, Recording, resolve};
use crate::report::picture::{self, Shown};
use crate::report::{self, budget, table};
use crate::result::{Form, Measurement};
use crate::uncertainty::{Draws, Extras, Knowledge};
use std::path::{Path, PathBuf};

/// Flags that say how a capture is read and measured.
#[derive(Debug, clap::Args)]
pub(super) struct CaptureArgs {
    /// Data file or capture sheet; `-` reads standard input
    pub capture: PathBuf,

    /// Capture sheet, where it is not beside the data file
    #[arg(long, value_name = "FILE")]
    pub sheet: Option<PathBuf>,

    /// Share of a burst's peak above which the burst counts as on
    #[arg(long, value_name = "SHARE", default_value_t = 0.1, hide_short_help = true)]
    pub duty_threshold: f64,

    /// Least crest factor of coag [default: 4.0]
    #[arg(long, value_name = "CF", help_heading = "Thresholds", hide_short_help = true)]
    pub coag_crest_factor: Option<f64>,

    /// Crest factor below which output is continuous [default: 1.7]
    #[arg(long, value_name = "CF", help_heading = "Thresholds", hide_short_help = true)]
    pub continuous_crest_factor: Option<f64>,

    /// Continuous output of a lower peak (V) is coag [default: 200]
    #[arg(long, value_name = "V", help_heading = "Thresholds", hide_short_help = true)]
    pub arc_peak_v: Option<f64>,

    /// Share of the strongest phase below which there is rest [default: 0.01]
    #[arg(long, value_name = "SHARE", help_heading = "Thresholds", hide_short_help = true)]
    pub rest_share: Option<f64>,

    /// A shorter quiet stretch (s) is a gap between bursts, not a rest [default: 2e-3]
    #[arg(long, value_name = "S", help_heading = "Thresholds", hide_short_help = true)]
    pub rest_min_s: Option<f64>,

    /// A shorter stretch of output (s) is no phase of its own [default: 1e-3]
    #[arg(long, value_name = "S", help_heading = "Thresholds", hide_short_help = true)]
    pub phase_min_s: Option<f64>,

    /// Samples looked at burst by burst; longer records are sampled evenly [default: 1048576]
    #[arg(long, value_name = "N", help_heading = "Thresholds", hide_short_help = true)]
    pub burst_samples: Option<u64>,

    /// Record to use where a file has several, from 1 [default: each in turn]
    #[arg(long, value_name = "N")]
    pub record: Option<usize>,

    /// Worker threads [default: one per core]
    #[arg(long, value_name = "N", hide_short_help = true)]
    pub threads: Option<usize>,

    /// Sheet keys
    #[command(flatten)]
    pub flags: SheetFlags,

    /// Bounds
    #[command(flatten)]
    pub limits: LimitArgs,
}

/// Flags that bound what a file may ask for.
#[derive(Debug, Default, clap::Args)]
#[command(next_help_heading = "Bounds on damaged or hostile files")]
pub(super) struct LimitArgs {
    /// Longest header, bytes [default: 1 MiB]
    #[arg(long, value_name = "N", hide_short_help = true)]
    pub limit_header: Option<usize>,

    /// Longest line of text, bytes [default: 64 KiB]
    #[arg(long, value_name = "N", hide_short_help = true)]
    pub limit_line: Option<usize>,

    /// Most columns or channels [default: 1024]
    #[arg(long, value_name = "N", hide_short_help = true)]
    pub limit_columns: Option<usize>,

    /// Most bytes unpacked from an archive or written anew to be read [default: 64 GiB]
    #[arg(long, value_name = "N", hide_short_help = true)]
    pub limit_unpacked: Option<u64>,

    /// Most times that unpacked data may be larger than packed [default: 200]
    #[arg(long, value_name = "N", hide_short_help = true)]
    pub limit_ratio: Option<u64>,
}

impl LimitArgs {
    /// The bounds, those not given as they are by default.
    pub(super) fn limits(&self) -> Limits {
        let usual = Limits::default();
        Limits {
            header: self.limit_header.unwrap_or(usual.header),
            line: self.limit_line.unwrap_or(usual.line).max(1),
            columns: self.limit_columns.unwrap_or(usual.columns),
            unpacked: self.limit_unpacked.unwrap_or(usual.unpacked),
            ratio: self.limit_ratio.unwrap_or(usual.ratio),
        }
    }
}

/// Flags that say what is shown.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "What is shown")]
pub(super) struct ShowArgs {
    /// Show every phase and every measure
    #[arg(long)]
    pub all: bool,

    /// Show how the file was read
    #[arg(long)]
    pub explain: bool,

    /// Draw the capture to an .svg or .png file
    #[arg(long, value_name = "FILE")]
    pub plot: Option<PathBuf>,

    /// Draw another capture under it, on the same axes
    #[arg(long, value_name = "CAPTURE", requires = "plot")]
    pub below: Option<PathBuf>,

    /// Show the uncertainty budget of each measure of the table, or of one measure
    #[arg(long, value_name = "MEASURE", num_args = 0..=1, require_equals = true)]
    #[allow(clippy::option_option)] // three states: not asked for, all, one
    pub budget: Option<Option<String>>,

    /// Simulate the distributions (JCGM 101) with this many draws, or `auto` until they settle, and
    /// compare the budgets with them
    #[arg(long, value_name = "N|auto", hide_short_help = true)]
    pub monte_carlo: Option<String>,

    /// Seed of the simulation
    #[arg(long, value_name = "N", default_value_t = 1, hide_short_help = true)]
    pub seed: u64,
}

impl ShowArgs {
    /// What is drawn under the capture, and how it is measured.
    pub(super) fn below<'a>(&'a self, settings: &'a Settings) -> (Option<&'a Path>, &'a Settings) {
        (self.below.as_deref(), settings)
    }

    /// The measure whose budget alone is shown.
    fn only(&self) -> Result<Option<Measure>, Failure> {
        let Some(Some(key)) = &self.budget else { return Ok(None) };
        let unknown = |unknown: UnknownMeasure| Failure::usage(unknown.to_string(), unknown.help());
        Measure::find(key).map(Some).map_err(unknown)
    }

    /// What is wanted beside the uncertainty itself.
    pub(super) fn extras(&self) -> Result<Extras, Failure> {
        self.only()?;
        let draws = match self.monte_carlo.as_deref() {
            None => None,
            Some("auto") => Some(Draws::Auto),
            Some(text) => match text.parse() {
                Ok(count) if Draws::count(count).is_some() => Draws::count(count),
                _ => {
                    return Err(Failure::usage(
                        format!("--monte-carlo {text} is not a number of draws"),
                        Draws::help(),
                    ));
                }
            },
        };
        Ok(Extras {
            budget: self.budget.is_some(),
            monte_carlo: draws.map(|draws| (draws, self.seed)),
        })
    }

    /// Budgets and simulations as text, where they were asked for.
    pub(super) fn budgets(
        &self,
        measurement: &Measurement,
        printer: &Printer,
    ) -> Result<(), Failure> {
        if self.budget.is_none() && self.monte_carlo.is_none() {
            return Ok(());
        }
        let only = self.only()?;
        printer.out(&budget::budgets(measurement, only, printer.manner(self.all)))
    }
}

/// `crestbook measure`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    capture: CaptureArgs,
    #[command(flatten)]
    show: ShowArgs,

    /// Estimate the delay between the channels from a capture into the stated resistor, and print
    /// the sheet lines
    #[arg(long)]
    estimate_delay: bool,
}

impl CaptureArgs {
    /// The capture these flags name.
    pub(super) fn resolve(&self) -> Result<Capture, Failure> {
        Ok(resolve(&self.capture, self.sheet.as_deref(), &self.flags.replaced())?)
    }

    /// What these flags change.
    fn choices(&self) -> Choices {
        Choices {
            duty_threshold: Some(self.duty_threshold),
            coag_crest_factor: self.coag_crest_factor,
            continuous_crest_factor: self.continuous_crest_factor,
            arc_peak_v: self.arc_peak_v,
            rest_share: self.rest_share,
            rest_min_s: self.rest_min_s,
            phase_min_s: self.phase_min_s,
            burst_samples: self.burst_samples,
            threads: self.threads,
        }
    }

    /// The settings with what these flags change.
    pub(super) fn over(&self, settings: Settings) -> Result<Settings, Failure> {
        self.choices().over(settings).map_err(|error| {
            let flag = error.name.replace('_', "-");
            let help = error.help().unwrap_or_default();
            Failure::usage(format!("--{flag} {} is out of range", error.value), help)
        })
    }

    /// The settings these flags make.
    pub(super) fn settings(&self, hash: bool) -> Result<Settings, Failure> {
        let read = ReadSettings { hash, limits: self.limits.limits(), ..ReadSettings::default() };
        self.over(Settings { read, ..Settings::default() })
    }
}

/// Runs `crestbook measure`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let mut settings = args.capture.settings(printer.json())?;
    settings.extras = args.show.extras()?;
    if let Some(path) = &args.show.plot {
        plot_kind(path)?;
    }
    let capture = args.capture.resolve()?;
    let mut found = JsonList::new(Form::Measurements);
    if args.estimate_delay {
        return delay(args, &capture, &settings, printer);
    }
    args.capture.each(&capture, &settings, &args.show, printer, |run, printer| {
        if let Some(path) = &args.show.plot {
            plot(&run, "", path, args.show.below(&settings), printer)?;
        }
        if printer.json() {
            return found.push(&run.measurement);
        }
        let manner = printer.manner(args.show.all);
        if args.show.explain {
            printer.out(&table::receipt(&run.measurement, manner))?;
        }
        printer.out(&table::measurement(&run.measurement, manner))?;
        args.show.budgets(&run.measurement, printer)
    })?;
    if printer.json() {
        printer.out_list(found, None)?;
    }
    Ok(Exit::Done)
}

/// Estimates the delay between the channels and prints the sheet lines.
fn delay(
    args: &Args,
    capture: &Capture,
    settings: &Settings,
    printer: &Printer,
) -> Result<Exit, Failure> {
    let knowledge = Knowledge::of(&capture.sheet).map_err(AnalysisError::from)?;
    let mut all = JsonList::new(Form::Delays);
    args.capture.each(capture, settings, &args.show, printer, |run, printer| {
        let found = analysis::estimate_delay(&run, &knowledge)?.map_err(|refusal| {
            Failure::usage(
                format!("{}: {refusal}", capture.data.display()),
                refusal.help.to_owned(),
            )
        })?;
        if printer.json() { all.push(&found) } else { printer.out(&report::delay::text(&found)) }
    })?;
    if printer.json() {
        printer.out_list(all, None)?;
    }
    Ok(Exit::Done)
}

impl CaptureArgs {
    /// The record that was asked for, from 0, of `count`.
    pub(super) fn chosen(&self, capture: &Capture, count: usize) -> Result<Option<usize>, Failure> {
        match self.record {
            None => Ok(None),
            Some(number) if (1..=count).contains(&number) => Ok(Some(number - 1)),
            Some(number) => Err(Failure::usage(
                format!("{}: no record {number}", capture.data.display()),
                format!("it has {count}, counted from 1"),
            )),
        }
    }

    /// Measures the record that was asked for, or each in turn, and hands them on.
    pub(super) fn each(
        &self,
        capture: &Capture,
        settings: &Settings,
        show: &ShowArgs,
        printer: &Printer,
        mut take: impl FnMut(Run, &Printer) -> Result<(), Failure>,
    ) -> Result<(), Failure> {
        let watch = Watch::new(printer);
        let recording = Recording::read(capture.clone(), &settings.read, &watch)?;
        let count = recording.records().len();
        let wanted = match self.chosen(capture, count)? {
            None => 0..count,
            Some(k) => k..k + 1,
        };
        if show.plot.is_some() && wanted.len() > 1 {
            return Err(Failure::usage(
                format!(
                    "{}: the file has {count} records, but a picture shows one",
                    capture.data.display()
                ),
                "choose one with --record N, from 1",
            ));
        }
        if wanted.len() > 1 {
            printer.note(&format!("{count} records; each is measured on its own"));
        }
        for k in wanted {
            let run = analysis::measure_record(&recording, k, settings, &watch)?;
            take(run, printer)?;
        }
        Ok(())
    }
}

/// How a picture is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum PictureKind {
    Svg,
    #[cfg(feature = "png")]
    Png,
}

impl PictureKind {
    /// The bytes of the file of a picture.
    pub(super) fn bytes(self, svg: String) -> Result<Vec<u8>, Failure> {
        match self {
            Self::Svg => Ok(svg.into_bytes()),
            #[cfg(feature = "png")]
            Self::Png => report::raster::png(&svg, 1.5)
                .map_err(|error| Failure::new(ErrorCode::NoReport, error.to_string(), None)),
        }
    }
}

/// How a picture is written, by the ending of its file.
pub(crate) fn plot_kind(path: &Path) -> Result<PictureKind, Failure> {
    let ending = path.extension().and_then(|ending| ending.to_str()).map(str::to_ascii_lowercase);
    match ending.as_deref() {
        Some("svg") => Ok(PictureKind::Svg),
        #[cfg(feature = "png")]
        Some("png") => Ok(PictureKind::Png),
        #[cfg(not(feature = "png"))]
        Some("png") => Err(Failure::usage(
            format!("{}: this build draws no .png", path.display()),
            "end the name in .svg, or build with `cargo build --release --features png`",
        )),
        _ => Err(Failure::usage(
            format!("{}: pictures are written as .svg or .png", path.display()),
            "end the name in .svg or .png",
        )),
    }
}

/// Name of the file of a run, and its load.
fn titles(run: &Run, said: &str) -> (String, String) {
    let capture = &run.measurement.capture;
    let load = capture.load_ohm;
    let load = load.map_or("load not stated".into(), |ohm| format!("load {ohm} Ω (nominal)"));
    let name = Path::new(&capture.file).file_name();
    let title = name.map_or_else(|| capture.file.clone(), |n| n.to_string_lossy().into_owned());
    (title, format!("{said}{load}"))
}

/// Draws a run to a file, and another capture under it where one is named; `said` comes before the load
/// under the title.
pub(super) fn plot(
    run: &Run,
    said: &str,
    path: &Path,
    (below, settings): (Option<&Path>, &Settings),
    printer: &Printer,
) -> Result<(), Failure> {
    let fail =
        |error: &dyn std::error::Error| Failure::new(ErrorCode::NoReport, error.to_string(), None);
    let sketch = run.sketch(Detail::Page).map_err(AnalysisError::from)?;
    let (title, subtitle) = titles(run, said);
    let mut shown = vec![Shown { sketch: &sketch, title: &title, subtitle: &subtitle }];
    let other = match below {
        None => None,
        Some(capture) => {
            let capture = resolve(capture, None, &[])?;
            let run = analysis::measure_capture(capture, settings, &Watch::new(printer))?;
            Some((run.sketch(Detail::Page).map_err(AnalysisError::from)?, titles(&run, "")))
        }
    };
    if let Some((sketch, (title, subtitle))) = &other {
        shown.push(Shown { sketch, title, subtitle });
    }
    let svg = picture::svg(&shown).map_err(|error| fail(&error))?;
    write_whole(path, &plot_kind(path)?.bytes(svg)?)?;
    printer.note(&format!("picture in {}", path.display()));
    Ok(())
}
