//! Laws that hold whatever the waveform.

use crate::support::{close, measure_recipe, measure_recipe_with, value, vector};
use crestbook::analysis::Settings;
use crestbook::measures::Measure;
use crestbook::numeric::moments::PairMoments;
use crestbook::synth::{Recipe, Wave};
use proptest::prelude::*;
use std::path::Path;

const KEYS: [&str; 6] =
    ["power_w", "voltage_rms_v", "current_rms_a", "voltage_peak_v", "crest_factor", "duty_cycle"];

#[test]
fn threads_do_not_matter() {
    let recipe = Recipe {
        snr_db: Some(40.0),
        ..vector(Wave::Damped { burst_hz: 25e3, decrement: 0.4 }, 300_000)
    };
    let run = |threads| measure_recipe(&recipe, &Settings::on_threads(threads));
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

    /// A scale a on the voltage: RMS and its uncertainty by |a|, power by a, crest factor and duty
    /// not at all; a negative one turns the sign.
    #[test]
    fn a_scale_on_the_sheet_scales(factor in prop_oneof![-3.0_f64..-0.4, 0.4_f64..3.0]) {
        let recipe = Recipe { snr_db: Some(45.0), ..vector(Wave::Gated { burst_hz: 25e3, duty: 0.3 }, 40_000) };
        let sheet = |scale: f64| format!(
            "[voltage]\nchannel = 0\nscale = {scale:e}\nrelative_standard_uncertainty = 0.01\n\
             [current]\nchannel = 1\nrelative_standard_uncertainty = 0.01\n"
        );
        let run = |scale| measure_recipe_with(&recipe, &sheet(scale), &Settings::default());
        let (a, b) = (run(1.0), run(factor));
        close("rms", value(&b.whole, "voltage_rms_v"), value(&a.whole, "voltage_rms_v") * factor.abs(), 1e-9);
        close("power", value(&b.whole, "power_w"), value(&a.whole, "power_w") * factor, 1e-9);
        close("crest", value(&b.whole, "crest_factor"), value(&a.whole, "crest_factor"), 1e-6);
        close("duty", value(&b.whole, "duty_cycle"), value(&a.whole, "duty_cycle"), 1e-6);
        let u = |m: &crestbook::result::Measurement| m.whole.get(Measure::VoltageRms).unwrap().standard_uncertainty.unwrap();
        close("u", u(&b), u(&a) * factor.abs(), 1e-6);
    }

    /// Moments do not hang on where a series is cut, and swap with its channels.
    #[test]
    fn moments_merge_at_any_split(
        x in proptest::collection::vec((-1e3_f64..1e3, -1e3_f64..1e3), 2..400),
        cut in 0.0_f64..1.0,
        offset in prop_oneof![Just(0.0), Just(1e6)],
    ) {
        let (v, i): (Vec<f64>, Vec<f64>) = x.iter().map(|(v, i)| (v + offset, *i)).unzip();
        let whole = PairMoments::of(&v, &i);
        let k = (cut * v.len() as f64) as usize;
        let mut merged = PairMoments::of(&v[..k], &i[..k]);
        merged.merge(&PairMoments::of(&v[k..], &i[k..]));
        let scale = 1e3 * 1e3 * v.len() as f64;
        prop_assert!((merged.m2_v - whole.m2_v).abs() <= 1e-9 * scale);
        prop_assert!((merged.c_vi - whole.c_vi).abs() <= 1e-9 * scale);
        prop_assert!((merged.mean_v - whole.mean_v).abs() <= 1e-12 * (1e3 + offset));
        let swapped = PairMoments::of(&i, &v);
        prop_assert_eq!(swapped.m2_i, whole.m2_v);
        prop_assert!((swapped.c_vi - whole.c_vi).abs() <= 1e-9 * scale);
    }

    /// Two records one behind the other: energies add, mean squares are weighed by length.
    #[test]
    fn concatenation_adds(first in 5_000_u64..20_000, second in 5_000_u64..20_000) {
        let whole = vector(Wave::Continuous, first + second);
        let part = |start: u64, samples: u64| {
            let mut recipe = whole.clone();
            recipe.start_s = recipe.rate.seconds(start as f64);
            recipe.samples = samples;
            measure_recipe(&recipe, &Settings::default()).whole
        };
        let (a, b, both) = (part(0, first), part(first, second), part(0, first + second));
        close("energy", value(&a, "energy_j") + value(&b, "energy_j"), value(&both, "energy_j"), 1e-9);
        let (m, n) = (first as f64, second as f64);
        let square = (m * value(&a, "voltage_rms_v").powi(2) + n * value(&b, "voltage_rms_v").powi(2)) / (m + n);
        close("rms", square.sqrt(), value(&both, "voltage_rms_v"), 1e-9);
    }
}

