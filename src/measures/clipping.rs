//! Samples at a rail, and what clipping does to a sine.

use crate::trace::{Channel, Overview, ReadFailure, Samples};

/// What was clipped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clipping {
    /// Samples at the rails.
    pub samples: u64,
    /// Level of the rail, in the channel's unit.
    pub level: f64,
}

/// Most samples that are read at a time.
const READ: u64 = 1 << 17;

/// Samples of a channel at a rail that is known (|x|); `None` where there are none.
///
/// # Errors
/// Where samples can't be read again.
pub fn at_rail(
    overview: &Overview,
    samples: &dyn Samples,
    channel: Channel,
    rail: f64,
) -> Result<Option<Clipping>, ReadFailure> {
    // Room for the single precision of the overview.
    let level = rail * (1.0 - 1e-6);
    let near = |k: usize| overview.cells()[k].reach(channel, 0.0) >= level;
    let mut total = 0;
    let mut at = 0;
    while at < overview.cells().len() {
        if !near(at) {
            at += 1;
            continue;
        }
        // Neighbours together: each look costs.
        let mut end = at + 1;
        while end < overview.cells().len()
            && (end - at) as u64 * (overview.cell_length() as u64) < READ
        {
            end += 1;
        }
        for part in samples.gaps().valid(&overview.span(at..end)) {
            let block = samples.read(part)?;
            total += block.of(channel).iter().filter(|x| x.abs() >= level).count() as u64;
        }
        at = end;
    }
    Ok((total > 0).then_some(Clipping { samples: total, level: rail }))
}

/// What clipping a sine at this share of its peak does to its mean square, relative: the integral
/// of min(|sin|, c)^2 in closed form. At 0.95 it is -2.6 %.
#[must_use]
pub fn effect_on_mean_square(share: f64) -> f64 {
    let c = share.clamp(0.0, 1.0);
    let angle = c.asin();
    let half = std::f64::consts::FRAC_PI_2;
    let below = angle / 2.0 - (2.0 * angle).sin() / 4.0;
    (below + c * c * (half - angle)) / (half / 2.0) - 1.0
}

/// Clip level over peak of a sine of which this share of time is clipped.
#[must_use]
pub fn level_from_time(share_of_time: f64) -> f64 {
    (std::f64::consts::FRAC_PI_2 * share_of_time.clamp(0.0, 1.0)).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_effects() {
        // Sine clipped at 99, 95, 90, 80 % of its peak: power -0.24, -2.6, -7.2, -19 %.
        for (share, effect) in [(0.99, -0.0024), (0.95, -0.026), (0.90, -0.072), (0.80, -0.19)] {
            assert!((effect_on_mean_square(share) - effect).abs() < 0.05 * effect.abs(), "{share}");
        }
        assert!((level_from_time(0.2) - 0.951).abs() < 1e-3);
    }
}
