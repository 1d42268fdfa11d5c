//! Bursts: the on/off or damped packets of carrier inside a phase.

use crate::numeric::crest::{Crest, chosen_from, expected_maximum};

/// One burst; times in samples from the start of the slice it was found in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Burst {
    /// Start of the on-time: a quarter cycle before the first crest above the threshold.
    pub start: f64,
    /// Place from which the wave is surely that of the carrier: a kick may start it with a jump.
    pub whole_from: f64,
    /// Place up to which it is.
    pub whole_until: f64,
    /// On-time in samples.
    pub on: f64,
    /// Largest |v|.
    pub peak: f64,
    /// Decay along the crest line in nepers per sample, where the burst decays.
    pub decay: Option<f64>,
}

/// How bursts are told from each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rule {
    /// Carrier cycle in samples.
    pub cycle: f64,
    /// Share of the burst's peak above which it is on.
    pub threshold: f64,
    /// No crest below this is looked at: noise.
    pub floor: f64,
    /// Standard deviation of the noise of a crest.
    pub sigma: f64,
    /// Whether crests are the highest of several noisy samples, and not smoothed.
    pub chosen: bool,
}

/// On-time, peak and decay of one burst, from its crests.
#[must_use]
pub fn measure(x: &[f64], crests: &[Crest], rule: &Rule) -> Option<Burst> {
    let (top, peak) = crests
        .iter()
        .enumerate()
        .map(|(k, crest)| (k, crest.value.abs()))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let level = (rule.threshold * peak).max(rule.floor);
    let first = crests.iter().position(|crest| crest.value.abs() >= level)?;
    // From the peak on, until two crests in a row stay below.
    let mut last = top;
    for (k, crest) in crests.iter().enumerate().skip(top) {
        if crest.at - crests[last].at > 1.25 * rule.cycle {
            break;
        }
        if crest.value.abs() >= level {
            last = k;
        }
    }
    // Half a cycle from the burst's own crests: the carrier of very short bursts is not known.
    let half = if last > first {
        (crests[last].at - crests[first].at) / (last - first) as f64
    } else {
        rule.cycle / 2.0
    };
    let start = crests[first].at - half / 2.0;
    let begin = gate_begin(x, &crests[first], half, level);
    let end = gate_end(x, &crests[last], half, level);
    // A last half-wave that is cut before its crest is no whole one.
    let odd = last > first && crests[last].at - crests[last - 1].at < 0.9 * half;
    let whole = if odd { last - 1 } else { last };
    // Where the last half-wave runs out, all of it but its foot is the carrier's.
    let runs_out = !odd && end > crests[whole].at + 0.45 * half;
    let whole_until = crests[whole].at + if runs_out { 0.4 * half } else { 0.0 };
    let whole_from = if begin > start { crests[first].at } else { start + 0.1 * half };
    let on = end - begin;
    let mut burst = Burst { start, whole_from, whole_until, on, peak, decay: None };
    if let Some(line) = crest_line(&crests[top..=last], rule) {
        let fall = line.decay * (crests[last].at - crests[top].at);
        // Falls by a fifth or more, along a line.
        if fall > 0.22 && line.straight {
            burst.decay = Some(line.decay);
            let reaches_level = (line.height / level).ln() / line.decay;
            // If a crest due before the line meets the level is not there, a gate ended it.
            let cut_off = crests[top].at + reaches_level - crests[last].at > 0.75 * rule.cycle;
            if !cut_off {
                let before_peak = if top == first { 0.0 } else { crests[top].at - start };
                let by_line = before_peak - rule.threshold.ln() / line.decay;
                burst.on = match passes_level(crests, last, level, rule) {
                    // Crests that leave the line, as where a load damps what was flat before, are
                    // believed where they meet the threshold.
                    Some(at) if (at - start - by_line).abs() > rule.cycle => at - start,
                    _ => by_line,
                };
                burst.whole_until = crests[last].at + 0.4 * half;
            }
        }
    }
    Some(burst)
}

