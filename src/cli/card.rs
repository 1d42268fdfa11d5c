//! `crestbook card`, `compare` and `nearest`: what settings put out, in neutral terms.

use super::exit::{Exit, Failure, refuse_existing};
use super::printer::{JsonList, Printer};
use super::source::{Sources, StoreArgs, result_file};
use crate::card::{self, Card, SettingCard};
use crate::explain::{ErrorCode, Explain};
use crate::files::write_whole;
use crate::keyfile;
use crate::report::card::{Axes, Size, map, sheet, text};
use crate::report::job::{Look, ReportError};
use crate::result::{Form, FormError};
use crate::verification::JobResult;
use std::path::{Path, PathBuf};

/// `crestbook card`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Folder of a job, its result.json, or a card that was kept; several make several sheets
    #[arg(required = true)]
    jobs: Vec<PathBuf>,

    /// Sheet to write: .html, .pdf, .json, .svg (a map), or .txt (neutral lines alone)
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,

    /// Short forms for the pocket, not a page for the wall
    #[arg(long)]
    pocket: bool,

    /// Draw a map of all settings to an .svg or .png file
    #[arg(long, value_name = "FILE")]
    map: Option<PathBuf>,

    /// What the map shows: peak voltage over power, or crest factor over duty
    #[arg(long, value_name = "AXES", default_value = "peak-power", value_parser = ["peak-power", "crest-duty"], requires = "map")]
    axes: String,

    /// Show all that was measured
    #[arg(long)]
    all: bool,

    /// Overwrite existing files
    #[arg(long)]
    force: bool,

    #[command(flatten)]
    store: StoreArgs,
}

/// `crestbook compare`.
#[derive(Debug, clap::Args)]
pub(super) struct CompareArgs {
    /// The first: folder of a job, its result.json, or a card
    a: PathBuf,

    /// The second
    b: PathBuf,

    /// Setting to compare, or two as A=B [default: those of the same id]. Repeatable
    #[arg(long, value_name = "ID|A=B")]
    setting: Vec<String>,

    /// Show what lies within U, too
    #[arg(long)]
    all: bool,

    #[command(flatten)]
    store: StoreArgs,
}

/// `crestbook nearest`.
#[derive(Debug, clap::Args)]
pub(super) struct NearestArgs {
    /// Unit whose setting is looked for: folder of a job, its result.json, or a card
    #[arg(long, value_name = "CARD", required_unless_present = "table")]
    to: Option<PathBuf>,

    /// Its setting
    #[arg(long, value_name = "ID", required_unless_present = "table")]
    setting: Option<String>,

    /// Number on its dial [default: that of the setting]
    #[arg(long, value_name = "NUMBER")]
    dial: Option<f64>,

    /// Units to look in
    #[arg(long = "in", value_name = "JOB", num_args = 1.., required_unless_present = "table")]
    within: Vec<PathBuf>,

    /// A whole table from each setting of the first unit to those of the second
    #[arg(long, value_names = ["A", "B"], num_args = 2, conflicts_with_all = ["to", "setting", "dial", "within"])]
    table: Option<Vec<PathBuf>>,

    /// Settings to show
    #[arg(long, value_name = "N", default_value_t = 5)]
    most: usize,

    /// Show each quantity of each setting
    #[arg(long)]
    all: bool,

    #[command(flatten)]
    store: StoreArgs,
}

