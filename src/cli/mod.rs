//! The command line: parse, call, show.
#![allow(clippy::print_stdout, clippy::print_stderr)]

#[cfg(feature = "archive")]
mod archive;
mod card;
mod check;
mod convert;
mod demo;
mod exit;
mod job;
mod layout;
mod measure;
mod printer;
mod progress;
mod report;
mod sheet_flags;
mod shell;
mod source;
mod synth;

pub use exit::Exit;

use crate::measures::Measure;
use clap::{ColorChoice, Parser, Subcommand};
use printer::Printer;
use std::ffi::OsString;

/// Measures what a high-frequency surgical generator really puts out, from voltage and current
/// sampled across a test load.
#[derive(Debug, Parser)]
#[command(name = "crestbook", version, after_help = crate::report::CAUTIONS)]
pub struct Cli {
    /// What to do
    #[command(subcommand)]
    command: Command,

    /// Print one JSON document instead of text
    #[arg(long, global = true)]
    json: bool,

    /// No progress and no notes on standard error
    #[arg(long, short, global = true)]
    quiet: bool,

    /// Colours; `NO_COLOR` is honoured
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto")]
    color: ColorChoice,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Measure one capture: phases, power, crest factor and more
    Measure(measure::Args),
    /// Measure one capture and compare it with the expected profile
    Check(check::Args),
    /// Write an exact synthetic capture, with its true values beside it
    Synth(synth::Args),
    /// Convert a capture to another format, with its sheet
    Convert(convert::Args),
    /// Show how a text file is read, and save its layout for similar files
    Layout(layout::Args),
    /// Create an invented bench with a whole job, to try things out
    Demo(demo::Args),
    /// Verify a whole unit: from plan, captures and readings to a report
    Job(job::Args),
    /// Write the report of a job to a file
    Report(report::Args),
    /// Show what each setting of a unit puts out, in neutral electrical terms
    Card(card::Args),
    /// Set two units, or one unit at two times, side by side
    Compare(card::CompareArgs),
    /// Find the settings and dials of other units that come nearest to a setting
    Nearest(card::NearestArgs),
    /// Keep results for years: find them, see drift, prove that nothing was altered
    #[cfg(feature = "archive")]
    Archive(archive::Args),
    /// Print completions for a shell
    Completions(shell::Completions),
    /// Print the manual page, or write all of them to a folder
    Man(shell::Man),
}

/// What is caught and told as damage of a file is not printed as a fault of the program.
#[cfg(feature = "parquet")]
fn silence_guarded_panics() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if !crate::ingest::guarded() {
            usual(panic);
        }
    }));
}

/// Joins `--budget MEASURE` to `--budget=MEASURE`: the value can be left out, so that only a word that is a
/// measure is one.
fn joined(arguments: impl Iterator<Item = OsString>) -> Vec<OsString> {
    let mut all: Vec<OsString> = Vec::new();
    for argument in arguments {
        let measure = argument.to_str().is_some_and(|key| Measure::find(key).is_ok());
        match all.last_mut() {
            Some(last) if last == "--budget" && measure => {
                last.push("=");
                last.push(argument);
            }
            _ => all.push(argument),
        }
    }
    all
}

/// Runs the program with the process's own arguments.
#[must_use]
pub fn main() -> Exit {
    main_with(std::env::args_os())
}

/// Runs the program with these arguments, its own name first.
#[must_use]
pub fn main_with(arguments: impl Iterator<Item = OsString>) -> Exit {
    #[cfg(feature = "parquet")]
    silence_guarded_panics();
    let cli = Cli::parse_from(joined(arguments));
    let printer = Printer::new(cli.json, cli.quiet, cli.color);
    let done = match &cli.command {
        Command::Measure(args) => measure::run(args, &printer),
        Command::Check(args) => check::run(args, &printer),
        Command::Synth(args) => synth::run(args, &printer),
        Command::Convert(args) => convert::run(args, &printer),
        Command::Layout(args) => layout::run(args, &printer),
        Command::Demo(args) => demo::run(args, &printer),
        Command::Job(args) => job::run(args, &printer),
        Command::Report(args) => report::run(args, &printer),
        Command::Card(args) => card::run(args, &printer),
        Command::Compare(args) => card::compare(args, &printer),
        Command::Nearest(args) => card::nearest(args, &printer),
        #[cfg(feature = "archive")]
        Command::Archive(args) => archive::run(args, &printer),
        Command::Completions(args) => shell::completions(args, &printer),
        Command::Man(args) => shell::man(args, &printer),
    };
    done.unwrap_or_else(|failure| {
        printer.failure(&failure);
        failure.exit()
    })
}
