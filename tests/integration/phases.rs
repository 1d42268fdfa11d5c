//! Phases: found with their kind and their edges, none missed and none invented.

use crate::support::{close, measure_recipe};
use crestbook::analysis::Settings;
use crestbook::measures::Measure;
use crestbook::result::Measurement;
use crestbook::synth::{Output, Recipe, Section, Wave};
use crestbook::trace::Kind::{self, Coag, Cut, Rest};
use crestbook::units::SampleRate;

const CARRIER: f64 = 400e3;
const DAMPED: Wave = Wave::Damped { burst_hz: 20e3, decrement: 0.4 };

fn on(kind: Kind, duration_s: f64, wave: Wave, peak_v: f64) -> Section {
    Section {
        kind,
        duration_s,
        output: Some(Output { wave, peak_v, carrier_hz: CARRIER, ramp_s: 0.0 }),
    }
}

fn rest(duration_s: f64) -> Section {
    Section { kind: Rest, duration_s, output: None }
}

fn recipe(sections: Vec<Section>, start_s: f64, length_s: f64) -> Recipe {
    let rate = SampleRate::new(8e6).unwrap();
    let first = sections.iter().find_map(|section| section.output).unwrap();
    Recipe {
        sections,
        start_s,
        snr_db: Some(40.0),
        ..Recipe::single(first, Cut, rate, rate.samples(length_s).round() as u64, 500.0)
    }
}

fn measured(recipe: &Recipe) -> Measurement {
    measure_recipe(recipe, &Settings::default())
}

/// Kinds and ends; edges within two carrier cycles, or a burst period where bursts are involved.
fn expect(recipe: &Recipe, kinds: &[Kind], ends: &[f64], allowed: f64) {
    let found = measured(recipe);
    let got: Vec<Kind> = found.phases.iter().map(|phase| phase.kind).collect();
    let at: Vec<f64> = found.phases.iter().map(|phase| phase.end_s).collect();
    assert_eq!(got, kinds, "{at:?}");
    for (got, wanted) in at.iter().zip(ends) {
        assert!((got - wanted).abs() <= allowed, "{at:?}, wanted {ends:?}");
    }
}

#[test]
fn a_record_that_begins_and_ends_inside_phases() {
    let sections = vec![on(Cut, 0.010, Wave::Continuous, 500.0), rest(0.015)];
    let made = recipe(sections, 0.004, 0.050);
    let two_cycles = 2.0 / CARRIER;
    expect(&made, &[Cut, Rest, Cut, Rest, Cut], &[0.006, 0.021, 0.031, 0.046], two_cycles);
}

#[test]
fn low_voltage_continuous_coag_after_cut() {
    let sections =
        vec![on(Cut, 0.020, Wave::Continuous, 600.0), on(Coag, 0.060, Wave::Continuous, 120.0)];
    expect(&recipe(sections, 0.0, 0.1), &[Cut, Coag, Cut], &[0.020, 0.080], 2.0 / CARRIER);
}

#[test]
fn a_shape_change_without_a_gap_is_an_edge() {
    let sections = vec![on(Cut, 0.020, Wave::Continuous, 300.0), on(Coag, 0.040, DAMPED, 1500.0)];
    expect(&recipe(sections, 0.0, 0.07), &[Cut, Coag, Cut], &[0.020, 0.060], 50e-6);
}

#[test]
fn blend_to_damped_is_an_edge() {
    let blend = Wave::Gated { burst_hz: 20e3, duty: 0.5 };
    let sections = vec![on(Cut, 0.020, blend, 500.0), on(Coag, 0.040, DAMPED, 1500.0)];
    expect(&recipe(sections, 0.0, 0.06), &[Cut, Coag], &[0.020], 50e-6);
}

#[test]
fn a_missing_burst_is_no_rest() {
    // 10 ms of bursts, a gap of three periods, 10 ms of bursts; then the whole again.
    let sections = vec![
        on(Coag, 0.010, DAMPED, 1500.0),
        rest(150e-6),
        on(Coag, 0.010, DAMPED, 1500.0),
        rest(0.012),
    ];
    expect(&recipe(sections, 0.0, 0.04), &[Coag, Rest, Coag], &[0.02015, 0.03215], 50e-6);
}

