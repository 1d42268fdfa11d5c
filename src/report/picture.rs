//! A capture as a picture: voltage, current, phases, and the carrier of each kind close up.

use crate::numeric::order::median;
use crate::result::{CloseUp, Panel, Sketch};
use crate::trace::{Channel, Kind, PerChannel};
use crate::units::{Unit, for_people};
use plotters::coord::Shift;
use plotters::prelude::*;

/// A picture could not be drawn.
#[derive(Debug, thiserror::Error)]
#[error("the picture can't be drawn: {0}")]
pub struct PictureError(String);

const WIDTH: u32 = 1200;
const PANEL: u32 = 230;
const CLOSE: u32 = 250;
const HEAD: u32 = 86;
pub(super) const INK: RGBColor = RGBColor(30, 30, 30);
pub(super) const FAINT: RGBColor = RGBColor(150, 150, 150);
pub(super) const VOLTAGE: RGBColor = RGBColor(70, 70, 70);
/// What lies between the smallest and the largest value: light, so that the RMS over it stays dark in print.
const REACH: RGBColor = RGBColor(170, 170, 170);
pub(super) const ENVELOPE: RGBColor = RGBColor(120, 0, 30);
/// Crests that are cut off.
const CLIPPED: RGBColor = RGBColor(200, 0, 120);
/// Yellow for cut, blue for coag (IEC 60601-2-2, from memory).
pub(super) const CUT: RGBColor = RGBColor(255, 205, 0);
pub(super) const COAG: RGBColor = RGBColor(40, 110, 210);

/// A colour thinned with white: never transparent, so that every format can hold it.
pub(super) fn pale(of: RGBColor, share: f64) -> RGBColor {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let thin = |x: u8| (255.0 - share * (255.0 - f64::from(x))).round() as u8;
    RGBColor(thin(of.0), thin(of.1), thin(of.2))
}

pub(super) fn colour(kind: Kind) -> RGBColor {
    match kind {
        Kind::Cut => CUT,
        Kind::Coag => COAG,
        Kind::Rest => RGBColor(245, 245, 245),
    }
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

fn draw<E: std::error::Error>(error: E) -> PictureError {
    PictureError(error.to_string())
}

/// A capture to be drawn, under a title line and one for verdict or load.
#[derive(Clone, Copy, Debug)]
pub struct Shown<'a> {
    /// What it shows.
    pub sketch: &'a Sketch,
    /// Title.
    pub title: &'a str,
    /// Verdict, load and the like.
    pub subtitle: &'a str,
}

/// Ends of the axes, the same for all captures of a picture.
struct Axes {
    length_s: f64,
    top: PerChannel<f64>,
}

impl Axes {
    fn of<'a>(sketches: impl Iterator<Item = &'a Sketch>) -> Self {
        let mut axes = Self { length_s: 0.0, top: PerChannel { voltage: 0.0, current: 0.0 } };
        for sketch in sketches {
            axes.length_s = axes.length_s.max(sketch.duration_s);
            for panel in &sketch.panels {
                let ends = panel.columns.iter().flat_map(|column| [column.low, column.high]);
                let top = ends.fold(0.0_f64, |top, x| top.max(f64::from(x).abs()));
                let slot = match panel.channel {
                    Channel::Voltage => &mut axes.top.voltage,
                    Channel::Current => &mut axes.top.current,
                };
                *slot = slot.max(1.12 * top);
            }
        }
        axes
    }
}

