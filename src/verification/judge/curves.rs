//! What is drawn over load or dial: curves, ladders, open circuit.

use super::{Bench, group, line};
use crate::check::{Judged, Verdict};
use crate::estimate::Estimate;
use crate::measures::Measure;
use crate::profile::{Bounds, Curve, Tolerance};
use crate::result::Part;
use crate::units::{Unit, for_people};
use crate::verification::outcome::{Correlated, KeptMeasure};
use crate::verification::result::{CurvePoint, GroupResult, Line, Series};
use crate::verification::step::{Load, Step, StepKind};
use crate::verification::{curve, estimate, ladder};

impl Bench<'_> {
    pub(super) fn curve(&self, curve: &Curve) -> GroupResult {
        let planned = self.part(&curve.setting, curve.part);
        let tolerance = Tolerance::parse(&curve.tolerance, Unit::Watt).unwrap_or_default();
        let around = |power: f64| {
            (Some(power - tolerance.around(power)), Some(power + tolerance.around(power)))
        };
        let steps: Vec<&Step> = self.steps_of(&curve.id).collect();
        let (shared, _) = self.shared(&steps);
        let (mut lines, mut points, mut drawn) = (Vec::new(), Vec::new(), Vec::new());
        for step in &steps {
            let Some(Load::Ohm(ohm)) = step.load else { continue };
            let nominal_w = curve.expected_w.get(step.index).copied();
            let part = self.output_of(&step.id, planned);
            let Ok(power) = self.number(&step.id, Measure::Power, part) else {
                let bounds = nominal_w.map_or((None, None), around);
                let judged = self.judge_one(&step.id, (Measure::Power, part), nominal_w, bounds);
                let what = format!("power at {ohm} Ω");
                lines.push(line(Some(&step.id), Measure::Power.key(), what, "W", judged));
                continue;
            };
            let load = self.number(&step.id, Measure::Load, part).ok();
            let measured = load.map_or(ohm, |load| load.estimate.value);
            let wanted = curve::expected(&curve.loads_ohm, &curve.expected_w, measured);
            let correlated =
                self.outcome(&step.id).map_or_else(|_| Correlated::default(), |o| o.correlated);
            let slope = wanted.map_or(0.0, |(_, slope)| slope);
            let u = curve::against(power, load, slope, correlated);
            let (judged, what) = self.curve_point(curve, power, (measured, u), wanted, around);
            let judged = match self.outcome(&step.id) {
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
        let complete = points.len() == curve.loads_ohm.len();
        self.curve_shape(curve, &points, complete, &mut lines);
        let bare: Vec<curve::Point> = points.iter().map(|(_, point)| *point).collect();
        let source = curve::source(&bare);
        let bounds = (curve.source_ohm_min, curve.source_ohm_max);
        if bounds != (None, None) {
            let found = match &source {
                _ if !complete => Err("loads are missing".to_owned()),
                None if bare.iter().any(|point| point.own.is_none()) => {
                    Err("the uncertainty of the powers is not known".to_owned())
                }
                None => Err("no source behind a resistance gives such a curve".to_owned()),
                Some((fit, _)) if !fit.fits => Err(format!(
                    "the curve is not one of a source behind a resistance: it is off by up to {:.1} %",
                    100.0 * fit.worst_residual
                )),
                Some((_, found)) => Ok(found),
            };
            let judged = Judged::of(found, None, bounds, self.rule());
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
            line.judged = self.in_doubt(judged, &steps, Measure::Power, planned);
        }
        let series = self.curve_series(curve, drawn, &tolerance);
        let dial =
            curve.dial.or(self.evidence.profile.setting(&curve.setting).and_then(|s| s.dial));
        let at = dial.map_or(String::new(), |dial| format!(" at {dial}"));
        let title = format!("{}{at}: power over load", self.mode(&curve.setting));
        let source = source.map(|(fit, _)| fit);
        GroupResult {
            source,
            notes,
            ..group(&curve.id, StepKind::Curve, title, lines, Some(series))
        }
    }

    /// One point against the curve at the load as measured; `u` is what is not known of the power
    /// against the expected one there, as a share.
    fn curve_point(
        &self,
        curve: &Curve,
        power: &KeptMeasure,
        (measured, u): (f64, Option<f64>),
        wanted: Option<(f64, f64)>,
        around: impl Fn(f64) -> Bounds,
    ) -> (Judged, String) {
        let ohm = for_people(measured, Unit::Ohm);
        let what = format!("power at {ohm}");
        let Some((nominal, _)) = wanted else {
            let reason = format!("the measured load of {ohm} lies beyond the expected curve");
            return (Judged::of(Err(reason), None, (None, None), self.rule()), what);
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
        if let Some(from) = curve.applies_from_w.filter(|from| nominal < *from) {
            // Little power has no tolerance, but it must stay below what the tolerance allows there.
            let mut judged =
                Judged::of(Ok(&found), Some(nominal), (None, around(from).1), self.rule());
            let note = "below the power from which the tolerance applies: only held against the most \
                        that is allowed there";
            judged.reason.get_or_insert_with(|| note.into());
            return (judged, what);
        }
        (Judged::of(Ok(&found), Some(nominal), around(nominal), self.rule()), what)
    }

    /// Flatness and the rated load.
    fn curve_shape(
        &self,
        curve: &Curve,
        points: &[(f64, curve::Point)],
        complete: bool,
        lines: &mut Vec<Line>,
    ) {
        const MISSING: &str = "loads are missing";
        if let Some(limit) = curve.flatness {
            let (from, to) = curve.flat_stretch();
            let inside: Vec<curve::Point> = points
                .iter()
                .filter(|(planned, _)| (from..=to).contains(planned))
                .map(|(_, point)| *point)
                .collect();
            let found = curve::flatness(&inside).filter(|_| complete);
            let found = found.as_ref().ok_or_else(|| MISSING.to_owned());
            let judged = Judged::of(found, None, (None, Some(limit)), self.rule());
            let what = "flatness, largest over smallest power less 1";
            lines.push(line(None, "flatness", what, "", judged));
        }
        if let Some(rated) = curve.rated_load_ohm {
            let (own, others): (Vec<_>, Vec<_>) =
                points.iter().partition(|(planned, _)| *planned == rated);
            let others: Vec<curve::Point> = others.iter().map(|(_, point)| *point).collect();
            let found = own.first().and_then(|(_, own)| curve::lead(own, &others));
            let found = found.filter(|_| complete);
            let found = found.as_ref().ok_or_else(|| MISSING.to_owned());
            // The load with the most power is the rated one by definition; how far another may lie above
            // it is a tolerance.
            let share = curve.rated_load_tolerance.unwrap_or(RATED_SHARE);
            let power = own.first().map_or(0.0, |(_, own)| own.watt);
            let judged = Judged::of(found, None, (Some(-share * power), None), self.rule());
            let what = format!(
                "rated load {rated} Ω: power above that at any other load, {} % less at most",
                100.0 * share
            );
            lines.push(line(None, "rated_load", what, "W", judged));
        }
    }

    fn curve_series(&self, curve: &Curve, points: Vec<CurvePoint>, around: &Tolerance) -> Series {
        let (first, last) = (curve.loads_ohm.first(), curve.loads_ohm.last());
        let mut expected = Vec::new();
        if let (Some(first), Some(last)) = (first, last) {
            const COUNT: u32 = 60;
            for k in 0..=COUNT {
                let ohm = first * (last / first).powf(f64::from(k) / f64::from(COUNT));
                if let Some((power, _)) = curve::expected(&curve.loads_ohm, &curve.expected_w, ohm)
                {
                    let width = around.around(power);
                    expected.push([ohm, power, power - width, power + width]);
                }
            }
        }
        series(("load", "Ω"), ("power", "W"), expected, None, points)
    }

    pub(super) fn ladder(&self, ladder: &crate::profile::Ladder) -> GroupResult {
        let part = self.part(&ladder.setting, ladder.part);
        let expected = ladder.expected_w.as_deref();
        let steps: Vec<&Step> = self.steps_of(&ladder.id).collect();
        let (mut lines, points, band) =
            self.over_dial(&steps, (Measure::Power, part), expected, &ladder.tolerance);
        if ladder.monotonic.unwrap_or(true) {
            for pair in steps.windows(2) {
                let [low, high] = pair else { continue };
                let of = |step: &Step| {
                    self.number(&step.id, Measure::Power, self.output_of(&step.id, part))
                };
                let (shared, same_load) = self.shared(pair);
                let found = of(low).and_then(|low| {
                    ladder::rise(low, of(high)?, shared, same_load)
                        .ok_or_else(|| "the uncertainty is not known".into())
                });
                let found = found.as_ref().map_err(Clone::clone);
                let judged = Judged::of(found, None, (Some(0.0), None), self.rule());
                let judged = self.in_doubt(judged, pair, Measure::Power, part);
                let dial = |step: &Step| step.dial.unwrap_or_default();
                let what = format!("rise from {} to {}", dial(low), dial(high));
                let measure = format!("rise to {}", dial(high));
                lines.push(line(None, &measure, what, "W", judged));
            }
        }
        if let (Some(limit), Some(step)) = (ladder.lowest_limit_w(), steps.first()) {
            let part = self.output_of(&step.id, part);
            let judged =
                self.judge_one(&step.id, (Measure::Power, part), None, (None, Some(limit)));
            let what = format!("power at the lowest number, {}", step.dial.unwrap_or_default());
            lines.push(line(Some(&step.id), "lowest_w", what, "W", judged));
        }
        let load = steps.first().and_then(|step| step.load);
        let load = match load {
            Some(Load::Ohm(ohm)) => format!(" into {ohm} Ω"),
            _ => String::new(),
        };
        let title = format!("{}: power over dial{load}", self.mode(&ladder.setting));
        let series = series(("dial", ""), ("power", "W"), band, None, points);
        group(&ladder.id, StepKind::Ladder, title, lines, Some(series))
    }

    /// A measure at each number on the dial: lines where something is expected, points, and the band.
    fn over_dial(
        &self,
        steps: &[&Step],
        (measure, part): (Measure, Part),
        expected: Option<&[f64]>,
        tolerance: &Option<String>,
    ) -> (Vec<Line>, Vec<CurvePoint>, Vec<[f64; 4]>) {
        let tolerance =
            tolerance.as_deref().and_then(|text| Tolerance::parse(text, measure.unit()).ok());
        let (mut lines, mut points, mut band) = (Vec::new(), Vec::new(), Vec::new());
        for step in steps {
            let dial = step.dial.unwrap_or_default();
            let part = self.output_of(&step.id, part);
            let found = self.number(&step.id, measure, part).map(|number| &number.estimate);
            let nominal = expected.and_then(|values| values.get(step.index)).copied();
            let mut verdict = Verdict::Pass;
            if let (Some(nominal), Some(tolerance)) = (nominal, tolerance) {
                let width = tolerance.around(nominal);
                band.push([dial, nominal, nominal - width, nominal + width]);
                let bounds = (Some(nominal - width), Some(nominal + width));
                let judged = self.judge_one(&step.id, (measure, part), Some(nominal), bounds);
                verdict = judged.verdict;
                let what = format!("{} at {dial}", measure.title());
                let unit = measure.unit().symbol();
                lines.push(line(Some(&step.id), measure.key(), what, unit, judged));
            }
            if let Ok(found) = found {
                points.push(point(dial, found, verdict, &step.id));
            }
        }
        (lines, points, band)
    }

    pub(super) fn open(&self, open: &crate::profile::OpenCircuit) -> GroupResult {
        let part = self.part(&open.setting, open.part);
        let steps: Vec<&Step> = self.steps_of(&open.id).collect();
        let expected = open.expected_v.as_deref();
        let (mut lines, mut points, band) =
            self.over_dial(&steps, (Measure::VoltagePeak, part), expected, &open.tolerance);
        if let Some(limit) = open.max_v {
            for step in &steps {
                let part = self.output_of(&step.id, part);
                let bounds = (None, Some(limit));
                let judged = self.judge_one(&step.id, (Measure::VoltagePeak, part), None, bounds);
                if let Some(point) = points.iter_mut().find(|point| point.step == step.id) {
                    point.verdict = point.verdict.max(judged.verdict);
                }
                let what = format!("peak at {}", step.dial.unwrap_or_default());
                lines.push(line(Some(&step.id), "peak_max_v", what, "V", judged));
            }
        }
        let title = format!("{}: open-circuit peak over dial", self.mode(&open.setting));
        let series = series(("dial", ""), ("open-circuit peak", "V"), band, open.max_v, points);
        group(&open.id, StepKind::OpenCircuit, title, lines, Some(series))
    }
}

/// Share by which another load may take more power than the rated one, unless the plan says otherwise
/// (common practice, no source).
const RATED_SHARE: f64 = 0.05;

pub(super) fn point(x: f64, found: &Estimate, verdict: Verdict, step: &str) -> CurvePoint {
    let expanded_uncertainty = found.expanded();
    CurvePoint { x, y: found.value, expanded_uncertainty, verdict, step: step.to_owned() }
}

pub(super) fn series(
    x: (&str, &str),
    y: (&str, &str),
    expected: Vec<[f64; 4]>,
    limit: Option<f64>,
    points: Vec<CurvePoint>,
) -> Series {
    Series {
        x: x.0.into(),
        x_unit: x.1.into(),
        y: y.0.into(),
        y_unit: y.1.into(),
        expected,
        limit,
        points,
    }
}
