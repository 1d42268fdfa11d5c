//! Clipping: by a probe or amplifier before the converter's noise, and by the converter.

use super::draw::Draw;
use super::instrument::Channel;
use super::scene::Bench;
use super::wave::{Wave, every, ringing, sine, some_damped, some_gated, train};
use super::{Capture, Family, Kind};
use std::f64::consts::TAU;

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("clip-cut", "cut flattened at 0.8 to 0.97 before the noise", clip_cut),
    Family::new("clip-cut-one", "cut of which one polarity is flattened at 0.75 to 0.95", clip_one),
    Family::new(
        "clip-cut-fine",
        "cut flattened at 0.8 to 0.97, 100 to 500 samples a cycle",
        clip_fine,
    ),
    Family::new("clip-coag", "damped coag flattened at 0.6 to 0.95 before the noise", clip_coag),
    Family::new("clip-gated", "gated coag flattened at 0.8 to 0.97 before the noise", clip_gated),
    Family::new("clip-rest", "cut flattened at 0.8 to 0.97, with rest", clip_rest),
    Family::new("clip-current", "the current alone flattened at 0.8 to 0.95", clip_current),
    Family::new("clip-rare", "only the highest bursts of coag are flattened", clip_rare),
    Family::new("clip-cycle", "cut whole, coag beside it flattened at 0.7 to 0.9", clip_cycle),
    Family::new("clip-soft", "cut compressed by a soft amplifier", clip_soft)
        .untold("a soft characteristic makes harmonics as an output stage does"),
    Family::new("rail-cut", "cut beyond the converter's range by 3 to 25 %", rail_cut),
    Family::new("rail-coag", "damped coag beyond the converter's range by 5 to 60 %", rail_coag),
];

fn cut(draw: &mut Draw) -> Wave {
    sine(draw.log(300.0, 1000.0), draw.log(300e3, 600e3), draw.angle())
}

/// Output alone at so many samples a cycle over 150 thousand samples, noise of 50 to 60 dB.
fn alone(draw: &mut Draw, kind: Kind, wave: &Wave, per_cycle: f64) -> Bench {
    let mut bench = Bench::new(per_cycle * wave.carrier_hz, draw);
    let (length_s, snr_db) = (150e3 / bench.rate_hz, draw.between(50.0, 60.0));
    bench.both(|channel| channel.snr_db = snr_db);
    bench.output(kind, length_s, wave);
    bench
}

/// Both polarities of a channel are flattened at this share of the peak.
fn flatten(channel: &mut Channel, share: f64) {
    channel.limits = Some((-share, share));
}

/// The voltage is flattened; in odd instances the current too, so that the load seems right.
fn flatten_some(bench: &mut Bench, instance: u64, share: f64) {
    flatten(&mut bench.v, share);
    if instance % 2 == 1 {
        flatten(&mut bench.i, share);
    }
}

fn clip_cut(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-cut", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(12.0, 80.0));
    let mut bench = alone(&mut draw, Kind::Cut, &wave, per_cycle);
    flatten_some(&mut bench, instance, draw.between(0.8, 0.97));
    bench.capture()
}

fn clip_one(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-cut-one", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(15.0, 80.0));
    let mut bench = alone(&mut draw, Kind::Cut, &wave, per_cycle);
    let share = draw.between(0.75, 0.95);
    bench.v.limits = Some(if draw.sign() > 0.0 { (-2.0, share) } else { (-share, 2.0) });
    bench.capture()
}

fn clip_fine(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-cut-fine", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(100.0, 500.0));
    let mut bench = alone(&mut draw, Kind::Cut, &wave, per_cycle);
    flatten_some(&mut bench, instance, draw.between(0.8, 0.97));
    bench.capture()
}

fn clip_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-coag", instance);
    let (wave, per_cycle) = (some_damped(&mut draw), draw.log(20.0, 80.0));
    let mut bench = alone(&mut draw, Kind::Coag, &wave, per_cycle);
    flatten_some(&mut bench, instance, draw.between(0.6, 0.95));
    bench.capture()
}

