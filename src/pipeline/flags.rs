//! What is in doubt about a result. Every threshold here is stated in the message it leads to.

use super::record::Record;
use crate::measures::clipping::{self, effect_on_mean_square, level_from_time};
use crate::measures::stats::{IntervalStats, Shape};
use crate::result::{Flag, Measurement};
use crate::trace::{Phase, ReadFailure};
use crate::units::{Unit, for_people};

/// Fewest samples per carrier cycle before `undersampled`.
const SAMPLES_PER_CYCLE: f64 = 20.0;
/// Share by which the measured load may differ from the stated one.
const LOAD_SHARE: f64 = 0.05;
/// Phase between voltage and current on a resistor that makes skew likely, degrees: the phase
/// that the published standard allows a test load (IEC 60601-2-2, from memory).
const SKEW_DEGREES: f64 = 8.5;
/// DC share of the RMS on a powered phase; bursts that ring down have a mean of their own.
const DC_SHARE: f64 = 0.02;
const DC_SHARE_BURSTS: f64 = 0.1;
/// Signal over noise below which results are in doubt, dB.
const NOISE_DB: f64 = 30.0;

/// All flags of a measurement.
pub fn find(
    measurement: &Measurement,
    record: &Record,
    phases: &[Phase],
    stats: &[IntervalStats],
    noise: (f64, f64),
) -> Result<Vec<Flag>, ReadFailure> {
    let mut flags = Vec::new();
    clipped(record, phases, stats, &mut flags)?;
    sampling(record, phases, stats, &mut flags);
    load(record, phases, stats, &mut flags);
    quality(phases, stats, noise, &mut flags);
    let cycles = &measurement.cycles;
    if !cycles.sequence.is_empty() {
        let covered: usize = cycles.count * cycles.sequence.len();
        if covered < phases.len() {
            flags.push(Flag::new(
                "incomplete_cycle",
                format!(
                    "{} of {} phases belong to cycles that the record cuts off; cycle figures \
                     leave them out",
                    phases.len() - covered,
                    phases.len()
                ),
            ));
        }
    }
    if !phases.iter().any(|phase| phase.kind.powered()) {
        flags.push(Flag::new(
            "no_output",
            "no output was found in the record: was the generator activated, is the load \
             connected, is the right channel named?",
        ));
    }
    Ok(flags)
}

fn clipped(
    record: &Record,
    phases: &[Phase],
    stats: &[IntervalStats],
    flags: &mut Vec<Flag>,
) -> Result<(), ReadFailure> {
    let powered: u64 = phases.iter().filter(|p| p.kind.powered()).map(Phase::len).sum();
    let channels = record.channels();
    for (voltage, present, name, unit) in [
        (true, channels.voltage, "voltage", Unit::Volt),
        (false, channels.current, "current", Unit::Ampere),
    ] {
        if !present || powered == 0 {
            continue;
        }
        let found =
            clipping::find(record.overview(), record.samples(), voltage, record.rail(voltage))?;
        let Some(found) = found else { continue };
        let share = found.samples as f64 / powered as f64;
        let steady = stats.iter().any(|one| one.shape == Shape::Continuous);
        let size = if steady {
            let level = level_from_time(share);
            format!(
                "; on a sine that takes about {:.1} % off the mean square and reads the crest \
                 factor about {:.1} % low",
                -100.0 * effect_on_mean_square(level),
                100.0 * (1.0 - level / (1.0 + effect_on_mean_square(level)).sqrt())
            )
        } else {
            "; peak and crest factor read low by an unknown amount".to_owned()
        };
        flags.push(Flag {
            code: "clipped".into(),
            message: format!(
                "{} samples ({:.2} % of the output) of the {name} stand at its rail of {}{size}; \
                 widen the range and capture again",
                found.samples,
                100.0 * share,
                for_people(found.level, unit)
            ),
            samples: Some(found.samples),
        });
    }
    Ok(())
}

fn sampling(record: &Record, phases: &[Phase], stats: &[IntervalStats], flags: &mut Vec<Flag>) {
    let rate = record.samples().rate().hertz();
    let fastest = stats.iter().filter_map(|one| one.carrier?.frequency()).fold(0.0_f64, f64::max);
    // A hair, so that exactly 20 samples per cycle are 20.
    if fastest > 0.0 && rate / fastest < SAMPLES_PER_CYCLE * (1.0 - 1e-4) {
        flags.push(Flag::new(
            "undersampled",
            format!(
                "{:.1} samples per carrier cycle, fewer than {SAMPLES_PER_CYCLE}; peaks are \
                 interpolated, but content above {} is not seen",
                rate / fastest,
                for_people(rate / 2.0, Unit::Hertz)
            ),
        ));
    }
    let short = (0..phases.len())
        .filter(|k| phases[*k].kind.powered() && stats[*k].shape == Shape::Unclear)
        .count();
    if short > 0 {
        flags.push(Flag::new(
            "too_short",
            format!(
                "{short} phase(s) are too short to tell bursts or carrier: fewer than 3 bursts or \
                 10 carrier cycles"
            ),
        ));
    }
    if record.unevenness() > 0.5 {
        flags.push(Flag::new(
            "not_uniform",
            format!(
                "time stamps leave an even grid by up to {:.1} sample intervals: samples are \
                 missing, or the record was not sampled evenly; spectra and frequencies are in \
                 doubt",
                record.unevenness()
            ),
        ));
    }
}

