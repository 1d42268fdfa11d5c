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
}

/// Runs `crestbook demo`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    crate::demo::lay_out(&args.folder, &Watch::new(printer))?;
    printer.note(&format!("an invented bench; now run `crestbook job {}`", args.folder.display()));
    Ok(Exit::Done)
}
