//! `crestbook demo`.

use super::exit::{Exit, Failure};
use super::printer::Printer;
use super::progress::Watch;
use std::path::PathBuf;

/// `crestbook demo`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Folder to write; it must not hold a job
    folder: PathBuf,

    /// Five years of half-yearly verifications of two units instead, for the archive
    #[arg(long)]
    years: bool,
}

/// Runs `crestbook demo`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    if args.years {
        crate::demo::lay_out_years(&args.folder, &Watch::new(printer))?;
        printer.note(&format!(
            "five invented years; now run `crestbook archive add {}/*/ --store archive.db --by NAME`",
            args.folder.display()
        ));
        return Ok(Exit::Done);
    }
    crate::demo::lay_out(&args.folder, &Watch::new(printer))?;
    printer.note(&format!("an invented bench; now run `crestbook job {}`", args.folder.display()));
    Ok(Exit::Done)
}
