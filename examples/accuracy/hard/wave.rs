//! Voltages by formula.

use super::draw::Draw;
use std::f64::consts::{PI, TAU};
use std::rc::Rc;

/// A value over time (s since the start of the part), in V or A.
pub type Form = Rc<dyn Fn(f64) -> f64>;

/// A voltage over time and what is known of it.
#[derive(Clone)]
pub struct Wave {
    /// The voltage, V.
    pub form: Form,
    /// The carrier: what a dense evaluation has to resolve, Hz.
    pub carrier_hz: f64,
    /// The true `fundamental_hz`, where it has a sensible meaning.
    pub fundamental_hz: Option<f64>,
    /// The true `burst_rate_hz`.
    pub burst_hz: Option<f64>,
    /// The true `duty_cycle`.
    pub duty: Option<f64>,
    /// Mean square over whole repetitions, in closed form, V².
    pub square: Option<f64>,
    /// Peak in closed form, V.
    pub peak: Option<f64>,
    /// The wave is the same again after so long, s.
    pub repeats_s: Option<f64>,
}

impl Wave {
    /// A continuous wave of this carrier (Hz); nothing is known in closed form.
    pub fn new(carrier_hz: f64, form: impl Fn(f64) -> f64 + 'static) -> Self {
        Self {
            form: Rc::new(form),
            carrier_hz,
            fundamental_hz: Some(carrier_hz),
            burst_hz: None,
            duty: Some(1.0),
            square: None,
            peak: None,
            repeats_s: None,
        }
    }

    /// Says that the wave repeats after so long, s.
    pub fn repeating(self, after_s: f64) -> Self {
        Self { repeats_s: Some(after_s), ..self }
    }

    /// Says that the wave comes in bursts of this rate (Hz) and duty.
    pub fn bursting(self, burst_hz: f64, duty: Option<f64>) -> Self {
        Self { burst_hz: Some(burst_hz), duty, ..self }
    }

    /// Says that `fundamental_hz` has no sensible meaning here.
    pub fn without_fundamental(self) -> Self {
        Self { fundamental_hz: None, ..self }
    }

    /// Forgets closed form and repetition: the truth is summed over the very interval.
    pub fn summed(self) -> Self {
        Self { repeats_s: None, ..self.unknown() }
    }

    /// Forgets closed forms.
    fn unknown(self) -> Self {
        Self { square: None, peak: None, ..self }
    }

    /// Says a mean square (V²) and a peak (V) in closed form.
    fn known(self, square: f64, peak: f64) -> Self {
        Self { square: Some(square), peak: Some(peak), ..self }
    }

    /// The wave from so long (s) after its start on.
    pub fn from(self, start_s: f64) -> Self {
        let form = self.form.clone();
        Self { form: Rc::new(move |t| form(t + start_s)), ..self }
    }

    /// The wave under an envelope over time.
    pub fn shaped(self, envelope: impl Fn(f64) -> f64 + 'static) -> Self {
        let form = self.form.clone();
        Self { form: Rc::new(move |t| envelope(t) * form(t)), ..self }.summed()
    }

    /// The wave bent by a characteristic: V to V.
    pub fn bent(self, characteristic: impl Fn(f64) -> f64 + 'static) -> Self {
        let form = self.form.clone();
        Self { form: Rc::new(move |t| characteristic(form(t))), ..self }.unknown()
    }

    /// Another wave on top; what repeats is said anew.
    pub fn plus(self, other: &Self) -> Self {
        let (form, second) = (self.form.clone(), other.form.clone());
        Self { form: Rc::new(move |t| form(t) + second(t)), ..self }.summed()
    }
}

/// A sine of a peak (V), a frequency (Hz) and a phase (rad).
pub fn sine(peak: f64, hz: f64, phase: f64) -> Wave {
    let wave = Wave::new(hz, move |t| peak * (TAU * hz * t + phase).sin());
    wave.known(peak * peak / 2.0, peak).repeating(1.0 / hz)
}

/// Harmonics over a fundamental (Hz): order, amplitude (V) and phase (rad) of each.
pub fn harmonics(hz: f64, lines: Vec<(f64, f64, f64)>) -> Wave {
    let highest = lines.iter().map(|line| line.0).fold(1.0, f64::max);
    let form = move |t: f64| {
        lines.iter().map(|(order, a, phase)| a * (TAU * order * hz * t + phase).sin()).sum::<f64>()
    };
    let wave = Wave::new(hz * highest, form).repeating(1.0 / hz);
    Wave { fundamental_hz: Some(hz), ..wave }
}