/// Captures as SVG text, one under the other on the same axes.
///
/// # Errors
/// Where the drawing library refuses.
pub fn svg(shown: &[Shown<'_>]) -> Result<String, PictureError> {
    let axes = Axes::of(shown.iter().map(|one| one.sketch));
    let heights: Vec<u32> = shown.iter().map(|one| height(one.sketch)).collect();
    let mut text = String::new();
    {
        let size = (WIDTH, heights.iter().sum::<u32>().max(1));
        let mut rest = SVGBackend::with_string(&mut text, size).into_drawing_area();
        rest.fill(&WHITE).map_err(draw)?;
        for (one, height) in shown.iter().zip(heights) {
            let (area, below) = rest.split_vertically(height);
            capture(one, &axes, &area)?;
            rest = below;
        }
        rest.present().map_err(draw)?;
    }
    Ok(text)
}

/// Height of the picture of one capture, in pixels.
fn height(sketch: &Sketch) -> u32 {
    let panels = u32::try_from(sketch.panels.len()).unwrap_or(1);
    let both = sketch.close_ups.iter().any(|near| !near.other.is_empty());
    let close = match (sketch.close_ups.is_empty(), both) {
        (true, _) => 0,
        (false, false) => CLOSE,
        (false, true) => 2 * CLOSE - 60,
    };
    HEAD + PANEL * panels + close
}

fn capture(one: &Shown<'_>, axes: &Axes, area: &Area<'_>) -> Result<(), PictureError> {
    let sketch = one.sketch;
    let panels = sketch.panels.len();
    let (head, rest) = area.split_vertically(HEAD);
    heading(sketch, one.title, one.subtitle, axes.length_s, &head)?;
    let (waves, bottom) = rest.split_vertically(PANEL * u32::try_from(panels).unwrap_or(1));
    for (panel, area) in sketch.panels.iter().zip(waves.split_evenly((panels.max(1), 1))) {
        overview_panel(sketch, panel, true, axes, &area)?;
    }
    if !sketch.close_ups.is_empty() {
        let areas = bottom.split_evenly((1, sketch.close_ups.len()));
        for (near, area) in sketch.close_ups.iter().zip(areas) {
            close_up(near, &area)?;
        }
    }
    Ok(())
}

/// Size of the compact picture.
const COMPACT: (u32, u32) = (980, 230);
/// Size of a close-up alone.
const BESIDE: (u32, u32) = (560, 230);

/// A small picture as SVG text: the first panel, and beside it each kind of output close up.
///
/// # Errors
/// Where the drawing library refuses.
pub fn compact(sketch: &Sketch) -> Result<String, PictureError> {
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, COMPACT).into_drawing_area();
        root.fill(&WHITE).map_err(draw)?;
        let areas = root.split_evenly((1, 1 + sketch.close_ups.len()));
        if let (Some((first, others)), Some(panel)) = (areas.split_first(), sketch.panels.first()) {
            overview_panel(sketch, panel, false, &Axes::of(std::iter::once(sketch)), first)?;
            for (near, area) in sketch.close_ups.iter().zip(others) {
                // Three beside each other have room for a few words.
                let few = sketch.close_ups.len() > 1;
                let caption = if few { brief(near) } else { full(near) };
                close_up_with(near, &caption, area)?;
            }
        }
        root.present().map_err(draw)?;
    }
    Ok(text)
}

/// The same for a sheet: of one phase that fills the record only the close-up says something.
///
/// # Errors
/// Where the drawing library refuses.
pub fn beside(sketch: &Sketch) -> Result<String, PictureError> {
    if sketch.phases.len() > 1 || sketch.close_ups.is_empty() {
        return compact(sketch);
    }
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, BESIDE).into_drawing_area();
        root.fill(&WHITE).map_err(draw)?;
        let areas = root.split_evenly((1, sketch.close_ups.len()));
        for (near, area) in sketch.close_ups.iter().zip(&areas) {
            close_up_with(near, &brief(near), area)?;
        }
        root.present().map_err(draw)?;
    }
    Ok(text)
}

/// Left and right margin of the panels, in pixels; the heading's strip lines up with them.
const LEFT: u32 = 84;
/// Part of the left margin that lies outside of the axis labels.
const OUTER: u32 = 12;
const RIGHT: u32 = 26;

