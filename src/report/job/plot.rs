//! Curves as SVG: what was expected with its band, what was measured with its uncertainty.

use super::ReportError;
use crate::check::Verdict;
use crate::report::picture::{FAINT, INK, pale};
use crate::verification::{CurvePoint, Series};
use plotters::coord::Shift;
use plotters::coord::ranged1d::{
    AsRangedCoord, DefaultFormatting, KeyPointHint, Ranged, ValueFormatter,
};
use plotters::prelude::*;

const SIZE: (u32, u32) = (760, 340);
const SMALL: (u32, u32) = (360, 210);
/// The library draws to whole pixels: everything is drawn this much larger and shown smaller, so that
/// lines go through their points.
pub(in crate::report) const FINE: u32 = 10;
const BAND: RGBColor = RGBColor(95, 95, 95);
pub(in crate::report) const PASS: RGBColor = RGBColor(20, 110, 60);
pub(in crate::report) const DOUBT: RGBColor = RGBColor(150, 90, 0);
pub(in crate::report) const FAIL: RGBColor = RGBColor(180, 20, 30);

/// An error of the drawing library.
pub(in crate::report) fn draw<E: std::error::Error>(error: E) -> ReportError {
    ReportError(error.to_string())
}

/// A series as SVG; `None` where nothing was expected and nothing measured.
///
/// # Errors
/// Where the drawing library refuses.
pub fn svg(series: &Series) -> Result<Option<String>, ReportError> {
    sized(series, SIZE)
}

/// The same to stand beside others: small, its words as large.
///
/// # Errors
/// As [`svg`].
pub fn small(series: &Series) -> Result<Option<String>, ReportError> {
    sized(series, SMALL)
}

fn sized(series: &Series, size: (u32, u32)) -> Result<Option<String>, ReportError> {
    let places = series.expected.iter().map(|row| row[0]);
    let all: Vec<f64> = places.chain(series.points.iter().map(|point| point.x)).collect();
    let (low, high) = all
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(*x), high.max(*x)));
    if !(low.is_finite() && high.is_finite()) {
        return Ok(None);
    }
    let highest = series
        .points
        .iter()
        .map(|point| point.y + point.expanded_uncertainty.unwrap_or(0.0))
        .chain(series.expected.iter().map(|row| row[3]))
        .chain(series.limit)
        .fold(0.0_f64, f64::max);
    let top = if highest > 0.0 { 1.12 * highest } else { 1.0 };
    let mut text = String::new();
    {
        let root =
            SVGBackend::with_string(&mut text, (FINE * size.0, FINE * size.1)).into_drawing_area();
        root.fill(&WHITE).map_err(draw)?;
        // Loads lie far apart: a logarithmic axis where they span more than a factor of five, with
        // a label at each load that was planned or measured.
        if low > 0.0 && high / low > 5.0 && series.x == "load" {
            let place = |x: f64| x.log10();
            let room = 0.04 * (place(high) - place(low));
            let mut marks: Vec<f64> = series.points.iter().map(|point| place(point.x)).collect();
            if marks.is_empty() {
                marks = series.expected.iter().step_by(15).map(|row| place(row[0])).collect();
            }
            let range = Axis { from: place(low) - room, to: place(high) + room, marks };
            let label = |x: &f64| format!("{:.0}", 10_f64.powf(*x));
            chart(&root, series, range, top, (&place, &label))?;
        } else if series.x == "activation" {
            let marks = series.points.iter().map(|point| point.x).collect();
            let range = Axis { from: low - 0.5, to: high + 0.5, marks };
            chart(&root, series, range, top, (&|x| x, &plain))?;
        } else {
            let room = if high > low { 0.06 * (high - low) } else { 0.5 };
            chart(&root, series, low - room..high + room, top, (&|x| x, &plain))?;
        }
        root.present().map_err(draw)?;
    }
    Ok(Some(shown(&text, size)))
}

/// A picture on the fine grid, shown at its size.
pub(in crate::report) fn shown(text: &str, size: (u32, u32)) -> String {
    let drawn = format!("width=\"{}\" height=\"{}\"", FINE * size.0, FINE * size.1);
    text.replacen(&drawn, &format!("width=\"{}\" height=\"{}\"", size.0, size.1), 1)
}

/// A size on the fine grid.
pub(in crate::report) fn fine(size: u32) -> i32 {
    i32::try_from(FINE * size).unwrap_or(i32::MAX)
}

/// An axis with its labels at given places.
pub(in crate::report) struct Axis {
    pub from: f64,
    pub to: f64,
    pub marks: Vec<f64>,
}

impl Ranged for Axis {
    type FormatOption = DefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, (low, high): (i32, i32)) -> i32 {
        let share = (value - self.from) / (self.to - self.from);
        #[allow(clippy::cast_possible_truncation)]
        let place = (f64::from(high - low) * share).round() as i32;
        low + place
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        // The finer lines between the labels are not wanted.
        if hint.weight().allow_light_points() { Vec::new() } else { self.marks.clone() }
    }

    fn range(&self) -> std::ops::Range<f64> {
        self.from..self.to
    }
}

/// Where a value stands on the axis, and how its place is labelled.
type Ticks<'a> = (&'a dyn Fn(f64) -> f64, &'a dyn Fn(&f64) -> String);

/// A number on an axis: no more digits than it needs.
fn plain(value: &f64) -> String {
    format!("{}", (value * 1000.0).round() / 1000.0)
}