fn load(record: &Record, phases: &[Phase], stats: &[IntervalStats], flags: &mut Vec<Flag>) {
    let channels = record.channels();
    if !(channels.voltage && channels.current) {
        return;
    }
    // The strongest phase tells the load best.
    let strongest = (0..phases.len())
        .filter(|k| phases[*k].kind.powered())
        .max_by(|a, b| stats[*a].moments.m2_v.total_cmp(&stats[*b].moments.m2_v));
    let Some(stats) = strongest.map(|k| &stats[k]) else { return };
    let (Some(square_v), Some(square_i), Some(power)) = (
        stats.moments.mean_square_v(),
        stats.moments.mean_square_i(),
        stats.moments.mean_product(),
    ) else {
        return;
    };
    let apparent = (square_v * square_i).sqrt();
    if apparent <= 0.0 {
        return;
    }
    let factor = power / apparent;
    if factor < -0.5 {
        flags.push(Flag::new(
            "current_inverted",
            format!(
                "power is negative (power factor {factor:.3}): the current probe is reversed; \
                 turn it, or set a negative current.scale"
            ),
        ));
    }
    let Some(nominal) = record.load_ohm() else { return };
    let ratio = (square_v / square_i).sqrt();
    if (1.0 / ratio / nominal - 1.0).abs() < 0.2 && nominal != 1.0 {
        flags.push(Flag::new(
            "channels_swapped",
            format!(
                "current over voltage gives {}, the stated load: voltage.channel and \
                 current.channel are swapped",
                for_people(1.0 / ratio, Unit::Ohm)
            ),
        ));
        return;
    }
    let resistance = stats.carrier.and_then(|c| c.impedance());
    if let Some((r, x)) = resistance {
        let phase = x.atan2(r.abs()).to_degrees();
        let hz = stats.carrier.and_then(|c| c.frequency());
        if phase.abs() > SKEW_DEGREES
            && let Some(hz) = hz
        {
            // A positive phase is a current that lags.
            let lag = phase / 360.0 / hz;
            let late = if lag > 0.0 { "current" } else { "voltage" };
            flags.push(Flag::new(
                "skew_suspected",
                format!(
                    "voltage and current are {phase:.1} degrees apart on a resistor; if the \
                     channels are skewed and the load is not reactive, {late}.delay_s = {:.2e} \
                     would set it right",
                    lag.abs()
                ),
            ));
        }
    }
    let measured = resistance.map_or(ratio, |(r, x)| r.hypot(x));
    if (measured / nominal - 1.0).abs() > LOAD_SHARE {
        let by_v = square_v / nominal;
        let by_i = square_i * nominal;
        flags.push(Flag::new(
            "load_mismatch",
            format!(
                "voltage and current give a load of {}, the sheet states {}; V^2/R would give {}, \
                 I^2*R {}, v*i gives {}: check scales, probe factors and the load",
                for_people(measured, Unit::Ohm),
                for_people(nominal, Unit::Ohm),
                for_people(by_v, Unit::Watt),
                for_people(by_i, Unit::Watt),
                for_people(power, Unit::Watt),
            ),
        ));
    }
}

fn quality(phases: &[Phase], stats: &[IntervalStats], noise: (f64, f64), flags: &mut Vec<Flag>) {
    let powered = || (0..phases.len()).filter(|k| phases[*k].kind.powered()).map(|k| &stats[k]);
    let (mut dc, mut decibel) = (0.0_f64, f64::INFINITY);
    let mut lopsided = 0.0_f64;
    for one in powered() {
        for (mean, square, sigma) in [
            (one.moments.mean_v, one.moments.mean_square_v(), noise.0),
            (one.moments.mean_i, one.moments.mean_square_i(), noise.1),
        ] {
            let Some(rms) = square.map(f64::sqrt).filter(|rms| *rms > 0.0) else { continue };
            let allowed = if one.shape == Shape::Continuous { DC_SHARE } else { DC_SHARE_BURSTS };
            if mean.abs() / rms > allowed {
                dc = dc.max(mean.abs() / rms);
            }
            if sigma > 0.0 {
                decibel = decibel.min(20.0 * (rms / sigma).log10());
            }
        }
        if let Some(peaks) = one.peaks_v {
            let (a, b) = (peaks.positive, -peaks.negative);
            // A burst that starts upwards has its first, highest crest on that side: only steady
            // output is expected to be even.
            if one.shape == Shape::Continuous && a.max(b) > 0.0 {
                lopsided = lopsided.max((a - b).abs() / a.max(b));
            }
        }
    }
    if dc > 0.0 {
        flags.push(Flag::new(
            "dc_offset",
            format!(
                "the mean of a powered phase is {:.1} % of its RMS, over {:.0} % (bursts {:.0} %): \
                 an offset that the sheet does not take away, or real DC",
                100.0 * dc,
                100.0 * DC_SHARE,
                100.0 * DC_SHARE_BURSTS
            ),
        ));
    }
    if lopsided > 0.05 {
        flags.push(Flag::new(
            "asymmetric",
            format!(
                "positive and negative peaks of a continuous phase differ by {:.1} %: on a \
                 resistive load look for an offset, clipping or a faulty output stage",
                100.0 * lopsided
            ),
        ));
    }
    if decibel < NOISE_DB {
        flags.push(Flag::new(
            "noise_high",
            format!(
                "a phase stands only {decibel:.0} dB above the noise, under {NOISE_DB:.0} dB; use \
                 a smaller range or average"
            ),
        ));
    }
}
