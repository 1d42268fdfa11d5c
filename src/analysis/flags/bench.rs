//! Doubts about the bench: wiring, scales, load, delay, offset.

use super::Case;
use crate::flag::{Code, Doubted, Flag};
use crate::measures::stats::{IntervalStats, Shape};
use crate::trace::Channel;
use crate::units::{Unit, for_people};

/// Share by which the measured load may differ from the stated one.
const LOAD_SHARE: f64 = 0.05;
/// Phase between voltage and current on a resistor that makes skew likely, degrees: the phase
/// that the published standard allows a test load (IEC 60601-2-2, from memory).
const SKEW_DEGREES: f64 = 8.5;
/// DC share of the RMS on a powered phase; bursts that ring down have a mean of their own.
const DC_SHARE: f64 = 0.02;
const DC_SHARE_BURSTS: f64 = 0.1;
/// Share of the peak by which a zero line may move.
const BASELINE_SHARE: f64 = 0.01;
/// And from which on the kind is in doubt with it.
const KIND_SHARE: f64 = 0.05;
/// Share of the voltage (or current) over the stated load below which a channel shows next to nothing.
const NOTHING: f64 = 0.05;
/// Share of the RMS below 10 kHz from which on the zero line is in doubt.
const LOW_SHARE: f64 = 0.02;

pub(super) fn find(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let dead = dead(case, flags);
    shorted(case, flags);
    lost(case, flags);
    if !dead {
        load(case, flags);
    }
    dc(case, flags);
    between_bursts(case, flags);
    baseline(case, flags);
    asymmetric(case, flags);
}

/// A channel that shows no output while the other one does. Gives whether there is one.
fn dead(case: &Case<'_>, flags: &mut Vec<Flag>) -> bool {
    let channels = case.record.channels();
    if !(channels.voltage && channels.current) {
        return false;
    }
    let alive = case.segmentation.alive;
    let Some(silent) = Channel::BOTH.into_iter().find(|c| !alive.has(*c) && alive.has(c.other()))
    else {
        return false;
    };
    // With nothing connected there is no current.
    let open = case.record.is_open();
    if open && silent == Channel::Current {
        return false;
    }
    let help = match silent {
        Channel::Voltage => {
            "is its probe connected, the right channel named, the range not too wide?"
        }
        Channel::Current => {
            "is the load connected, its probe on, the right channel named? An open circuit needs \
             load.kind = \"open\""
        }
    };
    flags.push(Flag::new(
        Code::ChannelDead,
        format!(
            "the {} shows no output while the {} does: {help}",
            silent.name(),
            silent.other().name()
        ),
    ));
    true
}

/// Output that only the current shows, beside other output that the voltage shows.
fn shorted(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let alive = case.segmentation.alive;
    let by_current = |k: usize| {
        let phase = &case.phases[k];
        let moments = &case.stats[k].moments;
        (alive.voltage && phase.lead == Channel::Current)
            .then(|| moments.mean_square_v().unwrap_or(0.0).sqrt())
    };
    if let Some((kinds, volts)) = case.worst(by_current) {
        flags.push(
            Flag::new(
                Code::OutputShorted,
                format!(
                    "current flows while the voltage is next to nothing ({} RMS): the output seems \
                     to be shorted there; its kind and its bursts are told by the current, and what \
                     stands beside it may hold a part of it",
                    for_people(volts, Unit::Volt)
                ),
            )
            .seen_in(kinds.into_iter().chain(case.powered().map(|k| case.phases[k].kind))),
        );
    }
}

/// A current that is gone for a while under output.
fn lost(case: &Case<'_>, flags: &mut Vec<Flag>) {
    if case.record.is_open() {
        return;
    }
    let gone = || {
        let all = case.segmentation.one_sided.iter();
        all.filter(|(channel, _)| *channel == Channel::Current).map(|(_, range)| range)
    };
    let Some(first) = gone().next() else { return };
    let kinds = case
        .phases
        .iter()
        .filter(|phase| gone().any(|gone| gone.start < phase.end && phase.start < gone.end))
        .map(|phase| phase.kind);
    let rate = case.record.samples().rate();
    flags.push(
        Flag::new(
            Code::ChannelDead,
            format!(
                "the current falls silent under output, first at {}: the probe came off, or the load \
                 was disconnected",
                for_people(rate.seconds(first.start as f64), Unit::Second)
            ),
        )
        .seen_in(kinds),
    );
}

/// Power factor above which power is drawn, and load below which something is connected, ohm.
const DRAWN: f64 = 0.5;
const OPEN_OHM: f64 = 20_000.0;

