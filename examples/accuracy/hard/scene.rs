//! A bench with its output: parts in time, a load, an instrument, a sheet.

use super::draw::Draw;
use super::export::Export;
use super::instrument::{Channel, Given, State};
use super::sheet::Sheet;
use super::truth::{Sums, measures, sums};
use super::wave::{Form, Wave};
use super::{Capture, Kind, TruePhase};
use std::rc::Rc;

/// What draws the current.
#[derive(Clone)]
pub enum Load {
    /// A resistance, ohm.
    Ohm(f64),
    /// The current itself, A over s since the start of the part.
    Form(Form),
}

/// A stretch of one output.
#[derive(Clone)]
pub struct Part {
    /// Its true kind.
    pub kind: Kind,
    /// Its length, s.
    pub length_s: f64,
    /// Its voltage; none where there is no output.
    pub wave: Option<Wave>,
    /// What draws the current.
    pub load: Load,
    /// Measures that have no sensible truth here.
    pub leave_out: &'static [&'static str],
}

impl Part {
    /// Quiet of a length, s.
    pub fn rest(length_s: f64) -> Self {
        let load = Load::Ohm(f64::INFINITY);
        Self { kind: Kind::Rest, length_s, wave: None, load, leave_out: &[] }
    }
}

/// A bench on which a capture is taken.
pub struct Bench {
    /// Samples per second as the instrument states it.
    pub rate_hz: f64,
    /// The instrument's clock is fast by this share.
    pub clock: f64,
    /// True resistance of the load, ohm.
    pub ohm: f64,
    /// Voltage channel.
    pub v: Channel,
    /// Current channel.
    pub i: Channel,
    /// How the file is written.
    pub export: Export,
    /// The sheet.
    pub sheet: Sheet,
    /// How far an edge may be off, s; left out: by the parts.
    pub edge_s: Option<f64>,
    /// Peak of the range of either channel, V and A, where no part has output.
    pub level: (f64, f64),
    parts: Vec<Part>,
    draw: Draw,
}

impl Bench {
    /// A usual bench at this sample rate, Hz: a load of 100 to 1,000 ohm, 12 bit, 50 dB.
    pub fn new(rate_hz: f64, draw: &mut Draw) -> Self {
        let ohm = draw.of(&[100.0, 200.0, 300.0, 500.0, 1000.0]);
        Self {
            rate_hz,
            clock: 0.0,
            ohm,
            v: Channel::default(),
            i: Channel::default(),
            export: Export::Plain,
            sheet: Sheet::usual(ohm),
            edge_s: None,
            level: (500.0, 1.0),
            parts: Vec::new(),
            draw: draw.fork(),
        }
    }

    /// Changes both channels.
    pub fn both(&mut self, change: impl Fn(&mut Channel)) {
        change(&mut self.v);
        change(&mut self.i);
    }

    /// Adds output into the resistance, of whole repetitions of the wave nearest to `length_s`.
    pub fn output(&mut self, kind: Kind, length_s: f64, wave: &Wave) -> &mut Part {
        let load = Load::Ohm(self.ohm);
        self.loaded(kind, length_s, wave, load)
    }

    /// Adds output into another load.
    pub fn loaded(&mut self, kind: Kind, length_s: f64, wave: &Wave, load: Load) -> &mut Part {
        let unit = wave.repeats_s.filter(|unit| *unit < length_s);
        let length_s = unit.map_or(length_s, |unit| (length_s / unit).round() * unit);
        let part = Part { kind, wave: Some(wave.clone()), load, ..Part::rest(length_s) };
        self.parts.push(part);
        self.parts.last_mut().expect("a part was just added")
    }

    /// Adds a rest of a length, s.
    pub fn rest(&mut self, length_s: f64) {
        self.parts.push(Part::rest(length_s));
    }

    /// Length of all parts so far, s.
    pub fn length_s(&self) -> f64 {
        self.parts.iter().map(|part| part.length_s).sum()
    }

