//! `crestbook report`.

use super::exit::{Exit, Failure, refuse_existing};
use super::printer::Printer;
use super::source::{Read, Sources, StoreArgs};
use crate::explain::ErrorCode;
use crate::files::WholeFile;
use crate::report::job as report;
use crate::verification::JobResult;
use std::path::{Path, PathBuf};

/// `crestbook report`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Result of a job (results/result.json), the job's folder, or with --store the number of an entry
    result: PathBuf,

    /// Report to write: .html, .pdf, .xml (a digital calibration certificate), .json or .csv
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,

    /// Overwrite an existing file
    #[arg(long)]
    force: bool,

    /// Result of the verification before this one, which a digital certificate names with its hash; with --store
    /// it is the one before in the archive
    #[arg(long, value_name = "RESULT")]
    previous: Option<PathBuf>,

    #[cfg(feature = "pdf")]
    #[command(flatten)]
    pdf: PdfArgs,

    #[command(flatten)]
    store: StoreArgs,
}

/// Flags of PDF reports.
#[cfg(feature = "pdf")]
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "PDF")]
struct PdfArgs {
    /// Part of ISO 19005 (PDF/A) that the file keeps to
    #[arg(long, value_name = "PART", default_value = "1b", value_parser = ["1b", "2b", "3b"])]
    archive_part: String,

    /// Put the digital certificate into the PDF, which is then a PDF/A-3b
    #[arg(long)]
    embed: bool,

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
    refuse_existing(&args.output, args.force)?;
    let mut sources = Sources::open(&args.store)?;
    let Read { document: mut result, entry } = sources.job(&args.result)?;
    if !result.is_unchanged().map_err(|error| failed(error.into()))? {
        printer.note("this result was edited, or made by an older version: its seal does not fit");
    }
    let previous = match &args.previous {
        Some(named) => Some(sources.previous(named)?),
        None => sources.before(entry)?,
    };
    let replaced_by = sources.replaced_by(entry)?;
    if let Some(later) = &replaced_by {
        printer.note(&format!("this result no longer counts: it was replaced by {later}"));
    }
    let look = report::Look { previous, replaced_by, ..look(args, &result)? };
    let mut out = WholeFile::create(&args.output)?;
    (kind.write)(&result, &look, &mut out).map_err(failed)?;
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

#[cfg(not(feature = "pdf"))]
fn look(_: &Args, _: &JobResult) -> Result<report::Look, Failure> {
    Ok(report::Look { made_at: jiff::Timestamp::now(), ..report::Look::default() })
}

#[cfg(feature = "pdf")]
fn look(args: &Args, result: &JobResult) -> Result<report::Look, Failure> {
    if args.pdf.embed {
        let absent = report::dcc::absent(result);
        if !absent.is_empty() {
            return Err(Failure::usage(
                "there is no digital certificate to put in: the result does not state all that one needs",
                format!("add to job.toml: {}", absent.join(", ")),
            ));
        }
    }
    let archive_part = match args.pdf.archive_part.as_str() {
        _ if args.pdf.embed => report::ArchivePart::A3b,
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
    Ok(report::Look {
        archive_part,
        template,
        folder,
        letterhead,
        made_at,
        previous: None,
        replaced_by: None,
    })
}
