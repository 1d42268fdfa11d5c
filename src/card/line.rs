//! The neutral line: what a setting puts out into a load, from numbers alone. Version 1.
//!
//! ```text
//! 500 ohm ±2.8 %: cut 8 ms 176 W 420 Vp CF 1.41 | coag 24 ms 61 W 900 Vp CF 5.13 20 kHz | rest 10 ms |
//! 2.88 J per 42 ms, mean 68.6 W | 400 kHz | open -, over load -
//! ```
//!
//! What was not measured is a dash, and is never left out. The grammar stands in docs/neutral-terms.md.

use super::behaviour::{self, Behaviour, Held};
use super::quantity::{Modulation, part_of};
use super::{Point, SettingCard, each_once};
use crate::flag::Code;
use crate::measures::Measure;
use crate::result::Part;
use crate::trace::Kind;
use crate::verification::{KeptMeasure, Load};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// A setting into a load, in numbers.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Load, ohm; none where nothing was captured into a load.
    pub load_ohm: Option<f64>,
    /// Largest relative expanded uncertainty (95 %) of a power, peak or crest factor of the line.
    pub relative_expanded_uncertainty: Option<f64>,
    /// Whether that lacks a scale, the load or the clock: it is at least so large.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub at_least: bool,
    /// The phases of its sequence.
    pub phases: Vec<LinePhase>,
    /// Energy of a cycle, J.
    pub energy_j: Option<f64>,
    /// Length of a cycle, s.
    pub period_s: Option<f64>,
    /// Mean power, W: over whole cycles, or of the one kind of output.
    pub mean_w: Option<f64>,
    /// Carrier, Hz.
    pub carrier_hz: Option<f64>,
    /// Peak voltage with nothing connected, V.
    pub open_peak_v: Option<f64>,
    /// What it holds over load.
    pub over_load: Vec<Behaviour>,
    /// Flags of the captures of the line that put it in doubt.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub in_doubt: Vec<Code>,
}

/// A phase of the line.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LinePhase {
    /// Its kind.
    pub kind: Kind,
    /// Length, s; none where the output goes on as long as the switch is pressed.
    pub duration_s: Option<f64>,
    /// Power, W.
    pub power_w: Option<f64>,
    /// Peak voltage, V.
    pub peak_v: Option<f64>,
    /// Crest factor.
    pub crest_factor: Option<f64>,
    /// Bursts per second, where the output is modulated.
    pub burst_hz: Option<f64>,
}

impl LinePhase {
    /// Whether a burst rate belongs to it: not to a continuous output.
    fn has_bursts(&self) -> bool {
        self.burst_hz.is_some()
            || self.crest_factor.is_none_or(|x| Modulation::of(x) != Modulation::Continuous)
    }
}

impl Line {
    /// The line of a setting at its own dial, into its rated load or else the load next to it.
    #[must_use]
    pub fn of(setting: &SettingCard) -> Self {
        Self::at(setting, setting.own_dial(), setting.rated_ohm)
    }

