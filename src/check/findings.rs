//! What is not as the setting says, beside its limits.

use super::doubts::concerns;
use super::{LimitResult, Verdict, judge};
use crate::estimate::Estimate;
use crate::flag::{Code, Effect, Flag};
use crate::profile::{Decision, Expected, Limit, Rule, Setting};
use crate::result::{Measurement, Part, PhaseResult};
use crate::trace::Kind;
use crate::units::{Unit, day_of, for_people};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Codes of findings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Fault {
    /// The load is another one than the limits hold at.
    LoadDiffers,
    /// Profile, job and capture are of different units.
    OtherUnit,
    /// An instrument was used after its calibration had ended.
    CalibrationOverdue,
    /// Whether it had is not known: the sheet has no day.
    CalibrationUnknown,
    /// The tolerance is not far above the uncertainty.
    CoarseMeasurement,
    /// The mean is inside its limits, single phases are not.
    PhasesScatter,
    /// Coag where cut is expected, or the other way round.
    OutputSwapped,
    /// Other phases than the setting puts out.
    SequenceMismatch,
    /// The same data are given for several steps.
    SameCapture,
    /// The job before the service can't be read.
    AsFoundUnread,
    /// The capture can't be used.
    Unreadable,
    /// Several captures claim one step.
    ClaimedTwice,
    /// The sheet names another setting than the step.
    OtherSetting,
    /// The sheet names another dial than the step.
    OtherDial,
    /// The sheet was made for another state of the plan.
    OlderPlan,
    /// A file of the captures folder that belongs to no step.
    Stray,
    /// Neither sheet nor capture tells the load.
    LoadUnknown,
    /// The output is not that of the step.
    OtherOutput,
    /// A value is off by a factor of ten or a hundred, as by a probe factor.
    ScaleSuspected,
    /// Nothing tells which unit this is.
    UnitNotNamed,
    /// Nobody is named who measured.
    NobodyNamed,
    /// Days that contradict each other.
    DaysContradict,
}

/// Code of a finding: one of its own, or that of the flag it comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(untagged)]
#[non_exhaustive]
pub enum FindingCode {
    /// Of its own.
    Own(Fault),
    /// A flag of the capture.
    Flag(Code),
}

impl FindingCode {
    /// Its name in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Flag(code) => code.name(),
            Self::Own(fault) => match fault {
                Fault::LoadDiffers => "load_differs",
                Fault::OtherUnit => "other_unit",
                Fault::CalibrationOverdue => "calibration_overdue",
                Fault::CalibrationUnknown => "calibration_unknown",
                Fault::CoarseMeasurement => "coarse_measurement",
                Fault::PhasesScatter => "phases_scatter",
                Fault::OutputSwapped => "output_swapped",
                Fault::SequenceMismatch => "sequence_mismatch",
                Fault::SameCapture => "same_capture",
                Fault::AsFoundUnread => "as_found_unread",
                Fault::Unreadable => "unreadable",
                Fault::ClaimedTwice => "claimed_twice",
                Fault::OtherSetting => "other_setting",
                Fault::OtherDial => "other_dial",
                Fault::OlderPlan => "older_plan",
                Fault::Stray => "stray",
                Fault::LoadUnknown => "load_unknown",
                Fault::OtherOutput => "other_output",
                Fault::ScaleSuspected => "scale_suspected",
                Fault::UnitNotNamed => "unit_not_named",
                Fault::NobodyNamed => "nobody_named",
                Fault::DaysContradict => "days_contradict",
            },
        }
    }
}

impl std::fmt::Display for FindingCode {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

impl From<Fault> for FindingCode {
    fn from(fault: Fault) -> Self {
        Self::Own(fault)
    }
}

/// One finding.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Code for programs.
    pub code: FindingCode,
    /// What was found and what to look at.
    pub message: String,
    /// The whole can be no better than this.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_best: Option<Verdict>,
}

