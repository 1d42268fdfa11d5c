//! How output begins and ends: ramps, tails, drops, quiet at the border of the record.
//!
//! An edge stands where the envelope crosses half of its step (measures.md), so the lower half of a
//! ramp or tail lies in the rest beside it.

use super::draw::Draw;
use super::scene::{Bench, Load, Part};
use super::wave::{Wave, sine, some_damped};
use super::{Capture, Family, Kind};

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("ramp-long", "cut that starts with a ramp of 8 to 30 ms after a rest", ramp_long),
    Family::new("ramp-short", "cut that starts with a ramp of 0.2 to 1 ms", ramp_short),
    Family::new("ramp-alone", "cut that grows from 50 to 75 % of its level, no rest", ramp_alone),
    Family::new(
        "ramp-nothing",
        "cut that grows from nothing over 3 to 20 ms, no rest",
        ramp_nothing,
    ),
    Family::new("fade-nothing", "cut that falls to nothing over 5 to 20 ms, no rest", fade_nothing),
    Family::new("tail", "cut that dies away with 0.2 to 1 ms after its end", tail),
    Family::new("drop", "cut that drops out for 2.6 to 6 ms, no other rest", drop_out),
    Family::new("drop-fading", "cut that fades to nothing for some ms and is back at once", fading),
    Family::new("drop-partial", "cut that drops to 30 to 40 % for some ms", drop_partly),
    Family::new("boost", "cut that begins 20 to 40 % too high", boost),
    Family::new("activations", "four short activations of cut", activations),
    Family::new("coag-activations", "three short activations of damped coag", coag_activations),
    Family::new("border-first", "0.4 to 1.8 ms of quiet at the start of the record", border_first),
    Family::new("border-both", "0.4 to 1.8 ms of quiet at both ends of the record", border_both),
];

/// What hangs on where exactly an edge is put.
const MEANS: &[&str] = &["power_w", "voltage_rms_v", "current_rms_a", "crest_factor"];

fn cut(draw: &mut Draw) -> Wave {
    sine(draw.log(300.0, 1000.0), draw.log(300e3, 600e3), draw.angle())
}

fn bench_for(wave: &Wave, draw: &mut Draw, low: f64, high: f64) -> Bench {
    Bench::new(draw.log(low, high) * wave.carrier_hz, draw)
}

/// Adds what is left of a wave where it counts as rest.
fn remainder(bench: &mut Bench, length_s: f64, wave: &Wave) {
    bench.loaded(Kind::Rest, length_s, wave, Load::Ohm(bench.ohm));
}

/// Rest, then a straight ramp up to cut, then rest.
fn ramp(bench: &mut Bench, wave: Wave, ramp_s: f64, whole_s: f64) -> &mut Part {
    let wave = wave.shaped(move |t| (t / ramp_s).min(1.0));
    bench.rest(4e-3);
    remainder(bench, 0.5 * ramp_s, &wave);
    bench.output(Kind::Cut, whole_s - 0.5 * ramp_s, &wave.from(0.5 * ramp_s))
}

fn ramp_long(instance: u64) -> Capture {
    let mut draw = Draw::new("ramp-long", instance);
    let (wave, ramp_s) = (cut(&mut draw), draw.log(8e-3, 30e-3));
    let mut bench = bench_for(&wave, &mut draw, 7.0, 12.0);
    ramp(&mut bench, wave, ramp_s, ramp_s + 0.03).leave_out = MEANS;
    bench.rest(5e-3);
    bench.edge_s = Some(0.6 * ramp_s);
    bench.capture()
}

fn ramp_short(instance: u64) -> Capture {
    let mut draw = Draw::new("ramp-short", instance);
    let (wave, ramp_s) = (cut(&mut draw), draw.log(0.2e-3, 1e-3));
    let mut bench = bench_for(&wave, &mut draw, 10.0, 40.0);
    ramp(&mut bench, wave, ramp_s, 0.012);
    bench.rest(4e-3);
    bench.edge_s = Some(0.1 * ramp_s);
    bench.capture()
}

fn ramp_alone(instance: u64) -> Capture {
    let mut draw = Draw::new("ramp-alone", instance);
    let (from, ramp_s) = (draw.between(0.5, 0.75), draw.between(8e-3, 20e-3));
    let wave = cut(&mut draw).shaped(move |t| (from + (1.0 - from) * t / ramp_s).min(1.0));
    let mut bench = bench_for(&wave, &mut draw, 8.0, 16.0);
    bench.output(Kind::Cut, 0.04, &wave);
    bench.capture()
}

/// No stretch of the record is free of output: what counts as rest is the lower half of the ramp.
fn ramp_nothing(instance: u64) -> Capture {
    let mut draw = Draw::new("ramp-nothing", instance);
    let ramp_s = draw.log(3e-3, 20e-3);
    let wave = cut(&mut draw).shaped(move |t| (t / ramp_s).min(1.0));
    let mut bench = bench_for(&wave, &mut draw, 8.0, 30.0);
    remainder(&mut bench, 0.5 * ramp_s, &wave);
    let on_s = draw.between(0.5, 2.0) * ramp_s;
    bench.output(Kind::Cut, on_s, &wave.from(0.5 * ramp_s)).leave_out = MEANS;
    bench.edge_s = Some(0.3 * ramp_s);
    bench.capture()
}

