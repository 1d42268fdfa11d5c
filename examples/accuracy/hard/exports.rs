//! What instruments and their exports do to samples.

use super::draw::Draw;
use super::export::Export;
use super::scene::Bench;
use super::wave::{Wave, sine, some_damped};
use super::{Capture, Family, Kind};

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("held", "every sample repeated 2 to 8 times", held),
    Family::new("held-coag", "damped coag, every sample repeated 2 to 5 times", held_coag),
    Family::new("linear", "straight lines between samples, 2 to 8 times as many", linear),
    Family::new("linear-coag", "damped coag, straight lines between samples", linear_coag),
    Family::new("sinc", "filled up with sin(x)/x, 2 to 8 times as many", sinc),
    Family::new("sinc-coag", "damped coag filled up with sin(x)/x", sinc_coag),
    Family::new(
        "boxcar",
        "mean of so many samples that a quarter of a cycle is one number",
        boxcar,
    )
    .untold("means of neighbours look like samples of a smaller output"),
    Family::new("boxcar-coag", "damped coag, means over a tenth of a cycle or more", boxcar_coag)
        .untold("means of neighbours look like samples of a smaller output"),
    Family::new("smoothed", "running mean over an eighth of a cycle or more", smoothed)
        .untold("a running mean acts on a carrier as a slow channel would"),
    Family::new("minmax", "smallest and largest in turns over 0.2 to 2 cycles each", minmax),
    Family::new("minmax-coag", "damped coag, smallest and largest in turns", minmax_coag),
    Family::new("minmax-rest", "smallest and largest in turns, with rest", minmax_rest),
    Family::new("averaged", "mean of 16 acquisitions whose trigger jitters", averaged)
        .untold("what the mean of jittering acquisitions has lost leaves no trace in the file"),
    Family::new("alias-low", "undersampled: the alias lies at 20 to 95 kHz", alias_low),
    Family::new("alias-hidden", "undersampled: the alias lies at 250 to 700 kHz", alias_hidden)
        .untold("the alias lies where carriers do"),
    Family::new("digits", "numbers of three significant digits", digits),
];

/// How often, for a way to fill up or thin out.
fn times(draw: &mut Draw, most: u64) -> usize {
    draw.whole(2, most) as usize
}

/// A cut or a coag alone, sampled at so many samples a cycle over so many samples, then written so.
fn written(draw: &mut Draw, wave: &Wave, per_cycle: f64, samples: f64, export: Export) -> Bench {
    let kind = if wave.burst_hz.is_some() { Kind::Coag } else { Kind::Cut };
    let mut bench = Bench::new(per_cycle * wave.carrier_hz, draw);
    bench.export = export;
    let length_s = (samples / bench.rate_hz).max(2e-3);
    bench.output(kind, length_s, wave);
    bench
}

fn cut(draw: &mut Draw) -> Wave {
    sine(draw.log(300.0, 1000.0), draw.log(300e3, 600e3), draw.angle())
}

fn held(instance: u64) -> Capture {
    let mut draw = Draw::new("held", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(8.0, 40.0));
    let export = Export::Held(times(&mut draw, 8));
    written(&mut draw, &wave, per_cycle, 50e3, export).capture()
}

fn held_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("held-coag", instance);
    let (wave, per_cycle) = (some_damped(&mut draw), draw.log(10.0, 40.0));
    let export = Export::Held(times(&mut draw, 5));
    written(&mut draw, &wave, per_cycle, 60e3, export).capture()
}

fn linear(instance: u64) -> Capture {
    let mut draw = Draw::new("linear", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(5.0, 20.0));
    let export = Export::Linear(times(&mut draw, 8));
    written(&mut draw, &wave, per_cycle, 50e3, export).capture()
}

fn linear_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("linear-coag", instance);
    let (wave, per_cycle) = (some_damped(&mut draw), draw.log(8.0, 25.0));
    let export = Export::Linear(times(&mut draw, 5));
    written(&mut draw, &wave, per_cycle, 60e3, export).capture()
}

fn sinc(instance: u64) -> Capture {
    let mut draw = Draw::new("sinc", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(3.5, 12.0));
    let export = Export::Sinc(times(&mut draw, 8));
    written(&mut draw, &wave, per_cycle, 30e3, export).capture()
}

fn sinc_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("sinc-coag", instance);
    let (wave, per_cycle) = (some_damped(&mut draw), draw.log(8.0, 20.0));
    let export = Export::Sinc(times(&mut draw, 5));
    written(&mut draw, &wave, per_cycle, 40e3, export).capture()
}

