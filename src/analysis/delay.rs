//! Delay between the channels, from a capture into a resistor.

use super::{AnalysisError, Run};
use crate::measures::Measure;
use crate::measures::stats::Repeated;
use crate::numeric::delay::{Advance, HALO};
use crate::numeric::moments::PairMoments;
use crate::result::Form;
use crate::result::{ChannelPlan, DelayEstimate};
use crate::trace::Channel;
use crate::trace::{Block, PerChannel, Phase};
use crate::uncertainty::Knowledge;
use crate::uncertainty::known::Scale;
use std::f64::consts::TAU;

/// Why no delay can be told.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("the delay can't be determined: {reason}")]
pub struct DelayRefusal {
    /// The reason.
    pub reason: String,
    /// What to do.
    pub help: &'static str,
}

/// Samples of one stretch, and most stretches.
const STRETCH: u64 = 4096;
const MOST: u64 = 32;
/// Phase beyond which a delay could be a whole cycle off, degrees.
const LARGEST_PHASE: f64 = 60.0;
/// Share by which |V/I| may differ from the stated resistance beyond what is stated of either.
const LOAD_SHARE: f64 = 0.02;
/// Share of the current that may not follow the voltage, beside noise.
const RESIDUAL: f64 = 0.02;

/// What became of an estimate.
pub(super) type Estimated = Result<DelayEstimate, DelayRefusal>;

/// Tells the delay from the strongest phase of a run; the load must be a stated resistor.
///
/// A delay d turns the carrier by 2 pi f d; so would a reactance, and no capture of one frequency
/// tells them apart. What gives a reactive or arcing load away is the size of V/I, and a current that
/// does not follow the delayed voltage.
///
/// # Errors
/// Where samples can't be read again; the inner error is a refusal, with its reason.
pub fn estimate_delay(run: &Run, knowledge: &Knowledge) -> Result<Estimated, AnalysisError> {
    let (carrier_hz, nominal, phase) = match ground(run, knowledge) {
        Ok(ground) => ground,
        Err(refusal) => return Ok(Err(refusal)),
    };
    let samples = run.record.samples();
    let rate = samples.rate().hertz();
    let w = TAU * carrier_hz / rate;
    let clean = samples.gaps().longest_valid(&(phase.start..phase.end));
    let length = STRETCH.min((clean.end - clean.start) / 4).max(1);
    let count = ((clean.end - clean.start) / length.max(1)).clamp(1, MOST);
    let (mut delays, mut product, mut square) = (Vec::new(), (0.0, 0.0), 0.0);
    let step = (clean.end - clean.start - length) / count.max(2).saturating_sub(1);
    let at = |k: u64| clean.start + if count > 1 { k * step } else { 0 };
    for k in 0..count {
        let block = samples.read(at(k)..at(k) + length)?;
        let (v, i) = (line(&block.v, w), line(&block.i, w));
        // V conj(I)
        let own = (v.0 * i.0 + v.1 * i.1, v.1 * i.0 - v.0 * i.1);
        product = (product.0 + own.0, product.1 + own.1);
        square += i.0 * i.0 + i.1 * i.1;
        if own.0.hypot(own.1) > 0.0 {
            delays.push(own.1.atan2(own.0) / (TAU * carrier_hz));
        }
    }
    let found = Repeated::of(&delays);
    let phase = product.1.atan2(product.0);
    let load_ohm = if square > 0.0 { product.0.hypot(product.1) / square } else { 0.0 };
    if let Err(refusal) = plausible(load_ohm, nominal, phase.to_degrees(), knowledge) {
        return Ok(Err(refusal));
    }
    let further_s = phase / (TAU * carrier_hz);
    let middle = at(count / 2);
    let block = samples.read(middle..middle + length)?;
    let residual_share = residual(&block, further_s * rate);
    let (noise, moments) = (noise_of(run), PairMoments::of(&block.v, &block.i));
    let noise_share = {
        let share = |noise: f64, square: Option<f64>| {
            square.filter(|s| *s > 0.0).map_or(0.0, |square| noise / square.sqrt())
        };
        share(noise.voltage, moments.mean_square_v())
            .hypot(share(noise.current, moments.mean_square_i()))
    };
    if residual_share > RESIDUAL + 1.5 * noise_share {
        return Ok(Err(DelayRefusal {
            reason: format!(
                "{:.1} % of the current does not follow the voltage by any delay, {:.1} % of it \
                 noise: the load arcs or is reactive",
                100.0 * residual_share,
                100.0 * noise_share
            ),
            help: "take a capture into a resistor, without sparks, leads short",
        }));
    }
    // What noise does to the phase of a line: s / A sqrt(2 / n), times sqrt(1.5) for the window.
    let n = (count * length) as f64;
    let by_noise = noise_share * (1.5 / n).sqrt() / (TAU * carrier_hz);
    let u = found.error_of_mean().map_or(by_noise, |(u, _)| u.max(by_noise));
    let plan = &run.measurement.settings;
    let stated =
        |channel: &Option<ChannelPlan>| channel.as_ref().map_or(0.0, |channel| channel.delay_s);
    let net = stated(&plan.current) - stated(&plan.voltage) + further_s;
    Ok(Ok(DelayEstimate {
        schema: Form::Delay,
        lagging: if net < 0.0 { Channel::Voltage } else { Channel::Current },
        delay_s: net.abs(),
        standard_uncertainty_s: u,
        missing_terms: vec!["reactance of the load".into()],
        further_s,
        carrier_hz,
        stretches: count,
        load_ohm,
        residual_share,
    }))
}

