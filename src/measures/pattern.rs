//! What repeats in a phase: packets of carrier, and the period of their pattern.
//!
//! A packet is a rise of the crests out of a valley. A burst is the main packet of a period; others in
//! it are second packets, such as restrikes, and no bursts of their own.

use crate::numeric::crest::Crest;
use crate::numeric::period::{Repetition, repetition};
use std::ops::Range;

/// A run of crests that rises out of a valley.
#[derive(Clone, Debug, PartialEq)]
pub struct Packet {
    /// Its crests, up to the next packet.
    pub crests: Range<usize>,
    /// Place of its first crest, in samples.
    pub start: f64,
    /// Its highest crest.
    pub height: f64,
}

/// A packet ends where crests fall below this share of its height, and the next begins where they
/// rise to twice the valley: hysteresis against ripple and noise.
const VALLEY: f64 = 0.5;

/// Packets of a stretch, in order. `cycle` is the carrier cycle in samples; crests below `floor` begin
/// none.
#[must_use]
pub fn packets(crests: &[Crest], cycle: f64, floor: f64) -> Vec<Packet> {
    let starts = rises(crests, cycle, floor);
    starts
        .iter()
        .enumerate()
        .map(|(k, start)| {
            let end = starts.get(k + 1).copied().unwrap_or(crests.len());
            let own = &crests[*start..end];
            let height = own.iter().fold(0.0, |top: f64, crest| top.max(crest.value.abs()));
            Packet { crests: *start..end, start: crests[*start].at, height }
        })
        .collect()
}

/// Height over one cycle at crest `k`: both half-waves count, whichever is larger.
fn height(crests: &[Crest], k: usize, cycle: f64) -> f64 {
    let here = crests[k].value.abs();
    match crests.get(k + 1) {
        Some(next) if next.at - crests[k].at < 0.75 * cycle => here.max(next.value.abs()),
        _ => here,
    }
}

/// Indices of the crests with which the height rises out of a valley.
fn rises(crests: &[Crest], cycle: f64, floor: f64) -> Vec<usize> {
    let gap = 1.25 * cycle;
    let mut found = Vec::new();
    let (mut rising, mut peak, mut valley) = (false, 0.0_f64, (0.0_f64, 0_usize));
    for k in 0..crests.len() {
        let h = height(crests, k, cycle);
        if k > 0 && crests[k].at - crests[k - 1].at > gap {
            (rising, valley) = (false, (0.0, k));
        }
        if rising {
            peak = peak.max(h);
            if h < VALLEY * peak {
                (rising, valley) = (false, (h, k));
            }
        } else if h < valley.0 {
            valley = (h, k);
        } else if h * VALLEY > valley.0 && h >= floor {
            // After a gap the packet starts with this crest, after a dip with the one behind it.
            found.push(if valley.0 == 0.0 { k } else { (valley.1 + 1).min(k) });
            (rising, peak) = (true, h);
        }
    }
    found
}

/// Values of the envelope per carrier cycle.
const PER_CYCLE: f64 = 4.0;

/// The period of the envelope through `crests`, in samples; `None` where nothing repeats.
#[must_use]
pub fn period(crests: &[Crest], cycle: f64) -> Option<Repetition> {
    const MOST: f64 = (1 << 18) as f64;
    let (first, last) = (crests.first()?.at, crests.last()?.at);
    let step = (cycle / PER_CYCLE).max((last - first) / MOST);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let index = |at: f64| ((at - first) / step) as usize;
    let mut y = vec![0.0_f64; index(last) + 1];
    for k in 0..crests.len().saturating_sub(1) {
        let (a, b) = (crests[k].at, crests[k + 1].at);
        // Silence between two crests is silence.
        let end = if b - a > 1.25 * cycle { a + 0.5 * cycle } else { b };
        let h = height(crests, k, cycle);
        let part = index(a)..index(end.min(last)) + 1;
        y[part].iter_mut().for_each(|slot| *slot = slot.max(h));
    }
    // A pattern is longer than two cycles of its carrier.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let least = (2.0 * cycle / step) as usize;
    let found = repetition(&y, least)?;
    Some(Repetition { lag: found.lag * step, ..found })
}

/// Main packets of a stretch and what stands beside them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Mains {
    /// Indices of the main packets, in order.
    pub packets: Vec<usize>,
    /// Periods from each to the next: 1, or more where packets are missing between.
    pub steps: Vec<u32>,
    /// Periods that hold a further packet of at least the threshold share of their main one.
    pub with_second: usize,
    /// Highest such packet over its main one.
    pub second: f64,
    /// Height of every other packet over that of those between, where they differ by turns.
    pub alternation: Option<f64>,
}

