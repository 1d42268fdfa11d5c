//! `crestbook job`.

mod many;
mod new;
mod plan;

use crate::check::Verdict;
use crate::cli::exit::{Exit, Failure};
use crate::cli::printer::Printer;
use crate::cli::progress::{Watch, catch_interrupts, stopped};
use crate::demo::EXAMPLE_PLAN;
use crate::job::{self, Beginning, Job, RunOptions};
use crate::report::job::text;
use crate::units::day_of;
use crate::verification::{
    JobResult, ManualReading, Person, ReportFacts, UnitFacts, order_of_work,
};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// `crestbook job`.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(super) struct Args {
    #[command(subcommand)]
    command: Option<Sub>,

    /// Folders of jobs
    #[arg(required = true)]
    folder: Vec<PathBuf>,

    /// Compare with another job of the same unit, in place of the one that job.toml names
    #[arg(long, value_name = "FOLDER")]
    against: Option<PathBuf>,

    /// Write the numbers of all jobs as one long table: .csv, or .parquet where it is built in
    #[arg(long, value_name = "FILE")]
    table: Option<PathBuf>,

    /// Overwrite an existing table
    #[arg(long, requires = "table")]
    force: bool,

    /// Measure captures as they are saved and keep the summary up to date, until Ctrl-C
    #[arg(long)]
    watch: bool,

    /// Captures measured at a time [default: all cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    jobs: Option<u16>,

    /// Hash every data file again, changed or not
    #[arg(long)]
    rehash: bool,

    /// Follow links that lead out of the job's folder
    #[arg(long)]
    follow_links: bool,

    /// Accept the plan as it is now; the report states what changed, and this reason
    #[arg(long, value_name = "REASON")]
    accept_plan: Option<String>,
}

#[derive(Debug, clap::Subcommand)]
enum Sub {
    /// Write the folder of a new job: prepared sheets, check list, order of work
    Init(Init),
    /// Add a manual reading
    Note(Note),
    /// Print a plan to start from
    Example,
    /// Check a plan and show its steps, or make one from a table of expected values
    Plan(plan::Args),
    /// Begin a job by answering a few questions
    New(new::Args),
}

#[derive(Debug, clap::Args)]
struct Init {
    /// Folder to write; it must not hold a job
    folder: PathBuf,

    /// Profile with the plan
    #[arg(long, value_name = "FILE")]
    profile: PathBuf,

    /// Capture sheet whose channels, accuracies, instruments and place are copied into all prepared sheets
    #[arg(long, value_name = "SHEET")]
    bench: Option<PathBuf>,

    /// Before or after the service
    #[arg(long, value_name = "STATE", default_value = "as left",
        value_parser = ["as found", "as left"])]
    state: String,

    /// Why the unit is verified
    #[arg(long, value_name = "TEXT")]
    reason: Option<String>,

    /// Folder of the job before the service, for comparison
    #[arg(long, value_name = "FOLDER")]
    as_found: Option<PathBuf>,

    /// Model of the unit [default: the profile's]
    #[arg(long, value_name = "TEXT")]
    model: Option<String>,

    /// Serial number of the unit
    #[arg(long, value_name = "TEXT")]
    serial: Option<String>,

    /// Inventory number of the unit
    #[arg(long, value_name = "TEXT")]
    inventory: Option<String>,

    /// Where
    #[arg(long, value_name = "TEXT")]
    place: Option<String>,

    /// Day or time of the captures, where their sheets do not say
    #[arg(long, value_name = "DAY")]
    taken_at: Option<String>,

    /// What the report is to state, as `KEY=VALUE`: number, laboratory, address, department, customer,
    /// method, condition, received_on, issued_on, deviations, specification, rule_agreed,
    /// authorised_by, amends, country; may be given several times
    #[arg(long, value_name = "KEY=VALUE")]
    report: Vec<String>,

    /// Someone by role, as `ROLE=NAME`; may be given several times
    #[arg(long, value_name = "ROLE=NAME")]
    person: Vec<String>,
}

#[derive(Debug, clap::Args)]
struct Note {
    /// Folder of the job
    folder: PathBuf,

    /// Step of the plan
    step: String,

    /// A number (also `"> 500"`, `"< 0.1"` or `OL`), yes or no, or a note
    #[arg(allow_hyphen_values = true)]
    value: String,

    /// Unit of a number
    unit: Option<String>,

    /// Expanded uncertainty (95 %) of a number, such as "2 %" or "1 mohm"
    #[arg(long, value_name = "TEXT")]
    uncertainty: Option<String>,

