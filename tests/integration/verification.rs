//! The judging across captures against closed forms and published figures.

use crate::support::{close, write_recipe};
use crestbook::check::Verdict;
use crestbook::job::{self, Beginning, CAPTURES, RunOptions};
use crestbook::recording::Unobserved;
use crestbook::synth::{Output, Recipe, Wave};
use crestbook::trace::Kind;
use crestbook::units::SampleRate;
use crestbook::verification::Profile;
use crestbook::verification::{GroupResult, JobResult, Line, Load, Step};
use std::path::Path;

/// What an ideal bench states: scales to 0.5 %, loads to 0.1 %.
pub const BENCH: &str = "format = 1\n[voltage]\nchannel = 0\nscale = 1.0\nrelative_standard_uncertainty = 0.005\n\
    [current]\nchannel = 1\nscale = 1.0\nrelative_standard_uncertainty = 0.005\n\
    [load]\nrelative_standard_uncertainty = 0.001\n[bench]\ntaken_at = \"2026-03-02\"\n";

pub const CUT: &str =
    "format = 1\n[[setting]]\nid = \"cut\"\ndial = 80.0\nload_ohm = 500.0\nsequence = [\"cut\"]\n";

/// Runs a job over captures of steady sines: `output` gives RMS volts across the load of a step, and
/// the load in hand where that is not the planned one.
fn verify(plan: &str, output: impl Fn(&Step) -> (f64, Option<f64>)) -> JobResult {
    verify_on(BENCH, plan, output)
}

/// The same on a bench of another sheet.
fn verify_on(sheet: &str, plan: &str, output: impl Fn(&Step) -> (f64, Option<f64>)) -> JobResult {
    verify_made(sheet, plan, |step, path, text| {
        let (volt, in_hand) = output(step);
        let Some(Load::Ohm(planned)) = step.load else { panic!("a resistor is planned") };
        sine(path, volt, in_hand.unwrap_or(planned));
        let nominal = |ohm: f64| format!("nominal_ohm = {ohm:?}");
        text.replace(&nominal(planned), &nominal(in_hand.unwrap_or(planned)))
    })
}

/// Runs a job: `make` writes the capture of a step, and gives its sheet from the prepared one.
pub fn verify_made(
    sheet: &str,
    plan: &str,
    make: impl Fn(&Step, &Path, String) -> String,
) -> JobResult {
    let keep = tempfile::tempdir().unwrap();
    let (plan_file, bench) = (keep.path().join("plan.toml"), keep.path().join("bench.toml"));
    std::fs::write(&plan_file, plan).unwrap();
    std::fs::write(&bench, sheet).unwrap();
    let folder = keep.path().join("job");
    let with = Beginning {
        profile: plan_file,
        bench: Some(bench),
        state: "as left".into(),
        ..Beginning::default()
    };
    let job = job::begin(&folder, &with).unwrap();
    for step in job.steps.iter().filter(|step| step.setting.is_some()) {
        let path = folder.join(CAPTURES).join(format!("{}.npy", step.id));
        let sheet = path.with_extension("capture.toml");
        let text = std::fs::read_to_string(&sheet).unwrap();
        let text = text.replacen("format = 1", "format = 1\nsample_rate_hz = 8e6", 1);
        std::fs::write(sheet, make(step, &path, text)).unwrap();
    }
    job::run(&job, RunOptions::default(), &Unobserved).unwrap().result
}

/// 400 kHz for 1 ms at 8 MS/s: whole cycles of 20 samples.
pub fn sine(path: &Path, volt: f64, ohm: f64) {
    let output = Output {
        wave: Wave::Continuous,
        peak_v: volt * 2_f64.sqrt(),
        carrier_hz: 400e3,
        ramp_s: 0.0,
    };
    let recipe = Recipe::single(output, Kind::Cut, SampleRate::new(8e6).unwrap(), 8000, ohm);
    write_recipe(&recipe, path);
}

fn only(result: &JobResult) -> &GroupResult {
    assert_eq!(result.groups.len(), 1);
    &result.groups[0]
}

fn line<'a>(group: &'a GroupResult, measure: &str) -> &'a Line {
    group.lines.iter().find(|line| line.measure == measure).unwrap()
}

/// A source U0 behind Ri: V = U0 R / (R + Ri).
fn across(open: f64, source: f64, ohm: f64) -> f64 {
    open * ohm / (ohm + source)
}