fn heading(
    sketch: &Sketch,
    title: &str,
    subtitle: &str,
    length_s: f64,
    area: &Area<'_>,
) -> Result<(), PictureError> {
    let label = |size: i32| ("sans-serif", size).into_font().color(&INK);
    area.draw(&Text::new(title.to_owned(), (LEFT as i32, 10), label(19))).map_err(draw)?;
    area.draw(&Text::new(subtitle.to_owned(), (LEFT as i32, 36), label(14))).map_err(draw)?;
    // What the lines mean stands here, not over the data.
    let mut meaning = vec![
        (REACH, "smallest to largest value"),
        (ENVELOPE, "RMS over bursts; close up: peak and RMS"),
    ];
    if sketch.panels.iter().any(|panel| panel.clipped) {
        meaning.push((CLIPPED, "cut off"));
    }
    let mut right = (WIDTH - RIGHT) as i32;
    for (of, text) in meaning.into_iter().rev() {
        // About the width of the words; the font of the reader is not known.
        right -= 6 * text.len() as i32;
        area.draw(&Text::new(text, (right, 38), label(12))).map_err(draw)?;
        let key = [(right - 20, 41), (right - 6, 47)];
        area.draw(&Rectangle::new(key, of.filled())).map_err(draw)?;
        right -= 36;
    }
    // The strip of phases: colour, pattern and word, so that it reads without colour too.
    let width = f64::from(WIDTH - LEFT - RIGHT);
    let length = length_s.max(f64::MIN_POSITIVE);
    #[allow(clippy::cast_possible_truncation)]
    let x = |time: f64| LEFT as i32 + (time / length * width).round() as i32;
    let (top, bottom) = (60, 82);
    for phase in &sketch.phases {
        let (from, to) = (x(phase.start_s), x(phase.end_s));
        let frame = [(from, top), (to, bottom)];
        area.draw(&Rectangle::new(frame, colour(phase.kind).filled())).map_err(draw)?;
        if phase.kind == Kind::Coag {
            let mut at = from - 22;
            while at < to {
                let (a, b) = (
                    (at.max(from), bottom - (at.max(from) - at)),
                    ((at + 22).min(to), top + (at + 22 - (at + 22).min(to))),
                );
                if a.0 < b.0 {
                    area.draw(&PathElement::new(vec![a, b], pale(COAG, 0.55))).map_err(draw)?;
                }
                at += 9;
            }
        }
        area.draw(&Rectangle::new(frame, FAINT)).map_err(draw)?;
        if to - from > 34 {
            let middle = i32::midpoint(from, to);
            let word = phase.kind.name();
            if phase.kind == Kind::Coag {
                let back = [(middle - 19, top + 3), (middle + 19, bottom - 3)];
                area.draw(&Rectangle::new(back, WHITE.filled())).map_err(draw)?;
            }
            let style = label(13).pos(plotters::style::text_anchor::Pos::new(
                plotters::style::text_anchor::HPos::Center,
                plotters::style::text_anchor::VPos::Center,
            ));
            area.draw(&Text::new(word, (middle, (top + bottom) / 2), style)).map_err(draw)?;
        }
    }
    Ok(())
}

fn overview_panel(
    sketch: &Sketch,
    panel: &Panel,
    wide: bool,
    axes: &Axes,
    area: &Area<'_>,
) -> Result<(), PictureError> {
    let (length, columns) = (axes.length_s, &panel.columns);
    // Columns in a gap are not there.
    let mut steps: Vec<f64> =
        columns.array_windows().map(|[before, after]| after.at_s - before.at_s).collect();
    let step = median(&mut steps).unwrap_or(length);
    let top = panel.channel.of((axes.top.voltage, axes.top.current));
    let top = if top > 0.0 { top } else { 1.0 };
    let mut chart = ChartBuilder::on(area)
        .margin_top(6)
        .margin_left(OUTER)
        .margin_right(RIGHT)
        .x_label_area_size(40)
        .y_label_area_size(LEFT - OUTER)
        .build_cartesian_2d(0.0..length, -top..top)
        .map_err(draw)?;
    for phase in sketch.phases.iter().filter(|phase| phase.kind.powered()) {
        let frame = [(phase.start_s, -top), (phase.end_s, top)];
        let tint = pale(colour(phase.kind), 0.16).filled();
        chart.draw_series([Rectangle::new(frame, tint)]).map_err(draw)?;
    }
    no_data(&mut chart, &sketch.gaps, length, top)?;
    mesh(&mut chart, axis_name(panel.channel), if wide { [9, 7] } else { [5, 5] })?;
    if panel.lines.is_empty() {
        // Half a column, and a little more so that no seams are left between them.
        let width = 0.5 * step + sketch.duration_s / columns.len().max(1) as f64;
        let bars = columns.iter().map(|column| {
            let (low, high) = (f64::from(column.low), f64::from(column.high));
            let frame = [(column.at_s - width, low), (column.at_s + width, high)];
            Rectangle::new(frame, REACH.filled().stroke_width(0))
        });
        chart.draw_series(bars).map_err(draw)?;
    }
    for points in &panel.lines {
        let line = LineSeries::new(points.iter().copied(), VOLTAGE.stroke_width(1));
        chart.draw_series(line).map_err(draw)?;
    }
    let mut parts = columns.chunk_by(|before, after| after.at_s - before.at_s < 1.9 * step);
    let rms = |part: &[crate::result::Column]| -> Vec<(f64, f64)> {
        part.iter().map(|column| (column.at_s, column.rms)).collect()
    };
    let first = parts.next().map(rms).unwrap_or_default();
    for part in parts {
        chart.draw_series(LineSeries::new(rms(part), ENVELOPE.stroke_width(2))).map_err(draw)?;
    }
    chart.draw_series(LineSeries::new(first, ENVELOPE.stroke_width(2))).map_err(draw)?;
    if panel.clipped {
        rails(&mut chart, columns, step)?;
    }
    Ok(())
}

