//! What scripts rely on: keys, exit codes, what goes where.

use crate::support::{crestbook, fixture, text};
use std::io::Write;
use std::process::{Command, Stdio};

fn json(arguments: &[&str]) -> serde_json::Value {
    let done = crestbook(arguments);
    serde_json::from_slice(&done.stdout).unwrap_or_else(|_| panic!("{}", text(&done.stderr)))
}

fn loop_capture() -> String {
    fixture("harrow-fell/cycle-2.wav").display().to_string()
}

#[test]
fn keys_of_the_measurement() {
    let found = json(&["measure", &loop_capture(), "--json"]);
    assert_eq!(found["schema"], "crestbook/measurement/1");
    assert_eq!(found["program"]["version"], env!("CARGO_PKG_VERSION"));
    for key in
        ["file", "sha256", "samples", "sample_rate_hz", "duration_s", "load_ohm", "load_kind"]
    {
        assert!(!found["capture"][key].is_null(), "capture.{key}");
    }
    assert!(found["settings"]["duty_threshold"].is_number());
    assert!(found["settings"]["coag_crest_factor"].is_number());
    assert!(found["whole"]["power_w"]["value"].is_number());
    assert!(found["whole"]["crest_factor"]["value"].is_number());
    assert_eq!(found["kinds"]["cut"]["count"], 2);
    assert!(found["kinds"]["cut"]["duration_s"]["value"].is_number());
    assert!(found["phases"][0]["kind"].is_string());
    assert!(found["phases"][0]["start_s"].is_number() && found["phases"][0]["end_s"].is_number());
    assert_eq!(found["cycles"]["count"], 1);
    assert!(found["cycles"]["period_s"]["value"].is_number());
    assert_eq!(found["cycles"]["sequence"], serde_json::json!(["cut", "coag", "rest"]));
    assert!(found["flags"][0]["code"].is_string() && found["flags"][0]["message"].is_string());
    assert!(found["receipt"]["decisions"].is_array());
    // What can't be had is named with its reason, and is no key of its own.
    assert!(found["whole"]["power_1s_max_w"].is_null());
    assert!(found["whole"]["missing"]["power_1s_max_w"].is_string());
}

#[test]
fn keys_of_the_check() {
    let profile = fixture("harrow-fell/tarnbeck.toml").display().to_string();
    let found = json(&["check", &loop_capture(), "--profile", &profile, "--json"]);
    assert_eq!(found["setting"], "cycle-2");
    let limit = &found["limits"][0];
    for key in ["measure", "in", "value", "lower", "upper", "verdict"] {
        assert!(!limit[key].is_null(), "limits.{key}");
    }
    assert!(found["findings"].is_array());
    assert_eq!(found["measurement"]["schema"], "crestbook/measurement/1");
}

#[test]
fn no_nan_and_no_infinity_in_any_result() {
    for name in ["harrow-fell/cycle-2.wav", "harrow-fell/desiccation-20.npy", "dialects/plain.csv"]
    {
        let path = fixture(name).display().to_string();
        let done = crestbook(&["measure", &path, "--json"]);
        let text = text(&done.stdout);
        assert!(
            !text.contains("NaN") && !text.contains("inf") && !text.contains(": null"),
            "{name}"
        );
    }
    // A channel of nothing but zeros: the root of its mean square has no slope, so its RMS has no U.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("dead.csv");
    let rows = (0..20_000).map(|k| {
        format!("{:e},{:.6},0\n", f64::from(k) * 1e-7, (f64::from(k) * 0.314).sin() * 100.0)
    });
    let text = format!("time (s),voltage (V),current (A)\n{}", rows.collect::<String>());
    std::fs::write(&path, text).unwrap();
    let done = crestbook(&["measure", path.to_str().unwrap(), "--json", "--budget"]);
    let found = crate::support::text(&done.stdout);
    assert!(!found.contains(": null") && found.contains("\"current_rms_a\""), "{found}");
    let found: serde_json::Value = serde_json::from_str(&found).unwrap();
    let dead = &found["whole"]["current_rms_a"];
    assert_eq!((&dead["value"], dead.get("expanded_uncertainty")), (&0.0.into(), None), "{dead}");
}

#[test]
fn results_and_notes_go_their_own_ways() {
    let path = fixture("dialects/plain.csv").display().to_string();
    let done = crestbook(&["measure", &path]);
    assert!(text(&done.stdout).contains("whole record"));
    assert!(text(&done.stderr).contains("no sheet says so"));
    assert!(!text(&done.stdout).contains('\u{1b}'), "colours in a pipe");
    let quiet = crestbook(&["measure", &path, "--quiet"]);
    assert!(quiet.stderr.is_empty());
    let coloured = crestbook(&["measure", &path, "--color", "always"]);
    assert!(text(&coloured.stdout).contains('\u{1b}'));
}

