//! Plain cut, from 3 to 2,500 samples a carrier cycle, with and without rest.

use super::draw::Draw;
use super::scene::Bench;
use super::wave::{harmonics, sine, some_cut};
use super::{Capture, Family, Kind};

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("cut-few", "cut at 3 to 5.5 samples a cycle, no rest", few),
    Family::new("cut-usual", "cut at 12 to 30 samples a cycle, no rest", usual),
    Family::new("cut-fine", "cut at 40 to 100 samples a cycle, no rest", fine),
    Family::new("cut-finest", "cut at 250 to 2,500 samples a cycle, no rest", finest),
    Family::new("cut-rest", "cut between rests at 8 to 30 samples a cycle", rested),
    Family::new("cut-rest-fine", "cut between rests at 40 to 100 samples a cycle", rested_fine),
    Family::new(
        "cut-rest-finest",
        "cut between rests at 150 to 300 samples a cycle",
        rested_finest,
    ),
    Family::new("cut-noisy", "cut under noise of 20 to 32 dB, 8 bit, no rest", noisy),
    Family::new("cut-whole", "whole number of samples a cycle: no sample meets a crest", whole),
    Family::new("cut-erring", "scales, load and clock off by what the sheet states", erring),
    Family::new("cut-harmonics", "cut with harmonics of 5 to 30 %", distorted),
    Family::new("cut-fast", "cut at 2 to 5 MHz, 6 to 20 samples a cycle", fast),
];

/// Cut alone at so many samples a cycle, over so many samples.
fn alone(draw: &mut Draw, per_cycle: f64, samples: f64) -> Bench {
    let wave = some_cut(draw);
    let rate_hz = per_cycle * wave.carrier_hz;
    let mut bench = Bench::new(rate_hz, draw);
    bench.output(Kind::Cut, samples / rate_hz, &wave);
    bench
}

fn few(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-few", instance);
    let per_cycle = draw.between(3.05, 5.5);
    alone(&mut draw, per_cycle, 60e3).capture()
}

fn usual(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-usual", instance);
    let per_cycle = draw.between(12.0, 30.0);
    alone(&mut draw, per_cycle, 120e3).capture()
}

fn fine(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-fine", instance);
    let per_cycle = draw.between(40.0, 100.0);
    let mut bench = alone(&mut draw, per_cycle, 250e3);
    bench.both(|channel| channel.snr_db = 45.0);
    bench.capture()
}

fn finest(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-finest", instance);
    let per_cycle = draw.log(250.0, 2500.0);
    let mut bench = alone(&mut draw, per_cycle, 400e3);
    bench.both(|channel| channel.snr_db = 45.0);
    bench.capture()
}

/// Rest and cut in turns, so often, at so many samples a cycle.
fn between_rests(draw: &mut Draw, per_cycle: f64, times: u32) -> Bench {
    let wave = sine(draw.log(260.0, 1100.0), draw.log(250e3, 500e3), draw.angle());
    let mut bench = Bench::new(per_cycle * wave.carrier_hz, draw);
    // 300 thousand samples in all, but each phase lasts 2.5 ms or more.
    let unit_s = (60e3 / bench.rate_hz).max(2.5e-3);
    for _ in 0..times {
        bench.rest(unit_s * draw.between(1.0, 1.4));
        bench.output(Kind::Cut, unit_s * draw.between(1.0, 1.6), &wave);
    }
    bench.rest(unit_s);
    bench
}

fn rested(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-rest", instance);
    let per_cycle = draw.between(8.0, 30.0);
    between_rests(&mut draw, per_cycle, 2).capture()
}

fn rested_fine(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-rest-fine", instance);
    let per_cycle = draw.between(40.0, 100.0);
    between_rests(&mut draw, per_cycle, 1).capture()
}

fn rested_finest(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-rest-finest", instance);
    let per_cycle = draw.log(150.0, 300.0);
    between_rests(&mut draw, per_cycle, 1).capture()
}

fn noisy(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-noisy", instance);
    let per_cycle = draw.log(10.0, 100.0);
    let mut bench = alone(&mut draw, per_cycle, 150e3);
    let snr_db = draw.between(20.0, 32.0);
    bench.both(|channel| (channel.snr_db, channel.bits) = (snr_db, 8));
    bench.capture()
}

fn whole(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-whole", instance);
    let per_cycle = draw.of(&[4.0, 5.0, 8.0, 10.0, 16.0, 20.0, 25.0, 40.0]);
    // Half way between two samples at the crest where their number is even.
    let phase = std::f64::consts::PI / per_cycle;
    let wave = sine(draw.log(260.0, 1100.0), draw.of(&[250e3, 400e3, 500e3, 1e6]), phase);
    let mut bench = Bench::new(per_cycle * wave.carrier_hz, &mut draw);
    let samples = 100e3;
    bench.output(Kind::Cut, samples / bench.rate_hz, &wave);
    bench.capture()
}

fn erring(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-erring", instance);
    let per_cycle = draw.between(12.0, 60.0);
    let wave = some_cut(&mut draw);
    let mut bench = Bench::new(per_cycle * wave.carrier_hz, &mut draw);
    // 1.2 standard uncertainties at most, so that no interval misses by chance.
    bench.v.gain = 1.0 + 0.004 * draw.between(-1.2, 1.2);
    bench.i.gain = 1.0 + 0.004 * draw.between(-1.2, 1.2);
    bench.ohm *= 1.0 + 0.005 * draw.between(-1.2, 1.2);
    bench.clock = 1e-5 * draw.between(-1.2, 1.2);
    let (v_late, i_late) = (draw.between(0.0, 40e-9), draw.between(0.0, 40e-9));
    bench.v.delay_s = v_late + 0.5e-9 * draw.between(-1.2, 1.2);
    bench.i.delay_s = i_late + 0.5e-9 * draw.between(-1.2, 1.2);
    bench.sheet.delayed(v_late, i_late, 0.5e-9);
    let samples = 150e3;
    bench.output(Kind::Cut, samples / bench.rate_hz, &wave);
    bench.capture()
}

fn distorted(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-harmonics", instance);
    let (hz, peak) = (draw.log(250e3, 600e3), draw.log(300.0, 900.0));
    let mut lines = vec![(1.0, peak, draw.angle())];
    for order in 2..=5 {
        lines.push((f64::from(order), peak * draw.log(0.05, 0.3), draw.angle()));
    }
    let mut bench = Bench::new(draw.log(25.0, 120.0) * hz, &mut draw);
    let samples = 150e3;
    bench.output(Kind::Cut, samples / bench.rate_hz, &harmonics(hz, lines));
    bench.capture()
}

fn fast(instance: u64) -> Capture {
    let mut draw = Draw::new("cut-fast", instance);
    let wave = sine(draw.log(260.0, 700.0), draw.log(2e6, 4.9e6), draw.angle());
    let mut bench = Bench::new(draw.between(6.0, 20.0) * wave.carrier_hz, &mut draw);
    let samples = 200e3;
    bench.output(Kind::Cut, samples / bench.rate_hz, &wave);
    bench.capture()
}