/// P(R) = U0^2 R / (R + Ri)^2 with its largest value U0^2 / (4 Ri) at R = Ri: closed forms of
/// electrical engineering (maximum power transfer). 300 V behind 200 ohm: 112.5 W at 200 ohm.
#[test]
fn a_source_behind_a_resistance_against_the_closed_form() {
    let loads = [100.0, 200.0, 500.0, 1000.0, 2000.0];
    let power = |ohm: f64| 300.0 * 300.0 * ohm / (ohm + 200.0_f64).powi(2);
    let expected: Vec<String> = loads.iter().map(|ohm| format!("{:.6}", power(*ohm))).collect();
    let plan = format!(
        "{CUT}[[curve]]\nid = \"c\"\nsetting = \"cut\"\nloads_ohm = {loads:?}\nexpected_w = [{}]\n\
         tolerance = \"5 %\"\nrated_load_ohm = 200.0\nsource_ohm_min = 190.0\nsource_ohm_max = 210.0\n\
         flatness = 0.2\nflat_from_ohm = 100.0\nflat_to_ohm = 500.0\n",
        expected.join(", ")
    );
    let result = verify(&plan, |step| {
        let Some(Load::Ohm(ohm)) = step.load else { panic!() };
        (across(300.0, 200.0, ohm), None)
    });
    let group = only(&result);
    for (row, ohm) in group.lines.iter().zip(loads) {
        close("power", row.judged.value.unwrap(), power(ohm), 1e-6);
        assert_eq!(row.judged.verdict, Verdict::Pass, "{row:?}");
    }
    let source = group.source.unwrap();
    close("Ri", source.resistance_ohm, 200.0, 1e-6);
    close("U0", source.voltage_v, 300.0, 1e-6);
    assert!(source.fits && line(group, "source_ohm").judged.verdict == Verdict::Pass);
    // 112.5 W at 200 ohm, next 100 W at 100 ohm.
    close("lead", line(group, "rated_load").judged.value.unwrap(), 12.5, 1e-6);
    // 112.5 / (90000 * 500 / 490000) - 1 = 0.225: more than 0.2.
    let flat = line(group, "flatness");
    close("flatness", flat.judged.value.unwrap(), 0.225, 1e-6);
    assert_eq!(flat.judged.verdict, Verdict::Fail);
}

/// A load of 487 ohm is held against the curve at 487 ohm: where the source holds its voltage, 100 V,
/// P = 100^2 / 487 = 20.5339 W; against the 20 W planned at 500 ohm it would be 2.7 % high.
#[test]
fn a_curve_is_read_at_the_load_as_measured() {
    let plan = format!(
        "{CUT}[[curve]]\nid = \"c\"\nsetting = \"cut\"\nloads_ohm = [250.0, 500.0, 1000.0]\n\
         expected_w = [40.0, 20.0, 10.0]\ntolerance = \"2 %\"\n"
    );
    let result = verify(&plan, |step| (100.0, (step.index == 1).then_some(487.0)));
    let row = &only(&result).lines[1];
    close("expected", row.judged.nominal.unwrap(), 100.0 * 100.0 / 487.0, 1e-6);
    close("found", row.judged.value.unwrap(), 100.0 * 100.0 / 487.0, 1e-6);
    assert!(row.what.contains("487.0"));
    // A load far off the curve is not judged by the next one.
    let result = verify(&plan, |step| (100.0, (step.index == 2).then_some(1100.0)));
    let row = &only(&result).lines[2];
    assert_eq!(row.judged.verdict, Verdict::NotMeasured);
    assert!(row.judged.reason.as_ref().unwrap().contains("beyond"));
}

/// Without a statement on the scales nothing that needs U is judged, alone or together.
#[test]
fn no_verdict_rests_on_an_uncertainty_that_is_not_known() {
    let plan = format!(
        "{CUT}[[curve]]\nid = \"c\"\nsetting = \"cut\"\nloads_ohm = [200.0, 500.0, 1000.0]\n\
         expected_w = [50.0, 20.0, 10.0]\ntolerance = \"20 %\"\nrated_load_ohm = 200.0\nflatness = 9.0\n\
         source_ohm_max = 1000.0\n[[ladder]]\nid = \"l\"\nsetting = \"cut\"\ndials = [1.0, 2.0]\n\
         [[hf_leakage]]\nid = \"h\"\nsetting = \"cut\"\npath = \"pole to earth\"\nload_ohm = 200.0\nmax_a = 9.0\n"
    );
    let bare =
        "format = 1\n[voltage]\nchannel = 0\nscale = 1.0\n[current]\nchannel = 1\nscale = 1.0\n";
    // No two captures are alike.
    let volt = |step: &Step| {
        (100.0 * (1.0 + 1e-5 * step.id.len() as f64 + 1e-6 * step.index as f64), None)
    };
    let result = verify_on(bare, &plan, volt);
    let lines: Vec<&Line> = result.groups.iter().flat_map(|group| &group.lines).collect();
    assert_eq!(lines.len(), 8);
    for line in lines {
        assert_eq!(line.judged.verdict, Verdict::NotMeasured, "{line:?}");
        assert!(line.judged.value.is_some() && line.judged.reason.is_some(), "{line:?}");
    }
    // The rule of simple acceptance needs none.
    let simple = plan.replacen("format = 1", "format = 1\n[decision]\nrule = \"simple\"", 1);
    let result = verify_on(bare, &simple, volt);
    let passes = |line: &&Line| line.judged.verdict == Verdict::Pass;
    assert!(result.groups.iter().flat_map(|group| &group.lines).filter(passes).count() >= 5);
}

