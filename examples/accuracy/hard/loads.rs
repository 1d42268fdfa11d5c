//! Loads that are no plain resistor, and delays between the channels.

use super::draw::Draw;
use super::scene::{Bench, Load};
use super::sheet::Sheet;
use super::wave::{Form, Wave, damped, sine};
use super::{Capture, Family, Kind};
use std::f64::consts::TAU;
use std::rc::Rc;

/// The families of this file.
pub const FAMILIES: &[Family] = &[
    Family::new("reactive-stated", "parallel RC of 30 to 70 degrees, delay stated", stated),
    Family::new("reactive-unstated", "parallel RC, 5 to 30 ns late, no delay stated", unstated),
    Family::new("series-unstated", "series RC, 5 to 30 ns late, no delay stated", series_unstated),
    Family::new("reactive-resistor", "parallel RC where the sheet says resistor", called_resistor),
    Family::new("inductive", "resistor with a stray inductance of 5 to 25 degrees", inductive),
    Family::new("delay-resistor", "resistor, 5 to 60 ns late, no delay stated", late_resistor),
    Family::new("reactive-coag", "damped coag into a parallel RC, delay stated", parallel_coag),
    Family::new("series-coag", "damped coag into a series RC, delay stated", series_coag),
    Family::new("load-step", "load that steps by a factor of 3 or 4 through a source", load_step),
    Family::new("load-slow", "load that grows by 60 % over the record", load_slow),
];

/// Adds no load to the sheet, delays the current and states so, or not.
fn late(bench: &mut Bench, delay_s: f64, stated: bool) {
    bench.i.delay_s = delay_s;
    if stated {
        bench.sheet.delayed(0.0, delay_s, 0.5e-9);
    } else {
        bench.sheet.without_delays();
    }
}

/// Current of a sine of a peak (V) and frequency (Hz) through an impedance, ohm and ohm.
fn through(peak: f64, hz: f64, real: f64, imaginary: f64) -> Form {
    let (size, angle) = (real.hypot(imaginary), imaginary.atan2(real));
    Rc::new(move |t| peak / size * (TAU * hz * t - angle).sin())
}

/// A cut into an impedance of a size (ohm) and an angle (rad), alone or between rests.
fn cut_into(draw: &mut Draw, size: f64, angle: f64, rested: bool) -> Bench {
    let (peak, hz) = (draw.log(300.0, 900.0), draw.log(300e3, 1e6));
    let current = through(peak, hz, size * angle.cos(), size * angle.sin());
    let mut bench = Bench::new(draw.log(12.0, 60.0) * hz, draw);
    if rested {
        bench.rest(3e-3);
    }
    bench.loaded(Kind::Cut, 5e-3, &sine(peak, hz, 0.0), Load::Form(current));
    if rested {
        bench.rest(3e-3);
    }
    bench.sheet.load.clear();
    bench
}

/// A size (ohm) and an angle (rad) between two angles, degrees.
fn impedance(draw: &mut Draw, low: f64, high: f64) -> (f64, f64) {
    (draw.log(100.0, 600.0), draw.between(low, high).to_radians())
}

fn stated(instance: u64) -> Capture {
    let mut draw = Draw::new("reactive-stated", instance);
    let (size, angle) = impedance(&mut draw, -70.0, -30.0);
    let mut bench = cut_into(&mut draw, size, angle, instance.is_multiple_of(2));
    let delay_s = draw.between(5e-9, 30e-9);
    late(&mut bench, delay_s, true);
    bench.capture()
}