    /// By whom
    #[arg(long, value_name = "TEXT")]
    by: Option<String>,

    /// Instrument it was read from: its inventory or serial number
    #[arg(long, value_name = "ID")]
    meter: Option<String>,

    /// Day on which the calibration of that instrument ends
    #[arg(long, value_name = "DAY", requires = "meter")]
    meter_due: Option<String>,

    /// What else is to be said of it
    #[arg(long, value_name = "TEXT")]
    comment: Option<String>,

    /// When, RFC 3339 [default: now]
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
}

/// Runs `crestbook job`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    match &args.command {
        Some(Sub::Init(init)) => begin(init, printer),
        Some(Sub::Note(note)) => add(note, printer),
        Some(Sub::Plan(plan)) => plan::run(plan, printer),
        Some(Sub::New(new)) => new::run(new, printer),
        Some(Sub::Example) => {
            printer.out(EXAMPLE_PLAN)?;
            Ok(Exit::Done)
        }
        None => judge(args, printer),
    }
}

/// Judges one job or several.
fn judge(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    if let (Some(reason), folders) = (&args.accept_plan, &args.folder) {
        for folder in folders {
            for change in job::accept(folder, reason, &now())? {
                printer.note(&format!("accepted: {change}"));
            }
        }
    }
    let how = RunOptions {
        jobs: args.jobs.map(usize::from),
        rehash: args.rehash,
        follow_links: args.follow_links,
        against: args.against.clone(),
    };
    let table = args.table.as_deref().map(|path| many::Table::of(path, args.force)).transpose()?;
    match args.folder.as_slice() {
        [folder] if args.watch => watch(folder, how, printer),
        [folder] if table.is_none() => once(folder, how, printer),
        _ if args.watch => {
            Err(Failure::usage("--watch looks at one job", "name one folder, or leave --watch out"))
        }
        folders => many::several(folders, how, table, printer),
    }
}

fn now() -> String {
    jiff::Timestamp::now().round(jiff::Unit::Second).unwrap_or_default().to_string()
}

fn begin(init: &Init, printer: &Printer) -> Result<Exit, Failure> {
    if let Some(taken) = &init.taken_at
        && day_of(taken).is_none()
    {
        let message = format!("--taken-at {taken} is not a date");
        return Err(Failure::usage(message, "write 2026-03-02 or an RFC 3339 time"));
    }
    let person = |text: &String| match text.split_once('=') {
        Some((role, name)) if !role.trim().is_empty() && !name.trim().is_empty() => {
            Ok(Person { role: role.trim().into(), name: name.trim().into() })
        }
        _ => Err(Failure::usage(
            format!("--person {text} has no role and name"),
            "write it like --person \"measured by=bench engineer 1\"",
        )),
    };
    // Kept as seen from the new folder.
    let as_found = init.as_found.as_ref().map(|path| path.canonicalize().unwrap_or(path.clone()));
    let with = Beginning {
        profile: init.profile.clone(),
        bench: init.bench.clone(),
        state: init.state.clone(),
        reason: init.reason.clone(),
        as_found,
        unit: UnitFacts {
            model: init.model.clone(),
            serial: init.serial.clone(),
            inventory: init.inventory.clone(),
        },
        taken_at: init.taken_at.clone(),
        place: init.place.clone(),
        people: init.person.iter().map(person).collect::<Result<_, _>>()?,
        report: report_facts(&init.report)?,
    };
    begun(&init.folder, &with, printer)
}

/// Reads `KEY=VALUE` pairs as what a report states.
fn report_facts(pairs: &[String]) -> Result<ReportFacts, Failure> {
    let mut table = toml::Table::new();
    for pair in pairs {
        let Some((key, value)) = pair.split_once('=') else {
            let message = format!("--report {pair} has no key and value");
            return Err(Failure::usage(message, "write it like --report number=HF-2026-031"));
        };
        let day = key.trim().ends_with("_on");
        if day && day_of(value).is_none() {
            let message = format!("--report {key}: `{value}` is not a date");
            return Err(Failure::usage(message, "write it like 2026-03-02"));
        }
        table.insert(key.trim().to_owned(), toml::Value::String(value.trim().to_owned()));
    }
    table.try_into().map_err(|error: toml::de::Error| {
        Failure::usage(format!("--report: {}", error.message()), "see `crestbook job init --help`")
    })
}

