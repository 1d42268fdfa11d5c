//! Errors of each measure over a grid of waveform, samples per cycle, noise and bits, with exact
//! instruments.

use crate::bench::{Bench, measure, on_all_cores};
use crate::draw::Draw;
use crestbook::analysis::Settings;
use crestbook::measures::Measure;
use crestbook::synth::{Output, Recipe, Wave, truth};
use crestbook::trace::Kind;
use crestbook::units::SampleRate;

/// Shapes of the grid: the name, and the output of a carrier of 400 kHz.
pub const SHAPES: [(&str, Wave); 3] = [
    ("continuous", Wave::Continuous),
    ("gated, 6 of 24 cycles", Wave::Gated { burst_hz: 400e3 / 24.0, duty: 0.25 }),
    ("damped, decrement 0.4", Wave::Damped { burst_hz: 20e3, decrement: 0.4 }),
];
/// Samples per carrier cycle.
pub const PER_CYCLE: [f64; 4] = [8.3, 12.3, 20.3, 50.3];
/// Noise under the RMS, dB.
pub const SNR_DB: [f64; 4] = [25.0, 35.0, 45.0, 60.0];
/// Bits of the converter.
pub const BITS: [u32; 4] = [8, 10, 12, 16];

/// Measures of the grid.
pub const MEASURES: [(Measure, &str); 6] = [
    (Measure::Power, "power"),
    (Measure::VoltageRms, "V rms"),
    (Measure::VoltagePeak, "V peak"),
    (Measure::CrestFactor, "crest"),
    (Measure::DutyCycle, "duty"),
    (Measure::Fundamental, "fundamental"),
];

/// Mean and RMS of the relative errors of one cell of the grid.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cell {
    count: f64,
    sum: f64,
    square: f64,
}

impl Cell {
    fn add(&mut self, error: f64) {
        self.count += 1.0;
        self.sum += error;
        self.square += error * error;
    }

    /// Mean error.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0.0).then(|| self.sum / self.count)
    }

    /// Root mean square of the errors.
    pub fn rms(&self) -> Option<f64> {
        (self.count > 0.0).then(|| (self.square / self.count).sqrt())
    }
}

/// Errors of one point of the grid over so many captures.
fn point(wave: Wave, per_cycle: f64, snr_db: f64, bits: u32, repetitions: u64) -> Vec<Cell> {
    let mut cells = vec![Cell::default(); MEASURES.len()];
    for number in 0..repetitions {
        let mut draw = Draw::new(number + 77);
        let rate = SampleRate::new(400e3 * per_cycle).expect("positive");
        let output = Output { wave, peak_v: 700.0, carrier_hz: 400e3, ramp_s: 0.0 };
        let recipe = Recipe {
            snr_db: Some(snr_db),
            bits: Some(bits),
            seed: number + (10.0 * per_cycle) as u64,
            start_s: draw.between(0.01, 0.02),
            ..Recipe::single(output, Kind::Cut, rate, rate.samples(8e-3) as u64, 500.0)
        };
        let sheet = "[voltage]\nchannel = 0\nscale = 1.0\n[current]\nchannel = 1\nscale = 1.0\n\
                     [load]\nnominal_ohm = 500.0\n";
        let bench = Bench {
            nominal_rate_hz: rate.hertz(),
            current: true,
            sheet: sheet.to_owned(),
            ..Bench::default()
        };
        let Some(found) = measure(&recipe, &bench, &Settings::default()) else { continue };
        let truth = truth(&recipe, 0.1).phases[0].measures;
        for (cell, (key, _)) in cells.iter_mut().zip(MEASURES) {
            let wanted = match key {
                Measure::Power => Some(truth.power_w),
                Measure::VoltageRms => Some(truth.voltage_rms_v),
                Measure::VoltagePeak => Some(truth.voltage_peak_v),
                Measure::CrestFactor => truth.crest_factor,
                Measure::DutyCycle => truth.duty_cycle,
                _ => truth.fundamental_hz,
            };
            if let (Some(wanted), Some(got)) = (wanted, found.whole.get(key)) {
                cell.add(got.value / wanted - 1.0);
            }
        }
    }
    cells
}

