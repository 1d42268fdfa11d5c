//! Under which conditions a capture was taken: noise, steps, offsets; the ground of its uncertainty.

use super::AnalysisError;
use crate::recording::{Capture, Offsets, Record};
use crate::result::OffsetSource;
use crate::trace::{Channel, PerChannel, Phase};
use crate::uncertainty::{Conditions, Knowledge};

/// What is known of the capture as a whole.
pub(super) fn conditions_of(
    capture: &Capture,
    record: &Record,
    phases: &[Phase],
    noise: PerChannel<f64>,
    found_step: PerChannel<f64>,
    offsets: &Offsets,
    duty_threshold: f64,
) -> Result<Conditions, AnalysisError> {
    let knowledge = Knowledge::of(&capture.sheet)?;
    let step = |channel: Channel, stated: Option<f64>, found: f64| {
        let gain = record.channel(channel).map_or(0.0, |(_, gain, _)| gain.abs());
        stated.map_or(found, |stated| stated * gain)
    };
    let step = PerChannel {
        voltage: step(Channel::Voltage, knowledge.voltage.resolution, found_step.voltage),
        current: step(Channel::Current, knowledge.current.resolution, found_step.current),
    };
    let quiet: u64 = phases.iter().filter(|p| !p.kind.powered()).map(Phase::len).sum();
    let offset = |from: OffsetSource, noise: f64, step: f64| match from {
        // Noise of half a step or more makes the mean of steps as good as that of no steps.
        OffsetSource::Rest if noise >= 0.5 * step => Some(noise / (quiet.max(1) as f64).sqrt()),
        OffsetSource::Rest | OffsetSource::Sheet => Some(step / 12_f64.sqrt()),
        OffsetSource::Nothing => None,
    };
    Ok(Conditions {
        offset: PerChannel::each(|channel| {
            offset(channel.of(*offsets).1, channel.of(noise), channel.of(step))
        }),
        knowledge,
        noise,
        step,
        rate_hz: record.samples().rate().hertz(),
        duty_threshold,
    })
}
