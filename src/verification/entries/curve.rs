//! `[[curve]]`: power over load at one setting.

use super::{Entry, Facts, Fault, INTO_LOAD, Profile, StepKind, Table};
use crate::check::{Judged, Verdict};
use crate::measures::Measure;
use crate::profile::{Bounds, Tolerance};
use crate::result::Part;
use crate::units::{Unit, for_people};
use crate::verification::judge::{Bench, group, line, point, series};
use crate::verification::outcome::{Correlated, KeptMeasure};
use crate::verification::result::{CurvePoint, GroupResult, Line, Series};
use crate::verification::step::{CaptureNeed, Load, Planned, Step, plain};
use crate::verification::unjudged::Unjudged;
use crate::verification::{curve, estimate};
use serde::Deserialize;

/// `[[curve]]`: power over load at one setting.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Curve {
    /// Identifier, unique among everything that is judged.
    pub id: String,
    /// Whether its captures serve no other step, and no other capture serves it.
    #[serde(default)]
    pub own_capture: bool,
    /// Setting of the profile whose output it is.
    pub setting: String,
    /// Number on the dial, where it is not the setting's.
    pub dial: Option<f64>,
    /// Part of the record the power is taken over; left out: all output of the setting's kind.
    #[serde(rename = "in")]
    pub part: Option<Part>,
    /// Loads, ohm, rising.
    pub loads_ohm: Vec<f64>,
    /// Expected power at each of them, W.
    pub expected_w: Vec<f64>,
    /// Tolerance around the expected power at the load as measured.
    pub tolerance: String,
    /// Below this expected power the tolerance is not applied, W.
    pub applies_from_w: Option<f64>,
    /// Load at which the unit is to put out most, ohm.
    pub rated_load_ohm: Option<f64>,
    /// Share by which another load may take more power than the rated one; 5 % unless stated.
    pub rated_load_tolerance: Option<f64>,
    /// Flatness: `max / min - 1` of the power between `flat_from_ohm` and `flat_to_ohm` is at most
    /// this.
    pub flatness: Option<f64>,
    /// Lowest load of the flat stretch, ohm.
    pub flat_from_ohm: Option<f64>,
    /// Highest load of the flat stretch, ohm.
    pub flat_to_ohm: Option<f64>,
    /// Resistance of the source that the curve is to have, ohm, at least.
    pub source_ohm_min: Option<f64>,
    /// And at most.
    pub source_ohm_max: Option<f64>,
}

impl Curve {
    /// Lowest and highest load of the flat stretch, ohm.
    #[must_use]
    pub fn flat_stretch(&self) -> (f64, f64) {
        (self.flat_from_ohm.unwrap_or(0.0), self.flat_to_ohm.unwrap_or(f64::INFINITY))
    }
}

pub(super) const FACTS: Facts =
    Facts { title: "power over load", load_share: LOAD_SHARE, ..INTO_LOAD };

impl Curve {
    /// What is wanted at a load, in words.
    fn wanted(&self, index: usize) -> String {
        let power = self.expected_w.get(index);
        power.map_or(String::new(), |watt| {
            format!("{} ± {}", for_people(*watt, Unit::Watt), self.tolerance)
        })
    }
}

impl Entry for Curve {
    fn id(&self) -> &str {
        &self.id
    }

    fn check(&self, at: &Table, profile: &Profile) -> Result<(), Fault> {
        at.setting(profile, &self.setting)?;
        at.rising("loads_ohm", &self.loads_ohm, 0.0)?;
        at.alike("expected_w", &self.expected_w, self.loads_ohm.len())?;
        at.tolerance("tolerance", &self.tolerance, Unit::Watt)?;
        at.positive("applies_from_w", self.applies_from_w)?;
        at.positive("flatness", self.flatness)?;
        at.positive("rated_load_ohm", self.rated_load_ohm)?;
        at.positive("rated_load_tolerance", self.rated_load_tolerance)?;
        if self.rated_load_ohm.is_some_and(|ohm| !self.loads_ohm.contains(&ohm)) {
            return at.fault("rated_load_ohm", "the rated load is not one of loads_ohm");
        }
        if self.flatness.is_some() {
            let (from, to) = self.flat_stretch();
            let inside = self.loads_ohm.iter().filter(|ohm| (from..=to).contains(*ohm));
            if inside.count() < 2 {
                return at.fault("flatness", "fewer than two loads lie in the flat stretch");
            }
        }
        at.ordered("source_ohm_min", self.source_ohm_min, self.source_ohm_max)?;
        Ok(())
    }

