//! `crestbook report`.

use super::exit::{Exit, Failure};
use super::printer::Printer;
use crate::explain::{ErrorCode, Explain};
use crate::files::WholeFile;
use crate::job::RESULTS;
use crate::report::job as report;
use crate::result::Form;
use crate::verification::JobResult;
use std::path::{Path, PathBuf};

/// `crestbook report`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Result of a job (results/result.json), or the job's folder
    result: PathBuf,

    /// Report to write: .html, .pdf, .json or .csv
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,

    /// Overwrite an existing file
    #[arg(long)]
    force: bool,

    #[cfg(feature = "pdf")]
    #[command(flatten)]
    pdf: PdfArgs,
}

/// Flags of PDF reports.
#[cfg(feature = "pdf")]
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "PDF")]
struct PdfArgs {
    /// Part of ISO 19005 (PDF/A) that the file keeps to
    #[arg(long, value_name = "PART", default_value = "1b", value_parser = ["1b", "2b", "3b"])]
    archive_part: String,

    /// Typst file that lays out the report, instead of the built-in one
    #[arg(long, value_name = "FILE")]
    template: Option<PathBuf>,

    /// Picture (.svg, .png, .jpg) at the head of the first page
    #[arg(long, value_name = "FILE")]
    letterhead: Option<PathBuf>,
}

/// Runs `crestbook report`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let ending = args.output.extension().map(|ending| ending.to_string_lossy().into_owned());
    let ending = ending.unwrap_or_default();
    let Some(kind) = report::report(&ending) else {
        return Err(no_report(&args.output, &ending));
    };
    if args.output.exists() && !args.force {
        return Err(Failure::usage(
            format!("{}: a file of this name already exists", args.output.display()),
            "choose another name, or overwrite it with --force",
        ));
    }
    let mut result = read(&args.result)?;
    if !result.is_unchanged().map_err(|error| failed(error.into()))? {
        printer.note("this result was edited, or made by an older version: its seal does not fit");
    }
    let mut out = WholeFile::create(&args.output)?;
    (kind.write)(&result, &look(args)?, &mut out).map_err(failed)?;
    out.finish()?;
    printer.note(&format!("report in {}", args.output.display()));
    Ok(Exit::Done)
}

fn no_report(output: &Path, ending: &str) -> Failure {
    if ending.eq_ignore_ascii_case("pdf") {
        return Failure::usage(
            "this build of the program makes no PDF",
            "build it with `cargo build --release --features pdf`, or write .html and print that",
        );
    }
    let known: Vec<String> =
        report::REPORTS.iter().map(|report| format!(".{}", report.ending)).collect();
    Failure::usage(
        format!("{}: no report has this ending", output.display()),
        format!("end the name in one of: {}", known.join(", ")),
    )
}

fn failed(error: report::ReportError) -> Failure {
    Failure::new(ErrorCode::NoReport, error.to_string(), None)
}

fn read(named: &Path) -> Result<JobResult, Failure> {
    let path = if named.is_dir() { named.join(RESULTS).join("result.json") } else { named.into() };
    let bytes = std::fs::read(&path).map_err(|error| {
        let message = format!("{}: can't read the result: {error}", path.display());
        let help = "name results/result.json of a job, or its folder after `crestbook job`";
        Failure::new(ErrorCode::Unreadable, message, Some(help.into())).about(&path)
    })?;
    Form::Job.read(&bytes).map_err(|error| {
        let message = format!("{}: {error}", path.display());
        Failure::new(error.code(), message, error.help()).about(&path)
    })
}

#[cfg(not(feature = "pdf"))]
fn look(_: &Args) -> Result<report::Look, Failure> {
    Ok(report::Look { made_at: jiff::Timestamp::now(), ..report::Look::default() })
}

#[cfg(feature = "pdf")]
fn look(args: &Args) -> Result<report::Look, Failure> {
    let archive_part = match args.pdf.archive_part.as_str() {
        "2b" => report::ArchivePart::A2b,
        "3b" => report::ArchivePart::A3b,
        _ => report::ArchivePart::A1b,
    };
    let read = |path: &Path| {
        std::fs::read(path).map_err(|error| {
            let message = format!("{}: can't read it: {error}", path.display());
            Failure::usage(message, "check the path")
        })
    };
    let letterhead = match &args.pdf.letterhead {
        None => None,
        Some(path) => {
            let name = path.file_name().map(|name| name.to_string_lossy().into_owned());
            Some(report::Letterhead { name: name.unwrap_or_default(), bytes: read(path)? })
        }
    };
    let template = args.pdf.template.as_ref().map(|path| read(path)).transpose()?;
    let template = template
        .map(String::from_utf8)
        .transpose()
        .map_err(|_| Failure::usage("the template is not UTF-8 text", "give a typst file"))?;
    let folder = args.pdf.template.as_ref().and_then(|path| path.parent()).map(Path::to_owned);
    let made_at = jiff::Timestamp::now();
    Ok(report::Look { archive_part, template, folder, letterhead, made_at })
}
