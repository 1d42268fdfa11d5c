//! `crestbook check`.

use super::exit::{Exit, Failure};
use super::measure::{CaptureArgs, ShowArgs, plot, plot_kind};
use super::printer::{JsonList, Printer};
use crate::check::{Verdict, check};
use crate::report::table;
use crate::result::Form;
use crate::verification::Profile;
use std::path::PathBuf;

/// `crestbook check`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    capture: CaptureArgs,

    /// Expected profile of the unit
    #[arg(long, value_name = "FILE")]
    profile: PathBuf,

    /// Setting of the profile; left out: the one the sheet names
    #[arg(long, value_name = "ID")]
    setting: Option<String>,

    #[command(flatten)]
    show: ShowArgs,
}

/// Runs `crestbook check`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let mut settings = args.capture.settings(printer.json())?;
    settings.extras = args.show.extras()?;
    if let Some(path) = &args.show.plot {
        plot_kind(path)?;
    }
    let text = std::fs::read_to_string(&args.profile).map_err(|error| {
        let message = format!("{}: can't read the profile: {error}", args.profile.display());
        Failure::usage(message, "name the profile of the unit with --profile")
    })?;
    let profile = Profile::read(&args.profile, &text)?;
    let capture = args.capture.resolve()?;
    let setting = profile.wanted(args.setting.as_deref(), &capture.sheet)?;
    settings.expect(profile.expected(), setting);
    // What the command line says prevails over the profile.
    settings = args.capture.over(settings)?;
    let mut worst = Verdict::Pass;
    let mut found = JsonList::new(Form::Checks);
    args.capture.each(&capture, &settings, &args.show, printer, |run, printer| {
        let result = check(run.measurement.clone(), profile.expected(), setting);
        worst = worst.max(result.verdict);
        if let Some(path) = &args.show.plot {
            let said = format!("{}: setting {}, ", result.verdict.words(), result.setting);
            plot(&run, &said, path, args.show.below(&settings), printer)?;
        }
        if printer.json() {
            return found.push(&result);
        }
        let manner = printer.manner(args.show.all);
        if args.show.explain {
            printer.out(&table::receipt(&result.measurement, manner))?;
        }
        printer.out(&table::check(&result, manner))?;
        args.show.budgets(&result.measurement, printer)
    })?;
    if printer.json() {
        printer.out_list(found, Some(worst))?;
    }
    Ok(if worst == Verdict::Pass { Exit::Done } else { Exit::NotAPass })
}