/// Writes the folder of a new job and says what comes next.
fn begun(folder: &Path, with: &Beginning, printer: &Printer) -> Result<Exit, Failure> {
    let job = job::begin(folder, with)?;
    let captures = job.steps.iter().filter(|step| step.to_capture()).count();
    printer.note(&format!(
        "{} steps, {captures} of them captures; print {}, save captures in {}, then run `crestbook \
         job {}`",
        job.steps.len(),
        folder.join("checklist.html").display(),
        folder.join(job::CAPTURES).display(),
        folder.display()
    ));
    Ok(Exit::Done)
}

fn add(note: &Note, printer: &Printer) -> Result<Exit, Failure> {
    if let Some(at) = &note.at
        && day_of(at).is_none()
    {
        let message = format!("--at {at} is not a time");
        return Err(Failure::usage(message, "write an RFC 3339 time, or leave it out for now"));
    }
    if let Some(due) = &note.meter_due
        && day_of(due).is_none()
    {
        let message = format!("--meter-due {due} is not a date");
        return Err(Failure::usage(message, "write it like 2027-01-31"));
    }
    let reading = ManualReading {
        step: note.step.clone(),
        value: note.value.clone(),
        unit: note.unit.clone(),
        uncertainty: note.uncertainty.clone(),
        meter: note.meter.clone(),
        meter_due: note.meter_due.clone(),
        comment: note.comment.clone(),
        taken_at: Some(note.at.clone().unwrap_or_else(now)),
        by: note.by.clone(),
    };
    job::note(&note.folder, &reading)?;
    let unit = note.unit.as_ref().map_or(String::new(), |unit| format!(" {unit}"));
    printer.note(&format!("{}: {}{unit}", note.step, note.value));
    Ok(Exit::Done)
}

fn exit(result: &JobResult) -> Exit {
    if result.verdict == Verdict::Pass { Exit::Done } else { Exit::NotAPass }
}

/// Ids of the steps in the order of work.
fn order(job: &Job) -> Vec<&str> {
    order_of_work(&job.steps).iter().map(|step| step.id.as_str()).collect()
}

fn once(folder: &Path, how: RunOptions, printer: &Printer) -> Result<Exit, Failure> {
    let job = Job::open(folder)?;
    let watch = Watch::new(printer);
    let ran = job::run(&job, how, &watch)?;
    if printer.json() {
        printer.out_json(&ran.result)?;
    } else {
        printer.out(&text::summary(&ran.result, &order(&job), printer.manner(false)))?;
    }
    // What was judged is shown even where it can't be kept.
    let written = job::write(&job, &ran.result);
    if let Some(error) = ran.not_kept {
        return Err(error.into());
    }
    printer.note(&format!("report in {}", written?.display()));
    Ok(exit(&ran.result))
}

/// How often the folder is looked at.
const PERIOD: Duration = Duration::from_millis(500);

fn watch(folder: &Path, how: RunOptions, printer: &Printer) -> Result<Exit, Failure> {
    catch_interrupts();
    // The first look must succeed; later ones may meet a file in the middle of being edited.
    Job::open(folder)?;
    let (mut last, mut shown) = (job::Stand::default(), job::Stand::default());
    let mut result: Option<JobResult> = None;
    printer.note("watching; end with Ctrl-C");
    while !stopped() {
        let now = job::stand(folder);
        // A file that still grows is left alone until it rests.
        if now == last && now != shown {
            match look(folder, how.clone(), printer) {
                Ok(found) => result = Some(found),
                Err(failure) if failure.exit() == Exit::Interrupted => break,
                Err(failure) if failure.exit() == Exit::Write => return Err(failure),
                Err(failure) => printer.failure(&failure),
            }
            shown = now.clone();
        }
        last = now;
        std::thread::sleep(PERIOD);
    }
    if printer.json()
        && let Some(result) = &result
    {
        printer.out_json(result)?;
    }
    Ok(result.as_ref().map_or(Exit::NotAPass, exit))
}

fn look(folder: &Path, how: RunOptions, printer: &Printer) -> Result<JobResult, Failure> {
    let job = Job::open(folder)?;
    let ran = job::run(&job, how, &Watch::new(printer))?;
    if !printer.json() {
        let text = text::summary(&ran.result, &order(&job), printer.manner(false));
        printer.screen(&text)?;
    }
    job::write(&job, &ran.result)?;
    Ok(ran.result)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verification::Profile;

    #[test]
    fn the_example_is_a_plan() {
        let profile = Profile::read(Path::new("example"), EXAMPLE_PLAN).unwrap();
        assert!(profile.plan.basis.unwrap().contains("from memory"));
        assert!(profile.curve.len() > 1 && !profile.hf_leakage.is_empty());
    }
}