    fn steps(&self, profile: &Profile) -> Vec<Step> {
        let one = |(index, ohm): (usize, &f64)| {
            let id = format!("{}-{}ohm", self.id, plain(*ohm));
            let load = Some(Load::Ohm(*ohm));
            Planned {
                kind: StepKind::Curve,
                group: &self.id,
                index,
                id,
                setting: &self.setting,
                dial: self.dial,
                load,
                more: "",
                capture: if self.own_capture { CaptureNeed::Own } else { CaptureNeed::Any },
                wanted: self.wanted(index),
                power_w: self.expected_w.get(index).copied(),
            }
            .step(profile)
        };
        self.loads_ohm.iter().enumerate().map(one).collect()
    }

    fn judge(&self, bench: &Bench<'_>) -> Option<GroupResult> {
        let planned = bench.part(&self.setting, self.part);
        let tolerance = Tolerance::parse(&self.tolerance, Unit::Watt).unwrap_or_default();
        let around = |power: f64| {
            (Some(power - tolerance.around(power)), Some(power + tolerance.around(power)))
        };
        let steps: Vec<&Step> = bench.steps_of(&self.id).collect();
        let (shared, _) = bench.shared(&steps);
        let (mut lines, mut points, mut drawn) = (Vec::new(), Vec::new(), Vec::new());
        for step in &steps {
            let Some(Load::Ohm(ohm)) = step.load else { continue };
            let nominal_w = self.expected_w.get(step.index).copied();
            let part = bench.output_of(&step.id, planned);
            let Ok(power) = bench.number(&step.id, Measure::Power, part) else {
                let bounds = nominal_w.map_or((None, None), around);
                let judged = bench.judge_one(&step.id, (Measure::Power, part), nominal_w, bounds);
                let what = format!("power at {ohm} Ω");
                lines.push(line(Some(&step.id), Measure::Power.key(), what, "W", judged));
                continue;
            };
            let load = bench.number(&step.id, Measure::Load, part).ok();
            let measured = load.map_or(ohm, |load| load.estimate.value);
            let wanted = curve::expected(&self.loads_ohm, &self.expected_w, measured);
            let correlated =
                bench.outcome(&step.id).map_or_else(|_| Correlated::default(), |o| o.correlated);
            let slope = wanted.map_or(0.0, |(_, slope)| slope);
            let u = curve::against(power, load, slope, correlated);
            let (judged, what) = self.point(bench, power, (measured, u), wanted, around);
            let judged = match bench.outcome(&step.id) {
                Ok(outcome) => judged.doubted(Measure::Power, part, &outcome.flags),
                Err(_) => judged,
            };
            let own_ohm = load.and_then(|load| load.term(shared, false)).map_or(0.0, |own| own.u);
            let whole_ohm = load.and_then(|load| load.estimate.standard_uncertainty).unwrap_or(0.0);
            points.push((
                ohm,
                curve::Point {
                    ohm: measured,
                    u_ohm: own_ohm,
                    shared_ohm: (whole_ohm * whole_ohm - own_ohm * own_ohm).max(0.0).sqrt()
                        / measured,
                    watt: power.estimate.value,
                    own: power.term(shared, false),
                    partial: power.estimate.partial,
                },
            ));
            drawn.push(point(measured, &power.estimate, judged.verdict, &step.id));
            lines.push(line(Some(&step.id), Measure::Power.key(), what, "W", judged));
        }
        let first = lines.len();
        let mut notes = Vec::new();
        let complete = points.len() == self.loads_ohm.len();
        self.shape(bench, &points, complete, &mut lines);
        let bare: Vec<curve::Point> = points.iter().map(|(_, point)| *point).collect();
        let source = curve::source(&bare);
        let bounds = (self.source_ohm_min, self.source_ohm_max);
        if bounds != (None, None) {
            let found = match &source {
                _ if !complete => Err(Unjudged::LoadsMissing),
                None if bare.iter().any(|point| point.own.is_none()) => {
                    Err(Unjudged::NoUncertainty)
                }
                None => Err(Unjudged::NoSource),
                Some((fit, _)) if !fit.fits => Err(Unjudged::OtherSource(fit.worst_residual)),
                Some((_, found)) => Ok(found),
            };
            let judged = Judged::of(found, None, bounds, bench.rule());
            lines.push(line(None, "source_ohm", "source resistance", "Ω", judged));
        }
        if let Some((fit, _)) = &source
            && !fit.fits
        {
            notes.push(format!(
                "not the curve of a voltage behind a resistance (powers lie up to {:.0} % off it): the \
                 generator regulates",
                100.0 * fit.worst_residual
            ));
        }
        // What follows from all points is in doubt with any of them.
        for line in lines.iter_mut().skip(first) {
            let judged =
                std::mem::replace(&mut line.judged, Judged::answered(Verdict::NotMeasured));
            line.judged = bench.in_doubt(judged, &steps, Measure::Power, planned);
        }
        let series = self.series(drawn, &tolerance);
        let dial = self.dial.or(bench.evidence.profile.setting(&self.setting).and_then(|s| s.dial));
        let at = dial.map_or(String::new(), |dial| format!(" at {dial}"));
        let title = format!("{}{at}: power over load", bench.mode(&self.setting));
        let source = source.map(|(fit, _)| fit);
        Some(GroupResult {
            source,
            notes,
            ..group(&self.id, StepKind::Curve, title, lines, Some(series))
        })
    }
}

