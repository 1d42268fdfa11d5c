//! A capture as a picture: voltage, current, phases, and the carrier of each kind from close by.

use crate::analysis::Run;
use crate::measures::Measure;
use crate::numeric::moments::{PairMoments, largest_absolute};
use crate::numeric::order::median;
use crate::result::Measurement;
use crate::trace::{Cell, Kind, Overview, Phase, ReadFailure, Samples};
use crate::units::{Unit, for_people};
use plotters::coord::Shift;
use plotters::prelude::*;
use std::fmt;
use std::ops::Range;

/// What is drawn.
pub struct Picture<'a> {
    /// Title line.
    pub title: &'a str,
    /// Line under the title: verdict or load.
    pub subtitle: &'a str,
    /// The record in cells.
    pub overview: &'a Overview,
    /// Its samples.
    pub samples: &'a dyn Samples,
    /// Its phases.
    pub phases: &'a [Phase],
    /// Longest carrier cycle, s; no column of the overview is much shorter.
    pub carrier_s: f64,
    /// Rough length of a burst period or of a carrier cycle by kind, s: how much the close-up
    /// shows.
    pub close_s: Vec<(Kind, f64)>,
}

impl fmt::Debug for Picture<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Picture")
            .field("title", &self.title)
            .field("phases", &self.phases)
            .finish_non_exhaustive()
    }
}

impl<'a> Picture<'a> {
    /// A run with these two lines above it.
    #[must_use]
    pub fn of(run: &'a Run, title: &'a str, subtitle: &'a str) -> Self {
        let measurement = &run.measurement;
        let carriers =
            measurement.phases.iter().filter_map(|p| p.measures.get(Measure::Fundamental));
        let lowest = carriers.map(|carrier| carrier.value).reduce(f64::min);
        let close_s = [Kind::Cut, Kind::Coag].map(|kind| (kind, close_up_s(measurement, kind)));
        Self {
            title,
            subtitle,
            overview: run.record.overview(),
            samples: run.record.samples(),
            phases: &run.phases,
            carrier_s: lowest.map_or(0.0, |hz| 1.0 / hz),
            close_s: close_s.into(),
        }
    }

    fn close_s(&self, kind: Kind) -> f64 {
        self.close_s.iter().find(|(known, _)| *known == kind).map_or(20e-6, |(_, length)| *length)
    }
}

/// Length of a close-up: three bursts, or six carrier cycles, s.
fn close_up_s(measurement: &Measurement, kind: Kind) -> f64 {
    let measures = measurement.kinds.get(kind).map(|kind| &kind.measures);
    let value = |measure: Measure| {
        measures.and_then(|m| m.get(measure)).map(|e| e.value).filter(|v| *v > 0.0)
    };
    let bursts = value(Measure::BurstRate).map(|rate| 3.0 / rate);
    bursts.or_else(|| value(Measure::Fundamental).map(|hz| 6.0 / hz)).unwrap_or(20e-6)
}

/// A picture could not be drawn.
#[derive(Debug, thiserror::Error)]
pub enum PictureError {
    /// Samples can't be read again.
    #[error(transparent)]
    Read(#[from] ReadFailure),
    /// The drawing library refused.
    #[error("the picture can't be drawn: {0}")]
    Draw(String),
}

const WIDTH: u32 = 1200;
const PANEL: u32 = 230;
const CLOSE: u32 = 250;
const HEAD: u32 = 86;
/// Most columns of the overview: one pixel each.
const COLUMNS: usize = 1090;
/// Records up to this length are drawn as a line.
const AS_LINE: u64 = 3000;
/// Records up to this length are drawn from their samples, longer ones from their cells.
const FROM_SAMPLES: u64 = 1 << 20;

pub(super) const INK: RGBColor = RGBColor(30, 30, 30);
pub(super) const FAINT: RGBColor = RGBColor(150, 150, 150);
pub(super) const VOLTAGE: RGBColor = RGBColor(70, 70, 70);
pub(super) const ENVELOPE: RGBColor = RGBColor(190, 30, 45);
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

/// Name, unit, and the extremes of a cell that a panel shows.
type Panel = (&'static str, Unit, fn(&Cell) -> [f32; 2]);
type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

fn draw<E: std::error::Error>(error: E) -> PictureError {
    PictureError::Draw(error.to_string())
}

/// The picture as SVG text.
///
/// # Errors
/// Where samples can't be read again.
pub fn svg(picture: &Picture<'_>) -> Result<String, PictureError> {
    let columns = columns(picture, COLUMNS, 2.0 * picture.carrier_s)?;
    let has = |range: fn(&Cell) -> [f32; 2]| columns.iter().any(|c| range(&c.1) != [0.0, 0.0]);
    let mut panels: Vec<Panel> = Vec::new();
    if has(|c| c.v) {
        panels.push(("voltage", Unit::Volt, |c| c.v));
    }
    if has(|c| c.i) {
        panels.push(("current", Unit::Ampere, |c| c.i));
    }
    if panels.is_empty() {
        panels.push(("voltage", Unit::Volt, |c| c.v));
    }
    let kinds: Vec<Kind> = [Kind::Cut, Kind::Coag]
        .into_iter()
        .filter(|kind| picture.phases.iter().any(|phase| phase.kind == *kind))
        .collect();
    #[allow(clippy::cast_possible_truncation)]
    let close = if kinds.is_empty() { 0 } else { CLOSE };
    #[allow(clippy::cast_possible_truncation)]
    let height = HEAD + PANEL * panels.len() as u32 + close;
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, (WIDTH, height)).into_drawing_area();
        root.fill(&WHITE).map_err(draw)?;
        let (head, rest) = root.split_vertically(HEAD);
        heading(picture, &head)?;
        let (waves, bottom) = rest.split_vertically(PANEL * panels.len() as u32);
        for (panel, area) in panels.iter().zip(waves.split_evenly((panels.len(), 1))) {
            overview_panel(picture, &columns, panel, true, &area)?;
        }
        if !kinds.is_empty() {
            for (kind, area) in kinds.iter().zip(bottom.split_evenly((1, kinds.len()))) {
                close_up(picture, *kind, &area)?;
            }
        }
        root.present().map_err(draw)?;
    }
    Ok(text)
}