/// Place at which the crests themselves pass `level`, between the last one above it and the next;
/// `None` where there is no next one, or noise would rule it.
fn passes_level(crests: &[Crest], last: usize, level: f64, rule: &Rule) -> Option<f64> {
    let (above, below) = (crests.get(last)?, crests.get(last + 1)?);
    let (a, b) = (above.value.abs(), below.value.abs());
    let near = below.at - above.at < 0.75 * rule.cycle;
    (near && b < a && b > 0.0 && level > 4.0 * rule.sigma).then(|| {
        above.at + (below.at - above.at) * ((a / level).ln() / (a / b).ln()).clamp(0.0, 1.0)
    })
}

/// Samples by which the place where a sine begins or ends is told.
const NATURAL: f64 = 0.7;

/// End of a gate whose last crest above `level` is `crest`: a quarter cycle behind it where the
/// half-wave runs out, or where the samples fall off before that.
fn gate_end(x: &[f64], crest: &Crest, half: f64, level: f64) -> f64 {
    let runs_out = crest.at + half / 2.0;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let (from, to) = (crest.at.max(0.0) as usize, runs_out.max(0.0).ceil() as usize);
    let sign = crest.value.signum();
    let above = (from..=to).take_while(|k| x.get(*k).is_some_and(|x| sign * x >= level)).last();
    let Some(above) = above else { return runs_out };
    let end = above as f64 + 0.5;
    let foot = foot(crest, half, level);
    // What falls off far from its foot is cut; near it, a foot may follow.
    if runs_out - end > foot + (0.12 * half).max(1.0) {
        return end;
    }
    let end = above as f64 + passes(x, above, above + 1, sign, level) + foot;
    if runs_out - end < NATURAL { runs_out } else { end }
}

/// Begin of a gate whose first crest above `level` is `crest`: a quarter cycle before it where the
/// half-wave rises from nothing, or where the samples jump up after that.
fn gate_begin(x: &[f64], crest: &Crest, half: f64, level: f64) -> f64 {
    let rises = crest.at - half / 2.0;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let (to, from) = (rises.max(0.0) as usize, crest.at.max(0.0) as usize);
    let sign = crest.value.signum();
    let below = (to..=from).rev().find(|k| x.get(*k).is_none_or(|x| sign * x < level));
    let Some(below) = below else { return rises };
    let begin = below as f64 + 0.5;
    let foot = foot(crest, half, level);
    if begin - rises > foot + (0.12 * half).max(1.0) {
        return begin;
    }
    let begin = below as f64 + 1.0 - passes(x, below + 1, below, sign, level) - foot;
    if begin - rises < NATURAL { rises } else { begin }
}

/// How far from sample `above` towards its neighbour `below` the wave passes the level, in samples.
fn passes(x: &[f64], above: usize, below: usize, sign: f64, level: f64) -> f64 {
    let (Some(a), Some(b)) = (x.get(above), x.get(below)) else { return 0.5 };
    let (a, b) = (sign * a, sign * b);
    if a > b { ((a - level) / (a - b)).clamp(0.0, 1.0) } else { 0.5 }
}

/// How far inside its half-wave a sine passes the level.
fn foot(crest: &Crest, half: f64, level: f64) -> f64 {
    half * (level / crest.value.abs()).min(1.0).asin() / std::f64::consts::PI
}

struct CrestLine {
    /// Nepers per sample.
    decay: f64,
    /// Height on the line at its first crest.
    height: f64,
    straight: bool,
}

