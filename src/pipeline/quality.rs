//! What was really sampled: steps of the converter, effective rate, counts as stated, gaps. It
//! goes into the receipt, and as flags where it is a doubt.

use super::PipelineError;
use super::reading::Reading;
use super::record::Record;
use crate::measures::clipping::{effect_on_mean_square, level_from_time};
use crate::numeric::quantum::{self, Filling};
use crate::numeric::spectrum::Fourier;
use crate::result::Flag;
use crate::trace::{Mark, Phase};
use crate::units::{Unit, for_people};

/// Raw samples that are looked at.
const LOOK: u64 = 1 << 14;
/// Codes from peak to peak below which coarseness is a doubt: at 50 the RMS of a sine is off by up
/// to a tenth of a percent.
const FEW_CODES: f64 = 50.0;

/// What was really sampled.
#[derive(Debug, Default)]
pub struct Quality {
    /// Doubts.
    pub flags: Vec<Flag>,
    /// Step of the converter of voltage and current, V and A; 0 where there is none.
    pub step: (f64, f64),
}

/// Looks at record `k`; adds to its receipt and gives the flags and steps.
pub fn look(
    reading: &Reading,
    k: usize,
    record: &mut Record,
    phases: &[Phase],
) -> Result<Quality, PipelineError> {
    let mut flags: Vec<Flag> = record
        .receipt()
        .doubts
        .iter()
        .map(|doubt| Flag::new(doubt.code, doubt.message.clone()))
        .collect();
    stated(reading, k, record, &mut flags);
    if let Some(by) = reading.jump_before(k).filter(|_| !reading.stated().segments) {
        flags.push(Flag::new(
            "time_jump",
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
    let Some(phase) = strongest else { return Ok(Quality { flags, step: (0.0, 0.0) }) };
    let clean = record.samples().gaps().longest_valid(&(phase.start..phase.end));
    let length = (clean.end - clean.start).min(LOOK);
    let start = clean.start + (clean.end - clean.start - length) / 2;
    let raw = record.raw(&(start..start + length))?;
    let step = (
        steps(record, &raw.v, true, "voltage", &mut flags),
        steps(record, &raw.i, false, "current", &mut flags),
    );
    let already = |code: &str, flags: &[Flag]| flags.iter().any(|flag| flag.code == code);
    if !already("interpolated", &flags) {
        effective_rate(record, raw.leading(), &mut flags);
    }
    Ok(Quality { flags, step })
}

/// Counts and rates as the file states them, against what it holds.
fn stated(reading: &Reading, k: usize, record: &Record, flags: &mut Vec<Flag>) {
    let facts = reading.stated();
    let rate = record.samples().rate().hertz();
    if let Some(taken) = facts.acquisition {
        let taken = taken.hertz();
        if taken > rate {
            flags.push(Flag::new(
                "decimated",
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
                "interpolated",
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
    let all: u64 = reading.records().iter().map(|record| record.end - record.start).sum();
    if let Some(memory) = facts.memory.filter(|memory| *memory > all && facts.acquisition.is_none())
    {
        flags.push(Flag::new(
            "decimated",
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
            "count_mismatch",
            format!("the preamble states {samples} samples, the file holds {all}: cut off?"),
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
    flags.push(Flag {
        code: "gaps".into(),
        message: format!(
            "{count} of {total} samples ({share:.3} %), in {places} place(s), are not valid; RMS \
             and power are those of the rest, energy and what would span a gap are left out"
        ),
        samples: Some(count),
    });
    if over > 0 {
        let powered: u64 = phases.iter().filter(|p| p.kind.powered()).map(Phase::len).sum();
        let level = level_from_time(over as f64 / powered.max(1) as f64);
        // A sine without what lies above the level: less of its mean square than where it clips.
        let clipped = effect_on_mean_square(level);
        let time = over as f64 / powered.max(1) as f64;
        let left = (1.0 + clipped - level * level * 2.0 * time) / (1.0 - time).max(1e-9) - 1.0;
        flags.push(Flag {
            code: "overrange".into(),
            message: format!(
                "{over} of them lay beyond the range: peaks and crest factor are not known, and on \
                 a sine the mean square of the rest reads about {:.1} % low; widen the range and \
                 capture again",
                -100.0 * left
            ),
            samples: Some(over),
        });
    }
    let first = gaps.ranges().first().map(|(gap, mark)| (gap.start, *mark));
    if let Some((start, mark)) = first {
        let word = if mark == Mark::Overrange { "beyond the range" } else { "missing" };
        flags.iter_mut().filter(|flag| flag.code == "gaps").for_each(|flag| {
            flag.message.push_str(&format!("; the first is sample {start}, {word}"));
        });
    }
}

/// Steps of the converter and the codes that were used; gives the step in V or A, 0 if none.
fn steps(record: &mut Record, x: &[f64], voltage: bool, word: &str, flags: &mut Vec<Flag>) -> f64 {
    let Some(step) = quantum::quantum(x) else { return 0.0 };
    let gain = record.channel(voltage).map_or(1.0, |(_, gain, _)| gain.abs());
    let cells = record.overview().cells();
    let side = |low: bool| {
        let of = |cell: &crate::trace::Cell| {
            let pair = if voltage { cell.v } else { cell.i };
            f64::from(if low { -pair[0] } else { pair[1] })
        };
        cells.iter().map(of).fold(0.0, f64::max)
    };
    let codes = ((side(true) + side(false)) / (step * gain)).round();
    let unit = if voltage { Unit::Volt } else { Unit::Ampere };
    let effect = 100.0 * quantum::effect_on_rms(codes.max(1.0)).abs();
    record.note(
        "steps",
        format!(
            "{word}: {} per code, {codes} codes from peak to peak ({:.1} bits)",
            for_people(step * gain, unit),
            codes.max(1.0).log2()
        ),
    );
    if codes < FEW_CODES {
        flags.push(Flag::new(
            "few_codes",
            format!(
                "the {word} uses {codes} codes of its converter from peak to peak, fewer than \
                 {FEW_CODES:.0}: RMS of a sine is off by up to {effect:.2} %, its peak by up to {:.1} \
                 %; use a smaller range",
                100.0 / codes.max(1.0)
            ),
        ));
    }
    step * gain
}

/// Samples that were computed between real ones.
fn effective_rate(record: &mut Record, x: &[f64], flags: &mut Vec<Flag>) {
    let rate = record.samples().rate().hertz();
    let found = match quantum::filled(x) {
        Some((n, Filling::Held)) => Some((n as f64, "each value stands several times")),
        Some((n, Filling::Linear)) => {
            Some((n as f64, "between them samples lie on straight lines"))
        }
        None => {
            Fourier::new().spectrum(x).and_then(|spectrum| spectrum.cliff()).and_then(|cliff| {
                let factor = 1.0 / cliff;
                let whole = factor.round();
                // A filter of the instrument has no reason to end at a whole fraction.
                let fits = whole >= 2.0 && (factor / whole - 1.0).abs() < 0.08;
                fits.then_some((whole, "the spectrum is empty beyond"))
            })
        }
    };
    let effective = found.map_or(rate, |(n, _)| rate / n);
    record.note("effective rate", for_people(effective, Unit::Hertz));
    if let Some((n, how)) = found {
        flags.push(Flag::new(
            "interpolated",
            format!(
                "only one sample in {n:.0} was measured ({how}): effective rate {}; what lies \
                 between was computed and tells nothing new. Export the samples as taken",
                for_people(effective, Unit::Hertz)
            ),
        ));
    }
}
