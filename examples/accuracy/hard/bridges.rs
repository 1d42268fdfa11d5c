//! Shapes of the output stage: bridges, saturating cores, single-ended stages.

use super::draw::Draw;
use super::scene::Bench;
use super::wave::{Wave, bridge, sine, triangle};
use super::{Capture, Family, Kind};
use std::f64::consts::{PI, TAU};

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("quasi-square", "bridge with a dead time of 4 to 30 % of the cycle", quasi_square),
    Family::new("bridge-ringing", "bridge whose edges ring by 10 to 30 %", ringing_edges),
    Family::new("saturating", "output that flattens as its core saturates", saturating),
    Family::new("saturating-one", "output of which one polarity flattens", saturating_one),
    Family::new("peaky", "output with a peak on each half wave", peaky),
    Family::new("half-wave", "single-ended stage: half waves without their mean", half_wave),
    Family::new("crossover", "output that stays at zero around its crossings", crossover),
    Family::new("triangle", "triangle", triangular),
    Family::new("interleaved-stages", "three stages in turns, one 5 to 20 % weak", stages),
];

/// Cut of a shape alone, at so many samples a cycle over 150 thousand samples.
fn alone(draw: &mut Draw, wave: &Wave, low: f64, high: f64) -> Capture {
    let hz = wave.fundamental_hz.expect("a shape has a fundamental");
    let mut bench = Bench::new(draw.log(low, high) * hz, draw);
    let length_s = 150e3 / bench.rate_hz;
    bench.output(Kind::Cut, length_s, wave);
    bench.capture()
}

fn peak_and_carrier(draw: &mut Draw) -> (f64, f64) {
    (draw.log(300.0, 900.0), draw.log(250e3, 600e3))
}

fn quasi_square(instance: u64) -> Capture {
    let mut draw = Draw::new("quasi-square", instance);
    let (peak, hz) = peak_and_carrier(&mut draw);
    let wave = bridge(peak, hz, draw.between(0.04, 0.3), draw.between(0.02, 0.05));
    alone(&mut draw, &wave, 30.0, 400.0)
}

fn ringing_edges(instance: u64) -> Capture {
    let mut draw = Draw::new("bridge-ringing", instance);
    let (peak, hz) = peak_and_carrier(&mut draw);
    let plain = bridge(peak, hz, draw.between(0.04, 0.2), 0.03);
    // The ringing begins with each half wave and has died away before the next.
    let (height, turns) = (peak * draw.between(0.1, 0.3), draw.between(9.0, 15.0));
    let form = plain.form.clone();
    let wave = Wave::new(hz * turns, move |t| {
        let turn = (t * hz).rem_euclid(1.0);
        let (since, sign) = if turn < 0.5 { (turn, 1.0) } else { (turn - 0.5, -1.0) };
        form(t) + sign * height * (-14.0 * since).exp() * (TAU * turns * since).sin()
    });
    let wave = Wave { fundamental_hz: Some(hz), ..wave }.repeating(1.0 / hz);
    alone(&mut draw, &wave, 80.0, 400.0)
}

fn saturating(instance: u64) -> Capture {
    let mut draw = Draw::new("saturating", instance);
    let (peak, hz) = peak_and_carrier(&mut draw);
    let hardness = draw.between(0.8, 2.5);
    let bend = move |v: f64| peak * (hardness * v).tanh() / hardness.tanh();
    let wave = sine(1.0, hz, draw.angle()).bent(bend);
    alone(&mut draw, &wave, 16.0, 150.0)
}

fn saturating_one(instance: u64) -> Capture {
    let mut draw = Draw::new("saturating-one", instance);
    let (peak, hz) = peak_and_carrier(&mut draw);
    let knee = draw.between(0.5, 0.8);
    // Above the knee the core takes the rest; a transformer passes no mean.
    let bend = move |v: f64| if v > knee { knee + 0.25 * (v - knee) } else { v };
    let mean = mean_of(|x| bend((TAU * x).sin()));
    let wave = sine(1.0, hz, draw.angle()).bent(move |v| peak * (bend(v) - mean));
    alone(&mut draw, &wave, 20.0, 150.0)
}

/// Mean of a periodic function over 0..1.
fn mean_of(function: impl Fn(f64) -> f64) -> f64 {
    const POINTS: u32 = 200_000;
    let at = |k: u32| function((f64::from(k) + 0.5) / f64::from(POINTS));
    (0..POINTS).map(at).sum::<f64>() / f64::from(POINTS)
}

fn peaky(instance: u64) -> Capture {
    let mut draw = Draw::new("peaky", instance);
    let (peak, hz) = peak_and_carrier(&mut draw);
    let more = draw.between(0.2, 0.8);
    let bend = move |v: f64| peak * (v + more * v.powi(15)) / (1.0 + more);
    let wave = sine(1.0, hz, draw.angle()).bent(bend);
    alone(&mut draw, &wave, 40.0, 200.0)
}

fn half_wave(instance: u64) -> Capture {
    let mut draw = Draw::new("half-wave", instance);
    let (peak, hz) = peak_and_carrier(&mut draw);
    let wave = sine(1.0, hz, draw.angle()).bent(move |v| peak * (v.max(0.0) - 1.0 / PI));
    alone(&mut draw, &wave, 20.0, 150.0)
}

fn crossover(instance: u64) -> Capture {
    let mut draw = Draw::new("crossover", instance);
    let (peak, hz) = peak_and_carrier(&mut draw);
    let dead = draw.between(0.05, 0.3);
    let bend = move |v: f64| peak * (v.abs() - dead).max(0.0) / (1.0 - dead) * v.signum();
    let wave = sine(1.0, hz, draw.angle()).bent(bend);
    alone(&mut draw, &wave, 16.0, 150.0)
}

fn triangular(instance: u64) -> Capture {
    let mut draw = Draw::new("triangle", instance);
    let (peak, hz) = peak_and_carrier(&mut draw);
    let wave = triangle(peak, hz);
    alone(&mut draw, &wave, 20.0, 200.0)
}

fn stages(instance: u64) -> Capture {
    let mut draw = Draw::new("interleaved-stages", instance);
    let (peak, hz) = peak_and_carrier(&mut draw);
    let weak = 1.0 - draw.between(0.05, 0.2);
    // Each stage makes one whole cycle in three.
    let form = move |t: f64| {
        let cycle = (t * hz).rem_euclid(3.0);
        let height = if cycle < 1.0 { weak } else { 1.0 };
        peak * height * (TAU * cycle).sin()
    };
    let wave = Wave::new(hz, form).repeating(3.0 / hz);
    alone(&mut draw, &wave, 16.0, 80.0)
}