fn load(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let channels = case.record.channels();
    if !(channels.voltage && channels.current) {
        return;
    }
    // The strongest phase tells the load best.
    let strongest = case
        .powered()
        .filter(|k| case.phases[*k].lead == Channel::Voltage)
        .max_by(|a, b| case.stats[*a].moments.m2_v.total_cmp(&case.stats[*b].moments.m2_v));
    let Some(stats) = strongest.map(|k| &case.stats[k]) else { return };
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
            Code::CurrentInverted,
            format!(
                "power is negative (power factor {factor:.3}): the current probe is reversed; \
                 turn it, or set a negative current.scale"
            ),
        ));
    }
    let ratio = (square_v / square_i).sqrt();
    // Leads alone draw a current that stands across the voltage.
    if case.record.is_open() && factor > DRAWN && ratio < OPEN_OHM {
        flags.push(Flag::new(
            Code::LoadMismatch,
            format!(
                "the sheet states that nothing is connected, but voltage and current give a load of {}: \
                 correct load.kind, or the scales",
                for_people(ratio, Unit::Ohm)
            ),
        ));
        return;
    }
    let Some(nominal) = case.record.load_ohm() else { return };
    if (1.0 / ratio / nominal - 1.0).abs() < 0.2 && nominal != 1.0 {
        flags.push(Flag::new(
            Code::ChannelsSwapped,
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
                Code::SkewSuspected,
                format!(
                    "voltage and current are {phase:.1} degrees apart on a resistor; if the \
                     channels are skewed and the load is not reactive, {late}.delay_s = {:.2e} \
                     would set it right",
                    lag.abs()
                ),
            ));
        }
    }
    unlike(case, stats, resistance, flags);
    let measured = resistance.map_or(ratio, |(r, x)| r.hypot(x));
    if (measured / nominal - 1.0).abs() > LOAD_SHARE {
        let by_v = square_v / nominal;
        let by_i = square_i * nominal;
        let almost = if measured > nominal / NOTHING {
            ": hardly any current flows, so the load may not be connected"
        } else if measured < nominal * NOTHING {
            ": hardly any voltage is left, so the load may be shorted"
        } else if [10.0, 100.0, 0.1, 0.01]
            .iter()
            .any(|x| (measured / nominal / x - 1.0).abs() < 0.05)
        {
            ": a power of ten, so a probe factor is probably missing or counted twice in one channel"
        } else {
            ": check scales, probe factors and the load"
        };
        flags.push(Flag::new(
            Code::LoadMismatch,
            format!(
                "voltage and current give a load of {}, the sheet states {}; V^2/R would give {}, \
                 I^2*R {}, v*i gives {}{almost}",
                for_people(measured, Unit::Ohm),
                for_people(nominal, Unit::Ohm),
                for_people(by_v, Unit::Watt),
                for_people(by_i, Unit::Watt),
                for_people(power, Unit::Watt),
            ),
        ));
    }
}

/// Share of the current that follows the voltage by no ratio and no delay, beside the noise, from which
/// on the load is no resistor or a channel is bent.
const UNLIKE: f64 = 0.005;

/// A current that is not proportional to the voltage, though a resistor is stated.
fn unlike(
    case: &Case<'_>,
    stats: &IntervalStats,
    impedance: Option<(f64, f64)>,
    flags: &mut Vec<Flag>,
) {
    let moments = &stats.moments;
    let n = moments.n.max(1) as f64;
    let (square_v, square_i) = (moments.m2_v / n, moments.m2_i / n);
    let noise = |sigma: f64, square: f64| (sigma * sigma / square).min(1.0);
    // What is left of a full correlation beside the phase at the carrier and the noise of both.
    let turn = impedance.map_or(1.0, |(r, x)| r.abs() / r.hypot(x));
    let correlation = moments.c_vi / n / (square_v * square_i).sqrt();
    let (v, i) = (noise(case.noise.voltage, square_v), noise(case.noise.current, square_i));
    let left = 1.0 - (correlation / turn).powi(2) / ((1.0 - v) * (1.0 - i));
    // The noise itself is known to a part only.
    if left > UNLIKE + v + i && left.is_finite() {
        flags.push(Flag::new(
            Code::CurrentUnlike,
            format!(
                "{:.1} % of the current's mean square does not follow the voltage, over {:.1} %, \
                 though a resistor is stated: an arc, a sensor in saturation, a clipped channel, or a \
                 load that is no resistor",
                100.0 * left,
                100.0 * UNLIKE
            ),
        ));
    }
}

