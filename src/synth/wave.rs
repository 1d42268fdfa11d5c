//! Waveforms by formula, with their peak, duty and square integral in closed form.

use super::Output;
use std::f64::consts::TAU;

/// Shape of an output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wave {
    /// A sine.
    Continuous,
    /// A sine, on for a share of each burst period; it starts anew with each burst.
    Gated {
        /// Bursts per second.
        burst_hz: f64,
        /// Share of the time with carrier, 0..=1.
        duty: f64,
    },
    /// exp(-a t) sin(w t), anew with each burst.
    Damped {
        /// Bursts per second.
        burst_hz: f64,
        /// Logarithmic decrement per carrier cycle: a = decrement * carrier frequency.
        decrement: f64,
    },
    /// (1 + m cos(W t)) cos(w t) / (1 + m).
    Modulated {
        /// Modulation frequency, Hz.
        modulation_hz: f64,
        /// Depth m, 0..=1.
        depth: f64,
    },
}

impl Output {
    fn w(&self) -> f64 {
        TAU * self.carrier_hz
    }

    /// Amplitude before the decay, such that the largest |v| is `peak_v`.
    fn amplitude(&self) -> f64 {
        match self.wave {
            Wave::Damped { decrement, .. } if decrement > 0.0 => {
                let a = decrement * self.carrier_hz;
                let top = (self.w() / a).atan() / self.w();
                self.peak_v / ((-a * top).exp() * (self.w() * top).sin())
            }
            _ => self.peak_v,
        }
    }

    /// Voltage at `time` from the start of the phase; borders are met within `hair`.
    pub(super) fn value(&self, time: f64, hair: f64) -> f64 {
        let w = self.w();
        match self.wave {
            Wave::Continuous => {
                let rise =
                    if self.ramp_s > 0.0 { (time / self.ramp_s).clamp(0.0, 1.0) } else { 1.0 };
                rise * self.peak_v * (w * time).sin()
            }
            Wave::Gated { burst_hz, duty } => {
                let inside = since_start(time, burst_hz, hair);
                if inside < duty / burst_hz - hair { self.peak_v * (w * inside).sin() } else { 0.0 }
            }
            Wave::Damped { burst_hz, decrement } => {
                let inside = since_start(time, burst_hz, hair);
                let fade = (-decrement * self.carrier_hz * inside).exp();
                self.amplitude() * fade * (w * inside).sin()
            }
            Wave::Modulated { modulation_hz, depth } => {
                let envelope = (1.0 + depth * (TAU * modulation_hz * time).cos()) / (1.0 + depth);
                self.peak_v * envelope * (w * time).cos()
            }
        }
    }

    /// Integral of v^2 from the start of the phase to `time`, V^2 s.
    #[must_use]
    pub fn square_integral(&self, time: f64) -> f64 {
        let w = self.w();
        let square = self.peak_v * self.peak_v;
        // Integral of sin^2(w t).
        let sine = |t: f64| t / 2.0 - (2.0 * w * t).sin() / (4.0 * w);
        match self.wave {
            Wave::Continuous if self.ramp_s > 0.0 => {
                let r = self.ramp_s;
                let end = time.min(r);
                let k = 2.0 * w;
                // Integral of t^2 (1 - cos k t) / 2 over r^2.
                let cosine = (end * end / k - 2.0 / k.powi(3)) * (k * end).sin()
                    + 2.0 * end / (k * k) * (k * end).cos();
                let ramp = (end.powi(3) / 3.0 - cosine) / (2.0 * r * r);
                square * (ramp + if time > r { sine(time) - sine(r) } else { 0.0 })
            }
            Wave::Continuous => square * sine(time),
            Wave::Gated { burst_hz, duty } => {
                let on = duty / burst_hz;
                let (whole, part) = split(time, burst_hz);
                square * (whole * sine(on) + sine(part.min(on)))
            }
            Wave::Damped { burst_hz, decrement } => {
                let a = decrement * self.carrier_hz;
                let one = |t: f64| damped_integral(a, w, t);
                let (whole, part) = split(time, burst_hz);
                self.amplitude().powi(2) * (whole * one(1.0 / burst_hz) + one(part))
            }
            Wave::Modulated { modulation_hz, depth } => {
                // (1 + m cos Wt)^2 cos^2 wt written out as a sum of cosines.
                let (m, big) = (depth, TAU * modulation_hz);
                let cosine = |k: f64| if k == 0.0 { time } else { (k * time).sin() / k };
                let lines = [(0.0, 1.0 + m * m / 2.0), (big, 2.0 * m), (2.0 * big, m * m / 2.0)];
                let sum: f64 = lines
                    .into_iter()
                    .map(|(k, c)| {
                        let beside = cosine(2.0 * w - k) + cosine(2.0 * w + k);
                        c * (cosine(k) / 2.0 + beside / 4.0)
                    })
                    .sum();
                square / (1.0 + m).powi(2) * sum
            }
        }
    }

