//! Where a carrier is looked for, and which of its lines is the fundamental.

use super::block::{Channel, ReadFailure, Samples};
use super::overview::Overview;
use crate::numeric::spectrum::{Fourier, Spectrum};
use crate::numeric::thin::means;
use crate::units::SampleRate;
use std::ops::Range;

/// Below this frequency a line is not taken for a carrier, Hz.
const LOWEST_HZ: f64 = 50e3;
/// Nor a lower fundamental of it below this one: lines so close are those of short bursts, Hz.
const LOWEST_PART_HZ: f64 = 100e3;
/// Nor above this share of the sample rate.
const HIGHEST_SHARE: f64 = 0.45;
/// Largest order of the strongest line that is looked into: a fundamental may be weaker than one of
/// its harmonics.
const ORDERS: std::ops::RangeInclusive<u32> = 2..=5;
/// Share of all power that the lines of a steady wave hold.
const STEADY: f64 = 0.9;
/// Share of it that the lines of a lower fundamental must add: less is ripple between half-waves.
const ADDED: f64 = 0.04;

/// The fundamental of the carrier, in cycles per sample: the strongest line, or where a steady wave
/// has lines at multiples of a part of it, that part.
#[must_use]
pub fn carrier_line(spectrum: &Spectrum, rate: SampleRate) -> Option<f64> {
    let lowest = LOWEST_HZ / rate.hertz();
    let strongest = spectrum.strongest(lowest, HIGHEST_SHARE)?;
    let lowest_part = LOWEST_PART_HZ / rate.hertz();
    let alone = spectrum.comb_share(strongest, lowest);
    let lower = ORDERS
        .map(|order| strongest / f64::from(order))
        .filter(|part| *part >= lowest_part && part * spectrum.length as f64 >= 16.0)
        .filter_map(|part| {
            let share = spectrum.comb_share(part, lowest);
            (share >= STEADY && share - alone >= ADDED).then_some((share, part))
        })
        // Lines at a part of a part add nothing.
        .fold(None, |best: Option<(f64, f64)>, (share, part)| match best {
            Some((known, _)) if share - known < ADDED => best,
            _ => Some((share, part)),
        });
    Some(lower.map_or(strongest, |(_, part)| part))
}

/// Time over which a carrier is looked for, s: bursts stand in it whole.
const LOOK_S: f64 = 150e-6;
/// Fewest and most samples of such a look, and most of them that are transformed.
const LEAST: u64 = 1 << 14;
const MOST: u64 = 1 << 18;
const POINTS: usize = 1 << 14;

/// First idea of the carrier where a channel is strongest inside `range`, in cycles per sample.
///
/// # Errors
/// Where samples can't be read again.
pub fn find_carrier(
    overview: &Overview,
    samples: &dyn Samples,
    range: &Range<u64>,
    channel: Channel,
    fourier: &mut Fourier,
) -> Result<Option<f64>, ReadFailure> {
    let rate = samples.rate();
    let clean = samples.gaps().longest_valid(range);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let length = (rate.samples(LOOK_S) as u64).clamp(LEAST, MOST);
    let block = samples.read(overview.strongest(&clean, length, channel))?;
    let x = block.of(channel);
    let factor = x.len().div_ceil(POINTS).max(1);
    let thinned = means(x, factor);
    let slower = SampleRate::new(rate.hertz() / factor as f64);
    let line = fourier
        .spectrum(&thinned)
        .zip(slower)
        .and_then(|(spectrum, slower)| carrier_line(&spectrum, slower));
    Ok(line.map(|line| line / factor as f64))
}
