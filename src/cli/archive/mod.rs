//! `crestbook archive`: what is kept over the years.

mod add;
mod find;
mod keep;
mod prove;
mod recompute;
mod trend;

use super::exit::{Exit, Failure};
use super::printer::Printer;
use super::source::StoreArgs;
use crate::archive::{PrivateKey, Stamp};
use std::path::PathBuf;

/// Variable that names who acts.
const BY: &str = "CRESTBOOK_BY";

/// `crestbook archive`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(subcommand)]
    command: Sub,

    #[command(flatten)]
    store: StoreArgs,
}

/// Who does something.
#[derive(Debug, clap::Args)]
pub(super) struct StampArgs {
    /// Who does this [default: the variable `CRESTBOOK_BY`]
    #[arg(long, value_name = "NAME")]
    by: Option<String>,

    /// Private key that signs the checkpoint afterwards
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
}

impl StampArgs {
    fn stamp(&self) -> Result<Stamp, Failure> {
        let by = self.by.clone().or_else(|| std::env::var(BY).ok()).map(|by| by.trim().to_owned());
        let by = by.filter(|by| !by.is_empty()).ok_or_else(|| {
            Failure::usage(
                "it is not said who does this, and the log records it",
                format!("give --by NAME, or set the variable {BY}"),
            )
        })?;
        if by.chars().any(char::is_control) {
            return Err(Failure::usage(
                "the name of who does this has more than one line",
                "give a plain name",
            ));
        }
        let key = self.key.as_deref().map(PrivateKey::read).transpose()?;
        Ok(Stamp { by, key, at: None })
    }
}

#[derive(Debug, clap::Subcommand)]
enum Sub {
    /// Add results, with the captures they rest on
    Add(add::Args),
    /// List results, the newest first
    List(find::List),
    /// Show a result, its files, and what was done about it
    Show(find::Show),
    /// Sign a result
    Sign(add::Sign),
    /// Show what differs between two results
    Diff(find::Diff),
    /// Show a measure of one unit over the years
    Trend(trend::Args),
    /// Check that nothing was changed since it was written
    Verify(prove::Verify),
    /// Write the checkpoint to a file that is kept elsewhere
    Checkpoint(prove::CheckpointArgs),
    /// Write a proof that an entry is in the archive
    Prove(prove::Prove),
    /// Write all numbers as a table, a row for each measure
    Export(find::Export),
    /// List every act
    Log(find::Log),
    /// Show what is due, overdue, or was never verified
    Due(trend::Due),
    /// Write a page about one unit
    Unit(trend::Unit),
    /// Keep the captures of a result whatever their age
    Hold(keep::Hold),
    /// End a hold
    Release(keep::Hold),
    /// Remove captures of old results; the results stay
    RemoveCaptures(keep::Remove),
    /// Copy the archive, also while it is in use
    Backup(keep::Backup),
    /// Make an archive of such a copy
    Restore(keep::Backup),
    /// Keys that sign checkpoints
    Key(prove::Key),
}

/// Runs `crestbook archive`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let store = &args.store;
    match &args.command {
        Sub::Add(args) => add::run(args, store, printer),
        Sub::List(args) => find::list(args, store, printer),
        Sub::Show(args) => find::show(args, store, printer),
        Sub::Sign(args) => add::sign(args, store, printer),
        Sub::Diff(args) => find::diff(args, store, printer),
        Sub::Trend(args) => trend::run(args, store, printer),
        Sub::Verify(args) => prove::verify(args, store, printer),
        Sub::Checkpoint(args) => prove::checkpoint(args, store, printer),
        Sub::Prove(args) => prove::prove(args, store, printer),
        Sub::Export(args) => find::export(args, store, printer),
        Sub::Log(args) => find::log(args, store, printer),
        Sub::Due(args) => trend::due(args, store, printer),
        Sub::Unit(args) => trend::unit(args, store, printer),
        Sub::Hold(args) => keep::hold(args, store, printer),
        Sub::Release(args) => keep::release(args, store, printer),
        Sub::RemoveCaptures(args) => keep::remove(args, store, printer),
        Sub::Backup(args) => keep::backup(args, store, printer),
        Sub::Restore(args) => keep::restore(args, store, printer),
        Sub::Key(args) => prove::key(args, printer),
    }
}
