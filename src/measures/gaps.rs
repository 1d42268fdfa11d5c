//! Gaps in output that never falls silent between crests: shorter than a carrier cycle, or few.

use super::bursts::{self, Burst};
use super::close::{CloseLook, Seen};
use super::stats::{Bursts, Carrier, Repeated};
use crate::numeric::moments::largest_absolute;
use std::f64::consts::TAU;

/// What lies between the gaps of one stretch.
#[derive(Default)]
struct Spans {
    on_s: Vec<f64>,
    period_s: Vec<f64>,
    duty: Vec<f64>,
}

impl CloseLook<'_> {
    /// Gaps shorter than a carrier cycle, or too few for bursts.
    pub(super) fn take_silences(&mut self, seen: &[Seen], complete: bool) {
        let mut lists: Vec<Spans> = Vec::new();
        let (mut count, mut longest) = (0_u64, 0.0_f64);
        let mut gaps = Vec::new();
        for one in seen {
            let x = one.look.of(self.lead);
            let cycle = self.cycle / one.look.factor as f64;
            let interval = one.look.factor as f64 / self.input.samples.rate().hertz();
            let level = (self.input.duty_threshold * largest_absolute(x)).max(4.5 * self.sigma());
            let mut found = bursts::silences(x, level, cycle);
            // At the ends of the phase the rest beside it may reach in.
            found.retain(|gap| {
                gap.from as f64 > 2.0 * cycle && (gap.to as f64) < x.len() as f64 - 2.0 * cycle
            });
            // The way from zero to the level belongs to the wave.
            let share = (level / largest_absolute(x).max(f64::MIN_POSITIVE)).min(1.0).asin() / TAU;
            let silent =
                |k: usize| ((found[k].to - found[k].from) as f64 - 2.0 * share * cycle).max(0.0);
            let mut list = Spans::default();
            for k in 0..found.len() {
                count += 1;
                longest = longest.max(silent(k) * interval);
                if k + 1 < found.len() {
                    let period = (found[k + 1].from - found[k].from) as f64;
                    let on = period - silent(k);
                    list.on_s.push(on * interval);
                    list.period_s.push(period * interval);
                    list.duty.push(on / period);
                }
            }
            lists.push(list);
            gaps.push(found);
        }
        if count == 0 {
            return;
        }
        let merged = |of: fn(&Spans) -> &Vec<f64>| {
            let parts: Vec<&[f64]> = lists.iter().map(|list| of(list).as_slice()).collect();
            if complete { Repeated::series(&parts.concat()) } else { Repeated::batched(&parts) }
        };
        let period = merged(|list| &list.period_s);
        // Gaps that repeat make bursts; some by chance do not.
        let even = match (period.mean(), period.deviation()) {
            (Some(mean), Some(deviation)) => period.count() >= 3 && deviation < 0.25 * mean,
            _ => false,
        };
        if even {
            self.gapped = true;
            self.carrier = Carrier::default();
            for (one, gaps) in seen.iter().zip(&gaps) {
                self.fit_between(one, gaps);
            }
            self.burst_count = 1 + usize::try_from(period.count()).unwrap_or(usize::MAX - 1);
            self.bursts = Bursts {
                on_s: merged(|list| &list.on_s),
                period_s: period,
                duty: merged(|list| &list.duty),
                ..Bursts::default()
            };
        } else {
            self.oddities.silences = Some((count, longest));
        }
    }

    /// Fits the carrier in each stretch between two gaps.
    fn fit_between(&mut self, one: &Seen, gaps: &[bursts::Silence]) {
        const MOST: usize = 64;
        let every = gaps.len().div_ceil(MOST).max(1);
        for pair in gaps.windows(2).step_by(every) {
            let burst = Burst {
                start: pair[0].to as f64,
                whole_from: pair[0].to as f64 + 1.0,
                whole_until: pair[1].from as f64 - 2.0,
                on: (pair[1].from - pair[0].to) as f64,
                peak: 0.0,
                decay: None,
            };
            let mut carrier = std::mem::take(&mut self.carrier);
            let fit = self.fit(&mut carrier, one, &burst);
            self.carrier = carrier;
            let left = fit.and_then(|(x, fit)| super::carrier::left_by(x, &fit, self.sigma()));
            self.undescribed.merge(&Repeated::of(left.as_slice()));
        }
    }
}