/// Marks along the level at which crests are cut off: where columns reach the same extreme again and
/// again.
fn rails(
    chart: &mut Chart<'_, '_>,
    columns: &[crate::result::Column],
    step: f64,
) -> Result<(), PictureError> {
    /// Share within which two extremes are the same.
    const SAME: f64 = 1e-3;
    for upper in [true, false] {
        let side = if upper { 1.0 } else { -1.0 };
        let of = |column: &crate::result::Column| {
            f64::from(if upper { column.high } else { column.low })
        };
        let rail = columns.iter().map(|column| side * of(column)).fold(0.0, f64::max);
        let at = |column: &&crate::result::Column| rail - side * of(column) <= SAME * rail;
        let touching: Vec<f64> = columns.iter().filter(at).map(|column| column.at_s).collect();
        // One highest crest is no rail.
        if rail <= 0.0 || touching.len() * 10 < columns.len() {
            continue;
        }
        let marks = touching.iter().map(|at_s| {
            let ends = vec![(at_s - step, side * rail), (at_s + step, side * rail)];
            PathElement::new(ends, CLIPPED.stroke_width(4))
        });
        chart.draw_series(marks).map_err(draw)?;
    }
    Ok(())
}

/// Name and unit of a channel's axis.
fn axis_name(channel: Channel) -> &'static str {
    channel.of(("voltage (V)", "current (A)"))
}

/// Grey bars where nothing was recorded.
fn no_data(
    chart: &mut Chart<'_, '_>,
    gaps: &[[f64; 2]],
    length: f64,
    top: f64,
) -> Result<(), PictureError> {
    for &[from, to] in gaps {
        let frame = [(from, -top), (to, top)];
        chart.draw_series([Rectangle::new(frame, pale(FAINT, 0.5).filled())]).map_err(draw)?;
        // Wide enough for the words.
        if (to - from) * 14.0 > length {
            let middle = f64::midpoint(from, to);
            let style = ("sans-serif", 12).into_font().color(&INK).pos(
                plotters::style::text_anchor::Pos::new(
                    plotters::style::text_anchor::HPos::Center,
                    plotters::style::text_anchor::VPos::Center,
                ),
            );
            let text = Text::new("no data", (middle, 0.85 * top), style);
            chart.draw_series([text]).map_err(draw)?;
        }
    }
    Ok(())
}

type Chart<'a, 'b> = ChartContext<
    'a,
    SVGBackend<'b>,
    Cartesian2d<plotters::coord::types::RangedCoordf64, plotters::coord::types::RangedCoordf64>,
>;

fn mesh(
    chart: &mut Chart<'_, '_>,
    name: &str,
    [x_labels, y_labels]: [usize; 2],
) -> Result<(), PictureError> {
    chart
        .configure_mesh()
        .x_labels(x_labels)
        .y_labels(y_labels)
        .max_light_lines(0)
        .bold_line_style(pale(FAINT, 0.35))
        .axis_style(FAINT)
        .label_style(("sans-serif", 12).into_font().color(&INK))
        .axis_desc_style(("sans-serif", 13).into_font().color(&INK))
        .x_label_formatter(&|x| time_label(*x))
        .y_label_formatter(&|y| short(*y))
        .x_desc("time")
        .y_desc(name)
        .draw()
        .map_err(draw)
}