fn boxcar(instance: u64) -> Capture {
    let mut draw = Draw::new("boxcar", instance);
    let (wave, count) = (cut(&mut draw), draw.whole(8, 24));
    // What is written has 3.5 to 8 numbers a cycle: 10 to 2.5 % of the carrier are lost.
    let per_cycle = count as f64 * draw.between(3.5, 8.0);
    written(&mut draw, &wave, per_cycle, 1e6, Export::Boxcar(count as usize)).capture()
}

fn boxcar_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("boxcar-coag", instance);
    let (wave, count) = (some_damped(&mut draw), draw.whole(8, 16));
    let per_cycle = count as f64 * draw.between(4.0, 10.0);
    written(&mut draw, &wave, per_cycle, 1e6, Export::Boxcar(count as usize)).capture()
}

fn smoothed(instance: u64) -> Capture {
    let mut draw = Draw::new("smoothed", instance);
    let (wave, count) = (cut(&mut draw), draw.whole(3, 8));
    let per_cycle = count as f64 * draw.between(4.0, 8.0);
    written(&mut draw, &wave, per_cycle, 150e3, Export::Smoothed(count as usize)).capture()
}

/// Extremes over so many carrier cycles each, of 40 samples a cycle.
fn extremes(draw: &mut Draw) -> Export {
    Export::MinMax((40.0 * draw.log(0.2, 2.0)).round() as usize)
}

fn minmax(instance: u64) -> Capture {
    let mut draw = Draw::new("minmax", instance);
    let (wave, export) = (cut(&mut draw), extremes(&mut draw));
    written(&mut draw, &wave, 40.3, 600e3, export).capture()
}

fn minmax_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("minmax-coag", instance);
    let (wave, export) = (some_damped(&mut draw), extremes(&mut draw));
    written(&mut draw, &wave, 40.3, 600e3, export).capture()
}

fn minmax_rest(instance: u64) -> Capture {
    let mut draw = Draw::new("minmax-rest", instance);
    let (wave, export) = (cut(&mut draw), extremes(&mut draw));
    let mut bench = Bench::new(40.3 * wave.carrier_hz, &mut draw);
    bench.export = export;
    bench.rest(4e-3);
    bench.output(Kind::Cut, draw.between(8e-3, 12e-3), &wave);
    bench.rest(4e-3);
    // An extreme stands for its whole stretch.
    bench.edge_s = Some(5.0 / wave.carrier_hz);
    bench.capture()
}

fn averaged(instance: u64) -> Capture {
    let mut draw = Draw::new("averaged", instance);
    let (wave, per_cycle) = (cut(&mut draw), draw.log(12.0, 60.0));
    // A jitter of 0.03 to 0.08 of a cycle takes 2 to 12 % from the carrier.
    let jitter_s = draw.between(0.03, 0.08) / wave.carrier_hz;
    let shifts: Vec<f64> = (0..16).map(|_| jitter_s * draw.normal()).collect();
    let mut bench = written(&mut draw, &wave, per_cycle, 80e3, Export::Plain);
    bench.both(|channel| channel.shifts_s.clone_from(&shifts));
    bench.capture()
}

/// A cut whose carrier is so many times the sample rate and a share of it.
fn aliased(draw: &mut Draw, rate_hz: f64, carrier_hz: f64) -> Capture {
    let wave = sine(draw.log(300.0, 1000.0), carrier_hz, draw.angle());
    let mut bench = Bench::new(rate_hz, draw);
    bench.edge_s = Some(10.0 / rate_hz);
    bench.output(Kind::Cut, 60e3 / rate_hz, &wave);
    bench.capture()
}

fn alias_low(instance: u64) -> Capture {
    let mut draw = Draw::new("alias-low", instance);
    let rate_hz = draw.log(0.9e6, 2e6);
    let carrier_hz = rate_hz + draw.sign() * draw.log(20e3, 95e3);
    aliased(&mut draw, rate_hz, carrier_hz)
}

fn alias_hidden(instance: u64) -> Capture {
    let mut draw = Draw::new("alias-hidden", instance);
    let rate_hz = draw.log(1.5e6, 2.5e6);
    let carrier_hz = rate_hz + draw.sign() * draw.between(250e3, 700e3);
    aliased(&mut draw, rate_hz, carrier_hz)
}

fn digits(instance: u64) -> Capture {
    let mut draw = Draw::new("digits", instance);
    let wave = if instance % 2 == 1 { some_damped(&mut draw) } else { cut(&mut draw) };
    let per_cycle = draw.log(12.0, 40.0);
    written(&mut draw, &wave, per_cycle, 120e3, Export::Digits(3)).capture()
}
