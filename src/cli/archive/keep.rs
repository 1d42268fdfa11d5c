//! `crestbook archive hold`, `release`, `remove-captures`, `backup` and `restore`.

use super::{StampArgs, StoreArgs};
use crate::archive::{Archive, ArchiveError, VerifyOptions};
use crate::cli::exit::{Exit, Failure};
use crate::cli::printer::Printer;
use crate::cli::progress::{catch_interrupts, stopped};
use crate::report::archive::text;
use std::path::PathBuf;

/// `crestbook archive hold` and `release`.
#[derive(Debug, clap::Args)]
pub(super) struct Hold {
    /// Number of the entry, or first digits of the result's SHA-256
    entry: String,

    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: String,

    #[command(flatten)]
    stamp: StampArgs,
}

/// Runs `crestbook archive hold`.
pub(super) fn hold(args: &Hold, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let stamp = args.stamp.stamp()?;
    let mut archive = store.open()?;
    let of = archive.find(&args.entry)?;
    let number = archive.hold(of, args.reason.clone(), &stamp)?;
    printer
        .note(&format!("entry {number}: the captures of entry {of} are kept whatever their age"));
    Ok(Exit::Done)
}

/// Runs `crestbook archive release`.
pub(super) fn release(args: &Hold, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let stamp = args.stamp.stamp()?;
    let mut archive = store.open()?;
    let of = archive.find(&args.entry)?;
    let number = archive.release(of, args.reason.clone(), &stamp)?;
    printer.note(&format!("entry {number}: the hold on entry {of} is over"));
    Ok(Exit::Done)
}

/// `crestbook archive remove-captures`.
#[derive(Debug, clap::Args)]
pub(super) struct Remove {
    /// Captures of results before this day
    #[arg(long, value_name = "DAY", value_parser = super::find::day)]
    before: String,

    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: String,

    /// Tell what would be removed, and remove nothing
    #[arg(long)]
    dry_run: bool,

    #[command(flatten)]
    stamp: StampArgs,
}

/// Runs `crestbook archive remove-captures`.
pub(super) fn remove(args: &Remove, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let stamp = args.stamp.stamp()?;
    let mut archive = store.open()?;
    let done = archive.remove_captures(&args.before, args.reason.clone(), args.dry_run, &stamp)?;
    if printer.json() {
        printer.out_json(&done)?;
        return Ok(Exit::Done);
    }
    let count = done.captures.len();
    let words = match (done.entry, count) {
        (_, 0) => "there is no capture to remove".to_owned(),
        (Some(entry), count) => {
            format!("entry {entry}: {count} captures were removed; results and hashes stay")
        }
        (None, count) => format!("{count} captures would be removed"),
    };
    let held = if done.held > 0 { format!("; {} are on hold", done.held) } else { String::new() };
    printer.out(&format!("{words}{held}\n"))?;
    Ok(Exit::Done)
}

/// `crestbook archive backup` and `restore`.
#[derive(Debug, clap::Args)]
pub(super) struct Backup {
    /// Folder of the copy
    folder: PathBuf,
}

fn go_on() -> Result<(), ArchiveError> {
    if stopped() { Err(ArchiveError::Interrupted) } else { Ok(()) }
}

/// Runs `crestbook archive backup`.
pub(super) fn backup(args: &Backup, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    catch_interrupts();
    let done = store.open()?.back_up(&args.folder, go_on)?;
    printer.note(&format!(
        "{} entries and {} captures in {}; `crestbook archive restore` makes an archive of it",
        done.entries,
        done.captures,
        args.folder.display()
    ));
    Ok(Exit::Done)
}

/// Runs `crestbook archive restore`.
pub(super) fn restore(
    args: &Backup,
    store: &StoreArgs,
    printer: &Printer,
) -> Result<Exit, Failure> {
    catch_interrupts();
    let place = store.named()?;
    let done = Archive::restore(&args.folder, &place, go_on)?;
    printer.note(&format!("{} entries and {} captures in {place}", done.entries, done.captures));
    // A copy is as good as what it holds.
    let found = Archive::open(&place)?.verify(&VerifyOptions::default(), |_, _| go_on())?;
    if !found.intact {
        printer.out(&text::verification(&found, printer.manner(false)))?;
        return Ok(Exit::NotAPass);
    }
    printer.note("all of it is as it was written");
    Ok(Exit::Done)
}
