//! Doubts about what was sampled: rails, samples per cycle, the time axis, noise.

use super::Case;
use crate::flag::{Code, Flag};
use crate::measures::clipping::{self, effect_on_mean_square, level_from_time};
use crate::measures::stats::Shape;
use crate::trace::{Channel, Kind, Phase, ReadFailure};
use crate::units::{Unit, for_people};

/// Fewest samples per carrier cycle before `undersampled`.
const SAMPLES_PER_CYCLE: f64 = 20.0;
/// Carriers that a generator may have, Hz, and from which on they are usual: published tables begin at
/// 240 kHz and end at 1.75 MHz.
const CARRIERS_HZ: std::ops::RangeInclusive<f64> = 100e3..=5e6;
const USUAL_FROM_HZ: f64 = 190e3;
/// Signal over noise below which results are in doubt, dB.
const NOISE_DB: f64 = 30.0;

pub(super) fn find(case: &Case<'_>, flags: &mut Vec<Flag>) -> Result<(), ReadFailure> {
    clipped(case, flags)?;
    slow(case, flags);
    undersampled(case, flags);
    near_peaks(case, flags);
    unusual_carrier(case, flags);
    too_short(case, flags);
    uneven(case, flags);
    noisy(case, flags);
    Ok(())
}

/// A rate at which not even the lowest carrier has two samples a cycle.
fn slow(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let rate = case.record.samples().rate().hertz();
    if rate < 2.0 * CARRIERS_HZ.start() {
        flags.push(Flag::new(
            Code::RateLow,
            format!(
                "{} samples a second show no carrier of a generator: is the time axis in another \
                 unit (`text.time_unit`), or was the export thinned out?",
                for_people(rate, Unit::One)
            ),
        ));
    }
}

fn unit(channel: Channel) -> Unit {
    channel.of((Unit::Volt, Unit::Ampere))
}

/// Share of the stated rail below which a flat crest is one of the wave.
const BELOW_RAIL: f64 = 0.9;

fn clipped(case: &Case<'_>, flags: &mut Vec<Flag>) -> Result<(), ReadFailure> {
    let powered: u64 = case.powered().map(|k| case.phases[k].len()).sum();
    if powered == 0 {
        return Ok(());
    }
    let record = case.record;
    for channel in record.channels().present() {
        let name = channel.name();
        let known = record.rail(channel);
        if let Some(rail) = known
            && let Some(found) =
                clipping::at_rail(record.overview(), record.samples(), channel, rail)?
        {
            let share = found.samples as f64 / powered as f64;
            flags.push(
                Flag::new(
                    Code::Clipped,
                    format!(
                        "{} samples ({:.2} % of the output) of the {name} stand at its rail of {}{}; \
                         widen the range and capture again",
                        found.samples,
                        100.0 * share,
                        for_people(found.level, unit(channel)),
                        effect(case, share)
                    ),
                )
                .with_samples(found.samples),
            );
            continue;
        }
        let flat = |k: usize| channel.of(case.oddities[k].flat);
        let Some((kinds, share)) = case.worst(|k| flat(k).map(|flat| flat.share)) else { continue };
        let level = case.powered().filter_map(flat).map(|flat| flat.level).fold(0.0, f64::max);
        // Whoever states where the input clips says that below it the wave itself is flat.
        if known.is_some_and(|rail| level < BELOW_RAIL * rail) {
            flags.push(
                Flag::new(
                    Code::FlatWave,
                    format!(
                        "crests of the {name} are flat at {}, {:.2} % of the time: taken as the wave \
                         itself, because the sheet states a {name}.clip_at above that; a saturated probe \
                         looks the same",
                        for_people(level, unit(channel)),
                        100.0 * share
                    ),
                )
                .seen_in(kinds),
            );
            continue;
        }
        let samples: f64 =
            case.powered().filter_map(|k| Some(flat(k)?.share * case.phases[k].len() as f64)).sum();
        flags.push(
            Flag::new(
                Code::Clipped,
                format!(
                    "crests of the {name} are cut off flat at {}, {:.2} % of the time: a probe, an \
                     amplifier or an input at its limit{}; widen the range and capture again, or \
                     if the wave itself is as flat as that, state {name}.clip_at",
                    for_people(level, unit(channel)),
                    100.0 * share,
                    effect(case, share)
                ),
            )
            .seen_in(kinds)
            .with_samples(samples.round() as u64),
        );
    }
    Ok(())
}

/// What clipping does to steady output; of bursts it can't be told.
fn effect(case: &Case<'_>, share: f64) -> String {
    if !case.stats.iter().any(|one| one.shape == Shape::Continuous) {
        return "; peak and crest factor read low by an unknown amount".to_owned();
    }
    let level = level_from_time(share);
    format!(
        "; on a sine that takes about {:.1} % off the mean square and reads the crest factor about \
         {:.1} % low",
        -100.0 * effect_on_mean_square(level),
        100.0 * (1.0 - level / (1.0 + effect_on_mean_square(level)).sqrt())
    )
}

