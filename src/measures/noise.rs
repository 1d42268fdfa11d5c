//! Noise as a look keeps it, at samples and at smoothed crests, and how wide crests are smoothed.

use super::close::{CloseLook, LOOK, Seen};
use super::look::Look;
use super::stats::Repeated;
use crate::numeric::moments::largest_absolute;
use crate::numeric::order::median;
use crate::numeric::runs::runs;
use crate::numeric::smooth::Smoother;
use crate::trace::ReadFailure;

impl CloseLook<'_> {
    /// Noise of both channels after thinning, and at smoothed crests: as a quiet stretch tells, or as
    /// white noise would be.
    pub(super) fn settle_noise(&mut self) -> Result<(), ReadFailure> {
        let factor = super::look::thinning(self.cycle);
        let kept = 1.0 / (factor as f64).sqrt();
        let left = self.smoother.as_ref().map_or(1.0, Smoother::noise_left);
        self.noise = self.input.sigma.map(|sigma| sigma * kept);
        self.crest_noise = self.noise.map(|noise| noise * left);
        let Some(quiet) = self.input.quiet.filter(|_| factor > 1 || self.smoother.is_some()) else {
            return Ok(());
        };
        let end = quiet.end.min(quiet.start + LOOK * factor as u64 / 4);
        let look = Look::read(self.input.samples, &(quiet.start..end), quiet, self.cycle, 0)?;
        for channel in self.input.channels.present() {
            let x = look.of(channel);
            // Hum is no noise: what counts is how far a sample is from its neighbours.
            let spread = |x: &[f64], apart: usize| {
                let mut steps: Vec<f64> =
                    x.windows(apart + 1).map(|w| (w[apart] - w[0]).abs()).collect();
                median(&mut steps).map_or(0.0, |step| step / (0.6745 * 2_f64.sqrt()))
            };
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let apart = (self.cycle / factor as f64) as usize;
            let smooth: Vec<f64> = match &self.smoother {
                Some(smoother) => (0..x.len()).filter_map(|k| smoother.value(x, k)).collect(),
                None => Vec::new(),
            };
            let (kept, crest) = channel.of((
                (&mut self.noise.voltage, &mut self.crest_noise.voltage),
                (&mut self.noise.current, &mut self.crest_noise.current),
            ));
            *kept = kept.max(spread(x, apart));
            *crest = crest.max(spread(&smooth, apart)).min(*kept);
        }
        Ok(())
    }

    /// Narrows the window about a crest until what is fitted does not differ from the crests.
    pub(super) fn fit_smoother(&mut self) -> Result<(), ReadFailure> {
        /// Share of the height by which it may.
        const DIFFERS: f64 = 0.002;
        let overview = self.input.overview;
        let factor = super::look::thinning(self.cycle) as u64;
        let clean = self.input.samples.gaps().longest_valid(&self.range);
        while let Some(smoother) = &self.smoother {
            let range = overview.strongest(&clean, LOOK / 4 * factor, self.lead);
            let look = Look::read(self.input.samples, &range, &clean, self.cycle, 0)?;
            let x = look.of(self.lead);
            let misfit = smoother.misfit(x, 0.7 * largest_absolute(x));
            if misfit <= DIFFERS {
                self.misfit = misfit;
                return Ok(());
            }
            self.smoother = smoother.narrower();
            self.settle_noise()?;
        }
        Ok(())
    }

    /// Where the zero line stands in the silence between bursts.
    pub(super) fn silent_level(&mut self, seen: &[Seen]) {
        /// Share of the peak under which samples may be silent, and under which an offset does not
        /// matter.
        const SILENT: f64 = 0.1;
        const SMALL: f64 = 0.002;
        /// Silence of less than a cycle tells nothing.
        const CYCLES: f64 = 1.5;
        /// Square of the slow part over that of what is left about it, from which on it is not what
        /// remains of a carrier.
        const SLOW: f64 = 0.25;
        /// Silences that are needed.
        const MANY: usize = 5;
        let mut levels = [Vec::new(), Vec::new()];
        let mut about = [Repeated::default(), Repeated::default()];
        let mut top = 0.0_f64;
        for one in seen {
            let x = one.look.of(self.lead);
            let cycle = self.cycle / one.look.factor as f64;
            let highest = largest_absolute(x);
            top = top.max(highest);
            let silent: Vec<bool> = x.iter().map(|x| x.abs() < SILENT * highest).collect();
            for run in runs(&silent) {
                if !silent[run.start] || run.len() as f64 <= CYCLES * cycle || run.end == x.len() {
                    continue;
                }
                // The last cycles before the next burst: what rings has died away there.
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
                let length = cycle as usize;
                let tail = run.end - length..run.end;
                let wide = run.end - (2 * length).min(run.len())..run.end;
                for channel in self.input.channels.present() {
                    let own = one.look.of(channel).get(tail.clone()).unwrap_or_default();
                    let k = channel.of((0, 1));
                    let Some(mean) = crate::numeric::moments::mean(own) else { continue };
                    let both = one.look.of(channel).get(wide.clone()).unwrap_or_default();
                    levels[k].push(mean_of_cycles(both, length).unwrap_or(mean));
                    let squares = own.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
                    about[k].merge(&Repeated::of(&[squares / own.len() as f64]));
                }
            }
        }
        for channel in self.input.channels.present() {
            // Slow noise shifts whole bursts, and smoothing a crest takes none of it away.
            let k = channel.of((0, 1));
            let about = about[k].mean().unwrap_or(0.0);
            let slow = Repeated::of(&levels[k])
                .deviation()
                .filter(|slow| levels[k].len() >= MANY && slow * slow > SLOW * about);
            let noise = self.crest_noise.of_mut(channel);
            *noise = noise.hypot(slow.unwrap_or(0.0));
        }
        let lead = &mut levels[self.lead.of((0, 1))];
        let count = lead.len();
        let Some(level) = median(lead).filter(|_| count >= MANY) else { return };
        let by_noise = self.sigma() / (count as f64 * self.cycle.max(1.0)).sqrt();
        if level.abs() > SMALL * top + 5.0 * by_noise {
            self.oddities.silent_level = Some(level / top);
        }
    }
}

/// Mean over two cycles by triangular weights: a carrier leaves nothing in it, even one that grows or dies away
/// along a straight line. `None` of anything shorter.
fn mean_of_cycles(x: &[f64], cycle: usize) -> Option<f64> {
    let weight = |k: usize| if k < cycle { k as f64 + 0.5 } else { (2 * cycle - k) as f64 - 0.5 };
    let sum: f64 = x.iter().enumerate().map(|(k, x)| weight(k) * x).sum();
    (cycle > 0 && x.len() == 2 * cycle).then(|| sum / (cycle * cycle) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_growing_carrier_leaves_no_level() {
        let x: Vec<f64> = (0..40_u32)
            .map(|k| 0.3 + f64::from(k) * (std::f64::consts::TAU * f64::from(k) / 20.0).sin())
            .collect();
        assert!((mean_of_cycles(&x, 20).unwrap() - 0.3).abs() < 0.01);
        // The plain mean of the last cycle is far off.
        assert!((x[20..].iter().sum::<f64>() / 20.0 - 0.3).abs() > 1.0);
        assert_eq!(mean_of_cycles(&x[..39], 20), None);
    }
}