/// Carrier, stated resistance and the strongest phase.
fn ground(run: &Run, knowledge: &Knowledge) -> Result<(f64, f64, Phase), DelayRefusal> {
    let refuse =
        |reason: &str, help: &'static str| Err(DelayRefusal { reason: reason.to_owned(), help });
    let plan = &run.measurement.settings;
    if plan.voltage.is_none() || plan.current.is_none() {
        return refuse("it takes voltage and current", "capture both channels");
    }
    let Some(nominal) = run.measurement.capture.load_ohm.filter(|_| knowledge.resistor) else {
        return refuse(
            "the sheet does not state a resistor",
            "state load.kind = \"resistor\" and load.nominal_ohm, if it is one",
        );
    };
    let power = |k: usize| run.measurement.phases[k].measures.get(Measure::Power).map(|p| p.value);
    let strongest = (0..run.phases.len().min(run.measurement.phases.len()))
        .filter(|k| run.phases[*k].kind.powered())
        .max_by(|a, b| power(*a).unwrap_or(0.0).total_cmp(&power(*b).unwrap_or(0.0)));
    let carrier = strongest.and_then(|k| {
        let hz = run.measurement.phases[k].measures.get(Measure::Fundamental)?.value;
        Some((hz, nominal, run.phases[k]))
    });
    match carrier {
        Some(found) => Ok(found),
        None => refuse("there is no output with a carrier", "capture while the generator is on"),
    }
}

/// Whether the ratio of voltage and current is that of the stated resistor.
fn plausible(
    load_ohm: f64,
    nominal: f64,
    phase: f64,
    knowledge: &Knowledge,
) -> Result<(), DelayRefusal> {
    let help = "take a capture into a resistor of known resistance, leads short";
    if phase.abs() > LARGEST_PHASE {
        return Err(DelayRefusal {
            reason: format!(
                "voltage and current are {phase:.0} degrees apart, over {LARGEST_PHASE:.0}: a \
                 reactive load, a reversed probe, or a delay near a whole cycle"
            ),
            help,
        });
    }
    let stated = |scale: &Scale| scale.stated.map_or(0.0, |s| s.relative);
    let u = stated(&knowledge.voltage.scale)
        .hypot(stated(&knowledge.current.scale))
        .hypot(stated(&knowledge.load));
    let allowed = LOAD_SHARE.max(2.0 * u);
    let off = load_ohm / nominal - 1.0;
    if off.abs() > allowed {
        return Err(DelayRefusal {
            reason: format!(
                "voltage and current give {load_ohm:.1} ohm, {:+.1} % off the stated {nominal} ohm \
                 (allowed {:.1} %): the load is reactive or not the stated one",
                100.0 * off,
                100.0 * allowed
            ),
            help,
        });
    }
    Ok(())
}

/// Component of `x` at `w` radians per sample under a Hann window: real and imaginary part.
fn line(x: &[f64], w: f64) -> (f64, f64) {
    let n = x.len().max(1) as f64;
    x.iter().enumerate().fold((0.0, 0.0), |(re, im), (k, value)| {
        let place = (k as f64 + 0.5) / n;
        let weighted = value * (1.0 - (TAU * place).cos());
        let (sin, cos) = (w * k as f64).sin_cos();
        (re + weighted * cos, im - weighted * sin)
    })
}

/// Share of the current that does not follow the voltage once it is read `lag` samples later.
fn residual(block: &Block, lag: f64) -> f64 {
    let advance = Advance::new(lag);
    let mut i = vec![0.0; block.i.len()];
    advance.apply(&block.i, 0, &mut i);
    // What the filter had to guess at the ends is left out.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let edge = HALO + lag.abs().ceil() as usize;
    if block.v.len() <= 2 * edge || i.len() != block.v.len() {
        return 0.0;
    }
    let part = edge..block.v.len() - edge;
    let moments = PairMoments::of(&block.v[part.clone()], &i[part]);
    let left = moments.m2_i - moments.c_vi * moments.c_vi / moments.m2_v;
    if moments.m2_i > 0.0 && left.is_finite() { (left.max(0.0) / moments.m2_i).sqrt() } else { 0.0 }
}

fn noise_of(run: &Run) -> PerChannel<f64> {
    let plan = &run.measurement.settings;
    let noise =
        |channel: &Option<ChannelPlan>| channel.as_ref().map_or(0.0, |channel| channel.noise);
    PerChannel { voltage: noise(&plan.voltage), current: noise(&plan.current) }
}
