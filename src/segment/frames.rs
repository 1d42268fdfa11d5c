//! Frames: cells gathered until they span several bursts.

use crate::trace::{Cell, Overview};
use crate::units::SampleRate;
use std::ops::Range;

/// The record in frames.
pub struct Frames {
    /// The frames.
    pub list: Vec<Cell>,
    /// Cells per frame.
    pub cells: usize,
    /// Samples per frame; the last one may have fewer.
    pub length: usize,
    /// Whether the leading channel is the voltage.
    pub voltage: bool,
}

/// Gathers cells into frames of about `seconds`, shorter where the record has few of them.
pub fn gather(overview: &Overview, rate: SampleRate, seconds: f64) -> Frames {
    /// A short record is still cut in so many frames, as far as its cells allow ...
    const FEWEST: usize = 16;
    /// ... but a frame spans bursts of 8 kHz, or silence between them passes for rest ...
    const LEAST_S: f64 = 250e-6;
    /// ... and so many frames there are in any case.
    const AT_LEAST: usize = 4;
    let of = |seconds: f64| {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let cells = (rate.samples(seconds) / overview.cell_length() as f64).round() as usize;
        cells
    };
    let all = overview.cells().len();
    let cells = of(seconds).min((all / FEWEST).max(of(LEAST_S))).min(all / AT_LEAST).max(1);
    let mut list: Vec<Cell> = overview
        .cells()
        .chunks(cells)
        .map(|chunk| {
            let mut frame = Cell::default();
            for cell in chunk {
                frame.merge(cell);
            }
            frame
        })
        .collect();
    bridge(&mut list, cells * overview.cell_length());
    let voltage = overview.cells().iter().any(|cell| cell.moments.m2_v > 0.0)
        || overview.cells().iter().all(|cell| cell.moments.m2_i == 0.0);
    Frames { list, cells, length: cells * overview.cell_length(), voltage }
}

/// Frames that hold hardly a valid sample are taken to go on as their neighbours.
fn bridge(list: &mut [Cell], length: usize) {
    let empty = |cell: &Cell| cell.moments.n * 8 < length as u64;
    let last = list.len().saturating_sub(1);
    let mut held = list.iter().find(|cell| !empty(cell)).copied();
    for (k, cell) in list.iter_mut().enumerate() {
        // The last one may be short by nature.
        if cell.moments.n == 0 || (k < last && empty(cell)) {
            *cell = held.unwrap_or(*cell);
        } else {
            held = Some(*cell);
        }
    }
}

impl Frames {
    /// Samples of a range of frames.
    pub fn span(&self, overview: &Overview, frames: &Range<usize>) -> Range<u64> {
        overview.span(frames.start * self.cells..frames.end * self.cells)
    }

    /// Variance of the leading channel within frame `k`.
    pub fn variance(&self, k: usize) -> f64 {
        let moments = &self.list[k].moments;
        let m2 = if self.voltage { moments.m2_v } else { moments.m2_i };
        m2 / moments.n.max(1) as f64
    }

    /// Largest distance of a sample of frame `k` from `offset`.
    pub fn peak(&self, k: usize, offset: f64) -> f64 {
        self.peak_of(&self.list[k], offset)
    }

    /// The same of any cell.
    pub fn peak_of(&self, cell: &Cell, offset: f64) -> f64 {
        let [low, high] = if self.voltage { cell.v } else { cell.i };
        (f64::from(high) - offset).abs().max((f64::from(low) - offset).abs())
    }

    /// Kurtosis of the leading channel in frame `k`: 1.5 for a steady sine, more for bursts.
    pub fn kurtosis(&self, k: usize) -> f64 {
        let variance = self.variance(k);
        if variance <= 0.0 {
            return 3.0;
        }
        self.list[k].fourth / self.list[k].moments.n.max(1) as f64 / (variance * variance)
    }
}