/// A sine gated by a share of each burst period, that starts anew with each burst.
/// `cycles` of the carrier are one burst period, `on` of them are on.
pub fn gated(peak: f64, hz: f64, cycles: f64, on: f64) -> Wave {
    let burst_hz = hz / cycles;
    let (period, gate) = (1.0 / burst_hz, on / hz);
    let form = move |t: f64| {
        let inside = t.rem_euclid(period);
        if inside < gate { peak * (TAU * hz * inside).sin() } else { 0.0 }
    };
    let wave = Wave::new(hz, form).bursting(burst_hz, Some(on / cycles)).repeating(period);
    // Over whole half cycles the mean square is that of the sine times the duty.
    let whole = (2.0 * on).fract() == 0.0;
    if whole { wave.known(peak * peak / 2.0 * on / cycles, peak) } else { wave }
}

/// A sine that runs on behind a gate of a rate (Hz) and a duty, from half way into the gate on.
pub fn chopped(peak: f64, hz: f64, burst_hz: f64, duty: f64) -> Wave {
    let form = move |t: f64| {
        let open = (t * burst_hz + 0.5 * duty).rem_euclid(1.0) < duty;
        if open { peak * (TAU * hz * t).sin() } else { 0.0 }
    };
    Wave::new(hz, form).bursting(burst_hz, Some(duty))
}

/// A·exp(-a t)·sin(w t), anew with each burst, by its peak (V), carrier (Hz), burst rate (Hz) and
/// logarithmic decrement per carrier cycle: a = decrement·carrier.
pub fn damped(peak: f64, hz: f64, burst_hz: f64, decrement: f64) -> Wave {
    let (a, w, period) = (decrement * hz, TAU * hz, 1.0 / burst_hz);
    let amplitude = peak / ringing(1.0, a, w, (w / a).atan() / w);
    let form = move |t: f64| ringing(amplitude, a, w, t.rem_euclid(period));
    let square = amplitude * amplitude * ringing_square(a, w, period) * burst_hz;
    // measures.md: a damped burst reads ln(1/share)/(aT).
    let duty = 10.0_f64.ln() / (a * period);
    let wave = Wave::new(hz, form).bursting(burst_hz, (duty < 1.0).then_some(duty));
    wave.known(square, peak).repeating(period)
}

/// A·exp(-a t)·sin(w t), V; 0 before its start.
pub fn ringing(amplitude: f64, a: f64, w: f64, t: f64) -> f64 {
    if t < 0.0 { 0.0 } else { amplitude * (-a * t).exp() * (w * t).sin() }
}

/// Integral of the square of exp(-a t) sin(w t) from 0 to `t`, s.
fn ringing_square(a: f64, w: f64, t: f64) -> f64 {
    // sin² = (1 - cos 2wt)/2, each part against exp(-2at).
    let fade = (-2.0 * a * t).exp();
    let plain = (1.0 - fade) / (2.0 * a);
    let (sin, cos) = (2.0 * w * t).sin_cos();
    let wavy = (a + fade * (w * sin - a * cos)) / (2.0 * (a * a + w * w));
    0.5 * (plain - wavy)
}

/// A burst that rings: A·exp(-a t)·sin(w t) from its start on.
#[derive(Clone, Copy)]
pub struct Ring {
    /// Start, s.
    pub start_s: f64,
    /// A, V.
    pub amplitude: f64,
    /// a, 1/s.
    pub a: f64,
    /// w, rad/s.
    pub w: f64,
}

/// The sum of rings in order of time, of a carrier of about `hz`.
pub fn rings(hz: f64, list: Vec<Ring>) -> Wave {
    Wave::new(hz, move |t| {
        // Of what began earlier under a hundred-thousandth is left.
        let running = |ring: &&Ring| ring.a * (t - ring.start_s) < 12.0;
        let begun = list.partition_point(|ring| ring.start_s <= t);
        let recent = list[..begun].iter().rev().take(6).filter(running);
        recent.map(|r| ringing(r.amplitude, r.a, r.w, t - r.start_s)).sum()
    })
}

/// A packet of a train: its start (s) and its height (1).
#[derive(Clone, Copy)]
pub struct Packet {
    /// Start, s.
    pub start_s: f64,
    /// Factor of the shape, 1.
    pub height: f64,
}

/// Packets of one shape (V over s since the packet's start), 0 after `length_s`, added where they
/// overlap. The packets are in order of time.
pub fn train(
    hz: f64,
    packets: Vec<Packet>,
    length_s: f64,
    shape: impl Fn(f64) -> f64 + 'static,
) -> Wave {
    Wave::new(hz, move |t| {
        let after = packets.partition_point(|packet| packet.start_s <= t);
        let running = packets[..after].iter().rev().take_while(|p| t - p.start_s < length_s);
        running.map(|packet| packet.height * shape(t - packet.start_s)).sum::<f64>()
    })
}

