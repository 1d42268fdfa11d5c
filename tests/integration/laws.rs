//! Laws that hold whatever the waveform.

use crate::support::{close, measure_recipe, value, vector};
use crestbook::pipeline::Settings;
use crestbook::synth::{Recipe, Wave};
use proptest::prelude::*;

const KEYS: [&str; 6] =
    ["power_w", "voltage_rms_v", "current_rms_a", "voltage_peak_v", "crest_factor", "duty_cycle"];

#[test]
fn threads_do_not_matter() {
    let recipe = Recipe {
        snr_db: Some(40.0),
        ..vector(Wave::Damped { burst_hz: 25e3, decrement: 0.4 }, 300_000)
    };
    let run = |threads| measure_recipe(&recipe, &Settings { threads, ..Settings::default() });
    let (one, many) = (run(1), run(5));
    for key in KEYS {
        assert_eq!(value(&one.whole, key).to_bits(), value(&many.whole, key).to_bits(), "{key}");
    }
}

#[test]
fn a_shift_in_time_moves_the_phases_and_nothing_else() {
    use crestbook::synth::{Output, Section};
    use crestbook::trace::Kind;
    use crestbook::units::SampleRate;
    let output = |wave, peak_v| Output { wave, peak_v, carrier_hz: 400e3, ramp_s: 0.0 };
    let cut = output(Wave::Continuous, 500.0);
    let recipe = |start_s| Recipe {
        sections: vec![
            Section { kind: Kind::Rest, duration_s: 10e-3, output: None },
            Section { kind: Kind::Cut, duration_s: 15e-3, output: Some(cut) },
            Section { kind: Kind::Rest, duration_s: 10e-3, output: None },
        ],
        start_s,
        ..Recipe::single(cut, Kind::Cut, SampleRate::new(8e6).unwrap(), 220_000, 500.0)
    };
    let early = measure_recipe(&recipe(0.0), &Settings::default());
    let late = measure_recipe(&recipe(4e-3), &Settings::default());
    assert_eq!(early.phases.len(), 3);
    assert_eq!(late.phases.len(), 3);
    close("shift", early.phases[1].start_s - late.phases[1].start_s, 4e-3, 1e-9);
    close(
        "power",
        value(&late.phases[1].measures, "power_w"),
        value(&early.phases[1].measures, "power_w"),
        1e-6,
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    #[test]
    fn scaling_scales(factor in 0.25_f64..4.0, duty in 0.1_f64..0.9) {
        let wave = Wave::Gated { burst_hz: 25e3, duty: (duty * 20.0).round() / 20.0 };
        // Above 200 V throughout, so that the kind does not hang on the scale.
        let base = vector(wave, 40_000);
        let mut scaled = base.clone();
        for section in &mut scaled.sections {
            if let Some(output) = &mut section.output {
                output.peak_v *= factor;
            }
        }
        let (a, b) = (measure_recipe(&base, &Settings::default()), measure_recipe(&scaled, &Settings::default()));
        for (key, power) in [("voltage_rms_v", 1), ("power_w", 2), ("crest_factor", 0), ("duty_cycle", 0)] {
            close(key, value(&b.whole, key), value(&a.whole, key) * factor.powi(power), 1e-6);
        }
    }
}