#[test]
fn a_slow_ramp_is_one_phase() {
    for ramp_s in [5e-3, 20e-3, 60e-3] {
        let mut cut = on(Cut, 0.1, Wave::Continuous, 600.0);
        if let Some(output) = &mut cut.output {
            output.ramp_s = ramp_s;
        }
        let found = measured(&recipe(vec![rest(0.01), cut, rest(0.01)], 0.0, 0.12));
        let kinds: Vec<Kind> = found.phases.iter().map(|phase| phase.kind).collect();
        assert_eq!(kinds, [Rest, Cut, Rest], "ramp {ramp_s}");
        // The mid reference level of the ramp is passed in its middle.
        let start = found.phases[1].start_s;
        assert!((start - 0.01 - ramp_s / 2.0).abs() < 0.1 * ramp_s, "ramp {ramp_s}: {start}");
        let rise = found.phases[1].measures.get(Measure::OnsetRise).unwrap().value;
        assert!((rise / (0.8 * ramp_s) - 1.0).abs() < 0.1, "ramp {ramp_s}: rise {rise}");
    }
}

#[test]
fn the_foot_of_a_slow_rise_is_no_noise() {
    // No stretch of the record is free of output; the peak was once told up to 40 % low.
    for (ramp_s, length_s) in [(10e-3, 10e-3), (10e-3, 50e-3), (3e-3, 10e-3), (20e-3, 20e-3)] {
        let mut cut = on(Cut, 0.1, Wave::Continuous, 1000.0);
        if let Some(output) = &mut cut.output {
            output.ramp_s = ramp_s;
        }
        let made = Recipe { snr_db: None, ..recipe(vec![cut], 0.0, length_s) };
        let found = measured(&made);
        let phase = found.phases.last().unwrap();
        assert_eq!(phase.kind, Cut, "ramp {ramp_s}");
        let peak = phase.measures.get(Measure::VoltagePeak).unwrap();
        assert!((peak.value - 1000.0).abs() < 0.5, "ramp {ramp_s} of {length_s}: {}", peak.value);
        // Mean square of the sine under a straight rise, from where the phase begins.
        let (begin, full) = (phase.start_s, ramp_s.min(length_s));
        let rise = (full.powi(3) - begin.powi(3)) / (3.0 * ramp_s * ramp_s);
        let square = 0.5e6 * (rise + length_s - full) / (length_s - begin);
        let crest = phase.measures.get(Measure::CrestFactor).unwrap().value;
        close("crest factor", crest, 1000.0 / square.sqrt(), 1e-3);
    }
}

#[test]
fn an_onset_boost_is_no_edge_and_is_measured() {
    // 20 ms at 390 V, then 300 V: RMS 1.3 times the steady one.
    let sections = vec![
        rest(0.01),
        on(Cut, 0.020, Wave::Continuous, 390.0),
        on(Cut, 0.080, Wave::Continuous, 300.0),
        rest(0.01),
    ];
    let found = measured(&recipe(sections, 0.0, 0.12));
    let kinds: Vec<Kind> = found.phases.iter().map(|phase| phase.kind).collect();
    assert_eq!(kinds, [Rest, Cut, Rest]);
    let boost = found.phases[1].measures.get(Measure::OnsetBoost).unwrap().value;
    assert!((boost - 1.3).abs() < 0.01, "{boost}");
}

#[test]
fn cycles_are_counted_and_timed() {
    let sections =
        vec![on(Cut, 0.010, Wave::Continuous, 500.0), on(Coag, 0.030, DAMPED, 1200.0), rest(0.010)];
    let found = measured(&recipe(sections, 0.025, 0.19));
    assert_eq!(found.cycles.sequence, [Cut, Coag, Rest]);
    assert_eq!(found.cycles.count, 3);
    let period = found.cycles.period_s.unwrap();
    assert!((period.value / 0.05 - 1.0).abs() < 1e-3);
    let share = found.kinds.get(Cut).unwrap().measures.get(Measure::PhaseShare).unwrap().value;
    assert!((share - 0.2).abs() < 2e-3, "{share}");
    assert!(found.flags.iter().any(|flag| flag.code.name() == "incomplete_cycle"));
}