/// Channels swapped in the sheet: what was voltage is current, and the power is the same.
#[test]
fn channels_swap() {
    let recipe = Recipe { snr_db: Some(50.0), ..vector(Wave::Continuous, 20_000) };
    let sheet = |v: u32, i: u32| format!("[voltage]\nchannel = {v}\n[current]\nchannel = {i}\n");
    let run = |v, i| measure_recipe_with(&recipe, &sheet(v, i), &Settings::default());
    let (a, b) = (run(0, 1), run(1, 0));
    close("rms", value(&a.whole, "voltage_rms_v"), value(&b.whole, "current_rms_a"), 1e-12);
    close("peak", value(&a.whole, "voltage_peak_v"), value(&b.whole, "current_peak_a"), 1e-6);
    close("power", value(&a.whole, "power_w"), value(&b.whole, "power_w"), 1e-12);
}

/// The relative variance of power is the sum of those of its factors: with u 1 % and 2 % of the
/// scales and r = 0.5 between them, sqrt(1 + 4 + 2 * 0.5 * 1 * 2) = sqrt(7) = 2.6458 %; of the
/// voltage alone behind a load of 1 %, sqrt((2 * 1)^2 + 1) = sqrt(5) = 2.2361 %; the crest factor
/// hangs on neither.
#[test]
fn budgets_of_power_by_hand() {
    let recipe = vector(Wave::Continuous, 20_000);
    let both = "[voltage]\nchannel = 0\nrelative_standard_uncertainty = 0.01\n[current]\n\
                channel = 1\nrelative_standard_uncertainty = 0.02\n\
                [correlation]\nvoltage_current = 0.5\n";
    let alone = "[voltage]\nchannel = 0\nrelative_standard_uncertainty = 0.01\n[load]\n\
                 nominal_ohm = 500.0\nrelative_standard_uncertainty = 0.01\n";
    for (sheet, wanted) in [(both, 7_f64.sqrt()), (alone, 5_f64.sqrt())] {
        let found = if sheet == alone {
            voltage_only(&recipe, sheet)
        } else {
            measure_recipe_with(&recipe, sheet, &Settings::default())
        };
        let power = found.whole.get(Measure::Power).unwrap();
        let relative = 100.0 * power.standard_uncertainty.unwrap() / power.value;
        // Second order adds 2e-4 of it.
        close("u of power", relative, wanted, 1e-3);
        let crest = found.whole.get(Measure::CrestFactor).unwrap();
        assert!(crest.standard_uncertainty.unwrap() < 1e-4 * crest.value);
        assert!(crest.missing_terms.is_empty(), "{:?}", crest.missing_terms);
    }
}

/// A file of one channel.
fn voltage_only(recipe: &Recipe, sheet: &str) -> crestbook::result::Measurement {
    use crestbook::analysis::measure_capture;
    use crestbook::recording::{Capture, Unobserved};
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("one.csv");
    let block = recipe.block(0..recipe.samples);
    let interval = 1.0 / recipe.rate.hertz();
    let rows =
        block.v.iter().enumerate().map(|(n, v)| format!("{:e},{v:e}\n", n as f64 * interval));
    std::fs::write(&path, format!("time (s),voltage (V)\n{}", rows.collect::<String>())).unwrap();
    let sheet = sheet.replace("channel = 0", "channel = \"voltage\"");
    let sheet = crestbook::sheet::read(&path, &sheet).unwrap();
    let capture = Capture { sheet, ..Capture::bare(&path) };
    measure_capture(capture, &Settings::default(), &Unobserved).unwrap().measurement
}

/// Every document that is written reads back equal: a measurement, a check, the result of a job.
#[test]
fn what_is_written_reads_back_equal() {
    use crestbook::result::{Form, Measurement};
    let folder = tempfile::tempdir().unwrap();
    for (name, flags) in [
        ("cycle.npy", &["cycled", "--snr-db", "40"][..]),
        ("ringing.csv", &["damped", "--duration-s", "0.002"]),
        ("bare.wav", &["gated", "--bits", "12"]),
    ] {
        let path = folder.path().join(name);
        let out = ["-o", path.to_str().unwrap(), "--quiet"];
        let done = crate::support::crestbook(&[&["synth"], flags, &out].concat());
        assert!(done.status.success());
        let mut settings = Settings::default();
        settings.extras.budget = true;
        settings.extras.monte_carlo = Some((crestbook::uncertainty::Draws::Count(1_000), 1));
        settings.read.hash = true;
        let found = crate::support::measure_file(&path, &settings);
        let text = serde_json::to_vec(&found).unwrap();
        let again: Measurement = Form::Measurement.read(&text).unwrap();
        assert!(again == found, "{name}");
        let profile = "format = 1\n[[setting]]\nid = \"a\"\nload_ohm = 100.0\nsequence = [\"rest\"]\n\
                       [[setting.limit]]\nmeasure = \"power_w\"\nin = \"whole\"\nmin = 1.0\n";
        let profile = crestbook::verification::Profile::read(&path, profile).unwrap();
        let checked = crestbook::check::check(found, profile.expected(), &profile.setting[0]);
        let text = serde_json::to_vec(&checked).unwrap();
        let again: crestbook::check::CheckResult = Form::Check.read(&text).unwrap();
        assert!(again == checked, "{name}");
    }
    let bench = folder.path().join("bench");
    let bench = bench.to_str().unwrap();
    crate::support::crestbook(&["demo", bench, "--quiet"]);
    crate::support::crestbook(&["job", bench, "--quiet"]);
    let text = std::fs::read(Path::new(bench).join("results/result.json")).unwrap();
    let mut result: crestbook::verification::JobResult = Form::Job.read(&text).unwrap();
    assert!(result.is_unchanged().unwrap());
    let mut again = Vec::new();
    crestbook::report::job::json(&result, &mut again).unwrap();
    assert!(again == text);
}