/// 5, 20, 39.2, 38.4, 80 W: between the third and the fourth the power falls by 0.8 W, 2 % of
/// itself. The scales are known to 1 % of power, but both captures share them: the fall is certain.
#[test]
fn a_ladder_with_a_step_down_fails_there_and_only_there() {
    let powers = [5.0, 20.0, 39.2, 38.4, 80.0];
    let plan = format!(
        "{CUT}[[ladder]]\nid = \"l\"\nsetting = \"cut\"\ndials = [5.0, 20.0, 39.0, 40.0, 80.0]\n\
         lowest_max_w = 4.0\n"
    );
    let result = verify(&plan, |step| ((powers[step.index] * 500.0_f64).sqrt(), None));
    let group = only(&result);
    let verdicts: Vec<Verdict> = group
        .lines
        .iter()
        .filter(|line| line.measure.starts_with("rise"))
        .map(|line| line.judged.verdict)
        .collect();
    assert_eq!(verdicts, [Verdict::Pass, Verdict::Pass, Verdict::Fail, Verdict::Pass]);
    let fall = &group.lines[2].judged;
    close("fall", fall.value.unwrap(), -0.8, 1e-4);
    // Shared: u(P) / P = 0.5 % sqrt 2 = 0.71 % of 0.8 W, k = 1.96: 11 mW.
    assert!(fall.expanded_uncertainty.unwrap() < 0.02, "{fall:?}");
    // 5 W at the lowest number, at most 4 W.
    assert_eq!(line(group, "lowest_w").judged.verdict, Verdict::Fail);
}

/// Published limits of HF leakage (IEC 60601-2-2, 201.8.7.3.101, from memory): 1 % of the rated power
/// into 200 ohm, 50 W -> 50 mA, 70 W -> 59.2 mA; monopolar 150 mA, which is 4.5 W.
#[test]
fn published_leakage_limits() {
    let limit = |more: &str| {
        let plan = format!(
            "{CUT}[[hf_leakage]]\nid = \"h\"\nsetting = \"cut\"\npath = \"pole to earth\"\nload_ohm = 200.0\n{more}"
        );
        Profile::read(Path::new("plan"), &plan).unwrap().hf_leakage[0].limit_a().unwrap()
    };
    close("50 W", limit("share_of_rated = 0.01\nrated_w = 50.0\n"), 0.050, 1e-9);
    // sqrt(0.7 / 200) = 59.16 mA, printed as 59.2.
    close("70 W", limit("share_of_rated = 0.01\nrated_w = 70.0\n"), 0.0592, 1e-3);
    close("150 mA", limit("max_a = 0.15\n").powi(2) * 200.0, 4.5, 1e-9);
}

/// 49 mA and 51 mA against 50 mA, known to 1 % (k = 2): in doubt on both sides.
#[test]
fn leakage_is_judged_with_its_uncertainty() {
    let plan = format!(
        "{CUT}[[hf_leakage]]\nid = \"h\"\nsetting = \"cut\"\npath = \"pole to earth\"\nload_ohm = 200.0\n\
         share_of_rated = 0.01\nrated_w = 50.0\n"
    );
    for (ampere, wanted) in [
        (0.0489, Verdict::Pass),
        (0.0498, Verdict::ConditionalPass),
        (0.0503, Verdict::ConditionalFail),
        (0.0511, Verdict::Fail),
    ] {
        let result = verify(&plan, |_| (ampere * 200.0, None));
        let row = &only(&result).lines[0];
        close("current", row.judged.value.unwrap(), ampere, 1e-6);
        assert_eq!(row.judged.verdict, wanted, "{ampere}: {row:?}");
    }
}

/// 98, 100, 102 W: s = 2 W, 2 % of the mean.
#[test]
fn repeated_activations() {
    let plan = format!(
        "{CUT}[[repeat]]\nid = \"r\"\nsetting = \"cut\"\ncount = 3\nspread = 0.2\ndrift = 0.01\n[plan]\npower_1s_max_w = 101.0\n"
    );
    let powers = [98.0_f64, 100.0, 102.0];
    let result = verify(&plan, |step| ((powers[step.index] * 500.0).sqrt(), None));
    let group = &result.groups[0];
    close("spread", line(group, "spread").judged.value.unwrap(), 0.02, 1e-5);
    // A few milliseconds of output say nothing of a unit that warms up.
    let drift = &line(group, "drift").judged;
    assert_eq!(drift.verdict, Verdict::NotMeasured);
    assert!(drift.reason.as_ref().unwrap().contains("5 s of output"), "{drift:?}");
    // The strongest over 1 s: 102 W against 101 W, as if the short record went on.
    let strongest = &result.groups[1];
    close("strongest", strongest.lines[0].judged.value.unwrap(), 102.0, 1e-5);
    assert!(strongest.lines[0].judged.verdict >= Verdict::ConditionalFail);
    assert!(strongest.notes[0].contains("shorter than 1 s"));
}
