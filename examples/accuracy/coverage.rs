//! How often the stated 95 % intervals hold the truth: captures whose true scales, loads, delays
//! and clocks are drawn from the distributions that their sheets state.

use crate::bench::{Bench, measure, on_all_cores};
use crate::draw::Draw;
use crestbook::analysis::Settings;
use crestbook::measures::Measure;
use crestbook::measures::MeasureSet;
use crestbook::result::Measurement;
use crestbook::synth::{Output, Recipe, Section, Truth, TruthMeasures, Wave, truth};
use crestbook::trace::Kind;
use crestbook::units::SampleRate;

/// Shapes of output.
const SHAPES: [&str; 4] = ["continuous", "gated", "damped", "cycle"];

/// Measures whose intervals are looked at.
pub const MEASURES: [Measure; 8] = [
    Measure::Power,
    Measure::VoltageRms,
    Measure::VoltagePeak,
    Measure::CrestFactor,
    Measure::Fundamental,
    Measure::BurstRate,
    Measure::DutyCycle,
    Measure::Duration,
];

/// One interval: whether it held the truth, and the error as a share of U.
struct Held {
    shape: usize,
    measure: usize,
    share: f64,
}

/// A relative uncertainty as a sheet states it, and an error drawn from it.
fn stated(draw: &mut Draw, low: f64, high: f64, table: &str) -> (f64, String) {
    let u = draw.log(low, high);
    match draw.one_of(4) {
        0 => (
            u * 3_f64.sqrt() * draw.between(-1.0, 1.0),
            format!("[{table}.accuracy]\nrelative_half_width = {:e}\n", u * 3_f64.sqrt()),
        ),
        1 => {
            let half = 6_f64.sqrt() * u;
            let error = half * 0.5 * (draw.between(-1.0, 1.0) + draw.between(-1.0, 1.0));
            let text = format!(
                "[{table}.accuracy]\nrelative_half_width = {half:e}\ndistribution = \"triangular\"\n"
            );
            (error, text)
        }
        2 => {
            let text = format!(
                "[{table}.accuracy]\nrelative_expanded_uncertainty = {:e}\ncoverage_factor = 2.0\n",
                2.0 * u
            );
            (u * draw.normal(), text)
        }
        _ => {
            let text = format!(
                "[{table}.accuracy]\nrelative_expanded_uncertainty = {u:e}\ncoverage_factor = 1.0\n"
            );
            (u * draw.normal(), text)
        }
    }
}

/// A random output of a shape.
fn output(draw: &mut Draw, shape: usize, carrier_hz: f64) -> Output {
    let peak_v = draw.log(150.0, 3000.0);
    let wave = match shape {
        0 => Wave::Continuous,
        1 => {
            let burst_hz = draw.log(8e3, carrier_hz / 12.0);
            // A gate may end anywhere in the carrier, three cycles or more after its start.
            let least = 3.0 * burst_hz / carrier_hz;
            Wave::Gated { burst_hz, duty: draw.between(least, 0.75_f64.max(least)) }
        }
        _ => {
            let burst_hz = draw.log(8e3, carrier_hz / 12.0);
            // Down to a thousandth and lower before the next burst.
            let least = 7.0 * burst_hz / carrier_hz;
            Wave::Damped { burst_hz, decrement: draw.log(least.max(0.25), (2.0 * least).max(0.8)) }
        }
    };
    Output { wave, peak_v, carrier_hz, ramp_s: 0.0 }
}