/// Size of the compact picture.
const COMPACT: (u32, u32) = (980, 230);
/// Most columns of its overview.
const COMPACT_COLUMNS: usize = 360;

/// A small picture as SVG text: the leading channel, and beside it each kind of output from close
/// by.
///
/// # Errors
/// Where samples can't be read again.
pub fn compact(picture: &Picture<'_>) -> Result<String, PictureError> {
    // Two bursts a column, so that the envelope is steady.
    let closest = picture.close_s.iter().map(|(_, length)| 0.67 * length).fold(0.0, f64::max);
    let columns = columns(picture, COMPACT_COLUMNS, closest)?;
    let voltage = columns.iter().any(|(_, cell)| cell.v != [0.0, 0.0]);
    let panel: Panel =
        if voltage { ("voltage", Unit::Volt, |c| c.v) } else { ("current", Unit::Ampere, |c| c.i) };
    let kinds: Vec<Kind> = [Kind::Cut, Kind::Coag]
        .into_iter()
        .filter(|kind| picture.phases.iter().any(|phase| phase.kind == *kind))
        .collect();
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, COMPACT).into_drawing_area();
        root.fill(&WHITE).map_err(draw)?;
        let areas = root.split_evenly((1, 1 + kinds.len()));
        if let Some((first, others)) = areas.split_first() {
            overview_panel(picture, &columns, &panel, false, first)?;
            for (kind, area) in kinds.iter().zip(others) {
                close_up(picture, *kind, area)?;
            }
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

fn heading(picture: &Picture<'_>, area: &Area<'_>) -> Result<(), PictureError> {
    let label = |size: i32| ("sans-serif", size).into_font().color(&INK);
    area.draw(&Text::new(picture.title.to_owned(), (LEFT as i32, 10), label(19))).map_err(draw)?;
    area.draw(&Text::new(picture.subtitle.to_owned(), (LEFT as i32, 36), label(14)))
        .map_err(draw)?;
    // The strip of phases: colour, pattern and word, so that it reads without colour too.
    let width = f64::from(WIDTH - LEFT - RIGHT);
    let total = picture.overview.samples().max(1) as f64;
    #[allow(clippy::cast_possible_truncation)]
    let x = |sample: u64| LEFT as i32 + (sample as f64 / total * width).round() as i32;
    let (top, bottom) = (60, 82);
    for phase in picture.phases {
        let (from, to) = (x(phase.start), x(phase.end));
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

/// Time at the middle of each column, s, and its summary; at most `most` columns, none shorter than
/// `least_s`.
fn columns(
    picture: &Picture<'_>,
    most: usize,
    least_s: f64,
) -> Result<Vec<(f64, Cell)>, PictureError> {
    let rate = picture.samples.rate();
    let total = picture.overview.samples();
    let mut found = Vec::with_capacity(most);
    let cells = picture.overview.cells();
    // Whole carrier cycles at least, so that each column shows both crests and a steady RMS.
    let cycles = rate.seconds(total as f64) / least_s.max(f64::MIN_POSITIVE);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let count = most.min(cycles as usize).clamp(1, usize::try_from(total).unwrap_or(1).max(1));
    let block = if total <= FROM_SAMPLES { Some(picture.samples.read(0..total)?) } else { None };
    for k in 0..count as u64 {
        let span = k * total / count as u64..(k + 1) * total / count as u64;
        let cell = match &block {
            Some(block) => {
                #[allow(clippy::cast_possible_truncation)]
                let part = span.start as usize..span.end as usize;
                let of = |x: &[f64]| x.get(part.clone()).map(<[f64]>::to_vec).unwrap_or_default();
                Cell::of_valid(span.start, &of(&block.v), &of(&block.i), picture.samples.gaps())
            }
            None => {
                let length = picture.overview.cell_length() as u64;
                #[allow(clippy::cast_possible_truncation)]
                let range = (span.start / length) as usize
                    ..(span.end.div_ceil(length) as usize).min(cells.len());
                let mut all = Cell::default();
                for cell in &cells[range] {
                    all.merge(cell);
                }
                all
            }
        };
        // Where nothing was recorded nothing is drawn.
        if cell.moments.n > 0 {
            found.push((rate.seconds((span.start + span.end) as f64 / 2.0), cell));
        }
    }
    Ok(found)
}

fn root_mean_square(moments: &PairMoments, unit: Unit) -> f64 {
    let square = if unit == Unit::Volt { moments.mean_square_v() } else { moments.mean_square_i() };
    square.unwrap_or(0.0).sqrt()
}

fn overview_panel(
    picture: &Picture<'_>,
    columns: &[(f64, Cell)],
    (name, unit, range): &Panel,
    legend: bool,
    area: &Area<'_>,
) -> Result<(), PictureError> {
    let rate = picture.samples.rate();
    let length = rate.seconds(picture.overview.samples() as f64);
    // Columns in a gap are not there.
    let mut steps: Vec<f64> =
        columns.array_windows().map(|[(before, _), (after, _)]| after - before).collect();
    let step = median(&mut steps).unwrap_or(length);
    let top = columns
        .iter()
        .flat_map(|(_, cell)| range(cell))
        .fold(0.0_f64, |top, x| top.max(f64::from(x).abs()));
    let top = if top > 0.0 { 1.12 * top } else { 1.0 };
    let mut chart = ChartBuilder::on(area)
        .margin_top(6)
        .margin_left(OUTER)
        .margin_right(RIGHT)
        .x_label_area_size(30)
        .y_label_area_size(LEFT - OUTER)
        .build_cartesian_2d(0.0..length, -top..top)
        .map_err(draw)?;
    let second = rate.seconds(1.0);
    for phase in picture.phases.iter().filter(|phase| phase.kind.powered()) {
        let frame = [(phase.start as f64 * second, -top), (phase.end as f64 * second, top)];
        let tint = pale(colour(phase.kind), 0.16).filled();
        chart.draw_series([Rectangle::new(frame, tint)]).map_err(draw)?;
    }
    no_data(&mut chart, picture, 0..picture.overview.samples(), top)?;
    mesh(&mut chart, &format!("{name} ({})", unit.symbol()), if legend { [9, 7] } else { [5, 5] })?;
    let total = picture.overview.samples();
    if total <= AS_LINE {
        let block = picture.samples.read(0..total)?;
        let x = if *unit == Unit::Volt { &block.v } else { &block.i };
        for points in lines(x, 0..total, picture) {
            chart.draw_series(LineSeries::new(points, VOLTAGE.stroke_width(1))).map_err(draw)?;
        }
    } else {
        // Half a column, and a little more so that no seams are left between them.
        let width = 0.5 * step + length / columns.len().max(1) as f64;
        let bars = columns.iter().map(|(time, cell)| {
            let [low, high] = range(cell);
            let frame = [(time - width, f64::from(low)), (time + width, f64::from(high))];
            Rectangle::new(frame, VOLTAGE.filled().stroke_width(0))
        });
        chart.draw_series(bars).map_err(draw)?;
    }
    let mut parts = columns.chunk_by(|(before, _), (after, _)| after - before < 1.9 * step);
    let rms = |part: &[(f64, Cell)]| -> Vec<(f64, f64)> {
        let height = |cell: &Cell| root_mean_square(&cell.moments, *unit);
        part.iter().map(|(time, cell)| (*time, height(cell))).collect()
    };
    let first = parts.next().map(rms).unwrap_or_default();
    for part in parts {
        chart.draw_series(LineSeries::new(rms(part), ENVELOPE.stroke_width(2))).map_err(draw)?;
    }
    chart
        .draw_series(LineSeries::new(first, ENVELOPE.stroke_width(2)))
        .map_err(draw)?
        .label("envelope (RMS of one column)")
        .legend(|(x, y)| PathElement::new(vec![(x, y), (x + 16, y)], ENVELOPE.stroke_width(2)));
    if !legend {
        return Ok(());
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::LowerRight)
        .background_style(WHITE)
        .border_style(FAINT)
        .label_font(("sans-serif", 12).into_font().color(&INK))
        .draw()
        .map_err(draw)?;
    Ok(())
}

/// The samples of `range` as lines that break where there are gaps; times count from its start.
fn lines(x: &[f64], range: Range<u64>, picture: &Picture<'_>) -> Vec<Vec<(f64, f64)>> {
    let rate = picture.samples.rate();
    let valid = picture.samples.gaps().valid(&range);
    let line = |part: Range<u64>| {
        let of = |sample: u64| usize::try_from(sample - range.start).unwrap_or(usize::MAX);
        let part = of(part.start)..of(part.end).min(x.len());
        let values = x.get(part.clone()).unwrap_or_default();
        part.zip(values).map(|(k, value)| (rate.seconds(k as f64), *value)).collect()
    };
    valid.into_iter().map(line).collect()
}

/// Grey bars where nothing was recorded, as far as they are wide enough to be seen.
fn no_data(
    chart: &mut Chart<'_, '_>,
    picture: &Picture<'_>,
    range: Range<u64>,
    top: f64,
) -> Result<(), PictureError> {
    let rate = picture.samples.rate();
    let visible = (range.end - range.start) / (2 * COLUMNS as u64);
    for (gap, _) in picture.samples.gaps().ranges() {
        let (from, to) = (gap.start.max(range.start), gap.end.min(range.end));
        if from < to && to - from >= visible {
            let at = |sample: u64| rate.seconds((sample - range.start) as f64);
            let frame = [(at(from), -top), (at(to), top)];
            chart.draw_series([Rectangle::new(frame, pale(FAINT, 0.5).filled())]).map_err(draw)?;
            // Wide enough for the words.
            if (to - from) * 14 > range.end - range.start {
                let middle = f64::midpoint(at(from), at(to));
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

fn close_up(picture: &Picture<'_>, kind: Kind, area: &Area<'_>) -> Result<(), PictureError> {
    let rate = picture.samples.rate();
    let Some(phase) =
        picture.phases.iter().filter(|phase| phase.kind == kind).max_by_key(|phase| phase.len())
    else {
        return Ok(());
    };
    let wanted = rate.count(picture.close_s(kind), 24) as u64;
    let length = wanted.min(phase.len());
    // From the strongest cell near the middle of the phase, so that a burst is in sight.
    let (_, cells, _) = picture.overview.inside(&(phase.start..phase.end));
    let middle = usize::midpoint(cells.start, cells.end);
    let reach = 8 * picture.overview.cells_in(rate.samples(31e-6));
    let near = middle.saturating_sub(reach).max(cells.start)..(middle + reach).min(cells.end);
    let height = |k: &usize| picture.overview.cells()[*k].reach(phase.lead, 0.0);
    let start = near
        .max_by(|a, b| height(a).total_cmp(&height(b)))
        .map_or(phase.start, |k| picture.overview.span(k..k + 1).start)
        .clamp(phase.start, phase.end - length);
    let block = picture.samples.read(start..start + length)?;
    let x = block.of(phase.lead);
    let unit = phase.lead.of((Unit::Volt, Unit::Ampere));
    let top = largest_absolute(x);
    let top = if top > 0.0 { 1.15 * top } else { 1.0 };
    let seconds = |sample: u64| rate.seconds(sample as f64);
    let span: Range<f64> = 0.0..seconds(length);
    let at = format!(
        "{kind}: {} from {}",
        for_people(span.end, Unit::Second),
        for_people(seconds(start), Unit::Second)
    );
    let mut chart = ChartBuilder::on(area)
        .margin_top(6)
        .margin_left(OUTER)
        .margin_right(RIGHT)
        .caption(at, ("sans-serif", 14).into_font().color(&INK))
        .x_label_area_size(30)
        .y_label_area_size(LEFT - OUTER)
        .build_cartesian_2d(span.clone(), -top..top)
        .map_err(draw)?;
    let frame = [(span.start, -top), (span.end, top)];
    chart.draw_series([Rectangle::new(frame, pale(colour(kind), 0.16).filled())]).map_err(draw)?;
    let name = if unit == Unit::Volt { "voltage (V)" } else { "current (A)" };
    mesh(&mut chart, name, [6, 5])?;
    no_data(&mut chart, picture, start..start + length, top)?;
    for points in lines(x, start..start + length, picture) {
        chart.draw_series(LineSeries::new(points, VOLTAGE.stroke_width(1))).map_err(draw)?;
    }
    Ok(())
}
