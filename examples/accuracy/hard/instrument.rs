//! How a bench degrades a voltage or a current until it is a number in a file.

use super::draw::{Colour, Draw, noise};
use super::wave::Form;
use std::f64::consts::TAU;

/// Whether a channel is there and alive.
#[derive(Clone, Copy, PartialEq)]
pub enum State {
    /// It records.
    Alive,
    /// It records the converter's noise and nothing else.
    Unplugged,
    /// Its column is all zeros.
    Zeros,
    /// It has no column.
    Absent,
}

/// Mains hum.
#[derive(Clone, Copy)]
pub struct Hum {
    /// Amplitude, as a share of the channel's peak.
    pub share: f64,
    /// Frequency, Hz.
    pub hz: f64,
    /// Phase at the start of the record, rad.
    pub phase: f64,
}

/// A click that dies away.
#[derive(Clone, Copy)]
pub struct Spike {
    /// Start, s.
    pub start_s: f64,
    /// Height, as a share of the channel's peak.
    pub share: f64,
    /// Time constant, s.
    pub lasting_s: f64,
}

/// One of several converters that take turns.
#[derive(Clone, Copy)]
pub struct Core {
    /// Its gain over that of the channel, 1.
    pub gain: f64,
    /// Its offset, as a share of the channel's peak.
    pub offset: f64,
    /// It samples late by so much, s.
    pub late_s: f64,
}

/// One channel, from the terminals to the file. Shares are of the channel's true peak.
#[derive(Clone)]
pub struct Channel {
    /// Whether it records.
    pub state: State,
    /// What it records over what is there, 1.
    pub gain: f64,
    /// What a sensor shows instead of what is there, by time of the record, s.
    pub instead: Option<Form>,
    /// It lags by so much, s.
    pub delay_s: f64,
    /// Shifts of the acquisitions that the instrument averages, s; one of 0 for a single one.
    pub shifts_s: Vec<f64>,
    /// Upper corner (one pole), Hz.
    pub corner_hz: Option<f64>,
    /// Lower corner (one pole), Hz.
    pub lowest_hz: Option<f64>,
    /// The signal is lost after this time, s.
    pub lost_after_s: Option<f64>,
    /// Constant offset, share.
    pub offset: f64,
    /// Hum.
    pub hum: Option<Hum>,
    /// Offset that grows over the record to this share.
    pub drift: f64,
    /// Clicks.
    pub spikes: Vec<Spike>,
    /// The amplifier's lowest and highest output before its noise, shares.
    pub limits: Option<(f64, f64)>,
    /// A soft amplifier: the share s at which it bends, s·tanh(x/s).
    pub soft: Option<f64>,
    /// RMS of the strongest output over the noise's standard deviation, dB.
    pub snr_db: f64,
    /// Colour of the noise.
    pub colour: Colour,
    /// Bits of the converter.
    pub bits: i32,
    /// Its range in either direction, share.
    pub range: f64,
    /// Converters that take turns; empty for one.
    pub cores: Vec<Core>,
}

impl Default for Channel {
    fn default() -> Self {
        Self {
            state: State::Alive,
            gain: 1.0,
            instead: None,
            delay_s: 0.0,
            shifts_s: vec![0.0],
            corner_hz: None,
            lowest_hz: None,
            lost_after_s: None,
            offset: 0.0,
            hum: None,
            drift: 0.0,
            spikes: Vec::new(),
            limits: None,
            soft: None,
            snr_db: 50.0,
            colour: Colour::White,
            bits: 12,
            range: 1.25,
            cores: Vec::new(),
        }
    }
}

/// What a channel is given to record.
pub struct Given {
    /// The true value over time of the record, s.
    pub form: Form,
    /// Its largest absolute value.
    pub peak: f64,
    /// Its RMS in the strongest part.
    pub rms: f64,
    /// The fastest carrier, Hz.
    pub carrier_hz: f64,
    /// Samples wanted.
    pub count: usize,
    /// Time of the first, s.
    pub start_s: f64,
    /// True time from sample to sample, s.
    pub interval_s: f64,
}

impl Given {
    /// Time of a sample, s.
    fn time(&self, k: usize) -> f64 {
        self.start_s + k as f64 * self.interval_s
    }
}

