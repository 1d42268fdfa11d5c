//! `crestbook archive trend`, `due` and `unit`.

use super::StoreArgs;
use crate::archive::trend::{Alarm, Asked, Trend};
use crate::archive::{Archive, DueState, Filter, Found, inventory};
use crate::check::Verdict;
use crate::cli::exit::{Exit, Failure, refuse_existing};
use crate::cli::measure::plot_kind;
use crate::cli::printer::{JsonList, Printer};
use crate::explain::ErrorCode;
use crate::files::write_whole;
use crate::measures::Measure;
use crate::report::archive::unit::{TRENDS, UnitSheet, Visit, page_of};
use crate::report::archive::{calendar, plot, text, trend as words};
use crate::report::job::ReportError;
use crate::result::Form;
use crate::units::day_of;
use std::path::PathBuf;

fn failed(error: ReportError) -> Failure {
    Failure::new(ErrorCode::NoReport, error.0, None)
}

/// `crestbook archive trend`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Serial number of the unit
    #[arg(long, value_name = "TEXT")]
    serial: String,

    /// Measure, by its key (docs/measures.md), or what else the plan judges
    #[arg(long, value_name = "KEY", default_value = "power_w")]
    measure: String,

    /// Setting, or entry of the plan
    #[arg(long, value_name = "ID")]
    setting: Option<String>,

    /// Number on the dial
    #[arg(long, value_name = "NUMBER")]
    dial: Option<f64>,

    /// Load in ohm, or `open`
    #[arg(long, value_name = "OHM")]
    load: Option<String>,

    /// Part of the record: whole, cut, coag, rest, cycle
    #[arg(long = "in", value_name = "PART")]
    part: Option<String>,

    /// Model, where several share a serial number
    #[arg(long, value_name = "TEXT")]
    model: Option<String>,

    /// Picture or page to write: .svg, .png or .html
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,

    /// Show all values
    #[arg(long)]
    all: bool,

    /// Overwrite an existing file
    #[arg(long)]
    force: bool,
}

/// Runs `crestbook archive trend`.
pub(super) fn run(args: &Args, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    let page = args
        .output
        .as_ref()
        .is_some_and(|path| path.extension().is_some_and(|ending| ending == "html"));
    let kind = match &args.output {
        Some(path) if !page => Some(plot_kind(path)?),
        _ => None,
    };
    if let Some(path) = &args.output {
        refuse_existing(path, args.force)?;
    }
    let mut archive = store.open()?;
    let asked = Asked {
        serial: args.serial.clone(),
        model: args.model.clone(),
        measure: args.measure.clone(),
        setting: args.setting.clone(),
        dial: args.dial,
        load: args.load.clone(),
        part: args.part.clone(),
    };
    let trend = archive.trend(&asked)?;
    if let Some(path) = &args.output {
        let bytes = match kind {
            None => words::html(&trend).map_err(failed)?,
            Some(kind) => {
                let svg = plot::svg(&trend).map_err(failed)?;
                let svg = svg.ok_or_else(|| {
                    Failure::usage(
                        "no value has a day, so there is nothing to draw",
                        "state `taken_at` in sheets or job",
                    )
                })?;
                kind.bytes(svg)?
            }
        };
        write_whole(path, &bytes)?;
        printer.note(&format!("trend in {}", path.display()));
    }
    if printer.json() {
        printer.out_json(&trend)?;
    } else if args.output.is_none() {
        printer.out(&words::text(&trend, args.all, printer.manner(args.all)))?;
    }
    Ok(Exit::Done)
}

/// `crestbook archive due`.
#[derive(Debug, clap::Args)]
pub(super) struct Due {
    /// Inventory, a .csv file with the columns model, serial, inventory, place
    #[arg(long, value_name = "FILE")]
    inventory: Option<PathBuf>,

    /// Units of this place or department alone
    #[arg(long, value_name = "TEXT")]
    place: Option<String>,

    /// As of this day [default: today]
    #[arg(long, value_name = "DAY", value_parser = super::find::day)]
    on: Option<String>,

    /// Calendar to write: .ics
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,

    /// Overwrite an existing file
    #[arg(long)]
    force: bool,
}

/// Runs `crestbook archive due`.
pub(super) fn due(args: &Due, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    if let Some(path) = &args.output {
        refuse_existing(path, args.force)?;
        if path.extension().is_none_or(|ending| ending != "ics") {
            return Err(Failure::usage(
                format!("{}: a calendar is written as .ics", path.display()),
                "end the name in .ics",
            ));
        }
    }
    let now = jiff::Timestamp::now();
    let today = args.on.as_deref().and_then(day_of);
    let today = today.unwrap_or_else(|| jiff::tz::Offset::UTC.to_datetime(now).date());
    let known = args.inventory.as_deref().map(inventory).transpose()?.unwrap_or_default();
    let mut archive = store.open()?;
    let mut all = archive.due(today, &known)?;
    if let Some(place) = &args.place {
        all.retain(|one| one.place == *place);
    }
    if let Some(path) = &args.output {
        write_whole(path, calendar::ics(&all, now).as_bytes())?;
        printer.note(&format!("calendar in {}", path.display()));
        let without = all.iter().filter(|one| one.next.is_empty()).count();
        if without > 0 {
            printer.note(&format!("{without} units have no day and are not in it"));
        }
    }
    if printer.json() {
        let mut list = JsonList::new(Form::Due);
        all.iter().try_for_each(|one| list.push(one))?;
        printer.out_records(list, None)?;
    } else if args.output.is_none() {
        printer.out(&text::due(&all, printer.manner(false)))?;
    }
    let late = |state: DueState| {
        matches!(state, DueState::Overdue { .. } | DueState::Never | DueState::NotAPass)
    };
    Ok(if all.iter().any(|one| late(one.state)) { Exit::NotAPass } else { Exit::Done })
}

