//! Slow gates, envelopes and mains ripple.

use super::draw::Draw;
use super::scene::Bench;
use super::wave::{Wave, chopped, sine, some_damped};
use super::{Capture, Family, Kind};
use std::f64::consts::{PI, TAU};

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("gate-60", "60 Hz gate, off for 0.8 to 1.8 ms: gaps, no rests", gate_60),
    Family::new("gate-100", "100 Hz gate, off for 0.8 to 1.8 ms: gaps, no rests", gate_100),
    Family::new("gate-480", "480 Hz gate, duty 0.05 to 0.6", gate_480),
    Family::new("gate-2k", "2 kHz gate, duty 0.06 to 0.8, 20 to 125 samples a cycle", gate_2k),
    Family::new("gate-rest", "60 or 100 Hz gate, off for 2.6 ms and more: rests", gate_rest),
    Family::new("raised-cosine", "envelope (1 + cos)/2 at 100 Hz to 10 kHz", raised_cosine),
    Family::new("am", "sinusoidal AM of 0.2 to 0.8 at 100 Hz to 20 kHz", am),
    Family::new("ripple-mild", "mains ripple of 5 to 40 % at 100 or 120 Hz", ripple_mild),
    Family::new("ripple-deep", "mains ripple of 50 to 88 % at 100 or 120 Hz", ripple_deep),
    Family::new("ripple-rest", "mains ripple of 10 to 85 % between rests", ripple_rest),
    Family::new("ripple-coag", "damped coag under mains ripple of 20 to 85 %", ripple_coag),
    Family::new("rectified", "cut from an unsmoothed rectified supply", rectified),
];

/// A gate of a rate (Hz) and a duty, behind which the carrier runs on: whole periods, from half way
/// into a gate on, so that no quiet stands at the border of the record.
fn gate(draw: &mut Draw, rate_hz: f64, duty: f64, per_cycle: f64, periods: f64) -> Capture {
    // A duty of an eighth is a crest factor of 4.
    let coag = duty < 0.12;
    let peak = if coag { draw.log(1e3, 3e3) } else { draw.log(300.0, 900.0) };
    let wave = chopped(peak, draw.log(300e3, 600e3), rate_hz, duty);
    let mut bench = Bench::new(per_cycle * wave.carrier_hz, draw);
    let kind = if coag { Kind::Coag } else { Kind::Cut };
    bench.output(kind, periods / rate_hz, &wave);
    bench.capture()
}

fn gate_60(instance: u64) -> Capture {
    let mut draw = Draw::new("gate-60", instance);
    let duty = 1.0 - 60.0 * draw.between(0.8e-3, 1.8e-3);
    let per_cycle = draw.between(6.5, 12.0);
    gate(&mut draw, 60.0, duty, per_cycle, 6.0)
}

fn gate_100(instance: u64) -> Capture {
    let mut draw = Draw::new("gate-100", instance);
    let duty = 1.0 - 100.0 * draw.between(0.8e-3, 1.8e-3);
    let per_cycle = draw.between(8.0, 20.0);
    gate(&mut draw, 100.0, duty, per_cycle, 6.0)
}

fn gate_480(instance: u64) -> Capture {
    let mut draw = Draw::new("gate-480", instance);
    let duty = [0.05, 0.09, 0.18, 0.35, 0.6][(instance % 5) as usize];
    let per_cycle = draw.between(8.0, 30.0);
    gate(&mut draw, 480.0, duty, per_cycle, 14.0)
}

fn gate_2k(instance: u64) -> Capture {
    let mut draw = Draw::new("gate-2k", instance);
    let duty = [0.06, 0.1, 0.2, 0.5, 0.8][(instance % 5) as usize];
    let per_cycle = draw.log(20.0, 125.0);
    gate(&mut draw, 2e3, duty, per_cycle, 16.0)
}

fn gate_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("gate-rest", instance);
    let rate_hz = draw.of(&[60.0, 100.0]);
    let wave = sine(draw.log(300.0, 900.0), draw.log(300e3, 600e3), draw.angle());
    let off_s = draw.between(2.6e-3, 5e-3);
    let mut bench = Bench::new(draw.between(8.0, 20.0) * wave.carrier_hz, &mut draw);
    for _ in 0..4 {
        bench.output(Kind::Cut, 1.0 / rate_hz - off_s, &wave);
        bench.rest(off_s);
    }
    bench.output(Kind::Cut, 1.0 / rate_hz - off_s, &wave);
    bench.capture()
}

