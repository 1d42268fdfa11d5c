//! Exact synthetic captures: the waveform by formula, its truth by closed form.
//!
//! Nothing here uses the analysing code, so that the two can be held against each other.

mod noise;
mod request;
mod truth;
mod wave;

pub use request::{Request, RequestError, Shape};
pub use truth::{Truth, TruthMeasures, TruthPhase, truth};
pub use wave::Wave;

use crate::trace::{Block, Kind};
use crate::units::SampleRate;
use std::ops::Range;

/// One kind of output: a waveform with its peak and carrier.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Output {
    /// Shape.
    pub wave: Wave,
    /// Largest |v|, V.
    pub peak_v: f64,
    /// Carrier frequency, Hz.
    pub carrier_hz: f64,
    /// Linear rise from zero at the start of the phase, s; only for continuous output.
    pub ramp_s: f64,
}

/// One phase of the repeating sequence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// Kind by the definitions of the measures.
    pub kind: Kind,
    /// Length, s.
    pub duration_s: f64,
    /// Output; `None` for rest.
    pub output: Option<Output>,
}

/// Everything that makes a synthetic capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Recipe {
    /// Sections, repeated until the record is full.
    pub sections: Vec<Section>,
    /// Samples per second.
    pub rate: SampleRate,
    /// Number of samples.
    pub samples: u64,
    /// Place in the sequence at which the record starts, s.
    pub start_s: f64,
    /// Load, ohm.
    pub load_ohm: f64,
    /// RMS of all powered sections over the noise, dB.
    pub snr_db: Option<f64>,
    /// Seed of the noise.
    pub seed: u64,
    /// Limits |v| and |i| at this share of their largest peak.
    pub clip_share: Option<f64>,
    /// The current channel lags by this, s.
    pub skew_s: f64,
    /// Quantises to this many bits over 1.25 times the largest peak, both signs.
    pub bits: Option<u32>,
}

impl Recipe {
    /// A noiseless record of one section.
    #[must_use]
    pub fn single(
        output: Output,
        kind: Kind,
        rate: SampleRate,
        samples: u64,
        load_ohm: f64,
    ) -> Self {
        let duration_s = f64::INFINITY;
        Self {
            sections: vec![Section { kind, duration_s, output: Some(output) }],
            rate,
            samples,
            start_s: 0.0,
            load_ohm,
            snr_db: None,
            seed: 1,
            clip_share: None,
            skew_s: 0.0,
            bits: None,
        }
    }

    /// Largest |v| of all sections, V.
    #[must_use]
    pub fn peak_v(&self) -> f64 {
        self.sections.iter().filter_map(|s| s.output).map(|o| o.peak_v).fold(0.0, f64::max)
    }

    /// Length of the sequence, s.
    #[must_use]
    pub fn period_s(&self) -> f64 {
        self.sections.iter().map(|s| s.duration_s).sum()
    }

    /// Largest value that integer files of this recipe hold, V.
    #[must_use]
    pub fn full_scale_v(&self) -> f64 {
        1.25 * self.peak_v()
    }

    /// Standard deviation of the voltage noise, V.
    #[must_use]
    pub fn noise_v(&self) -> f64 {
        let Some(snr) = self.snr_db else { return 0.0 };
        let (mut square, mut time) = (0.0, 0.0);
        for section in &self.sections {
            if let Some(output) = section.output {
                let length = section.duration_s.min(self.rate.seconds(self.samples as f64));
                square += output.square_integral(length);
                time += length;
            }
        }
        if time > 0.0 { (square / time).sqrt() * 10_f64.powf(-snr / 20.0) } else { 0.0 }
    }

    /// Voltage without any fault at a time from the start of the record, V.
    fn ideal(&self, time: f64) -> f64 {
        let mut left = time + self.start_s;
        let period = self.period_s();
        // A hair's breadth, so that a sample on a border belongs to what follows.
        let hair = 1e-4 / self.rate.hertz();
        if left < -hair {
            return 0.0;
        }
        if period.is_finite() {
            left -= ((left + hair) / period).floor() * period;
        }
        for section in &self.sections {
            if left < section.duration_s - hair {
                return section.output.map_or(0.0, |output| output.value(left, hair));
            }
            left -= section.duration_s;
        }
        0.0
    }

    /// The samples `range` of the record, the same however the record is cut.
    #[must_use]
    pub fn block(&self, range: Range<u64>) -> Block {
        let interval = 1.0 / self.rate.hertz();
        let sigma = self.noise_v();
        let limit = self.clip_share.map(|share| share * self.peak_v());
        let step =
            self.bits.map(|bits| 2.0 * self.full_scale_v() / 2_f64.powi(bits.min(32) as i32));
        let mut noise = noise::Noise::new(self.seed);
        let finish = |value: f64| {
            let value = limit.map_or(value, |limit| value.clamp(-limit, limit));
            step.map_or(value, |step| (value / step).round() * step)
        };
        let mut block = Block { start: range.start, ..Block::default() };
        for n in range {
            let time = n as f64 * interval;
            let v = self.ideal(time);
            let i = if self.skew_s == 0.0 { v } else { self.ideal(time - self.skew_s) };
            let (noise_v, noise_i) = if sigma > 0.0 { noise.pair(n) } else { (0.0, 0.0) };
            block.v.push(finish(v + sigma * noise_v));
            block.i.push(finish(i + sigma * noise_i) / self.load_ohm);
        }
        block
    }
}