impl Finding {
    /// Whether the capture leaves no ground for any verdict.
    #[must_use]
    pub fn blocks(&self) -> bool {
        self.at_best == Some(Verdict::NotMeasured)
    }
}

/// Loads that differ by more than this share are different loads: the published tolerance of a
/// test load is 3 % (IEC 60601-2-2, from memory).
pub const LOAD_SHARE: f64 = 0.03;

/// Compares sequence, load and unit with the setting.
#[must_use]
pub fn findings(
    measurement: &Measurement,
    expected: Expected<'_>,
    setting: &Setting,
) -> Vec<Finding> {
    let mut found = sequence(measurement, expected, setting);
    if let (Some(wanted), Some(used)) = (setting.load_ohm, measurement.capture.load_ohm)
        && (used / wanted - 1.0).abs() > LOAD_SHARE
    {
        found.push(Finding {
            code: Fault::LoadDiffers.into(),
            message: format!(
                "the limits hold at {wanted} ohm, the capture was taken at {used} ohm: take it \
                 again at the right load"
            ),
            at_best: Some(Verdict::NotMeasured),
        });
    }
    found.extend(blocked(measurement, setting));
    if let Some(subject) = &measurement.capture.subject {
        let wanted = (&expected.unit.model, &expected.unit.serial);
        found.extend(other_unit("profile", wanted, "capture", (&subject.model, &subject.serial)));
    }
    instruments(measurement, &mut found);
    found
}

/// Flags that leave no ground for what the setting asks: its limits, its sequence, or, where it
/// states neither, anything at all.
fn blocked(measurement: &Measurement, setting: &Setting) -> impl Iterator<Item = Finding> {
    let concerned = |flag: &&Flag| {
        let limited = setting.limit.iter().any(|limit| concerns(flag, limit.measure, limit.part));
        let ordered = !setting.sequence.is_empty() && flag.touches_phases();
        limited || ordered || setting.limit.is_empty()
    };
    let blocks = |flag: &&Flag| flag.code.row().effect == Effect::Blocks;
    let flags = measurement.flags.iter().filter(blocks).filter(concerned);
    let first: BTreeMap<Code, &Flag> = flags.rev().map(|flag| (flag.code, flag)).collect();
    first.into_iter().map(|(code, flag)| Finding {
        code: FindingCode::Flag(code),
        message: flag.message.clone(),
        at_best: Some(Verdict::NotMeasured),
    })
}

/// Model and serial number, as far as they are stated.
type Named<'a> = (&'a Option<String>, &'a Option<String>);

/// Where two of profile, job and capture state another model or serial number.
pub fn other_unit<'a>(
    one: &'a str,
    wanted: Named<'a>,
    other: &'a str,
    got: Named<'a>,
) -> impl Iterator<Item = Finding> + 'a {
    [("model", wanted.0, got.0), ("serial", wanted.1, got.1)].into_iter().filter_map(
        move |(what, wanted, got)| {
            let (wanted, got) = (wanted.as_ref()?, got.as_ref()?);
            (wanted != got).then(|| Finding {
                code: Fault::OtherUnit.into(),
                message: format!("the {one} is of {what} `{wanted}`, the {other} of `{got}`"),
                at_best: Some(Verdict::NotMeasured),
            })
        },
    )
}

