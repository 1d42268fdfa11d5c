//! Whether a capture is one of its step: unit, setting, dial, load as stated and as measured, kind.

use super::entries::Facts;
use super::step::{Load, Step};
use crate::check::{Fault, Finding, Verdict, sequence};
use crate::flag::Code;
use crate::measures::Measure;
use crate::profile::{Expected, Setting};
use crate::result::{Measurement, Part};
use crate::sheet::{LoadKind, Sheet};
use crate::units::{Unit, for_people};

/// A load as measured may be off by this much from the planned one.
const MEASURED_SHARE: f64 = 0.1;
/// Least resistance that passes for nothing connected, ohm: cables alone are far above it.
const OPEN_OHM: f64 = 5e3;

/// What a step asks of its capture.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// The step.
    pub step: &'a Step,
    /// Its setting.
    pub setting: &'a Setting,
    /// What the settings of the plan should put out.
    pub expected: Expected<'a>,
    /// Every load of the plan, ohm.
    pub loads: &'a [f64],
}

/// What does not fit. None of it is a failure of the unit: it is most likely the capture of another
/// step, or the bench was set up otherwise.
#[must_use]
pub fn fit(asked: &Asked<'_>, measurement: &Measurement, sheet: &Sheet) -> Vec<Finding> {
    let Asked { step, setting, expected, loads } = *asked;
    let mut found = Vec::new();
    let mut push = |code: Fault, message: String| {
        found.push(Finding { code: code.into(), message, at_best: Some(Verdict::NotMeasured) });
    };
    if let (Some(wanted), Some(told)) = (step.dial, sheet.job.as_ref().and_then(|job| job.dial))
        && (told - wanted).abs() > 1e-9 * wanted.abs()
    {
        push(Fault::OtherDial, format!("the step is taken at {wanted}, but its sheet says {told}"));
    }
    let told = measurement.capture.subject.as_ref().and_then(|subject| subject.setting.as_deref());
    if let Some(told) = told.filter(|told| *told != setting.id) {
        push(
            Fault::OtherSetting,
            format!("the step belongs to setting `{}`, but its sheet says `{told}`", setting.id),
        );
    }
    if let Some(wanted) = step.load {
        load((step.kind.facts(), loads), wanted, measurement, sheet, &mut push);
    }
    if step.kind.facts().own_sequence {
        for finding in sequence(measurement, expected, setting) {
            push(Fault::OtherOutput, format!("{}: a capture of another step?", finding.message));
        }
    }
    found
}

fn load(
    (facts, loads): (&Facts, &[f64]),
    wanted: Load,
    measurement: &Measurement,
    sheet: &Sheet,
    push: &mut impl FnMut(Fault, String),
) {
    let stated = sheet.load.as_ref();
    let open = stated.and_then(|load| load.kind) == Some(LoadKind::Open);
    let ohm = stated.and_then(|load| load.nominal_ohm);
    // A flag says more of why than the number does.
    let explained = measurement.flags.iter().any(|flag| {
        matches!(
            flag.code,
            Code::CurrentInverted | Code::ChannelsSwapped | Code::ChannelDead | Code::Truncated
        )
    });
    let measured = [Part::Cut, Part::Coag, Part::Whole]
        .into_iter()
        .filter(|_| !explained)
        .find_map(|part| measurement.part(part).ok()?.get(Measure::Load).cloned());
    let shown = |ohm: f64| for_people(ohm, Unit::Ohm);
    match wanted {
        Load::Open => {
            if let Some(ohm) = ohm.filter(|_| !open) {
                push(
                    Fault::LoadDiffers,
                    format!("nothing must be connected, the sheet states {}", shown(ohm)),
                );
            } else if !open {
                push(
                    Fault::LoadUnknown,
                    "the sheet does not say that nothing was connected: set load.kind = \"open\""
                        .into(),
                );
            }
            if let Some(found) = measured.filter(|found| found.value.abs() < OPEN_OHM) {
                push(
                    Fault::LoadDiffers,
                    format!(
                        "nothing must be connected, but the capture shows {}",
                        shown(found.value)
                    ),
                );
            }
        }
        Load::Ohm(planned) => {
            let share = facts.load_share;
            let off = |ohm: f64| (ohm / planned - 1.0).abs();
            if open {
                push(
                    Fault::LoadDiffers,
                    format!("the step is taken at {}, the sheet says open", shown(planned)),
                );
            } else if let Some(ohm) = ohm {
                if off(ohm) > share {
                    push(
                        Fault::LoadDiffers,
                        format!(
                            "the step is taken at {}, the sheet says {}",
                            shown(planned),
                            shown(ohm)
                        ),
                    );
                }
            } else if measured.is_none() && !explained {
                push(
                    Fault::LoadUnknown,
                    "the load is neither in the sheet nor measurable from the capture: add load.nominal_ohm"
                        .into(),
                );
            }
            // What was measured may be off by as much as it is not known.
            if let Some(found) = measured {
                let u = found.expanded().unwrap_or(0.0);
                if (found.value - planned).abs() > share.max(MEASURED_SHARE) * planned + u {
                    push(
                        Fault::LoadDiffers,
                        format!(
                            "the step is taken at {}, but the capture shows {}{}",
                            shown(planned),
                            shown(found.value),
                            guess(found.value, planned, loads)
                        ),
                    );
                }
            }
        }
    }
}

/// What probably happened where a load as measured is not the planned one.
fn guess(measured: f64, planned: f64, loads: &[f64]) -> String {
    let near = |a: f64, b: f64| (a / b - 1.0).abs() < 0.05;
    for factor in [10.0, 100.0, 0.1, 0.01] {
        if near(measured / planned, factor) {
            let times = if factor > 1.0 { factor } else { 1.0 / factor };
            return format!(
                ": a factor of {times:.0}, as by a probe factor that is missing or counted twice in one \
                 channel"
            );
        }
    }
    if let Some(other) = loads.iter().find(|ohm| near(measured, **ohm) && **ohm != planned) {
        return format!(": the load of {} was probably connected", for_people(*other, Unit::Ohm));
    }
    String::new()
}
