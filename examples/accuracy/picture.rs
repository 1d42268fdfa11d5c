//! The picture of the errors.

use crate::grid::{Grid, MEASURES, SHAPES, SNR_DB};
use plotters::prelude::*;

/// Samples per cycle of the lines that are drawn.
const SHOWN: f64 = 20.3;
/// One colour for each shape; told apart without colours by their marks.
const COLOURS: [RGBColor; 3] = [RGBColor(0, 90, 160), RGBColor(200, 90, 0), RGBColor(90, 60, 150)];
/// Panels: place among the measures, and what stands above.
const PANELS: [(usize, &str); 4] =
    [(0, "power"), (1, "voltage RMS"), (3, "crest factor"), (4, "duty cycle")];

/// RMS error in percent over noise, one panel for each measure.
pub fn svg(grid: &Grid) -> Result<String, Box<dyn std::error::Error>> {
    let mut out = String::new();
    {
        let root = SVGBackend::with_string(&mut out, (1000, 640)).into_drawing_area();
        root.fill(&WHITE)?;
        let (upper, legend) = root.split_vertically(600);
        for ((measure, title), area) in PANELS.into_iter().zip(upper.split_evenly((2, 2))) {
            panel(grid, measure, title, &area)?;
        }
        for (shape, (name, _)) in SHAPES.iter().enumerate() {
            let x = 70 + 310 * shape as i32;
            mark(&legend, shape, (x, 16))?;
            let style = ("sans-serif", 17).into_font().color(&BLACK);
            legend.draw(&Text::new(*name, (x + 14, 8), style))?;
        }
        root.present()?;
    }
    Ok(out)
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

fn mark(area: &Area<'_>, shape: usize, at: (i32, i32)) -> Result<(), Box<dyn std::error::Error>> {
    let style = COLOURS[shape].filled();
    match shape {
        0 => area.draw(&Circle::new(at, 6, style))?,
        1 => area.draw(&Rectangle::new([(at.0 - 5, at.1 - 5), (at.0 + 5, at.1 + 5)], style))?,
        _ => area.draw(&TriangleMarker::new(at, 8, style))?,
    }
    Ok(())
}

fn panel(
    grid: &Grid,
    measure: usize,
    title: &str,
    area: &Area<'_>,
) -> Result<(), Box<dyn std::error::Error>> {
    let mut chart = ChartBuilder::on(area)
        .caption(title, ("sans-serif", 20))
        .margin(8)
        .x_label_area_size(40)
        .y_label_area_size(70)
        .build_cartesian_2d(22.0..63.0, (1e-4..3.0_f64).log_scale())?;
    chart
        .configure_mesh()
        .x_desc("noise under the RMS (dB)")
        .y_desc("RMS error (%)")
        .x_label_formatter(&|x| format!("{x:.0}"))
        .y_label_formatter(&|y| format!("{y}"))
        .y_labels(5)
        .label_style(("sans-serif", 15))
        .light_line_style(WHITE)
        .draw()?;
    debug_assert!(measure < MEASURES.len());
    for (shape, colour) in COLOURS.iter().enumerate() {
        let points: Vec<(f64, f64)> = SNR_DB
            .iter()
            .filter_map(|db| {
                let cells = grid.by_noise.iter().find(|(s, per_cycle, snr, _)| {
                    *s == shape && (per_cycle - SHOWN).abs() < 0.1 && (snr - db).abs() < 0.1
                })?;
                // What is exact stands at the foot of the scale.
                Some((*db, (100.0 * cells.3[measure].rms()?).max(1.2e-4)))
            })
            .collect();
        chart.draw_series(LineSeries::new(points.iter().copied(), colour.stroke_width(2)))?;
        for point in points {
            let at = chart.backend_coord(&point);
            let (x, y) = area.get_pixel_range();
            mark(area, shape, (at.0 - x.start, at.1 - y.start))?;
        }
    }
    Ok(())
}
