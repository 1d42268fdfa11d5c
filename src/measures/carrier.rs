//! The carrier: its frequency, what it sees as a load, and its company.

use super::look::Look;
use super::stats::{Carrier, Repeated};
use crate::numeric::sinefit::{SineFit, fit_bare, fit_decaying, fit_linear, fit_steady};
use crate::numeric::spectrum::{Fourier, LONGEST};
use crate::trace::{Channel, ReadFailure, Samples, carrier_line};
use crate::units::SampleRate;
use std::f64::consts::{PI, TAU};
use std::ops::Range;

/// Upper end of the low-frequency share, Hz.
const LOW_HZ: f64 = 10e3;
/// Highest harmonic counted in the distortion.
const HIGHEST_HARMONIC: u32 = 10;

/// Channel that is fitted, and the noise on it.
#[derive(Clone, Copy, Debug)]
pub struct Noise {
    /// The channel.
    pub lead: Channel,
    /// Standard deviation of its noise.
    pub sigma: f64,
}

/// The carrier of steady output.
#[derive(Debug, Default)]
pub struct Steady {
    /// Frequency, load, harmonics.
    pub carrier: Carrier,
    /// Relative standard deviation of the frequency along the phase, where it moves.
    pub moves: Option<f64>,
    /// Share of energy that a carrier with harmonics leaves over within a few cycles.
    pub undescribed: Repeated,
    /// The long slices and the frequency of each in radians per kept sample, where the carrier is steady
    /// along them.
    pub slices: Vec<(Range<u64>, f64)>,
}

/// Samples of one long slice, kept ones.
const SLICE: u64 = LONGEST as u64 / 4;
/// Shorter slices for a carrier that moves: cycles of one, and how many there are at most.
const SHORT_CYCLES: f64 = 40.0;
const MOST_SHORT: u64 = 200;
/// Share of the energy that a long slice may leave over beyond its noise; more, and the carrier or its
/// amplitude moves along it.
const LEFT: f64 = 2e-3;

/// Fits slices of a steady stretch: a few long ones, or where those don't fit, many short ones.
///
/// # Errors
/// Where samples can't be read again.
pub fn steady(
    samples: &dyn Samples,
    clean: &Range<u64>,
    cycle: f64,
    slices: u64,
    noise: Noise,
    fourier: &mut Fourier,
) -> Result<Steady, ReadFailure> {
    let factor = super::look::thinning(cycle) as u64;
    let long = evenly(clean, SLICE * factor, slices);
    let mut found = Steady::default();
    let mut worst = 0.0_f64;
    for range in &long {
        let look = Look::read(samples, range, clean, cycle, 0)?;
        let one = add_slice(&mut found.carrier, &look, noise, samples.rate(), fourier);
        found.slices.extend(one.map(|(_, w)| (range.clone(), w)));
        worst = worst.max(one.map_or(1.0, |(left, _)| left));
        let x = look.of(noise.lead);
        let per_cycle = cycle / look.factor as f64;
        found.undescribed.merge(&Repeated::of(&left_over(x, per_cycle, noise.sigma)));
    }
    let spread = found.carrier.hz.deviation().unwrap_or(0.0);
    let hz = found.carrier.frequency();
    // A slice of n cycles tells a steady frequency far better than a share of one cycle.
    let apart = hz.is_some_and(|hz| {
        let cycles = (long[0].end - long[0].start) as f64 / cycle;
        spread > 0.02 * hz / cycles
    });
    if worst <= LEFT && !apart {
        return Ok(found);
    }
    found.slices.clear();
    let short = short_slices(clean, cycle, factor);
    let mut carrier = Carrier::default();
    let mut frequencies = Vec::new();
    for range in &short {
        let look = Look::read(samples, range, clean, cycle, 0)?;
        let mut one = Carrier::default();
        add_slice(&mut one, &look, noise, samples.rate(), fourier);
        let Some(hz) = one.frequency() else { continue };
        frequencies.push(hz);
        // Each slice stands for as much of the phase as any other.
        one.even();
        carrier.merge(&one);
    }
    if frequencies.len() >= 4 {
        carrier.hz = Repeated::series(&frequencies);
        // The share below 10 kHz takes a long slice to tell.
        carrier.low = found.carrier.low;
        found.carrier = carrier;
        let (mean, deviation) = (carrier.hz.mean(), carrier.hz.deviation());
        found.moves = mean
            .zip(deviation)
            .map(|(mean, deviation)| deviation / mean)
            .filter(|relative| *relative > 1e-3);
    }
    Ok(found)
}

