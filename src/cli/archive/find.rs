//! `crestbook archive list`, `show`, `diff`, `log` and `export`.

use super::StoreArgs;
use crate::archive::{Archive, ArchiveError, Document, Entry, Filter, Found};
use crate::check::Verdict;
use crate::cli::exit::{Exit, Failure, refuse_existing};
use crate::cli::printer::{JsonList, Printer};
use crate::cli::progress::{catch_interrupts, stopped};
use crate::explain::ErrorCode;
use crate::files::WholeFile;
use crate::report::archive::{rows as archive_rows, text};
use crate::report::job::{ReportError, quoted};
use crate::report::long::{self, Row};
use crate::result::Form;
use crate::units::day_of;
use crate::verification::{JobResult, changes};
use serde::Serialize;
use std::path::PathBuf;

/// What is looked for.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Which results")]
pub(super) struct FilterArgs {
    /// Model, serial or inventory number of the unit
    #[arg(long, value_name = "TEXT")]
    unit: Option<String>,

    /// Serial number
    #[arg(long, value_name = "TEXT")]
    serial: Option<String>,

    /// Setting, or the unit's own label of one
    #[arg(long, value_name = "TEXT")]
    mode: Option<String>,

    /// From this day on
    #[arg(long, value_name = "DAY", value_parser = day)]
    from: Option<String>,

    /// Up to this day
    #[arg(long, value_name = "DAY", value_parser = day)]
    to: Option<String>,

    /// Verdict. Repeatable
    #[arg(long, value_name = "WORDS", value_parser = verdict)]
    verdict: Vec<Verdict>,

    /// As found or as left
    #[arg(long, value_name = "STATE", value_parser = ["as found", "as left"])]
    state: Option<String>,

    /// Someone who took part
    #[arg(long, value_name = "NAME")]
    person: Option<String>,

    /// In this role
    #[arg(long, value_name = "ROLE")]
    role: Option<String>,

    /// Where it was measured
    #[arg(long, value_name = "TEXT")]
    place: Option<String>,

    /// Words that all occur in what is known of the result
    #[arg(long, value_name = "WORDS")]
    words: Option<String>,

    /// Results that were replaced, too
    #[arg(long)]
    replaced: bool,
}

pub(super) fn day(text: &str) -> Result<String, String> {
    day_of(text).map(|day| day.to_string()).ok_or_else(|| "write a day as 2026-03-02".into())
}

fn verdict(words: &str) -> Result<Verdict, String> {
    Verdict::parse(&words.replace(['-', '_'], " ")).ok_or_else(|| {
        let names: Vec<&str> = Verdict::ALL.iter().map(|verdict| verdict.words()).collect();
        format!("say one of: {}", names.join(", "))
    })
}

impl FilterArgs {
    fn filter(&self, most: Option<usize>) -> Filter {
        Filter {
            unit: self.unit.clone(),
            serial: self.serial.clone(),
            mode: self.mode.clone(),
            from: self.from.clone(),
            to: self.to.clone(),
            verdicts: self.verdict.clone(),
            state: self.state.clone(),
            person: self.person.clone(),
            role: self.role.clone(),
            place: self.place.clone(),
            words: self.words.clone(),
            replaced: self.replaced,
            most,
        }
    }
}

/// `crestbook archive list`.
#[derive(Debug, clap::Args)]
pub(super) struct List {
    #[command(flatten)]
    filter: FilterArgs,

    /// Results to show; 0 for all
    #[arg(long, value_name = "N", default_value_t = 50)]
    most: usize,

    /// As comma-separated values
    #[arg(long, conflicts_with = "json")]
    csv: bool,
}

/// Runs `crestbook archive list`.
pub(super) fn list(args: &List, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let mut archive = store.open()?;
    let most = (args.most > 0).then_some(args.most);
    let mut found = Vec::new();
    archive.list(&args.filter.filter(most.map(|most| most + 1)), |one| {
        found.push(one);
        Ok(())
    })?;
    let more = most.is_some_and(|most| found.len() > most);
    found.truncate(most.unwrap_or(usize::MAX));
    if more && (printer.json() || args.csv) {
        printer.note(&format!("only the newest {} are written; --most 0 writes all", found.len()));
    }
    if printer.json() {
        let mut list = JsonList::new(Form::Entries);
        found.iter().try_for_each(|one| list.push(one))?;
        printer.out_records(list, None)?;
    } else if args.csv {
        printer.out(&csv_of(&found)?)?;
    } else {
        printer.out(&text::list(&found, more, printer.manner(false)))?;
    }
    Ok(Exit::Done)
}

