//! A circuit simulated by ngspice; the simulator's own `.measure` values are the truth.

use crate::support::{close, fixture, text, value};
use crestbook::ingest::sheet::KEYS;
use crestbook::pipeline::{self, Settings, Unobserved};
use std::path::Path;
use std::process::Command;

fn truth(measures: &Path, name: &str) -> f64 {
    let all = std::fs::read_to_string(measures).unwrap();
    let line = all.lines().find(|line| line.starts_with(name)).unwrap();
    line.split_whitespace().nth(2).unwrap().parse().unwrap()
}

fn compare(folder: &Path) {
    let load = KEYS.iter().find(|key| key.path == ["load", "nominal_ohm"]).unwrap();
    let capture =
        pipeline::resolve(&folder.join("resonant.txt"), None, &[(load, "500".into())]).unwrap();
    let run = pipeline::measure(&capture, &Settings::default(), &Unobserved).unwrap();
    let measures = folder.join("resonant.measures");
    let whole = &run.measurement.whole;
    // The simulator integrates over its own uneven steps: 1e-4, as for a plain sine.
    close("v rms", value(whole, "voltage_rms_v"), truth(&measures, "vrms"), 2e-4);
    close("i rms", value(whole, "current_rms_a"), truth(&measures, "irms"), 2e-4);
    close("power", value(whole, "power_w"), truth(&measures, "power"), 4e-4);
    close("peak", value(whole, "voltage_peak_v"), truth(&measures, "vmax"), 5e-4);
    let period = (truth(&measures, "t2") - truth(&measures, "t1")) / 140.0;
    close("frequency", value(whole, "fundamental_hz"), 1.0 / period, 2e-4);
    close("load", value(whole, "load_ohm"), 500.0, 1e-4);
}

#[test]
fn kept_simulation() {
    compare(&fixture("spice"));
}

#[test]
fn fresh_simulation() {
    if Command::new("ngspice").arg("--version").output().is_err() {
        eprintln!("skipped: ngspice is not installed");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let made =
        Command::new("bash").arg(fixture("spice/make.sh")).arg(folder.path()).output().unwrap();
    assert!(made.status.success(), "{}", text(&made.stderr));
    compare(folder.path());
}
