//! Time stamps: where a record is even, where it jumps, and how finely it was stamped.

use super::{Break, BreakReason, Piece, Stamps};
use crate::numeric::moments::{PairMoments, mean};
use crate::numeric::order::median;

/// What is known of the time axis before a piece is looked at.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Axis {
    /// Sample interval, s, where it is known.
    pub interval: Option<f64>,
    /// First stamp of the file, s.
    pub origin: Option<f64>,
}

/// Describes the stamps of a piece (s), and adds the records that begin where time jumps ahead or
/// starts again. Breaks that the piece has already stay.
pub(super) fn describe(time: &[f64], axis: Axis, out: &mut Piece) {
    if time.is_empty() {
        return;
    }
    let steps = steps(time);
    if let Some(interval) = axis.interval {
        let rounding = rounding(interval, steps.quantum, steps.repeats);
        // Most pieces have neither a jump nor a step back: one look at the extremes tells.
        let even = steps.backward == 0
            && reason(0.0, steps.largest, interval, rounding, axis.origin).is_none();
        for (k, [before, now]) in time.array_windows().enumerate().filter(|_| !even) {
            let reason = reason(*before, *now, interval, rounding, axis.origin);
            let known = || out.breaks.iter().any(|known| known.at == k + 1);
            if let Some(reason) = reason.filter(|_| !known()) {
                out.breaks.push(Break { at: k + 1, reason });
            }
        }
        out.breaks.sort_by_key(|known| known.at);
    }
    let inner = out.breaks.iter().map(|known| known.at).filter(|at| (1..time.len()).contains(at));
    let mut borders = vec![0];
    borders.extend(inner);
    borders.push(time.len());
    for [from, to] in borders.array_windows() {
        out.stamps.extend(time.get(*from..*to).and_then(|part| stretch(part, *from)));
    }
}

/// Whether a new record begins between two stamps, `rounding` being how far a stamp may be off.
pub fn reason(
    before: f64,
    now: f64,
    interval: f64,
    rounding: f64,
    origin: Option<f64>,
) -> Option<BreakReason> {
    let step = now - before;
    if step > 1.5 * interval + 1.05 * rounding {
        return Some(BreakReason::Jump(step - interval));
    }
    let restarts = origin.is_some_and(|origin| (now - origin).abs() <= 2.0 * interval + rounding);
    (step < 0.0 && restarts).then_some(BreakReason::Restart)
}

/// How far stamps may be off for having been rounded, s.
pub fn rounding(interval: f64, quantum: f64, repeats: u64) -> f64 {
    if repeats > 0 { quantum } else { 2.0 * (interval - quantum).max(0.0) }
}

/// What the steps between stamps show.
struct Steps {
    /// Smallest step above zero; 0 where there is none.
    quantum: f64,
    /// Largest step.
    largest: f64,
    /// Steps of zero.
    repeats: u64,
    /// Steps below zero.
    backward: u64,
}

fn steps(time: &[f64]) -> Steps {
    let (mut quantum, mut largest) = (f64::INFINITY, f64::NEG_INFINITY);
    let (mut repeats, mut backward) = (0, 0);
    for [before, now] in time.array_windows() {
        // Without a branch: this is asked of every stamp.
        let step = now - before;
        let ahead = if step > 0.0 { step } else { f64::INFINITY };
        quantum = if ahead < quantum { ahead } else { quantum };
        largest = if step > largest { step } else { largest };
        repeats += u64::from(step == 0.0);
        backward += u64::from(step < 0.0);
    }
    let quantum = if quantum.is_finite() { quantum } else { 0.0 };
    Steps { quantum, largest, repeats, backward }
}

fn stretch(time: &[f64], start: usize) -> Option<Stamps> {
    let (first, last) = (*time.first()?, *time.last()?);
    let slope = (last - first) / (time.len().max(2) - 1) as f64;
    let Steps { quantum, repeats, backward, .. } = steps(time);
    let mut bow = 0.0_f64;
    for (k, stamp) in time.iter().enumerate() {
        let away = (stamp - first - slope * k as f64).abs();
        bow = if away > bow { away } else { bow };
    }
    let line = if repeats > 0 {
        let places: Vec<f64> = (start..start + time.len()).map(|k| k as f64).collect();
        PairMoments::of(&places, time)
    } else {
        PairMoments::default()
    };
    Some(Stamps { start, first, last, bow, quantum, backward, repeats, line })
}