/// Instruments whose calibration had run out when the capture was taken.
fn instruments(measurement: &Measurement, found: &mut Vec<Finding>) {
    let bench = measurement.capture.bench.as_ref();
    let taken = bench.and_then(|bench| day_of(bench.taken_at.as_ref()?));
    for instrument in &measurement.capture.instrument {
        let Some(due) = instrument.calibration_due.as_deref().and_then(day_of) else { continue };
        let role = instrument.role.as_deref().unwrap_or("instrument");
        let id = instrument.id.as_deref().map_or(String::new(), |id| format!(" {id}"));
        match taken {
            Some(taken) if taken > due => found.push(Finding {
                code: Fault::CalibrationOverdue.into(),
                message: format!(
                    "the calibration of the {role}{id} ended on {due}, the capture is of {taken}: \
                     its uncertainty can't be relied on; have it calibrated and capture again"
                ),
                at_best: Some(Verdict::ConditionalPass),
            }),
            Some(_) => {}
            None => found.push(Finding {
                code: Fault::CalibrationUnknown.into(),
                message: format!(
                    "the calibration of the {role}{id} ends on {due}, but the sheet does not say \
                     when the capture was taken: state bench.taken_at"
                ),
                at_best: None,
            }),
        }
    }
}

/// Ratio of tolerance to expanded uncertainty below which a verdict is a coarse one (common
/// practice, no source).
pub const WANTED_RATIO: f64 = 4.0;

/// A limit whose tolerance is not far above the uncertainty.
pub(super) fn coarse(limit: &LimitResult) -> Option<Finding> {
    let ratio = limit.judged.tolerance_ratio.filter(|ratio| *ratio < WANTED_RATIO)?;
    Some(Finding {
        code: Fault::CoarseMeasurement.into(),
        message: format!(
            "the tolerance of {} in {} is only {ratio:.1} times U, under {WANTED_RATIO:.0}:1: many \
             values will end in a conditional verdict; use instruments of smaller uncertainty",
            limit.measure,
            limit.part.name()
        ),
        at_best: None,
    })
}

/// A mean over phases that lies within its limits though single ones lie outside: activations that
/// scatter water each other down.
pub(super) fn scattered(limit: &LimitResult, measurement: &Measurement) -> Option<Finding> {
    let kind = limit.part.kind()?;
    let judged = &limit.judged;
    if !matches!(judged.verdict, Verdict::Pass | Verdict::ConditionalPass) {
        return None;
    }
    let values: Vec<&Estimate> = measurement
        .phases
        .iter()
        .filter(|phase| phase.kind == kind && !phase.cut_off)
        .filter_map(|phase| phase.measures.get(limit.measure))
        .collect();
    let outside = |found: &&&Estimate| {
        let u = found.expanded().unwrap_or(0.0);
        judged.upper.is_some_and(|upper| found.value - u > upper)
            || judged.lower.is_some_and(|lower| found.value + u < lower)
    };
    let count = values.iter().filter(outside).count();
    if values.len() < 2 || count == 0 {
        return None;
    }
    let ends = values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), found| {
        (low.min(found.value), high.max(found.value))
    });
    let unit = limit.measure.unit();
    Some(Finding {
        code: Fault::PhasesScatter.into(),
        message: format!(
            "{count} of {} {} phases lie outside the limits of {} ({} to {}), though their mean does not",
            values.len(),
            kind.name(),
            limit.measure,
            for_people(ends.0, unit),
            for_people(ends.1, unit)
        ),
        at_best: Some(Verdict::ConditionalFail),
    })
}