impl Channel {
    /// What the converter puts out.
    pub fn record(&self, given: &Given, draw: &mut Draw) -> Vec<f64> {
        let mut x = match self.state {
            State::Absent => return Vec::new(),
            State::Zeros => return vec![0.0; given.count],
            State::Unplugged => vec![0.0; given.count],
            State::Alive => self.analogue(given),
        };
        if self.state == State::Alive {
            self.disturb(&mut x, given);
        }
        let sigma = given.rms * 10_f64.powf(-self.snr_db / 20.0);
        let noise = noise(draw, self.colour, given.count);
        let full = self.range * given.peak;
        let step = full / 2_f64.powi(self.bits - 1);
        for ((k, value), noise) in x.iter_mut().enumerate().zip(noise) {
            let core = self.core(k);
            let seen = core.gain * *value + core.offset * given.peak + sigma * noise;
            *value = ((seen / step).round() * step).clamp(-full, full - step);
        }
        x
    }

    fn core(&self, k: usize) -> Core {
        let alike = Core { gain: 1.0, offset: 0.0, late_s: 0.0 };
        if self.cores.is_empty() { alike } else { self.cores[k % self.cores.len()] }
    }

    /// Value at the channel's input at a time, averaged over the acquisitions.
    fn input(&self, given: &Given, t: f64) -> f64 {
        let at = t - self.delay_s;
        if self.lost_after_s.is_some_and(|lost| t > lost) {
            return 0.0;
        }
        let form = self.instead.as_ref().unwrap_or(&given.form);
        let sum: f64 = self.shifts_s.iter().map(|shift| form(at + shift)).sum();
        self.gain * sum / self.shifts_s.len() as f64
    }

    fn analogue(&self, given: &Given) -> Vec<f64> {
        let mut x = match self.corner_hz {
            None => (0..given.count)
                .map(|k| self.input(given, given.time(k) + self.core(k).late_s))
                .collect(),
            Some(corner) => self.low_pass(given, corner),
        };
        if let Some(lowest) = self.lowest_hz {
            high_pass(&mut x, TAU * lowest * given.interval_s);
        }
        x
    }

    /// One pole, stepped finely enough to take the input as straight from step to step.
    fn low_pass(&self, given: &Given, corner_hz: f64) -> Vec<f64> {
        let tau = 1.0 / (TAU * corner_hz);
        let finest = (tau / 4.0).min(1.0 / (60.0 * given.carrier_hz));
        let steps = (given.interval_s / finest).ceil().max(1.0);
        let h = given.interval_s / steps;
        let keep = (-h / tau).exp();
        // It has been running for a while when the record begins.
        let run_in = (12.0 * tau / h).ceil();
        let mut before = self.input(given, given.start_s - run_in * h);
        let mut state = before;
        let mut advance = |t: f64| {
            let now = self.input(given, t);
            let lag = (now - before) / h * tau;
            state = now - lag + (state - before + lag) * keep;
            before = now;
            state
        };
        for k in 1..run_in as u64 {
            advance(given.start_s + (k as f64 - run_in) * h);
        }
        let mut out = Vec::with_capacity(given.count);
        for k in 0..given.count {
            let end = given.time(k);
            for step in 1..steps as u64 {
                advance(end - given.interval_s + step as f64 * h);
            }
            out.push(advance(end));
        }
        out
    }

    /// Offset, hum, drift and clicks, then the limits of the amplifier.
    fn disturb(&self, x: &mut [f64], given: &Given) {
        let count = x.len() as f64;
        for (k, value) in x.iter_mut().enumerate() {
            let mut share = self.offset + self.drift * k as f64 / count;
            if let Some(hum) = self.hum {
                let t = given.time(k);
                share += hum.share * (TAU * hum.hz * t + hum.phase).sin();
            }
            *value += share * given.peak;
        }
        for spike in &self.spikes {
            let first =
                ((spike.start_s - given.start_s) / given.interval_s).ceil().max(0.0) as usize;
            let length = (10.0 * spike.lasting_s / given.interval_s).ceil() as usize + 1;
            for (k, value) in x.iter_mut().enumerate().skip(first).take(length) {
                let since = given.time(k) - spike.start_s;
                *value += spike.share * given.peak * (-since / spike.lasting_s).exp();
            }
        }
        if let Some((low, high)) = self.limits {
            x.iter_mut().for_each(|v| *v = v.clamp(low * given.peak, high * given.peak));
        }
        if let Some(share) = self.soft {
            let level = share * given.peak;
            x.iter_mut().for_each(|v| *v = level * (*v / level).tanh());
        }
    }
}

/// One pole that lets slow changes through less: droop. `corner` in rad per sample.
fn high_pass(x: &mut [f64], corner: f64) {
    let keep = 1.0 / (1.0 + corner);
    let (mut before, mut state) = (0.0, 0.0);
    for value in x {
        state = keep * (state + *value - before);
        before = *value;
        *value = state;
    }
}