fn dc(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let share = |k: usize| {
        let one = &case.stats[k];
        // Bursts have a mean of their own; where a rest tells the zero line, that is theirs.
        let steady = one.shape == Shape::Continuous;
        if !steady && case.segmentation.quiet.offset.is_some() {
            return None;
        }
        let allowed = if steady { DC_SHARE } else { DC_SHARE_BURSTS };
        case.segmentation
            .alive
            .present()
            .filter_map(|channel| {
                let mean = channel.of((one.moments.mean_v, one.moments.mean_i));
                let square =
                    channel.of((one.moments.mean_square_v(), one.moments.mean_square_i()))?;
                Some(mean.abs() / square.sqrt()).filter(|share| *share > allowed)
            })
            .reduce(f64::max)
    };
    if let Some((kinds, largest)) = case.worst(share) {
        flags.push(
            Flag::new(
                Code::DcOffset,
                format!(
                    "the mean of a powered phase is {:.1} % of its RMS, over {:.0} % (bursts {:.0} \
                     %): an offset that the sheet does not take away, or real DC",
                    100.0 * largest,
                    100.0 * DC_SHARE,
                    100.0 * DC_SHARE_BURSTS
                ),
            )
            .seen_in(kinds),
        );
    }
}

/// An offset that shows between bursts, where no rest tells it.
fn between_bursts(case: &Case<'_>, flags: &mut Vec<Flag>) {
    if let Some((kinds, share)) = case.worst(|k| case.oddities[k].silent_level.map(f64::abs)) {
        flags.push(
            Flag::new(
                Code::DcOffset,
                format!(
                    "between bursts the output stands {:.1} % of its peak off zero: an offset that \
                     the sheet does not take away; capture a rest with it, or state the offset",
                    100.0 * share
                ),
            )
            .seen_in(kinds),
        );
    }
}

/// A zero line that moves: seen in rest, under output, or in the spectrum.
fn baseline(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let mut largest: Option<(Channel, f64)> = None;
    let mut kinds = Vec::new();
    for k in case.powered() {
        let one = &case.stats[k];
        for channel in case.segmentation.alive.present() {
            let Some(peaks) = channel.of((one.peaks_v, one.peaks_i)) else { continue };
            let share = channel.of(one.baseline).excursion / peaks.largest();
            if share > BASELINE_SHARE && share.is_finite() {
                kinds.push(case.phases[k].kind);
                if largest.is_none_or(|(_, known)| share > known) {
                    largest = Some((channel, share));
                }
            }
        }
        let low = one.carrier.and_then(|carrier| carrier.low.mean()).map_or(0.0, f64::sqrt);
        if low > LOW_SHARE && one.shape == Shape::Continuous {
            kinds.push(case.phases[k].kind);
            largest = largest.or(Some((case.phases[k].lead, low)));
        }
    }
    if let Some((channel, share)) = largest {
        // It does so in the rests as well.
        kinds.extend(case.phases.iter().map(|phase| phase.kind).filter(|kind| !kind.powered()));
        let mut flag = Flag::new(
            Code::BaselineMoves,
            format!(
                "the zero line of the {} moves by up to {:.1} % of the peak, over {:.0} %: hum, \
                     drift or interference, which peaks and RMS hold too; look for a ground loop, \
                     let the probe warm up",
                channel.name(),
                100.0 * share,
                100.0 * BASELINE_SHARE
            ),
        )
        .seen_in(kinds);
        // It moves the crest factor too, which tells the kind.
        if share > KIND_SHARE {
            flag.measures.push(Doubted::Phases);
        }
        flags.push(flag);
    }
}

fn asymmetric(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let lopsided = |k: usize| {
        let one = &case.stats[k];
        let peaks = one.peaks_v?;
        let (a, b) = (peaks.positive, -peaks.negative);
        // A burst that starts upwards has its first, highest crest on that side: only steady
        // output is expected to be even.
        (one.shape == Shape::Continuous && a.max(b) > 0.0)
            .then(|| (a - b).abs() / a.max(b))
            .filter(|share| *share > 0.05)
    };
    if let Some((kinds, share)) = case.worst(lopsided) {
        flags.push(
            Flag::new(
                Code::Asymmetric,
                format!(
                    "positive and negative peaks of a continuous phase differ by {:.1} %: on a \
                     resistive load look for an offset, clipping or a faulty output stage",
                    100.0 * share
                ),
            )
            .seen_in(kinds),
        );
    }
}
