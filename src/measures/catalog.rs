//! The measures: key, unit, and the formula over [`IntervalStats`].

use super::stats::{IntervalStats, Shape};
use crate::estimate::Estimate;
use crate::units::Unit;

/// Computes one measure.
///
/// # Errors
/// The reason why it can't be had, for people.
pub type Compute = fn(&IntervalStats) -> Result<Estimate, String>;

/// One measure.
pub struct Measure {
    /// Key in files.
    pub key: &'static str,
    /// Unit.
    pub unit: Unit,
    /// Name for people.
    pub title: &'static str,
    /// The formula.
    pub compute: Compute,
}

const fn measure(key: &'static str, unit: Unit, title: &'static str, compute: Compute) -> Measure {
    Measure { key, unit, title, compute }
}

/// All measures, in the order in which they are listed.
pub const MEASURES: &[Measure] = &[
    measure("duration_s", Unit::Second, "duration", duration),
    measure("phase_share", Unit::One, "share of the cycles", |s| match s.share {
        Some(share) => value(share.value),
        None => Err("only told of a kind of phase, over whole cycles".into()),
    }),
    measure("power_w", Unit::Watt, "power", power),
    measure("energy_j", Unit::Joule, "energy", energy),
    measure("voltage_rms_v", Unit::Volt, "voltage RMS", voltage_rms),
    measure("current_rms_a", Unit::Ampere, "current RMS", current_rms),
    measure("voltage_peak_v", Unit::Volt, "voltage peak", voltage_peak),
    measure("current_peak_a", Unit::Ampere, "current peak", current_peak),
    measure("voltage_peak_positive_v", Unit::Volt, "voltage peak +", |s| {
        peak(s, s.peaks_v.map(|p| p.positive), s.channels.voltage)
    }),
    measure("voltage_peak_negative_v", Unit::Volt, "voltage peak -", |s| {
        peak(s, s.peaks_v.map(|p| p.negative), s.channels.voltage)
    }),
    measure("voltage_peak_to_peak_v", Unit::Volt, "voltage peak to peak", |s| {
        peak(s, s.peaks_v.map(|p| p.positive - p.negative), s.channels.voltage)
    }),
    measure("crest_factor", Unit::One, "crest factor", crest_factor),
    measure("duty_cycle", Unit::One, "duty cycle", duty_cycle),
    measure("duty_cycle_equivalent", Unit::One, "duty cycle, equivalent", duty_equivalent),
    measure("fundamental_hz", Unit::Hertz, "fundamental", fundamental),
    measure("burst_rate_hz", Unit::Hertz, "burst rate", burst_rate),
    measure("burst_on_s", Unit::Second, "burst on-time", |s| {
        repeated(&bursts(s)?.on_s, "no burst was seen whole")
    }),
    measure("burst_energy_j", Unit::Joule, "burst energy", |s| {
        repeated(&bursts(s)?.energy_j, "no burst was seen whole, or the power is not known")
    }),
    measure("burst_decay_s", Unit::Second, "burst decay", |s| {
        repeated(&bursts(s)?.decay_s, "the bursts do not decay")
    }),
    measure("apparent_power_va", Unit::VoltAmpere, "apparent power", apparent_power),
    measure("power_factor", Unit::One, "power factor", power_factor),
    measure("load_ohm", Unit::Ohm, "load resistance", |s| value(impedance(s)?.0)),
    measure("load_reactance_ohm", Unit::Ohm, "load reactance", |s| value(impedance(s)?.1)),
    measure("power_1s_max_w", Unit::Watt, "largest power over 1 s", |s| match s.largest_1s_w {
        Some(power) => value(power),
        None => Err(gap_or(s, "the interval is shorter than 1 s")),
    }),
    measure("onset_rise_s", Unit::Second, "onset rise", |s| {
        let reason = gap_or(s, "no onset after a rest was seen, or it is too fast to tell");
        repeated(&s.onset.rise_s, &reason)
    }),
    measure("onset_boost", Unit::One, "onset boost", |s| {
        repeated(&s.onset.boost, &gap_or(s, "no phase of 40 ms or more began inside the record"))
    }),
    measure("ripple_depth", Unit::One, "ripple depth", |s| {
        let reason = "only told of output that lasts for 18 windows of 0.25 ms or 4 bursts";
        repeated(&s.ripple.depth, &gap_or(s, reason))
    }),
    measure("ripple_hz", Unit::Hertz, "ripple rate", |s| {
        repeated(&s.ripple.hz, &gap_or(s, "no ripple of 0.5 % or more repeats"))
    }),
    measure("fundamental_spread", Unit::One, "spread of the fundamental", |s| {
        fundamental_spread(s).map_or_else(|| Err("only told of steady output".into()), value)
    }),
    measure("distortion", Unit::One, "distortion", |s| {
        let power = s.carrier.and_then(|c| c.harmonics.mean());
        power.map_or_else(|| Err("only told of continuous output".into()), |p| value(p.sqrt()))
    }),
    measure("undescribed_share", Unit::One, "energy not described", |s| {
        repeated(&s.undescribed, "only told of output")
    }),
    measure("dc_share", Unit::One, "DC share", dc_share),
    measure("low_frequency_share", Unit::One, "share below 10 kHz", |s| {
        let power = s.carrier.and_then(|c| c.low.mean());
        power.map_or_else(
            || Err("only told of continuous output of 1 ms or more".into()),
            |p| value(p.sqrt()),
        )
    }),
];

