//! The steps of a plan: one capture or one reading each.

use super::entries::{Answer, Profile, StepKind, Wiring};
use crate::digest::Sha256;
use crate::measures::Measure;
use crate::profile::{Limit, Setting};
use crate::result::Part;
use crate::trace::Kind;
use serde::{Deserialize, Serialize};

/// What the output works into.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Load {
    /// A resistor, ohm.
    Ohm(f64),
    /// Nothing.
    Open,
}

/// One step.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Identifier; also the stem of its files.
    pub id: String,
    /// Id of the plan's entry it belongs to.
    pub group: String,
    /// Kind of that entry.
    pub kind: StepKind,
    /// Place in that entry.
    pub index: usize,
    /// Setting that is activated; `None` for what is done by hand.
    pub setting: Option<String>,
    /// Number on the dial.
    pub dial: Option<f64>,
    /// What the output works into; `None` for what is done by hand.
    pub load: Option<Load>,
    /// What to do, in words.
    pub what: String,
    /// What a manual step takes.
    pub answer: Option<Answer>,
    /// What kind of capture it can take.
    pub capture: CaptureNeed,
    /// Id of the step whose capture it takes, where it has none of its own.
    pub shares: Option<String>,
    /// What is wanted, in words; empty where only several captures together tell.
    pub wanted: String,
    /// What is to be expected, so that the instruments can be set.
    pub expected: Expectation,
}

/// What a step should put out, as far as the plan tells.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Expectation {
    /// Power, W.
    pub power_w: Option<f64>,
    /// Peak voltage, V.
    pub peak_v: Option<f64>,
    /// Peak current, A.
    pub peak_a: Option<f64>,
}

impl Expectation {
    /// Of a power into a load, with the crest factor of the setting: V = CF sqrt(P R), I = V / R.
    fn of_power(power_w: f64, load: Option<Load>, crest_factor: Option<f64>) -> Self {
        let peak_v = match (load, crest_factor) {
            (Some(Load::Ohm(ohm)), Some(crest)) => Some(crest * (power_w * ohm).sqrt()),
            _ => None,
        };
        let peak_a = match (load, peak_v) {
            (Some(Load::Ohm(ohm)), Some(volt)) => Some(volt / ohm),
            _ => None,
        };
        Self { power_w: Some(power_w), peak_v, peak_a }
    }

    /// Of a peak voltage with nothing connected.
    pub(super) fn of_peak(peak_v: f64) -> Self {
        Self { power_w: None, peak_v: Some(peak_v), peak_a: None }
    }
}

/// Largest expected power of a setting, W.
fn nominal_power(setting: &Setting) -> Option<f64> {
    let of_power = setting.limit.iter().filter(|limit| limit.measure == Measure::Power);
    let largest = |limit: &Limit| limit.bounds(limit.measure.unit()).ok()?.1;
    of_power.filter_map(|limit| limit.nominal.or_else(|| largest(limit))).reduce(f64::max)
}

/// Largest crest factor that a setting may have: as its limits say, or that of a sine for continuous cut.
fn crest_factor(setting: &Setting) -> Option<f64> {
    let mut of_crest = setting.limit.iter().filter(|limit| limit.measure == Measure::CrestFactor);
    let stated = of_crest.find_map(|limit| limit.bounds(limit.measure.unit()).ok()?.1);
    let plain = setting.sequence == [Kind::Cut];
    let modulated = setting.limit.iter().any(|limit| limit.measure == Measure::DutyCycle);
    stated.or_else(|| (plain && !modulated).then_some(std::f64::consts::SQRT_2))
}

/// What kind of capture a step can take.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum CaptureNeed {
    /// Its own.
    #[default]
    Own,
    /// Any of the same setting, dial and load.
    Any,
    /// One that is long enough to show a drift; it serves other steps too.
    Long,
}

impl Step {
    /// Hash of what was to be set for this step: captures taken for another setting, dial or load are
    /// none of it.
    #[must_use]
    pub fn fingerprint(&self, profile: &Profile) -> Option<Sha256> {
        let mode = self.setting.as_deref().and_then(|id| profile.setting(id)?.mode.as_ref());
        let switch = self.kind.facts().needs.switch;
        Sha256::of_json(&(&self.setting, mode, self.dial, self.load, switch)).ok()
    }

    /// Whether a capture has to be taken for it.
    #[must_use]
    pub fn to_capture(&self) -> bool {
        self.setting.is_some() && self.shares.is_none()
    }
}

/// A number in an id or a sentence: no more digits than it needs.
pub(super) fn plain(value: f64) -> String {
    format!("{value}")
}