/// Arrays give the numbers of the same samples in a file; a range of all gives those of the whole, one of
/// a phase those of the phase.
#[test]
fn arrays_and_ranges() {
    use crestbook::recording::{Recording, Unobserved};
    use std::sync::Arc;
    let recipe =
        Recipe { snr_db: Some(50.0), ..vector(Wave::Gated { burst_hz: 20e3, duty: 0.4 }, 400_000) };
    let block = recipe.block(0..recipe.samples);
    // Rest at either end.
    let quiet = vec![0.0; 20_000];
    let padded = |x: &[f64]| -> Arc<[f64]> { [&quiet, x, &quiet].concat().into() };
    let (v, i) = (padded(&block.v), padded(&block.i));
    let sheet = crestbook::sheet::read(
        Path::new("a"),
        "[load]\nnominal_ohm = 500.0\n[voltage]\nrelative_standard_uncertainty = 0.01\n\
         [current]\nrelative_standard_uncertainty = 0.01\n",
    )
    .unwrap();
    let recording = Recording::from_arrays(Some(v), Some(i), recipe.rate, sheet).unwrap();
    let run = crestbook::analysis::measure(&recording, &Settings::default(), &Unobserved).unwrap();
    let found = &run.measurement;
    assert_eq!(found.phases.len(), 3);
    let total = run.record.overview().samples();
    assert_eq!(run.measure_range(0..total).unwrap(), found.whole);
    // A recording is not used up.
    let again = crestbook::analysis::measure(&recording, &Settings::default(), &Unobserved);
    assert_eq!(again.unwrap().measurement, *found);
    let phase = &run.phases[1];
    let of_phase = run.measure_range(phase.start..phase.end).unwrap();
    for measure in [Measure::Power, Measure::CrestFactor, Measure::BurstRate, Measure::DutyCycle] {
        let (a, b) =
            (of_phase.get(measure).unwrap(), found.phases[1].measures.get(measure).unwrap());
        assert_eq!(a, b, "{measure}");
    }
    // Ten burst periods from the middle: the duty is that of the whole, the energy a share of it.
    let period = 500;
    let start = phase.start + (phase.len() / 2 / period) * period;
    let part = run.measure_range(start..start + 10 * period).unwrap();
    let value = |set: &crestbook::measures::MeasureSet, measure| set.get(measure).unwrap().value;
    close("power", value(&part, Measure::Power), value(&of_phase, Measure::Power), 2e-3);
    close("duty", value(&part, Measure::DutyCycle), 0.4, 1e-2);
    let share = 10.0 * period as f64 / phase.len() as f64;
    close("energy", value(&part, Measure::Energy), share * value(&of_phase, Measure::Energy), 2e-3);
    assert!(part.get(Measure::Power).unwrap().expanded().unwrap() > 0.0);
    for wrong in [5..5, 0..total + 1, total..total + 5] {
        assert!(run.measure_range(wrong).is_err());
    }
}

/// What is no number is a gap; what does not go together is told.
#[test]
fn arrays_that_do_not_fit() {
    use crestbook::recording::Recording;
    use crestbook::sheet::Sheet;
    let rate = crestbook::units::SampleRate::new(1e6).unwrap();
    let of = |v: Option<Vec<f64>>, i: Option<Vec<f64>>| {
        Recording::from_arrays(v.map(Into::into), i.map(Into::into), rate, Sheet::default())
    };
    let wave = |n: usize| (0..n).map(|k| (k as f64 * 0.3).sin()).collect::<Vec<_>>();
    for (v, i, said) in [
        (None, None, "neither voltage nor current"),
        (Some(wave(100)), Some(wave(99)), "100 samples of voltage, 99 of current"),
        (Some(Vec::new()), None, "a capture needs many"),
        (Some(vec![f64::NAN; 100]), None, "no sample is valid"),
    ] {
        let error = of(v, i).err().unwrap().to_string();
        assert!(error.contains(said), "{error}");
    }
    let mut gapped = wave(10_000);
    gapped[5_000] = f64::NAN;
    gapped[5_001] = f64::INFINITY;
    let recording = of(Some(gapped), None).unwrap();
    assert_eq!(recording.gaps().count(&(0..10_000)), 2);
    assert_eq!(recording.gaps().overrange(&(0..10_000)), 1);
}