/// `crestbook archive unit`.
#[derive(Debug, clap::Args)]
pub(super) struct Unit {
    /// Serial number of the unit
    serial: String,

    /// Model, where several share a serial number
    #[arg(long, value_name = "TEXT")]
    model: Option<String>,

    /// Page to write: .html or .pdf
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,

    /// Overwrite an existing file
    #[arg(long)]
    force: bool,
}

/// Runs `crestbook archive unit`.
pub(super) fn unit(args: &Unit, store: &StoreArgs, printer: &Printer) -> Result<Exit, Failure> {
    refuse_existing(&args.output, args.force)?;
    let ending = args.output.extension().unwrap_or_default().to_string_lossy().to_lowercase();
    if !matches!(ending.as_str(), "html" | "pdf") {
        return Err(Failure::usage(
            format!("{}: no page has this ending", args.output.display()),
            "end the name in .html or .pdf",
        ));
    }
    let mut archive = store.open()?;
    let sheet = sheet(&mut archive, &args.serial, args.model.as_deref())?;
    let bytes = if ending == "html" { page_of(&sheet).map_err(failed)? } else { pdf(&sheet)? };
    write_whole(&args.output, &bytes)?;
    printer.note(&format!("page in {}", args.output.display()));
    Ok(Exit::Done)
}

#[cfg(feature = "pdf")]
fn pdf(sheet: &UnitSheet) -> Result<Vec<u8>, Failure> {
    crate::report::archive::unit::pdf(sheet, jiff::Timestamp::now()).map_err(failed)
}

#[cfg(not(feature = "pdf"))]
fn pdf(_: &UnitSheet) -> Result<Vec<u8>, Failure> {
    Err(Failure::usage(
        "this build of the program makes no PDF",
        "build it with `cargo build --release --features pdf`, or write .html and print that",
    ))
}

fn sheet(archive: &mut Archive, serial: &str, model: Option<&str>) -> Result<UnitSheet, Failure> {
    let filter = Filter { serial: Some(serial.to_owned()), ..Filter::default() };
    let mut found: Vec<Found> = Vec::new();
    archive.list(&filter, |one| {
        found.push(one);
        Ok(())
    })?;
    found.retain(|one| {
        one.facts.form == Form::Job && model.is_none_or(|model| one.facts.model == model)
    });
    let Some(first) = found.first() else {
        return Err(Failure::usage(
            format!("the archive has no result of a unit with the serial number {serial}"),
            "see `crestbook archive list`",
        ));
    };
    let model = first.facts.model.clone();
    if let Some(other) = found.iter().find(|one| one.facts.model != model) {
        return Err(Failure::usage(
            format!("two models have the serial number {serial}: {model}, {}", other.facts.model),
            "choose one with --model",
        ));
    }
    let mut results = Vec::new();
    for found in found {
        let bad = |verdict: Verdict| matches!(verdict, Verdict::Fail | Verdict::ConditionalFail);
        let (mut failed, mut reason) = (Vec::new(), String::new());
        if found.facts.verdict.is_some_and(bad) || found.facts.state == "as left" {
            let (_, job) = super::find::job(archive, &found.entry.to_string())?;
            let groups = job.groups.iter().filter(|group| bad(group.verdict));
            failed = groups.map(|group| group.title.clone()).collect();
            reason = job.job.reason.unwrap_or_default();
        }
        results.push(Visit { found, failed, reason });
    }
    let trends = leading(archive, serial, &model)?;
    let today = jiff::tz::Offset::UTC.to_datetime(jiff::Timestamp::now()).date();
    let due = archive.due(today, &[])?;
    let due = due.iter().find(|one| one.serial == serial && one.model == model);
    let footer = format!(
        "From the archive {}, {} entries; crestbook {}. ",
        archive.origin().to_owned(),
        archive.checkpoint()?.size,
        env!("CARGO_PKG_VERSION")
    );
    UnitSheet::new(&results, &trends, due, footer).map_err(failed)
}

/// The trends that matter most: what settings are judged by at their own dial and load, powers first; where a plan judges
/// no setting, whatever it judges. Drifting ones stand before the rest.
fn leading(archive: &mut Archive, serial: &str, model: &str) -> Result<Vec<Trend>, Failure> {
    let (mut own, mut others) = (Vec::new(), Vec::new());
    for measure in [Measure::Power, Measure::VoltagePeak, Measure::CrestFactor, Measure::DutyCycle]
    {
        let asked = Asked {
            serial: serial.to_owned(),
            model: Some(model.to_owned()),
            measure: measure.key().to_owned(),
            ..Asked::default()
        };
        for (id, series) in archive.series(&asked)? {
            if !archive.has_limits(id)? {
                continue;
            }
            let kept = if series.part.is_empty() { &mut others } else { &mut own };
            // Enough to choose from.
            if kept.len() < 4 * TRENDS {
                let points = archive.points(id)?;
                kept.push(Trend::of(series, points));
            }
        }
    }
    let mut all = if own.is_empty() { others } else { own };
    all.sort_by_key(|trend| !matches!(trend.alarm, Alarm::Drift { .. }));
    all.truncate(TRENDS);
    Ok(all)
}