/// Reads a card, or makes the one of a job's result.
fn read(named: &Path, sources: &mut Sources, printer: &Printer) -> Result<Card, Failure> {
    let path = &result_file(named);
    let bytes = sources.bytes(named)?.document;
    let fail = |error: &dyn Explain| {
        let message = format!("{}: {error}", path.display());
        Failure::new(error.code(), message, error.help()).about(path)
    };
    match Form::Job.read::<JobResult>(&bytes) {
        Ok(mut job) => {
            if !job.is_unchanged().map_err(|error| failed(error.into()))? {
                printer.note(&format!(
                    "{}: this result was edited, or made by an older version: its seal does not fit, so the card \
                     names none",
                    path.display()
                ));
                job.seal = None;
            }
            return Ok(Card::of(&job));
        }
        // A card, perhaps; what is damaged is told as what it is.
        Err(FormError::Other { .. }) => {}
        Err(error) => return Err(fail(&error)),
    }
    let card: Card = Form::Card.read(&bytes).map_err(|error| fail(&error))?;
    match card.fault() {
        None => Ok(card),
        Some(fault) => {
            let help = "make the card again with `crestbook card JOB -o FILE.json`";
            let message = format!("{}: no bench measures {fault}", path.display());
            Err(Failure::new(ErrorCode::WrongDocument, message, Some(help.into())).about(path))
        }
    }
}

fn read_all(
    named: &[PathBuf],
    sources: &mut Sources,
    printer: &Printer,
) -> Result<Vec<Card>, Failure> {
    let cards: Vec<Card> =
        named.iter().map(|path| read(path, sources, printer)).collect::<Result<_, _>>()?;
    for (k, card) in cards.iter().enumerate() {
        let twin = |other: &Card| other.unit == card.unit && other.unit.serial.is_some();
        if cards[..k].iter().any(twin) {
            printer.note(&format!(
                "two of these are of {}: one unit at two times, not two units",
                card.name()
            ));
        }
    }
    Ok(cards)
}

fn failed(error: ReportError) -> Failure {
    Failure::new(ErrorCode::NoReport, error.0, None)
}

/// Refuses to write over what is read.
fn refuse_input(path: &Path, inputs: &[PathBuf]) -> Result<(), Failure> {
    let real = |path: &Path| path.canonicalize().ok();
    let same = |input: &PathBuf| real(path).is_some() && real(path) == real(&result_file(input));
    match inputs.iter().find(|input| same(input)) {
        None => Ok(()),
        Some(_) => Err(Failure::usage(
            format!("{} would be written over, but it is what is read", path.display()),
            "give the sheet another name",
        )),
    }
}

/// Runs `crestbook card`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let kind = match &args.output {
        None => None,
        Some(path) => {
            let ending = path.extension().unwrap_or_default().to_string_lossy().into_owned();
            let kind = sheet(&ending).ok_or_else(|| no_sheet(path, &ending))?;
            refuse_existing(path, args.force)?;
            refuse_input(path, &args.jobs)?;
            if args.pocket && !kind.has_pocket {
                return Err(Failure::usage(
                    format!("--pocket has no effect on .{}", kind.ending),
                    "write .html or .pdf",
                ));
            }
            Some((path, kind))
        }
    };
    let drawn = match &args.map {
        None => None,
        Some(path) => {
            refuse_existing(path, args.force)?;
            refuse_input(path, &args.jobs)?;
            Some((path, super::measure::plot_kind(path)?))
        }
    };
    let cards = read_all(&args.jobs, &mut Sources::open(&args.store)?, printer)?;
    let look = Look { made_at: jiff::Timestamp::now(), ..Look::default() };
    let size = if args.pocket { Size::Pocket } else { Size::Wall };
    if let Some((path, kind)) = kind {
        write_whole(path, &(kind.render)(&cards, size, &look).map_err(failed)?)?;
        printer.note(&format!("sheet in {}", path.display()));
    }
    if let Some((path, kind)) = drawn {
        let axes =
            if args.axes == "crest-duty" { Axes::CrestOverDuty } else { Axes::PeakOverPower };
        let svg = map(&cards, axes).map_err(failed)?;
        write_whole(path, &kind.bytes(svg)?)?;
        printer.note(&format!("map in {}", path.display()));
    }
    if printer.json() {
        let mut list = JsonList::new(Form::Cards);
        cards.iter().try_for_each(|card| list.push(card))?;
        printer.out_list(list, None)?;
    } else if args.output.is_none() && args.map.is_none() {
        printer.out(&text::cards(&cards, printer.manner(args.all)).map_err(failed)?)?;
    }
    Ok(Exit::Done)
}