/// The part of the record that a setting's power is taken over: all phases of its kind where it
/// has one kind of output, else the whole record.
#[must_use]
pub fn part_of(setting: &Setting, stated: Option<Part>) -> Part {
    let powered: Vec<Kind> = setting.sequence.iter().copied().filter(|k| k.powered()).collect();
    stated.unwrap_or_else(|| match powered.as_slice() {
        [Kind::Cut, rest @ ..] if rest.iter().all(|kind| *kind == Kind::Cut) => Part::Cut,
        [Kind::Coag, rest @ ..] if rest.iter().all(|kind| *kind == Kind::Coag) => Part::Coag,
        _ => Part::Whole,
    })
}

/// A capture to be taken.
pub(super) struct Planned<'a> {
    pub kind: StepKind,
    pub group: &'a str,
    pub index: usize,
    pub id: String,
    pub setting: &'a str,
    /// Number on the dial, where it is not the setting's.
    pub dial: Option<f64>,
    pub load: Option<Load>,
    /// What else is to be known of it.
    pub more: &'a str,
    pub capture: CaptureNeed,
    /// What is wanted, in words.
    pub wanted: String,
    /// Expected power, W.
    pub power_w: Option<f64>,
}

impl Planned<'_> {
    /// The step, with what is to be done in words.
    pub(super) fn step(self, profile: &Profile) -> Step {
        let of = profile.setting(self.setting);
        let dial = self.dial.or(of.and_then(|setting| setting.dial));
        let mode = of.and_then(|s| s.mode.as_deref()).unwrap_or(self.setting);
        // What the setting is expected to put out holds at its own dial and load.
        let same = of
            .filter(|setting| dial == setting.dial && self.load == setting.load_ohm.map(Load::Ohm));
        let at = dial.map_or(String::new(), |dial| format!(" at {}", plain(dial)));
        let into = match self.load {
            Some(Load::Ohm(ohm)) => format!(" into {} Ω", plain(ohm)),
            Some(Load::Open) => ", nothing connected".into(),
            None => String::new(),
        };
        Step {
            id: self.id,
            group: self.group.to_owned(),
            kind: self.kind,
            index: self.index,
            setting: Some(self.setting.to_owned()),
            dial,
            load: self.load,
            what: format!("{mode}{at}{into}{}", self.more),
            answer: None,
            capture: self.capture,
            shares: None,
            wanted: self.wanted,
            expected: self
                .power_w
                .or_else(|| same.and_then(nominal_power))
                .map_or(Expectation::default(), |power| {
                    Expectation::of_power(power, self.load, of.and_then(crest_factor))
                }),
        }
    }
}

/// Every step of a profile: captures first, then what is done by hand.
#[must_use]
pub fn steps(profile: &Profile) -> Vec<Step> {
    let mut all: Vec<Step> =
        profile.entries().flat_map(|(_, entry)| entry.steps(profile)).collect();
    all.sort_by_key(|step| step.kind == StepKind::Manual);
    share(&mut all);
    all
}

/// Lets one capture serve every step of the same setting, dial and load.
fn share(steps: &mut [Step]) {
    let alike = |a: &Step, b: &Step| {
        (&a.setting, a.dial, a.load) == (&b.setting, b.dial, b.load) && a.setting.is_some()
    };
    for k in 0..steps.len() {
        if steps[k].capture == CaptureNeed::Own {
            continue;
        }
        // A long capture serves all, whichever stands first.
        let of = |need: CaptureNeed| {
            let fits = |other: &&Step| other.capture == need && alike(other, &steps[k]);
            steps.iter().find(fits).map(|other| other.id.clone())
        };
        let host = match steps[k].capture {
            CaptureNeed::Long => of(CaptureNeed::Long),
            _ => of(CaptureNeed::Long).or_else(|| of(CaptureNeed::Any)),
        };
        steps[k].shares = host.filter(|host| *host != steps[k].id);
    }
}

/// The order in which the steps spare the unit and the bench: what is done by hand first, then by
/// load so that it is changed seldom, weak output before strong, open circuit last.
#[must_use]
pub fn order_of_work(steps: &[Step]) -> Vec<&Step> {
    let mut order: Vec<&Step> = steps.iter().collect();
    let load = |step: &Step| match step.load {
        None => f64::NEG_INFINITY,
        Some(Load::Ohm(ohm)) => ohm,
        Some(Load::Open) => f64::INFINITY,
    };
    let wiring = |step: &Step| step.kind.facts().wiring;
    order.sort_by(|a, b| {
        let place = wiring(a).cmp(&wiring(b)).then(load(a).total_cmp(&load(b)));
        // What is done by hand stays in the order of the plan.
        if wiring(a) == Wiring::None {
            return place;
        }
        place
            .then_with(|| a.setting.cmp(&b.setting))
            .then_with(|| a.dial.unwrap_or(0.0).total_cmp(&b.dial.unwrap_or(0.0)))
            .then_with(|| a.group.cmp(&b.group))
            .then(a.index.cmp(&b.index))
    });
    order
}
