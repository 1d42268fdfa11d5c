//! Borders between phases: how well their places are known, and what that leaves open.

use crate::measures::stats::{EdgeDoubt, IntervalStats, Shape};
use crate::trace::PerChannel;
use crate::units::SampleRate;

/// Standard deviation of an edge in carrier cycles, and as a share of the burst period where a
/// burst begins at it: measured on synthetic captures (docs/accuracy.md).
const EDGE_IN_CYCLES: f64 = 0.25;
const EDGE_AT_BURST: f64 = 0.03;

/// The border between two phases.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Border {
    /// Standard uncertainty of its place, s.
    u: f64,
    /// Silence that may belong to the phase before it, s.
    silence: f64,
    /// Steps across it: of the power, and of the mean squares of voltage and current.
    steps: [f64; 3],
}

impl Border {
    /// Adds what this border leaves open.
    pub(super) fn add_to(&self, edges: &mut EdgeDoubt) {
        let silence = self.silence * self.silence / 3.0;
        edges.time_square += self.u * self.u;
        edges.silence_square += silence;
        let of = |step: f64| (self.u * self.u + silence) * step * step;
        edges.energy_square += of(self.steps[0]);
        edges.squares.voltage += of(self.steps[1]);
        edges.squares.current += of(self.steps[2]);
    }
}

/// The borders between the phases of `stats`, in order.
pub(super) fn borders(stats: &[IntervalStats], rate: SampleRate) -> Vec<Border> {
    let cycle = |one: &IntervalStats| {
        one.carrier.and_then(|carrier| carrier.frequency()).map_or(0.0, |hz| 1.0 / hz)
    };
    let period = |one: &IntervalStats| match &one.shape {
        Shape::Bursts(bursts) => bursts.period_s.mean().unwrap_or(0.0),
        _ => 0.0,
    };
    let peak =
        |one: &IntervalStats| one.peaks_v.or(one.peaks_i).map_or(0.0, |peaks| peaks.largest());
    // A phase of bursts ends somewhere in the silence after the last; where bursts follow output of
    // about their own height, the first or last of them can be taken for part of that.
    let silence = |one: &IntervalStats, next: &IntervalStats| match &one.shape {
        _ if one.carrier.is_some() && next.carrier.is_some() => {
            let alike = (0.75..1.33).contains(&(peak(one) / peak(next)));
            if alike { period(one).max(period(next)) } else { 0.0 }
        }
        Shape::Bursts(bursts) if next.carrier.is_none() => {
            // A burst that decays falls under half of the level before it falls under a tenth of its peak.
            let decays = bursts.decay_s.count() > 0;
            let on = bursts.on_s.mean().unwrap_or(0.0) * if decays { 0.5 } else { 1.0 };
            (period(one) - on).max(0.0)
        }
        _ => 0.0,
    };
    // An edge stands on a sample.
    let sample = rate.seconds(1.0 / 12_f64.sqrt());
    stats
        .windows(2)
        .map(|pair| {
            let (before, after) = (&pair[0], &pair[1]);
            let cycles = match cycle(before).max(cycle(after)) {
                // Output without a carrier is followed by the mean square of a few samples.
                0.0 => rate.seconds(2.0),
                longest => EDGE_IN_CYCLES * longest,
            };
            let bursts = EDGE_AT_BURST * period(before).max(period(after));
            Border {
                u: cycles.hypot(bursts).hypot(sample),
                silence: silence(before, after),
                steps: {
                    let all = |one: &IntervalStats| {
                        let PerChannel { voltage: v, current: i } = one.squares();
                        [one.power().unwrap_or(0.0), v, i]
                    };
                    let (a, b) = (all(before), all(after));
                    [b[0] - a[0], b[1] - a[1], b[2] - a[2]]
                },
            }
        })
        .collect()
}

/// Gives each phase the doubt of its own borders.
pub(super) fn settle(stats: &mut [IntervalStats], borders: &[Border]) {
    for (k, one) in stats.iter_mut().enumerate() {
        let before = k.checked_sub(1).and_then(|k| borders.get(k));
        for border in before.into_iter().chain(borders.get(k)) {
            border.add_to(&mut one.edges);
        }
    }
}