fn no_sheet(path: &Path, ending: &str) -> Failure {
    if ending.eq_ignore_ascii_case("pdf") {
        return Failure::usage(
            "this build of the program makes no PDF",
            "build it with `cargo build --release --features pdf`, or write .html and print that",
        );
    }
    let known: Vec<String> =
        crate::report::card::SHEETS.iter().map(|one| format!(".{}", one.ending)).collect();
    Failure::usage(
        format!("{}: no sheet has this ending", path.display()),
        format!("end the name in one of: {}", known.join(", ")),
    )
}

/// A setting by its id.
fn setting<'a>(card: &'a Card, id: &str) -> Result<&'a SettingCard, Failure> {
    card.setting(id).ok_or_else(|| {
        let ids: Vec<&str> = card.settings.iter().map(|one| one.id.as_str()).collect();
        let near = keyfile::nearest(id, ids.iter().copied());
        let near = near.map_or(String::new(), |near| format!("did you mean `{near}`? "));
        Failure::usage(
            format!("{} has no setting `{id}`", card.name()),
            format!("{near}it has: {}", ids.join(", ")),
        )
    })
}

/// Runs `crestbook compare`.
pub(super) fn compare(args: &CompareArgs, printer: &Printer) -> Result<Exit, Failure> {
    let mut sources = Sources::open(&args.store)?;
    let (a, b) = (read(&args.a, &mut sources, printer)?, read(&args.b, &mut sources, printer)?);
    let mut pairs = Vec::new();
    for one in &args.setting {
        let (first, second) = one.split_once('=').unwrap_or((one, one));
        setting(&a, first)?;
        setting(&b, second)?;
        pairs.push((first.to_owned(), second.to_owned()));
    }
    let found = card::compare(&a, &b, &pairs);
    if found.rows.is_empty() {
        let why = found.not_compared.join("; ");
        return Err(Failure::usage(
            format!("nothing of {} and {} can be compared: {why}", a.name(), b.name()),
            "name the settings with --setting A=B; they must share a load",
        ));
    }
    if printer.json() {
        printer.out_json(&found)?;
    } else {
        printer.out(&text::comparison(&found, printer.manner(args.all)))?;
    }
    Ok(Exit::Done)
}

/// Runs `crestbook nearest`.
pub(super) fn nearest(args: &NearestArgs, printer: &Printer) -> Result<Exit, Failure> {
    let mut sources = Sources::open(&args.store)?;
    if let Some([a, b]) = args.table.as_deref() {
        let (a, b) = (read(a, &mut sources, printer)?, read(b, &mut sources, printer)?);
        let found = card::nearest::translation(&a, &b);
        if printer.json() {
            let mut list = JsonList::new(Form::Translation);
            found.iter().try_for_each(|one| list.push(one))?;
            printer.out_list(list, None)?;
        } else {
            printer.out(&text::translation(&found, printer.manner(args.all)))?;
        }
        return Ok(Exit::Done);
    }
    let (Some(to), Some(id)) = (&args.to, &args.setting) else {
        return Err(Failure::usage("nothing is looked for", "give --to, --setting and --in"));
    };
    let of = read(to, &mut sources, printer)?;
    let wanted = setting(&of, id)?;
    let dial = match args.dial {
        None => wanted.own_dial(),
        Some(dial) if wanted.dials().contains(&dial) => Some(dial),
        Some(dial) => {
            let dials: Vec<String> = wanted.dials().iter().map(f64::to_string).collect();
            return Err(Failure::usage(
                format!("{id} was not captured at dial {dial}"),
                format!("it was at: {}", dials.join(", ")),
            ));
        }
    };
    let cards = read_all(&args.within, &mut sources, printer)?;
    let cards: Vec<&Card> = cards.iter().collect();
    let found = card::nearest(&of, wanted, dial, &cards, args.most);
    if printer.json() {
        printer.out_json(&found)?;
    } else {
        printer.out(&text::nearest(&found, printer.manner(args.all)))?;
    }
    Ok(Exit::Done)
}
