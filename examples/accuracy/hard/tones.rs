//! Carriers that move, and more than one tone.

use super::draw::Draw;
use super::scene::Bench;
use super::wave::{Wave, chirp, harmonics, sine, swinging};
use super::{Capture, Family, Kind};
use std::f64::consts::TAU;

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("chirp", "carrier that moves by 1 to 8 % over the record", chirped),
    Family::new("fm-100", "FM of 1 to 5 % at 100 Hz", fm_100),
    Family::new("fm-3k", "FM of 1 to 5 % at 3 kHz", fm_3k),
    Family::new("hop", "carrier that hops by 3 to 8 % every few ms", hop),
    Family::new("second-harmonic", "second harmonic 1.1 to 2 times the first", second_harmonic),
    Family::new("third-harmonic", "third harmonic 0.6 to 1.5 times the first", third_harmonic),
    Family::new("sub-weak", "sub-harmonic of 3 to 9 % at half the carrier", sub_weak),
    Family::new("sub-strong", "sub-harmonic of 25 to 50 % at half the carrier", sub_strong),
    Family::new("two-tone", "bursts of two tones, the second of 0.2 to 0.5", two_tone),
    Family::new("beat", "two generators at once: a beat of 1 to 20 kHz", beat),
    Family::new("coag-glide", "coag whose carrier falls by 20 % inside each burst", glide),
    Family::new("spread", "carrier dithered at random every 100 µs by 2 %", spread),
];

/// Cut of a wave alone over a length, s.
fn cut(draw: &mut Draw, wave: &Wave, length_s: f64) -> Capture {
    let hz = wave.fundamental_hz.unwrap_or(wave.carrier_hz);
    let mut bench = Bench::new(draw.log(10.0, 40.0) * hz, draw);
    bench.output(Kind::Cut, length_s, wave);
    bench.capture()
}

fn chirped(instance: u64) -> Capture {
    let mut draw = Draw::new("chirp", instance);
    let (from, more) = (draw.log(300e3, 600e3), draw.log(0.01, 0.08));
    let length_s = 0.012;
    let to = from * (1.0 + draw.sign() * more);
    let wave = chirp(draw.log(300.0, 900.0), from, to, length_s);
    cut(&mut draw, &wave, length_s)
}

fn fm(draw: &mut Draw, rate_hz: f64, length_s: f64) -> Capture {
    let deviation = draw.between(0.01, 0.05);
    let wave = swinging(draw.log(300.0, 900.0), draw.log(300e3, 600e3), deviation, rate_hz);
    cut(draw, &wave, length_s)
}

fn fm_100(instance: u64) -> Capture {
    fm(&mut Draw::new("fm-100", instance), 100.0, 0.02)
}

fn fm_3k(instance: u64) -> Capture {
    fm(&mut Draw::new("fm-3k", instance), 3e3, 0.012)
}

fn hop(instance: u64) -> Capture {
    let mut draw = Draw::new("hop", instance);
    let (hz, more) = (draw.log(300e3, 600e3), draw.between(0.03, 0.08));
    let (peak, half_s) = (draw.log(300.0, 900.0), draw.between(1.5e-3, 3e-3));
    // Cycles since the start, without a jump: every other stretch is faster.
    let form = move |t: f64| {
        let (whole, part) = ((t / (2.0 * half_s)).floor(), t.rem_euclid(2.0 * half_s));
        let faster_s = whole * half_s + (part - half_s).max(0.0);
        peak * (TAU * hz * (t + more * faster_s)).sin()
    };
    let mean_hz = hz * (1.0 + 0.5 * more);
    let wave = Wave { fundamental_hz: Some(mean_hz), ..Wave::new(hz, form) };
    cut(&mut draw, &wave, 6.0 * half_s)
}

/// A fundamental and one harmonic of an order and a share of it.
fn with_harmonic(draw: &mut Draw, order: f64, share: f64) -> Capture {
    let (peak, hz) = (draw.log(250.0, 600.0), draw.log(250e3, 450e3));
    let wave = harmonics(hz, vec![(1.0, peak, draw.angle()), (order, peak * share, draw.angle())]);
    let mut bench = Bench::new(draw.log(20.0, 80.0) * hz, draw);
    bench.output(Kind::Cut, 6e-3, &wave);
    bench.capture()
}

fn second_harmonic(instance: u64) -> Capture {
    let mut draw = Draw::new("second-harmonic", instance);
    let share = draw.between(1.1, 2.0);
    with_harmonic(&mut draw, 2.0, share)
}

fn third_harmonic(instance: u64) -> Capture {
    let mut draw = Draw::new("third-harmonic", instance);
    let share = draw.between(0.6, 1.5);
    with_harmonic(&mut draw, 3.0, share)
}