fn clip_gated(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-gated", instance);
    let (wave, per_cycle) = (some_gated(&mut draw), draw.log(20.0, 80.0));
    let mut bench = alone(&mut draw, Kind::Coag, &wave, per_cycle);
    flatten_some(&mut bench, instance, draw.between(0.8, 0.97));
    bench.capture()
}

fn clip_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-rest", instance);
    let wave = cut(&mut draw);
    let mut bench = Bench::new(draw.log(12.0, 40.0) * wave.carrier_hz, &mut draw);
    bench.rest(3e-3);
    bench.output(Kind::Cut, 6e-3, &wave);
    bench.rest(3e-3);
    flatten_some(&mut bench, instance, draw.between(0.8, 0.97));
    bench.capture()
}

fn clip_current(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-current", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(15.0, 80.0));
    let mut bench = alone(&mut draw, Kind::Cut, &wave, per_cycle);
    flatten(&mut bench.i, draw.between(0.8, 0.95));
    bench.capture()
}

fn clip_rare(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-rare", instance);
    let (hz, burst_hz) = (draw.log(350e3, 600e3), draw.log(15e3, 25e3));
    let (a, height) = (draw.between(7.0, 10.0) * burst_hz, draw.log(1e3, 3e3));
    let length_s = 240.0 / burst_hz;
    let (share, mut other) = (draw.between(0.04, 0.12), draw.fork());
    let packets = every(burst_hz, length_s, |k| {
        let high = k == 7 || other.between(0.0, 1.0) < share;
        if high { other.between(0.95, 1.0) } else { other.between(0.5, 0.8) }
    });
    let shape = move |t: f64| ringing(height, a, TAU * hz, t);
    let wave = train(hz, packets, 12.0 / a, shape);
    let wave = wave.bursting(burst_hz, Some(10.0_f64.ln() * burst_hz / a));
    let mut bench = Bench::new(draw.log(20.0, 60.0) * hz, &mut draw);
    bench.output(Kind::Coag, length_s, &wave);
    flatten(&mut bench.v, 0.85);
    bench.capture()
}

fn clip_cycle(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-cycle", instance);
    let coag = some_damped(&mut draw);
    let wave = sine(draw.log(300.0, 600.0), coag.carrier_hz, 0.0);
    let mut bench = Bench::new(draw.log(15.0, 30.0) * coag.carrier_hz, &mut draw);
    bench.output(Kind::Cut, draw.between(4e-3, 6e-3), &wave);
    bench.output(Kind::Coag, draw.between(4e-3, 6e-3), &coag);
    bench.rest(3e-3);
    flatten(&mut bench.v, draw.between(0.7, 0.9));
    bench.capture()
}

fn clip_soft(instance: u64) -> Capture {
    let mut draw = Draw::new("clip-soft", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(15.0, 80.0));
    let mut bench = alone(&mut draw, Kind::Cut, &wave, per_cycle);
    // Both alike, so that the load seems right.
    let share = draw.between(0.9, 1.6);
    bench.both(|channel| channel.soft = Some(share));
    bench.capture()
}

/// The converter of the voltage, or of both channels, reaches no further than this share of the peak.
fn short_range(bench: &mut Bench, share: f64, both: bool) {
    bench.v.range = share;
    if both {
        bench.i.range = share;
    }
}

fn rail_cut(instance: u64) -> Capture {
    let mut draw = Draw::new("rail-cut", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(12.0, 80.0));
    let mut bench = alone(&mut draw, Kind::Cut, &wave, per_cycle);
    short_range(&mut bench, draw.between(0.8, 0.97), instance % 2 == 1);
    bench.capture()
}

fn rail_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("rail-coag", instance);
    let (wave, per_cycle) = (some_damped(&mut draw), draw.log(12.0, 80.0));
    let mut bench = alone(&mut draw, Kind::Coag, &wave, per_cycle);
    short_range(&mut bench, draw.between(0.62, 0.95), instance % 2 == 1);
    bench.capture()
}
