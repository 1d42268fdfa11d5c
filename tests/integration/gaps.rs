//! Samples that are not valid: what is measured over them, what is left out, and that they never
//! read as 0. And layouts that are kept.

use crate::support::{close, crestbook, fixture, measure_file, text, value};
use crestbook::analysis::Settings;
use crestbook::measures::{Measure, Reason};
use std::path::{Path, PathBuf};

/// 2 ms rest, 10 ms at 400 V peak and 400 kHz, 3 ms rest, at 4 MS/s; `mark` replaces a voltage.
fn capture(
    folder: &Path,
    name: &str,
    mark: impl Fn(usize, f64) -> Option<&'static str>,
) -> PathBuf {
    let mut rows = String::from("time (s),voltage (V),current (A)\n");
    for k in 0..60_000_usize {
        let t = k as f64 / 4e6;
        let on = (0.002..0.012).contains(&t);
        let v = if on { 400.0 * (std::f64::consts::TAU * 0.1 * k as f64 + 0.3).sin() } else { 0.0 };
        let shown = mark(k, v).map_or(format!("{v:.4}"), str::to_owned);
        rows.push_str(&format!("{t:.8},{shown},{:.7}\n", v / 500.0));
    }
    let path = folder.join(name);
    std::fs::write(&path, rows).unwrap();
    path
}

#[test]
fn a_gap_is_left_out_and_told() {
    let folder = tempfile::tempdir().unwrap();
    let whole =
        measure_file(&capture(folder.path(), "whole.csv", |_, _| None), &Settings::default());
    // 2 ms in the middle of the output: 8,000 samples.
    let path =
        capture(folder.path(), "gap.csv", |k, _| (20_000..28_000).contains(&k).then_some("----"));
    let got = measure_file(&path, &Settings::default());
    assert_eq!(got.phases.len(), whole.phases.len());
    let (phase, other) = (&got.phases[1], &whole.phases[1]);
    close("share", phase.invalid_share.unwrap(), 0.2, 1e-3);
    for key in [
        "power_w",
        "voltage_rms_v",
        "current_rms_a",
        "crest_factor",
        "fundamental_hz",
        "duration_s",
        "load_ohm",
    ] {
        close(key, value(&phase.measures, key), value(&other.measures, key), 1e-4);
    }
    for measure in [Measure::Energy, Measure::PowerOneSecond, Measure::OnsetRise] {
        let why = phase.measures.why_missing(measure).unwrap();
        assert!(matches!(why, Reason::NotRecorded(_)), "{measure}: {why}");
    }
    let flag = got.flags.iter().find(|flag| flag.code.name() == "gaps").unwrap();
    assert_eq!(flag.samples, Some(8_000));
    assert!(flag.message.contains("13.333 %"), "{}", flag.message);
    // A delay reaches over the borders of the gap: nothing of it may leak.
    let done = crestbook(&[
        "measure",
        path.to_str().unwrap(),
        "--json",
        "--quiet",
        "--set",
        "current.delay_s=30e-9",
    ]);
    let json: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    let rms = json["phases"][1]["current_rms_a"]["value"].as_f64().unwrap();
    close("delayed", rms, 0.8 / 2_f64.sqrt(), 2e-4);
}

