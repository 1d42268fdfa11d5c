//! Jobs that must not pass: captures that don't fit their step, averages that hide what they are made
//! of, limits and presses that are mixed up.

use crate::support::write_recipe;
use crate::verification::{BENCH, CUT, sine, verify_made};
use crestbook::check::Verdict;
use crestbook::synth::{Output, Recipe, Section, Wave};
use crestbook::trace::Kind;
use crestbook::units::SampleRate;
use crestbook::verification::{JobResult, Load, Step};
use std::path::Path;

/// Volts of 80 W into 500 ohm.
const VOLT: f64 = 200.0;

fn codes(result: &JobResult) -> Vec<String> {
    result.steps.iter().flat_map(|s| &s.findings).map(|f| f.code.to_string()).collect()
}

/// A job over sound sines of 80 W whose sheets were changed.
fn changed(plan: &str, change: impl Fn(&Step, String) -> String) -> JobResult {
    verify_made(BENCH, plan, |step, path, text| {
        // Each capture differs a little, as no two are alike.
        sine(path, VOLT * (1.0 + 1e-5 * step.index as f64), 500.0);
        change(step, text)
    })
}

fn sections(path: &Path, sections: Vec<Section>, ohm: f64) {
    let rate = SampleRate::new(8e6).unwrap();
    let samples = sections.iter().map(|s| rate.samples(s.duration_s)).sum::<f64>();
    let any = Output { wave: Wave::Continuous, peak_v: 1.0, carrier_hz: 400e3, ramp_s: 0.0 };
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let single = Recipe::single(any, Kind::Cut, rate, samples.round() as u64, ohm);
    write_recipe(&Recipe { sections, ..single }, path);
}

fn output(duration_s: f64, watt: f64, ohm: f64) -> Section {
    let peak_v = (2.0 * watt * ohm).sqrt();
    let output = Output { wave: Wave::Continuous, peak_v, carrier_hz: 400e3, ramp_s: 0.0 };
    Section { kind: Kind::Cut, duration_s, output: Some(output) }
}

fn rest(duration_s: f64) -> Section {
    Section { kind: Kind::Rest, duration_s, output: None }
}

const LIMIT: &str = "[[setting.limit]]\nmeasure = \"power_w\"\nin = \"cut\"\nnominal = 80.0\ntolerance = \"20 %\"\n";

#[test]
fn two_limits_on_one_measure_are_judged_apart() {
    let plan =
        format!("{CUT}{LIMIT}[[setting.limit]]\nmeasure = \"power_w\"\nin = \"cut\"\nmax = 70.0\n");
    let result = changed(&plan, |_, text| text);
    let verdicts: Vec<Verdict> =
        result.groups[0].lines.iter().map(|line| line.judged.verdict).collect();
    assert_eq!(verdicts, [Verdict::Pass, Verdict::Fail]);
    assert_eq!(result.verdict, Verdict::Fail);
}

#[test]
fn another_load_than_the_step_asks_for() {
    let open = format!(
        "{CUT}[[open_circuit]]\nid = \"o\"\nsetting = \"cut\"\ndials = [80.0]\nmax_v = 400.0\n"
    );
    let result = changed(&open, |_, text| text.replace("kind = \"open\"", "nominal_ohm = 500.0"));
    assert!(codes(&result).contains(&"load_differs".into()), "{:?}", codes(&result));
    assert_eq!(result.verdict, Verdict::NotMeasured);
    // Stated open, but a current flows.
    let result = changed(&open, |_, text| text);
    assert!(result.verdict >= Verdict::NotMeasured, "{:?}", result.groups);

    // Every load of a curve captured at 500 ohm.
    let curve = format!(
        "{CUT}[[curve]]\nid = \"c\"\nsetting = \"cut\"\nloads_ohm = [250.0, 500.0, 1000.0]\n\
         expected_w = [80.0, 80.0, 80.0]\ntolerance = \"20 %\"\nflatness = 0.1\n"
    );
    let stated = |step: &Step, text: String| {
        let Some(Load::Ohm(ohm)) = step.load else { panic!() };
        text.replace(&format!("nominal_ohm = {ohm:?}"), "nominal_ohm = 500.0")
    };
    let result = changed(&curve, stated);
    assert!(codes(&result).iter().filter(|code| *code == "load_differs").count() >= 2);
    assert_ne!(result.verdict, Verdict::Pass);
    // The sheets keep the planned loads; the current tells the true one.
    let result = changed(&curve, |_, text| text);
    assert_ne!(result.verdict, Verdict::Pass);
}

#[test]
fn another_setting_dial_or_copy() {
    let ladder = format!(
        "{CUT}[[ladder]]\nid = \"l\"\nsetting = \"cut\"\ndials = [40.0, 80.0]\nmonotonic = true\nlowest_max_w = 90.0\n"
    );
    let result = changed(&ladder, |step, text| {
        let dial = step.dial.unwrap();
        text.replace(&format!("dial = {dial:?}"), "dial = 80.0")
    });
    assert!(codes(&result).contains(&"other_dial".into()), "{:?}", codes(&result));
    assert_ne!(result.verdict, Verdict::Pass);
    let repeat =
        format!("{CUT}[[repeat]]\nid = \"r\"\nsetting = \"cut\"\ncount = 3\nspread = 0.05\n");
    let result = verify_made(BENCH, &repeat, |_, path, text| {
        sine(path, VOLT, 500.0);
        text
    });
    assert_eq!(codes(&result), ["same_capture"; 3]);
    assert_eq!(result.verdict, Verdict::NotMeasured);
}

