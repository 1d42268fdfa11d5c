//! Records without output, and rests that are not empty.

use super::draw::{Colour, Draw};
use super::instrument::{Channel, Hum, Spike};
use super::scene::{Bench, Load};
use super::wave::sine;
use super::{Capture, Family, Kind};

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("quiet-noise", "no output: noise alone, white, banded or pink", noise),
    Family::new("quiet-hum", "no output: noise and hum", hum),
    Family::new("quiet-line", "no output: a weak carrier inside the noise", line),
    Family::new("quiet-drift", "no output: noise and a drifting offset", drift),
    Family::new("quiet-spikes", "no output: noise and clicks", spikes_alone),
    Family::new("rest-spikes", "cut between rests with clicks of 20 to 300 % of its peak", spikes),
    Family::new("rest-pickup", "cut between rests that hold 0.2 to 0.5 % of it", pickup),
];

/// A record without output, of 2 to 20 ms.
fn quiet(draw: &mut Draw) -> Bench {
    let mut bench = Bench::new(draw.log(2e6, 100e6), draw);
    let length_s = (200e3 / bench.rate_hz).min(0.02);
    bench.rest(length_s);
    // Noise of 0.2 to 1 % of the range.
    let snr_db = draw.between(38.0, 50.0);
    bench.both(|channel| channel.snr_db = snr_db);
    bench
}

fn noise(instance: u64) -> Capture {
    let mut draw = Draw::new("quiet-noise", instance);
    let mut bench = quiet(&mut draw);
    let colour = [Colour::White, Colour::Low(0.05), Colour::Pink][(instance % 3) as usize];
    bench.both(|channel| channel.colour = colour);
    bench.capture()
}

fn hum(instance: u64) -> Capture {
    let mut draw = Draw::new("quiet-hum", instance);
    let mut bench = quiet(&mut draw);
    let (share, hz, phase) = (draw.log(0.005, 0.1), draw.of(&[50.0, 60.0]), draw.angle());
    bench.both(|channel| channel.hum = Some(Hum { share, hz, phase }));
    bench.capture()
}

fn line(instance: u64) -> Capture {
    let mut draw = Draw::new("quiet-line", instance);
    let wave = sine(draw.log(0.2, 2.0), draw.log(300e3, 600e3), draw.angle());
    let mut bench = Bench::new(draw.log(12.0, 60.0) * wave.carrier_hz, &mut draw);
    bench.loaded(Kind::Rest, 5e-3, &wave, Load::Ohm(bench.ohm));
    // A peak of half to 1.4 times the noise's standard deviation.
    let snr_db = draw.between(-9.0, 0.0);
    bench.both(|channel| (channel.snr_db, channel.range) = (snr_db, 100.0));
    bench.capture()
}

fn drift(instance: u64) -> Capture {
    let mut draw = Draw::new("quiet-drift", instance);
    let mut bench = quiet(&mut draw);
    let drift = draw.sign() * draw.log(0.02, 0.2);
    bench.both(|channel| channel.drift = drift);
    bench.capture()
}

/// So many clicks over a length (s), of heights between two shares of the peak, in both channels.
fn clicks(draw: &mut Draw, bench: &mut Bench, count: u64, span: (f64, f64), low: f64, high: f64) {
    for _ in 0..count {
        let (start_s, share) = (draw.between(span.0, span.1), draw.sign() * draw.log(low, high));
        let spike = Spike { start_s, share, lasting_s: draw.log(20e-9, 300e-9) };
        let add = |channel: &mut Channel| channel.spikes.push(spike);
        add(&mut bench.v);
        add(&mut bench.i);
    }
    bench.both(|channel| channel.range = 1.25 * high.max(1.0));
}

fn spikes_alone(instance: u64) -> Capture {
    let mut draw = Draw::new("quiet-spikes", instance);
    let mut bench = quiet(&mut draw);
    let (count, length_s) = (draw.whole(1, 6), bench.length_s());
    clicks(&mut draw, &mut bench, count, (0.0, length_s), 0.05, 0.6);
    bench.capture()
}

fn spikes(instance: u64) -> Capture {
    let mut draw = Draw::new("rest-spikes", instance);
    let wave = sine(draw.log(300.0, 1000.0), draw.log(300e3, 600e3), draw.angle());
    let mut bench = Bench::new(draw.log(12.0, 60.0) * wave.carrier_hz, &mut draw);
    bench.rest(4e-3);
    bench.output(Kind::Cut, 5e-3, &wave);
    bench.rest(4e-3);
    let count = draw.whole(1, 4);
    clicks(&mut draw, &mut bench, count, (0.3e-3, 3.7e-3), 0.2, 3.0);
    clicks(&mut draw, &mut bench, count, (9.4e-3, 12.7e-3), 0.2, 3.0);
    bench.capture()
}

fn pickup(instance: u64) -> Capture {
    let mut draw = Draw::new("rest-pickup", instance);
    let (peak, hz) = (draw.log(300.0, 1000.0), draw.log(300e3, 600e3));
    let (wave, left) = (sine(peak, hz, 0.0), sine(peak * draw.between(2e-3, 5e-3), hz, 0.0));
    let mut bench = Bench::new(draw.log(12.0, 40.0) * hz, &mut draw);
    bench.loaded(Kind::Rest, 4e-3, &left, Load::Ohm(bench.ohm));
    bench.output(Kind::Cut, 6e-3, &wave);
    bench.loaded(Kind::Rest, 4e-3, &left, Load::Ohm(bench.ohm));
    bench.capture()
}
