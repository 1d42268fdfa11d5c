//! Arcs: loads that carry nothing until they strike.

use super::draw::Draw;
use super::scene::{Bench, Load};
use super::wave::{Form, Wave, some_damped};
use super::{Capture, Family, Kind};
use std::f64::consts::{PI, TAU};
use std::rc::Rc;

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("arc", "arc that strikes in each half wave at the same voltage", steady),
    Family::new("arc-random", "arc that strikes at another voltage in each half wave", random),
    Family::new("arc-failing", "arc that fails to strike in 2 to 20 % of the half waves", failing),
    Family::new(
        "arc-rectifying",
        "arc that carries more one way than the other, with rest",
        rectifying,
    ),
    Family::new("arc-coag", "damped coag into an arc that carries above a voltage", coag),
    Family::new("arc-flicker", "arc that goes out for 0.2 to 1 ms now and then", flicker),
];

/// A source (V peak, Hz) behind a resistance, and an arc: its voltage and resistance once it burns.
#[derive(Clone, Copy)]
struct Arc {
    source: f64,
    hz: f64,
    source_ohm: f64,
    burning: f64,
    ohm: f64,
}

impl Arc {
    fn some(draw: &mut Draw) -> Self {
        let source = draw.log(600.0, 1200.0);
        Self {
            source,
            hz: draw.log(300e3, 500e3),
            source_ohm: draw.between(200.0, 400.0),
            burning: source * draw.between(0.2, 0.35),
            ohm: draw.between(50.0, 200.0),
        }
    }

    /// Voltage and current at a time (s), if the arc strikes at `strike` (V) in this half wave: it is
    /// out until the source has reached that, and again once the source is under the burning voltage.
    fn at(&self, t: f64, strike: f64) -> (f64, f64) {
        let turn = (t * self.hz).rem_euclid(1.0);
        let (angle, sign) = if turn < 0.5 { (TAU * turn, 1.0) } else { (TAU * (turn - 0.5), -1.0) };
        let u = self.source * angle.sin();
        let burns = if angle < 0.5 * PI { u >= strike } else { u > self.burning };
        if !burns || strike > self.source {
            return (sign * u, 0.0);
        }
        let current = (u - self.burning) / (self.source_ohm + self.ohm);
        (sign * (self.burning + self.ohm * current), sign * current)
    }

    /// Peak of the voltage (V) over half waves that strike at these voltages.
    fn peak(&self, strikes: &[f64]) -> f64 {
        let current = (self.source - self.burning) / (self.source_ohm + self.ohm);
        let burning = self.burning + self.ohm * current;
        strikes.iter().map(|strike| strike.min(self.source)).fold(burning, f64::max)
    }

    /// Number of the half wave at a time, s.
    fn half(&self, t: f64) -> usize {
        (2.0 * t * self.hz).max(0.0) as usize
    }
}

/// Voltage and current from one function of time.
fn both(hz: f64, at: impl Fn(f64) -> (f64, f64) + 'static) -> (Wave, Load) {
    let at = Rc::new(at);
    let current = at.clone();
    (Wave::new(hz, move |t| at(t).0), Load::Form(Rc::new(move |t| current(t).1) as Form))
}

/// Length of a record, s.
const LENGTH_S: f64 = 4e-3;

/// The capture of an arc over 4 ms at 40 to 150 samples a cycle; no load is stated.
fn alone(draw: &mut Draw, arc: &Arc, wave: &Wave, load: Load) -> Capture {
    let mut bench = Bench::new(draw.log(40.0, 150.0) * arc.hz, draw);
    bench.loaded(Kind::Cut, LENGTH_S, wave, load);
    bench.sheet.load.clear();
    bench.capture()
}

fn steady(instance: u64) -> Capture {
    let mut draw = Draw::new("arc", instance);
    let arc = Arc::some(&mut draw);
    let strike = arc.source * draw.between(0.5, 0.8);
    let (wave, load) = both(arc.hz, move |t| arc.at(t, strike));
    let wave = Wave { peak: Some(arc.peak(&[strike])), ..wave.repeating(1.0 / arc.hz) };
    alone(&mut draw, &arc, &wave, load)
}