/// Compares the phases with the sequence that the setting puts out.
#[must_use]
pub fn sequence(
    measurement: &Measurement,
    expected: Expected<'_>,
    setting: &Setting,
) -> Vec<Finding> {
    let mut found = Vec::new();
    if setting.sequence.is_empty() {
        return found;
    }
    let measured: Vec<Seen> = measurement.phases.iter().map(Seen::of).collect();
    let list = |kinds: &[Kind]| kinds.iter().map(|kind| kind.name()).collect::<Vec<_>>().join(", ");
    if !measured.iter().any(|seen| seen.kind.powered()) {
        found.push(Finding {
            code: FindingCode::Flag(Code::NoOutput),
            message: "there is no output in the capture: was the generator activated, is the \
                      load connected?"
                .into(),
            at_best: Some(Verdict::NotMeasured),
        });
        return found;
    }
    if fits(&measured, &setting.sequence) {
        return found;
    }
    let swapped = |kind: &Kind| match kind {
        Kind::Cut => Kind::Coag,
        Kind::Coag => Kind::Cut,
        Kind::Rest => Kind::Rest,
    };
    let other: Vec<Kind> = setting.sequence.iter().map(swapped).collect();
    let (code, mut message) = if fits(&measured, &other) {
        (
            Fault::OutputSwapped,
            format!(
                "the setting should put out {}, the capture shows {}: a pedal, socket or board \
                 may be swapped",
                list(&setting.sequence),
                list(&other)
            ),
        )
    } else {
        let kinds: Vec<Kind> = measured.iter().map(|seen| seen.kind).collect();
        let shown = if kinds.len() > 8 {
            format!("{} and {} more", list(&kinds[..8]), kinds.len() - 8)
        } else {
            list(&kinds)
        };
        (
            Fault::SequenceMismatch,
            format!(
                "the setting should put out {}, repeating; the capture shows {shown}",
                list(&setting.sequence)
            ),
        )
    };
    let alike = looks_like(measurement, expected, setting);
    if !alike.is_empty() {
        message.push_str(&format!("; it looks like {}", alike.join(", ")));
    }
    found.push(Finding { code: code.into(), message, at_best: Some(Verdict::Fail) });
    found
}

/// Ids of other settings of the profile whose sequence and limits a capture keeps.
#[must_use]
pub fn looks_like<'a>(
    measurement: &Measurement,
    expected: Expected<'a>,
    setting: &Setting,
) -> Vec<&'a str> {
    let simple = Decision { rule: Rule::Simple, guard: None };
    let measured: Vec<Seen> = measurement.phases.iter().map(Seen::of).collect();
    // A capture at another load is not one of that setting.
    let alike = |other: &Setting| match (other.load_ohm, measurement.capture.load_ohm) {
        (Some(wanted), Some(used)) => (used / wanted - 1.0).abs() < 0.1,
        _ => true,
    };
    let keeps = |other: &&Setting| {
        other.id != setting.id
            && alike(other)
            && !other.sequence.is_empty()
            && fits(&measured, &other.sequence)
            && !other.limit.is_empty()
            && other.limit.iter().all(|limit| {
                let limit = Limit { part: named(measurement, limit.part), ..limit.clone() };
                judge(measurement, &limit, &simple).judged.verdict == Verdict::Pass
            })
    };
    expected.settings.iter().filter(keeps).map(|other| other.id.as_str()).collect()
}

/// A value that misses what is expected by a power of ten: a probe factor more likely than the unit.
pub(super) fn wrong_scale(limit: &LimitResult, measurement: &Measurement) -> Option<Finding> {
    let settings = &measurement.settings;
    let side = match (settings.voltage.is_some(), settings.current.is_some()) {
        (true, true) => "both channels",
        (true, false) => "the voltage",
        _ => "the current",
    };
    let (value, nominal) = (limit.judged.value?, limit.judged.nominal?);
    if value <= 0.0 || nominal <= 0.0 {
        return None;
    }
    // Power goes with the square of the scale.
    let power = match limit.measure.unit() {
        Unit::Watt | Unit::Joule => 2.0,
        Unit::Volt | Unit::Ampere => 1.0,
        _ => return None,
    };
    let tens = (value / nominal).log10() / power;
    let off = tens.round();
    if off == 0.0 || off.abs() > 3.0 || (tens - off).abs() > 0.05 {
        return None;
    }
    // Both channels agree with the load: too little output is then that of a weak unit.
    if off < 0.0 && settings.voltage.is_some() && settings.current.is_some() {
        return None;
    }
    let factor = 10_f64.powf(off.abs());
    let (way, remedy) =
        if off > 0.0 { ("counted twice", "take it out of") } else { ("missing", "put it into") };
    Some(Finding {
        code: Fault::ScaleSuspected.into(),
        message: format!(
            "{} in {} is as if {side} were off by a factor of {factor:.0}: a probe factor is probably \
             {way}; if so, {remedy} the scale in the sheet",
            limit.measure,
            limit.part.name()
        ),
        at_best: Some(Verdict::NotMeasured),
    })
}

