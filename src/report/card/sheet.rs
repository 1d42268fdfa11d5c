//! What stands on a sheet of a unit, for every renderer.

use crate::card::{Card, Line, Modulation, NOT_TISSUE, Point, SettingCard};
use crate::check::Verdict;
use crate::measures::Measure;
use crate::report::job::{ReportError, plot};
use crate::report::picture;
use crate::result::Part;
use crate::units::{Unit, for_people, significant};
use crate::verification::{CurvePoint, KeptMeasure, Load, Series};
use serde::Serialize;

/// The sheet of one unit.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sheet {
    /// The unit.
    pub unit: String,
    /// State and day.
    pub when: String,
    /// Its settings.
    pub rows: Vec<Row>,
    /// What this says and what it does not.
    pub notes: String,
    /// How to read it.
    pub legend: String,
    /// Hash of what it rests on, day and version.
    pub footer: String,
}

/// One setting.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Row {
    /// Its id.
    pub id: String,
    /// The unit's own label, and the dial.
    pub label: String,
    /// Mean power and load, as large as can be.
    pub lead: String,
    /// Each kind of output: its class, peak and crest factor.
    pub outputs: Vec<String>,
    /// What it does over load.
    pub behaviour: String,
    /// The neutral line.
    pub line: String,
    /// The short form.
    pub short: String,
    /// The same as a sentence.
    pub sentence: String,
    /// What else was measured: name, value with U, on which load.
    pub facts: Vec<(String, String)>,
    /// What was not captured, and captures that do not count.
    pub missing: Vec<String>,
    /// Power over load, as SVG.
    pub curve: Option<String>,
    /// Power over dial, as SVG.
    pub dial: Option<String>,
    /// The output over time, as SVG.
    pub wave: Option<String>,
}

impl Sheet {
    /// The sheet of a card.
    ///
    /// # Errors
    /// Where a picture can't be drawn.
    pub fn of(card: &Card) -> Result<Self, ReportError> {
        let day =
            card.day.as_deref().map(|day| day.get(..10).unwrap_or(day)).unwrap_or("day unknown");
        let hash = card.result_sha256.map_or_else(
            || "the result it rests on has no seal".to_owned(),
            |hash| format!("rests on result {hash}"),
        );
        Ok(Self {
            unit: card.name(),
            when: match &card.day {
                Some(_) => format!("{}, last measured on {day}", card.state),
                None => format!("{}, day not stated", card.state),
            },
            rows: card.settings.iter().map(row).collect::<Result<_, _>>()?,
            notes: NOT_TISSUE.into(),
            legend: "Numbers are measured on a bench into a resistor; ± is the expanded uncertainty U at 95 %, \
                     ? marks a U without a scale, the load or the clock. Classes by crest factor (continuous \
                     below 1.7, moderately modulated below 4, strongly below 8, very strongly above) and the arc level \
                     of about 200 V peak are suggestions: common practice, no source. A dash was not measured."
                .into(),
            footer: format!("{hash}; {day}; crestbook {}, neutral line 1", card.program),
        })
    }
}

/// A value with its U, as it stands in tables.
pub(super) fn shown(kept: &KeptMeasure) -> String {
    let (estimate, unit) = (&kept.estimate, kept.measure.unit());
    let doubt = if estimate.at_least() { " ?" } else { "" };
    let u = estimate
        .expanded()
        .map_or_else(|| " ± ?".into(), |u| format!(" ± {}{doubt}", significant(u, unit, 2)));
    format!("{}{u}", for_people(estimate.value, unit))
}

/// A load in words.
pub(super) fn load_words(load: Load) -> String {
    match load {
        Load::Ohm(ohm) => for_people(ohm, Unit::Ohm),
        Load::Open => "open".into(),
    }
}

/// A dial in words.
pub(super) fn dial_words(dial: Option<f64>) -> String {
    dial.map_or_else(|| "no dial".into(), |dial| format!("{dial}"))
}