/// Packets at a rate (Hz) over a length (s), each with a height of its own.
pub fn every(burst_hz: f64, length_s: f64, mut height: impl FnMut(usize) -> f64) -> Vec<Packet> {
    let count = (length_s * burst_hz).round() as usize;
    (0..count).map(|k| Packet { start_s: k as f64 / burst_hz, height: height(k) }).collect()
}

/// A sine whose frequency is `hz`·(1 + deviation·sin(2π rate t)): FM of a relative deviation.
pub fn swinging(peak: f64, hz: f64, deviation: f64, rate_hz: f64) -> Wave {
    let index = deviation * hz / rate_hz;
    let form =
        move |t: f64| peak * (TAU * hz * t + index * (1.0 - (TAU * rate_hz * t).cos())).sin();
    Wave::new(hz, form)
}

/// A sine whose frequency goes from one to another (Hz) over a length (s).
pub fn chirp(peak: f64, from_hz: f64, to_hz: f64, length_s: f64) -> Wave {
    let slope = (to_hz - from_hz) / length_s;
    Wave::new(0.5 * (from_hz + to_hz), move |t| {
        peak * (TAU * t * (from_hz + 0.5 * slope * t)).sin()
    })
}

/// Three levels with straight edges, as a bridge makes them: peak (V), frequency (Hz), share of the
/// cycle at zero between the halves (dead time) and share that each edge takes.
pub fn bridge(peak: f64, hz: f64, dead: f64, edge: f64) -> Wave {
    let half = move |x: f64| {
        // One half: zero, up, flat, down, zero over 0..1.
        let from_border = x.min(1.0 - x) - dead;
        (from_border / (2.0 * edge)).clamp(0.0, 1.0)
    };
    let form = move |t: f64| {
        let turn = (t * hz).rem_euclid(1.0);
        let half_turn = (2.0 * turn).rem_euclid(1.0);
        if turn < 0.5 { peak * half(half_turn) } else { -peak * half(half_turn) }
    };
    // In each half: 2·edge of its length rising and falling with a mean square of 1/3, the rest flat.
    let flat = 1.0 - 2.0 * dead - 4.0 * edge;
    let square = peak * peak * (flat + 4.0 * edge / 3.0);
    Wave::new(hz, form).known(square, peak).repeating(1.0 / hz)
}

/// A triangle of a peak (V) and a frequency (Hz).
pub fn triangle(peak: f64, hz: f64) -> Wave {
    let form = move |t: f64| peak * (2.0 / PI) * (TAU * hz * t).sin().asin();
    Wave::new(hz, form).known(peak * peak / 3.0, peak).repeating(1.0 / hz)
}

/// A usual cut: 260 to 1,100 V peak, 250 kHz to 1.2 MHz.
pub fn some_cut(draw: &mut Draw) -> Wave {
    sine(draw.log(260.0, 1100.0), draw.log(250e3, 1.2e6), draw.angle())
}

/// A usual damped coag: 1 to 4 kV peak, 300 to 700 kHz, fully decayed, crest factor above 4.3.
pub fn some_damped(draw: &mut Draw) -> Wave {
    let (hz, decrement) = (draw.log(300e3, 700e3), draw.between(0.3, 0.9));
    // aT of 6.5 to 14: decayed to under 0.2 %.
    let burst_hz = decrement * hz / draw.between(6.5, 14.0);
    damped(draw.log(1e3, 4e3), hz, burst_hz, decrement)
}

/// A usual gated coag: 1 to 4 kV peak, whole half cycles on, crest factor above 4.3.
pub fn some_gated(draw: &mut Draw) -> Wave {
    let hz = draw.log(300e3, 700e3);
    let on = draw.whole(4, 8) as f64 / 2.0;
    let cycles = (on / draw.between(0.05, 0.1)).round();
    gated(draw.log(1e3, 4e3), hz, cycles, on)
}

/// A usual blend: 500 to 1,500 V peak, a gated sine of a crest factor between 1.8 and 3.2.
pub fn some_blend(draw: &mut Draw) -> Wave {
    let hz = draw.log(300e3, 700e3);
    let cycles = draw.whole(14, 40) as f64;
    let on = (2.0 * cycles * draw.between(0.22, 0.6)).round() / 2.0;
    gated(draw.log(500.0, 1500.0), hz, cycles, on)
}
