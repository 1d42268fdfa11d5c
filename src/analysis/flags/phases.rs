//! Doubts about the phases: what they are, where they begin, what rests hold.

use super::Case;
use crate::flag::{Code, Flag};
use crate::numeric::moments::PairMoments;
use crate::segment::KindDoubt;
use crate::trace::Kind;
use crate::units::{Unit, for_people};
use std::ops::Range;

/// Time of output within a rest that counts, s: shorter is a click.
const CLICK_S: f64 = 100e-6;
/// RMS of a rest over that of the strongest phase from which on it is not quiet, beside the noise.
const REST_SHARE: f64 = 0.02;
/// Time at either end of a rest that is left out of this, s.
const SPARE_S: f64 = 300e-6;

pub(super) fn find(case: &Case<'_>, flags: &mut Vec<Flag>) {
    cycles(case, flags);
    if case.powered().next().is_none() {
        flags.push(Flag::new(
            Code::NoOutput,
            "no output was found in the record: was the generator activated, is the load \
             connected, is the right channel named?",
        ));
        return;
    }
    kinds(case, flags);
    rests(case, flags);
    short(case, flags);
}

fn cycles(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let cycles = &case.measurement.cycles;
    let covered: usize = cycles.count * cycles.sequence.len();
    if !cycles.sequence.is_empty() && covered < case.phases.len() {
        flags.push(Flag::new(
            Code::IncompleteCycle,
            format!(
                "{} of {} phases belong to cycles that the record cuts off; cycle figures leave \
                 them out",
                case.phases.len() - covered,
                case.phases.len()
            ),
        ));
    }
}

/// Kinds that the waveform alone does not tell, unless the setting names them.
fn kinds(case: &Case<'_>, flags: &mut Vec<Flag>) {
    if case.named {
        return;
    }
    let doubts: Vec<(Kind, KindDoubt)> = case
        .segmentation
        .evidence
        .iter()
        .zip(case.phases)
        .filter_map(|(evidence, phase)| Some((phase.kind, evidence.as_ref()?.doubt?)))
        .collect();
    for (doubt, why) in [
        (
            KindDoubt::LowVoltage,
            "the peak stays under about 200 V, where cutting arcs begin to form: a low setting or a \
             low load hides whether it is cut or coag",
        ),
        (KindDoubt::VoltageUnknown, "without the voltage, continuous coag can't be told from cut"),
        (
            KindDoubt::NearBorder,
            "the crest factor lies within 3 % of the border of 4.0 between cut and coag",
        ),
    ] {
        let own = || doubts.iter().filter(|(_, of)| *of == doubt);
        let count = own().count();
        if count > 0 {
            flags.push(
                Flag::new(
                    Code::KindInDoubt,
                    format!(
                        "the kind of {count} phase(s) is in doubt: {why}. A profile whose setting \
                         states its sequence names them"
                    ),
                )
                .seen_in(own().map(|(kind, _)| *kind)),
            );
        }
    }
}

/// Rests that hold power of their own.
fn rests(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let rate = case.record.samples().rate();
    let mut worst: Option<(f64, f64)> = None;
    for channel in case.segmentation.alive.present() {
        let rms = |k: usize| {
            let phase = &case.phases[k];
            // The last burst before a rest, and the first behind it, reach into it.
            let spare = match phase.kind {
                Kind::Rest => rate.samples(SPARE_S).min(phase.len() as f64 / 4.0) as u64,
                _ => 0,
            };
            let overview = case.record.overview();
            let (_, cells, _) = overview.inside(&(phase.start + spare..phase.end - spare));
            let mut all = PairMoments::default();
            overview.cells()[cells].iter().for_each(|cell| all.merge(&cell.moments));
            let variance = channel.of((all.m2_v, all.m2_i)) / all.n.max(1) as f64;
            let sigma = channel.of(case.noise);
            (variance - 2.0 * sigma * sigma).max(0.0).sqrt()
        };
        let strongest = case.powered().map(rms).fold(0.0, f64::max);
        for k in (0..case.phases.len()).filter(|k| !case.phases[*k].kind.powered()) {
            let share = rms(k) / strongest.max(f64::MIN_POSITIVE);
            if share > REST_SHARE && worst.is_none_or(|(known, _)| share > known) {
                let start = case.record.samples().rate().seconds(case.phases[k].start as f64);
                worst = Some((share, start));
            }
        }
    }
    if let Some((share, start)) = worst {
        flags.push(Flag::new(
            Code::RestNotQuiet,
            format!(
                "a rest is not quiet: {:.1} % of the RMS of the strongest phase, over {:.0} % (the \
                 one from {} on). It holds the foot of a slow ramp, a tail, a short output or \
                 interference; where phases begin and end is in doubt",
                100.0 * share,
                100.0 * REST_SHARE,
                if start == 0.0 { "the start".into() } else { for_people(start, Unit::Second) }
            ),
        ));
    }
}

/// Output too short to be a phase of its own.
fn short(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let rate = case.record.samples().rate();
    let seconds = |range: &Range<u64>| rate.seconds((range.end - range.start) as f64);
    let least = for_people(case.measurement.settings.thresholds.phase_min_s, Unit::Second);
    let dropped: Vec<&Range<u64>> =
        case.segmentation.dropped.iter().filter(|range| seconds(range) >= CLICK_S).collect();
    if let Some(first) = dropped.first() {
        flags.push(Flag::new(
            Code::ShortOutput,
            format!(
                "{} stretch(es) of output shorter than {least} count as rest, the first at {}, {} \
                 long",
                dropped.len(),
                for_people(rate.seconds(first.start as f64), Unit::Second),
                for_people(seconds(first), Unit::Second)
            ),
        ));
    }
    if let Some(first) = case.segmentation.absorbed.first() {
        let around = case.phases.iter().find(|phase| phase.end > first.start);
        let kinds: Vec<Kind> = around.map(|phase| phase.kind).into_iter().collect();
        flags.push(
            Flag::new(
                Code::ShortOutput,
                format!(
                    "{} stretch(es) of another output shorter than {least} are counted with their \
                     neighbours, the first at {}",
                    case.segmentation.absorbed.len(),
                    for_people(rate.seconds(first.start as f64), Unit::Second)
                ),
            )
            .seen_in(kinds),
        );
    }
}
