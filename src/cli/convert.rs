//! `crestbook convert`.

use super::exit::{Exit, Failure};
use super::measure::CaptureArgs;
use super::printer::Printer;
use super::progress::Watch;
use super::synth::refuse_existing;
use crate::convert::convert;
use crate::export;
use crate::files::{WriteError, write_whole};
use crate::recording::Recording;
use crate::synthetic::beside;
use std::path::{Path, PathBuf};

/// `crestbook convert`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    capture: CaptureArgs,

    /// File to write; its ending names the format
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,

    /// Overwrite existing files
    #[arg(long)]
    force: bool,

    /// Do not mark the phases (SigMF); marking needs a measurement
    #[arg(long)]
    no_phases: bool,
}

/// Runs `crestbook convert`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let out = &args.output;
    let Some(format) = export::writable(out) else {
        let known: Vec<&str> = export::endings().collect();
        return Err(Failure::usage(
            format!("{}: no format has this ending", out.display()),
            format!("end the name in one of: {}", known.join(", ")),
        ));
    };
    let settings = args.capture.settings(false)?;
    let capture = args.capture.resolve()?;
    let sheet_file = sheet_of(out);
    refuse_own(out, &capture.data)?;
    if let Some(own) = &capture.sheet_file {
        refuse_own(&sheet_file, own)?;
    }
    // The data of some formats stand in a second file of the same name.
    let mut outputs = vec![out.clone(), sheet_file.clone()];
    outputs.extend(format.numbers.map(|ending| out.with_extension(ending)));
    if !args.force {
        refuse_existing(&outputs)?;
    }
    let watch = Watch::new(printer);
    let recording = Recording::read(capture, &settings.read, &watch)?;
    let capture = recording.capture();
    for read in recording.files() {
        outputs.iter().try_for_each(|out| refuse_own(out, Path::new(&read.file)))?;
    }
    let count = recording.records().len();
    let k = match args.capture.chosen(capture, count)? {
        None if count > 1 => {
            return Err(Failure::usage(
                format!(
                    "{}: the file has {count} records, but a file takes one",
                    capture.data.display()
                ),
                "choose one with --record N, from 1",
            ));
        }
        None => 0,
        Some(k) => k,
    };
    let phases = format.marks && !args.no_phases;
    let done = convert(&recording, k, out, phases, &settings, &watch)?;
    let text = toml::to_string(&done.sheet).map_err(|error| WriteError {
        file: sheet_file.clone(),
        source: std::io::Error::other(error),
    })?;
    write_whole(&sheet_file, text.as_bytes())?;
    printer.note(&format!(
        "{} samples as {} in {}, the sheet in {}",
        done.samples,
        done.numbers,
        out.display(),
        sheet_file.display()
    ));
    Ok(Exit::Done)
}

/// Where the sheet of a new file goes: STEM.capture.toml, or NAME.capture.toml with the ending where
/// the former is made for another data file.
fn sheet_of(out: &Path) -> PathBuf {
    let short = beside(out, "capture.toml");
    let Ok(text) = std::fs::read_to_string(&short) else { return short };
    let told = text.parse::<toml::Table>().ok();
    let data = told.as_ref().and_then(|table| table.get("data")?.as_str());
    let name = out.file_name().map(|name| name.to_string_lossy().into_owned());
    match name {
        Some(name) if data != Some(&name) => out.with_file_name(format!("{name}.capture.toml")),
        _ => short,
    }
}

/// Refuses to put a new file in the place of one that is being read.
fn refuse_own(out: &Path, own: &Path) -> Result<(), Failure> {
    let same = match (out.canonicalize(), own.canonicalize()) {
        (Ok(out), Ok(own)) => out == own,
        _ => false,
    };
    if !same {
        return Ok(());
    }
    Err(Failure::usage(
        format!("{} would be written over while it is read", own.display()),
        "give the new file another name; its sheet takes the name NAME.capture.toml",
    ))
}
