//! A map of many settings: one place for each, with what it is known to; units told apart by shape.

use super::ReportError;
use crate::card::{Card, SettingCard, part_of};
use crate::measures::Measure;
use crate::report::job::plot::Axis;
use crate::report::picture::{FAINT, INK, pale};
use crate::result::Part;
use crate::verification::KeptMeasure;
use plotters::prelude::*;

/// What the two axes show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Axes {
    /// Peak voltage over power.
    #[default]
    PeakOverPower,
    /// Crest factor over duty.
    CrestOverDuty,
}

impl Axes {
    fn measures(self) -> (Measure, Measure) {
        match self {
            Self::PeakOverPower => (Measure::Power, Measure::VoltagePeak),
            Self::CrestOverDuty => (Measure::DutyCycle, Measure::CrestFactor),
        }
    }

    fn titles(self) -> (&'static str, &'static str) {
        match self {
            Self::PeakOverPower => ("power (W)", "peak voltage (V)"),
            Self::CrestOverDuty => ("duty cycle", "crest factor"),
        }
    }
}

const SIZE: (u32, u32) = (980, 640);

/// A setting on the map.
struct Spot {
    unit: usize,
    name: String,
    x: (f64, f64),
    y: (f64, f64),
}

fn draw<E: std::error::Error>(error: E) -> ReportError {
    ReportError(error.to_string())
}

/// Value and expanded uncertainty.
fn known(kept: &KeptMeasure) -> Option<(f64, f64)> {
    let value = kept.estimate.value;
    (value > 0.0).then(|| (value, kept.estimate.expanded().unwrap_or(0.0)))
}

/// Each kind of output of a setting at its own dial and load.
fn spots(unit: usize, setting: &SettingCard, axes: Axes) -> Vec<Spot> {
    let Some(point) = setting.near(setting.own_dial(), setting.rated_ohm) else {
        return Vec::new();
    };
    let kinds: Vec<_> = setting.kinds().into_iter().filter(|kind| kind.powered()).collect();
    let (x, y) = axes.measures();
    let several = kinds.len() > 1;
    let one = |kind| {
        let part: Part = part_of(kind);
        let name =
            if several { format!("{} ({})", setting.id, kind.name()) } else { setting.id.clone() };
        Some(Spot {
            unit,
            name,
            x: known(point.had(x, part).ok()?)?,
            y: known(point.had(y, part).ok()?)?,
        })
    };
    kinds.into_iter().filter_map(one).collect()
}

/// Logarithms of 1, 2, 5, 10, ... between two logarithms.
#[allow(clippy::cast_possible_truncation)] // a handful of decades
fn round_numbers(from: f64, to: f64) -> Vec<f64> {
    let decades = from.floor() as i32..=to.ceil() as i32;
    let all = decades.flat_map(|decade| [1.0_f64, 2.0, 5.0].map(|x| x.log10() + f64::from(decade)));
    all.filter(|x| (from..=to).contains(x)).collect()
}

