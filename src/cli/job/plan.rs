//! `crestbook job plan`: a plan checked without a job, or made from a table.

use crate::cli::exit::{Exit, Failure};
use crate::cli::printer::Printer;
use crate::cli::synth::refuse_existing;
use crate::explain::ErrorCode;
use crate::files::write_whole;
use crate::report::table::{Manner, wrapped};
use crate::units::{Unit, significant};
use crate::verification::{Profile, Step, order_of_work, plan_from_table, steps};
use std::path::{Path, PathBuf};

/// `crestbook job plan`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Profile with the plan
    #[arg(required_unless_present = "from", conflicts_with = "from")]
    profile: Option<PathBuf>,

    /// Make a plan from a table of expected values (.csv; docs/job.md has its columns)
    #[arg(long, value_name = "TABLE")]
    from: Option<PathBuf>,

    /// File for that plan [default: standard output]
    #[arg(long, short, value_name = "FILE", requires = "from")]
    output: Option<PathBuf>,

    /// Overwrite it
    #[arg(long, requires = "output")]
    force: bool,
}

/// Runs `crestbook job plan`.
pub(super) fn run(args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    if let Some(table) = &args.from {
        return make(table, args, printer);
    }
    let path = args.profile.clone().unwrap_or_default();
    let profile = Profile::read(&path, &read(&path)?)?;
    printer.out(&shown(&profile, printer.manner(false)))?;
    Ok(Exit::Done)
}

fn read(path: &Path) -> Result<String, Failure> {
    std::fs::read_to_string(path).map_err(|error| {
        let message = format!("{}: can't read it: {error}", path.display());
        Failure::new(ErrorCode::WrongUse, message, Some("check the path".into())).about(path)
    })
}

fn make(table: &Path, args: &Args, printer: &Printer) -> Result<Exit, Failure> {
    let plan = plan_from_table(table, &read(table)?)?;
    // What was made must be a plan.
    Profile::read(&PathBuf::from(format!("the plan made from {}", table.display())), &plan)?;
    match &args.output {
        None => printer.out(&plan)?,
        Some(output) => {
            if !args.force {
                refuse_existing([output])?;
            }
            write_whole(output, plan.as_bytes())?;
            printer
                .note(&format!("plan in {}; `crestbook job plan {0}` checks it", output.display()));
        }
    }
    Ok(Exit::Done)
}

/// Steps in the order of work, the time they take, and what the plan does not state.
fn shown(profile: &Profile, manner: Manner) -> String {
    let steps = steps(profile);
    let order = order_of_work(&steps);
    let captures = order.iter().filter(|step| step.to_capture()).count();
    let (on, off) = profile.plan.duty_s();
    let mut out = format!(
        "{}: {} steps, {captures} captures; {:.0} minutes of activation and rest ({on} s on, {off} s off)\n\n",
        profile.unit.model.as_deref().unwrap_or("unit not stated"),
        steps.len(),
        (captures as f64 * (on + off) / 60.0).ceil()
    );
    for step in &order {
        let mut text = step.what.clone();
        if !step.wanted.is_empty() {
            text.push_str(&format!("; wanted: {}", step.wanted));
        }
        text.push_str(&peaks(step));
        if let Some(host) = &step.shares {
            text.push_str(&format!("; takes the capture of {host}"));
        }
        out.push_str(&wrapped(&format!("  {}:", step.id), &text));
    }
    let missing = missing(profile, &steps);
    if !missing.is_empty() {
        out.push_str(&format!("\n{}\n", manner.heading("not stated in the plan")));
        for one in missing {
            out.push_str(&wrapped("  -", &one));
        }
    }
    out
}

/// Peaks that are to be expected.
fn peaks(step: &Step) -> String {
    let volt = step.expected.peak_v.map(|v| significant(v, Unit::Volt, 2));
    let ampere = step.expected.peak_a.map(|a| significant(a, Unit::Ampere, 2));
    let both: Vec<String> = [volt, ampere].into_iter().flatten().collect();
    if both.is_empty() { String::new() } else { format!("; peaks about {}", both.join(", ")) }
}

/// What a plan mostly states and this one does not.
fn missing(profile: &Profile, steps: &[Step]) -> Vec<String> {
    let mut all = Vec::new();
    let mut push = |there: bool, what: &str| {
        if !there {
            all.push(what.to_owned());
        }
    };
    push(profile.unit.model.is_some(), "unit.model: the model it is for");
    push(profile.plan.basis.is_some(), "plan.basis: where loads and limits come from");
    push(profile.plan.interval_months.is_some(), "plan.interval_months: when the next one is due");
    push(profile.plan.power_1s_max_w.is_some(), "plan.power_1s_max_w: the largest power over 1 s");
    push(!profile.curve.is_empty(), "[[curve]]: power over load");
    push(!profile.ladder.is_empty(), "[[ladder]]: power over the dial");
    push(!profile.hf_leakage.is_empty(), "[[hf_leakage]]: HF current to earth");
    push(!profile.manual.is_empty(), "[[manual]]: what is looked at and read by hand");
    for setting in &profile.setting {
        if setting.limit.is_empty() {
            all.push(format!("limits of the setting {}: it is not judged by itself", setting.id));
        }
    }
    for step in steps.iter().filter(|step| step.setting.is_some() && step.load.is_none()) {
        all.push(format!("the load of the step {}", step.id));
    }
    all
}