#[test]
fn constant_zero_is_rest_and_says_so() {
    let made =
        Recipe { snr_db: None, ..recipe(vec![on(Cut, 0.01, Wave::Continuous, 0.0)], 0.0, 0.01) };
    let found = measured(&made);
    assert_eq!(found.phases.len(), 1);
    assert_eq!(found.phases[0].kind, Rest);
    assert!(found.flags.iter().any(|flag| flag.code.name() == "no_output"));
}

#[test]
fn offset_is_taken_from_rest_only() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("offset.csv");
    let made = recipe(vec![on(Cut, 0.004, Wave::Continuous, 500.0), rest(0.004)], 0.0, 0.008);
    let block = made.block(0..made.samples);
    let mut rows = String::from("time (s),voltage (V),current (A)\n");
    for k in 0..block.len() {
        rows.push_str(&format!(
            "{:e},{},{}\n",
            k as f64 / 8e6,
            block.v[k] + 12.0,
            block.i[k] - 0.1
        ));
    }
    std::fs::write(&path, rows).unwrap();
    let found = crate::support::measure_file(&path, &Settings::default());
    let offset = found.settings.voltage.as_ref().unwrap();
    assert_eq!(offset.offset_from, crestbook::result::OffsetSource::Rest);
    assert!((offset.offset - 12.0).abs() < 0.1, "{offset:?}");
    let power = found.kinds.get(Cut).unwrap().measures.get(Measure::Power).unwrap().value;
    assert!((power / 250.0 - 1.0).abs() < 2e-3, "{power}");
}

/// A smaller run of what docs/accuracy.md tells at length.
#[test]
fn short_cycles_of_every_shape_and_noise() {
    for (number, coag) in [DAMPED, Wave::Gated { burst_hz: 16e3, duty: 0.08 }, Wave::Continuous]
        .into_iter()
        .enumerate()
    {
        for snr_db in [20.0, 30.0, 40.0, 60.0] {
            let peak = if coag == Wave::Continuous { 150.0 } else { 1800.0 };
            let sections = vec![
                on(Cut, 0.012, Wave::Continuous, 500.0),
                on(Coag, 0.050, coag, peak),
                rest(0.011),
            ];
            let mut made = recipe(sections, 0.030, 0.090);
            made.snr_db = Some(snr_db);
            made.bits = Some(8);
            made.seed = number as u64;
            let found = measured(&made);
            let kinds: Vec<Kind> = found.phases.iter().map(|phase| phase.kind).collect();
            assert_eq!(kinds, [Coag, Rest, Cut, Coag], "{coag:?} {snr_db} dB");
        }
    }
}

/// Sparse bursts in a short record: 9.2 kHz, five carrier cycles of 260. Cut into frames shorter
/// than the burst period, the silence between them once passed for rest.
#[test]
fn sparse_bursts_of_a_short_record_are_output() {
    use crestbook::synth::{Output, Recipe, Wave};
    use crestbook::units::SampleRate;
    for samples in (24_000..80_000).step_by(4_000) {
        let wave = Wave::Damped { burst_hz: 9195.0, decrement: 0.468 };
        let output = Output { wave, peak_v: 1000.0, carrier_hz: 2.388e6, ramp_s: 0.0 };
        let rate = SampleRate::new(40e6).unwrap();
        let recipe = Recipe {
            snr_db: Some(48.0),
            start_s: 0.0132,
            ..Recipe::single(output, Coag, rate, samples, 500.0)
        };
        let found = measure_recipe(&recipe, &Default::default());
        assert_eq!(found.phases.len(), 1, "{samples} samples");
        assert_eq!(found.phases[0].kind, Coag, "{samples} samples");
        let hz = found.whole.get(Measure::Fundamental).unwrap().value;
        assert!((hz / 2.388e6 - 1.0).abs() < 1e-3, "{samples} samples: {hz}");
    }
}