#[test]
fn standard_input_is_read() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_crestbook"))
        .args(["measure", "-", "--json"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let bytes = std::fs::read(fixture("dialects/tabs.txt")).unwrap();
    child.stdin.take().unwrap().write_all(&bytes).unwrap();
    let done = child.wait_with_output().unwrap();
    let found: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    assert_eq!(found["capture"]["samples"], 400);
}

#[test]
fn a_sheet_may_be_named_instead_of_the_data() {
    let path = fixture("harrow-fell/cut-80.capture.toml").display().to_string();
    let found = json(&["measure", &path, "--json"]);
    assert_eq!(found["capture"]["load_ohm"], 500.0);
    // A flag goes before the sheet.
    let found = json(&["measure", &path, "--json", "--set", "load.nominal_ohm=450"]);
    assert_eq!(found["capture"]["load_ohm"], 450.0);
    assert!(found["flags"].as_array().unwrap().iter().any(|flag| flag["code"] == "load_mismatch"));
}

#[test]
fn receipt_and_everything() {
    let path = fixture("dialects/preamble-units.csv").display().to_string();
    let out = text(&crestbook(&["measure", &path, "--explain", "--all"]).stdout);
    for word in [
        "separator",
        "decimal mark",
        "time column",
        "CH2 (A, values times 1e-3)",
        "rows read, none refused",
        "whole span",
    ] {
        assert!(out.contains(word), "`{word}` not in {out}");
    }
    for measure in crestbook::measures::catalog::MEASURES {
        assert!(out.contains(measure.title), "{}", measure.title);
    }
}

#[test]
fn wiring_faults_are_flagged() {
    let path = fixture("harrow-fell/cut-80.csv").display().to_string();
    let codes = |flags: &[&str]| -> Vec<String> {
        let mut arguments = vec!["measure", path.as_str(), "--json"];
        arguments.extend(flags);
        let found = json(&arguments);
        let flags = found["flags"].as_array().unwrap();
        flags.iter().map(|flag| flag["code"].as_str().unwrap().to_owned()).collect()
    };
    assert!(codes(&[]).is_empty());
    assert!(codes(&["--set", "current.scale=-1"]).contains(&"current_inverted".to_owned()));
    assert!(codes(&["--set", "current.delay_s=150e-9"]).contains(&"skew_suspected".to_owned()));
    assert!(codes(&["--set", "voltage.scale=2"]).contains(&"load_mismatch".to_owned()));
    assert!(codes(&["--set", "voltage.offset=20"]).contains(&"dc_offset".to_owned()));
}

#[test]
fn one_channel_and_a_load_give_power() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("v.csv");
    let mut rows = String::from("time (s),v (V)\n");
    for k in 0..2000 {
        let v = 300.0 * (std::f64::consts::TAU * 0.05 * f64::from(k)).sin();
        rows.push_str(&format!("{:.7},{v}\n", f64::from(k) * 1e-7));
    }
    std::fs::write(&path, rows).unwrap();
    let path = path.display().to_string();
    let found = json(&["measure", &path, "--json", "--set", "load.nominal_ohm=450"]);
    // 300^2 / 2 / 450 = 100 W.
    assert!((found["whole"]["power_w"]["value"].as_f64().unwrap() - 100.0).abs() < 1e-6);
    assert!(found["capture"]["power_by"].as_str().unwrap().contains("Vrms^2/R"));
    let open = json(&["measure", &path, "--json", "--set", "load.kind=open"]);
    assert!(open["whole"]["missing"]["power_w"].as_str().unwrap().contains("open circuit"));
    assert!(open["whole"]["crest_factor"]["value"].is_number());
}

#[test]
fn pictures_are_drawn_whole() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["harrow-fell/cycle-2.wav", "dialects/plain.csv"] {
        let data = fixture(name).display().to_string();
        let (svg, png) = (folder.path().join("a.svg"), folder.path().join("a.png"));
        let draw = |path: &std::path::Path| {
            crestbook(&["measure", &data, "--plot", path.to_str().unwrap(), "--quiet"])
        };
        let done = draw(&svg);
        assert!(done.status.success(), "{}", text(&done.stderr));
        let done = draw(&png);
        let svg = std::fs::read_to_string(&svg).unwrap();
        assert!(svg.contains("<svg") && svg.contains("voltage (V)") && !svg.contains("NaN"));
        if cfg!(feature = "png") {
            assert!(done.status.success(), "{}", text(&done.stderr));
            assert!(std::fs::read(&png).unwrap().starts_with(b"\x89PNG\r\n\x1a\n"));
        } else {
            assert_eq!(done.status.code(), Some(2));
            assert!(text(&done.stderr).contains("--features png"), "{}", text(&done.stderr));
        }
    }
}