    /// The line at a dial, into the load that was captured next to `ohm`.
    #[must_use]
    pub fn at(setting: &SettingCard, dial: Option<f64>, ohm: Option<f64>) -> Self {
        let points = setting.over_load(dial);
        let point = setting.near(dial, ohm);
        let open = setting.point(dial, Load::Open);
        let open_peak_v = open.and_then(|open| value(open, Measure::VoltagePeak, Part::Whole));
        let Some(point) = point else {
            let phases = setting.kinds().into_iter().map(LinePhase::unknown).collect();
            return Self { phases, open_peak_v, ..Self::default() };
        };
        let cyclic = setting.sequence.len() > 1;
        let part = setting.part();
        let shown = [Measure::Power, Measure::VoltagePeak, Measure::CrestFactor];
        let powered = setting.kinds().into_iter().filter(|kind| kind.powered()).map(part_of);
        let parts: Vec<Part> = powered.chain([part]).collect();
        let of_line: Vec<&KeptMeasure> = point
            .numbers
            .iter()
            .filter(|one| shown.contains(&one.measure) && parts.contains(&one.part))
            .filter(|one| one.estimate.value > 0.0)
            .collect();
        let relative = of_line
            .iter()
            .map(|one| one.estimate.expanded().map(|u| u / one.estimate.value))
            .collect::<Option<Vec<f64>>>();
        let in_doubt = each_once(points.iter().copied().chain(open).flat_map(Point::doubts));
        let cyclic = cyclic && point.has_whole_cycle();
        let carrier = [part, Part::Cut, Part::Coag, Part::Whole];
        let phases: Vec<LinePhase> =
            setting.kinds().into_iter().map(|kind| LinePhase::of(point, kind, cyclic)).collect();
        Self {
            load_ohm: match point.load {
                Load::Ohm(ohm) => Some(ohm),
                Load::Open => None,
            },
            relative_expanded_uncertainty: relative
                .and_then(|all| all.into_iter().reduce(f64::max)),
            at_least: of_line.iter().any(|one| one.estimate.at_least()),
            in_doubt,
            phases,
            energy_j: value(point, Measure::Energy, Part::Cycle).filter(|_| cyclic),
            period_s: value(point, Measure::Duration, Part::Cycle).filter(|_| cyclic),
            mean_w: value(point, Measure::Power, part),
            carrier_hz: carrier
                .into_iter()
                .find_map(|part| value(point, Measure::Fundamental, part)),
            open_peak_v,
            over_load: behaviour::of_points(&points, part),
        }
    }

    /// The short form for a sticker: the mean power and, of each kind of output, peak and crest factor.
    #[must_use]
    pub fn short(&self) -> String {
        let of = |phase: &LinePhase| {
            let (kind, watt) = (phase.kind.name(), Watts(phase.power_w));
            format!("{kind} {watt} {} CF {}", Volts(phase.peak_v), Plain(phase.crest_factor))
        };
        let phases: Vec<String> =
            self.phases.iter().filter(|phase| phase.kind.powered()).map(of).collect();
        let mean = match phases.len() {
            1 => String::new(),
            _ => format!(", mean {}", Watts(self.mean_w)),
        };
        let doubt = if self.in_doubt.is_empty() { "" } else { ", in doubt" };
        format!("{} ±{}: {}{mean}{doubt}", Ohms(self.load_ohm), self.share(), phases.join(", "))
    }

    /// Its largest relative U, with `?` where that is a lower bound.
    fn share(&self) -> String {
        let doubt =
            if self.at_least && self.relative_expanded_uncertainty.is_some() { " ?" } else { "" };
        format!("{}{doubt}", Percent(self.relative_expanded_uncertainty))
    }

    /// The same as a sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let Some(ohm) = self.load_ohm else {
            return "No capture into a load counts.".into();
        };
        let of = |phase: &LinePhase| {
            let shape = phase.crest_factor.map_or("output", |crest| Modulation::of(crest).words());
            let length =
                phase.duration_s.map_or(String::new(), |s| format!(" for {}", Millis(Some(s))));
            let bursts = phase
                .burst_hz
                .map_or(String::new(), |hz| format!(", {} bursts", Kilohertz(Some(hz))));
            let kind = phase.kind.name();
            match (phase.power_w, phase.peak_v) {
                (None, None) => format!("{kind} that was not measured"),
                (watt, volt) => {
                    format!(
                        "{kind} ({shape}){length} at {} with {}{bursts}",
                        Watts(watt),
                        Volts(volt)
                    )
                }
            }
        };
        let rest = |phase: &LinePhase| match phase.kind.powered() {
            true => of(phase),
            false => match phase.duration_s {
                None => "rest".to_owned(),
                length => format!("rest for {}", Millis(length)),
            },
        };
        let phases = self.phases.iter().map(rest).collect::<Vec<_>>().join(", then ");
        let held = match self.over_load.as_slice() {
            [] => "what it does over other loads was not measured".to_owned(),
            all => {
                let of = |one: &Behaviour| {
                    let verb = match one.held {
                        Held::Power => "holds its power",
                        Held::Voltage => "holds its voltage",
                        Held::Current => "holds its current",
                        Held::Rising => "rises in power",
                        Held::Falling => "falls in power",
                    };
                    format!("{verb} from {} to {}", digits(one.from_ohm, 4), Ohms(Some(one.to_ohm)))
                };
                format!("it {}", all.iter().map(of).collect::<Vec<_>>().join(", "))
            }
        };
        format!(
            "Into {} it puts out {phases}; the mean is {}; {held}.",
            Ohms(Some(ohm)),
            Watts(self.mean_w)
        )
    }
}

