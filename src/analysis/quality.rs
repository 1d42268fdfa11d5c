//! What was really sampled: steps of the converter, effective rate, counts as stated, gaps. It
//! goes into the receipt, and as flags where it is a doubt.

use super::AnalysisError;
use crate::flag::{Code, Flag};
use crate::measures::clipping::{effect_on_mean_square, level_from_time};
use crate::numeric::quantum::{self, Filling};
use crate::numeric::spectrum::Fourier;
use crate::recording::{Record, Recording};
use crate::trace::{Channel, Mark, PerChannel, Phase};
use crate::units::{Unit, for_people};

/// Raw samples that are looked at.
const LOOK: u64 = 1 << 14;
/// Codes from peak to peak below which coarseness is a doubt: at 50 the RMS of a sine is off by up
/// to a tenth of a percent.
const FEW_CODES: f64 = 50.0;

/// What was really sampled.
#[derive(Debug, Default)]
pub(super) struct Quality {
    /// Doubts.
    pub flags: Vec<Flag>,
}

/// Looks at record `k`; adds to its receipt and gives the flags.
pub(super) fn assess(
    recording: &Recording,
    k: usize,
    record: &mut Record,
    phases: &[Phase],
    step: PerChannel<f64>,
) -> Result<Quality, AnalysisError> {
    let mut flags: Vec<Flag> = record
        .receipt()
        .doubts
        .iter()
        .map(|doubt| Flag::new(doubt.code, doubt.message.clone()))
        .collect();
    stated(recording, k, record, &mut flags);
    if let Some(by) = recording.jump_before(k).filter(|_| !recording.stated().segments) {
        flags.push(Flag::new(
            Code::TimeJump,
            format!(
                "time jumps ahead by {} before this record: the file was split there, and nothing \
                 is measured across it",
                for_people(by, Unit::Second)
            ),
        ));
    }
    gaps(record, phases, &mut flags);
    // The longest stretch without a gap of the strongest phase.
    let power = |phase: &&Phase| {
        let (_, cells, _) = record.overview().inside(&(phase.start..phase.end));
        let cells = &record.overview().cells()[cells];
        cells.iter().map(|cell| f64::from(cell.v[1].max(cell.i[1]))).fold(0.0, f64::max)
    };
    let strongest = phases
        .iter()
        .filter(|phase| phase.kind.powered())
        .max_by(|a, b| power(a).total_cmp(&power(b)));
    for channel in record.channels().present() {
        coarse(record, channel, channel.of(step), &mut flags);
    }
    let Some(phase) = strongest else { return Ok(Quality { flags }) };
    let clean = record.samples().gaps().longest_valid(&(phase.start..phase.end));
    let length = (clean.end - clean.start).min(LOOK);
    let start = clean.start + (clean.end - clean.start - length) / 2;
    let raw = record.raw(&(start..start + length))?;
    if quantum::in_pairs(raw.of(phase.lead)) {
        flags.push(Flag::new(
            Code::PeakDetect,
            "samples stand in pairs of a smallest and a largest value: an export of peak detection, \
             from which no RMS, power or frequency follows. Export the samples as taken",
        ));
    } else if !flags.iter().any(|flag| flag.code == Code::Interpolated) {
        effective_rate(record, raw.of(phase.lead), &mut flags);
    }
    Ok(Quality { flags })
}

/// Counts and rates as the file states them, against what it holds.
fn stated(recording: &Recording, k: usize, record: &Record, flags: &mut Vec<Flag>) {
    let facts = recording.stated();
    let rate = record.samples().rate().hertz();
    if let Some(taken) = facts.acquisition {
        let taken = taken.hertz();
        if taken > rate {
            flags.push(Flag::new(
                Code::Decimated,
                format!(
                    "the instrument sampled at {}, the file holds every {:.0}th sample: effective \
                     rate {}; peaks may be missing and frequencies folded. Export the full record",
                    for_people(taken, Unit::Hertz),
                    taken / rate,
                    for_people(rate, Unit::Hertz)
                ),
            ));
        } else {
            flags.push(Flag::new(
                Code::Interpolated,
                format!(
                    "the instrument sampled at {}, the file holds {:.0} times as many samples: \
                     effective rate {}; what lies between was computed",
                    for_people(taken, Unit::Hertz),
                    rate / taken,
                    for_people(taken, Unit::Hertz)
                ),
            ));
        }
    }
    let own = record.overview().samples();
    let all: u64 = recording.records().iter().map(|record| record.end - record.start).sum();
    if let Some(memory) = facts.memory.filter(|memory| *memory > all && facts.acquisition.is_none())
    {
        flags.push(Flag::new(
            Code::Decimated,
            format!(
                "{memory} samples were taken, the file holds {all}: cut or thinned out; if thinned \
                 out, peaks may be missing. Export the full record"
            ),
        ));
    }
    if let Some(samples) = facts.samples.filter(|samples| *samples != own && *samples != all)
        && k == 0
    {
        flags.push(Flag::new(
            Code::CountMismatch,
            format!(
                "the preamble announces {samples} samples, but the file has {all}: was it cut off?"
            ),
        ));
    }
}