    /// Takes the capture.
    pub fn capture(mut self) -> Capture {
        let export = self.export;
        let sums: Vec<Sums> = self.parts.iter().map(sums).collect();
        let count = (self.length_s() * self.rate_hz).round() as usize + 2 * export.margin();
        let (mut first, mut second) = (self.draw.fork(), self.draw.fork());
        let v = export.write(self.v.record(&self.given(true, &sums, count), &mut first));
        let i = export.write(self.i.record(&self.given(false, &sums, count), &mut second));
        let rate_hz = self.rate_hz * export.factor();
        let end_s = v.len().max(i.len()) as f64 / rate_hz;
        let edge_s = self.edge_s.unwrap_or_else(|| self.usual_edge_s());
        Capture { rate_hz, v, i, sheet: self.text(), phases: self.phases(&sums, end_s), edge_s }
    }

    fn text(&self) -> String {
        let mut sheet = self.sheet.clone();
        if self.v.state == State::Absent {
            sheet.voltage.clear();
        }
        if self.i.state == State::Absent {
            sheet.current.clear();
        }
        sheet.text()
    }

    /// What one channel is given to record.
    fn given(&self, voltage: bool, sums: &[Sums], count: usize) -> Given {
        let top = |of: fn(&Sums) -> f64| sums.iter().map(of).fold(0.0, f64::max);
        let (peak, rms) = if voltage {
            (top(|s| s.v_peak), top(|s| s.vv.sqrt()))
        } else {
            (top(|s| s.i_peak), top(|s| s.ii.sqrt()))
        };
        let level = if voltage { self.level.0 } else { self.level.1 };
        let (peak, rms) = if peak > 0.0 { (peak, rms) } else { (level, 0.7 * level) };
        let interval_s = 1.0 / (self.rate_hz * (1.0 + self.clock));
        let carriers = self.parts.iter().filter_map(|part| part.wave.as_ref());
        Given {
            form: joined(&self.parts, voltage),
            peak,
            rms,
            carrier_hz: carriers.map(|wave| wave.carrier_hz).fold(1.0, f64::max),
            count,
            start_s: -(self.export.margin() as f64) * interval_s,
            interval_s,
        }
    }

    /// Two carrier cycles, or a burst period where there are bursts.
    fn usual_edge_s(&self) -> f64 {
        let waves = self.parts.iter().filter_map(|part| part.wave.as_ref());
        waves
            .map(|wave| wave.burst_hz.map_or(0.0, |hz| 1.0 / hz).max(2.0 / wave.carrier_hz))
            .fold(2.0 / self.rate_hz, f64::max)
    }

    fn phases(&self, sums: &[Sums], end_s: f64) -> Vec<TruePhase> {
        let mut phases: Vec<TruePhase> = Vec::new();
        let mut start_s = 0.0;
        for (part, sums) in self.parts.iter().zip(sums) {
            let (kind, end_s) = (part.kind, start_s + part.length_s);
            let resting = |phase: &&mut TruePhase| (phase.kind, kind) == (Kind::Rest, Kind::Rest);
            if let Some(rest) = phases.last_mut().filter(resting) {
                // What is left of a ramp or tail belongs to the rest beside it.
                rest.end_s = end_s;
            } else {
                phases.push(TruePhase { kind, start_s, end_s, truth: measures(part, sums) });
            }
            start_s = end_s;
        }
        if let Some(last) = phases.last_mut() {
            last.end_s = end_s;
        }
        phases
    }
}

/// Voltage or current of all parts over time of the record; the outer ones go on before and after.
fn joined(parts: &[Part], voltage: bool) -> Form {
    let mut starts = Vec::new();
    let mut forms: Vec<Form> = Vec::new();
    let mut start_s = 0.0;
    for part in parts {
        starts.push(start_s);
        start_s += part.length_s;
        forms.push(match (&part.wave, &part.load) {
            (None, _) => Rc::new(|_| 0.0),
            (Some(wave), _) if voltage => wave.form.clone(),
            (_, Load::Form(current)) => current.clone(),
            (Some(wave), Load::Ohm(ohm)) => {
                let (form, ohm) = (wave.form.clone(), *ohm);
                Rc::new(move |t| form(t) / ohm)
            }
        });
    }
    Rc::new(move |t| {
        let part = starts.partition_point(|start| *start <= t).saturating_sub(1);
        forms[part](t - starts[part])
    })
}