/// A carrier and a share of it at half its frequency.
fn with_sub(draw: &mut Draw, share: f64) -> Wave {
    let (peak, hz) = (draw.log(300.0, 900.0), draw.log(350e3, 700e3));
    let lines = vec![(1.0, peak * share, draw.angle()), (2.0, peak, draw.angle())];
    Wave { fundamental_hz: Some(hz), ..harmonics(0.5 * hz, lines) }
}

fn sub_weak(instance: u64) -> Capture {
    let mut draw = Draw::new("sub-weak", instance);
    let share = draw.between(0.03, 0.09);
    let wave = with_sub(&mut draw, share);
    cut(&mut draw, &wave, 6e-3)
}

fn sub_strong(instance: u64) -> Capture {
    let mut draw = Draw::new("sub-strong", instance);
    let share = draw.between(0.25, 0.5);
    // Half the carrier with a strong second harmonic, or a carrier with a sub-harmonic: either name.
    let wave = with_sub(&mut draw, share).without_fundamental();
    cut(&mut draw, &wave, 6e-3)
}

fn two_tone(instance: u64) -> Capture {
    let mut draw = Draw::new("two-tone", instance);
    let (hz, share) = (draw.log(350e3, 600e3), draw.between(0.2, 0.5));
    let (second_hz, phase) = (hz * draw.between(1.08, 1.5), draw.angle());
    let cycles = draw.between(25.0, 40.0);
    let (period, duty) = (cycles / hz, draw.between(0.35, 0.5));
    let peak = draw.log(400.0, 900.0);
    let form = move |t: f64| {
        let inside = t.rem_euclid(period);
        let second = share * (TAU * second_hz * inside + phase).sin();
        if inside < duty * period { peak * ((TAU * hz * inside).sin() + second) } else { 0.0 }
    };
    let wave = Wave::new(hz, form).bursting(1.0 / period, Some(duty)).repeating(period);
    cut(&mut draw, &wave, 8e-3)
}

fn beat(instance: u64) -> Capture {
    let mut draw = Draw::new("beat", instance);
    let (hz, peak) = (draw.log(300e3, 600e3), draw.log(300.0, 900.0));
    let other_hz = hz + draw.sign() * draw.log(1e3, 20e3);
    let other = sine(peak * draw.between(0.1, 0.5), other_hz, draw.angle());
    let wave = sine(peak, hz, draw.angle()).plus(&other);
    cut(&mut draw, &wave, 0.01)
}

fn glide(instance: u64) -> Capture {
    let mut draw = Draw::new("coag-glide", instance);
    let (hz, burst_hz) = (draw.log(350e3, 600e3), draw.log(15e3, 25e3));
    let (peak, a) = (draw.log(1e3, 3e3), draw.between(7.0, 10.0) * burst_hz);
    // From 1.1 of the carrier down to 0.9 of it, with the burst's own decay.
    let form = move |t: f64| {
        let inside = t.rem_euclid(1.0 / burst_hz);
        let cycles = hz * (0.9 * inside + 0.2 * (1.0 - (-a * inside).exp()) / a);
        peak * (-a * inside).exp() * (TAU * cycles).sin()
    };
    let wave = Wave::new(hz, form).repeating(1.0 / burst_hz).without_fundamental();
    let wave = wave.bursting(burst_hz, Some(10.0_f64.ln() * burst_hz / a));
    let mut bench = Bench::new(draw.log(12.0, 60.0) * hz, &mut draw);
    bench.output(Kind::Coag, 8e-3, &wave);
    bench.capture()
}

fn spread(instance: u64) -> Capture {
    const STEP_S: f64 = 100e-6;
    let mut draw = Draw::new("spread", instance);
    let (hz, peak) = (draw.log(300e3, 600e3), draw.log(300.0, 900.0));
    let speeds: Vec<f64> = (0..100).map(|_| hz * draw.between(0.98, 1.02)).collect();
    let mean_hz = speeds.iter().sum::<f64>() / speeds.len() as f64;
    // Cycles at the start of each step.
    let mut cycles = vec![0.0];
    for speed in &speeds {
        cycles.push(cycles[cycles.len() - 1] + speed * STEP_S);
    }
    let length_s = STEP_S * speeds.len() as f64;
    let form = move |t: f64| {
        let step = ((t / STEP_S).max(0.0) as usize).min(speeds.len() - 1);
        peak * (TAU * (cycles[step] + speeds[step] * (t - step as f64 * STEP_S))).sin()
    };
    let wave = Wave { fundamental_hz: Some(mean_hz), ..Wave::new(hz, form) };
    cut(&mut draw, &wave, length_s)
}
