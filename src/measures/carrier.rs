//! The carrier: its frequency, what it sees as a load, and its company.

use super::stats::{Carrier, Repeated};
use crate::numeric::sinefit::{SineFit, fit_decaying, fit_linear, fit_steady};
use crate::numeric::spectrum::Spectrum;
use crate::trace::carrier_line;
use crate::units::SampleRate;
use std::f64::consts::{PI, TAU};

/// Upper end of the low-frequency share, Hz.
const LOW_HZ: f64 = 10e3;
/// Highest harmonic counted in the distortion.
const HIGHEST_HARMONIC: u32 = 10;

/// Adds one slice of steady output. `spectrum` is the one of `leading`.
pub fn add_steady(
    carrier: &mut Carrier,
    leading: &[f64],
    v: &[f64],
    i: &[f64],
    spectrum: &Spectrum,
    rate: SampleRate,
) {
    let Some(line) = carrier_line(spectrum, rate) else { return };
    let rate_hz = rate.hertz();
    let Some(fit) = fit_steady(leading, TAU * line) else { return };
    add(carrier, &fit, leading.len(), v, i, rate_hz);
    let fundamental = fit.amplitude().powi(2);
    let harmonics: f64 = (2..=HIGHEST_HARMONIC)
        .map(|k| f64::from(k) * fit.w)
        .filter(|w| *w < 0.9 * PI)
        .filter_map(|w| fit_linear(leading, w, 0.0))
        .map(|harmonic| harmonic.amplitude().powi(2))
        .sum();
    if fundamental > 0.0 && 2.0 * fit.w < 0.9 * PI {
        carrier.harmonics.merge(&Repeated::of(&[harmonics / fundamental]));
    }
    if spectrum.length as f64 / rate_hz >= 1e-3
        && let Some(share) = spectrum.share(0.0, LOW_HZ / rate_hz)
    {
        carrier.low.merge(&Repeated::of(&[share]));
    }
}

/// Adds one burst, given from just after its start to its last crest.
pub fn add_burst(
    carrier: &mut Carrier,
    leading: &[f64],
    v: &[f64],
    i: &[f64],
    w: f64,
    decay: f64,
    rate_hz: f64,
) {
    // Five parameters need more than one cycle to tell them apart.
    if (leading.len() as f64) < 1.2 * TAU / w || leading.len() < 10 {
        return;
    }
    if let Some(fit) = fit_decaying(leading, w, decay) {
        add(carrier, &fit, leading.len(), v, i, rate_hz);
    }
}

fn add(carrier: &mut Carrier, fit: &SineFit, samples: usize, v: &[f64], i: &[f64], rate_hz: f64) {
    let hz = fit.w / TAU * rate_hz;
    let n = samples as f64;
    // A frequency is known to within a variance that falls as amplitude^2 n^3.
    let weight = fit.amplitude().powi(2) * n * n * n;
    if weight.is_nan() || weight <= 0.0 {
        return;
    }
    carrier.weight += weight;
    carrier.weighted_hz += weight * hz;
    carrier.hz.merge(&Repeated::of(&[hz]));
    let (Some(v), Some(i)) = (fit_linear(v, fit.w, fit.decay), fit_linear(i, fit.w, fit.decay))
    else {
        return;
    };
    // x = A cos + B sin is the real part of (A - jB) exp(jwn).
    carrier.product.0 += n * (v.cosine * i.cosine + v.sine * i.sine);
    carrier.product.1 += n * (v.cosine * i.sine - v.sine * i.cosine);
    carrier.current_square += n * i.amplitude().powi(2);
}
