//! What the sheet tells of the instruments, as input quantities.

use super::correlation::{Correlation, CorrelationError};
use super::input::{Distribution, Input};
use crate::sheet::{AccuracySheet, ChannelSheet, DistributionName, LoadKind, PartSheet, Sheet};
use crate::term::Term;

/// A relative uncertainty as it was stated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stated {
    /// Relative standard uncertainty.
    pub relative: f64,
    /// Distribution.
    pub distribution: Distribution,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
}

impl Stated {
    /// From the keys of a sheet; they were checked when it was read.
    fn of(standard: Option<f64>, other: Option<&AccuracySheet>) -> Option<Self> {
        let freedom = other.and_then(|o| o.degrees_of_freedom).unwrap_or(f64::INFINITY);
        let stated = |relative: f64, distribution: Distribution| Self {
            relative,
            distribution,
            degrees_of_freedom: freedom,
        };
        if let Some(u) = standard {
            return Some(stated(u, Distribution::Normal));
        }
        let other = other?;
        if let (Some(expanded), Some(k)) =
            (other.relative_expanded_uncertainty, other.coverage_factor)
        {
            return Some(stated(expanded / k, Distribution::Normal));
        }
        let distribution = match other.distribution {
            Some(DistributionName::Triangular) => Distribution::Triangular,
            Some(DistributionName::Rectangular) | None => Distribution::Rectangular,
        };
        other.relative_half_width.map(|half| stated(half / distribution.divisor(), distribution))
    }

    /// As a factor near 1.
    pub(super) fn factor(self, name: &'static str) -> Input {
        Input {
            distribution: self.distribution,
            degrees_of_freedom: self.degrees_of_freedom,
            ..Input::normal(name, "", 1.0, self.relative)
        }
    }
}

/// What is known of a scale or load beside its value.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Scale {
    /// Its uncertainty; `None` where nothing is stated.
    pub stated: Option<Stated>,
    /// Largest relative change by temperature at the time of the capture; `None` where the
    /// coefficient or a temperature is not stated.
    pub by_temperature: Option<f64>,
}

impl Scale {
    fn of(standard: Option<f64>, other: Option<&AccuracySheet>, bench_c: Option<f64>) -> Self {
        let moved = || {
            let other = other?;
            Some(other.temperature_coefficient_per_k? * (bench_c? - other.calibrated_at_c?).abs())
        };
        Self { stated: Stated::of(standard, other), by_temperature: moved() }
    }
}

/// What is known of one channel.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ChannelKnowledge {
    /// Its scale.
    pub scale: Scale,
    /// Standard uncertainty of its delay, s.
    pub delay_s: Option<f64>,
    /// Upper 3 dB corner, Hz.
    pub bandwidth_hz: Option<f64>,
    /// Lower 3 dB corner, Hz.
    pub lowest_hz: Option<f64>,
    /// Step of the converter as stated, in file units.
    pub resolution: Option<f64>,
}

impl Scale {
    /// Of a chain of parts: variances of the ratios add, degrees of freedom by Welch-Satterthwaite
    /// (JCGM 100, G.4); what temperature does adds up, as all parts are as warm.
    fn of_parts(parts: &[PartSheet], bench_c: Option<f64>) -> Self {
        let all: Vec<Stated> = parts
            .iter()
            .flat_map(|part| {
                let ratio = Stated::of(part.relative_standard_uncertainty, part.accuracy.as_ref());
                let compensation = part.compensation.map(|half| Stated {
                    relative: half / Distribution::Rectangular.divisor(),
                    distribution: Distribution::Rectangular,
                    degrees_of_freedom: f64::INFINITY,
                });
                [ratio, compensation].into_iter().flatten()
            })
            .collect();
        let square: f64 = all.iter().map(|one| one.relative * one.relative).sum();
        let quartic: f64 =
            all.iter().map(|one| one.relative.powi(4) / one.degrees_of_freedom).sum();
        let freedom = if quartic > 0.0 { square * square / quartic } else { f64::INFINITY };
        let stated = match all.as_slice() {
            [] => None,
            [one] => Some(*one),
            _ => Some(Stated {
                relative: square.sqrt(),
                distribution: Distribution::Normal,
                degrees_of_freedom: freedom,
            }),
        };
        let moved =
            |part: &PartSheet| Self::of(None, part.accuracy.as_ref(), bench_c).by_temperature;
        let by_temperature = parts.iter().map(moved).sum::<Option<f64>>();
        Self { stated, by_temperature }
    }
}