fn csv_of(found: &[Found]) -> Result<String, Failure> {
    let fail = |error: csv::Error| Failure::new(ErrorCode::Internal, error.to_string(), None);
    let mut out = csv::Writer::from_writer(Vec::new());
    let heads = [
        "entry",
        "day",
        "model",
        "serial",
        "inventory",
        "state",
        "verdict",
        "report",
        "place",
        "department",
        "next_due",
        "replaces",
        "replaced_by",
        "sha256",
    ];
    out.write_record(heads).map_err(fail)?;
    let optional = |number: Option<u64>| number.map_or(String::new(), |number| number.to_string());
    for one in found {
        let facts = &one.facts;
        let row = [
            one.entry.to_string(),
            facts.day.clone(),
            quoted(&facts.model),
            quoted(&facts.serial),
            quoted(&facts.inventory),
            facts.state.clone(),
            facts.verdict.map_or(String::new(), |verdict| verdict.words().to_owned()),
            quoted(&facts.report),
            quoted(&facts.place),
            quoted(&facts.department),
            facts.next_due.clone(),
            optional(one.replaces),
            optional(one.replaced_by),
            one.sha256.to_string(),
        ];
        out.write_record(row).map_err(fail)?;
    }
    let bytes = out
        .into_inner()
        .map_err(|error| Failure::new(ErrorCode::Internal, error.to_string(), None))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// `crestbook archive show`.
#[derive(Debug, clap::Args)]
pub(super) struct Show {
    /// Number of the entry, or first digits of the result's SHA-256
    entry: String,

    /// Lay out the result and the files it rests on in this folder
    #[arg(long, value_name = "FOLDER")]
    extract: Option<PathBuf>,

    /// Print the document of the result as it was added
    #[arg(long, conflicts_with_all = ["extract", "json"])]
    document: bool,
}

#[derive(Serialize)]
struct Shown<'a> {
    schema: Form,
    #[serde(flatten)]
    found: &'a Found,
    log: &'a Entry,
    about: &'a [Entry],
}

/// Runs `crestbook archive show`.
pub(super) fn show(args: &Show, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let mut archive = store.open()?;
    let number = archive.find(&args.entry)?;
    let (entry, document) = archive.result(number)?;
    if args.document {
        printer.out(&String::from_utf8_lossy(&document))?;
        return Ok(Exit::Done);
    }
    if let Some(folder) = &args.extract {
        if folder.exists() && std::fs::read_dir(folder).is_ok_and(|mut all| all.next().is_some()) {
            return Err(Failure::usage(
                format!("{}: the folder is not empty", folder.display()),
                "name a new folder",
            ));
        }
        let written = archive.lay_out(number, folder)?;
        printer.note(&format!("{} files in {}", written.len(), folder.display()));
        return Ok(Exit::Done);
    }
    let found = archive.found(number)?;
    let about = archive.about(number)?;
    if printer.json() {
        printer.out_json(&Shown {
            schema: Form::Entry,
            found: &found,
            log: &entry,
            about: &about,
        })?;
    } else {
        printer.out(&text::shown(&found, &entry, &about, printer.manner(false)))?;
    }
    Ok(Exit::Done)
}

/// `crestbook archive diff`.
#[derive(Debug, clap::Args)]
pub(super) struct Diff {
    /// The earlier result: number of its entry, or first digits of its SHA-256
    a: String,

    /// The later one
    b: String,

    /// Show what lies within U, too
    #[arg(long)]
    all: bool,
}

/// The job that an entry holds.
pub(super) fn job(archive: &mut Archive, named: &str) -> Result<(u64, JobResult), Failure> {
    let number = archive.find(named)?;
    let (_, document) = archive.result(number)?;
    match read(number, &document)? {
        Document::Job(job) => Ok((number, *job)),
        _ => Err(Failure::usage(
            format!("entry {number} is the result of one capture, not of a job"),
            "name the result of a job",
        )),
    }
}

fn read(number: u64, document: &[u8]) -> Result<Document, ArchiveError> {
    Document::read(document)
        .map_err(|error| ArchiveError::Document { name: format!("entry {number}"), error })
}