#[test]
fn help_completions_and_manual() {
    let help = text(&crestbook(&["--help"]).stdout);
    assert!(help.contains("burns and can kill"), "no cautions in {help}");
    for shell in ["bash", "zsh", "fish"] {
        assert!(text(&crestbook(&["completions", shell]).stdout).contains("crestbook"));
    }
    assert!(text(&crestbook(&["man"]).stdout).contains(".TH"));
    let folder = tempfile::tempdir().unwrap();
    assert!(crestbook(&["man", "-o", folder.path().to_str().unwrap()]).status.success());
    assert!(folder.path().join("crestbook-measure.1").exists());
    assert_eq!(crestbook(&["measre"]).status.code(), Some(2));
    assert_eq!(crestbook(&["measure"]).status.code(), Some(2));
}

/// The table as people see it, pinned.
#[test]
fn table_of_a_check() {
    let profile = fixture("harrow-fell/tarnbeck.toml").display().to_string();
    let capture = fixture("harrow-fell/cycle-2.wav").display().to_string();
    let out = text(&crestbook(&["check", &capture, "--profile", &profile]).stdout);
    let folder = format!("{}/", fixture("").display().to_string().trim_end_matches('/'));
    insta::assert_snapshot!(out.replace(&folder, ""));
}

/// The delay of a capture into a resistor, as sheet lines; what is no resistor is refused.
#[test]
fn delay_is_estimated_or_refused() {
    let skewed = fixture("harrow-fell/cut-80-skewed.npy");
    let run = |flags: &[&str]| {
        let mut arguments = vec!["measure", skewed.to_str().unwrap(), "--estimate-delay", "--json"];
        arguments.extend(flags);
        crestbook(&arguments)
    };
    // 80 ns, told by the sheet, not told, told wrongly.
    for flags in [&[][..], &["--set", "current.delay_s=0"], &["--set", "current.delay_s=200e-9"]] {
        let done = run(flags);
        let json: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
        let (delay, u) =
            (json["delay_s"].as_f64().unwrap(), json["standard_uncertainty_s"].as_f64().unwrap());
        assert_eq!(json["lagging"], "current");
        assert!((delay - 80e-9).abs() < 4.0 * u && u < 1e-10, "{json}");
    }
    let voltage = run(&[
        "--set",
        "current.channel=0",
        "--set",
        "voltage.channel=1",
        "--set",
        "load.nominal_ohm=0.002",
    ]);
    let json: serde_json::Value = serde_json::from_slice(&voltage.stdout).unwrap();
    // The same skew with the channels' names swapped, less what the sheet takes off the other one.
    assert!((json["further_s"].as_f64().unwrap() + 160e-9).abs() < 1e-9, "{json}");
    for (flags, says) in [
        (&["--set", "load.nominal_ohm=450"][..], "reactive or not the stated one"),
        (&["--set", "load.kind=open"][..], "open circuit"),
        (&["--set", "current.delay_s=1.0e-6"][..], "degrees apart"),
    ] {
        let done = run(flags);
        assert_eq!(done.status.code(), Some(2), "{flags:?}");
        assert!(text(&done.stderr).contains(says), "{says}: {}", text(&done.stderr));
    }
    let reactive = fixture("spice/reactive.txt");
    let done = crestbook(&[
        "measure",
        reactive.to_str().unwrap(),
        "--set",
        "load.nominal_ohm=335.8",
        "--estimate-delay",
    ]);
    // 26.7 degrees of reactance with the right size look like a delay: it is told as one, with what
    // it leaves out.
    assert!(text(&done.stdout).contains("reactance of the load"), "{}", text(&done.stderr));
}

