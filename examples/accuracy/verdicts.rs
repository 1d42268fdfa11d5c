//! Whether what is judged across captures holds: coverage of the intervals that a job states of
//! differences, curves, spreads and the like, over random errors of instruments and units.

use crate::draw::Draw;
use crestbook::digest::Sha256;
use crestbook::estimate::Estimate;
use crestbook::measures::Measure;
use crestbook::result::Part;
use crestbook::verification::Profile;
use crestbook::verification::{
    CaptureOutcome, Correlated, Evidence, Found, JobFacts, KeptMeasure, Load, PlanFacts, Step,
    Term, estimate, judge, steps,
};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;

/// Relative standard uncertainties of a bench.
#[derive(Clone, Copy)]
struct Bench {
    voltage: f64,
    current: f64,
    load: f64,
    /// Correlation of the voltage's scale and the load.
    voltage_load: f64,
    /// Of one activation, in shares of the power.
    activation: f64,
    /// Activations in each capture.
    activations: u32,
    /// Whether the current is captured.
    both: bool,
}

/// A case of the table.
struct Case {
    name: String,
    plan: String,
    bench: Bench,
    /// True power of a step into a load, W.
    power: fn(&Step, f64) -> f64,
    /// What is judged: measure of the line, and the truth of it.
    line: &'static str,
    truth: fn(&[(f64, f64)]) -> f64,
}

/// Draws of each case.
pub fn section(draws: u64) -> String {
    let mut out = format!(
        "## Verdicts across captures\n\n{draws} draws of each case: errors of scales and loads that all \
         captures share or not, scatter of the activations of each. **Held**: share of intervals that \
         hold the truth; 93 to 97 % is aimed at. **False accepts**: share of draws in which a guarded limit \
         that the truth just misses would be passed; at most 2.5 % and what chance adds.\n\n\
         | what is judged | held | false accepts |\n|---|---:|---:|\n"
    );
    for case in cases() {
        let all: Vec<(bool, bool)> =
            (0..draws).into_par_iter().filter_map(|seed| one(&case, seed)).collect();
        let share = |of: fn(&(bool, bool)) -> bool| {
            100.0 * all.iter().filter(|one| of(one)).count() as f64 / all.len().max(1) as f64
        };
        out.push_str(&format!(
            "| {} | {:.1} % | {:.1} % |\n",
            case.name,
            share(|one| one.0),
            share(|one| one.1)
        ));
    }
    out.push_str(
        "\nFlatness, lead and spread hold more on purpose: U of a largest or smallest of several values \
         holds for every one that it could be, and U of a spread is the upper side of its chi-square \
         interval. Two activations of each are too few for the formula of Welch and Satterthwaite, \
         which then holds a little less than it says: take three or more.\n",
    );
    out
}

const HEAD: &str =
    "format = 1\n[[setting]]\nid = \"s\"\ndial = 80.0\nload_ohm = 500.0\nsequence = [\"cut\"]\n";

fn curve(more: &str, expected: &[f64], tolerance: &str) -> String {
    format!(
        "{HEAD}[[curve]]\nid = \"c\"\nsetting = \"s\"\nloads_ohm = [100.0, 200.0, 500.0, 1000.0, 2000.0]\n\
         expected_w = {expected:?}\ntolerance = \"{tolerance}\"\n{more}"
    )
}

/// 300 V behind 200 ohm.
fn behind(_: &Step, ohm: f64) -> f64 {
    9e4 * ohm / (ohm + 200.0).powi(2)
}

