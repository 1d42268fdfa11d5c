//! Offsets, hum, drift and droop of the instrument.

use super::draw::Draw;
use super::instrument::{Channel, Hum};
use super::scene::Bench;
use super::wave::{Wave, sine, some_damped};
use super::{Capture, Family, Kind};

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("hum-rest", "hum of 2 to 12 % of the peak, with rest", hum_rest),
    Family::new("hum-alone", "hum of 2 to 12 % of the peak, no rest", hum_alone),
    Family::new("hum-coag", "coag with hum of 2 to 12 % of the peak, with rest", hum_coag),
    Family::new("drift-rest", "offset that drifts to 2 to 10 % of the peak, with rest", drift_rest),
    Family::new("drift-alone", "offset that drifts to 2 to 10 % of the peak, no rest", drift_alone),
    Family::new("dc-rest", "offset of 0.5 to 5 % of the peak, with rest", dc_rest),
    Family::new("dc-alone", "offset of 0.5 to 3 % of the peak, no rest", dc_alone),
    Family::new("dc-coag", "coag with an offset of 0.5 to 3 % of the peak, no rest", dc_coag),
    Family::new("dc-current", "offset of 1 to 5 % in the current alone, no rest", dc_current),
    Family::new("droop-stated", "coag through a lower corner of 1 to 6 kHz, stated", droop),
];

fn cut(draw: &mut Draw) -> Wave {
    sine(draw.log(300.0, 1000.0), draw.log(300e3, 600e3), draw.angle())
}

/// Output alone for a time, s.
fn alone(draw: &mut Draw, kind: Kind, wave: &Wave, length_s: f64) -> Bench {
    let mut bench = Bench::new(draw.log(10.0, 30.0) * wave.carrier_hz, draw);
    bench.output(kind, length_s, wave);
    bench
}

/// Rest, output, rest of some ms each.
fn rested(draw: &mut Draw, kind: Kind, wave: &Wave) -> Bench {
    let mut bench = Bench::new(draw.log(10.0, 20.0) * wave.carrier_hz, draw);
    bench.rest(draw.between(6e-3, 10e-3));
    bench.output(kind, draw.between(8e-3, 14e-3), wave);
    bench.rest(draw.between(6e-3, 10e-3));
    bench
}

/// Hum of 2 to 12 % in the voltage, less in the current.
fn humming(bench: &mut Bench, draw: &mut Draw) {
    let (share, hz) = (draw.log(0.02, 0.12), draw.of(&[50.0, 60.0]));
    bench.v.hum = Some(Hum { share, hz, phase: draw.angle() });
    bench.i.hum = Some(Hum { share: 0.3 * share, hz, phase: draw.angle() });
}

fn hum_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("hum-rest", instance);
    let wave = cut(&mut draw);
    let mut bench = rested(&mut draw, Kind::Cut, &wave);
    humming(&mut bench, &mut draw);
    bench.capture()
}

fn hum_alone(instance: u64) -> Capture {
    let mut draw = Draw::new("hum-alone", instance);
    let wave = cut(&mut draw);
    let mut bench = alone(&mut draw, Kind::Cut, &wave, 0.03);
    humming(&mut bench, &mut draw);
    bench.capture()
}

fn hum_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("hum-coag", instance);
    let wave = some_damped(&mut draw);
    let mut bench = rested(&mut draw, Kind::Coag, &wave);
    humming(&mut bench, &mut draw);
    bench.capture()
}

fn drifting(bench: &mut Bench, draw: &mut Draw) {
    bench.v.drift = draw.sign() * draw.log(0.02, 0.1);
    bench.i.drift = draw.sign() * draw.log(0.02, 0.1);
}

fn drift_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("drift-rest", instance);
    let wave = cut(&mut draw);
    let mut bench = rested(&mut draw, Kind::Cut, &wave);
    drifting(&mut bench, &mut draw);
    bench.capture()
}

fn drift_alone(instance: u64) -> Capture {
    let mut draw = Draw::new("drift-alone", instance);
    let wave = cut(&mut draw);
    let mut bench = alone(&mut draw, Kind::Cut, &wave, 0.02);
    drifting(&mut bench, &mut draw);
    bench.capture()
}

/// An offset of either sign in both channels, between two shares of the peak.
fn offset(bench: &mut Bench, draw: &mut Draw, low: f64, high: f64) {
    let mut set = |channel: &mut Channel| channel.offset = draw.sign() * draw.log(low, high);
    set(&mut bench.v);
    set(&mut bench.i);
}

fn dc_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("dc-rest", instance);
    let wave = cut(&mut draw);
    let mut bench = rested(&mut draw, Kind::Cut, &wave);
    offset(&mut bench, &mut draw, 0.005, 0.05);
    bench.capture()
}

fn dc_alone(instance: u64) -> Capture {
    let mut draw = Draw::new("dc-alone", instance);
    let wave = cut(&mut draw);
    let mut bench = alone(&mut draw, Kind::Cut, &wave, 8e-3);
    offset(&mut bench, &mut draw, 0.005, 0.03);
    bench.capture()
}

fn dc_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("dc-coag", instance);
    let wave = some_damped(&mut draw);
    let mut bench = alone(&mut draw, Kind::Coag, &wave, 10e-3);
    offset(&mut bench, &mut draw, 0.005, 0.03);
    bench.capture()
}

fn dc_current(instance: u64) -> Capture {
    let mut draw = Draw::new("dc-current", instance);
    let wave = cut(&mut draw);
    let mut bench = alone(&mut draw, Kind::Cut, &wave, 8e-3);
    bench.i.offset = draw.sign() * draw.log(0.01, 0.05);
    bench.capture()
}

fn droop(instance: u64) -> Capture {
    let mut draw = Draw::new("droop-stated", instance);
    let wave = some_damped(&mut draw);
    let mut bench = rested(&mut draw, Kind::Coag, &wave);
    let lowest_hz = draw.log(1e3, 6e3);
    bench.i.lowest_hz = Some(lowest_hz);
    bench.sheet.current.push(format!("lowest_hz = {lowest_hz:e}"));
    bench.capture()
}