#[test]
fn another_kind_of_output() {
    let repeat =
        format!("{CUT}[[repeat]]\nid = \"r\"\nsetting = \"cut\"\ncount = 3\nspread = 0.5\n");
    let result = verify_made(BENCH, &repeat, |step, path, text| {
        let wave = Wave::Damped { burst_hz: 20e3, decrement: 0.4 };
        let peak_v = 2000.0 + step.index as f64;
        let output = Output { wave, peak_v, carrier_hz: 400e3, ramp_s: 0.0 };
        let section = Section { kind: Kind::Coag, duration_s: 0.01, output: Some(output) };
        sections(path, vec![section], 500.0);
        text
    });
    assert!(codes(&result).contains(&"other_output".into()), "{:?}", codes(&result));
    assert_eq!(result.verdict, Verdict::NotMeasured);
}

/// 250 mA for 4 of 24 ms are 102 mA over all of it: the limit of 150 mA is one while there is output.
#[test]
fn rest_does_not_water_leakage_down() {
    let plan = "format = 1\n[[setting]]\nid = \"cut\"\ndial = 80.0\nload_ohm = 500.0\n\
        [[hf_leakage]]\nid = \"h\"\nsetting = \"cut\"\npath = \"pole to earth\"\nload_ohm = 200.0\nmax_a = 0.15\n";
    let result = verify_made(BENCH, plan, |_, path, text| {
        sections(
            path,
            vec![rest(0.01), output(0.004, 0.25 * 0.25 * 200.0, 200.0), rest(0.01)],
            200.0,
        );
        text
    });
    let row = &result.groups[0].lines[0];
    assert!((row.judged.value.unwrap() - 0.25).abs() < 1e-3, "{row:?}");
    // The kind of so low an output is in doubt, its failure is not.
    assert!(row.judged.verdict >= Verdict::ConditionalFail);
}

/// 130 W and 70 W by turns are 100 W on average.
#[test]
fn scatter_beyond_the_limits_is_seen() {
    let plan = format!(
        "{CUT}[[setting.limit]]\nmeasure = \"power_w\"\nin = \"cut\"\nnominal = 100.0\ntolerance = \"20 %\"\n"
    );
    let result = verify_made(BENCH, &plan, |_, path, text| {
        let mut all = vec![rest(0.005)];
        for k in 0..8 {
            all.push(output(0.005, if k % 2 == 0 { 130.0 } else { 70.0 }, 500.0));
            all.push(rest(0.005));
        }
        sections(path, all, 500.0);
        text
    });
    assert!(codes(&result).contains(&"phases_scatter".into()), "{:?}", result.steps[0].findings);
    assert!(result.verdict >= Verdict::ConditionalFail);
}

/// A record of one phase of a cycle can't fail the power over 1 s of the whole cycle; a passing one
/// passes.
#[test]
fn a_part_of_a_cycle_does_not_fail_the_power_over_1s() {
    let plan = "format = 1\n[plan]\npower_1s_max_w = 100.0\n[[setting]]\nid = \"loop\"\ndial = 2.0\nload_ohm = 500.0\n\
        sequence = [\"cut\", \"rest\"]\n[[setting.limit]]\nmeasure = \"power_w\"\nin = \"cut\"\nmin = 50.0\n";
    for (watt, wanted) in [(180.0, Verdict::NotMeasured), (80.0, Verdict::Pass)] {
        let result = verify_made(BENCH, plan, |_, path, text| {
            sections(path, vec![output(0.01, watt, 500.0)], 500.0);
            text
        });
        let group = result.groups.iter().find(|group| group.id == "power-1s").unwrap();
        assert_eq!(group.verdict, wanted, "{watt}: {group:?}");
    }
}

/// Far too much power where little is expected is no pass.
#[test]
fn overpower_below_the_tolerance_is_seen() {
    let plan = format!(
        "{CUT}[[curve]]\nid = \"c\"\nsetting = \"cut\"\nloads_ohm = [250.0, 500.0, 1000.0]\n\
         expected_w = [5.0, 80.0, 80.0]\ntolerance = \"20 %\"\napplies_from_w = 30.0\n"
    );
    let result = verify_made(BENCH, &plan, |step, path, text| {
        let Some(Load::Ohm(ohm)) = step.load else { panic!() };
        let watt = if step.index == 0 { 56.0 } else { 80.0 };
        sine(path, f64::sqrt(watt * ohm), ohm);
        text
    });
    assert_eq!(result.groups[0].lines[0].judged.verdict, Verdict::Fail);
    assert_eq!(result.groups[0].lines[1].judged.verdict, Verdict::Pass);
}

/// Instruments of their own do not cancel: a ladder over two sets of them can't show a small rise.
#[test]
fn other_instruments_share_nothing() {
    let plan = format!("{CUT}[[ladder]]\nid = \"l\"\nsetting = \"cut\"\ndials = [78.0, 80.0]\n");
    let verdict = |other: bool| {
        let result = verify_made(BENCH, &plan, |step, path, text| {
            sine(path, VOLT * (1.0 + 2e-3 * step.index as f64), 500.0);
            if other && step.index == 1 {
                format!("{text}\n[[instrument]]\nrole = \"probe\"\nid = \"HF-9\"\n")
            } else {
                text
            }
        });
        result.groups[0].lines[0].judged.verdict
    };
    assert_eq!(verdict(false), Verdict::Pass);
    assert_eq!(verdict(true), Verdict::ConditionalPass);
}