/// Below this share of the highest a packet is noise or a tail where no period is known.
const LOWEST: f64 = 0.25;

/// Chooses the main packet of each period. Packets of less than `threshold` of their main one do not
/// count at all.
#[must_use]
pub fn mains(packets: &[Packet], period: Option<f64>, threshold: f64) -> Mains {
    let Some(period) = period else {
        let top = packets.iter().map(|packet| packet.height).fold(0.0, f64::max);
        let chosen: Vec<usize> =
            (0..packets.len()).filter(|k| packets[*k].height >= LOWEST * top).collect();
        let steps = vec![1; chosen.len().saturating_sub(1)];
        return Mains { packets: chosen, steps, ..Mains::default() };
    };
    let (mut chosen, mut steps) = track(packets, period);
    let mut found = Mains::default();
    let half_way = half_way(packets, &chosen, &steps, threshold);
    if let Some(between) = half_way {
        // A packet half-way in nearly every period: bursts of two heights by turns.
        chosen.extend(between);
        chosen.sort_unstable();
        steps = vec![1; chosen.len().saturating_sub(1)];
    }
    for pair in chosen.windows(2) {
        let main = packets[pair[0]].height;
        let second = packets[pair[0] + 1..pair[1]].iter().map(|p| p.height).fold(0.0, f64::max);
        if second >= threshold * main {
            found.with_second += 1;
            found.second = found.second.max(second / main);
        }
    }
    found.alternation = alternation(packets, &chosen);
    (found.packets, found.steps) = (chosen, steps);
    found
}

/// Follows the period from the highest packet in both directions.
fn track(packets: &[Packet], period: f64) -> (Vec<usize>, Vec<u32>) {
    /// How far a packet may be from where it is due, in periods.
    const REACH: f64 = 0.4;
    /// Share of the main packet before it below which it is missing; the farther it is from its place
    /// the more it takes.
    const LEAST: f64 = 0.25;
    let Some(anchor) =
        (0..packets.len()).max_by(|a, b| packets[*a].height.total_cmp(&packets[*b].height))
    else {
        return (Vec::new(), Vec::new());
    };
    let follow = |sign: f64| {
        let (mut at, mut due, mut missed) = (packets[anchor].start, 1.0, 0_u32);
        let mut last = anchor;
        let mut found: Vec<(usize, u32)> = Vec::new();
        loop {
            let wanted = at + sign * due * period;
            let score = |k: usize| {
                let off = (packets[k].start - wanted).abs() / period;
                packets[k].height * (1.0 - 0.8 * off / REACH)
            };
            let in_reach = |k: &usize| {
                let off = (packets[*k].start - wanted).abs() / period;
                off < REACH && score(*k) >= LEAST * packets[last].height
            };
            // Packets are in order of time: only those near the last one are asked.
            let near: Vec<usize> = if sign > 0.0 {
                (last + 1..packets.len())
                    .take_while(|k| packets[*k].start < wanted + REACH * period)
                    .filter(in_reach)
                    .collect()
            } else {
                (0..last)
                    .rev()
                    .take_while(|k| packets[*k].start > wanted - REACH * period)
                    .filter(in_reach)
                    .collect()
            };
            let best = near.into_iter().max_by(|a, b| score(*a).total_cmp(&score(*b)));
            match best {
                Some(k) => {
                    found.push((k, missed + 1));
                    (at, due, missed, last) = (packets[k].start, 1.0, 0, k);
                }
                None => {
                    (due, missed) = (due + 1.0, missed + 1);
                    let beyond = if sign > 0.0 {
                        packets.last().is_none_or(|p| p.start < wanted)
                    } else {
                        packets.first().is_none_or(|p| p.start > wanted)
                    };
                    if beyond {
                        return found;
                    }
                }
            }
        }
    };
    let (before, after) = (follow(-1.0), follow(1.0));
    let chosen: Vec<usize> = before
        .iter()
        .rev()
        .map(|(k, _)| *k)
        .chain([anchor])
        .chain(after.iter().map(|(k, _)| *k))
        .collect();
    let steps = before.iter().rev().chain(&after).map(|(_, step)| *step).collect();
    (chosen, steps)
}