fn cases() -> Vec<Case> {
    let none = Bench {
        voltage: 0.0,
        current: 0.0,
        load: 0.0,
        voltage_load: 0.0,
        activation: 0.0,
        activations: 1,
        both: true,
    };
    let loads = [100.0, 200.0, 500.0, 1000.0, 2000.0];
    let curve_of = |law: fn(f64) -> f64| loads.map(law);
    let mut all = Vec::new();
    for (scale, shown) in [(0.01, "1 %"), (0.001, "0.1 %")] {
        all.push(Case {
            name: format!("source resistance, scales {shown}"),
            plan: curve(
                "source_ohm_min = 1.0\nsource_ohm_max = 1e6\n",
                &curve_of(|_| 100.0),
                "50 %",
            ),
            bench: Bench {
                voltage: scale,
                current: scale,
                activation: 0.002,
                activations: 4,
                ..none
            },
            power: behind,
            line: "source_ohm",
            truth: |_| 200.0,
        });
    }
    // Power falls as 1 / R, is held, rises as R: the truth is the power that the curve expects.
    type Law = (&'static str, fn(f64) -> f64, fn(&Step, f64) -> f64);
    let laws: [Law; 3] = [
        ("held voltage", |ohm| 1e4 / ohm, |_, ohm| 1e4 / ohm),
        ("held power", |_| 80.0, |_, _| 80.0),
        ("held current", |ohm| 0.04 * ohm, |_, ohm| 0.04 * ohm),
    ];
    for (name, law, power) in laws {
        for (both, how) in [(true, "load as measured"), (false, "by voltage only")] {
            all.push(Case {
                name: format!("curve, {name}, {how}"),
                plan: curve("", &curve_of(law), "50 %"),
                bench: Bench { voltage: 0.01, current: 0.01, load: 0.02, both, ..none },
                power,
                line: "power_w",
                truth: |_| 0.0,
            });
        }
    }
    for r in [-0.8, 0.0, 0.8] {
        all.push(Case {
            name: format!("leakage by voltage only, correlation {r}"),
            plan: format!(
                "{HEAD}[[hf_leakage]]\nid = \"h\"\nsetting = \"s\"\npath = \"p\"\nload_ohm = 200.0\nmax_a = 9.0\n"
            ),
            bench: Bench { voltage: 0.01, load: 0.01, voltage_load: r, both: false, ..none },
            power: |_, _| 2.0,
            line: "current_rms_a",
            truth: |powers| (powers[0].1 / powers[0].0).sqrt(),
        });
    }
    for n in [2, 3, 5] {
        all.push(Case {
            name: format!("rise over the dial, {n} activations"),
            plan: format!("{HEAD}[[ladder]]\nid = \"l\"\nsetting = \"s\"\ndials = [40.0, 80.0]\n"),
            bench: Bench { voltage: 0.01, current: 0.01, activation: 0.01, activations: n, ..none },
            power: |step, _| step.dial.unwrap_or(0.0),
            line: "rise to 80",
            truth: |powers| powers[1].1 - powers[0].1,
        });
    }
    for (n, name, power) in [
        (
            2,
            "of a curve that falls",
            (|_: &Step, ohm: f64| 100.0 - ohm / 100.0) as fn(&Step, f64) -> f64,
        ),
        (3, "of a curve that falls", |_, ohm| 100.0 - ohm / 100.0),
        (5, "of a flat curve", |_, _| 80.0),
    ] {
        all.push(Case {
            name: format!("flatness {name}, {n} activations"),
            plan: curve("flatness = 9.0\n", &curve_of(|_| 80.0), "90 %"),
            bench: Bench { voltage: 0.01, current: 0.01, activation: 0.01, activations: n, ..none },
            power,
            line: "flatness",
            truth: |powers| {
                let ends =
                    powers.iter().fold((f64::INFINITY, 0.0_f64), |(low, high), (_, watt)| {
                        (low.min(*watt), high.max(*watt))
                    });
                ends.1 / ends.0 - 1.0
            },
        });
    }
    all.push(Case {
        name: "lead of the rated load, 3 activations".into(),
        plan: curve("rated_load_ohm = 500.0\n", &curve_of(|_| 80.0), "90 %"),
        bench: Bench { voltage: 0.01, current: 0.01, activation: 0.01, activations: 3, ..none },
        power: |_, ohm| 80.0 * (-(ohm / 500.0).ln().powi(2) / 8.0).exp(),
        line: "rated_load",
        truth: |powers| {
            let rated =
                powers.iter().find(|(ohm, _)| (*ohm - 500.0).abs() < 1.0).map_or(0.0, |p| p.1);
            let next = powers.iter().filter(|(ohm, _)| (*ohm - 500.0).abs() > 1.0);
            rated - next.map(|p| p.1).fold(0.0, f64::max)
        },
    });
    for n in [2_u32, 3, 5, 10] {
        all.push(Case {
            name: format!("spread of {n} activations"),
            plan: format!(
                "{HEAD}[[repeat]]\nid = \"r\"\nsetting = \"s\"\ncount = {n}\nspread = 9.0\n"
            ),
            bench: Bench { voltage: 0.01, current: 0.01, activation: 0.02, ..none },
            power: |_, _| 80.0,
            line: "spread",
            truth: |_| 0.02,
        });
    }
    all
}

/// One draw: whether the interval holds the truth, and whether a limit at the truth would be passed.
fn one(case: &Case, seed: u64) -> Option<(bool, bool)> {
    let mut draw = Draw::new(seed);
    let profile = Profile::read(Path::new("plan.toml"), &case.plan).ok()?;
    let all = steps(&profile);
    let bench = case.bench;
    // Errors that all captures share: reading over truth, less 1.
    let e_v = bench.voltage * draw.normal();
    let e_i = bench.current * draw.normal();
    let r = bench.voltage_load;
    let mut found = BTreeMap::new();
    let mut truths = Vec::new();
    let spread = case.line == "spread";
    for step in &all {
        let planned = match step.load {
            Some(Load::Ohm(ohm)) => ohm,
            _ => 500.0,
        };
        // The load in hand differs from its stated value by its own error. The sheet states how the true
        // scale goes with the true load, and the error of a reading is against that of the scale.
        let e_load = bench.load
            * (-r * e_v / bench.voltage.max(1e-12) + (1.0 - r * r).sqrt() * draw.normal());
        let ohm = if bench.both { planned } else { planned * (1.0 + e_load) };
        let watt = (case.power)(step, ohm);
        truths.push((ohm, watt));
        // Activations scatter; the capture gives their mean and how well it is known.
        let n = bench.activations;
        let (shift, own) = if spread {
            (bench.activation * draw.normal(), Term::normal(0.0))
        } else {
            activations(bench.activation, n, &mut draw)
        };
        let actual = watt * (1.0 + shift);
        let read = if bench.both {
            actual * (1.0 + e_v) * (1.0 + e_i)
        } else {
            // V^2 over the stated load.
            actual * ohm / planned * (1.0 + e_v).powi(2)
        };
        found.insert(
            step.id.clone(),
            Found {
                outcome: Some(outcome(step, read, (planned, ohm), (e_v, e_i), own, bench).into()),
                ..Found::default()
            },
        );
    }
    let evidence = Evidence {
        today: None,
        profile: &profile,
        steps: &all,
        found,
        sketches: BTreeMap::new(),
        readings: &[],
        job: JobFacts::default(),
        plan: PlanFacts::default(),
        findings: Vec::new(),
        program: "accuracy",
    };
    let result = judge(evidence);
    let line = result.groups.iter().flat_map(|g| &g.lines).filter(|l| l.measure == case.line).nth(
        // A point in the middle of a curve.
        if case.line == "power_w" { 2 } else { 0 },
    )?;
    let judged = &line.judged;
    let (value, expanded) = (judged.value?, judged.expanded_uncertainty?);
    let truth = if case.line == "power_w" {
        // Power and expected power agree in truth: what is found is held against what is expected.
        judged.nominal?
    } else {
        (case.truth)(&truths)
    };
    Some(((value - truth).abs() <= expanded, value + expanded < truth))
}

/// Mean of `n` activations about their truth, and its standard uncertainty from their scatter.
fn activations(share: f64, n: u32, draw: &mut Draw) -> (f64, Term) {
    if share == 0.0 || n < 2 {
        return (0.0, Term::normal(0.0));
    }
    let all: Vec<f64> = (0..n).map(|_| share * draw.normal()).collect();
    let mean = all.iter().sum::<f64>() / f64::from(n);
    let square = all.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n - 1);
    (mean, Term { u: (square / f64::from(n)).sqrt(), freedom: f64::from(n - 1) })
}

