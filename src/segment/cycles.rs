//! The repeating sequence of phases.

use crate::trace::{Kind, Phase};
use std::ops::Range;

/// Cycles of a record.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cycles {
    /// The sequence that repeats; empty where none does.
    pub sequence: Vec<Kind>,
    /// Whole cycles, as ranges of phases.
    pub whole: Vec<Range<usize>>,
    /// Whether phases at the start or the end belong to a cycle that is not whole.
    pub incomplete: bool,
}

/// Finds the shortest sequence that the phases repeat.
///
/// A cycle is whole once the start of the next one is seen. The first phase may have begun before
/// the record: its cycle counts only if it is as long as its like in the next cycle. A sequence
/// starts after a rest where there is one, else at a cut.
#[must_use]
pub fn find(phases: &[Phase]) -> Cycles {
    let kinds: Vec<Kind> = phases.iter().map(|phase| phase.kind).collect();
    let count = kinds.len();
    // Two phases may be one cycle cut at both ends; from three on a return can be seen.
    let Some(period) = (2..=count.saturating_sub(1))
        .find(|period| (0..count - period).all(|k| kinds[k] == kinds[k + period]))
    else {
        return Cycles::default();
    };
    let is_start = |k: usize| {
        let before = kinds[(k + period - 1) % period];
        let rests = kinds[..period].contains(&Kind::Rest);
        if rests {
            before == Kind::Rest && kinds[k % period] != Kind::Rest
        } else {
            kinds[k % period] == Kind::Cut
        }
    };
    let Some(first) = (0..period).find(|k| is_start(*k)) else { return Cycles::default() };
    let sequence = (0..period).map(|k| kinds[(first + k) % period]).collect();
    let mut whole = Vec::new();
    let mut start = first;
    while start + period < count {
        if start > 0 || as_long(phases, period) {
            whole.push(start..start + period);
        }
        start += period;
    }
    let covered: usize = whole.iter().map(Range::len).sum();
    Cycles { sequence, incomplete: covered < count, whole }
}

/// Whether the first phase is as long, within 1 %, as its like one period later.
fn as_long(phases: &[Phase], period: usize) -> bool {
    let whole_like = period + 1 < phases.len();
    whole_like && phases[0].len() as f64 >= 0.99 * phases[period].len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use Kind::{Coag, Cut, Rest};

    fn phases(kinds: &[Kind]) -> Vec<Phase> {
        (0..)
            .zip(kinds)
            .map(|(k, kind)| Phase {
                kind: *kind,
                measured_kind: *kind,
                lead: crate::trace::Channel::Voltage,
                start: k * 10,
                end: k * 10 + 10,
            })
            .collect()
    }

    #[test]
    fn whole_cycles_between_cut_off_ones() {
        let found = find(&phases(&[Coag, Rest, Cut, Coag, Rest, Cut, Coag, Rest, Cut]));
        assert_eq!(found.sequence, [Cut, Coag, Rest]);
        assert_eq!(found.whole, [2..5, 5..8]);
        assert!(found.incomplete);
    }

    #[test]
    fn no_rest_and_no_repetition() {
        let found = find(&phases(&[Cut, Coag, Cut, Coag, Cut]));
        assert_eq!(found.sequence, [Cut, Coag]);
        assert_eq!(found.whole, [0..2, 2..4]);
        assert!(find(&phases(&[Cut])).sequence.is_empty());
        assert!(find(&phases(&[Rest, Cut])).sequence.is_empty());
    }
}