/// Up to `count` slices of `length` samples, evenly over `clean`.
fn evenly(clean: &Range<u64>, length: u64, count: u64) -> Vec<Range<u64>> {
    let all = clean.end - clean.start;
    let length = length.min(all).max(1);
    let spare = all - length;
    let count = count.min(1 + spare / length).max(1);
    (0..count)
        .map(|k| clean.start + spare * (2 * k + 1) / (2 * count))
        .map(|at| at..at + length)
        .collect()
}

/// Short slices, one behind the other as far as so many reach, else spread over all.
fn short_slices(clean: &Range<u64>, cycle: f64, factor: u64) -> Vec<Range<u64>> {
    let all = clean.end - clean.start;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let least = ((SHORT_CYCLES * cycle) as u64).max(64 * factor);
    // Up to four times as long, where that covers all.
    let length = (all / MOST_SHORT).clamp(least, 4 * least).min(all).max(1);
    let count = (all / length).clamp(1, MOST_SHORT);
    let step = (all - length) as f64 / (count.max(2) - 1) as f64;
    (0..count)
        .map(|k| {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let at = clean.start + (k as f64 * step) as u64;
            at..at + length
        })
        .collect()
}

/// Adds one slice of steady output; gives the share of energy that its carrier and harmonics leave
/// over beyond the noise, and its frequency in radians per kept sample.
fn add_slice(
    carrier: &mut Carrier,
    look: &Look,
    noise: Noise,
    rate: SampleRate,
    fourier: &mut Fourier,
) -> Option<(f64, f64)> {
    let lead = look.of(noise.lead);
    let rate = SampleRate::new(rate.hertz() / look.factor as f64)?;
    let spectrum = fourier.spectrum(lead)?;
    let line = carrier_line(&spectrum, rate)?;
    let fit = fit_steady(lead, TAU * line)?;
    let weight =
        add(carrier, &fit, lead.len(), (&look.block.v, &look.block.i), rate.hertz(), look.factor);
    let fundamental = fit.amplitude().powi(2);
    let harmonics: f64 = (2..=HIGHEST_HARMONIC)
        .map(|k| f64::from(k) * fit.w)
        .filter(|w| *w < 0.9 * PI)
        .filter_map(|w| fit_linear(lead, w, 0.0))
        .map(|harmonic| harmonic.amplitude().powi(2))
        .sum();
    if fundamental > 0.0 && 2.0 * fit.w < 0.9 * PI {
        carrier.harmonics.merge(&Repeated::of(&[harmonics / fundamental]));
    }
    if spectrum.length as f64 / rate.hertz() >= 1e-3
        && let Some(share) = spectrum.share(0.0, LOW_HZ / rate.hertz())
    {
        carrier.low.merge(&Repeated::of(&[share]));
    }
    let all = 0.5 * (fundamental + harmonics);
    let left = fit.residual.powi(2) - 0.5 * harmonics - noise.sigma.powi(2);
    let share = if all > 0.0 { (left / all).max(0.0) } else { 1.0 };
    carrier.weighted_doubt_hz += weight * doubt(&fit, lead.len(), rate.hertz(), share);
    Some((share, fit.w))
}

/// Cycles over which a wave is held against a decaying one with harmonics.
const LOCAL_CYCLES: f64 = 6.0;
/// Such windows of one slice.
const LOCAL_WINDOWS: usize = 8;

/// Share of energy that a decaying carrier with harmonics leaves over in windows of a few cycles,
/// beyond the noise: it does not feel slow changes of amplitude or frequency.
fn left_over(x: &[f64], per_cycle: f64, sigma: f64) -> Vec<f64> {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let length = (LOCAL_CYCLES * per_cycle).round() as usize;
    if length < 16 || x.len() < length {
        return Vec::new();
    }
    let step = ((x.len() - length) / LOCAL_WINDOWS).max(1);
    (0..=x.len() - length)
        .step_by(step)
        .take(LOCAL_WINDOWS)
        .filter_map(|at| share_left(&x[at..at + length], TAU / per_cycle, 0.0, sigma))
        .collect()
}

/// Share of the energy of `x` that a decaying sine near `w` with harmonics leaves over beyond white
/// noise of deviation `sigma`.
fn share_left(x: &[f64], w: f64, decay: f64, sigma: f64) -> Option<f64> {
    left_by(x, &fit_decaying(x, w, decay)?, sigma)
}

