//! Frames: cells gathered until they span several bursts.

use crate::trace::{Cell, Channel, Overview};
use crate::units::SampleRate;
use std::ops::Range;

/// The record in frames.
pub(super) struct Frames {
    /// The frames.
    pub list: Vec<Cell>,
    /// Samples per frame; the last one may have fewer.
    pub length: usize,
}

/// Gathers cells into frames of about `seconds`; a record of less than four of them is one frame.
pub(super) fn gather(overview: &Overview, rate: SampleRate, seconds: f64) -> Frames {
    const FEWEST: usize = 4;
    let all = overview.cells().len();
    let cells = match overview.cells_in(rate.samples(seconds)) {
        cells if cells * FEWEST > all => all.max(1),
        cells => cells,
    };
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
    let length = cells * overview.cell_length();
    bridge(&mut list, length);
    Frames { list, length }
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
    /// Samples of a range of frames of a record of so many samples.
    pub(super) fn span(&self, frames: &Range<usize>, samples: u64) -> Range<u64> {
        let at = |frame: usize| (frame as u64 * self.length as u64).min(samples);
        at(frames.start)..at(frames.end)
    }

    /// Frames that lie wholly inside a range of samples.
    pub(super) fn inside(&self, range: &Range<u64>) -> Range<usize> {
        let length = self.length as u64;
        #[allow(clippy::cast_possible_truncation)]
        let (from, to) = (range.start.div_ceil(length) as usize, (range.end / length) as usize);
        from.min(to)..to.min(self.list.len())
    }

    /// Variance of a channel within frame `k`.
    pub(super) fn variance(&self, k: usize, channel: Channel) -> f64 {
        self.list[k].variance(channel)
    }

    /// Kurtosis of the voltage in frame `k`, or of the current where there is no voltage: 1.5 for a
    /// steady sine, more for bursts, 3 for noise.
    pub(super) fn kurtosis(&self, k: usize, channel: Channel) -> f64 {
        let cell = &self.list[k];
        let variance = cell.variance(channel);
        // Fourth powers are those of the voltage where there is one.
        let told = channel == Channel::Voltage || cell.moments.m2_v == 0.0;
        if variance <= 0.0 || !told {
            return 3.0;
        }
        cell.fourth / cell.moments.n.max(1) as f64 / (variance * variance)
    }
}