/// Samples that are not valid, by share and by what that does.
fn gaps(record: &Record, phases: &[Phase], flags: &mut Vec<Flag>) {
    let gaps = record.raw_gaps();
    if gaps.is_empty() {
        return;
    }
    let total = record.overview().samples();
    let count = gaps.count(&(0..total));
    let over = gaps.overrange(&(0..total));
    let share = 100.0 * count as f64 / total.max(1) as f64;
    let places = gaps.ranges().len();
    let mut gap = format!(
        "{count} of {total} samples ({share:.3} %), in {places} place(s), are not valid; RMS and \
         power are those of the rest, energy and what would span a gap are left out"
    );
    if let Some((first, mark)) = gaps.ranges().first() {
        let word = if *mark == Mark::Overrange { "beyond the range" } else { "missing" };
        gap.push_str(&format!("; the first is sample {}, {word}", first.start));
    }
    flags.push(Flag::new(Code::Gaps, gap).with_samples(count).of_size(0.01 * share));
    if over > 0 {
        let powered: u64 = phases.iter().filter(|p| p.kind.powered()).map(Phase::len).sum();
        let level = level_from_time(over as f64 / powered.max(1) as f64);
        // A sine without what lies above the level: less of its mean square than where it clips.
        let clipped = effect_on_mean_square(level);
        let time = over as f64 / powered.max(1) as f64;
        let left = (1.0 + clipped - level * level * 2.0 * time) / (1.0 - time).max(1e-9) - 1.0;
        flags.push(
            Flag::new(
                Code::Overrange,
                format!(
                    "{over} of them lay beyond the range: peaks and crest factor are not known, and \
                     on a sine the mean square of the rest reads about {:.1} % low; widen the range \
                     and capture again",
                    -100.0 * left
                ),
            )
            .with_samples(over),
        );
    }
}

/// Steps of the converters of voltage and current, V and A, where each channel is strongest; 0 where
/// there are none.
pub(super) fn steps(record: &Record) -> Result<PerChannel<f64>, AnalysisError> {
    let mut found = PerChannel::default();
    let all = 0..record.overview().samples();
    for channel in record.channels().present() {
        let clean = record.samples().gaps().longest_valid(&all);
        let range = record.overview().strongest(&clean, LOOK, channel);
        let raw = record.raw(&range)?;
        let step = quantum::quantum(raw.of(channel)).unwrap_or(0.0);
        let gain = record.channel(channel).map_or(1.0, |(_, gain, _)| gain.abs());
        *found.of_mut(channel) = step * gain;
    }
    Ok(found)
}

/// The codes that a channel uses.
fn coarse(record: &mut Record, channel: Channel, step: f64, flags: &mut Vec<Flag>) {
    if step <= 0.0 {
        return;
    }
    let cells = record.overview().cells();
    let (low, high) = cells
        .iter()
        .map(|cell| cell.extremes(channel))
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), [own_low, own_high]| {
            (low.min(own_low), high.max(own_high))
        });
    let codes = ((high - low) / step).round().max(1.0);
    let (word, unit) = (channel.name(), channel.of((Unit::Volt, Unit::Ampere)));
    record.note(
        "steps",
        format!(
            "{word}: {} per code, {codes} codes from peak to peak ({:.1} bits)",
            for_people(step, unit),
            codes.log2()
        ),
    );
    if codes < FEW_CODES {
        let effect = quantum::effect_on_rms(codes).abs();
        flags.push(
            Flag::new(
                Code::FewCodes,
                format!(
                    "the {word} uses {codes} codes of its converter from peak to peak, fewer than \
                     {FEW_CODES:.0}: RMS of a sine is off by up to {:.2} %, its peak by up to {:.1} \
                     %; use a smaller range",
                    100.0 * effect,
                    100.0 / codes
                ),
            )
            .of_size(1.0 / codes),
        );
    }
}

/// How samples between the real ones were made.
#[derive(Clone, Copy, PartialEq)]
enum Filled {
    Held,
    Lines,
    BandLimited,
}

/// Samples that were computed between real ones.
fn effective_rate(record: &mut Record, x: &[f64], flags: &mut Vec<Flag>) {
    let rate = record.samples().rate().hertz();
    let found = match quantum::filled(x) {
        Some((n, Filling::Held)) => Some((n as f64, Filled::Held)),
        Some((n, Filling::Linear)) => Some((n as f64, Filled::Lines)),
        None => {
            Fourier::new().spectrum(x).and_then(|spectrum| spectrum.cliff()).and_then(|cliff| {
                let factor = 1.0 / cliff;
                let whole = factor.round();
                // A filter of the instrument has no reason to end at a whole fraction.
                let fits = whole >= 2.0 && (factor / whole - 1.0).abs() < 0.08;
                fits.then_some((whole, Filled::BandLimited))
            })
        }
    };
    let effective = found.map_or(rate, |(n, _)| rate / n);
    record.note("effective rate", for_people(effective, Unit::Hertz));
    let Some((n, how)) = found else { return };
    let words = match how {
        Filled::Held => "each value is repeated",
        Filled::Lines => "between them samples lie on straight lines",
        Filled::BandLimited => "the spectrum is empty beyond",
    };
    let mut flag = Flag::new(
        Code::Interpolated,
        format!(
            "only one sample in {n:.0} was measured ({words}): effective rate {}; what lies between \
             was computed and tells nothing new. Export the samples as taken",
            for_people(effective, Unit::Hertz)
        ),
    );
    if how == Filled::Lines {
        // Straight lines cut crests off: power and RMS read low.
        let more = Code::Averaged.row().measures.iter().copied().flatten().copied();
        flag.measures.extend(more);
        flag.measures.sort_unstable_by_key(|doubted| doubted.key());
        flag.measures.dedup();
    }
    flags.push(flag);
}
