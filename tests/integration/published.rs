//! Published ranges: what handbooks say a mode reads, held against what is measured on a waveform
//! of that mode.

use crate::support::{close, measure_recipe, value, vector};
use crestbook::analysis::Settings;
use crestbook::measures::MeasureSet;
use crestbook::synth::Wave;

fn whole(wave: Wave) -> MeasureSet {
    measure_recipe(&vector(wave, 200_000), &Settings::default()).whole
}

fn within(what: &str, got: f64, range: std::ops::RangeInclusive<f64>) {
    assert!(range.contains(&got), "{what}: {got} not in {range:?}");
}

/// Gastroenterological Endoscopy, 2018, chapter 7: continuous output has 100 % duty and a crest
/// factor of 1.4; 20-80 % duty is blended; 6-12 % is coag, with crest factors of 5-7 at 6 %.
#[test]
fn duty_and_crest_factor_of_the_modes() {
    let continuous = whole(Wave::Continuous);
    close("duty", value(&continuous, "duty_cycle"), 1.0, 1e-9);
    within("crest", value(&continuous, "crest_factor"), 1.35..=1.45);
    let blend = whole(Wave::Gated { burst_hz: 25e3, duty: 0.5 });
    within("duty", value(&blend, "duty_cycle"), 0.2..=0.8);
    let coag = whole(Wave::Gated { burst_hz: 10e3, duty: 0.06 });
    within("duty", value(&coag, "duty_cycle"), 0.055..=0.12);
    within("crest", value(&coag, "crest_factor"), 5.0..=7.0);
}

/// Biomedical Engineering Handbook, 2nd ed., table 81.1 (from memory): cut 1.4-2.1, blend
/// 2.1-6.0 with 25-80 % duty, desiccate 3.5-6.0, fulgurate 6-20.
#[test]
fn crest_factors_of_the_handbook() {
    within("cut", value(&whole(Wave::Continuous), "crest_factor"), 1.4..=2.1);
    let blend = whole(Wave::Gated { burst_hz: 25e3, duty: 0.25 });
    within("blend", value(&blend, "crest_factor"), 2.1..=6.0);
    let desiccate = whole(Wave::Damped { burst_hz: 30e3, decrement: 0.5 });
    within("desiccate", value(&desiccate, "crest_factor"), 3.5..=6.0);
    let fulgurate = whole(Wave::Damped { burst_hz: 25e3, decrement: 1.0 });
    within("fulgurate", value(&fulgurate, "crest_factor"), 6.0..=20.0);
}

/// Power of a source U0 behind Ri at a load R: P = U0^2 R / (R + Ri)^2, largest U0^2/(4 Ri) at
/// R = Ri. The measured power of each load must lie on the curve.
#[test]
fn power_curve_of_a_source_behind_a_resistance() {
    let (u0, ri): (f64, f64) = (400.0, 300.0);
    for load in [100.0, 200.0, 300.0, 500.0, 1000.0, 2000.0] {
        let mut recipe = vector(Wave::Continuous, 50_000);
        recipe.load_ohm = load;
        for section in &mut recipe.sections {
            if let Some(output) = &mut section.output {
                output.peak_v = 2_f64.sqrt() * u0 * load / (load + ri);
            }
        }
        let set = measure_recipe(&recipe, &Settings::default()).whole;
        let wanted = u0 * u0 * load / (load + ri).powi(2);
        close("power", value(&set, "power_w"), wanted, 1e-6);
        close("load", value(&set, "load_ohm"), load, 1e-6);
        assert!(value(&set, "power_w") <= u0 * u0 / (4.0 * ri) * (1.0 + 1e-9));
    }
}

/// Carriers of 12 units in hospital use lie between 390.6 and 510.2 kHz (PUC-Rio dissertation):
/// both ends are read back.
#[test]
fn carriers_in_use() {
    for carrier_hz in [390.6e3, 510.2e3] {
        let mut recipe = vector(Wave::Damped { burst_hz: 20e3, decrement: 0.4 }, 100_000);
        for section in &mut recipe.sections {
            if let Some(output) = &mut section.output {
                output.carrier_hz = carrier_hz;
            }
        }
        let set = measure_recipe(&recipe, &Settings::default()).whole;
        close("carrier", value(&set, "fundamental_hz"), carrier_hz, 1e-6);
    }
}