/// Sparks: a current that does not follow the voltage.
#[test]
fn an_arcing_load_has_no_delay() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("arc.csv");
    let mut rows = String::from("time (s),voltage (V),current (A)\n");
    for n in 0..8000 {
        let v = 300.0 * (std::f64::consts::TAU * f64::from(n) / 20.0).sin();
        // Conducts on the positive half-wave only above 120 V.
        let i = if v > 120.0 { v / 400.0 } else { v / 700.0 };
        rows.push_str(&format!("{:e},{v:e},{i:e}\n", f64::from(n) * 125e-9));
    }
    std::fs::write(&path, rows).unwrap();
    let done = crestbook(&[
        "measure",
        path.to_str().unwrap(),
        "--set",
        "load.nominal_ohm=510",
        "--estimate-delay",
    ]);
    assert_eq!(done.status.code(), Some(2), "{}", text(&done.stdout));
    assert!(text(&done.stderr).contains("arcs or is reactive"), "{}", text(&done.stderr));
}

/// Budgets and simulations, for people and in JSON; the same seed gives the same.
#[test]
fn budgets_and_simulations_are_shown() {
    let cut = fixture("harrow-fell/cut-80.csv");
    let cut = cut.to_str().unwrap();
    let shown =
        text(&crestbook(&["measure", cut, "--budget=power_w", "--monte-carlo", "20000"]).stdout);
    for word in
        ["budget of power, cut", "scale of the voltage", "k 1.96", "simulated (95 %)", "power, cut"]
    {
        assert!(shown.contains(word), "{word}: {shown}");
    }
    assert!(!shown.contains("budget of crest factor"));
    let json = || {
        crestbook(&["measure", cut, "--json", "--budget", "--monte-carlo", "20000", "--seed", "5"])
            .stdout
    };
    let (first, second) = (json(), json());
    assert_eq!(first, second);
    let json: serde_json::Value = serde_json::from_slice(&first).unwrap();
    let power = &json["kinds"]["cut"]["power_w"];
    let lines = power["budget"].as_array().unwrap();
    let sum = |key: &str| lines.iter().map(|line| line[key].as_f64().unwrap()).sum::<f64>();
    assert!((sum("share") - 1.0).abs() < 1e-9);
    let u = power["standard_uncertainty"].as_f64().unwrap();
    let simulated = &power["monte_carlo"];
    assert_eq!(simulated["draws"], 20_000);
    assert!((simulated["standard_uncertainty"].as_f64().unwrap() / u - 1.0).abs() < 0.03);
    assert!(json["settings"]["monte_carlo"]["seed"] == 5);
    // Phases carry budgets, too.
    assert!(json["phases"][0]["power_w"]["budget"].is_array());
    // Where skew is large the budget of the power is not validated: the power can only be lower.
    let skewed = fixture("harrow-fell/cut-80-skewed.npy");
    let done = crestbook(&[
        "measure",
        skewed.to_str().unwrap(),
        "--json",
        "--monte-carlo",
        "200000",
        "--set",
        "current.delay_standard_uncertainty_s=60e-9",
    ]);
    let json: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    assert_eq!(json["whole"]["power_w"]["monte_carlo"]["validates_linear"], false);
    assert_eq!(json["whole"]["voltage_rms_v"]["monte_carlo"]["validates_linear"], true);
}

/// A current probe on a voltage input: the file has volts, the sheet's scale is in A per V.
#[test]
fn a_current_in_volts_takes_the_scale_of_the_sheet() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("probe.csv");
    let mut rows = String::from("Time,CH1,CH2\ns,V,V\n");
    for n in 0..4000 {
        // 0.245 V is 245 V across 300 ohm; 0.1 V per A.
        let v = 0.245 * (std::f64::consts::TAU * f64::from(n) / 25.0).sin();
        rows.push_str(&format!("{:e},{v:e},{:e}\n", f64::from(n) * 1e-7, v * 1000.0 / 300.0 * 0.1));
    }
    std::fs::write(&path, rows).unwrap();
    let run = |flags: &[&str]| {
        let mut arguments = vec!["measure", path.to_str().unwrap(), "--json"];
        arguments.extend(["--set", "voltage.channel=CH1", "--set", "voltage.scale=1000"]);
        arguments.extend(["--set", "current.channel=CH2"]);
        arguments.extend(flags);
        crestbook(&arguments)
    };
    let json: serde_json::Value =
        serde_json::from_slice(&run(&["--set", "current.scale=10"]).stdout).unwrap();
    // 245^2 / (2 * 300) W.
    let power = json["whole"]["power_w"]["value"].as_f64().unwrap();
    assert!((power / (245.0 * 245.0 / 600.0) - 1.0).abs() < 1e-4, "{power}");
    let refused = run(&[]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(text(&refused.stderr).contains("A per V"), "{}", text(&refused.stderr));
}