/// Packets that stand half-way between two main ones in nearly every period, where there are enough
/// periods to tell.
fn half_way(
    packets: &[Packet],
    chosen: &[usize],
    steps: &[u32],
    threshold: f64,
) -> Option<Vec<usize>> {
    const PERIODS: usize = 6;
    const OFF: f64 = 0.03;
    const NEARLY: f64 = 0.8;
    let mut between = Vec::new();
    for pair in chosen.windows(2) {
        let (a, b) = (&packets[pair[0]], &packets[pair[1]]);
        let middle = 0.5 * (a.start + b.start);
        let reach = OFF * (b.start - a.start);
        between.extend((pair[0] + 1..pair[1]).find(|k| {
            (packets[*k].start - middle).abs() <= reach
                && packets[*k].height >= threshold * a.height
        }));
    }
    let enough = steps.len() >= PERIODS && between.len() as f64 >= NEARLY * steps.len() as f64;
    enough.then_some(between)
}

/// Mean height of one of two turns over that of the other, where they differ beyond their scatter.
fn alternation(packets: &[Packet], chosen: &[usize]) -> Option<f64> {
    const FEWEST: usize = 6;
    /// Difference below which turns are called alike.
    const ALIKE: f64 = 0.03;
    if chosen.len() < FEWEST {
        return None;
    }
    let of = |odd: usize| {
        let heights: Vec<f64> =
            chosen.iter().skip(odd).step_by(2).map(|k| packets[*k].height).collect();
        crate::numeric::moments::mean_and_deviation(&heights)
            .map(|(mean, deviation)| (mean, deviation.unwrap_or(0.0), heights.len() as f64))
    };
    let (a, b) = (of(0)?, of(1)?);
    let scatter = (a.1 * a.1 / a.2 + b.1 * b.1 / b.2).sqrt();
    let apart = (a.0 - b.0).abs();
    let ratio = a.0.min(b.0) / a.0.max(b.0);
    (apart > 4.0 * scatter && 1.0 - ratio > ALIKE).then_some(ratio)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Crests of a carrier of 20 samples per cycle, a half-wave each, with these heights.
    fn crests(heights: impl IntoIterator<Item = f64>) -> Vec<Crest> {
        heights
            .into_iter()
            .enumerate()
            .filter(|(_, h)| *h > 0.0)
            .map(|(k, h)| Crest {
                at: 10.0 * k as f64,
                value: if k % 2 == 0 { h } else { -h },
                rough: 0.0,
            })
            .collect()
    }

    /// `count` periods of 60 half-waves, each with bursts of these heights at these places.
    fn train(count: usize, packets: impl Fn(usize) -> Vec<(usize, f64)>) -> Vec<Crest> {
        let mut heights = vec![0.0; 60 * count];
        for k in 0..count {
            for (at, height) in packets(k) {
                for (n, share) in [0.7, 1.0, 0.8, 0.5, 0.3, 0.15].into_iter().enumerate() {
                    heights[60 * k + at + n] += height * share;
                }
            }
        }
        crests(heights)
    }

    fn look(train: &[Crest]) -> (Vec<Packet>, Mains, f64) {
        let packets = packets(train, 20.0, 0.01);
        let period = period(train, 20.0).unwrap().lag;
        let mains = mains(&packets, Some(period), 0.1);
        (packets, mains, period)
    }

    #[test]
    fn second_packets_are_no_bursts() {
        let train = train(8, |k| vec![(3, 1.0), (25 + k % 3, 0.7), (44, 0.3)]);
        let (_, mains, period) = look(&train);
        assert!((period - 600.0).abs() < 5.0, "{period}");
        assert_eq!(mains.packets.len(), 8, "{mains:?}");
        assert_eq!(mains.with_second, 7);
        assert!((mains.second - 0.7).abs() < 1e-9);
        assert!(mains.steps.iter().all(|step| *step == 1));
    }

    #[test]
    fn bursts_of_two_heights_by_turns_are_all_bursts() {
        let train = train(8, |_| vec![(0, 1.0), (30, 0.24)]);
        let (_, mains, _) = look(&train);
        // The last lower one has none behind it to stand between.
        assert_eq!(mains.packets.len(), 15);
        assert!((mains.alternation.unwrap() - 0.24).abs() < 1e-9);
    }

    #[test]
    fn a_missing_burst_is_a_longer_step() {
        let train = train(9, |k| if k == 4 { Vec::new() } else { vec![(0, 1.0 + 0.1 * k as f64)] });
        let (_, mains, _) = look(&train);
        assert_eq!(mains.steps, [1, 1, 1, 2, 1, 1, 1]);
    }
}
