//! Exact vectors: closed forms, derived by hand in the comments beside them.

use crate::support::{CREST, EXACT, close, measure_recipe, value, vector};
use crestbook::analysis::Settings;
use crestbook::synth::{Output, Recipe, Wave, truth};
use crestbook::trace::Kind;
use crestbook::units::SampleRate;

fn whole(recipe: &Recipe) -> crestbook::measures::MeasureSet {
    measure_recipe(recipe, &Settings::default()).whole
}

#[test]
fn sine_crest_factor_is_the_root_of_two() {
    let set = whole(&vector(Wave::Continuous, 100_000));
    close("crest", value(&set, "crest_factor"), 2_f64.sqrt(), EXACT);
    close("power", value(&set, "power_w"), 1000.0, EXACT);
    close("hz", value(&set, "fundamental_hz"), 500e3, EXACT);
    close("duty", value(&set, "duty_cycle"), 1.0, EXACT);
    close("load", value(&set, "load_ohm"), 500.0, EXACT);
    close("factor", value(&set, "power_factor"), 1.0, EXACT);
    close("energy", value(&set, "energy_j"), 10.0, EXACT);
}

#[test]
fn gated_sines() {
    // Crest factor sqrt(2/D); power 1000 W * D; on-time D / burst rate.
    for (on, of) in [(3_u32, 50_u32), (10, 20), (1, 20), (5, 20), (2, 20)] {
        let duty = f64::from(on) / f64::from(of);
        let burst_hz = 500e3 / f64::from(of);
        let set = whole(&vector(Wave::Gated { burst_hz, duty }, 100_000));
        let name = format!("{on} of {of}");
        close(&name, value(&set, "crest_factor"), (2.0 / duty).sqrt(), EXACT);
        close(&name, value(&set, "power_w"), 1000.0 * duty, EXACT);
        close(&name, value(&set, "voltage_rms_v").powi(2), 500e3 * duty, EXACT);
        close(&name, value(&set, "duty_cycle"), duty, EXACT);
        close(&name, value(&set, "duty_cycle_equivalent"), duty, EXACT);
        close(&name, value(&set, "burst_rate_hz"), burst_hz, EXACT);
        close(&name, value(&set, "burst_on_s"), duty / burst_hz, EXACT);
        close(&name, value(&set, "burst_energy_j"), 1000.0 * duty / burst_hz, EXACT);
    }
}

#[test]
fn modulated_sine_of_half_depth_has_crest_factor_two() {
    // (1 + m) sqrt(2) / sqrt(1 + m^2/2): m = 0.5 gives 2, m = 1 gives 2.309401.
    for (depth, crest) in [(0.5, 2.0), (1.0, 2.309_401)] {
        let set = whole(&vector(Wave::Modulated { modulation_hz: 20e3, depth }, 100_000));
        close("crest", value(&set, "crest_factor"), crest, EXACT);
        // A carrier that swings is fitted over some ten cycles at a time, and none of these is a
        // decaying sine; at full depth each swing is a burst of its own.
        let tolerance = if depth < 1.0 { 5e-6 } else { 1e-3 };
        close("carrier", value(&set, "fundamental_hz"), 500e3, tolerance);
        close("rate", value(&set, "burst_rate_hz"), 20e3, 1e-3);
    }
}

#[test]
fn burst_figures_hold_in_noise() {
    let wave = Wave::Damped { burst_hz: 25e3, decrement: 0.5 };
    for snr_db in [25.0, 30.0, 40.0] {
        let recipe = Recipe { snr_db: Some(snr_db), ..vector(wave, 200_000) };
        let set = whole(&recipe);
        let name = format!("{snr_db} dB");
        close(&name, value(&set, "burst_rate_hz"), 25e3, 2e-3);
        close(&name, value(&set, "duty_cycle"), 10_f64.ln() / 0.5 / 500e3 * 25e3, 0.06);
        close(&name, value(&set, "fundamental_hz"), 500e3, 2e-3);
    }
}

#[test]
fn the_strongest_second() {
    // 0.6 s of 100 W, 0.2 s of rest, 0.5 s of 80 W: from the start on 60 J + 0.2 s * 80 W = 76 J.
    use crestbook::synth::Section;
    let sine = |power: f64| Output {
        wave: Wave::Continuous,
        peak_v: (2.0 * power * 500.0_f64).sqrt(),
        carrier_hz: 200e3,
        ramp_s: 0.0,
    };
    let on = |power, duration_s| Section { kind: Kind::Cut, duration_s, output: Some(sine(power)) };
    let rest = Section { kind: Kind::Rest, duration_s: 0.2, output: None };
    let recipe = Recipe {
        sections: vec![on(100.0, 0.6), rest, on(80.0, 0.5)],
        ..Recipe::single(sine(1.0), Kind::Cut, SampleRate::new(2.4e6).unwrap(), 3_120_000, 500.0)
    };
    close("1 s", value(&whole(&recipe), "power_1s_max_w"), 76.0, 1e-4);
}