/// A random capture and the bench that takes it.
pub fn random(number: u64) -> (Recipe, Bench, usize) {
    let mut draw = Draw::new(0x0c07_e4a6 + number);
    let shape = draw.one_of(4) as usize;
    let cycle = shape == 3;
    let carrier_hz = if cycle { draw.log(300e3, 600e3) } else { draw.log(200e3, 5e6) };
    let per_cycle = draw.between(12.0, if cycle { 20.0 } else { 30.0 });
    let nominal_rate_hz = carrier_hz * per_cycle;
    let (clock, clock_text) = stated(&mut draw, 1e-6, 1e-4, "timebase");
    let rate = SampleRate::new(nominal_rate_hz * (1.0 + clock)).expect("positive");
    let (load_error, load_text) = stated(&mut draw, 2e-3, 2e-2, "load");
    let nominal_ohm = draw.log(50.0, 2000.0);
    let (gain_v, text_v) = stated(&mut draw, 1e-3, 2e-2, "voltage");
    let (gain_i, text_i) = stated(&mut draw, 1e-3, 2e-2, "current");
    let delay_s = draw.between(-40e-9, 40e-9);
    let delay_u = draw.log(0.1e-9, 2e-9);
    let delay_error = delay_u * draw.normal();
    let current = draw.one_of(4) > 0;
    let first = output(&mut draw, if cycle { 0 } else { shape }, carrier_hz);
    let mut recipe = Recipe {
        snr_db: Some(draw.between(25.0, 60.0)),
        bits: Some(8 + draw.one_of(9) as u32),
        seed: number,
        // The sheet states delay_s; the truth is off by the error.
        skew_s: delay_s + delay_error,
        start_s: draw.between(0.01, 0.02),
        ..Recipe::single(first, Kind::Cut, rate, 0, nominal_ohm * (1.0 + load_error))
    };
    recipe.samples = draw.log(4e4, 2e5) as u64;
    if cycle {
        let coag = 1 + draw.one_of(2) as usize;
        recipe.sections = vec![
            Section { kind: Kind::Cut, duration_s: draw.log(4e-3, 10e-3), output: Some(first) },
            Section {
                kind: Kind::Coag,
                duration_s: draw.log(5e-3, 15e-3),
                output: Some(output(&mut draw, coag, carrier_hz)),
            },
            Section { kind: Kind::Rest, duration_s: draw.log(4e-3, 10e-3), output: None },
        ];
        recipe.samples = rate.samples(1.5 * recipe.period_s()) as u64;
    }
    let current_text = if current {
        format!(
            "[current]\nchannel = 1\nscale = 1.0\ndelay_s = {delay_s:e}\n\
             delay_standard_uncertainty_s = {delay_u:e}\n{text_i}"
        )
    } else {
        String::new()
    };
    let sheet = format!(
        "[voltage]\nchannel = 0\nscale = 1.0\n{text_v}{current_text}[load]\nnominal_ohm = \
         {nominal_ohm:e}\n{load_text}{clock_text}"
    );
    (recipe, Bench { gain: (gain_v, gain_i), nominal_rate_hz, current, sheet }, shape)
}

/// The intervals of one capture.
fn look(number: u64) -> Vec<Held> {
    let (recipe, bench, shape) = random(number);
    let Some(found) = measure(&recipe, &bench, &Settings::default()) else { return Vec::new() };
    let truth = truth(&recipe, 0.1);
    let mut held = Vec::new();
    let mut take = |set: &MeasureSet, truth: &TruthMeasures, duration: Option<f64>| {
        for (measure, key) in MEASURES.iter().enumerate() {
            let wanted = match *key {
                Measure::Power => Some(truth.power_w),
                Measure::VoltageRms => Some(truth.voltage_rms_v),
                Measure::VoltagePeak => Some(truth.voltage_peak_v),
                Measure::CrestFactor => truth.crest_factor,
                Measure::Fundamental => truth.fundamental_hz,
                Measure::BurstRate => truth.burst_rate_hz,
                Measure::DutyCycle => truth.duty_cycle.filter(|duty| *duty < 1.0),
                _ => duration,
            };
            let (Some(wanted), Some(estimate)) = (wanted, set.get(*key)) else { continue };
            let Some(expanded) = estimate.expanded().filter(|u| *u > 0.0) else { continue };
            let share = (estimate.value - wanted).abs() / expanded;
            if share > 1.0 && std::env::var_os("VERBOSE").is_some() {
                eprintln!(
                    "{number} {} {key}: off {:.2} U; {} for {wanted}, U {expanded:.2e}; noise {:.0} \
                     dB, {:?} bits, {:.1} samples per cycle, {:?}",
                    SHAPES[shape],
                    share,
                    estimate.value,
                    recipe.snr_db.unwrap_or(60.0),
                    recipe.bits.unwrap_or(0),
                    recipe.rate.hertz() / recipe.sections[0].output.map_or(1.0, |o| o.carrier_hz),
                    recipe
                        .sections
                        .iter()
                        .filter_map(|s| s.output.map(|o| o.wave))
                        .collect::<Vec<_>>()
                );
            }
            held.push(Held { shape, measure, share });
        }
    };
    if shape < 3 {
        let phase = &truth.phases[0].measures;
        take(&found.whole, phase, None);
    } else {
        inner(&found, &truth, &mut take);
    }
    held
}