fn undersampled(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let rate = case.record.samples().rate().hertz();
    let few = |k: usize| {
        let hz = case.stats[k].carrier?.frequency()?;
        // A hair, so that exactly 20 samples per cycle are 20.
        (rate / hz < SAMPLES_PER_CYCLE * (1.0 - 1e-4)).then_some(hz)
    };
    if let Some((kinds, fastest)) = case.worst(few) {
        flags.push(
            Flag::new(
                Code::Undersampled,
                format!(
                    "{:.1} samples per carrier cycle, fewer than {SAMPLES_PER_CYCLE}; peaks are \
                     interpolated, but content above {} is not seen",
                    rate / fastest,
                    for_people(rate / 2.0, Unit::Hertz)
                ),
            )
            .seen_in(kinds),
        );
    }
}

/// A few samples per cycle spread over it; smallest and largest values of longer stretches all stand
/// near the peaks.
fn near_peaks(case: &Case<'_>, flags: &mut Vec<Flag>) {
    const FEW: f64 = 6.0;
    /// Crest factor far under that of a sine.
    const FLAT: f64 = 1.25;
    let rate = case.record.samples().rate().hertz();
    let flat = |k: usize| {
        let one = &case.stats[k];
        let hz = one.carrier?.frequency()?;
        let Phase { lead, start, end, .. } = case.phases[k];
        let square = lead.of((one.moments.mean_square_v(), one.moments.mean_square_i()))?;
        let overview = case.record.overview();
        let (_, cells, _) = overview.inside(&(start..end));
        let reach = overview.cells()[cells].iter().map(|cell| cell.reach(lead, 0.0));
        let crest = reach.fold(0.0, f64::max) / square.sqrt();
        (rate / hz < FEW && crest < FLAT).then_some(rate / hz)
    };
    if let Some((kinds, per_cycle)) = case.worst(flat) {
        flags.push(
            Flag::new(
                Code::PeakDetect,
                format!(
                    "with {per_cycle:.1} samples per carrier cycle almost all of them lie near the \
                     peaks: probably an export of peak detection (smallest and largest values), from \
                     which no RMS or power follows. Export the samples as taken"
                ),
            )
            .seen_in(kinds),
        );
    }
}

fn unusual_carrier(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let carrier = |k: usize| case.stats[k].carrier?.frequency();
    let (lowest, low, highest) = (*CARRIERS_HZ.start(), USUAL_FROM_HZ, *CARRIERS_HZ.end());
    let range = format!(
        "generators work from about {} to {}. A rate that is too low folds a carrier down \
         (aliasing); a wrong sample rate or a wrong channel shows one that is none",
        for_people(low, Unit::Hertz),
        for_people(highest, Unit::Hertz)
    );
    let outside = |k: usize| carrier(k).filter(|hz| !CARRIERS_HZ.contains(hz));
    if let Some((kinds, hz)) = case.worst(outside) {
        let message = format!("a carrier of {}: {range}", for_people(hz, Unit::Hertz));
        flags.push(Flag::new(Code::CarrierUnusual, message).seen_in(kinds));
    }
    let rather_low = |k: usize| carrier(k).filter(|hz| (lowest..low).contains(hz));
    if let Some((kinds, hz)) = case.worst(rather_low) {
        let message = format!("a low carrier of {}: {range}", for_people(hz, Unit::Hertz));
        flags.push(Flag::new(Code::CarrierLow, message).seen_in(kinds));
    }
}

fn too_short(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let short: Vec<Kind> = case
        .powered()
        .filter(|k| case.stats[*k].shape == Shape::Unclear)
        .map(|k| case.phases[k].kind)
        .collect();
    if !short.is_empty() {
        flags.push(
            Flag::new(
                Code::TooShort,
                format!(
                    "{} phase(s) are too short to tell bursts or carrier: fewer than 3 bursts or \
                     10 carrier cycles",
                    short.len()
                ),
            )
            .seen_in(short),
        );
    }
}

fn uneven(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let by = case.record.unevenness();
    if by > 0.5 {
        flags.push(Flag::new(
            Code::NotUniform,
            format!(
                "time stamps leave an even grid by up to {by:.1} sample intervals: samples are \
                 missing, or the record was not sampled evenly; spectra and frequencies are in doubt"
            ),
        ));
    }
}

fn noisy(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let mut decibel = f64::INFINITY;
    let mut kinds = Vec::new();
    for k in case.powered() {
        let one = &case.stats[k];
        let Phase { kind, lead, .. } = case.phases[k];
        let square = lead.of((one.moments.mean_square_v(), one.moments.mean_square_i()));
        let sigma = lead.of(case.noise);
        let Some(rms) = square.map(f64::sqrt).filter(|rms| *rms > 0.0 && sigma > 0.0) else {
            continue;
        };
        let own = 20.0 * (rms / sigma).log10();
        if own < NOISE_DB {
            kinds.push(kind);
            decibel = decibel.min(own);
        }
    }
    if !kinds.is_empty() {
        flags.push(
            Flag::new(
                Code::NoiseHigh,
                format!(
                    "a phase stands only {decibel:.0} dB above the noise, under {NOISE_DB:.0} dB; \
                     use a smaller range or average"
                ),
            )
            .seen_in(kinds),
        );
    }
}