/// The measure of this key.
#[must_use]
pub fn find(key: &str) -> Option<&'static Measure> {
    MEASURES.iter().find(|measure| measure.key == key)
}

fn value(x: f64) -> Result<Estimate, String> {
    Estimate::new(x).ok_or_else(|| "the result is not a finite number".to_owned())
}

fn repeated(of: &super::stats::Repeated, reason: &str) -> Result<Estimate, String> {
    let mean = of.mean().ok_or_else(|| reason.to_owned())?;
    Ok(value(mean)?.with_deviation(of.deviation()))
}

fn duration(s: &IntervalStats) -> Result<Estimate, String> {
    repeated(&s.duration_s, "no such phase")
}

fn power(s: &IntervalStats) -> Result<Estimate, String> {
    value(s.power_by.power(&s.moments)?)
}

/// Power times time; of what was not recorded nothing is known.
fn energy(s: &IntervalStats) -> Result<Estimate, String> {
    if s.invalid.0 > 0 {
        return Err(gap_or(s, ""));
    }
    value(s.power_by.power(&s.moments)? * s.total_s())
}

fn voltage_rms(s: &IntervalStats) -> Result<Estimate, String> {
    root(s.channels.voltage, "no voltage channel", s.moments.mean_square_v())
}

fn current_rms(s: &IntervalStats) -> Result<Estimate, String> {
    root(s.channels.current, "no current channel", s.moments.mean_square_i())
}

/// Root of a mean square, where the channel is there.
fn root(channel: bool, absent: &str, square: Option<f64>) -> Result<Estimate, String> {
    if !channel {
        return Err(absent.to_owned());
    }
    value(square.ok_or("no samples")?.sqrt())
}

/// A reason that names the gaps, where there are any, or else `reason`.
fn gap_or(s: &IntervalStats, reason: &str) -> String {
    if s.invalid.0 == 0 {
        return reason.to_owned();
    }
    format!("{:.2} % of the interval was not recorded", 100.0 * s.invalid_share())
}

fn peak(s: &IntervalStats, found: Option<f64>, channel: bool) -> Result<Estimate, String> {
    if s.invalid.1 > 0 {
        return Err(format!(
            "{} sample(s) lay beyond the range: the highest crests were not recorded",
            s.invalid.1
        ));
    }
    match found {
        Some(peak) => value(peak),
        None if !channel => Err("no such channel".into()),
        None => Err("no output in this interval".into()),
    }
}

fn voltage_peak(s: &IntervalStats) -> Result<Estimate, String> {
    peak(s, s.peaks_v.map(|peaks| peaks.largest()), s.channels.voltage)
}

fn current_peak(s: &IntervalStats) -> Result<Estimate, String> {
    peak(s, s.peaks_i.map(|peaks| peaks.largest()), s.channels.current)
}

