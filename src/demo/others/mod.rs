//! Three more invented units, whose makers named everything differently: each with a plan of its own, and
//! captures that put out what that plan promises, but for some scatter.

use super::unit::{RATE_HZ, cycled, scaled, to_power};
use crate::synth::{Output, Recipe, Wave};
use crate::trace::Kind;
use crate::units::SampleRate;
use crate::verification::{Load, Step, StepKind};

/// One of them.
pub(super) struct Other {
    /// Name of its folder.
    pub folder: &'static str,
    /// Serial number.
    pub serial: &'static str,
    /// Profile and plan.
    pub plan: &'static str,
    carrier_hz: f64,
    /// Settings whose output comes in bursts, and how.
    waves: &'static [(&'static str, Wave)],
    /// Lengths of cut, coag and rest of its cycle, s, and their peaks, V.
    cycle: [f64; 5],
}

/// All of them.
pub(super) const OTHERS: [Other; 3] = [
    Other {
        folder: "skelbeck",
        serial: "SK-1102",
        plan: include_str!("skelbeck.toml"),
        carrier_hz: 330e3,
        waves: &[
            ("weave", Wave::Gated { burst_hz: 22e3, duty: 0.52 }),
            ("frost", Wave::Damped { burst_hz: 22e3, decrement: 0.5 }),
        ],
        cycle: [10e-3, 22e-3, 18e-3, 387.0, 870.0],
    },
    Other {
        folder: "wythmoor",
        serial: "W-00031",
        plan: include_str!("wythmoor.toml"),
        carrier_hz: 480e3,
        waves: &[
            ("c2", Wave::Gated { burst_hz: 33e3, duty: 0.7 }),
            ("k1", Wave::Damped { burst_hz: 30e3, decrement: 0.35 }),
        ],
        cycle: [0.0; 5],
    },
    Other {
        folder: "garthfell",
        serial: "GF-208",
        plan: include_str!("garthfell.toml"),
        carrier_hz: 600e3,
        waves: &[
            ("blue-grey", Wave::Gated { burst_hz: 18e3, duty: 0.48 }),
            ("grey", Wave::Damped { burst_hz: 27e3, decrement: 0.3 }),
        ],
        cycle: [8e-3, 30e-3, 12e-3, 412.0, 940.0],
    },
];

/// What one of them puts out at a step.
pub(super) fn recipe(unit: &Other, step: &Step) -> Recipe {
    let Some(rate) = SampleRate::new(f64::from(RATE_HZ)) else {
        unreachable!("the rate of the bench is above zero")
    };
    let setting = step.setting.as_deref().unwrap_or_default();
    let wave = unit.waves.iter().find(|(id, _)| *id == setting).map(|(_, wave)| *wave);
    let wave = wave.unwrap_or(Wave::Continuous);
    let ohm = match step.load {
        Some(Load::Ohm(ohm)) => ohm,
        // Nothing connected: next to no current.
        _ => 1e9,
    };
    let output = Output { wave, peak_v: 100.0, carrier_hz: unit.carrier_hz, ramp_s: 0.0 };
    let seed = step.id.bytes().fold(7_u64, |seed, byte| seed.wrapping_mul(31) + u64::from(byte));
    let samples = rate.count(0.003, 1) as u64;
    let single = Recipe {
        snr_db: Some(50.0),
        seed,
        ..Recipe::single(output, Kind::Cut, rate, samples, ohm)
    };
    let [cut_s, coag_s, rest_s, cut_v, coag_v] = unit.cycle;
    if matches!(setting, "pulse" | "beat") {
        let damped =
            unit.waves.iter().map(|(_, wave)| *wave).next_back().unwrap_or(Wave::Continuous);
        let lengths = [cut_s, coag_s, rest_s];
        return cycled(single, rate, unit.carrier_hz, damped, lengths, [cut_v, coag_v]);
    }
    if step.kind == StepKind::OpenCircuit {
        return scaled(single, 0.9 * step.expected.peak_v.unwrap_or(200.0) / 100.0);
    }
    // Some scatter, the same each time.
    let scatter = 1.0 + 0.01 * ((seed % 7) as f64 - 3.0) / 3.0;
    to_power(single, scatter * step.expected.power_w.unwrap_or(1.0))
}