/// Straight line through the logarithms of successive crests, less what noise adds to each.
fn crest_line(crests: &[Crest], rule: &Rule) -> Option<CrestLine> {
    if crests.len() < 3 {
        return None;
    }
    let n = crests.len() as f64;
    let without_noise = |height: f64| {
        if rule.sigma <= 0.0 || !rule.chosen {
            return height;
        }
        let near = chosen_from(height, rule.sigma, rule.cycle);
        (height - rule.sigma * expected_maximum(near)).max(0.3 * height)
    };
    let logs: Vec<f64> = crests.iter().map(|crest| without_noise(crest.value.abs()).ln()).collect();
    let mean_t = crests.iter().map(|crest| crest.at).sum::<f64>() / n;
    let mean_y = logs.iter().sum::<f64>() / n;
    let (mut tt, mut ty, mut yy) = (0.0, 0.0, 0.0);
    for (crest, y) in crests.iter().zip(&logs) {
        let (t, y) = (crest.at - mean_t, y - mean_y);
        tt += t * t;
        ty += t * y;
        yy += y * y;
    }
    let slope = ty / tt;
    let straight = yy > 0.0 && ty * ty / (tt * yy) > 0.8;
    let height = (mean_y + slope * (crests[0].at - mean_t)).exp();
    (slope < 0.0).then_some(CrestLine { decay: -slope, height, straight })
}

/// Silence inside a wave that would not be silent there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Silence {
    /// First silent sample.
    pub from: usize,
    /// Sample after the last.
    pub to: usize,
}