fn raised_cosine(instance: u64) -> Capture {
    let mut draw = Draw::new("raised-cosine", instance);
    let rate_hz = [100.0, 100.0, 400.0, 2e3, 10e3][(instance % 5) as usize];
    let wave = sine(draw.log(400.0, 1200.0), draw.log(300e3, 600e3), draw.angle());
    // (1 + cos x)/2 is over a tenth while cos x is over -0.8.
    let duty = (-0.8_f64).acos() / PI;
    let wave = wave.shaped(move |t| 0.5 * (1.0 + (TAU * rate_hz * t).cos()));
    let wave = wave.bursting(rate_hz, Some(duty));
    let mut bench = Bench::new(draw.log(10.0, 40.0) * wave.carrier_hz, &mut draw);
    bench.output(Kind::Cut, (5.0 / rate_hz).max(0.01), &wave);
    bench.capture()
}

fn am(instance: u64) -> Capture {
    let mut draw = Draw::new("am", instance);
    let rate_hz = [100.0, 300.0, 1e3, 5e3, 20e3][(instance % 5) as usize];
    let depth = draw.between(0.2, 0.8);
    let wave = sine(draw.log(300.0, 1000.0), draw.log(300e3, 600e3), draw.angle());
    let wave = wave.shaped(move |t| (1.0 + depth * (TAU * rate_hz * t).cos()) / (1.0 + depth));
    let mut bench = Bench::new(draw.log(10.0, 50.0) * wave.carrier_hz, &mut draw);
    bench.output(Kind::Cut, (2.0 / rate_hz).max(0.012), &wave);
    bench.capture()
}

/// Mains ripple of a depth: the envelope is 1 at its highest and 1 - depth at its lowest.
fn rippled(wave: Wave, depth: f64, draw: &mut Draw) -> Wave {
    let (rate_hz, phase) = (draw.of(&[100.0, 120.0]), draw.angle());
    wave.shaped(move |t| 1.0 - 0.5 * depth * (1.0 - (TAU * rate_hz * t + phase).cos()))
}

/// Cut under ripple, alone, over 40 to 60 ms.
fn ripple(draw: &mut Draw, depth: f64) -> Capture {
    let wave = sine(draw.log(400.0, 1000.0), draw.log(300e3, 600e3), draw.angle());
    let wave = rippled(wave, depth, draw);
    let mut bench = Bench::new(draw.between(8.0, 16.0) * wave.carrier_hz, draw);
    bench.output(Kind::Cut, draw.between(0.04, 0.06), &wave);
    bench.capture()
}

fn ripple_mild(instance: u64) -> Capture {
    let mut draw = Draw::new("ripple-mild", instance);
    let depth = draw.between(0.05, 0.4);
    ripple(&mut draw, depth)
}

fn ripple_deep(instance: u64) -> Capture {
    let mut draw = Draw::new("ripple-deep", instance);
    let depth = draw.between(0.5, 0.88);
    ripple(&mut draw, depth)
}

fn ripple_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("ripple-rest", instance);
    let wave = sine(draw.log(400.0, 1000.0), draw.log(300e3, 600e3), draw.angle());
    let depth = draw.between(0.1, 0.85);
    // It begins and ends at the top, so that the edges are sharp.
    let rate_hz = draw.of(&[100.0, 120.0]);
    let wave = wave.shaped(move |t| 1.0 - 0.5 * depth * (1.0 - (TAU * rate_hz * t).cos()));
    let mut bench = Bench::new(draw.between(8.0, 16.0) * wave.carrier_hz, &mut draw);
    bench.rest(draw.between(5e-3, 10e-3));
    bench.output(Kind::Cut, 3.0 / rate_hz, &wave);
    bench.rest(draw.between(5e-3, 10e-3));
    bench.capture()
}

fn ripple_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("ripple-coag", instance);
    let wave = some_damped(&mut draw);
    let depth = draw.between(0.2, 0.85);
    let wave = rippled(wave, depth, &mut draw);
    let mut bench = Bench::new(draw.between(10.0, 20.0) * wave.carrier_hz, &mut draw);
    bench.output(Kind::Coag, draw.between(0.03, 0.05), &wave);
    bench.capture()
}

fn rectified(instance: u64) -> Capture {
    let mut draw = Draw::new("rectified", instance);
    let rate_hz = draw.of(&[100.0, 120.0]);
    let wave = sine(draw.log(400.0, 1000.0), draw.log(300e3, 600e3), draw.angle());
    // The envelope is under a tenth of its peak for asin(0.1) to either side of each zero.
    let duty = 1.0 - 2.0 * 0.1_f64.asin() / PI;
    let wave = wave.shaped(move |t| (PI * rate_hz * t).cos().abs());
    let wave = wave.bursting(rate_hz, Some(duty));
    let mut bench = Bench::new(draw.between(8.0, 16.0) * wave.carrier_hz, &mut draw);
    bench.output(Kind::Cut, 5.0 / rate_hz, &wave);
    bench.capture()
}