/// What the first stamps of a file show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct FirstLook {
    /// Sample interval, s.
    pub interval: f64,
    /// First stamp, s.
    pub origin: f64,
    /// Share of steps that are neither zero nor near the usual one.
    pub uneven: f64,
    /// Steps that go backwards.
    pub backward: usize,
    /// Every stamp stands exactly twice.
    pub pairs: bool,
}

/// Looks at the first stamps of a file (s); `None` where time does not run.
pub(super) fn first_look(time: &[f64]) -> Option<FirstLook> {
    let steps: Vec<f64> = time.array_windows().map(|[before, now]| now - before).collect();
    let origin = *time.first()?;
    let backward = steps.iter().filter(|step| **step < 0.0).count();
    let mut ahead: Vec<f64> = steps.iter().copied().filter(|step| *step > 0.0).collect();
    let usual = median(&mut ahead)?;
    let repeats = steps.iter().filter(|step| **step == 0.0).count();
    // Where stamps repeat, a step is that of the rounding: the interval is the mean over the
    // stretch that goes on without a jump.
    let jump = steps.iter().position(|step| *step < 0.0 || *step > 10.0 * usual);
    let even = steps.get(..jump.unwrap_or(steps.len())).unwrap_or_default();
    let interval = if repeats > 0 { mean(even).filter(|mean| *mean > 0.0) } else { Some(usual) }?;
    // Rounding moves a step by up to what stamps were rounded to.
    let tolerance = if repeats > 0 { 1.05 * usual } else { 0.5 * usual };
    let odd = |step: &&f64| **step != 0.0 && (**step - usual).abs() > tolerance;
    let uneven = steps.iter().filter(odd).count() as f64 / steps.len().max(1) as f64;
    let (twins, _) = time.as_chunks::<2>();
    let pairs = twins.len() >= 4
        && twins.iter().all(|[a, b]| a == b)
        && twins.array_windows().all(|[[before, _], [now, _]]| now > before);
    Some(FirstLook { interval, origin, uneven, backward, pairs })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn described(time: &[f64], interval: f64) -> Piece {
        let mut piece = Piece::default();
        let axis = Axis { interval: Some(interval), origin: time.first().copied() };
        describe(time, axis, &mut piece);
        piece
    }

    #[test]
    fn jumps_and_restarts_are_told_from_rounding() {
        let even: Vec<f64> = (0..100).map(|k| f64::from(k) * 1e-7).collect();
        assert!(described(&even, 1e-7).breaks.is_empty());
        let rounded: Vec<f64> = even.iter().map(|t| (t * 1e6).round() / 1e6).collect();
        let piece = described(&rounded, 1e-7);
        assert!(piece.breaks.is_empty(), "{:?}", piece.breaks);
        assert_eq!(piece.stamps[0].repeats, 89);
        let mut jumped = even.clone();
        jumped[50..].iter_mut().for_each(|t| *t += 3e-3);
        let piece = described(&jumped, 1e-7);
        assert_eq!(piece.breaks.len(), 1);
        assert_eq!(piece.breaks[0].at, 50);
        assert!(
            matches!(piece.breaks[0].reason, BreakReason::Jump(by) if (by - 3e-3).abs() < 1e-9)
        );
        assert_eq!(piece.stamps.len(), 2);
        let twice: Vec<f64> = even.iter().chain(&even).copied().collect();
        let piece = described(&twice, 1e-7);
        assert_eq!(piece.breaks, [Break { at: 100, reason: BreakReason::Restart }]);
    }

    #[test]
    fn a_first_look_tells_even_from_uneven() {
        let even: Vec<f64> = (0..100).map(|k| f64::from(k) * 1e-7).collect();
        let look = first_look(&even).unwrap();
        assert!((look.interval / 1e-7 - 1.0).abs() < 1e-9 && look.uneven < 0.01 && !look.pairs);
        let log: Vec<f64> = (0..50).map(|k| 1e-6 * 1.2_f64.powi(k)).collect();
        assert!(first_look(&log).unwrap().uneven > 0.5);
        let pairs: Vec<f64> = even.iter().flat_map(|t| [*t, *t]).collect();
        assert!(first_look(&pairs).unwrap().pairs);
        assert!(first_look(&[1.0; 9]).is_none());
    }
}
