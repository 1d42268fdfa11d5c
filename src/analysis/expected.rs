//! Phases named by the sequence that a setting is expected to give.

use crate::trace::{Kind, Phase};

/// Names the phases by `sequence` where rests and outputs stand in the same places; else leaves
/// the measured kinds. The measured kind is kept beside the name.
pub(super) fn name_phases(phases: &mut [Phase], sequence: &[Kind]) {
    let powered: Vec<Kind> = sequence.iter().copied().filter(|kind| kind.powered()).collect();
    let [first, rest @ ..] = powered.as_slice() else { return };
    if rest.iter().all(|kind| kind == first) {
        // One kind of output only: every powered phase is of it, rests come and go by hand.
        for phase in phases.iter_mut().filter(|phase| phase.kind.powered()) {
            phase.kind = *first;
        }
        return;
    }
    let count = sequence.len();
    let expected = |shift: usize, k: usize| sequence[(k + shift) % count];
    let stands = |shift: usize| {
        (0..phases.len()).all(|k| expected(shift, k).powered() == phases[k].measured_kind.powered())
    };
    let agreement = |shift: usize| {
        (0..phases.len()).filter(|k| expected(shift, *k) == phases[*k].measured_kind).count()
    };
    let best = (0..count).filter(|shift| stands(*shift)).max_by_key(|shift| agreement(*shift));
    if let Some(shift) = best {
        for (k, phase) in phases.iter_mut().enumerate() {
            phase.kind = sequence[(k + shift) % count];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Kind::{Coag, Cut, Rest};

    fn named(measured: &[Kind], sequence: &[Kind]) -> Vec<Kind> {
        let mut phases: Vec<Phase> = (0..)
            .zip(measured)
            .map(|(k, kind)| Phase {
                kind: *kind,
                measured_kind: *kind,
                lead: crate::trace::Channel::Voltage,
                start: k,
                end: k + 1,
            })
            .collect();
        name_phases(&mut phases, sequence);
        phases.iter().map(|phase| phase.kind).collect()
    }

    #[test]
    fn the_expected_sequence_names() {
        assert_eq!(named(&[Rest, Cut, Rest], &[Coag]), [Rest, Coag, Rest]);
        assert_eq!(
            named(&[Cut, Cut, Rest, Cut, Cut], &[Cut, Coag, Rest]),
            [Cut, Coag, Rest, Cut, Coag]
        );
        // Rests in other places: the measured kinds stand.
        assert_eq!(named(&[Cut, Rest, Coag, Rest], &[Cut, Coag, Rest]), [Cut, Rest, Coag, Rest]);
        assert_eq!(named(&[Cut, Rest], &[]), [Cut, Rest]);
    }
}
