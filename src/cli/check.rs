//! `crestbook check`.

use super::exit::{Exit, Failure};
use super::measure::{CaptureArgs, ShowArgs, plot, plot_kind};
use super::printer::{JsonList, Printer};
use crate::check::{Verdict, check};
use crate::keyfile::nearest;
use crate::profile::Setting;
use crate::report::table;
use crate::result::Form;
use crate::segment::Thresholds;
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
    let stated = capture.sheet.subject.as_ref().and_then(|subject| subject.setting.clone());
    let setting = find_setting(&profile, args, stated)?;
    settings.expected_sequence.clone_from(&setting.sequence);
    // What the command line says prevails over the profile.
    let usual = profile.expected().thresholds(setting, Thresholds::default());
    settings.thresholds = args.capture.thresholds(usual)?;
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

fn find_setting<'a>(
    profile: &'a Profile,
    args: &Args,
    stated: Option<String>,
) -> Result<&'a Setting, Failure> {
    let ids: Vec<&str> = profile.setting.iter().map(|setting| setting.id.as_str()).collect();
    let list = format!("settings of {}: {}", args.profile.display(), ids.join(", "));
    let Some(id) = args.setting.clone().or(stated) else {
        return Err(Failure::usage(
            "neither --setting nor the sheet's subject.setting names a setting",
            list,
        ));
    };
    profile.setting(&id).ok_or_else(|| {
        let near = nearest(&id, ids.iter().copied());
        let near = near.map_or(String::new(), |near| format!("did you mean `{near}`? "));
        Failure::usage(format!("the profile has no setting `{id}`"), format!("{near}{list}"))
    })
}