/// Runs of samples below `level` that last longer than the wave's own way through zero, by a part of a
/// carrier cycle at least: gaps that the crests do not tell, as they are shorter than a cycle.
#[must_use]
pub fn silences(x: &[f64], level: f64, cycle: f64) -> Vec<Silence> {
    /// Part of a cycle by which a silence stands out.
    const LONGER: f64 = 0.12;
    /// Share of half-waves that may be silent for longer than usual; more, and it is the wave itself.
    const RARE: f64 = 0.12;
    let mut runs: Vec<Silence> = Vec::new();
    let mut from = None;
    for (k, value) in x.iter().enumerate() {
        match (value.abs() < level, from) {
            (true, None) => from = Some(k),
            (false, Some(start)) => {
                runs.push(Silence { from: start, to: k });
                from = None;
            }
            _ => {}
        }
    }
    let mut lengths: Vec<f64> = runs.iter().map(|run| (run.to - run.from) as f64).collect();
    // A steep wave may step over the level without a sample below it.
    let half_waves = 2.0 * x.len() as f64 / cycle.max(1.0);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let unseen = (half_waves - lengths.len() as f64).max(0.0) as usize;
    lengths.extend(std::iter::repeat_n(0.0, unseen));
    let Some(usual) = crate::numeric::order::median(&mut lengths) else { return Vec::new() };
    let least = usual + (LONGER * cycle).max(2.0);
    runs.retain(|run| (run.to - run.from) as f64 >= least);
    if runs.len() as f64 > RARE * half_waves { Vec::new() } else { runs }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::pattern::packets;
    use crate::numeric::crest::crests;
    use std::f64::consts::TAU;

    /// 20 samples per cycle; bursts of `cycles` out of `period` cycles.
    fn gated(on: usize, period: usize, count: usize) -> Vec<f64> {
        (0..period * 20 * count)
            .map(|n| {
                if n % (period * 20) < on * 20 {
                    (TAU * n as f64 / 20.0).sin() * 100.0
                } else {
                    0.0
                }
            })
            .collect()
    }

    fn find(x: &[f64], crests: &[Crest], rule: &Rule) -> Vec<Burst> {
        let packets = packets(crests, rule.cycle, rule.floor);
        packets.iter().filter_map(|one| measure(x, &crests[one.crests.clone()], rule)).collect()
    }

    const RULE: Rule = Rule { cycle: 20.0, threshold: 0.1, floor: 1.0, sigma: 0.0, chosen: true };

    #[test]
    fn gated_bursts_read_their_gate() {
        let x = gated(3, 50, 5);
        let bursts = find(&x, &crests(&x, 1.0, None), &RULE);
        assert_eq!(bursts.len(), 5);
        for (k, burst) in bursts.iter().enumerate() {
            assert!((burst.on - 60.0).abs() < 0.05, "{burst:?}");
            assert!((burst.start - 1000.0 * k as f64).abs() < 1e-6, "{burst:?}");
            assert!(burst.decay.is_none());
        }
    }

    #[test]
    fn a_gate_may_end_anywhere_in_the_carrier() {
        // 20 samples per cycle; the last half-wave is cut at every place.
        for end in 60..=80 {
            let x: Vec<f64> = (0..5000)
                .map(|n| {
                    let inside = n % 1000;
                    if inside < end { (TAU * f64::from(inside) / 20.0).sin() * 100.0 } else { 0.0 }
                })
                .collect();
            let bursts = find(&x, &crests(&x, 1.0, None), &RULE);
            let off = bursts[2].on - f64::from(end);
            // A sample, or what is too low to be seen.
            assert!(off.abs() <= 2.0, "{end}: off by {off}");
        }
    }

    /// A tank that is kicked starts with a jump to its crest: damped cosine, decrement 0.4.
    #[test]
    fn a_kick_is_no_quarter_cycle() {
        let x: Vec<f64> = (0..5000)
            .map(|n| {
                let inside = f64::from(n % 1000) / 20.0;
                1000.0 * (-0.4 * inside).exp() * (TAU * inside).cos()
            })
            .collect();
        for burst in &find(&x, &crests(&x, 1.0, None), &RULE)[1..4] {
            // The wave is taken from the crest on, not from before the jump.
            let into = burst.whole_from.rem_euclid(1000.0);
            assert!(!(1.5..=999.0).contains(&into), "{burst:?}");
            // ln(10) / 0.4 = 5.756 cycles.
            assert!((burst.on / 20.0 - 5.756).abs() < 0.1, "{burst:?}");
        }
    }

    #[test]
    fn damped_bursts_read_the_crest_line() {
        // Log decrement 0.5 per cycle: on-time ln(10)/0.5 = 4.605 cycles at 10 %,
        // ln(2)/0.5 = 1.386 cycles at 50 %.
        let period = 333;
        let x: Vec<f64> = (0..period * 6)
            .map(|n| {
                let inside = (n % period) as f64 / 20.0;
                1000.0 * (-0.5 * inside).exp() * (TAU * inside).sin()
            })
            .collect();
        for threshold in [0.1, 0.5] {
            let rule = Rule { threshold, ..RULE };
            let bursts = find(&x, &crests(&x, 1.0, None), &rule);
            assert_eq!(bursts.len(), 6);
            let wanted = -f64::ln(threshold) / 0.5 * 20.0;
            for burst in &bursts[1..] {
                assert!((burst.on / wanted - 1.0).abs() < 2e-3, "{threshold} {burst:?}");
                assert!((burst.decay.unwrap() * 20.0 / 0.5 - 1.0).abs() < 2e-3);
            }
        }
    }

    #[test]
    fn a_damped_burst_cut_by_its_gate_reads_the_gate() {
        let period = 400;
        let x: Vec<f64> = (0..period * 6)
            .map(|n| {
                let inside = (n % period) as f64 / 20.0;
                let on = if inside < 3.0 { 1000.0 } else { 0.0 };
                on * (-0.2 * inside).exp() * (TAU * inside).sin()
            })
            .collect();
        let bursts = find(&x, &crests(&x, 1.0, None), &RULE);
        assert!((bursts[2].on / 60.0 - 1.0).abs() < 0.02, "{:?}", bursts[2]);
    }

    #[test]
    fn a_steady_sine_has_no_bursts_beyond_its_start() {
        let x: Vec<f64> = (0..4000).map(|n| (TAU * f64::from(n) / 20.0).sin()).collect();
        assert!(find(&x, &crests(&x, 0.1, None), &RULE).len() <= 1);
        assert!(find(&[], &[], &RULE).is_empty());
    }
}
