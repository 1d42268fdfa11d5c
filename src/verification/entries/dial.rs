//! A measure at each number on the dial.

use crate::check::Verdict;
use crate::measures::Measure;
use crate::profile::Tolerance;
use crate::result::Part;
use crate::verification::judge::{Bench, line, point};
use crate::verification::result::{CurvePoint, Line};
use crate::verification::step::Step;

/// A measure at each number on the dial: lines where something is expected, points, and the band.
pub(super) fn over_dial(
    bench: &Bench<'_>,
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
        let part = bench.output_of(&step.id, part);
        let found = bench.number(&step.id, measure, part).map(|number| &number.estimate);
        let nominal = expected.and_then(|values| values.get(step.index)).copied();
        let mut verdict = Verdict::Pass;
        if let (Some(nominal), Some(tolerance)) = (nominal, tolerance) {
            let width = tolerance.around(nominal);
            band.push([dial, nominal, nominal - width, nominal + width]);
            let bounds = (Some(nominal - width), Some(nominal + width));
            let judged = bench.judge_one(&step.id, (measure, part), Some(nominal), bounds);
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