fn fade_nothing(instance: u64) -> Capture {
    let mut draw = Draw::new("fade-nothing", instance);
    let (on_s, fall_s) = (draw.between(1e-3, 10e-3), draw.log(5e-3, 20e-3));
    let wave = cut(&mut draw).shaped(move |t| (1.0 - (t - on_s) / fall_s).clamp(0.0, 1.0));
    let mut bench = bench_for(&wave, &mut draw, 8.0, 30.0);
    let half_s = on_s + 0.5 * fall_s;
    bench.output(Kind::Cut, half_s, &wave).leave_out = MEANS;
    remainder(&mut bench, 0.5 * fall_s, &wave.from(half_s));
    bench.edge_s = Some(0.3 * fall_s);
    bench.capture()
}

/// A wave that dies away with a time constant (s) from a time (s) on.
fn dying(wave: Wave, from_s: f64, tau_s: f64) -> Wave {
    wave.shaped(move |t| (-(t - from_s).max(0.0) / tau_s).exp())
}

/// Adds cut that dies away, and the rest into which it does.
fn dying_cut(bench: &mut Bench, wave: &Wave, on_s: f64, tau_s: f64, rest_s: f64) {
    let (dying, half_s) = (dying(wave.clone(), on_s, tau_s), on_s + tau_s * f64::ln(2.0));
    bench.output(Kind::Cut, half_s, &dying);
    remainder(bench, rest_s, &dying.from(half_s));
    bench.edge_s = Some(0.3 * tau_s);
}

fn tail(instance: u64) -> Capture {
    let mut draw = Draw::new("tail", instance);
    let wave = cut(&mut draw);
    let mut bench = bench_for(&wave, &mut draw, 10.0, 30.0);
    bench.rest(4e-3);
    let (on_s, tau_s) = (draw.between(8e-3, 12e-3), draw.log(0.2e-3, 1e-3));
    dying_cut(&mut bench, &wave, on_s, tau_s, 10e-3);
    bench.capture()
}

fn drop_out(instance: u64) -> Capture {
    let mut draw = Draw::new("drop", instance);
    let wave = cut(&mut draw);
    let mut bench = bench_for(&wave, &mut draw, 12.0, 60.0);
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &wave);
    bench.rest(draw.between(2.6e-3, 6e-3));
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &wave);
    bench.capture()
}

fn fading(instance: u64) -> Capture {
    let mut draw = Draw::new("drop-fading", instance);
    let wave = cut(&mut draw);
    let mut bench = bench_for(&wave, &mut draw, 12.0, 40.0);
    let (on_s, tau_s) = (draw.between(4e-3, 8e-3), draw.log(0.1e-3, 0.4e-3));
    dying_cut(&mut bench, &wave, on_s, tau_s, 6e-3);
    bench.output(Kind::Cut, draw.between(4e-3, 8e-3), &wave);
    bench.capture()
}

fn drop_partly(instance: u64) -> Capture {
    let mut draw = Draw::new("drop-partial", instance);
    let hz = draw.log(300e3, 600e3);
    let high = draw.log(720.0, 1100.0);
    let (wave, low) = (sine(high, hz, 0.0), sine(high * draw.between(0.3, 0.4), hz, 0.0));
    let mut bench = bench_for(&wave, &mut draw, 12.0, 40.0);
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &wave);
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &low);
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &wave);
    bench.rest(3e-3);
    bench.capture()
}

fn boost(instance: u64) -> Capture {
    let mut draw = Draw::new("boost", instance);
    let (more, tau_s) = (draw.between(0.2, 0.4), draw.between(2e-3, 6e-3));
    let wave = cut(&mut draw).shaped(move |t| 1.0 + more * (-t / tau_s).exp());
    let mut bench = bench_for(&wave, &mut draw, 8.0, 16.0);
    bench.rest(4e-3);
    bench.output(Kind::Cut, 0.03, &wave);
    bench.rest(4e-3);
    bench.capture()
}

fn activations(instance: u64) -> Capture {
    let mut draw = Draw::new("activations", instance);
    let wave = cut(&mut draw);
    let mut bench = bench_for(&wave, &mut draw, 10.0, 25.0);
    for _ in 0..4 {
        bench.rest(draw.between(2.5e-3, 4e-3));
        bench.output(Kind::Cut, draw.between(2.4e-3, 4e-3), &wave);
    }
    bench.rest(2.5e-3);
    bench.capture()
}

fn coag_activations(instance: u64) -> Capture {
    let mut draw = Draw::new("coag-activations", instance);
    let wave = some_damped(&mut draw);
    let mut bench = bench_for(&wave, &mut draw, 10.0, 25.0);
    for _ in 0..3 {
        bench.rest(draw.between(2.5e-3, 4e-3));
        bench.output(Kind::Coag, draw.between(2.6e-3, 4e-3), &wave);
    }
    bench.rest(2.5e-3);
    bench.capture()
}

fn border_first(instance: u64) -> Capture {
    let mut draw = Draw::new("border-first", instance);
    let wave = cut(&mut draw);
    let mut bench = bench_for(&wave, &mut draw, 12.0, 80.0);
    bench.rest(draw.between(0.4e-3, 1.8e-3));
    bench.output(Kind::Cut, draw.between(5e-3, 8e-3), &wave);
    bench.capture()
}

fn border_both(instance: u64) -> Capture {
    let mut draw = Draw::new("border-both", instance);
    let coag = instance % 2 == 1;
    let wave = if coag { some_damped(&mut draw) } else { cut(&mut draw) };
    let mut bench = bench_for(&wave, &mut draw, 12.0, 50.0);
    bench.rest(draw.between(0.4e-3, 1.8e-3));
    let kind = if coag { Kind::Coag } else { Kind::Cut };
    bench.output(kind, draw.between(5e-3, 8e-3), &wave);
    bench.rest(draw.between(0.4e-3, 1.8e-3));
    bench.capture()
}
