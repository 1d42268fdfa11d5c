//! Coag in bursts that repeat exactly, and blends.

use super::draw::Draw;
use super::scene::Bench;
use super::wave::{Wave, damped, gated, ringing, some_blend, some_damped, some_gated};
use super::{Capture, Family, Kind};
use std::f64::consts::TAU;

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("damped-few", "damped coag at 5 to 9 samples a cycle, no rest", damped_few),
    Family::new("damped-usual", "damped coag at 12 to 30 samples a cycle, no rest", damped_usual),
    Family::new("damped-fine", "damped coag at 40 to 100 samples a cycle, no rest", damped_fine),
    Family::new("damped-finest", "damped coag at 250 to 1,200 samples a cycle", damped_finest),
    Family::new(
        "damped-rest",
        "damped coag between rests at 10 to 60 samples a cycle",
        damped_rest,
    ),
    Family::new("gated-usual", "gated coag at 12 to 30 samples a cycle, no rest", gated_usual),
    Family::new("gated-fine", "gated coag at 40 to 400 samples a cycle, no rest", gated_fine),
    Family::new("gated-rest", "gated coag between rests at 10 to 60 samples a cycle", gated_rest),
    Family::new("coag-kick", "coag of one or two half waves a burst", kick),
    Family::new("coag-swell", "coag bursts that swell before they die away", swell),
    Family::new("blend-usual", "gated blend at 12 to 30 samples a cycle", blend_usual),
    Family::new("blend-fine", "gated blend at 60 to 300 samples a cycle", blend_fine),
    Family::new("blend-rest", "gated blend between rests", blend_rest),
    Family::new("blend-ringing", "bursts that ring on into the next", ringing_on),
    Family::new("blend-levels", "bursts on a floor of 30 to 55 % of their height", two_levels),
    Family::new("gap-short", "gaps under one carrier cycle, duty 0.95 to 0.99", short_gap),
];

/// One output alone at so many samples a cycle, over so many samples, from anywhere in a burst on.
fn alone(draw: &mut Draw, kind: Kind, wave: Wave, per_cycle: f64, samples: f64) -> Bench {
    let mut bench = Bench::new(per_cycle * wave.carrier_hz, draw);
    let period_s = wave.repeats_s.expect("these waves repeat");
    let wave = wave.from(period_s * draw.between(0.0, 1.0));
    let length_s = (samples / bench.rate_hz).max(12.0 * period_s);
    bench.output(kind, length_s, &wave);
    bench
}

/// Rest, output, rest: 2.6 ms or more each.
fn rested(draw: &mut Draw, kind: Kind, wave: &Wave) -> Bench {
    let mut bench = Bench::new(draw.log(10.0, 60.0) * wave.carrier_hz, draw);
    let unit_s = (100e3 / bench.rate_hz).max(2.6e-3);
    bench.rest(unit_s * draw.between(1.0, 1.5));
    bench.output(kind, unit_s * draw.between(1.5, 3.0), wave);
    bench.rest(unit_s);
    bench
}

fn damped_few(instance: u64) -> Capture {
    let mut draw = Draw::new("damped-few", instance);
    let (wave, per_cycle) = (some_damped(&mut draw), draw.between(5.0, 9.0));
    alone(&mut draw, Kind::Coag, wave, per_cycle, 80e3).capture()
}

fn damped_usual(instance: u64) -> Capture {
    let mut draw = Draw::new("damped-usual", instance);
    let (wave, per_cycle) = (some_damped(&mut draw), draw.between(12.0, 30.0));
    alone(&mut draw, Kind::Coag, wave, per_cycle, 120e3).capture()
}

fn damped_fine(instance: u64) -> Capture {
    let mut draw = Draw::new("damped-fine", instance);
    let (wave, per_cycle) = (some_damped(&mut draw), draw.between(40.0, 100.0));
    alone(&mut draw, Kind::Coag, wave, per_cycle, 250e3).capture()
}

fn damped_finest(instance: u64) -> Capture {
    let mut draw = Draw::new("damped-finest", instance);
    let (wave, per_cycle) = (some_damped(&mut draw), draw.log(250.0, 1200.0));
    alone(&mut draw, Kind::Coag, wave, per_cycle, 400e3).capture()
}

fn damped_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("damped-rest", instance);
    let wave = some_damped(&mut draw);
    rested(&mut draw, Kind::Coag, &wave).capture()
}

fn gated_usual(instance: u64) -> Capture {
    let mut draw = Draw::new("gated-usual", instance);
    let (wave, per_cycle) = (some_gated(&mut draw), draw.between(12.0, 30.0));
    alone(&mut draw, Kind::Coag, wave, per_cycle, 120e3).capture()
}

fn gated_fine(instance: u64) -> Capture {
    let mut draw = Draw::new("gated-fine", instance);
    let (wave, per_cycle) = (some_gated(&mut draw), draw.log(40.0, 400.0));
    alone(&mut draw, Kind::Coag, wave, per_cycle, 300e3).capture()
}