fn row(setting: &SettingCard) -> Result<Row, ReportError> {
    let line = Line::of(setting);
    let dial = setting.own_dial();
    let over_load = setting.over_load(dial);
    let label = match (&setting.mode, dial) {
        (Some(mode), Some(dial)) => format!("on the unit: {mode}, dial {dial}"),
        (Some(mode), None) => format!("on the unit: {mode}"),
        (None, Some(dial)) => format!("dial {dial}"),
        (None, None) => String::new(),
    };
    let cyclic = line.phases.iter().filter(|phase| phase.kind.powered()).count() > 1;
    let mean = setting.near(dial, setting.rated_ohm);
    let mean = mean.and_then(|at| Some((at.load, at.had(Measure::Power, setting.part()).ok()?)));
    let lead = match mean {
        Some((load, kept)) => {
            let mean = if cyclic { "mean " } else { "" };
            format!("{mean}{} into {}", shown(kept), load_words(load))
        }
        None => "power not measured".into(),
    };
    let outputs = line.phases.iter().filter(|phase| phase.kind.powered()).map(|phase| {
        let class =
            phase.crest_factor.map_or("not measured", |crest| Modulation::of(crest).words());
        let peak = phase.peak_v.map_or("-".into(), |v| significant(v, Unit::Volt, 3));
        let crest = phase.crest_factor.map_or("-".into(), |x| significant(x, Unit::One, 3));
        let length = phase
            .duration_s
            .map_or(String::new(), |s| format!(", {}", significant(s, Unit::Second, 3)));
        let watt = match (cyclic, phase.power_w) {
            (true, Some(watt)) => format!(" at {}", significant(watt, Unit::Watt, 3)),
            _ => String::new(),
        };
        format!("{}: {class}{length}{watt}, {peak} peak, CF {crest}", phase.kind.name())
    });
    let behaviour = match line.over_load.as_slice() {
        [] => "over load: not measured".to_owned(),
        all => {
            let one = |b: &crate::card::Behaviour| {
                let held = b.held.name();
                let ends = format!("{:.0} to {:.0} ohm", b.from_ohm, b.to_ohm);
                match b.held {
                    crate::card::Held::Rising | crate::card::Held::Falling => {
                        format!("power {held} {ends}")
                    }
                    _ => format!("holds {held} {ends}"),
                }
            };
            all.iter().map(one).collect::<Vec<_>>().join(", ")
        }
    };
    let mut missing = Vec::new();
    let not_captured = setting.not_captured();
    if !not_captured.is_empty() {
        let loads: Vec<String> = not_captured.into_iter().map(load_words).collect();
        missing.push(format!("not captured at this dial: {}", loads.join(", ")));
    }
    missing.extend(disagreeing(setting));
    if !line.in_doubt.is_empty() {
        let codes: Vec<&str> = line.in_doubt.iter().map(|code| code.name()).collect();
        missing.push(format!("in doubt: {}", codes.join(", ")));
    }
    let found = setting.findings.iter().map(|one| format!("{}: {}", one.step, one.reason));
    missing.extend(found);
    missing.extend(setting.left_out.iter().map(|one| format!("{}: {}", one.step, one.reason)));
    Ok(Row {
        id: setting.id.clone(),
        label,
        lead,
        outputs: outputs.collect(),
        behaviour,
        line: line.to_string(),
        short: line.short(),
        sentence: line.sentence(),
        facts: facts(setting, &over_load, dial),
        missing,
        curve: curve(setting, &over_load)?,
        dial: over_dial(setting)?,
        wave: setting
            .sketch
            .as_ref()
            .map(|sketch| picture::beside(sketch).map_err(ReportError::from))
            .transpose()?,
    })
}

/// Captures of one dial and load whose powers differ by more than U.
fn disagreeing(setting: &SettingCard) -> Vec<String> {
    let part = setting.part();
    let mut told = Vec::new();
    for point in setting.distinct() {
        let Ok(own) = point.had(Measure::Power, part) else { continue };
        for other in setting.repetitions(point) {
            let Ok(twin) = other.had(Measure::Power, part) else { continue };
            let u = own.estimate.expanded().zip(twin.estimate.expanded()).map(|(a, b)| a.hypot(b));
            let off = (own.estimate.value - twin.estimate.value).abs();
            if u.is_none_or(|u| off > u) {
                told.push(format!(
                    "{} and {} are of one dial and load, but gave {} and {}: the first is shown",
                    point.step,
                    other.step,
                    for_people(own.estimate.value, Unit::Watt),
                    for_people(twin.estimate.value, Unit::Watt)
                ));
            }
        }
    }
    told
}

/// Measures beside the neutral line, each with the load it was taken on.
const FACTS: [Measure; 7] = [
    Measure::DutyCycle,
    Measure::DutyCycleEquivalent,
    Measure::BurstRate,
    Measure::Fundamental,
    Measure::OnsetBoost,
    Measure::RippleDepth,
    Measure::PowerOneSecond,
];