/// The same of a sine that is fitted already.
pub fn left_by(x: &[f64], fit: &SineFit, sigma: f64) -> Option<f64> {
    let mut left: Vec<f64> = {
        let mut rest = x.to_vec();
        fit.take_from(&mut rest);
        rest
    };
    let mut parameters = 5.0;
    for k in 2..=HIGHEST_HARMONIC / 2 {
        let w = f64::from(k) * fit.w;
        if w >= 0.9 * PI || left.len() as f64 <= 2.0 * parameters + 6.0 {
            break;
        }
        let Some(harmonic) = fit_linear(&left, w, fit.decay) else { break };
        harmonic.take_from(&mut left);
        parameters += 2.0;
    }
    let n = x.len() as f64;
    let all: f64 = x.iter().map(|x| x * x).sum::<f64>() - n * sigma * sigma;
    let rest: f64 = left.iter().map(|x| x * x).sum::<f64>() - (n - parameters) * sigma * sigma;
    (all > 0.0).then(|| (rest / all).clamp(0.0, 1.0))
}

/// Adds one burst, given from just after its start to its last crest; `(w, decay)` are start values
/// per sample. Gives the sine.
pub fn add_burst(
    carrier: &mut Carrier,
    lead: &[f64],
    (v, i): (&[f64], &[f64]),
    (w, decay): (f64, f64),
    (rate_hz, factor): (f64, usize),
    sigma: f64,
) -> Option<SineFit> {
    // Five parameters need more than one cycle to tell them apart; without decay and offset a half
    // wave and a little more do.
    let cycles = lead.len() as f64 * w / TAU;
    if cycles < 0.55 || lead.len() < 8 {
        return None;
    }
    let short = cycles < 1.2 || lead.len() < 10;
    let fit = if short { fit_bare(lead, w)? } else { fit_decaying(lead, w, decay)? };
    let weight = add(carrier, &fit, lead.len(), (v, i), rate_hz, factor);
    let n = lead.len() as f64;
    let all = lead.iter().map(|x| x * x).sum::<f64>() / n;
    let beyond = (fit.residual.powi(2) - sigma * sigma).max(0.0);
    let share = if all > 0.0 { (beyond / all).min(1.0) } else { 1.0 };
    carrier.weighted_doubt_hz += weight * doubt(&fit, lead.len(), rate_hz, share);
    Some(fit)
}

/// Standard uncertainty of a fitted frequency by a share of the energy that is left over and is no
/// noise, Hz: what is left turns the carrier by up to the root of that share in radians, and from one
/// end of the fit to the other by twice as much (rectangular).
fn doubt(fit: &SineFit, samples: usize, rate_hz: f64, share: f64) -> f64 {
    let turn = 2.0 * share.max(0.0).sqrt() / samples.max(1) as f64;
    turn.min(fit.w) / TAU * rate_hz / 3_f64.sqrt()
}

/// Adds a fit; gives its weight.
fn add(
    carrier: &mut Carrier,
    fit: &SineFit,
    samples: usize,
    (v, i): (&[f64], &[f64]),
    rate_hz: f64,
    factor: usize,
) -> f64 {
    let hz = fit.w / TAU * rate_hz;
    let n = samples as f64;
    // A frequency is known to within a variance that falls as amplitude^2 n^3: 24 s^2 over it, per
    // sample (Rife and Boorstyn 1974; from memory). Thinned samples hold less noise.
    let weight = fit.amplitude().powi(2) * n * n * n;
    if weight.is_nan() || weight <= 0.0 {
        return 0.0;
    }
    carrier.weight += weight;
    carrier.weighted_hz += weight * hz;
    carrier.information += weight * (TAU / rate_hz).powi(2) / 24.0 * factor as f64;
    carrier.hz.merge(&Repeated::of(&[hz]));
    let (Some(v), Some(i)) = (fit_linear(v, fit.w, fit.decay), fit_linear(i, fit.w, fit.decay))
    else {
        return weight;
    };
    // x = A cos + B sin is the real part of (A - jB) exp(jwn).
    carrier.product.0 += n * (v.cosine * i.cosine + v.sine * i.sine);
    carrier.product.1 += n * (v.cosine * i.sine - v.sine * i.cosine);
    carrier.current_square += n * i.amplitude().powi(2);
    weight
}
