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
    /// Standard deviation of the noise.
    pub sigma: f64,
}

/// A burst ends where crests fall below this share of its peak, and the next begins where they
/// rise to twice the valley: hysteresis against ripple and noise.
const VALLEY: f64 = 0.5;

/// A burst is no burst below this share of the highest.
const LOWEST_BURST: f64 = 0.25;

/// Finds the bursts of `x` by its crests, in order.
///
/// The first and the last found may be cut off by the slice; the caller knows.
#[must_use]
pub fn find(x: &[f64], crests: &[Crest], rule: &Rule) -> Vec<Burst> {
    let starts = starts(crests, rule);
    starts
        .iter()
        .enumerate()
        .filter_map(|(k, start)| {
            let end = starts.get(k + 1).copied().unwrap_or(crests.len());
            measure(x, crests.get(*start..end)?, rule)
        })
        .collect()
}

/// Indices of the crests with which bursts start, without those of bursts far lower than the
/// highest: noise on the tail of the burst before.
fn starts(crests: &[Crest], rule: &Rule) -> Vec<usize> {
    let rises = rises(crests, rule);
    let peaks: Vec<f64> = rises
        .iter()
        .enumerate()
        .map(|(k, start)| {
            let end = rises.get(k + 1).copied().unwrap_or(crests.len());
            crests[*start..end].iter().fold(0.0, |top: f64, crest| top.max(crest.value.abs()))
        })
        .collect();
    let highest = peaks.iter().copied().fold(0.0, f64::max);
    let real = peaks.iter().map(|peak| *peak >= LOWEST_BURST * highest);
    rises.iter().zip(real).filter(|(_, real)| *real).map(|(start, _)| *start).collect()
}

/// Indices of the crests with which the height rises out of a valley.
fn rises(crests: &[Crest], rule: &Rule) -> Vec<usize> {
    let gap = 1.25 * rule.cycle;
    // Height over one cycle: both half-waves count, whichever is larger.
    let height = |k: usize| {
        let here = crests[k].value.abs();
        match crests.get(k + 1) {
            Some(next) if next.at - crests[k].at < 0.75 * rule.cycle => here.max(next.value.abs()),
            _ => here,
        }
    };
    let mut found = Vec::new();
    let (mut rising, mut peak, mut valley) = (false, 0.0_f64, (0.0_f64, 0_usize));
    for k in 0..crests.len() {
        let h = height(k);
        let after_gap = k > 0 && crests[k].at - crests[k - 1].at > gap;
        if after_gap {
            (rising, valley) = (false, (0.0, k));
        }
        if rising {
            peak = peak.max(h);
            if h < VALLEY * peak {
                (rising, valley) = (false, (h, k));
            }
        } else if h < valley.0 {
            valley = (h, k);
        } else if h * VALLEY > valley.0 && h >= rule.floor {
            // After a gap the burst starts with this crest, after a dip with the one behind it.
            found.push(if valley.0 == 0.0 { k } else { (valley.1 + 1).min(k) });
            (rising, peak) = (true, h);
        }
    }
    found
}

/// On-time, peak and decay of one burst, from its crests.
fn measure(x: &[f64], crests: &[Crest], rule: &Rule) -> Option<Burst> {
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
    let whole_until = crests[whole].at;
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
                burst.on = before_peak - rule.threshold.ln() / line.decay;
                burst.whole_until = crests[last].at + 0.4 * half;
            }
        }
    }
    Some(burst)
}

/// End of a gate whose last crest above `level` is `crest`: a quarter cycle behind it where the
/// half-wave runs out, or where the samples fall off before that.
fn gate_end(x: &[f64], crest: &Crest, half: f64, level: f64) -> f64 {
    let runs_out = crest.at + half / 2.0;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let (from, to) = (crest.at.max(0.0) as usize, runs_out.max(0.0).ceil() as usize);
    let sign = crest.value.signum();
    let above = (from..=to).take_while(|k| x.get(*k).is_some_and(|x| sign * x >= level)).last();
    let Some(above) = above else { return runs_out };
    let early = runs_out - (above as f64 + 0.5);
    if early > usual(crest, half, level) { above as f64 + 0.5 } else { runs_out }
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
    if begin - rises > usual(crest, half, level) { begin } else { rises }
}

/// How far inside its half-wave the samples of a sine pass the level, and a part of it more.
fn usual(crest: &Crest, half: f64, level: f64) -> f64 {
    let share = (level / crest.value.abs()).min(1.0).asin() / std::f64::consts::PI;
    half * share + (0.12 * half).max(1.0)
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
        if rule.sigma <= 0.0 {
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

#[cfg(test)]
mod tests {
    use super::*;
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

    const RULE: Rule = Rule { cycle: 20.0, threshold: 0.1, floor: 1.0, sigma: 0.0 };

    #[test]
    fn gated_bursts_read_their_gate() {
        let x = gated(3, 50, 5);
        let bursts = find(&x, &crests(&x, 1.0, true), &RULE);
        assert_eq!(bursts.len(), 5);
        for (k, burst) in bursts.iter().enumerate() {
            assert!((burst.on - 60.0).abs() < 1e-6, "{burst:?}");
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
            let bursts = find(&x, &crests(&x, 1.0, true), &RULE);
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
        for burst in &find(&x, &crests(&x, 1.0, true), &RULE)[1..4] {
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
            let bursts = find(&x, &crests(&x, 1.0, true), &rule);
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
        let bursts = find(&x, &crests(&x, 1.0, true), &RULE);
        assert!((bursts[2].on / 60.0 - 1.0).abs() < 0.02, "{:?}", bursts[2]);
    }

    #[test]
    fn a_steady_sine_has_no_bursts_beyond_its_start() {
        let x: Vec<f64> = (0..4000).map(|n| (TAU * f64::from(n) / 20.0).sin()).collect();
        assert!(find(&x, &crests(&x, 0.1, true), &RULE).len() <= 1);
        assert!(find(&[], &[], &RULE).is_empty());
    }
}