fn chart<X>(
    root: &DrawingArea<SVGBackend<'_>, Shift>,
    series: &Series,
    x: X,
    top: f64,
    (place, label): Ticks<'_>,
) -> Result<(), ReportError>
where
    X: AsRangedCoord<Value = f64>,
    X::CoordDescType: ValueFormatter<f64> + Ranged<ValueType = f64>,
{
    let mut chart = ChartBuilder::on(root)
        .margin_top(fine(12))
        .margin_right(fine(20))
        .margin_left(fine(8))
        .x_label_area_size(fine(44))
        .y_label_area_size(fine(64))
        .build_cartesian_2d(x, 0.0..top)
        .map_err(draw)?;
    if series.expected.len() > 1 {
        let upper = series.expected.iter().map(|row| (place(row[0]), row[3]));
        let lower = series.expected.iter().rev().map(|row| (place(row[0]), row[2]));
        let band: Vec<(f64, f64)> = upper.chain(lower).collect();
        chart.draw_series([Polygon::new(band, pale(BAND, 0.16).filled())]).map_err(draw)?;
    }
    let named = |name: &str, unit: &str| {
        if unit.is_empty() { name.to_owned() } else { format!("{name} ({unit})") }
    };
    chart
        .configure_mesh()
        .x_labels(8)
        .y_labels(7)
        .max_light_lines(0)
        .bold_line_style(pale(FAINT, 0.35).stroke_width(FINE))
        .axis_style(FAINT.stroke_width(FINE))
        .set_all_tick_mark_size(fine(4))
        .label_style(("sans-serif", fine(13)).into_font().color(&INK))
        .axis_desc_style(("sans-serif", fine(14)).into_font().color(&INK))
        .x_label_formatter(&label)
        .y_label_formatter(&plain)
        .x_desc(named(&series.x, &series.x_unit))
        .y_desc(named(&series.y, &series.y_unit))
        .draw()
        .map_err(draw)?;
    let line = series.expected.iter().map(|row| (place(row[0]), row[1]));
    chart.draw_series(LineSeries::new(line, BAND.stroke_width(FINE * 2))).map_err(draw)?;
    if series.expected.len() == 1 {
        let bar = series.expected.iter().map(|row| {
            PathElement::new(
                vec![(place(row[0]), row[2]), (place(row[0]), row[3])],
                pale(BAND, 0.3).stroke_width(FINE * 9),
            )
        });
        chart.draw_series(bar).map_err(draw)?;
    }
    if let Some(limit) = series.limit {
        let ends = [
            series.expected.iter().map(|row| row[0]).collect::<Vec<f64>>(),
            series.points.iter().map(|point| point.x).collect(),
        ]
        .concat();
        let from = ends.iter().copied().fold(f64::INFINITY, f64::min);
        let to = ends.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let bound = [(place(from), limit), (place(to), limit)];
        chart.draw_series(LineSeries::new(bound, FAIL.stroke_width(FINE))).map_err(draw)?;
    }
    for point in &series.points {
        mark(&mut chart, point, place(point.x))?;
    }
    Ok(())
}

/// A point with its error bar; shape and colour tell the verdict.
fn mark<X: Ranged<ValueType = f64>>(
    chart: &mut ChartContext<
        '_,
        SVGBackend<'_>,
        Cartesian2d<X, plotters::coord::types::RangedCoordf64>,
    >,
    point: &CurvePoint,
    x: f64,
) -> Result<(), ReportError> {
    let at = (x, point.y);
    let colour = match point.verdict {
        Verdict::Pass => PASS,
        Verdict::Fail => FAIL,
        _ => DOUBT,
    };
    if let Some(u) = point.expanded_uncertainty {
        let bar = vec![(x, (point.y - u).max(0.0)), (x, point.y + u)];
        chart.draw_series([PathElement::new(bar, colour.stroke_width(FINE * 2))]).map_err(draw)?;
    }
    match point.verdict {
        Verdict::Pass => {
            _ = chart.draw_series([Circle::new(at, fine(5), colour.filled())]).map_err(draw)?
        }
        Verdict::Fail => {
            let cross = Cross::new(at, fine(6), colour.stroke_width(FINE * 3));
            chart.draw_series([cross]).map_err(draw)?;
        }
        _ => {
            let triangle = TriangleMarker::new(at, fine(8), colour.filled());
            chart.draw_series([triangle]).map_err(draw)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PDF/A-1b knows no transparency.
    #[test]
    fn nothing_is_transparent() {
        let point = |x, verdict| CurvePoint {
            x,
            y: 50.0,
            expanded_uncertainty: Some(5.0),
            verdict,
            step: String::new(),
        };
        for (x, loads) in [("load", [100.0, 500.0, 2000.0]), ("dial", [1.0, 2.0, 3.0])] {
            let series = Series {
                x: x.into(),
                x_unit: String::new(),
                y: "power".into(),
                y_unit: "W".into(),
                expected: loads.map(|x| [x, 50.0, 40.0, 60.0]).into(),
                limit: Some(70.0),
                points: vec![
                    point(loads[0], Verdict::Pass),
                    point(loads[1], Verdict::Fail),
                    point(loads[2], Verdict::NotMeasured),
                ],
            };
            let text = svg(&series).unwrap().unwrap();
            let shares = text.split("opacity=\"").skip(1);
            assert!(shares.clone().count() > 5);
            assert!(shares.clone().all(|rest| rest.starts_with("1\"")), "{text}");
        }
    }

    #[test]
    fn nothing_to_draw_is_nothing() {
        let series = Series {
            x: "dial".into(),
            x_unit: String::new(),
            y: "power".into(),
            y_unit: "W".into(),
            expected: Vec::new(),
            limit: None,
            points: Vec::new(),
        };
        assert!(svg(&series).unwrap().is_none());
    }
}