/// A measure of a point.
fn value(point: &Point, measure: Measure, part: Part) -> Option<f64> {
    Some(point.had(measure, part).ok()?.estimate.value)
}

impl LinePhase {
    fn unknown(kind: Kind) -> Self {
        Self {
            kind,
            duration_s: None,
            power_w: None,
            peak_v: None,
            crest_factor: None,
            burst_hz: None,
        }
    }

    fn of(point: &Point, kind: Kind, cyclic: bool) -> Self {
        let of = |measure| value(point, measure, part_of(kind));
        Self {
            // The record ends a phase that would go on: its length is none of the setting.
            duration_s: of(Measure::Duration).filter(|_| cyclic),
            power_w: of(Measure::Power),
            peak_v: of(Measure::VoltagePeak),
            crest_factor: of(Measure::CrestFactor),
            burst_hz: of(Measure::BurstRate),
            kind,
        }
    }
}

/// Three digits that count, without an exponent and without zeros at the end.
struct Plain(Option<f64>);

/// A load: four digits that count.
struct Ohms(Option<f64>);

impl fmt::Display for Ohms {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            None => f.write_str("-"),
            Some(ohm) => write!(f, "{} ohm", digits(ohm, 4)),
        }
    }
}

/// So many digits that count, without an exponent and without zeros at the end.
fn digits(x: f64, count: i32) -> String {
    if x == 0.0 {
        return "0".into();
    }
    #[allow(clippy::cast_possible_truncation)] // between -300 and 300
    let places = count - 1 - x.abs().log10().floor() as i32;
    if places < 0 {
        let unit = 10_f64.powi(-places);
        return format!("{:.0}", (x / unit).round() * unit);
    }
    let rounded = format!("{x:.*}", usize::try_from(places.min(12)).unwrap_or(0));
    match rounded.contains('.') {
        true => rounded.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => rounded,
    }
}

impl fmt::Display for Plain {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0.filter(|x| x.is_finite()) {
            None => f.write_str("-"),
            Some(x) => f.write_str(&digits(x, 3)),
        }
    }
}

macro_rules! with_unit {
    ($($name:ident $factor:literal $unit:literal;)*) => {
        $(
            #[doc = concat!("A value in ", $unit, ".")]
            struct $name(Option<f64>);

            impl fmt::Display for $name {
                fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                    match self.0 {
                        None => f.write_str("-"),
                        Some(x) => write!(f, "{} {}", Plain(Some(x * $factor)), $unit),
                    }
                }
            }
        )*
    };
}

with_unit! {
    Watts 1.0 "W";
    Volts 1.0 "Vp";
    Millis 1e3 "ms";
    Joules 1.0 "J";
    Kilohertz 1e-3 "kHz";
}

/// A share in percent, two digits that count.
struct Percent(Option<f64>);

impl fmt::Display for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(share) = self.0.filter(|share| share.is_finite()) else { return f.write_str("-") };
        let percent = 100.0 * share;
        let places = if percent < 10.0 { 1 } else { 0 };
        write!(f, "{percent:.places$} %")
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ±{}: ", Ohms(self.load_ohm), self.share())?;
        for phase in &self.phases {
            let (kind, length) = (phase.kind.name(), Millis(phase.duration_s));
            if phase.kind.powered() {
                let (power, peak) = (Watts(phase.power_w), Volts(phase.peak_v));
                write!(f, "{kind} {length} {power} {peak} CF {}", Plain(phase.crest_factor))?;
                if phase.has_bursts() {
                    write!(f, " {}", Kilohertz(phase.burst_hz))?;
                }
                f.write_str(" | ")?;
            } else {
                write!(f, "{kind} {length} | ")?;
            }
        }
        let (energy, period) = (Joules(self.energy_j), Millis(self.period_s));
        write!(f, "{energy} per {period}, mean {} | ", Watts(self.mean_w))?;
        write!(f, "{} | open {}, over load ", Kilohertz(self.carrier_hz), Volts(self.open_peak_v))?;
        if self.over_load.is_empty() {
            f.write_str("-")?;
        }
        for (k, one) in self.over_load.iter().enumerate() {
            let between = if k == 0 { "" } else { " + " };
            let (from, to) = (digits(one.from_ohm, 4), Ohms(Some(one.to_ohm)));
            write!(f, "{between}{} {from}-{to}", one.held.name())?;
        }
        for (k, code) in self.in_doubt.iter().enumerate() {
            write!(f, "{}{}", if k == 0 { " | in doubt: " } else { " " }, code.name())?;
        }
        Ok(())
    }
}