    /// Share of the time that bursts stand above `threshold` of their peak, measured along the
    /// envelope; 1 for continuous output.
    #[must_use]
    pub fn duty(&self, threshold: f64) -> f64 {
        match self.wave {
            Wave::Continuous => 1.0,
            Wave::Gated { duty, .. } => duty,
            Wave::Damped { burst_hz, decrement } => {
                (-threshold.ln() / (decrement * self.carrier_hz) * burst_hz).min(1.0)
            }
            Wave::Modulated { depth, .. } => {
                // 1 + m cos x above threshold (1 + m).
                let bound = (threshold * (1.0 + depth) - 1.0) / depth;
                if bound <= -1.0 { 1.0 } else { bound.acos() / std::f64::consts::PI }
            }
        }
    }

    /// Bursts per second, where the output comes in bursts.
    #[must_use]
    pub fn burst_hz(&self) -> Option<f64> {
        match self.wave {
            Wave::Gated { burst_hz, .. } | Wave::Damped { burst_hz, .. } => Some(burst_hz),
            _ => None,
        }
    }
}

/// Time since the start of the burst that `time` lies in.
fn since_start(time: f64, burst_hz: f64, hair: f64) -> f64 {
    (time - ((time + hair) * burst_hz).floor() / burst_hz).max(0.0)
}

/// Whole bursts in `time`, and the time left.
fn split(time: f64, burst_hz: f64) -> (f64, f64) {
    let whole = (time * burst_hz + 1e-9).floor();
    (whole, (time - whole / burst_hz).max(0.0))
}

/// Integral of exp(-2 a t) sin^2(w t) from 0 to `t`.
fn damped_integral(a: f64, w: f64, t: f64) -> f64 {
    if a == 0.0 {
        return t / 2.0 - (2.0 * w * t).sin() / (4.0 * w);
    }
    let fade = (-2.0 * a * t).exp();
    let steady = (1.0 - fade) / (2.0 * a);
    // Real part of (1 - exp((-2a + 2jw) t)) / (2a - 2jw).
    let (sin, cos) = (2.0 * w * t).sin_cos();
    let (re, im) = (1.0 - fade * cos, -fade * sin);
    let beating = (re * 2.0 * a - im * 2.0 * w) / (4.0 * (a * a + w * w));
    0.5 * (steady - beating)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn square_integrals_agree_with_a_fine_sum() {
        let waves = [
            (Wave::Continuous, 0.0),
            (Wave::Continuous, 1e-4),
            (Wave::Gated { burst_hz: 25e3, duty: 0.3 }, 0.0),
            (Wave::Damped { burst_hz: 30e3, decrement: 0.5 }, 0.0),
            (Wave::Modulated { modulation_hz: 20e3, depth: 0.6 }, 0.0),
        ];
        for (wave, ramp_s) in waves {
            let output = Output { wave, peak_v: 300.0, carrier_hz: 437e3, ramp_s };
            for time in [3.3e-5, 2.0e-4, 3.417e-4] {
                let steps = 400_000;
                let step = time / f64::from(steps);
                let sum: f64 = (0..steps)
                    .map(|k| output.value((f64::from(k) + 0.5) * step, 0.0).powi(2))
                    .sum();
                let formula = output.square_integral(time);
                assert!((formula / (sum * step) - 1.0).abs() < 2e-5, "{wave:?} {time}");
            }
        }
    }
}
