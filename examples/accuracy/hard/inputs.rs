//! Inputs of the instrument: bandwidth, colours of noise, few bits, converters in turns.

use super::draw::{Colour, Draw};
use super::instrument::Core;
use super::scene::Bench;
use super::wave::{Wave, sine, some_damped};
use super::{Capture, Family, Kind};
use std::f64::consts::{PI, TAU};
use std::rc::Rc;

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("band-stated", "corner at 8 to 20 carriers, stated", band_stated),
    Family::new("band-coag", "damped coag, corner at 8 to 20 carriers, stated", band_coag),
    Family::new("band-unstated", "corner at 2 to 5 carriers, not stated", band_unstated)
        .untold("a channel that is too slow shows a smaller output"),
    Family::new(
        "noise-band",
        "noise of 28 to 40 dB below a twentieth of the sample rate",
        noise_band,
    ),
    Family::new("noise-pink", "pink noise of 28 to 40 dB", noise_pink),
    Family::new(
        "noise-pink-rest",
        "coag between rests of pink noise, 30 to 40 dB",
        noise_pink_rest,
    ),
    Family::new("bits-few", "5 or 6 bits", bits_few),
    Family::new("bits-range", "8 bit, output of 3 to 12 % of the range", bits_range),
    Family::new(
        "sensor-saturating",
        "current sensor that saturates late in each half wave",
        sensor,
    ),
    Family::new("cores", "two or four converters in turns, 0.5 to 2 % apart", cores),
    Family::new("cores-coag", "damped coag, converters in turns, with rest", cores_coag),
];

fn cut(draw: &mut Draw) -> Wave {
    sine(draw.log(300.0, 1000.0), draw.log(300e3, 600e3), draw.angle())
}

/// Output alone at so many samples a cycle over 120 thousand samples.
fn alone(draw: &mut Draw, wave: &Wave, low: f64, high: f64) -> Bench {
    let kind = if wave.burst_hz.is_some() { Kind::Coag } else { Kind::Cut };
    let mut bench = Bench::new(draw.log(low, high) * wave.carrier_hz, draw);
    let length_s = 120e3 / bench.rate_hz;
    bench.output(kind, length_s, wave);
    bench
}

/// The same corner in both channels, Hz; stated or not.
fn corner(bench: &mut Bench, hz: f64, stated: bool) {
    bench.both(|channel| channel.corner_hz = Some(hz));
    if stated {
        let line = format!("bandwidth_hz = {hz:e}");
        bench.sheet.voltage.push(line.clone());
        bench.sheet.current.push(line);
    }
}

fn band_stated(instance: u64) -> Capture {
    let mut draw = Draw::new("band-stated", instance);
    let wave = cut(&mut draw);
    let mut bench = alone(&mut draw, &wave, 12.0, 60.0);
    corner(&mut bench, draw.between(8.0, 20.0) * wave.carrier_hz, true);
    bench.capture()
}

fn band_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("band-coag", instance);
    let wave = some_damped(&mut draw);
    let mut bench = alone(&mut draw, &wave, 15.0, 60.0);
    corner(&mut bench, draw.between(8.0, 20.0) * wave.carrier_hz, true);
    bench.capture()
}

fn band_unstated(instance: u64) -> Capture {
    let mut draw = Draw::new("band-unstated", instance);
    let wave = cut(&mut draw);
    let mut bench = alone(&mut draw, &wave, 12.0, 60.0);
    corner(&mut bench, draw.between(2.0, 5.0) * wave.carrier_hz, false);
    bench.capture()
}

fn noisy(bench: &mut Bench, colour: Colour, snr_db: f64) {
    bench.both(|channel| (channel.colour, channel.snr_db) = (colour, snr_db));
}

fn noise_band(instance: u64) -> Capture {
    let mut draw = Draw::new("noise-band", instance);
    let wave = if instance % 2 == 1 { some_damped(&mut draw) } else { cut(&mut draw) };
    let mut bench = alone(&mut draw, &wave, 20.0, 100.0);
    noisy(&mut bench, Colour::Low(0.05), draw.between(28.0, 40.0));
    bench.capture()
}