/// All cells: by shape, samples per cycle and noise at 12 bits; and by shape and bits at 20.3
/// samples per cycle and 60 dB.
pub struct Grid {
    /// Shape, samples per cycle, dB, and the cells of each measure.
    pub by_noise: Vec<(usize, f64, f64, Vec<Cell>)>,
    /// Shape, bits, and the cells of each measure.
    pub by_bits: Vec<(usize, u32, Vec<Cell>)>,
}

/// Runs the grid.
pub fn run(repetitions: u64) -> Grid {
    let mut points = Vec::new();
    for shape in 0..SHAPES.len() {
        for per_cycle in PER_CYCLE {
            points.extend(SNR_DB.map(|snr_db| (shape, per_cycle, snr_db)));
        }
    }
    let by_noise = on_all_cores(points.len() as u64, |k| {
        let (shape, per_cycle, snr_db) = points[k as usize];
        (shape, per_cycle, snr_db, point(SHAPES[shape].1, per_cycle, snr_db, 12, repetitions))
    });
    let shapes = SHAPES.len() as u64;
    let by_bits = on_all_cores(shapes * BITS.len() as u64, |k| {
        let (shape, bits) = ((k % shapes) as usize, BITS[(k / shapes) as usize]);
        (shape, bits, point(SHAPES[shape].1, 20.3, 60.0, bits, repetitions))
    });
    Grid { by_noise, by_bits }
}

fn cells(cells: &[Cell]) -> String {
    cells
        .iter()
        .map(|cell| match (cell.mean(), cell.rms()) {
            (Some(mean), Some(rms)) => {
                let digits = |x: f64| {
                    let x = 100.0 * x;
                    if x.abs() >= 0.095 { format!("{x:.1}") } else { format!("{x:.3}") }
                };
                format!(" {} / {} |", digits(mean), digits(rms))
            }
            _ => " - |".into(),
        })
        .collect()
}

/// The section.
pub fn section(grid: &Grid, repetitions: u64) -> String {
    let titles: Vec<&str> = MEASURES.iter().map(|(_, title)| *title).collect();
    let head = |first: &str| {
        format!("{first}| {} |\n{}\n", titles.join(" | "), "|---".repeat(titles.len() + 3) + "|")
    };
    let mut out = format!(
        "## Errors\n\nOf the waveform alone, with exact instruments: carrier 400 kHz, {repetitions} \
         captures of 8 ms at each point, noise in dB under the RMS of the output. The picture shows \
         the RMS of the relative errors at 20.3 samples per carrier cycle and 12 bits; what is exact stands at the foot.\n\n\
         ![RMS errors over noise](accuracy.svg)\n\n<details><summary>All points: mean / RMS of the \
         relative error in percent</summary>\n\nNoise and samples per carrier cycle, 12 bits; fewer \
         than 20 are flagged `undersampled`. Noise of both channels cancels in the mean power; the \
         mean square of one channel holds its own.\n\n{}",
        head("| shape | samples per cycle | dB ")
    );
    for (shape, per_cycle, snr_db, found) in &grid.by_noise {
        out.push_str(&format!(
            "| {} | {per_cycle} | {snr_db} |{}\n",
            SHAPES[*shape].0,
            cells(found)
        ));
    }
    out.push_str(&format!(
        "\nBits, 20.3 samples per cycle, 60 dB\n\n{}",
        head("| shape | bits | dB ")
    ));
    for (shape, bits, found) in &grid.by_bits {
        out.push_str(&format!("| {} | {bits} | 60 |{}\n", SHAPES[*shape].0, cells(found)));
    }
    out.push_str("\n</details>\n");
    out
}