fn gated_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("gated-rest", instance);
    let wave = some_gated(&mut draw);
    rested(&mut draw, Kind::Coag, &wave).capture()
}

fn kick(instance: u64) -> Capture {
    let mut draw = Draw::new("coag-kick", instance);
    let (hz, decrement) = (draw.log(300e3, 600e3), draw.between(1.6, 3.0));
    let burst_hz = draw.log(20e3, 60e3);
    let wave = damped(draw.log(1e3, 4e3), hz, burst_hz, decrement);
    // With hardly two crests there is no crest line, and no carrier to speak of.
    let wave = wave.bursting(burst_hz, None).without_fundamental();
    let per_cycle = draw.log(20.0, 100.0);
    alone(&mut draw, Kind::Coag, wave, per_cycle, 150e3).capture()
}

fn swell(instance: u64) -> Capture {
    let mut draw = Draw::new("coag-swell", instance);
    let hz = draw.log(350e3, 700e3);
    let (peak, top_s) = (draw.log(1e3, 3e3), draw.between(1.0, 1.8) / hz);
    // A crest factor of 4.4 and more.
    let burst_hz = draw.between(0.03, 0.05) / top_s;
    let form = move |t: f64| {
        let x = t.rem_euclid(1.0 / burst_hz) / top_s;
        peak * x * (1.0 - x).exp() * (TAU * hz * x * top_s).sin()
    };
    let wave = Wave::new(hz, form).bursting(burst_hz, None).repeating(1.0 / burst_hz);
    let per_cycle = draw.log(12.0, 80.0);
    alone(&mut draw, Kind::Coag, wave, per_cycle, 150e3).capture()
}

fn blend_usual(instance: u64) -> Capture {
    let mut draw = Draw::new("blend-usual", instance);
    let (wave, per_cycle) = (some_blend(&mut draw), draw.between(12.0, 30.0));
    alone(&mut draw, Kind::Cut, wave, per_cycle, 120e3).capture()
}

fn blend_fine(instance: u64) -> Capture {
    let mut draw = Draw::new("blend-fine", instance);
    let (wave, per_cycle) = (some_blend(&mut draw), draw.log(60.0, 300.0));
    alone(&mut draw, Kind::Cut, wave, per_cycle, 350e3).capture()
}

fn blend_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("blend-rest", instance);
    let wave = some_blend(&mut draw);
    rested(&mut draw, Kind::Cut, &wave).capture()
}

fn ringing_on(instance: u64) -> Capture {
    let mut draw = Draw::new("blend-ringing", instance);
    let hz = draw.log(300e3, 700e3);
    let cycles = draw.between(8.0, 20.0);
    // What is left of each burst when the next begins: 22 to 45 %, so that it is never off.
    let (burst_hz, left) = (hz / cycles, draw.between(0.22, 0.45));
    let (a, w) = (-f64::ln(left) * burst_hz, TAU * hz);
    let peak = draw.log(500.0, 1500.0);
    let form = move |t: f64| ringing(peak, a, w, t.rem_euclid(1.0 / burst_hz));
    // measures.md does not say whether this comes in bursts with a duty: left out.
    let wave = Wave::new(hz, form).bursting(burst_hz, None).repeating(1.0 / burst_hz);
    let per_cycle = draw.between(15.0, 50.0);
    alone(&mut draw, Kind::Cut, wave, per_cycle, 150e3).capture()
}

fn two_levels(instance: u64) -> Capture {
    let mut draw = Draw::new("blend-levels", instance);
    let hz = draw.log(300e3, 700e3);
    let burst_hz = hz / draw.whole(14, 40) as f64;
    let (peak, floor, duty) = (draw.log(500.0, 1500.0), draw.between(0.3, 0.55), 0.4);
    let form = move |t: f64| {
        let high = (t * burst_hz).rem_euclid(1.0) < duty;
        peak * if high { 1.0 } else { floor } * (TAU * hz * t).sin()
    };
    let wave = Wave::new(hz, form).bursting(burst_hz, None).repeating(1.0 / burst_hz);
    let per_cycle = draw.between(15.0, 50.0);
    alone(&mut draw, Kind::Cut, wave, per_cycle, 150e3).capture()
}

fn short_gap(instance: u64) -> Capture {
    let mut draw = Draw::new("gap-short", instance);
    let (hz, off) = (draw.log(300e3, 700e3), draw.of(&[0.5, 0.8]));
    let cycles = (off / draw.between(0.012, 0.05)).ceil();
    let wave = gated(draw.log(300.0, 900.0), hz, cycles, cycles - off);
    let per_cycle = draw.log(20.0, 100.0);
    alone(&mut draw, Kind::Cut, wave, per_cycle, 200e3).capture()
}
