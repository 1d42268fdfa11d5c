//! Channels that are missing, dead, swapped, or that show a short or an open circuit.

use super::draw::Draw;
use super::instrument::State;
use super::scene::{Bench, Load};
use super::wave::{Wave, sine, some_damped};
use super::{Capture, Family, Kind};

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("voltage-only", "no current channel, load known", voltage_only),
    Family::new("current-only", "no voltage channel, load known", current_only),
    Family::new("voltage-zeros", "the voltage column is all zeros", voltage_zeros),
    Family::new("current-zeros", "the current column is all zeros", current_zeros),
    Family::new("voltage-dead", "the voltage channel shows its noise alone", voltage_dead),
    Family::new("current-dead", "the current channel shows its noise alone", current_dead),
    Family::new("voltage-lost", "the voltage probe falls off half way through a cut", voltage_lost),
    Family::new("current-lost", "the current probe is lost half way through a cut", current_lost),
    Family::new("shorted", "output shorted after a cut: 2 V, 2.5 A", shorted),
    Family::new("open", "open output, a load stated as open", open),
    Family::new("opened", "the load falls off half way: voltage up, current nil", opened),
    Family::new("swapped", "voltage and current columns are swapped", swapped),
    Family::new("inverted", "the current is inverted", inverted),
    Family::new("scale-wrong", "the current is wrong by a factor of 2, 5 or 10", scale_wrong),
];

fn cut(draw: &mut Draw) -> Wave {
    sine(draw.log(300.0, 1000.0), draw.log(300e3, 600e3), draw.angle())
}

/// A cut of 10 ms or a coag, alone or between rests by instance.
fn usual(draw: &mut Draw, instance: u64) -> Bench {
    let coag = instance % 3 == 2;
    let (wave, kind) = if coag { (some_damped(draw), Kind::Coag) } else { (cut(draw), Kind::Cut) };
    let mut bench = Bench::new(draw.log(12.0, 40.0) * wave.carrier_hz, draw);
    let rested = instance.is_multiple_of(2);
    if rested {
        bench.rest(3e-3);
    }
    bench.output(kind, 10e-3, &wave);
    if rested {
        bench.rest(3e-3);
    }
    bench
}

fn voltage_only(instance: u64) -> Capture {
    let mut bench = usual(&mut Draw::new("voltage-only", instance), instance);
    bench.i.state = State::Absent;
    bench.capture()
}

fn current_only(instance: u64) -> Capture {
    let mut bench = usual(&mut Draw::new("current-only", instance), instance);
    bench.v.state = State::Absent;
    bench.capture()
}

fn voltage_zeros(instance: u64) -> Capture {
    let mut bench = usual(&mut Draw::new("voltage-zeros", instance), instance);
    bench.v.state = State::Zeros;
    bench.capture()
}

fn current_zeros(instance: u64) -> Capture {
    let mut bench = usual(&mut Draw::new("current-zeros", instance), instance);
    bench.i.state = State::Zeros;
    bench.capture()
}

fn voltage_dead(instance: u64) -> Capture {
    let mut bench = usual(&mut Draw::new("voltage-dead", instance), instance);
    bench.v.state = State::Unplugged;
    bench.capture()
}

fn current_dead(instance: u64) -> Capture {
    let mut bench = usual(&mut Draw::new("current-dead", instance), instance);
    bench.i.state = State::Unplugged;
    bench.capture()
}

/// Cut of 12 ms alone.
fn long_cut(draw: &mut Draw) -> Bench {
    let wave = cut(draw);
    let mut bench = Bench::new(draw.log(12.0, 30.0) * wave.carrier_hz, draw);
    bench.output(Kind::Cut, 12e-3, &wave);
    bench
}

fn voltage_lost(instance: u64) -> Capture {
    let mut draw = Draw::new("voltage-lost", instance);
    let mut bench = long_cut(&mut draw);
    bench.v.lost_after_s = Some(draw.between(4e-3, 8e-3));
    bench.capture()
}

fn current_lost(instance: u64) -> Capture {
    let mut draw = Draw::new("current-lost", instance);
    let mut bench = long_cut(&mut draw);
    bench.i.lost_after_s = Some(draw.between(4e-3, 8e-3));
    bench.capture()
}

fn shorted(instance: u64) -> Capture {
    /// What the converter of the voltage can't resolve.
    const VOLTAGES: &[&str] = &["power_w", "voltage_rms_v", "voltage_peak_v", "crest_factor"];
    let mut draw = Draw::new("shorted", instance);
    let hz = draw.log(300e3, 600e3);
    let (whole, short) = (sine(400.0, hz, 0.0), sine(2.0, hz, 0.0));
    let mut bench = Bench::new(draw.log(12.0, 40.0) * hz, &mut draw);
    bench.output(Kind::Cut, 5e-3, &whole);
    if instance % 2 == 1 {
        bench.rest(3e-3);
    }
    // Continuous and under 200 V: coag by the rule of measures.md, though of a cut's setting.
    bench.loaded(Kind::Coag, 5e-3, &short, Load::Ohm(0.8)).leave_out = VOLTAGES;
    bench.sheet.load.clear();
    bench.capture()
}

/// What there is none of without a current.
const CURRENTS: &[&str] = &["power_w", "current_rms_a", "current_peak_a"];

fn open(instance: u64) -> Capture {
    let mut draw = Draw::new("open", instance);
    let coag = instance % 2 == 1;
    let (wave, kind) =
        if coag { (some_damped(&mut draw), Kind::Coag) } else { (cut(&mut draw), Kind::Cut) };
    let mut bench = Bench::new(draw.log(12.0, 40.0) * wave.carrier_hz, &mut draw);
    bench.rest(3e-3);
    // A leak far under the noise of a converter set for an ampere.
    bench.loaded(kind, 8e-3, &wave, Load::Ohm(1e9)).leave_out = CURRENTS;
    bench.i.state = State::Unplugged;
    bench.sheet.load = vec!["kind = \"open\"".to_owned()];
    bench.capture()
}

fn opened(instance: u64) -> Capture {
    let mut draw = Draw::new("opened", instance);
    let hz = draw.log(300e3, 600e3);
    let peak = draw.log(300.0, 500.0);
    let (loaded, open) = (sine(peak, hz, 0.0), sine(peak * draw.between(2.0, 3.0), hz, 0.0));
    let mut bench = Bench::new(draw.log(12.0, 40.0) * hz, &mut draw);
    bench.output(Kind::Cut, draw.between(4e-3, 7e-3), &loaded);
    bench.loaded(Kind::Cut, draw.between(4e-3, 7e-3), &open, Load::Ohm(1e9)).leave_out = CURRENTS;
    bench.capture()
}

fn swapped(instance: u64) -> Capture {
    let capture = usual(&mut Draw::new("swapped", instance), instance).capture();
    Capture { v: capture.i, i: capture.v, ..capture }
}

fn inverted(instance: u64) -> Capture {
    let mut bench = usual(&mut Draw::new("inverted", instance), instance);
    bench.i.gain = -1.0;
    bench.capture()
}

fn scale_wrong(instance: u64) -> Capture {
    let mut draw = Draw::new("scale-wrong", instance);
    let mut bench = usual(&mut draw, instance);
    let factor = draw.of(&[2.0, 5.0, 10.0]);
    bench.i.gain = if draw.sign() > 0.0 { factor } else { 1.0 / factor };
    bench.i.range *= bench.i.gain;
    bench.capture()
}