impl Curve {
    /// One point against the curve at the load as measured; `u` is what is not known of the power
    /// against the expected one there, as a share.
    fn point(
        &self,
        bench: &Bench<'_>,
        power: &KeptMeasure,
        (measured, u): (f64, Option<f64>),
        wanted: Option<(f64, f64)>,
        around: impl Fn(f64) -> Bounds,
    ) -> (Judged, String) {
        let ohm = for_people(measured, Unit::Ohm);
        let what = format!("power at {ohm}");
        let Some((nominal, _)) = wanted else {
            let reason = Unjudged::BeyondCurve(measured);
            return (Judged::of(Err(reason), None, (None, None), bench.rule()), what);
        };
        let mut found = power.estimate.clone();
        if let Some(against) =
            u.and_then(|u| estimate(found.value, u * found.value.abs(), power.freedom()))
        {
            // The same k, where its distribution is that of the power alone.
            let same = found.standard_uncertainty.is_some_and(|own| {
                against.standard_uncertainty.is_some_and(|u| (u / own - 1.0).abs() < 1e-9)
            });
            if !same {
                found.standard_uncertainty = against.standard_uncertainty;
                found.coverage = against.coverage;
            }
        }
        if let Some(from) = self.applies_from_w.filter(|from| nominal < *from) {
            // Little power has no tolerance, but it must stay below what the tolerance allows there.
            let mut judged = Judged::of(
                Ok::<_, Unjudged>(&found),
                Some(nominal),
                (None, around(from).1),
                bench.rule(),
            );
            let note = "below the power from which the tolerance applies: only held against the most \
                        that is allowed there";
            judged.reason.get_or_insert_with(|| note.into());
            return (judged, what);
        }
        (Judged::of(Ok::<_, Unjudged>(&found), Some(nominal), around(nominal), bench.rule()), what)
    }

    /// Flatness and the rated load.
    fn shape(
        &self,
        bench: &Bench<'_>,
        points: &[(f64, curve::Point)],
        complete: bool,
        lines: &mut Vec<Line>,
    ) {
        if let Some(limit) = self.flatness {
            let (from, to) = self.flat_stretch();
            let inside: Vec<curve::Point> = points
                .iter()
                .filter(|(planned, _)| (from..=to).contains(planned))
                .map(|(_, point)| *point)
                .collect();
            let found = curve::flatness(&inside).filter(|_| complete);
            let found = found.as_ref().ok_or(Unjudged::LoadsMissing);
            let judged = Judged::of(found, None, (None, Some(limit)), bench.rule());
            let what = "flatness, largest over smallest power less 1";
            lines.push(line(None, "flatness", what, "", judged));
        }
        if let Some(rated) = self.rated_load_ohm {
            let (own, others): (Vec<_>, Vec<_>) =
                points.iter().partition(|(planned, _)| *planned == rated);
            let others: Vec<curve::Point> = others.iter().map(|(_, point)| *point).collect();
            let found = own.first().and_then(|(_, own)| curve::lead(own, &others));
            let found = found.filter(|_| complete);
            let found = found.as_ref().ok_or(Unjudged::LoadsMissing);
            // The load with the most power is the rated one by definition; how far another may lie above
            // it is a tolerance.
            let share = self.rated_load_tolerance.unwrap_or(RATED_SHARE);
            let power = own.first().map_or(0.0, |(_, own)| own.watt);
            let judged = Judged::of(found, None, (Some(-share * power), None), bench.rule());
            let what = format!(
                "rated load {rated} Ω: power above that at any other load, {} % less at most",
                100.0 * share
            );
            lines.push(line(None, "rated_load", what, "W", judged));
        }
    }

    fn series(&self, points: Vec<CurvePoint>, around: &Tolerance) -> Series {
        let (first, last) = (self.loads_ohm.first(), self.loads_ohm.last());
        let mut expected = Vec::new();
        if let (Some(first), Some(last)) = (first, last) {
            const COUNT: u32 = 60;
            for k in 0..=COUNT {
                let ohm = first * (last / first).powf(f64::from(k) / f64::from(COUNT));
                if let Some((power, _)) = curve::expected(&self.loads_ohm, &self.expected_w, ohm) {
                    let width = around.around(power);
                    expected.push([ohm, power, power - width, power + width]);
                }
            }
        }
        series(("load", "Ω"), ("power", "W"), expected, None, points)
    }
}

/// A point is judged at its load as measured, which may lie so far from the planned one.
const LOAD_SHARE: f64 = 0.1;

/// Share by which another load may take more power than the rated one, unless the plan says otherwise
/// (common practice, no source).
const RATED_SHARE: f64 = 0.05;