/// Why a text is no neutral line.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("not a neutral line: {wanted} is wanted at `{rest}`")]
pub struct LineError {
    /// What is missing.
    pub wanted: &'static str,
    /// The text from there on.
    pub rest: String,
}

/// Reads a line from left to right.
struct Reader<'a>(&'a str);

impl<'a> Reader<'a> {
    fn fail<T>(&self, wanted: &'static str) -> Result<T, LineError> {
        Err(LineError { wanted, rest: self.0.chars().take(40).collect() })
    }

    fn word(&mut self, wanted: &'static str) -> Result<(), LineError> {
        match self.0.strip_prefix(wanted) {
            Some(rest) => self.0 = rest,
            None => return self.fail(wanted),
        }
        Ok(())
    }

    fn has(&mut self, word: &'static str) -> bool {
        self.word(word).is_ok()
    }

    fn number(&mut self) -> Result<f64, LineError> {
        let end = self.0.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(self.0.len());
        let (digits, rest) = self.0.split_at(end);
        match digits.parse::<f64>() {
            Ok(x) if x.is_finite() && !digits.starts_with('.') => {
                self.0 = rest;
                Ok(x)
            }
            _ => self.fail("a number"),
        }
    }

    /// A dash, or a number with this unit, times a factor.
    fn quantity(&mut self, unit: &'static str, factor: f64) -> Result<Option<f64>, LineError> {
        if self.has("-") {
            return Ok(None);
        }
        let x = self.number()?;
        self.word(unit)?;
        Ok(Some(x * factor))
    }

    fn phase(&mut self) -> Result<LinePhase, LineError> {
        let Some(kind) = Kind::ALL.into_iter().find(|kind| self.has(kind.name())) else {
            return self.fail("cut, coag or rest");
        };
        self.word(" ")?;
        let mut phase = LinePhase::unknown(kind);
        phase.duration_s = self.quantity(" ms", 1e-3)?;
        if kind.powered() {
            self.word(" ")?;
            phase.power_w = self.quantity(" W", 1.0)?;
            self.word(" ")?;
            phase.peak_v = self.quantity(" Vp", 1.0)?;
            self.word(" CF ")?;
            phase.crest_factor = self.quantity("", 1.0)?;
            if !self.0.starts_with(" | ") {
                self.word(" ")?;
                phase.burst_hz = self.quantity(" kHz", 1e3)?;
            }
        }
        self.word(" | ")?;
        Ok(phase)
    }

    fn code(&mut self) -> Result<Code, LineError> {
        let end = self.0.find(' ').unwrap_or(self.0.len());
        let (name, rest) = self.0.split_at(end);
        match Code::named(name) {
            Some(code) => {
                self.0 = rest;
                Ok(code)
            }
            None => self.fail("the code of a flag"),
        }
    }

    fn held(&mut self) -> Result<Behaviour, LineError> {
        let Some(held) = Held::ALL.into_iter().find(|held| self.has(held.name())) else {
            return self.fail("power, voltage, current, rising or falling");
        };
        self.word(" ")?;
        let from_ohm = self.number()?;
        self.word("-")?;
        let to_ohm = self.number()?;
        self.word(" ohm")?;
        Ok(Behaviour { held, from_ohm, to_ohm })
    }
}

impl FromStr for Line {
    type Err = LineError;