fn unstated(instance: u64) -> Capture {
    let mut draw = Draw::new("reactive-unstated", instance);
    // 500 ohm beside 477 pF at 1 MHz, 20 ns late, is the case from which this family comes.
    let (ohm, farad, hz) = (draw.log(300.0, 700.0), draw.log(300e-12, 900e-12), draw.log(5e5, 1e6));
    let (peak, w) = (draw.log(300.0, 600.0), TAU * hz);
    let conductance: Form = Rc::new(move |t| {
        let (sin, cos) = (w * t).sin_cos();
        peak * (sin / ohm + w * farad * cos)
    });
    let mut bench = Bench::new(draw.log(12.0, 40.0) * hz, &mut draw);
    bench.loaded(Kind::Cut, 5e-3, &sine(peak, hz, 0.0), Load::Form(conductance));
    bench.sheet.load.clear();
    let delay_s = draw.sign() * draw.between(5e-9, 30e-9);
    late(&mut bench, delay_s, false);
    bench.capture()
}

fn series_unstated(instance: u64) -> Capture {
    let mut draw = Draw::new("series-unstated", instance);
    let (size, angle) = impedance(&mut draw, -65.0, -25.0);
    let mut bench = cut_into(&mut draw, size, angle, instance.is_multiple_of(2));
    let delay_s = draw.sign() * draw.between(5e-9, 30e-9);
    late(&mut bench, delay_s, false);
    bench.capture()
}

fn called_resistor(instance: u64) -> Capture {
    let mut draw = Draw::new("reactive-resistor", instance);
    // The stated resistor with a capacitance beside it: |Z| = R cos(angle).
    let (ohm, angle) = impedance(&mut draw, -50.0, -15.0);
    let mut bench = cut_into(&mut draw, ohm * angle.cos(), angle, instance.is_multiple_of(2));
    bench.sheet.load = Sheet::usual(ohm).load;
    bench.capture()
}

fn inductive(instance: u64) -> Capture {
    let mut draw = Draw::new("inductive", instance);
    let (size, angle) = impedance(&mut draw, 5.0, 25.0);
    let mut bench = cut_into(&mut draw, size, angle, instance.is_multiple_of(2));
    let delay_s = draw.between(5e-9, 30e-9);
    late(&mut bench, delay_s, true);
    bench.capture()
}

fn late_resistor(instance: u64) -> Capture {
    let mut draw = Draw::new("delay-resistor", instance);
    let wave = sine(draw.log(300.0, 900.0), draw.log(300e3, 1e6), draw.angle());
    let mut bench = Bench::new(draw.log(12.0, 60.0) * wave.carrier_hz, &mut draw);
    bench.output(Kind::Cut, 6e-3, &wave);
    let delay_s = draw.sign() * draw.between(5e-9, 60e-9);
    late(&mut bench, delay_s, false);
    bench.capture()
}

/// A damped burst exp(-a t) sin(w t) and its repetition.
struct Burst {
    wave: Wave,
    hz: f64,
    period_s: f64,
    amplitude: f64,
    a: f64,
    w: f64,
}

fn some_burst(draw: &mut Draw) -> Burst {
    let (hz, peak, decrement) =
        (draw.log(350e3, 600e3), draw.log(1e3, 3e3), draw.between(0.4, 0.8));
    let burst_hz = decrement * hz / draw.between(8.0, 12.0);
    let (a, w) = (decrement * hz, TAU * hz);
    let top_s = (w / a).atan() / w;
    let amplitude = peak * (a * top_s).exp() / (w * top_s).sin();
    let wave = damped(peak, hz, burst_hz, decrement);
    Burst { wave, hz, period_s: 1.0 / burst_hz, amplitude, a, w }
}

/// Coag of 8 ms into a current that is known from the start of each burst on; 20 ns late, stated.
fn coag_into(draw: &mut Draw, burst: &Burst, current: impl Fn(f64) -> f64 + 'static) -> Capture {
    let (amplitude, period_s) = (burst.amplitude, burst.period_s);
    let current: Form = Rc::new(move |t| amplitude * current(t.rem_euclid(period_s)));
    let mut bench = Bench::new(draw.log(20.0, 80.0) * burst.hz, draw);
    // A sudden start makes the current jump: its highest point is no crest to be found.
    bench.loaded(Kind::Coag, 8e-3, &burst.wave, Load::Form(current)).leave_out =
        &["current_peak_a"];
    bench.sheet.load.clear();
    late(&mut bench, 20e-9, true);
    bench.capture()
}

