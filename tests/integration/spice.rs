//! Three circuits simulated by ngspice; the simulator's own `.measure` values are the truth.

use crate::support::{close, fixture, text, value};
use crestbook::analysis::{Settings, measure_capture};
use crestbook::recording::{Unobserved, resolve};
use crestbook::sheet::KEYS;
use std::path::Path;
use std::process::Command;

fn truth(measures: &Path, name: &str) -> f64 {
    let all = std::fs::read_to_string(measures).unwrap();
    let line = all.lines().find(|line| line.starts_with(name)).unwrap();
    line.split_whitespace().nth(2).unwrap().parse().unwrap()
}

fn measured(folder: &Path, name: &str, ohm: &str) -> crestbook::result::Measurement {
    let load = KEYS.iter().find(|key| key.path == ["load", "nominal_ohm"]).unwrap();
    let file = folder.join(format!("{name}.txt"));
    let capture = resolve(&file, None, &[(load, ohm.into())]).unwrap();
    measure_capture(capture, &Settings::default(), &Unobserved).unwrap().measurement
}

/// What all circuits have; the simulator integrates over its own uneven steps: 1e-4, as for a
/// plain sine, and more where a kick jumps within a step.
fn levels(measured: &crestbook::result::Measurement, measures: &Path, of_rms: f64, of_peak: f64) {
    let whole = &measured.whole;
    close("v rms", value(whole, "voltage_rms_v"), truth(measures, "vrms"), of_rms);
    close("i rms", value(whole, "current_rms_a"), truth(measures, "irms"), of_rms);
    close("power", value(whole, "power_w"), truth(measures, "power"), 2.0 * of_rms);
    close("peak", value(whole, "voltage_peak_v"), truth(measures, "vmax"), of_peak);
}

fn compare(folder: &Path) {
    // A continuous resonant output.
    let measures = folder.join("resonant.measures");
    let resonant = measured(folder, "resonant", "500");
    levels(&resonant, &measures, 2e-4, 5e-4);
    let period = (truth(&measures, "t2") - truth(&measures, "t1")) / 140.0;
    close("frequency", value(&resonant.whole, "fundamental_hz"), 1.0 / period, 2e-4);
    close("load", value(&resonant.whole, "load_ohm"), 500.0, 1e-4);

    // A kicked tank: 79.157 uH, 2 nF, 1500 ohm. Decay 1/(2 R C) = 1/6 us; the ringing stands at
    // sqrt(1/(L C) - (1/(2 R C))^2) / 2 pi = 399.12 kHz; 20,000 kicks a second.
    let tank = measured(folder, "tank", "1500");
    levels(&tank, &folder.join("tank.measures"), 1e-3, 6e-3);
    let alpha: f64 = 1.0 / (2.0 * 1500.0 * 2e-9);
    let ringing = (1.0 / (79.157e-6 * 2e-9) - alpha * alpha).sqrt() / std::f64::consts::TAU;
    close("ringing", value(&tank.whole, "fundamental_hz"), ringing, 2e-4);
    close("decay", value(&tank.whole, "burst_decay_s"), 1.0 / alpha, 1e-2);
    close("kicks", value(&tank.whole, "burst_rate_hz"), 20e3, 1e-5);
    // From the crest with which it begins down to a tenth: ln(10) / alpha over 50 us.
    close("duty", value(&tank.whole, "duty_cycle"), 10_f64.ln() / alpha * 20e3, 1e-2);

    // A reactive load: 300 ohm and 60 uH in series.
    let measures = folder.join("reactive.measures");
    let reactive = measured(folder, "reactive", "300");
    levels(&reactive, &measures, 2e-4, 5e-4);
    let apparent = truth(&measures, "vrms") * truth(&measures, "irms");
    let factor = truth(&measures, "power") / apparent;
    close("power factor", value(&reactive.whole, "power_factor"), factor, 6e-4);
    let reactance = std::f64::consts::TAU * 400e3 * 60e-6;
    close("resistance", value(&reactive.whole, "load_ohm"), 300.0, 1e-3);
    close("reactance", value(&reactive.whole, "load_reactance_ohm"), reactance, 1e-3);
    // It is seen that this is no resistor of 300 ohm.
    assert!(reactive.flags.iter().any(|flag| flag.code.name() == "skew_suspected"));
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
