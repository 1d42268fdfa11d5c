//! Makes the waveform pictures of docs/learn.md: `cargo run --release --example pictures`.

use crestbook::synth::{Output, Recipe, Section, Wave, truth};
use crestbook::trace::Kind;
use crestbook::units::{SampleRate, Unit, for_people};
use plotters::prelude::*;
use std::error::Error;

type Made = Result<(), Box<dyn Error>>;

const INK: RGBColor = RGBColor(30, 30, 30);
const WAVE: RGBColor = RGBColor(70, 70, 70);
const LEVEL: RGBColor = RGBColor(120, 0, 30);
const RATE_HZ: f64 = 40e6;
const LOAD_OHM: f64 = 500.0;
const BURST_HZ: f64 = 20e3;
const CARRIER_HZ: f64 = 400e3;

fn rate() -> Result<SampleRate, Box<dyn Error>> {
    Ok(SampleRate::new(RATE_HZ).ok_or("the rate is above zero")?)
}

fn output(wave: Wave, peak_v: f64) -> Output {
    Output { wave, peak_v, carrier_hz: CARRIER_HZ, ramp_s: 0.0 }
}

/// Voltage over time of a recipe, from `start` s for `length` s.
fn samples(recipe: &Recipe, start: f64, length: f64) -> Vec<(f64, f64)> {
    let from = (start * RATE_HZ) as u64;
    let block = recipe.block(from..from + (length * RATE_HZ) as u64);
    block.v.iter().enumerate().map(|(k, v)| (k as f64 / RATE_HZ, *v)).collect()
}

fn panel(
    area: &DrawingArea<SVGBackend<'_>, plotters::coord::Shift>,
    title: &str,
    wave: &[(f64, f64)],
    top: f64,
    levels: &[f64],
) -> Made {
    let length = wave.last().map_or(1.0, |(at, _)| *at);
    let mut chart = ChartBuilder::on(area)
        .margin(8)
        .caption(title, ("sans-serif", 14).into_font().color(&INK))
        .x_label_area_size(34)
        .y_label_area_size(54)
        .build_cartesian_2d(0.0..length, -top..top)?;
    chart
        .configure_mesh()
        .x_labels(5)
        .y_labels(5)
        .max_light_lines(0)
        .label_style(("sans-serif", 12).into_font().color(&INK))
        .x_label_formatter(&|x| for_people(*x, Unit::Second))
        .y_label_formatter(&|y| format!("{y:.0}"))
        .x_desc("time")
        .y_desc("V")
        .draw()?;
    chart.draw_series(LineSeries::new(wave.iter().copied(), WAVE.stroke_width(1)))?;
    for level in levels {
        let line = vec![(0.0, *level), (length, *level)];
        chart.draw_series([PathElement::new(line, LEVEL.stroke_width(2))])?;
    }
    Ok(())
}

/// Four waveforms of one power.
fn gallery() -> Made {
    let root = SVGBackend::new("docs/gallery.svg", (1000, 520)).into_drawing_area();
    root.fill(&WHITE)?;
    let waves = [
        ("continuous", Wave::Continuous),
        ("gated, half of the time on", Wave::Gated { burst_hz: BURST_HZ, duty: 0.5 }),
        ("modulated", Wave::Modulated { modulation_hz: BURST_HZ, depth: 0.5 }),
        ("damped", Wave::Damped { burst_hz: BURST_HZ, decrement: 0.4 }),
    ];
    for ((name, wave), area) in waves.into_iter().zip(root.split_evenly((2, 2))) {
        let kind = if name == "damped" { Kind::Coag } else { Kind::Cut };
        let of = |peak| {
            Recipe::single(
                output(wave, peak),
                kind,
                rate().unwrap_or_else(|_| unreachable!()),
                400_000,
                LOAD_OHM,
            )
        };
        // 80 W each: power goes with the square of the peak.
        let peak = 100.0 * (80.0 / truth(&of(100.0), 0.1).whole.power_w).sqrt();
        let recipe = of(peak);
        let measured = truth(&recipe, 0.1).whole;
        let title = format!(
            "{name}: 80 W, peak {peak:.0} V, RMS {:.0} V, crest factor {:.2}",
            measured.voltage_rms_v,
            peak / measured.voltage_rms_v
        );
        panel(&area, &title, &samples(&recipe, 0.0, 100e-6), 1100.0, &[measured.voltage_rms_v])?;
    }
    Ok(root.present()?)
}

/// One burst with its peak, threshold and period.
fn burst() -> Made {
    let root = SVGBackend::new("docs/burst.svg", (900, 330)).into_drawing_area();
    root.fill(&WHITE)?;
    let wave = Wave::Damped { burst_hz: BURST_HZ, decrement: 0.4 };
    let recipe = Recipe::single(output(wave, 900.0), Kind::Coag, rate()?, 400_000, LOAD_OHM);
    let title =
        "peak 900 V; threshold at 10 % of it, 90 V; period 50 µs; on for 29 % of the period";
    panel(&root, title, &samples(&recipe, 0.0, 60e-6), 1000.0, &[900.0, 90.0])?;
    Ok(root.present()?)
}

/// One output on four time scales.
fn time_scales() -> Made {
    let root = SVGBackend::new("docs/time-scales.svg", (1000, 560)).into_drawing_area();
    root.fill(&WHITE)?;
    let damped = Wave::Damped { burst_hz: BURST_HZ, decrement: 0.4 };
    let section = |kind, duration_s, output| Section { kind, duration_s, output };
    let recipe = Recipe {
        sections: vec![
            section(Kind::Cut, 8e-3, Some(output(Wave::Continuous, 420.0))),
            section(Kind::Coag, 24e-3, Some(output(damped, 900.0))),
            section(Kind::Rest, 10e-3, None),
        ],
        samples: (0.09 * RATE_HZ) as u64,
        ..Recipe::single(output(damped, 900.0), Kind::Coag, rate()?, 4, LOAD_OHM)
    };
    // Smallest and largest of each stretch of a long one, so that the picture stays small.
    let thin = |wave: Vec<(f64, f64)>| -> Vec<(f64, f64)> {
        if wave.len() < 5_000 {
            return wave;
        }
        let step = wave.len() / 1_000;
        wave.chunks(step)
            .flat_map(|part| {
                let low = part.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1));
                let high = part.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1));
                [low, high].into_iter().flatten()
            })
            .collect()
    };
    let views = [
        ("two cycles: cut, coag, rest", 0.0, 84e-3),
        ("from cut to coag", 7.5e-3, 1e-3),
        ("three bursts", 10e-3, 150e-6),
        ("the carrier in one burst", 10e-3, 12e-6),
    ];
    for ((title, start, length), area) in views.into_iter().zip(root.split_evenly((2, 2))) {
        panel(&area, title, &thin(samples(&recipe, start, length)), 1000.0, &[])?;
    }
    Ok(root.present()?)
}

fn main() -> Made {
    gallery()?;
    burst()?;
    time_scales()
}