/// The capture of an arc that strikes anew in each half wave between two shares of the source's
/// peak, or fails to in a share of them.
fn struck(draw: &mut Draw, low: f64, high: f64, failing: f64) -> Capture {
    let arc = Arc::some(draw);
    let mut one = || {
        let fails = draw.between(0.0, 1.0) < failing;
        if fails { f64::INFINITY } else { arc.source * draw.between(low, high) }
    };
    // As many half waves as the 4 ms hold, and one to spare.
    let list: Vec<f64> = (0..=(2.0 * LENGTH_S * arc.hz) as usize).map(|_| one()).collect();
    let peak = arc.peak(&list);
    let (wave, load) = both(arc.hz, move |t| arc.at(t, list[arc.half(t).min(list.len() - 1)]));
    alone(draw, &arc, &Wave { peak: Some(peak), ..wave }, load)
}

fn random(instance: u64) -> Capture {
    struck(&mut Draw::new("arc-random", instance), 0.4, 0.9, 0.0)
}

fn failing(instance: u64) -> Capture {
    let mut draw = Draw::new("arc-failing", instance);
    let share = draw.log(0.02, 0.2);
    struck(&mut draw, 0.55, 0.65, share)
}

fn rectifying(instance: u64) -> Capture {
    let mut draw = Draw::new("arc-rectifying", instance);
    let arc = Arc::some(&mut draw);
    // A higher burning voltage in every other half wave: a mean current that is truly there.
    let worse = Arc { burning: arc.burning * draw.between(1.3, 1.8), ..arc };
    let strike = arc.source * 0.7;
    let (wave, load) = both(arc.hz, move |t| {
        let way = if arc.half(t).is_multiple_of(2) { arc } else { worse };
        way.at(t, strike)
    });
    let mut bench = Bench::new(draw.log(40.0, 80.0) * arc.hz, &mut draw);
    bench.rest(2.8e-3);
    let peak = arc.peak(&[strike]).max(worse.peak(&[strike]));
    let wave = Wave { peak: Some(peak), ..wave.repeating(1.0 / arc.hz) };
    bench.loaded(Kind::Cut, 4e-3, &wave, load);
    bench.rest(2.8e-3);
    bench.sheet.load.clear();
    bench.capture()
}

fn coag(instance: u64) -> Capture {
    let mut draw = Draw::new("arc-coag", instance);
    let wave = some_damped(&mut draw);
    let peak = wave.peak.expect("a damped burst has a known peak");
    let (level, ohm) = (peak * draw.between(0.1, 0.3), draw.log(200.0, 600.0));
    let form = wave.form.clone();
    let current: Form = Rc::new(move |t| {
        let v = form(t);
        (v.abs() - level).max(0.0) / ohm * v.signum()
    });
    let mut bench = Bench::new(draw.log(20.0, 60.0) * wave.carrier_hz, &mut draw);
    bench.loaded(Kind::Coag, 8e-3, &wave, Load::Form(current));
    bench.sheet.load.clear();
    bench.capture()
}

fn flicker(instance: u64) -> Capture {
    let mut draw = Draw::new("arc-flicker", instance);
    let arc = Arc::some(&mut draw);
    let strike = arc.source * 0.6;
    // Times of going out and of striking again, s.
    let (mut out, mut from_s) = (Vec::new(), 0.5e-3);
    while from_s < 5e-3 {
        let to_s = from_s + draw.between(0.2e-3, 1e-3);
        out.push((from_s, to_s));
        from_s = to_s + draw.between(0.3e-3, 1.2e-3);
    }
    let (wave, load) = both(arc.hz, move |t| {
        let is_out = out.iter().any(|(from, to)| t > *from && t < *to);
        arc.at(t, if is_out { f64::INFINITY } else { strike })
    });
    let mut bench = Bench::new(draw.log(40.0, 100.0) * arc.hz, &mut draw);
    bench.loaded(Kind::Cut, 6e-3, &wave, load);
    bench.sheet.load.clear();
    bench.capture()
}