/// Where the measures of phases stand that measure as `part`, but were named by the setting.
fn named(measurement: &Measurement, part: Part) -> Part {
    let wanted = match part {
        Part::Cut => Kind::Cut,
        Part::Coag => Kind::Coag,
        other => return other,
    };
    let phase =
        measurement.phases.iter().find(|phase| phase.measured_kind.unwrap_or(phase.kind) == wanted);
    match phase.map(|phase| phase.kind) {
        Some(Kind::Cut) => Part::Cut,
        Some(Kind::Coag) => Part::Coag,
        _ => part,
    }
}

/// A phase as the waveform alone shows it.
#[derive(Clone, Copy)]
struct Seen {
    kind: Kind,
    /// Whether the waveform tells this kind from the other one.
    sure: bool,
}

impl Seen {
    fn of(phase: &PhaseResult) -> Self {
        Self {
            kind: phase.measured_kind.unwrap_or(phase.kind),
            sure: phase.decided_by.is_none_or(|evidence| evidence.doubt.is_none()),
        }
    }

    fn is(self, kind: Kind) -> bool {
        self.kind == kind || (!self.sure && self.kind.powered() && kind.powered())
    }
}

/// Whether the phases repeat the sequence, from any place in it; a rest before and after is no
/// part of what the setting does.
fn fits(measured: &[Seen], sequence: &[Kind]) -> bool {
    let count = sequence.len();
    let matches = |phases: &[Seen]| {
        (0..count).any(|shift| {
            phases.iter().enumerate().all(|(k, seen)| seen.is(sequence[(k + shift) % count]))
        })
    };
    let rests = |seen: Option<&Seen>| seen.is_some_and(|seen| seen.kind == Kind::Rest);
    let inner = {
        let start = usize::from(rests(measured.first()));
        let end = measured.len() - usize::from(measured.len() > 1 && rests(measured.last()));
        &measured[start.min(end)..end]
    };
    // One kind alone may be switched on and off by hand.
    let single = count == 1
        && measured.iter().all(|seen| seen.is(sequence[0]) || seen.kind == Kind::Rest)
        && measured.iter().any(|seen| seen.is(sequence[0]));
    single || matches(measured) || (!inner.is_empty() && matches(inner))
}

#[cfg(test)]
mod tests {
    use super::*;
    use Kind::{Coag, Cut, Rest};

    #[test]
    fn sequences_repeat_from_any_place() {
        let sure = |kinds: &[Kind]| -> Vec<Seen> {
            kinds.iter().map(|kind| Seen { kind: *kind, sure: true }).collect()
        };
        let cycle = [Cut, Coag, Rest];
        assert!(fits(&sure(&[Coag, Rest, Cut, Coag, Rest, Cut]), &cycle));
        assert!(!fits(&sure(&[Cut, Rest, Cut, Rest]), &cycle));
        assert!(fits(&sure(&[Rest, Cut, Rest, Cut]), &[Cut]));
        assert!(!fits(&sure(&[Coag]), &[Cut]));
        assert!(fits(&sure(&[Rest, Cut, Coag, Cut, Coag, Rest]), &[Cut, Coag]));
    }

    /// Under about 200 V the waveform tells no kind, so it contradicts none.
    #[test]
    fn a_kind_in_doubt_fits_either() {
        let low = Seen { kind: Coag, sure: false };
        let rest = Seen { kind: Rest, sure: true };
        assert!(fits(&[low], &[Cut]));
        assert!(fits(&[low, rest, low], &[Cut]));
        assert!(!fits(&[low, rest, low], &[Cut, Coag]));
        assert!(!fits(&[rest], &[Cut]));
    }
}