/// Runs `crestbook archive diff`.
pub(super) fn diff(args: &Diff, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let mut archive = store.open()?;
    let (a, before) = job(&mut archive, &args.a)?;
    let (b, after) = job(&mut archive, &args.b)?;
    let change = changes(&format!("entry {a}"), &before, &after);
    if printer.json() {
        printer.out_json(&change)?;
        return Ok(Exit::Done);
    }
    let name = |number: u64, job: &JobResult| {
        let day = job.job.last_day.clone().unwrap_or_default();
        format!("entry {number} ({} {day})", job.job.state)
    };
    let names = (name(a, &before), name(b, &after));
    printer.out(&text::change(
        (&names.0, &names.1),
        &change,
        args.all,
        printer.manner(args.all),
    ))?;
    Ok(Exit::Done)
}

/// `crestbook archive log`.
#[derive(Debug, clap::Args)]
pub(super) struct Log {
    /// Acts about this entry alone
    #[arg(value_name = "ENTRY")]
    entry: Option<String>,
}

/// Runs `crestbook archive log`.
pub(super) fn log(args: &Log, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let mut archive = store.open()?;
    let mut list = JsonList::new(Form::Entries);
    let mut text = String::new();
    let mut push = |entry: &Entry| -> Result<(), Failure> {
        if printer.json() {
            list.push(entry)?;
        } else {
            text.push_str(&text::log_line(entry));
        }
        Ok(())
    };
    match &args.entry {
        Some(named) => {
            let number = archive.find(named)?;
            push(&archive.entry(number)?)?;
            archive.about(number)?.iter().try_for_each(&mut push)?;
        }
        None => {
            let mut failed = None;
            archive.log(|entry| {
                push(&entry).map_err(|failure| {
                    failed = Some(failure);
                    ArchiveError::Interrupted
                })
            })?;
            if let Some(failure) = failed {
                return Err(failure);
            }
        }
    }
    if printer.json() {
        printer.out_records(list, None)?
    } else {
        printer.out(&text)?
    }
    Ok(Exit::Done)
}

/// `crestbook archive export`.
#[derive(Debug, clap::Args)]
pub(super) struct Export {
    #[command(flatten)]
    filter: FilterArgs,

    /// Table to write: .csv or .parquet
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,

    /// Overwrite an existing file
    #[arg(long)]
    force: bool,
}

/// Runs `crestbook archive export`.
pub(super) fn export(args: &Export, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let ending = args.output.extension().unwrap_or_default().to_string_lossy().to_lowercase();
    refuse_existing(&args.output, args.force)?;
    if !matches!(ending.as_str(), "csv" | "parquet") {
        return Err(Failure::usage(
            format!("{}: no table has this ending", args.output.display()),
            "end the name in .csv or .parquet",
        ));
    }
    let mut archive = store.open()?;
    let numbers = archive.numbers(&args.filter.filter(None))?;
    let mut out = WholeFile::create(&args.output)?;
    catch_interrupts();
    let failed = |error: ReportError| Failure::new(ErrorCode::NoReport, error.0, None);
    let mut broken: Option<ArchiveError> = None;
    let count = numbers.len();
    {
        let mut groups = numbers.into_iter().rev().map_while(|number| {
            if stopped() {
                broken = Some(ArchiveError::Interrupted);
                return None;
            }
            archive_rows(&mut archive, number).map_err(|error| broken = Some(error)).ok()
        });
        if ending == "csv" {
            let mut header = true;
            for rows in groups.by_ref() {
                long::csv(&rows, header, &mut out).map_err(failed)?;
                header = false;
            }
            if header {
                long::csv(&[], true, &mut out).map_err(failed)?;
            }
        } else {
            parquet(groups, &mut out)?;
        }
    }
    if let Some(error) = broken {
        return Err(error.into());
    }
    out.finish()?;
    printer.note(&format!("{count} results in {}", args.output.display()));
    Ok(Exit::Done)
}

#[cfg(feature = "parquet")]
fn parquet(groups: impl Iterator<Item = Vec<Row>>, out: &mut WholeFile) -> Result<(), Failure> {
    /// Rows of a group: small groups make large files.
    const GROUP: usize = 100_000;
    let mut groups = groups.peekable();
    let pieces = std::iter::from_fn(|| {
        groups.peek()?;
        let mut piece = Vec::new();
        while piece.len() < GROUP
            && let Some(rows) = groups.next()
        {
            piece.extend(rows);
        }
        Some(piece)
    });
    long::parquet(pieces, out).map_err(|error| Failure::new(ErrorCode::NoReport, error.0, None))
}

#[cfg(not(feature = "parquet"))]
fn parquet(_: impl Iterator<Item = Vec<Row>>, _: &mut WholeFile) -> Result<(), Failure> {
    Err(Failure::usage(
        "this build of the program writes no Parquet",
        "build it with `cargo build --release --features parquet`, or write .csv",
    ))
}