impl ChannelKnowledge {
    fn of(sheet: Option<&ChannelSheet>, bench_c: Option<f64>) -> Self {
        let Some(sheet) = sheet else { return Self::default() };
        if !sheet.part.is_empty() {
            let corners = |of: fn(&PartSheet) -> Option<f64>| sheet.part.iter().filter_map(of);
            // Of a chain of first order the squares of the rise times add, and those of the droops (common
            // practice, no source).
            let slow: f64 = corners(|part| part.bandwidth_hz)
                .chain(sheet.bandwidth_hz)
                .map(|hz| 1.0 / (hz * hz))
                .sum();
            let low: f64 =
                corners(|part| part.lowest_hz).chain(sheet.lowest_hz).map(|hz| hz * hz).sum();
            return Self {
                scale: Scale::of_parts(&sheet.part, bench_c),
                delay_s: sheet.delay_standard_uncertainty_s,
                bandwidth_hz: (slow > 0.0).then(|| 1.0 / slow.sqrt()),
                lowest_hz: (low > 0.0).then(|| low.sqrt()),
                resolution: sheet.resolution,
            };
        }
        let standard = sheet.relative_standard_uncertainty;
        Self {
            scale: Scale::of(standard, sheet.accuracy.as_ref(), bench_c),
            delay_s: sheet.delay_standard_uncertainty_s,
            bandwidth_hz: sheet.bandwidth_hz,
            lowest_hz: sheet.lowest_hz,
            resolution: sheet.resolution,
        }
    }

    /// Largest share by which a response of first order with these corners reads low at `hz`.
    /// `None` where no corner is stated.
    #[must_use]
    pub fn droop_at(&self, hz: f64) -> Option<f64> {
        if self.bandwidth_hz.is_none() && self.lowest_hz.is_none() {
            return None;
        }
        let upper = self.bandwidth_hz.map_or(0.0, |corner| hz / corner);
        let lower = self.lowest_hz.map_or(0.0, |corner| corner / hz);
        Some(1.0 - 1.0 / (upper.hypot(1.0) * lower.hypot(1.0)))
    }
}

/// What is known of the whole measuring chain.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Knowledge {
    /// Voltage channel.
    pub voltage: ChannelKnowledge,
    /// Current channel.
    pub current: ChannelKnowledge,
    /// Load.
    pub load: Scale,
    /// Sample rate.
    pub timebase: Option<Stated>,
    /// Whether the load is stated to be a resistor: the phase seen on it bounds the skew.
    pub resistor: bool,
    /// How the scales hang together.
    pub correlation: Correlation,
}

