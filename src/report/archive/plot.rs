//! A trend as SVG: values with U over the years, limits, the line with its band, the moving average.

use super::text::unit;
use super::trend::title;
use crate::archive::Series;
use crate::archive::trend::{Trend, TrendPoint};
use crate::check::Verdict;
use crate::report::job::ReportError;
use crate::report::job::plot::{DOUBT, FAIL, FINE, PASS, draw, fine, shown};
use crate::report::picture::{FAINT, INK, pale};
use jiff::civil::Date;
use plotters::prelude::*;

const SIZE: (u32, u32) = (760, 360);
const SMALL: (u32, u32) = (360, 190);
const LINE: RGBColor = RGBColor(30, 80, 160);
const AVERAGE: RGBColor = RGBColor(150, 90, 0);
/// Points above which no bar of U is drawn: they would hide the values.
const CROWD: usize = 200;
/// The most points that are drawn; of more, the extremes of each column.
const MOST: usize = 2_000;

/// The trend; `None` of no points.
///
/// # Errors
/// Where the drawing library refuses.
pub fn svg(trend: &Trend) -> Result<Option<String>, ReportError> {
    sized(trend, SIZE, true)
}

/// The same to stand beside others.
///
/// # Errors
/// As [`svg`].
pub fn small(trend: &Trend) -> Result<Option<String>, ReportError> {
    sized(trend, SMALL, false)
}

/// Points to draw: all, or of many the first, lowest, highest and last of each column.
fn thinned(points: &[TrendPoint]) -> Vec<&TrendPoint> {
    if points.len() <= MOST {
        return points.iter().collect();
    }
    let mut shown = Vec::new();
    for piece in points.chunks(points.len().div_ceil(MOST / 4)) {
        let by_value = |a: &&TrendPoint, b: &&TrendPoint| a.point.value.total_cmp(&b.point.value);
        let (low, high) = (piece.iter().min_by(by_value), piece.iter().max_by(by_value));
        let mut four: Vec<&TrendPoint> =
            [piece.first(), low, high, piece.last()].into_iter().flatten().collect();
        four.sort_by_key(|point| point.entry);
        four.dedup_by_key(|point| point.entry);
        shown.extend(four);
    }
    shown
}

