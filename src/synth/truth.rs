//! What a synthetic capture truly holds.

use super::Recipe;
use crate::trace::Kind;
use serde::Serialize;

/// Exact values of a synthetic capture, before noise, clipping, skew and quantisation.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Truth {
    /// Form of this document.
    pub schema: &'static str,
    /// Where the values come from.
    pub source: &'static str,
    /// Samples per second.
    pub sample_rate_hz: f64,
    /// Number of samples.
    pub samples: u64,
    /// Share of the burst's peak at which the duty is told.
    pub duty_threshold: f64,
    /// Values over the whole record.
    pub whole: TruthMeasures,
    /// The phases.
    pub phases: Vec<TruthPhase>,
}

/// Exact measures of an interval.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct TruthMeasures {
    /// V
    pub voltage_rms_v: f64,
    /// A
    pub current_rms_a: f64,
    /// V
    pub voltage_peak_v: f64,
    /// W
    pub power_w: f64,
    /// J
    pub energy_j: f64,
    /// 1; 0 V over 0 V is left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crest_factor: Option<f64>,
    /// 1
    #[serde(skip_serializing_if = "Option::is_none")]
    pub duty_cycle: Option<f64>,
    /// Hz
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fundamental_hz: Option<f64>,
    /// Hz
    #[serde(skip_serializing_if = "Option::is_none")]
    pub burst_rate_hz: Option<f64>,
}

/// A phase with its exact measures.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TruthPhase {
    /// Kind.
    pub kind: Kind,
    /// Start, s.
    pub start_s: f64,
    /// End, s.
    pub end_s: f64,
    /// Values over the phase.
    #[serde(flatten)]
    pub measures: TruthMeasures,
}

/// The truth of a recipe, with duties told at `duty_threshold`.
#[must_use]
pub fn truth(recipe: &Recipe, duty_threshold: f64) -> Truth {
    let end_of_record = recipe.rate.seconds(recipe.samples as f64);
    let period = recipe.period_s();
    let mut phases = Vec::new();
    // Time on the clock of the record, of the start of the section in hand.
    let begun = if period.is_finite() { (recipe.start_s / period).floor() * period } else { 0.0 };
    let mut clock = begun - recipe.start_s;
    let half = 0.5 / recipe.rate.hertz();
    'record: loop {
        for section in &recipe.sections {
            let (from, to) = (clock.max(0.0), (clock + section.duration_s).min(end_of_record));
            if to - from > half {
                phases.push(phase(recipe, section, clock, from, to, duty_threshold));
            }
            clock += section.duration_s;
            if clock >= end_of_record - half {
                break 'record;
            }
        }
        if recipe.sections.is_empty() || period <= 0.0 {
            break;
        }
    }
    let energy: f64 = phases.iter().map(|phase| phase.measures.energy_j).sum();
    let peak = phases.iter().map(|phase| phase.measures.voltage_peak_v).fold(0.0, f64::max);
    let whole = measures(recipe, energy, end_of_record, peak);
    Truth {
        schema: "crestbook/truth/1",
        source: "closed forms",
        sample_rate_hz: recipe.rate.hertz(),
        samples: recipe.samples,
        duty_threshold,
        whole,
        phases,
    }
}

fn phase(
    recipe: &Recipe,
    section: &super::Section,
    origin: f64,
    from: f64,
    to: f64,
    threshold: f64,
) -> TruthPhase {
    let mut values = TruthMeasures::default();
    if let Some(output) = section.output {
        let square = output.square_integral(to - origin) - output.square_integral(from - origin);
        values = measures(recipe, square / recipe.load_ohm, to - from, output.peak_v);
        values.duty_cycle = Some(output.duty(threshold));
        values.fundamental_hz = Some(output.carrier_hz);
        values.burst_rate_hz = output.burst_hz();
    }
    TruthPhase { kind: section.kind, start_s: from, end_s: to, measures: values }
}

fn measures(recipe: &Recipe, energy: f64, duration: f64, peak: f64) -> TruthMeasures {
    let power = energy / duration;
    let rms = (power * recipe.load_ohm).sqrt();
    TruthMeasures {
        voltage_rms_v: rms,
        current_rms_a: rms / recipe.load_ohm,
        voltage_peak_v: peak,
        power_w: power,
        energy_j: energy,
        crest_factor: (rms > 0.0).then(|| peak / rms),
        ..TruthMeasures::default()
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Output, Section, Wave};
    use super::*;
    use crate::units::SampleRate;

    #[test]
    fn sections_add_up() {
        // 50 ms at 100 W and 750 ms at 20 W: 20 J in 0.8 s, mean 25 W.
        let load: f64 = 500.0;
        let sine = |power: f64| Output {
            wave: Wave::Continuous,
            peak_v: (2.0 * power * load).sqrt(),
            carrier_hz: 400e3,
            ramp_s: 0.0,
        };
        let recipe = Recipe {
            sections: vec![
                Section { kind: Kind::Cut, duration_s: 0.05, output: Some(sine(100.0)) },
                Section { kind: Kind::Coag, duration_s: 0.75, output: Some(sine(20.0)) },
            ],
            samples: 8_000_000,
            ..Recipe::single(sine(1.0), Kind::Cut, SampleRate::new(1e7).unwrap(), 0, load)
        };
        let truth = truth(&recipe, 0.1);
        assert!((truth.whole.energy_j - 20.0).abs() < 1e-9);
        assert!((truth.whole.power_w - 25.0).abs() < 1e-9);
        assert_eq!(truth.phases.len(), 2);
        assert!((truth.phases[1].start_s - 0.05).abs() < 1e-12);
    }

    #[test]
    fn a_record_may_start_inside_a_phase() {
        let output =
            Output { wave: Wave::Continuous, peak_v: 100.0, carrier_hz: 400e3, ramp_s: 0.0 };
        let recipe = Recipe {
            sections: vec![
                Section { kind: Kind::Cut, duration_s: 0.01, output: Some(output) },
                Section { kind: Kind::Rest, duration_s: 0.01, output: None },
            ],
            start_s: 0.025,
            ..Recipe::single(output, Kind::Cut, SampleRate::new(5e6).unwrap(), 100_000, 500.0)
        };
        let truth = truth(&recipe, 0.1);
        let edges: Vec<f64> = truth.phases.iter().map(|p| (p.end_s * 1e6).round()).collect();
        assert_eq!(edges, [5_000.0, 15_000.0, 20_000.0]);
        assert_eq!(truth.phases[0].kind, Kind::Cut);
    }
}
