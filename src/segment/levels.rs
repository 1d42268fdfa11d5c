//! The noise floor, and which frames carry output.

use super::Thresholds;
use super::frames::Frames;
use crate::numeric::order::{median, quantile};
use crate::numeric::sinefit::{fit_decaying, fit_linear};
use crate::numeric::spectrum::{Fourier, Spectrum};
use crate::trace::{ReadFailure, Samples};

/// Noise and output by frame.
pub struct Levels {
    /// Standard deviation of the noise of the leading channel.
    pub sigma: f64,
    /// Whether each frame belongs to output.
    pub powered: Vec<bool>,
}

/// Finds noise and output.
pub fn find(
    frames: &Frames,
    samples: &dyn Samples,
    thresholds: &Thresholds,
) -> Result<Levels, ReadFailure> {
    let count = frames.list.len();
    let variances: Vec<f64> = (0..count).map(|k| frames.variance(k)).collect();
    // The strongest level that lasts four frames.
    let lasting = 4.min(count.max(1));
    let strongest = variances
        .windows(lasting)
        .map(|window| window.iter().copied().fold(f64::INFINITY, f64::min))
        .fold(0.0, f64::max);
    let small = thresholds.rest_share * thresholds.rest_share * strongest;
    let sigma = noise(frames, &variances, samples, small)?;
    let square = sigma * sigma;
    let powered = (0..count)
        .map(|k| {
            // The mean square of n noise samples varies by sqrt(2/n) of itself; half as much
            // again as sigma^2 is allowed for the estimate of sigma itself.
            let n = frames.list[k].moments.n.max(1) as f64;
            let ceiling = 1.5 + thresholds.rest_noise_factor * (2.0 / n).sqrt();
            variances[k] > square * ceiling && variances[k] - square > small
        })
        .collect();
    Ok(Levels { sigma, powered: tidy(powered, frames, samples, thresholds) })
}

/// Standard deviation of the noise, from the quietest frames of the record.
fn noise(
    frames: &Frames,
    variances: &[f64],
    samples: &dyn Samples,
    small: f64,
) -> Result<f64, ReadFailure> {
    let full: Vec<usize> = (0..variances.len())
        .filter(|k| frames.list[*k].moments.n as usize >= frames.length)
        .collect();
    let mut sorted: Vec<f64> = full.iter().map(|k| variances[*k]).collect();
    // Low, but not the lowest: the smallest of many estimates is too small.
    let share = (3.0 / sorted.len().max(1) as f64).clamp(0.01, 1.0);
    let Some(quiet) = quantile(&mut sorted, share) else { return Ok(0.0) };
    if quiet <= small {
        return Ok(quiet.max(0.0).sqrt());
    }
    // Is the quietest stretch noise, or is there output all the time? Noise has a flat spectrum.
    let mut fourier = Fourier::new();
    let mut leftovers = Vec::new();
    let mut floors = Vec::new();
    let mut flat = 0_usize;
    let mut near: Vec<usize> = full.into_iter().filter(|k| variances[*k] <= quiet * 1.05).collect();
    near.truncate(5);
    for k in &near {
        let start = *k as u64 * frames.length as u64;
        let block = samples.read(start..start + frames.length as u64)?;
        let Some(spectrum) = fourier.spectrum(block.leading()) else { continue };
        let bins = spectrum.power.get(3 + spectrum.power.len() / 32..).unwrap_or_default();
        if flatness(bins) > 0.3 {
            flat += 1;
        }
        residuals(block.leading(), &spectrum, &mut leftovers);
        floors.extend(spectrum.floor_deviation());
    }
    if 2 * flat > near.len() {
        return Ok(quiet.sqrt());
    }
    // Harmonics are left over too, and bursts fill the spectrum between the lines: each estimate
    // is too high where the other is not.
    let leftover = quantile(&mut leftovers, 0.2).unwrap_or(f64::INFINITY);
    let floor = median(&mut floors).unwrap_or(f64::INFINITY);
    Ok(Some(leftover.min(floor)).filter(|sigma| sigma.is_finite()).unwrap_or(0.0))
}

/// What a decaying sine leaves over a few cycles at a time: noise, but for the stretches in which
/// a burst begins or ends.
fn residuals(x: &[f64], spectrum: &Spectrum, found: &mut Vec<f64>) {
    const LOWEST: usize = 32;
    let Some(line) = spectrum.strongest(3.0 / spectrum.length as f64, 0.45) else { return };
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let length = ((2.5 / line).ceil() as usize).max(LOWEST);
    let w = std::f64::consts::TAU * line;
    for stretch in x.chunks_exact(length) {
        let Some(fit) = fit_decaying(stretch, w, 0.0).or_else(|| fit_linear(stretch, w, 0.0))
        else {
            continue;
        };
        // Five parameters were fitted.
        let freedom = length as f64 / (length as f64 - 5.0);
        found.push(fit.residual * freedom.sqrt());
    }
}

/// Geometric over arithmetic mean of the bins: 0.56 for white noise, far less for lines.
fn flatness(power: &[f64]) -> f64 {
    let count = power.len().max(1) as f64;
    let arithmetic = power.iter().sum::<f64>() / count;
    let geometric =
        (power.iter().map(|p| p.max(f64::MIN_POSITIVE).ln()).sum::<f64>() / count).exp();
    if arithmetic > 0.0 { geometric / arithmetic } else { 1.0 }
}

/// Closes gaps between bursts and drops clicks.
fn tidy(
    mut powered: Vec<bool>,
    frames: &Frames,
    samples: &dyn Samples,
    thresholds: &Thresholds,
) -> Vec<bool> {
    let frame = frames.length.max(1) as f64;
    let rest_least = (samples.rate().samples(thresholds.rest_min_s) / frame).max(1.0);
    let count = powered.len();
    let mut gaps = Vec::new();
    for run in super::runs(&powered) {
        let inside = run.start > 0 && run.end < count;
        if !powered[run.start] && inside && (run.len() as f64) < rest_least {
            gaps.push(run.len() as f64);
            powered[run].fill(true);
        }
    }
    // At the ends of the record a short quiet run is rest if it is plainly longer than the gaps.
    let usual = median(&mut gaps).unwrap_or(0.0);
    let end_least = rest_least.min((3.0 * usual).max(4.0));
    for run in super::runs(&powered) {
        let whole = run.len() == count;
        if !powered[run.start] && !whole && (run.len() as f64) < end_least {
            powered[run].fill(true);
        }
    }
    // Output too short to be a phase, with rest around it.
    let least = samples.rate().samples(thresholds.phase_min_s) / frame / 2.0;
    for run in super::runs(&powered) {
        let inside = run.start > 0 && run.end < count;
        if powered[run.start] && inside && (run.len() as f64) < least {
            powered[run].fill(false);
        }
    }
    powered
}