/// Every third crest lies beyond the range.
#[test]
fn crests_beyond_the_range_leave_no_peak() {
    let folder = tempfile::tempdir().unwrap();
    let path =
        capture(folder.path(), "over.csv", |k, v| (v > 390.0 && k % 30 < 10).then_some("9.9E+37"));
    let got = measure_file(&path, &Settings::default());
    let cut = &got.phases[1].measures;
    for measure in
        [Measure::VoltagePeak, Measure::CrestFactor, Measure::DutyCycleEquivalent, Measure::Energy]
    {
        assert!(cut.why_missing(measure).is_some(), "{measure}");
    }
    assert!(cut.get(Measure::Power).is_some());
    assert!(got.flags.iter().any(|flag| flag.code.name() == "overrange"));
    // Such a capture can't pass.
    let profile = folder.path().join("p.toml");
    std::fs::write(
        &profile,
        "format = 1\n[unit]\nmodel = \"X\"\n[decision]\nrule = \"simple\"\n[[setting]]\nid = \"a\"\n\
         mode = \"cut\"\nsequence = [\"cut\"]\n[[setting.limit]]\nmeasure = \"power_w\"\nin = \"cut\"\n\
         min = 1.0\nmax = 1000.0\n",
    )
    .unwrap();
    let done = crestbook(&[
        "check",
        path.to_str().unwrap(),
        "--profile",
        profile.to_str().unwrap(),
        "--setting",
        "a",
        "--quiet",
    ]);
    assert_eq!(done.status.code(), Some(1), "{}", text(&done.stderr));
    assert!(text(&done.stdout).contains("NOT MEASURED"));
}

/// Short gaps all over leave no stretch for a frequency.
#[test]
fn no_frequency_across_gaps() {
    let folder = tempfile::tempdir().unwrap();
    let path = capture(folder.path(), "often.csv", |k, _| (k % 53 == 7).then_some("NaN"));
    let got = measure_file(&path, &Settings::default());
    let cut = &got.phases[1].measures;
    let why = cut.why_missing(Measure::Fundamental).unwrap();
    assert!(matches!(why, Reason::NotRecorded(_)), "{why}");
    close("rms", value(cut, "voltage_rms_v"), 400.0 / 2_f64.sqrt(), 2e-3);
}

#[test]
fn a_layout_is_kept_and_held() {
    let folder = tempfile::tempdir().unwrap();
    let kept = folder.path().join("bench.layout.toml");
    let (kept_name, data) = (kept.to_str().unwrap(), fixture("layouts/01-preamble.csv"));
    let run = |arguments: &[&str]| {
        let done = crestbook(arguments);
        (done.status.code().unwrap(), text(&done.stdout), text(&done.stderr))
    };
    let data = data.to_str().unwrap();
    // Nobody at the terminal: nothing is kept without --yes.
    let (code, shown, said) = run(&["layout", data, "-o", kept_name]);
    assert_eq!(code, 2, "{said}");
    assert!(said.contains("--yes") && shown.contains("first samples") && !kept.exists());
    let (code, ..) = run(&["layout", data, "-o", kept_name, "--yes", "--quiet"]);
    assert_eq!(code, 0);
    let (code, out, said) = run(&["measure", data, "--layout", kept_name, "--explain"]);
    assert_eq!(code, 0, "{said}");
    assert!(out.contains("its fingerprint agrees"));
    // Another kind of file.
    let other = fixture("layouts/03-comments.csv");
    let (code, _, said) = run(&["measure", other.to_str().unwrap(), "--layout", kept_name]);
    assert_eq!(code, 2);
    assert!(said.contains("not of the kept layout"), "{said}");
    // Named in a sheet, from there.
    std::fs::copy(fixture("layouts/01-preamble.csv"), folder.path().join("a.csv")).unwrap();
    let sheet = folder.path().join("a.capture.toml");
    std::fs::write(&sheet, "layout = \"bench.layout.toml\"\n").unwrap();
    let (code, _, said) = run(&["measure", folder.path().join("a.csv").to_str().unwrap()]);
    assert_eq!(code, 0, "{said}");
    let changed = std::fs::read_to_string(&kept).unwrap().replace("fields = 3", "fields = 2");
    std::fs::write(&kept, changed).unwrap();
    let (code, _, said) = run(&["measure", sheet.to_str().unwrap()]);
    assert_eq!(code, 2);
    assert!(said.contains("something was changed"), "{said}");
    let (code, _, said) = run(&["layout", fixture("reference/int16.wav").to_str().unwrap()]);
    assert_eq!(code, 2);
    assert!(said.contains("describes itself"), "{said}");
}