/// The phases that lie wholly inside the record, where all were found.
fn inner(
    found: &Measurement,
    truth: &Truth,
    take: &mut impl FnMut(&MeasureSet, &TruthMeasures, Option<f64>),
) {
    if found.phases.len() != truth.phases.len() {
        return;
    }
    let last = truth.phases.len() - 1;
    for (phase, truth) in found.phases[1..last].iter().zip(&truth.phases[1..last]) {
        let powered = truth.kind != Kind::Rest;
        let nothing = TruthMeasures::default();
        let duration = Some(truth.end_s - truth.start_s);
        if powered {
            take(&phase.measures, &truth.measures, duration);
        } else {
            // Of a rest only its length is a truth; the rest is noise.
            let mut only = MeasureSet::default();
            only.put(
                Measure::Duration,
                phase
                    .measures
                    .get(Measure::Duration)
                    .cloned()
                    .ok_or(crestbook::measures::Reason::NotTold),
            );
            take(&only, &nothing, duration);
        }
    }
}

/// The section on so many captures.
pub fn section(captures: u64) -> String {
    let all: Vec<Held> = on_all_cores(captures, look).into_iter().flatten().collect();
    let mut out = format!(
        "## Coverage\n\n{captures} random captures: carrier 200 kHz to 5 MHz, 12 to 30 samples per \
         carrier cycle, 8 to 16 bits, noise 25 to 60 dB under the RMS. The true scales (u 0.1 to \
         2 %), loads, delays and clocks were drawn from the distributions that each sheet states: \
         normal, rectangular, triangular, by certificate. One capture in four has no current \
         channel. A stated interval should hold the truth in 95 of 100 cases.\n\n**Held**: share of \
         intervals that hold the truth. **Error/U**: the median; 0.34 for a normal distribution.\n\n\
         | measure | intervals | held | error/U | {} |\n|---|---:|---:|---:|{}\n",
        SHAPES.join(" | "),
        "---:|".repeat(SHAPES.len())
    );
    for (measure, key) in MEASURES.iter().enumerate() {
        let of: Vec<&Held> = all.iter().filter(|held| held.measure == measure).collect();
        let mut shares: Vec<f64> = of.iter().map(|held| held.share).collect();
        shares.sort_by(f64::total_cmp);
        let median = shares.get(shares.len() / 2).copied().unwrap_or(0.0);
        let rate = |of: &[&Held]| {
            if of.is_empty() {
                return "-".to_owned();
            }
            let held = of.iter().filter(|held| held.share <= 1.0).count();
            format!("{:.1} %", 100.0 * held as f64 / of.len() as f64)
        };
        let by_shape: Vec<String> = (0..SHAPES.len())
            .map(|shape| {
                let own: Vec<&Held> = of.iter().copied().filter(|h| h.shape == shape).collect();
                rate(&own)
            })
            .collect();
        out.push_str(&format!(
            "| `{key}` | {} | {} | {median:.2} | {} |\n",
            of.len(),
            rate(&of),
            by_shape.join(" | ")
        ));
    }
    out
}
