//! The same computations by numpy and scipy: values made by fixtures/reference/make.py.

use crate::support::{SAME, close, fixture, value};
use crestbook::analysis::{Settings, measure_capture};
use crestbook::numeric::envelope::envelope;
use crestbook::numeric::moments::{PairMoments, powers};
use crestbook::recording::{Unobserved, resolve};
use std::f64::consts::TAU;

fn values() -> serde_json::Value {
    let text = std::fs::read_to_string(fixture("reference/values.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn wanted(key: &str) -> f64 {
    values()[key].as_f64().unwrap()
}

#[test]
fn rms_power_and_frequency_as_numpy_and_scipy_have_them() {
    let rate = crestbook::sheet::KEYS.iter().find(|key| key.path == ["sample_rate_hz"]).unwrap();
    let path = fixture("reference/rows-f64.npy");
    let capture = resolve(&path, None, &[(rate, "4e6".into())]).unwrap();
    let run = measure_capture(capture, &Settings::default(), &Unobserved).unwrap();
    let whole = &run.measurement.whole;
    close("v rms", value(whole, "voltage_rms_v"), wanted("v_rms"), SAME);
    close("i rms", value(whole, "current_rms_a"), wanted("i_rms"), SAME);
    close("power", value(whole, "power_w"), wanted("power"), SAME);
    // Both fits see a third harmonic of 2 % and noise over slices of different length.
    close("hz", value(whole, "fundamental_hz"), wanted("fit_hz"), 2e-6);
    let bin = 4e6 / 6000.0;
    assert!((value(whole, "fundamental_hz") - wanted("spectrum_peak_hz")).abs() < bin);
    // 3 V in 150 V.
    close("distortion", value(whole, "distortion"), 0.02, 0.02);
}

#[test]
fn sine_fit_and_kurtosis_as_scipy_has_them() {
    let reader = crestbook::ingest::open(
        &fixture("reference/single-f64.npy"),
        &crestbook::ingest::Opening::default(),
    )
    .unwrap();
    let mut piece = crestbook::ingest::Piece::default();
    let wanted_channels = crestbook::ingest::Selection { voltage: Some(0), current: None };
    reader.decode(0, wanted_channels, &mut piece).unwrap();
    let start = TAU * 333e3 / 4e6;
    let fit = crestbook::numeric::sinefit::fit_steady(&piece.v, start).unwrap();
    close("fit hz", fit.w / TAU * 4e6, wanted("fit_hz"), SAME);
    close("fit amplitude", fit.amplitude(), wanted("fit_amplitude"), SAME);
    let moments = PairMoments::of(&piece.v, &[]);
    close("mean", moments.mean_v, wanted("v_mean"), 1e-6);
    let n = moments.n as f64;
    let kurtosis = powers(&piece.v, moments.mean_v).fourths / n / (moments.m2_v / n).powi(2);
    close("kurtosis", kurtosis, wanted("kurtosis_v"), SAME);
}

/// The analytic-signal envelope of scipy.signal.hilbert in the middle of gated bursts: ours is
/// taken over one carrier cycle, the Hilbert one rings by about a percent from the gate's edges.
#[test]
fn envelope_as_hilbert_has_it() {
    let x: Vec<f64> = (0..6000)
        .map(|n| {
            let on = if n % 400 < 200 { 100.0 } else { 0.0 };
            on * (TAU * 400e3 * f64::from(n) / 4e6).sin()
        })
        .collect();
    let ours = envelope(&x, TAU * 400e3 / 4e6, 10);
    for pair in values()["hilbert_envelope_at"].as_array().unwrap() {
        let at = pair[0].as_u64().unwrap() as usize;
        close("envelope", ours[at], pair[1].as_f64().unwrap(), 0.015);
    }
}
