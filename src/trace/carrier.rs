//! Where a carrier is looked for.

use crate::numeric::spectrum::Spectrum;
use crate::units::SampleRate;

/// Below this frequency a line is not taken for a carrier, Hz.
const LOWEST_HZ: f64 = 50e3;
/// Nor above this share of the sample rate.
const HIGHEST_SHARE: f64 = 0.45;

/// The strongest line that can be a carrier, in cycles per sample.
#[must_use]
pub fn carrier_line(spectrum: &Spectrum, rate: SampleRate) -> Option<f64> {
    spectrum.strongest(LOWEST_HZ / rate.hertz(), HIGHEST_SHARE)
}