/// The map of the settings of some cards, as SVG. Both axes are logarithmic; an ellipse is U.
///
/// # Errors
/// Where nothing of it was measured, or the drawing library refuses.
pub fn map(cards: &[Card], axes: Axes) -> Result<String, ReportError> {
    let of_card = |(unit, card): (usize, &Card)| -> Vec<Spot> {
        card.settings.iter().flat_map(|setting| spots(unit, setting, axes)).collect()
    };
    let all: Vec<Spot> = cards.iter().enumerate().flat_map(of_card).collect();
    if all.is_empty() {
        return Err(ReportError("no setting has both quantities of the map".into()));
    }
    let span = |of: &dyn Fn(&Spot) -> (f64, f64)| {
        let low = all.iter().map(|s| of(s).0).fold(f64::INFINITY, f64::min).log10();
        let high = all.iter().map(|s| of(s).0).fold(0.0, f64::max).log10();
        let room = (0.10 * (high - low)).max(0.08);
        let (from, to) = (low - room, high + room);
        Axis { from, to, marks: round_numbers(from, to) }
    };
    let (x_span, y_span) = (span(&|s| s.x), span(&|s| s.y));
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, SIZE).into_drawing_area();
        root.fill(&WHITE).map_err(draw)?;
        let font = |size: i32| ("sans-serif", size).into_font().color(&INK);
        let mut chart = ChartBuilder::on(&root)
            .margin(12)
            .margin_top(26)
            .margin_right(150)
            .x_label_area_size(46)
            .y_label_area_size(66)
            .build_cartesian_2d(x_span, y_span)
            .map_err(draw)?;
        let label = |x: &f64| {
            let value = 10_f64.powf(*x);
            if value >= 0.95 { format!("{value:.0}") } else { format!("{value:.2}") }
        };
        let (x_title, y_title) = axes.titles();
        chart
            .configure_mesh()
            .max_light_lines(0)
            .bold_line_style(pale(FAINT, 0.35))
            .axis_style(FAINT)
            .label_style(font(13))
            .axis_desc_style(font(15))
            .x_label_formatter(&label)
            .y_label_formatter(&label)
            .x_desc(x_title)
            .y_desc(y_title)
            .draw()
            .map_err(draw)?;
        for spot in &all {
            // ln 10: from a share to a distance on the axis.
            let reach = |(value, u): (f64, f64)| u / value / std::f64::consts::LN_10;
            let (a, b) = (reach(spot.x), reach(spot.y));
            let (x, y) = (spot.x.0.log10(), spot.y.0.log10());
            let ring = (0..=48).map(|k| {
                let t = f64::from(k) / 48.0 * std::f64::consts::TAU;
                (x + a * t.cos(), y + b * t.sin())
            });
            chart.draw_series([PathElement::new(ring.collect::<Vec<_>>(), INK)]).map_err(draw)?;
        }
        for spot in &all {
            let at = (spot.x.0.log10(), spot.y.0.log10());
            match spot.unit % 4 {
                0 => _ = chart.draw_series([Circle::new(at, 6, INK.filled())]).map_err(draw)?,
                1 => {
                    _ = chart
                        .draw_series([TriangleMarker::new(at, 9, INK.filled())])
                        .map_err(draw)?
                }
                2 => {
                    _ = chart.draw_series([Cross::new(at, 6, INK.stroke_width(3))]).map_err(draw)?
                }
                _ => {
                    let square = EmptyElement::at(at)
                        + Rectangle::new([(-6, -6), (6, 6)], INK.stroke_width(2));
                    _ = chart.draw_series([square]).map_err(draw)?;
                }
            }
        }
        // Names beside their places, as near as nothing else is in the way; with a line where that is far.
        let mark = |spot: &Spot| {
            let (x, y) = chart.backend_coord(&(spot.x.0.log10(), spot.y.0.log10()));
            (x - 8, y - 8, x + 8, y + 8)
        };
        let mut taken: Vec<(i32, i32, i32, i32)> = all.iter().map(mark).collect();
        let (right, bottom) =
            (i32::try_from(SIZE.0).unwrap_or(0) - 150, i32::try_from(SIZE.1).unwrap_or(0) - 62);
        for spot in &all {
            let (x, y) = chart.backend_coord(&(spot.x.0.log10(), spot.y.0.log10()));
            let width = 7 * i32::try_from(spot.name.len()).unwrap_or(0);
            let rows = (0..24).flat_map(|k| [14 * k, -14 * k]);
            let places = rows.flat_map(|dy| [(x + 11, y - 7 + dy), (x - 11 - width, y - 7 + dy)]);
            let fits = |(left, top): &(i32, i32)| {
                let box_of = (*left, *top, left + width, top + 13);
                let inside =
                    box_of.0 > 70 && box_of.2 < right + 140 && box_of.1 > 20 && box_of.3 < bottom;
                let free = |other: &(i32, i32, i32, i32)| {
                    box_of.2 <= other.0
                        || box_of.0 >= other.2
                        || box_of.3 <= other.1
                        || box_of.1 >= other.3
                };
                inside && taken.iter().all(free)
            };
            let (left, top) = places.into_iter().find(fits).unwrap_or((x + 11, y - 7));
            taken.push((left, top, left + width, top + 13));
            if (top + 7 - y).abs() > 13 {
                let end = if left > x { left - 2 } else { left + width + 2 };
                root.draw(&PathElement::new(vec![(x, y), (end, top + 7)], FAINT)).map_err(draw)?;
            }
            root.draw(&Text::new(spot.name.clone(), (left, top), font(13))).map_err(draw)?;
        }
        for (k, card) in cards.iter().enumerate() {
            let y = 30 + 24 * i32::try_from(k).unwrap_or(0);
            let x = i32::try_from(SIZE.0).unwrap_or(0) - 140;
            let at = (x, y);
            match k % 4 {
                0 => root.draw(&Circle::new(at, 6, INK.filled())).map_err(draw)?,
                1 => root.draw(&TriangleMarker::new(at, 9, INK.filled())).map_err(draw)?,
                2 => root.draw(&Cross::new(at, 6, INK.stroke_width(3))).map_err(draw)?,
                _ => root
                    .draw(&Rectangle::new([(x - 6, y - 6), (x + 6, y + 6)], INK.stroke_width(2)))
                    .map_err(draw)?,
            }
            let name = card.unit.model.clone().unwrap_or_else(|| card.name());
            root.draw(&Text::new(name, (x + 14, y - 7), font(13))).map_err(draw)?;
        }
        let note = "each at its own dial and load; ellipse: U (95 %); both axes logarithmic";
        root.draw(&Text::new(note, (80, 8), font(12))).map_err(draw)?;
        root.present().map_err(draw)?;
    }
    Ok(text)
}
