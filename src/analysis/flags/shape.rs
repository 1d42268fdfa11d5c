//! Doubts about the shape of the output: what its measures do not describe.

use super::Case;
use crate::flag::{Code, Flag};
use crate::measures::stats::Shape;
use crate::units::{Unit, for_people};

/// Share of the energy that steady output, and bursts, may leave over.
const LEFT_STEADY: f64 = 0.02;
const LEFT_BURSTS: f64 = 0.05;

pub(super) fn find(case: &Case<'_>, flags: &mut Vec<Flag>) {
    described(case, flags);
    pattern(case, flags);
    unlike(case, flags);
    peak(case, flags);
}

fn described(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let left = |k: usize| {
        let one = &case.stats[k];
        let allowed = if matches!(one.shape, Shape::Bursts(_)) { LEFT_BURSTS } else { LEFT_STEADY };
        one.undescribed.mean().filter(|share| *share > allowed)
    };
    let Some((kinds, share)) = case.worst(left) else { return };
    let moves = case.worst(|k| case.oddities[k].carrier_moves);
    let seen = match moves {
        Some((_, moves)) if moves > 0.01 => {
            format!("; the carrier moves by {:.1} % (standard deviation)", 100.0 * moves)
        }
        _ => String::new(),
    };
    flags.push(
        Flag::new(
            Code::ShapeNotDescribed,
            format!(
                "{:.1} % of the energy of a phase is not that of a carrier with harmonics in the \
                 bursts that were found, over {:.0} % (bursts {:.0} %){seen}: arcs, a second tone, \
                 or half-waves that differ; look at the picture",
                100.0 * share,
                100.0 * LEFT_STEADY,
                100.0 * LEFT_BURSTS
            ),
        )
        .seen_in(kinds),
    );
}

fn pattern(case: &Case<'_>, flags: &mut Vec<Flag>) {
    if let Some((kinds, share)) =
        case.worst(|k| case.oddities[k].second_packets.map(|(share, _)| share))
    {
        let highest = case.worst(|k| case.oddities[k].second_packets.map(|(_, ratio)| ratio));
        flags.push(
            Flag::new(
                Code::SecondPackets,
                format!(
                    "{:.0} % of the burst periods hold a second packet, up to {:.0} % as high as the \
                     first: on-time and duty are those of the first alone",
                    100.0 * share,
                    100.0 * highest.map_or(0.0, |(_, ratio)| ratio)
                ),
            )
            .seen_in(kinds),
        );
    }
    if let Some((kinds, ratio)) = case.worst(|k| case.oddities[k].alternation) {
        flags.push(
            Flag::new(
                Code::BurstsAlternate,
                format!(
                    "bursts of two heights come by turns, the lower {:.0} % as high as the higher: \
                     rate and duty count each as a burst, the whole pattern repeats half as often",
                    100.0 * ratio
                ),
            )
            .seen_in(kinds),
        );
    }
    let missing =
        |k: usize| case.oddities[k].missing.map(|(missing, of)| missing as f64 / of as f64);
    if let Some((kinds, share)) = case.worst(missing) {
        flags.push(
            Flag::new(
                Code::BurstsMissing,
                format!(
                    "in {:.1} % of the burst periods there is no burst: rate and duty are those of \
                     the others",
                    100.0 * share
                ),
            )
            .seen_in(kinds),
        );
    }
    let silent = |k: usize| case.oddities[k].silences.map(|(_, longest)| longest);
    if let Some((kinds, longest)) = case.worst(silent) {
        let count: u64 =
            case.powered().filter_map(|k| case.oddities[k].silences).map(|(count, _)| count).sum();
        flags.push(
            Flag::new(
                Code::OutputInterrupted,
                format!(
                    "output that is continuous otherwise falls silent {count} time(s), for up to {}: \
                     a loose contact, an arc that dies, or bursts that do not repeat",
                    for_people(longest, Unit::Second)
                ),
            )
            .seen_in(kinds),
        );
    }
}

fn unlike(case: &Case<'_>, flags: &mut Vec<Flag>) {
    if let Some((kinds, share)) = case.worst(|k| case.oddities[k].unlike) {
        flags.push(
            Flag::new(
                Code::OutputVaries,
                format!(
                    "the mean square of the stretches that were looked at burst by burst differs by \
                     {:.1} % from that of all samples of the phase: raise --burst-samples",
                    100.0 * share
                ),
            )
            .seen_in(kinds),
        );
    }
}

fn peak(case: &Case<'_>, flags: &mut Vec<Flag>) {
    if let Some((kinds, ratio)) = case.worst(|k| case.oddities[k].lone_peak) {
        flags.push(
            Flag::new(
                Code::LonePeak,
                format!(
                    "one crest stands {:.0} % above the fifth highest: a spike, a switch-on or a \
                     disturbance decides peak and crest factor",
                    100.0 * (ratio - 1.0)
                ),
            )
            .seen_in(kinds),
        );
    }
}