impl Knowledge {
    /// What a sheet tells.
    ///
    /// # Errors
    /// Where its correlations can't hold together.
    pub fn of(sheet: &Sheet) -> Result<Self, CorrelationError> {
        let bench_c = sheet.bench.as_ref().and_then(|bench| bench.temperature_c);
        let load = sheet.load.as_ref();
        let clock = sheet.timebase.as_ref();
        let given = sheet.correlation.unwrap_or_default();
        let pairs: Vec<(usize, usize, f64)> = [
            (Term::GainV, Term::GainI, given.voltage_current),
            (Term::GainV, Term::Load, given.voltage_load),
            (Term::GainI, Term::Load, given.current_load),
        ]
        .into_iter()
        .filter_map(|(a, b, r)| Some((a as usize, b as usize, r?)))
        .collect();
        Ok(Self {
            voltage: ChannelKnowledge::of(sheet.voltage.as_ref(), bench_c),
            current: ChannelKnowledge::of(sheet.current.as_ref(), bench_c),
            load: load.map_or_else(Scale::default, |load| {
                let standard = load.relative_standard_uncertainty;
                Scale::of(standard, load.accuracy.as_ref(), bench_c)
            }),
            timebase: clock.and_then(|clock| {
                Stated::of(clock.relative_standard_uncertainty, clock.accuracy.as_ref())
            }),
            resistor: load.is_some_and(|load| {
                load.nominal_ohm.is_some() && load.kind != Some(LoadKind::Open)
            }),
            correlation: Correlation::new(&pairs)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ways_of_stating_an_uncertainty() {
        let sheet: Sheet = toml::from_str(
            "[voltage.accuracy]\nrelative_expanded_uncertainty = 0.02\ncoverage_factor = 2.0\n\
             temperature_coefficient_per_k = 1e-4\ncalibrated_at_c = 23.0\n\
             [current.accuracy]\nrelative_half_width = 0.03\n\
             [load.accuracy]\nrelative_half_width = 0.03\ndistribution = 'triangular'\n\
             [bench]\ntemperature_c = 28.0\n",
        )
        .unwrap();
        let known = Knowledge::of(&sheet).unwrap();
        assert!((known.voltage.scale.stated.unwrap().relative - 0.01).abs() < 1e-15);
        assert!((known.voltage.scale.by_temperature.unwrap() - 5e-4).abs() < 1e-15);
        let current = known.current.scale.stated.unwrap();
        assert!((current.relative - 0.03 / 3_f64.sqrt()).abs() < 1e-15);
        assert!((known.load.stated.unwrap().relative - 0.03 / 6_f64.sqrt()).abs() < 1e-15);
        assert_eq!(known.timebase, None);
    }

    /// A probe of 1 % (k = 2), an input of 1.5 % (half-width) with 5e-3 of compensation: u^2 = 0.005^2 +
    /// 0.015^2 / 3 + 0.005^2 / 3. Corners of 100 MHz and 200 MHz: 1 / sqrt(1e-16 + 2.5e-17) = 89.4 MHz.
    #[test]
    fn parts_of_a_chain_are_combined() {
        let sheet: Sheet = toml::from_str(
            "[[voltage.part]]\nwhat = 'probe'\nbandwidth_hz = 100e6\naccuracy.relative_expanded_uncertainty = 0.01\n\
             accuracy.coverage_factor = 2.0\naccuracy.temperature_coefficient_per_k = 1e-4\n\
             accuracy.calibrated_at_c = 23.0\n\
             [[voltage.part]]\nwhat = 'input'\nbandwidth_hz = 200e6\ncompensation = 0.005\n\
             accuracy.relative_half_width = 0.015\naccuracy.temperature_coefficient_per_k = 2e-4\n\
             accuracy.calibrated_at_c = 23.0\n[bench]\ntemperature_c = 28.0\n",
        )
        .unwrap();
        let known = Knowledge::of(&sheet).unwrap().voltage;
        let wanted = (0.005_f64.powi(2) + 0.015_f64.powi(2) / 3.0 + 0.005_f64.powi(2) / 3.0).sqrt();
        assert!((known.scale.stated.unwrap().relative - wanted).abs() < 1e-15);
        assert!((known.scale.by_temperature.unwrap() - 5.0 * 3e-4).abs() < 1e-15);
        assert!((known.bandwidth_hz.unwrap() / 89.442_719e6 - 1.0).abs() < 1e-6);
    }

    /// At its corner a response of first order reads 1/sqrt(2); a decade inside, 0.5 % low.
    #[test]
    fn droop_of_first_order() {
        let channel = ChannelKnowledge { bandwidth_hz: Some(10e6), ..ChannelKnowledge::default() };
        assert!((channel.droop_at(10e6).unwrap() - (1.0 - 0.5_f64.sqrt())).abs() < 1e-12);
        assert!((channel.droop_at(1e6).unwrap() - 4.963e-3).abs() < 1e-6);
        let transformer = ChannelKnowledge { lowest_hz: Some(5e3), ..ChannelKnowledge::default() };
        assert!((transformer.droop_at(5e3).unwrap() - (1.0 - 0.5_f64.sqrt())).abs() < 1e-12);
        assert_eq!(ChannelKnowledge::default().droop_at(1e6), None);
    }
}