fn noise_pink(instance: u64) -> Capture {
    let mut draw = Draw::new("noise-pink", instance);
    let wave = if instance % 2 == 1 { some_damped(&mut draw) } else { cut(&mut draw) };
    let mut bench = alone(&mut draw, &wave, 12.0, 100.0);
    noisy(&mut bench, Colour::Pink, draw.between(28.0, 40.0));
    bench.capture()
}

/// Rest, damped coag, rest.
fn rested(draw: &mut Draw) -> Bench {
    let wave = some_damped(draw);
    let mut bench = Bench::new(draw.log(12.0, 40.0) * wave.carrier_hz, draw);
    bench.rest(3e-3);
    bench.output(Kind::Coag, 6e-3, &wave);
    bench.rest(3e-3);
    bench
}

fn noise_pink_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("noise-pink-rest", instance);
    let mut bench = rested(&mut draw);
    noisy(&mut bench, Colour::Pink, draw.between(30.0, 40.0));
    bench.capture()
}

fn bits_few(instance: u64) -> Capture {
    let mut draw = Draw::new("bits-few", instance);
    let wave = cut(&mut draw);
    let mut bench = alone(&mut draw, &wave, 12.0, 60.0);
    let bits = 5 + (instance % 2) as i32;
    bench.both(|channel| channel.bits = bits);
    bench.capture()
}

fn bits_range(instance: u64) -> Capture {
    let mut draw = Draw::new("bits-range", instance);
    let wave = cut(&mut draw);
    let mut bench = alone(&mut draw, &wave, 12.0, 60.0);
    let range = 1.0 / draw.log(0.03, 0.12);
    bench.both(|channel| (channel.bits, channel.range) = (8, range));
    bench.capture()
}

fn sensor(instance: u64) -> Capture {
    let mut draw = Draw::new("sensor-saturating", instance);
    let (peak, hz) = (draw.log(300.0, 900.0), draw.log(300e3, 600e3));
    let wave = sine(peak, hz, 0.0);
    let mut bench = alone(&mut draw, &wave, 20.0, 100.0);
    // The flux of a half wave is used up at an angle; what is shown then dies away.
    let (limit, ohm) = (draw.between(0.55, 0.85) * PI, bench.ohm);
    bench.i.instead = Some(Rc::new(move |t| {
        let angle = (TAU * hz * t).rem_euclid(PI);
        let shown = (-5.0 * (angle - limit).max(0.0)).exp();
        peak / ohm * shown * (TAU * hz * t).sin()
    }));
    bench.capture()
}

/// Converters in turns in both channels, each with errors of 0.5 to 2 %.
fn in_turns(bench: &mut Bench, draw: &mut Draw) {
    let count = draw.of(&[2, 4]);
    let (gain, offset) = (draw.log(0.005, 0.02), draw.log(0.003, 0.01));
    let late_s = draw.between(0.0, 0.01) / bench.rate_hz;
    // Their mean has neither gain nor offset of its own.
    let one = |k: i32| {
        let way = if k % 2 == 0 { 1.0 } else { -1.0 };
        Core { gain: 1.0 + way * gain, offset: way * offset, late_s: way * late_s }
    };
    let list: Vec<Core> = (0..count).map(one).collect();
    bench.both(|channel| channel.cores.clone_from(&list));
}

fn cores(instance: u64) -> Capture {
    let mut draw = Draw::new("cores", instance);
    let wave = cut(&mut draw);
    let mut bench = alone(&mut draw, &wave, 8.0, 60.0);
    in_turns(&mut bench, &mut draw);
    bench.capture()
}

fn cores_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("cores-coag", instance);
    let mut bench = rested(&mut draw);
    in_turns(&mut bench, &mut draw);
    bench.capture()
}