fn outcome(
    step: &Step,
    watt: f64,
    (planned, ohm): (f64, f64),
    (e_v, e_i): (f64, f64),
    own: Term,
    bench: Bench,
) -> CaptureOutcome {
    let part = Part::Cut;
    let number = |measure: Measure, value: f64, own: Term, [v, i, load]: [f64; 3]| {
        let square = v * v
            + i * i
            + load * load
            + if bench.both { 0.0 } else { 2.0 * bench.voltage_load * v * load };
        // Sensitivities carry their signs; sizes are kept.
        let all = own.and(Term::normal(square.max(0.0).sqrt()));
        let estimate = estimate(value, all.u * value, all.freedom).unwrap_or_else(none);
        KeptMeasure {
            measure,
            part,
            estimate,
            own_uncertainty: Some(own.u * value),
            own_freedom: Some(own.freedom).filter(|freedom| freedom.is_finite()),
            load_uncertainty: Some(load.abs() * value),
            voltage_uncertainty: Some(v.abs() * value),
            current_uncertainty: Some(i.abs() * value),
        }
    };
    let mut numbers = Vec::new();
    if bench.both {
        numbers.push(number(Measure::Power, watt, own, [bench.voltage, bench.current, 0.0]));
        let read = ohm * (1.0 + e_v) / (1.0 + e_i);
        numbers.push(number(
            Measure::Load,
            read,
            Term::normal(0.0),
            [bench.voltage, -bench.current, 0.0],
        ));
    } else {
        numbers.push(number(Measure::Power, watt, own, [2.0 * bench.voltage, 0.0, -bench.load]));
        let volt = (watt * planned).sqrt();
        numbers.push(number(Measure::VoltageRms, volt, own.times(0.5), [bench.voltage, 0.0, 0.0]));
    }
    CaptureOutcome {
        looks_like: Vec::new(),
        power_by: None,
        file: step.id.clone(),
        sha256: vec![Sha256::of(step.id.as_bytes())],
        sheet_sha256: Sha256::of(b""),
        program: String::new(),
        samples: 1,
        sample_rate_hz: 1e7,
        load_ohm: Some(planned),
        bench: None,
        instrument: Vec::new(),
        instruments_key: Some(Sha256::of(b"one bench")),
        load_key: Some(Sha256::of(if bench.both { b"any" } else { step.id.as_bytes() })),
        correlated: Correlated { voltage_load: bench.voltage_load, ..Correlated::default() },
        numbers,
        missing: Vec::new(),
        flags: Vec::new(),
        findings: Vec::new(),
        limits: Vec::new(),
        drift: None,
        switch: None,
        sketch: None,
    }
}

fn none() -> Estimate {
    panic!("a number of the draw is not finite")
}
