//! Cut, coag and rest that follow one another.

use super::draw::Draw;
use super::scene::Bench;
use super::wave::{Wave, damped, gated, sine, some_damped, some_gated};
use super::{Capture, Family, Kind};

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("cycle-usual", "cut, coag and rest of 5 to 15 ms, 12 to 20 samples a cycle", usual),
    Family::new("cycle-short", "cut 1.8 to 2.6 ms, coag and rest of 2.2 to 4 ms", short),
    Family::new("cycle-equal", "cut, coag and rest of 2.1 ms each", equal),
    Family::new(
        "cycle-fine",
        "cut beside coag of ten times its voltage, 100 samples a cycle",
        fine,
    ),
    Family::new("cycle-unrested", "cut and coag in turns, no rest", unrested),
    Family::new("cycle-low-coag", "continuous coag of 70 to 170 V between cuts", low_coag),
    Family::new("cycle-carriers", "cut and coag of carriers of their own", carriers),
    Family::new("cycle-blend", "pure cut that turns into a blend without a gap", to_blend),
    Family::new("cycle-levels", "cut that steps to 2.5 to 4 times its level and back", levels),
    Family::new("cycle-long", "a second and more of cycles at 3.1 samples a cycle", long),
    Family::new("cycle-minute", "a minute of cycles at 48 kS/s, the carrier aliased", minute)
        .untold("the carrier lies far above half the sample rate; its alias looks like a carrier"),
];

/// A cut of a peak (V) whose carrier is that of the coag.
fn cut_beside(coag: &Wave, peak: f64, draw: &mut Draw) -> Wave {
    sine(peak, coag.carrier_hz, draw.angle())
}

/// A damped or a gated coag.
fn some_coag(draw: &mut Draw) -> Wave {
    if draw.whole(0, 1) == 0 { some_damped(draw) } else { some_gated(draw) }
}

fn usual(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-usual", instance);
    let coag = some_coag(&mut draw);
    let cut = cut_beside(&coag, draw.log(300.0, 1000.0), &mut draw);
    let mut bench = Bench::new(draw.between(12.0, 20.0) * cut.carrier_hz, &mut draw);
    let lengths: [f64; 3] = std::array::from_fn(|_| draw.between(5e-3, 15e-3));
    bench.output(Kind::Cut, 0.6 * lengths[0], &cut);
    bench.output(Kind::Coag, lengths[1], &coag);
    bench.rest(lengths[2]);
    bench.output(Kind::Cut, lengths[0], &cut);
    bench.output(Kind::Coag, 0.7 * lengths[1], &coag);
    bench.capture()
}

fn short(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-short", instance);
    let coag = some_coag(&mut draw);
    let cut = cut_beside(&coag, draw.log(300.0, 1000.0), &mut draw);
    let mut bench = Bench::new(draw.between(12.0, 40.0) * cut.carrier_hz, &mut draw);
    let cut_s = [1.8e-3, 2.0e-3, 2.2e-3, 2.4e-3, 2.6e-3][(instance % 5) as usize];
    let (coag_s, rest_s) = (draw.between(2.2e-3, 4e-3), draw.between(2.2e-3, 4e-3));
    bench.rest(rest_s);
    for _ in 0..2 {
        bench.output(Kind::Cut, cut_s, &cut);
        bench.output(Kind::Coag, coag_s, &coag);
        bench.rest(rest_s);
    }
    bench.capture()
}

fn equal(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-equal", instance);
    let coag = some_coag(&mut draw);
    let cut = cut_beside(&coag, draw.log(300.0, 1000.0), &mut draw);
    let mut bench = Bench::new(draw.between(12.0, 40.0) * cut.carrier_hz, &mut draw);
    for _ in 0..3 {
        bench.output(Kind::Cut, 2.1e-3, &cut);
        bench.output(Kind::Coag, 2.1e-3, &coag);
        bench.rest(2.1e-3);
    }
    bench.capture()
}

fn fine(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-fine", instance);
    let hz = draw.log(300e3, 420e3);
    let decrement = draw.between(0.4, 0.8);
    let coag = damped(draw.log(2.4e3, 3.6e3), hz, decrement * hz / 9.0, decrement);
    let tenth = 0.1 * coag.peak.expect("a damped burst has a known peak");
    let cut = cut_beside(&coag, tenth, &mut draw);
    let mut bench = Bench::new(draw.between(90.0, 110.0) * hz, &mut draw);
    bench.output(Kind::Cut, draw.between(2.6e-3, 4e-3), &cut);
    bench.output(Kind::Coag, draw.between(2.6e-3, 4e-3), &coag);
    if instance % 2 == 1 {
        bench.rest(2.8e-3);
    }
    bench.capture()
}