/// Peak over RMS of the interval.
fn crest_factor(s: &IntervalStats) -> Result<Estimate, String> {
    let (peak, rms) = (voltage_peak(s)?.value, voltage_rms(s)?.value);
    if rms > 0.0 { value(peak / rms) } else { Err("no output in this interval".into()) }
}

/// 2 / CF^2: duty of the gated sine with the same crest factor.
fn duty_equivalent(s: &IntervalStats) -> Result<Estimate, String> {
    let crest = crest_factor(s)?.value;
    value(2.0 / (crest * crest))
}

fn bursts(s: &IntervalStats) -> Result<super::stats::Bursts, String> {
    match s.shape {
        Shape::Bursts(bursts) => Ok(bursts),
        Shape::Continuous => Err("the output is continuous".into()),
        Shape::None => Err("no output in this interval".into()),
        Shape::Unclear => Err(gap_or(s, "too short to see three bursts")),
        Shape::Mixed => Err("the interval holds continuous output and bursts".into()),
    }
}

/// Standard deviation of the carrier along steady output over its mean.
fn fundamental_spread(s: &IntervalStats) -> Option<f64> {
    let carrier = s.carrier.filter(|_| s.shape == Shape::Continuous)?;
    Some(carrier.hz.deviation()? / carrier.hz.mean()?)
}

/// On-time over repetition, mean over the bursts; 1 for continuous output.
fn duty_cycle(s: &IntervalStats) -> Result<Estimate, String> {
    if s.shape == Shape::Continuous {
        return value(1.0);
    }
    repeated(&bursts(s)?.duty, "no burst was seen whole")
}

fn burst_rate(s: &IntervalStats) -> Result<Estimate, String> {
    let period = bursts(s)?.period_s;
    let mean = period.mean().filter(|mean| *mean > 0.0);
    let mean = mean.ok_or("fewer than two bursts were seen whole")?;
    let deviation = period.deviation().map(|deviation| deviation / (mean * mean));
    Ok(value(1.0 / mean)?.with_deviation(deviation))
}

fn fundamental(s: &IntervalStats) -> Result<Estimate, String> {
    let carrier = s.carrier.ok_or("no output in this interval")?;
    let hz = carrier.frequency().ok_or_else(|| gap_or(s, "no carrier could be fitted"))?;
    Ok(value(hz)?.with_deviation(carrier.hz.deviation()))
}

/// Vrms * Irms.
fn apparent_power(s: &IntervalStats) -> Result<Estimate, String> {
    value(voltage_rms(s)?.value * current_rms(s)?.value)
}

/// P / S.
fn power_factor(s: &IntervalStats) -> Result<Estimate, String> {
    let apparent = apparent_power(s)?.value;
    if apparent > 0.0 && s.carrier.is_some() {
        value(power(s)?.value / apparent)
    } else {
        Err("no output in this interval".into())
    }
}

fn impedance(s: &IntervalStats) -> Result<(f64, f64), String> {
    if !(s.channels.voltage && s.channels.current) {
        return Err("needs voltage and current".into());
    }
    let carrier = s.carrier.ok_or("no output in this interval")?;
    carrier.impedance().ok_or_else(|| "no current at the fundamental".to_owned())
}

fn dc_share(s: &IntervalStats) -> Result<Estimate, String> {
    if s.carrier.is_none() {
        return Err("no output in this interval".into());
    }
    let (mean, square) = if s.channels.voltage {
        (s.moments.mean_v, s.moments.mean_square_v())
    } else {
        (s.moments.mean_i, s.moments.mean_square_i())
    };
    match square {
        Some(square) if square > 0.0 => value(mean.abs() / square.sqrt()),
        _ => Err("no output in this interval".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_unique_and_end_in_their_unit() {
        for (k, measure) in MEASURES.iter().enumerate() {
            assert!(MEASURES[..k].iter().all(|other| other.key != measure.key));
            let suffix = match measure.unit {
                Unit::Volt => "_v",
                Unit::Ampere => "_a",
                Unit::Watt => "_w",
                Unit::VoltAmpere => "_va",
                Unit::Ohm => "_ohm",
                Unit::Hertz => "_hz",
                Unit::Second => "_s",
                Unit::Joule => "_j",
                Unit::One => "",
            };
            assert!(measure.key.ends_with(suffix), "{}", measure.key);
        }
    }
}