    /// Reads what [`Display`](fmt::Display) writes.
    fn from_str(text: &str) -> Result<Self, LineError> {
        let mut r = Reader(text.trim());
        let mut line = Self { load_ohm: r.quantity(" ohm", 1.0)?, ..Self::default() };
        r.word(" ±")?;
        line.relative_expanded_uncertainty = r.quantity(" %", 1e-2)?;
        line.at_least = r.has(" ?");
        r.word(": ")?;
        let begins_phase = |rest: &str| Kind::ALL.iter().any(|kind| rest.starts_with(kind.name()));
        while begins_phase(r.0) {
            line.phases.push(r.phase()?);
        }
        line.energy_j = r.quantity(" J", 1.0)?;
        r.word(" per ")?;
        line.period_s = r.quantity(" ms", 1e-3)?;
        r.word(", mean ")?;
        line.mean_w = r.quantity(" W", 1.0)?;
        r.word(" | ")?;
        line.carrier_hz = r.quantity(" kHz", 1e3)?;
        r.word(" | open ")?;
        line.open_peak_v = r.quantity(" Vp", 1.0)?;
        r.word(", over load ")?;
        if !r.has("-") {
            line.over_load.push(r.held()?);
            while r.has(" + ") {
                line.over_load.push(r.held()?);
            }
        }
        if r.has(" | in doubt: ") {
            line.in_doubt.push(r.code()?);
            while r.has(" ") {
                line.in_doubt.push(r.code()?);
            }
        }
        if r.0.is_empty() { Ok(line) } else { r.fail("the end") }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const EXAMPLE: &str = "500 ohm ±2.8 %: cut 8 ms 176 W 420 Vp CF 1.41 | coag 24 ms 61 W 900 Vp CF 5.13 \
                           20 kHz | rest 10 ms | 2.88 J per 42 ms, mean 68.6 W | 400 kHz | open -, over load -";

    #[test]
    fn what_is_written_reads_back() {
        let line: Line = EXAMPLE.parse().unwrap();
        assert_eq!(line.phases.len(), 3);
        assert_eq!(line.phases[1].burst_hz, Some(20_000.0));
        assert_eq!(line.open_peak_v, None);
        let again: Line = line.to_string().parse().unwrap();
        assert_eq!(again, line);
        let full = Line {
            over_load: vec![
                Behaviour { held: Held::Current, from_ohm: 50.0, to_ohm: 200.0 },
                Behaviour { held: Held::Power, from_ohm: 200.0, to_ohm: 1000.0 },
            ],
            open_peak_v: Some(1230.0),
            ..line
        };
        let text = full.to_string();
        assert!(
            text.ends_with("open 1230 Vp, over load current 50-200 ohm + power 200-1000 ohm"),
            "{text}"
        );
        assert_eq!(text.parse::<Line>().unwrap(), full);
        assert!(full.sentence().contains("holds its power from 200 to 1000 ohm"));
        assert!(full.short().starts_with("500 ohm ±2.8 %: cut 176 W 420 Vp CF 1.41"));
        let doubtful =
            Line { at_least: true, in_doubt: vec![Code::Clipped, Code::NoiseHigh], ..full };
        let text = doubtful.to_string();
        assert!(
            text.starts_with("500 ohm ±2.8 % ?: ")
                && text.ends_with(" | in doubt: clipped noise_high"),
            "{text}"
        );
        assert_eq!(text.parse::<Line>().unwrap(), doubtful);
    }

    #[test]
    fn dashes_are_never_left_out() {
        let unknown = Line { phases: vec![LinePhase::unknown(Kind::Coag)], ..Line::default() };
        let text = unknown.to_string();
        assert_eq!(text, "- ±-: coag - - - CF - - | - per -, mean - | - | open -, over load -");
        assert_eq!(text.parse::<Line>().unwrap(), unknown);
    }

    #[test]
    fn what_is_no_line_says_where() {
        for (from, to, wanted) in [
            ("500 ohm", "500 Ohm", " ohm"),
            ("176 W", "W", "a number"),
            ("CF 1.41", "1.41", " CF "),
            ("over load -", "over load", ", over load "),
            ("load -", "load holds", "power, voltage, current, rising or falling"),
            ("over load -", "over load - and more", "the end"),
        ] {
            let error = EXAMPLE.replace(from, to).parse::<Line>().unwrap_err();
            assert_eq!(error.wanted, wanted, "{error}");
        }
    }
}
