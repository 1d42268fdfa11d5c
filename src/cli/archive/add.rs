//! `crestbook archive add` and `sign`.

use super::{StampArgs, StoreArgs};
use crate::archive::{AddOptions, Archive, JobLayout, Meaning, Outcome, Parcel};
use crate::cli::exit::{Exit, Failure};
use crate::cli::printer::Printer;
use crate::cli::progress::{catch_interrupts, stopped};
use crate::explain::ErrorCode;
use crate::job::{CAPTURES, RESULTS};
use serde::Serialize;
use std::path::PathBuf;

/// Results that are added in one transaction.
const TOGETHER: usize = 64;

/// Where a job keeps its files.
pub(super) const LAYOUT: JobLayout =
    JobLayout { result: "results/result.json", captures: CAPTURES };

// The layout is the job's own.
const _: () = assert!(matches!(RESULTS.as_bytes(), b"results"));

/// `crestbook archive add`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Folders of jobs, or results that were written with --json
    #[arg(required = true)]
    results: Vec<PathBuf>,

    #[command(flatten)]
    stamp: StampArgs,

    /// What you vouch for
    #[arg(long, value_name = "WORD", value_parser = meaning)]
    meaning: Option<Meaning>,

    /// Keep hashes of captures, not the captures
    #[arg(long)]
    no_raw: bool,

    /// Entry that this result corrects
    #[arg(long, value_name = "ENTRY", requires = "reason")]
    replaces: Option<String>,

    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Option<String>,

    /// Folder of captures, where the archive is begun [default: beside its file]
    #[arg(long, value_name = "FOLDER")]
    captures: Option<PathBuf>,
}

pub(super) fn meaning(word: &str) -> Result<Meaning, String> {
    let names: Vec<&str> = Meaning::ALL.iter().map(|one| one.name()).collect();
    let found = Meaning::ALL.into_iter().find(|one| one.name() == word);
    found.ok_or_else(|| format!("say one of: {}", names.join(", ")))
}

#[derive(Serialize)]
struct Told {
    result: String,
    entry: u64,
    added: bool,
}

/// Runs `crestbook archive add`.
pub(super) fn run(args: &Args, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let stamp = args.stamp.stamp()?;
    if args.replaces.is_some() && args.results.len() > 1 {
        return Err(Failure::usage(
            "one result corrects one entry",
            "add corrections one at a time",
        ));
    }
    // Read first: nothing is begun for a result that can't be read.
    let mut parcels =
        args.results.iter().map(|path| Parcel::read(path, LAYOUT, !args.no_raw)).peekable();
    let first = match parcels.next() {
        Some(first) => first?,
        None => return Ok(Exit::Done),
    };
    let mut archive = Archive::open_or_begin(&store.named()?, args.captures.clone(), &stamp)?;
    if args.captures.is_some() && archive.captures().is_none() {
        printer
            .note("this archive was begun without a place for captures: --captures has no effect");
    }
    let replaces = args.replaces.as_ref().map(|named| archive.find(named)).transpose()?;
    let options = AddOptions {
        meaning: args.meaning,
        raw: !args.no_raw,
        replaces,
        reason: args.reason.clone(),
    };
    catch_interrupts();
    let mut parcels = std::iter::once(Ok(first)).chain(parcels);
    let mut done: Vec<Told> = Vec::new();
    let outcome = loop {
        let piece: Result<Vec<Parcel>, _> = parcels.by_ref().take(TOGETHER).collect();
        let piece = match piece {
            Ok(piece) if piece.is_empty() => break Ok(()),
            Ok(piece) => piece,
            Err(error) => break Err(Failure::from(error)),
        };
        if stopped() {
            break Err(Failure::new(ErrorCode::Interrupted, "interrupted", None));
        }
        match archive.add(&piece, &options, &stamp) {
            Ok(outcomes) => {
                for (parcel, outcome) in piece.iter().zip(outcomes) {
                    let (entry, added) = match outcome {
                        Outcome::Added(entry) => (entry, true),
                        Outcome::Already(entry) => (entry, false),
                    };
                    done.push(Told { result: parcel.name.clone(), entry, added });
                }
            }
            Err(error) => break Err(error.into()),
        }
    };
    if printer.json() {
        if outcome.is_ok() || !done.is_empty() {
            printer.out_json(&done)?;
        }
    } else {
        for one in &done {
            let word = if one.added { "added as entry" } else { "is there already, as entry" };
            printer.out(&format!("{} {word} {}\n", one.result, one.entry))?;
        }
    }
    if outcome.is_err() && !done.is_empty() {
        printer.note(&format!(
            "{} of {} results are in the archive; add the rest again",
            done.len(),
            args.results.len()
        ));
    }
    outcome.map(|()| Exit::Done)
}

/// `crestbook archive sign`.
#[derive(Debug, clap::Args)]
pub(super) struct Sign {
    /// Number of the entry, or first digits of the result's SHA-256
    entry: String,

    /// What the signature means
    #[arg(long, value_name = "WORD", value_parser = meaning)]
    meaning: Meaning,

    /// Remark
    #[arg(long, value_name = "TEXT")]
    reason: Option<String>,

    #[command(flatten)]
    stamp: StampArgs,
}

/// Runs `crestbook archive sign`.
pub(super) fn sign(args: &Sign, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let stamp = args.stamp.stamp()?;
    let mut archive = store.open()?;
    let of = archive.find(&args.entry)?;
    let number = archive.sign(of, args.meaning, args.reason.clone(), &stamp)?;
    printer.note(&format!(
        "entry {number}: {} signed entry {of} ({})",
        stamp.by,
        args.meaning.name()
    ));
    Ok(Exit::Done)
}