#[test]
fn damped_bursts() {
    // CF = 2 sqrt(a T) exp(-a tp), tp = atan(w/a)/w, for fully decayed bursts; the threshold
    // rule reads ln(1/share)/(a T).
    for (burst_hz, decrement, crest) in
        [(30e3, 0.5, 5.127_397), (25e3, 1.0, 7.143_001), (20e3, 0.3, 5.093_049)]
    {
        let set = whole(&vector(Wave::Damped { burst_hz, decrement }, 200_000));
        let a = decrement * 500e3;
        let name = format!("{burst_hz} {decrement}");
        // The kink at the start of each burst is not band-limited: sampling itself costs this.
        close(&name, value(&set, "crest_factor"), crest, CREST);
        close(&name, value(&set, "duty_cycle"), 10_f64.ln() / a * burst_hz, 2e-3);
        close(&name, value(&set, "burst_rate_hz"), burst_hz, 1e-5);
        close(&name, value(&set, "burst_decay_s"), 1.0 / a, 2e-3);
        close(&name, value(&set, "fundamental_hz"), 500e3, EXACT);
        // Vrms^2 = A^2 w^2 / (4 a T (a^2 + w^2)) with the amplitude A that gives 1000 V peak.
        let w = std::f64::consts::TAU * 500e3;
        let tp = (w / a).atan() / w;
        let amplitude = 1000.0 / ((-a * tp).exp() * (w * tp).sin());
        let square = amplitude.powi(2) * w * w * burst_hz / (4.0 * a * (a * a + w * w));
        close(&name, value(&set, "voltage_rms_v").powi(2), square, 1e-3);
    }
}

#[test]
fn duty_of_a_damped_burst_depends_on_the_threshold_and_says_so() {
    // 30 kHz bursts, log decrement 0.5: 27.6 % at 10 %, 8.3 % at 50 %.
    let recipe = vector(Wave::Damped { burst_hz: 30e3, decrement: 0.5 }, 200_000);
    for (threshold, duty) in [(0.1, 0.2763), (0.5, 0.0832)] {
        let settings = Settings { duty_threshold: threshold, ..Settings::default() };
        let result = measure_recipe(&recipe, &settings);
        close("duty", value(&result.whole, "duty_cycle"), duty, 4e-3);
        assert!((result.settings.duty_threshold - threshold).abs() < 1e-12);
    }
}

#[test]
fn crest_factor_holds_from_twelve_samples_per_cycle_on() {
    for per_cycle in [12.0, 12.7, 15.3, 17.9, 24.1] {
        for wave in [Wave::Continuous, Wave::Gated { burst_hz: 20e3, duty: 0.4 }] {
            let output = Output { wave, peak_v: 700.0, carrier_hz: 400e3, ramp_s: 0.0 };
            let rate = SampleRate::new(400e3 * per_cycle).unwrap();
            let samples = rate.samples(10e-3).round() as u64;
            let recipe = Recipe::single(output, Kind::Cut, rate, samples, 500.0);
            let wanted = truth(&recipe, 0.1).whole.crest_factor.unwrap();
            close(
                &format!("{per_cycle} {wave:?}"),
                value(&whole(&recipe), "crest_factor"),
                wanted,
                CREST,
            );
        }
    }
}

#[test]
fn carrier_frequency_in_noise() {
    // 60 dB over 10 ms: within 1e-6, as wanted of the product.
    for (seed, carrier_hz) in [(1, 437_123.4), (2, 1_234_567.8), (3, 390_625.0)] {
        let output = Output { wave: Wave::Continuous, peak_v: 500.0, carrier_hz, ramp_s: 0.0 };
        let rate = SampleRate::new(20e6).unwrap();
        let recipe = Recipe {
            snr_db: Some(60.0),
            seed,
            ..Recipe::single(output, Kind::Cut, rate, 200_000, 500.0)
        };
        close("hz", value(&whole(&recipe), "fundamental_hz"), carrier_hz, EXACT);
    }
}

#[test]
fn skew_bends_power_as_the_formula_says_and_the_delay_mends_it() {
    // P'/P = cos(2 pi f d) on a resistor: 500 kHz and 10 ns give -0.05 %.
    let recipe = Recipe { skew_s: 10e-9, ..vector(Wave::Continuous, 100_000) };
    let power = value(&whole(&recipe), "power_w");
    close("bent", power, 1000.0 * (std::f64::consts::TAU * 500e3 * 10e-9).cos(), EXACT);
    close("bent", power / 1000.0 - 1.0, -0.000_493, 1e-2);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("skewed.npy");
    let path = path.to_str().unwrap();
    let made = crate::support::crestbook(&["synth", "continuous", "-o", path, "--skew-s", "80e-9"]);
    assert!(made.status.success());
    // The sheet that synth wrote states the delay.
    let result = crate::support::measure_file(std::path::Path::new(path), &Settings::default());
    close("mended", value(&result.whole, "power_w"), 1000.0, 1e-4);
}

#[test]
fn sections_add_up() {
    // 50 ms at 100 W and 150 ms at 20 W: 5 + 3 = 8 J, mean 40 W.
    use crestbook::synth::Section;
    let sine = |power: f64| Output {
        wave: Wave::Continuous,
        peak_v: (2.0 * power * 500.0_f64).sqrt(),
        carrier_hz: 400e3,
        ramp_s: 0.0,
    };
    let recipe = Recipe {
        sections: vec![
            Section { kind: Kind::Cut, duration_s: 0.05, output: Some(sine(100.0)) },
            Section { kind: Kind::Coag, duration_s: 0.15, output: Some(sine(20.0)) },
        ],
        ..Recipe::single(sine(100.0), Kind::Cut, SampleRate::new(8e6).unwrap(), 1_600_000, 500.0)
    };
    let result = measure_recipe(&recipe, &Settings::default());
    close("energy", value(&result.whole, "energy_j"), 8.0, EXACT);
    close("power", value(&result.whole, "power_w"), 40.0, EXACT);
    // 20 W into 500 ohm peak at 141 V: continuous below 200 V is coag.
    let kinds: Vec<Kind> = result.phases.iter().map(|phase| phase.kind).collect();
    assert_eq!(kinds, [Kind::Cut, Kind::Coag]);
}