/// A time on an axis, without zeros that say nothing: `50 ms`.
fn time_label(x: f64) -> String {
    let text = for_people(x, Unit::Second);
    match text.split_once(' ') {
        Some((digits, unit)) if digits.contains('.') => {
            format!("{} {unit}", digits.trim_end_matches('0').trim_end_matches('.'))
        }
        _ => text,
    }
}

/// A number on an axis: at most four digits, no trailing zeros.
fn short(y: f64) -> String {
    // What rounding leaves of zero.
    let y = if y.abs() < 1e-9 { 0.0 } else { y };
    if y.abs() >= 1.0 || y == 0.0 {
        format!("{y:.0}")
    } else {
        format!("{y:.3}").trim_end_matches('0').trim_end_matches('.').to_owned()
    }
}

fn close_up(near: &CloseUp, area: &Area<'_>) -> Result<(), PictureError> {
    close_up_with(near, &full(near), area)
}

/// What a close-up shows, in a few words.
fn brief(near: &CloseUp) -> String {
    let levels = near.levels.map_or(String::new(), |levels| {
        let unit = near.channel.of((Unit::Volt, Unit::Ampere));
        format!(": peak {}, crest factor {:.2}", for_people(levels.peak, unit), levels.crest_factor)
    });
    format!("{}{levels}", near.kind)
}

/// What a close-up shows, with its place.
fn full(near: &CloseUp) -> String {
    let levels = near.levels.map_or(String::new(), |levels| {
        let unit = near.channel.of((Unit::Volt, Unit::Ampere));
        format!(
            "; peak {}, RMS {}, crest factor {:.2}",
            for_people(levels.peak, unit),
            for_people(levels.rms, unit),
            levels.crest_factor
        )
    });
    format!(
        "{}: {} from {}{levels}",
        near.kind,
        for_people(near.length_s, Unit::Second),
        for_people(near.start_s, Unit::Second)
    )
}

fn close_up_with(near: &CloseUp, caption: &str, area: &Area<'_>) -> Result<(), PictureError> {
    if near.other.is_empty() {
        return close_panel(near, &near.lines, near.channel, Some(caption), area);
    }
    let halves = area.split_evenly((2, 1));
    if let [upper, lower] = halves.as_slice() {
        close_panel(near, &near.lines, near.channel, Some(caption), upper)?;
        close_panel(near, &near.other, near.channel.other(), None, lower)?;
    }
    Ok(())
}

/// One channel of a close-up, with peak and RMS where it is the leading one.
fn close_panel(
    near: &CloseUp,
    lines: &[Vec<(f64, f64)>],
    channel: Channel,
    caption: Option<&str>,
    area: &Area<'_>,
) -> Result<(), PictureError> {
    let top = lines.iter().flatten().fold(0.0_f64, |top, (_, value)| top.max(value.abs()));
    let top = if top > 0.0 { 1.15 * top } else { 1.0 };
    let mut builder = ChartBuilder::on(area);
    builder
        .margin_top(6)
        .margin_left(OUTER)
        .margin_right(RIGHT)
        .x_label_area_size(40)
        .y_label_area_size(LEFT - OUTER);
    if let Some(caption) = caption {
        builder.caption(caption, ("sans-serif", 14).into_font().color(&INK));
    }
    let mut chart = builder.build_cartesian_2d(0.0..near.length_s, -top..top).map_err(draw)?;
    let frame = [(0.0, -top), (near.length_s, top)];
    let tint = pale(colour(near.kind), 0.16).filled();
    chart.draw_series([Rectangle::new(frame, tint)]).map_err(draw)?;
    mesh(&mut chart, axis_name(channel), [6, 5])?;
    no_data(&mut chart, &near.gaps, near.length_s, top)?;
    for points in lines {
        let line = LineSeries::new(points.iter().copied(), VOLTAGE.stroke_width(1));
        chart.draw_series(line).map_err(draw)?;
    }
    // Peaks on both sides, the RMS once.
    if let Some(levels) = near.levels.filter(|_| channel == near.channel) {
        for (level, width) in [(levels.peak, 1), (-levels.peak, 1), (levels.rms, 2)] {
            let line = vec![(0.0, level), (near.length_s, level)];
            let line = PathElement::new(line, ENVELOPE.stroke_width(width));
            chart.draw_series([line]).map_err(draw)?;
        }
    }
    Ok(())
}