fn unrested(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-unrested", instance);
    let coag = some_coag(&mut draw);
    let cut = cut_beside(&coag, draw.log(300.0, 1000.0), &mut draw);
    let mut bench = Bench::new(draw.between(12.0, 50.0) * cut.carrier_hz, &mut draw);
    for _ in 0..2 {
        bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &cut);
        bench.output(Kind::Coag, draw.between(3e-3, 6e-3), &coag);
    }
    bench.capture()
}

fn low_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-low-coag", instance);
    let hz = draw.log(300e3, 600e3);
    let cut = sine(draw.log(350.0, 900.0), hz, draw.angle());
    let coag = sine(draw.log(70.0, 170.0), hz, draw.angle());
    let mut bench = Bench::new(draw.between(12.0, 40.0) * hz, &mut draw);
    for _ in 0..2 {
        bench.output(Kind::Cut, draw.between(3e-3, 5e-3), &cut);
        bench.output(Kind::Coag, draw.between(4e-3, 7e-3), &coag);
    }
    bench.rest(3e-3);
    bench.capture()
}

fn carriers(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-carriers", instance);
    let coag = some_coag(&mut draw);
    let factor = draw.of(&[0.6, 0.8, 1.3, 2.1]);
    let cut = sine(draw.log(300.0, 1000.0), factor * coag.carrier_hz, draw.angle());
    let fastest = cut.carrier_hz.max(coag.carrier_hz);
    let mut bench = Bench::new(draw.between(12.0, 25.0) * fastest, &mut draw);
    bench.rest(3e-3);
    bench.output(Kind::Cut, draw.between(4e-3, 8e-3), &cut);
    bench.output(Kind::Coag, draw.between(4e-3, 8e-3), &coag);
    bench.rest(3e-3);
    bench.capture()
}

fn to_blend(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-blend", instance);
    let hz = draw.log(300e3, 700e3);
    let peak = draw.log(350.0, 900.0);
    let pure = sine(peak, hz, draw.angle());
    // An RMS of 0.5 to 0.57 of that of the pure cut.
    let cycles = draw.whole(16, 32) as f64;
    let blend = gated(peak, hz, cycles, (cycles * draw.between(0.25, 0.33)).round());
    let mut bench = Bench::new(draw.between(12.0, 40.0) * hz, &mut draw);
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &pure);
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &blend);
    bench.rest(3e-3);
    bench.capture()
}

fn levels(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-levels", instance);
    let hz = draw.log(300e3, 700e3);
    let low = draw.log(230.0, 300.0);
    let (quiet, loud) = (sine(low, hz, 0.0), sine(low * draw.between(2.5, 4.0), hz, 0.0));
    let mut bench = Bench::new(draw.between(12.0, 40.0) * hz, &mut draw);
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &quiet);
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &loud);
    bench.output(Kind::Cut, draw.between(3e-3, 6e-3), &quiet);
    bench.capture()
}

/// Cycles of cut 50 ms, coag, rest 100 to 200 ms, until so many seconds are full.
fn cycles(bench: &mut Bench, draw: &mut Draw, cut: &Wave, coag: &Wave, until_s: f64) {
    let (coag_s, rest_s) = (draw.between(0.4, 0.8), draw.between(0.1, 0.2));
    while bench.length_s() < until_s {
        bench.output(Kind::Cut, 0.05, cut);
        bench.output(Kind::Coag, coag_s, coag);
        bench.rest(rest_s);
    }
}

fn long(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-long", instance);
    let hz = draw.log(300e3, 360e3);
    let coag = damped(draw.log(1.5e3, 3e3), hz, draw.log(15e3, 20e3), draw.between(0.4, 0.6));
    let cut = cut_beside(&coag, draw.log(300.0, 900.0), &mut draw);
    let mut bench = Bench::new(draw.between(3.06, 3.2) * hz, &mut draw);
    cycles(&mut bench, &mut draw, &cut, &coag, 1.3);
    bench.capture()
}

fn minute(instance: u64) -> Capture {
    let mut draw = Draw::new("cycle-minute", instance);
    let hz = draw.log(300e3, 420e3);
    let coag = sine(draw.log(70.0, 170.0), hz, draw.angle());
    let cut = cut_beside(&coag, draw.log(300.0, 900.0), &mut draw);
    let mut bench = Bench::new(48e3, &mut draw);
    bench.edge_s = Some(2e-3);
    cycles(&mut bench, &mut draw, &cut, &coag, 58.0);
    bench.capture()
}
