//! `crestbook report`.

use super::exit::{Exit, Failure};
use super::printer::Printer;
use crate::files::WholeFile;
use crate::job::RESULTS;
use crate::report::job as report;
use crate::result::Form;
use crate::verification::JobResult;
use std::io::Write;
use std::path::{Path, PathBuf};

/// `crestbook report`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Result of a job (results/result.json), or the job's folder
    result: PathBuf,

    /// Report to write: .html, .pdf, .json or .csv
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,

    /// Write over a file that is there
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
    /// Archival standard
    #[arg(long, value_name = "PART", default_value = "a-1b", value_parser = ["a-1b", "a-2b", "a-3b"])]
    pdf_standard: String,

    /// Typst file to set the report by, instead of the one that is built in
    #[arg(long, value_name = "FILE")]
    template: Option<PathBuf>,

    /// Picture (.svg, .png, .jpg) to stand at the head of the first page
    #[arg(long, value_name = "FILE")]
    letterhead: Option<PathBuf>,
}

/// Runs `crestbook report`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let ending = args.output.extension().map(|ending| ending.to_string_lossy().to_lowercase());
    let render: fn(&Args, &JobResult, &mut WholeFile) -> Result<(), Failure> =
        match ending.as_deref() {
            Some("html") => |_, result, out| put(out, &report::html(result).map_err(failed)?),
            Some("json") => |_, result, out| report::json(result, out).map_err(failed),
            Some("csv") => |_, result, out| report::csv(result, out).map_err(failed),
            Some("pdf") => |args, result, out| put(out, &pdf(args, result)?),
            _ => {
                return Err(Failure::usage(
                    format!("{}: no report has this ending", args.output.display()),
                    "end the name in .html, .pdf, .json or .csv",
                ));
            }
        };
    if args.output.exists() && !args.force {
        return Err(Failure::usage(
            format!("{}: there is a file of this name already", args.output.display()),
            "choose another name, or write over it with --force",
        ));
    }
    let mut result = read(&args.result)?;
    if !report::unchanged(&mut result).map_err(failed)? {
        printer.note("this result was edited, or made by an older version: its seal does not fit");
    }
    let mut out = WholeFile::create(&args.output)?;
    render(args, &result, &mut out)?;
    out.finish()?;
    printer.note(&format!("report in {}", args.output.display()));
    Ok(Exit::Done)
}

fn put(out: &mut WholeFile, bytes: &[u8]) -> Result<(), Failure> {
    Ok(out.write_all(bytes).map_err(|error| out.fail(error))?)
}

fn failed(error: report::ReportError) -> Failure {
    Failure { exit: Exit::Data, message: error.to_string(), excerpt: None, help: None }
}

fn read(named: &Path) -> Result<JobResult, Failure> {
    let path = if named.is_dir() { named.join(RESULTS).join("result.json") } else { named.into() };
    let bytes = std::fs::read(&path).map_err(|error| Failure {
        exit: Exit::Data,
        message: format!("{}: can't read the result: {error}", path.display()),
        excerpt: None,
        help: Some("name results/result.json of a job, or its folder after `crestbook job`".into()),
    })?;
    Form::Job.read(&bytes).map_err(|error| Failure {
        exit: Exit::Data,
        message: format!("{}: {error}", path.display()),
        excerpt: None,
        help: Some(error.help().into()),
    })
}

#[cfg(not(feature = "pdf"))]
fn pdf(_: &Args, _: &JobResult) -> Result<Vec<u8>, Failure> {
    Err(Failure::usage(
        "this build of the program makes no PDF",
        "build it with `cargo build --release --features pdf`, or write .html and print that",
    ))
}

#[cfg(feature = "pdf")]
fn pdf(args: &Args, result: &JobResult) -> Result<Vec<u8>, Failure> {
    use crate::report::job::pdf::{Look, Standard, pdf};
    let standard = match args.pdf.pdf_standard.as_str() {
        "a-2b" => Standard::A2b,
        "a-3b" => Standard::A3b,
        _ => Standard::A1b,
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
            Some((name.unwrap_or_default(), read(path)?))
        }
    };
    let template = args.pdf.template.as_ref().map(|path| read(path)).transpose()?;
    let template = template
        .map(String::from_utf8)
        .transpose()
        .map_err(|_| Failure::usage("the template is not UTF-8 text", "give a typst file"))?;
    let folder = args.pdf.template.as_ref().and_then(|path| path.parent()).map(Path::to_owned);
    let made_at = jiff::Timestamp::now();
    pdf(result, &Look { standard, template, folder, letterhead, made_at }).map_err(failed)
}