fn parallel_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("reactive-coag", instance);
    let burst = some_burst(&mut draw);
    let (a, w, ohm) = (burst.a, burst.w, draw.log(200.0, 600.0));
    let farad = draw.between(0.2, 1.0) / (w * ohm);
    // i = v/R + C dv/dt.
    coag_into(&mut draw, &burst, move |t| {
        let (sin, cos) = (w * t).sin_cos();
        (-a * t).exp() * (sin / ohm + farad * (w * cos - a * sin))
    })
}

fn series_coag(instance: u64) -> Capture {
    let mut draw = Draw::new("series-coag", instance);
    let burst = some_burst(&mut draw);
    let (a, w, ohm) = (burst.a, burst.w, draw.log(200.0, 600.0));
    // p = 1/(RC): the transient has died away long before the next burst.
    let p = w * draw.between(0.3, 1.5);
    // I(s) = w/R · s/((s + p)((s + a)² + w²)): a residue at -p, and a pair at s0 = -a + jw, of which
    // the one is s0/((s0 + p)·2jw).
    let transient = w / ohm * -p / ((a - p).powi(2) + w * w);
    let (real, imaginary) = quotient((-a, w), product((p - a, w), (0.0, 2.0 * w)));
    coag_into(&mut draw, &burst, move |t| {
        let (sin, cos) = (w * t).sin_cos();
        let pair = 2.0 * (-a * t).exp() * (real * cos - imaginary * sin);
        transient * (-p * t).exp() + w / ohm * pair
    })
}

/// Product of two complex numbers.
fn product(x: (f64, f64), y: (f64, f64)) -> (f64, f64) {
    (x.0 * y.0 - x.1 * y.1, x.0 * y.1 + x.1 * y.0)
}

/// Quotient of two complex numbers.
fn quotient(x: (f64, f64), y: (f64, f64)) -> (f64, f64) {
    let square = y.0 * y.0 + y.1 * y.1;
    let (real, imaginary) = product(x, (y.0, -y.1));
    (real / square, imaginary / square)
}

fn load_step(instance: u64) -> Capture {
    let mut draw = Draw::new("load-step", instance);
    let (hz, open, source) = (draw.log(300e3, 600e3), draw.log(1000.0, 1400.0), 300.0);
    let (first, second) = draw.of(&[(600.0, 150.0), (150.0, 600.0), (450.0, 150.0)]);
    let mut bench = Bench::new(draw.log(12.0, 40.0) * hz, &mut draw);
    for ohm in [first, second] {
        let wave = sine(open * ohm / (ohm + source), hz, 0.0);
        bench.loaded(Kind::Cut, draw.between(4e-3, 7e-3), &wave, Load::Ohm(ohm));
    }
    bench.sheet.load.clear();
    bench.capture()
}

fn load_slow(instance: u64) -> Capture {
    let mut draw = Draw::new("load-slow", instance);
    let (hz, open, source) = (draw.log(300e3, 600e3), draw.log(800.0, 1200.0), 300.0);
    let (first, length_s) = (draw.between(280.0, 400.0), 0.02);
    let ohm = move |t: f64| first * (1.0 + 0.6 * t / length_s);
    let wave = sine(open, hz, 0.0).shaped(move |t| ohm(t) / (ohm(t) + source));
    let form = wave.form.clone();
    let current: Form = Rc::new(move |t| form(t) / ohm(t));
    let mut bench = Bench::new(draw.log(10.0, 25.0) * hz, &mut draw);
    bench.loaded(Kind::Cut, length_s, &wave, Load::Form(current));
    bench.sheet.load.clear();
    bench.capture()
}