fn facts(setting: &SettingCard, over_load: &[&Point], dial: Option<f64>) -> Vec<(String, String)> {
    let part = setting.part();
    let mut told = Vec::new();
    let power = |point: &&Point| Some((point.load, point.had(Measure::Power, part).ok()?.clone()));
    let powers: Vec<(Load, KeptMeasure)> = over_load.iter().filter_map(power).collect();
    if powers.len() > 1 {
        let one =
            |(load, kept): &(Load, KeptMeasure)| format!("{}: {}", load_words(*load), shown(kept));
        told.push((
            "power over load".into(),
            powers.iter().map(one).collect::<Vec<_>>().join("; "),
        ));
    }
    let dials: Vec<String> = setting
        .dials()
        .into_iter()
        .filter_map(|at| {
            let point = setting.over_load(Some(at)).into_iter().find(|point| {
                setting
                    .rated_ohm
                    .is_none_or(|ohm| crate::card::same_load(point.load, Load::Ohm(ohm)))
            })?;
            Some(format!("{at}: {}", shown(point.had(Measure::Power, part).ok()?)))
        })
        .collect();
    if dials.len() > 1 {
        told.push(("power over dial".into(), dials.join("; ")));
    }
    if let Some(open) = setting.point(dial, Load::Open)
        && let Ok(peak) = open.had(Measure::VoltagePeak, Part::Whole)
    {
        told.push(("peak with nothing connected".into(), shown(peak)));
    }
    let Some(point) = over_load.iter().find(|point| {
        setting.rated_ohm.is_some_and(|ohm| crate::card::same_load(point.load, Load::Ohm(ohm)))
    }) else {
        return told;
    };
    let again = |(point, kept): (&Point, &KeptMeasure)| format!("{}: {}", point.step, shown(kept));
    let repeated: Vec<String> = setting
        .repetitions(point)
        .filter_map(|other| Some(again((other, other.had(Measure::Power, part).ok()?))))
        .collect();
    if !repeated.is_empty() {
        told.push(("power again, at the same dial and load".into(), repeated.join("; ")));
    }
    for kind in setting.kinds().into_iter().filter(|kind| kind.powered()) {
        let of_kind = crate::card::part_of(kind);
        for measure in FACTS {
            let part = if measure == Measure::PowerOneSecond { Part::Whole } else { of_kind };
            if let Ok(kept) = point.had(measure, part) {
                let name = format!("{}, {}", measure.title(), kind.name());
                told.push((name, format!("{} at {}", shown(kept), load_words(point.load))));
            }
        }
    }
    told
}

/// A point of a small curve.
fn curve_point(x: f64, kept: &KeptMeasure, step: &str) -> CurvePoint {
    CurvePoint {
        x,
        y: kept.estimate.value,
        expanded_uncertainty: kept.estimate.expanded(),
        verdict: Verdict::Pass,
        step: step.to_owned(),
    }
}

fn series(x: &str, x_unit: &str, points: Vec<CurvePoint>) -> Result<Option<String>, ReportError> {
    if points.len() < 2 {
        return Ok(None);
    }
    plot::small(&Series {
        x: x.into(),
        x_unit: x_unit.into(),
        y: "power".into(),
        y_unit: "W".into(),
        expected: Vec::new(),
        limit: None,
        points,
    })
}

fn curve(setting: &SettingCard, over_load: &[&Point]) -> Result<Option<String>, ReportError> {
    let part = setting.part();
    let one = |point: &&Point| {
        let Load::Ohm(ohm) = point.load else { return None };
        Some(curve_point(ohm, point.had(Measure::Power, part).ok()?, &point.step))
    };
    series("load", "ohm", over_load.iter().filter_map(one).collect())
}

fn over_dial(setting: &SettingCard) -> Result<Option<String>, ReportError> {
    let part = setting.part();
    let one = |point: &Point| {
        let rated = setting.rated_ohm?;
        let dial = point.dial.filter(|_| crate::card::same_load(point.load, Load::Ohm(rated)))?;
        Some(curve_point(dial, point.had(Measure::Power, part).ok()?, &point.step))
    };
    let mut points: Vec<CurvePoint> = setting.distinct().filter_map(one).collect();
    points.sort_by(|a, b| a.x.total_cmp(&b.x));
    series("dial", "", points)
}