fn sized(trend: &Trend, size: (u32, u32), whole: bool) -> Result<Option<String>, ReportError> {
    let (Some(first), Some(last)) = (trend.points.first(), trend.points.last()) else {
        return Ok(None);
    };
    let Some(start) = crate::units::day_of(&first.point.day) else { return Ok(None) };
    let span = (last.days - first.days).max(30.0);
    // The band is shown a third further than the points, or up to where it crosses a limit soon.
    let end = last.days + if whole { span / 3.0 } else { span / 10.0 };
    let points = thinned(&trend.points);
    let u = |point: &TrendPoint| point.point.expanded.unwrap_or(0.0);
    let crowd = points.len() > CROWD;
    let mut values: Vec<f64> = points
        .iter()
        .flat_map(|point| {
            let u = if crowd { 0.0 } else { u(point) };
            [point.point.value - u, point.point.value + u]
        })
        .collect();
    values.extend(trend.lower);
    values.extend(trend.upper);
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let room = if high > low { 0.08 * (high - low) } else { 0.05 * high.abs().max(1.0) };
    let (bottom, top) = (low - room, high + room);
    let mut text = String::new();
    {
        let root =
            SVGBackend::with_string(&mut text, (FINE * size.0, FINE * size.1)).into_drawing_area();
        root.fill(&WHITE).map_err(draw)?;
        let from = -0.03 * span;
        let mut builder = ChartBuilder::on(&root);
        if whole {
            // A picture alone says what it is of.
            let Series { model, serial, .. } = &trend.series;
            let said = format!("{}: {}", unit(model, serial, ""), title(&trend.series));
            builder.caption(said, ("sans-serif", fine(14)).into_font().color(&INK));
        }
        let mut chart = builder
            .margin_top(fine(10))
            .margin_right(fine(14))
            .margin_left(fine(6))
            .x_label_area_size(fine(if whole { 30 } else { 24 }))
            .y_label_area_size(fine(if whole { 70 } else { 56 }))
            .build_cartesian_2d(from..end, bottom..top)
            .map_err(draw)?;
        let day = |days: &f64| date(start, *days);
        let digits = |value: &f64| number(*value, top - bottom);
        let axis = if trend.series.unit.is_empty() { "ratio" } else { &trend.series.unit };
        chart
            .configure_mesh()
            .x_labels(if whole { 7 } else { 4 })
            .y_labels(if whole { 7 } else { 5 })
            .max_light_lines(0)
            .bold_line_style(pale(FAINT, 0.35).stroke_width(FINE))
            .axis_style(FAINT.stroke_width(FINE))
            .set_all_tick_mark_size(fine(4))
            .label_style(("sans-serif", fine(if whole { 13 } else { 11 })).into_font().color(&INK))
            .axis_desc_style(("sans-serif", fine(13)).into_font().color(&INK))
            .x_label_formatter(&day)
            .y_label_formatter(&digits)
            .y_desc(axis)
            .draw()
            .map_err(draw)?;
        if let Some(line) = &trend.line {
            let begin =
                trend.points.iter().find(|point| point.used).map_or(0.0, |point| point.days);
            let steps = (0..=60).map(|k| begin + (end - begin) * f64::from(k) / 60.0);
            let band: Vec<(f64, f64, f64)> = steps
                .map(|x| (x, line.at(x)))
                .map(|(x, (y, half))| (x, y - half, y + half))
                .collect();
            let clip = |y: f64| y.clamp(bottom, top);
            let outline = band.iter().map(|(x, _, upper)| (*x, clip(*upper)));
            let outline: Vec<(f64, f64)> =
                outline.chain(band.iter().rev().map(|(x, lower, _)| (*x, clip(*lower)))).collect();
            chart.draw_series([Polygon::new(outline, pale(LINE, 0.12).filled())]).map_err(draw)?;
            let middle = [(begin, line.at(begin).0), (end, line.at(end).0)];
            chart
                .draw_series(LineSeries::new(middle, LINE.stroke_width(FINE * 2)))
                .map_err(draw)?;
        }
        for limit in [trend.lower, trend.upper].into_iter().flatten() {
            let across = [(from, limit), (end, limit)];
            chart
                .draw_series(LineSeries::new(across, FAIL.stroke_width(FINE * 2)))
                .map_err(draw)?;
        }
        if whole {
            chart
                .draw_series(LineSeries::new(trend.average(), AVERAGE.stroke_width(FINE * 2)))
                .map_err(draw)?;
        }
        for point in points {
            let colour = match point.point.verdict {
                Some(Verdict::Pass) => PASS,
                Some(Verdict::Fail | Verdict::ConditionalFail) => FAIL,
                Some(_) => DOUBT,
                None => INK,
            };
            let at = (point.days, point.point.value);
            if !crowd && point.point.expanded.is_some() {
                let bar = vec![(at.0, at.1 - u(point)), (at.0, at.1 + u(point))];
                chart
                    .draw_series([PathElement::new(bar, colour.stroke_width(FINE * 2))])
                    .map_err(draw)?;
            }
            let radius = fine(if crowd { 2 } else { 5 });
            // What nothing rests on is hollow; as left is a square.
            let style = if point.used { colour.filled() } else { colour.stroke_width(FINE * 2) };
            if point.point.state == "as left" {
                let square = EmptyElement::at(at)
                    + Rectangle::new([(-radius, -radius), (radius, radius)], style);
                chart.draw_series([square]).map_err(draw)?;
            } else {
                if !point.used {
                    chart.draw_series([Circle::new(at, radius, WHITE.filled())]).map_err(draw)?;
                }
                chart.draw_series([Circle::new(at, radius, style)]).map_err(draw)?;
            }
        }
        root.present().map_err(draw)?;
    }
    Ok(Some(shown(&text, size)))
}

/// A day on the axis: year and month.
fn date(start: Date, days: f64) -> String {
    #[allow(clippy::cast_possible_truncation)]
    let span = jiff::Span::new().try_days(days.round() as i64);
    let day = span.ok().and_then(|span| start.checked_add(span).ok());
    day.map_or(String::new(), |day| day.to_string().chars().take(7).collect())
}

/// A number on the axis: as many digits as the height of the picture needs.
fn number(value: f64, height: f64) -> String {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let digits = (2.0 - height.log10()).ceil().clamp(0.0, 9.0) as usize;
    let text = format!("{value:.digits$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}
