//! The steps of a plan: one capture or one reading each.

use crate::profile::{Answer, Profile, Setting};
use crate::result::Part;
use crate::trace::Kind;
use serde::{Deserialize, Serialize};

/// What a step belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StepKind {
    /// Looked at or read from another instrument.
    Manual,
    /// One setting against its limits.
    Setting,
    /// Power over load.
    Curve,
    /// Power over the dial.
    Ladder,
    /// Repeated activations.
    Repeat,
    /// Output against the switch.
    Timing,
    /// HF current to earth.
    HfLeakage,
    /// Highest voltage with nothing connected.
    OpenCircuit,
}

impl StepKind {
    /// Name for people.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Manual => "manual check",
            Self::Setting => "setting",
            Self::Curve => "power over load",
            Self::Ladder => "power over dial",
            Self::Repeat => "repeated activations",
            Self::Timing => "output against switch",
            Self::HfLeakage => "HF leakage",
            Self::OpenCircuit => "open circuit",
        }
    }
}

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
}

/// A number in an id or a sentence: no more digits than it needs.
fn plain(value: f64) -> String {
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

/// Every step of a profile, in its order.
#[must_use]
pub fn steps(profile: &Profile) -> Vec<Step> {
    let mut all = Vec::new();
    let mut capture = |kind: StepKind,
                       (group, index): (&str, usize),
                       id: String,
                       setting: &str,
                       dial: Option<f64>,
                       load: Option<Load>,
                       more: &str| {
        let of = profile.setting(setting);
        let dial = dial.or(of.and_then(|setting| setting.dial));
        let mode = of.and_then(|s| s.mode.as_deref()).unwrap_or(setting);
        let at = dial.map_or(String::new(), |dial| format!(" at {}", plain(dial)));
        let into = match load {
            Some(Load::Ohm(ohm)) => format!(" into {} Ω", plain(ohm)),
            Some(Load::Open) => ", nothing connected".into(),
            None => String::new(),
        };
        all.push(Step {
            id,
            group: group.to_owned(),
            kind,
            index,
            setting: Some(setting.to_owned()),
            dial,
            load,
            what: format!("{mode}{at}{into}{more}"),
            answer: None,
        });
    };
    let own = |setting: &str, stated: Option<f64>| {
        stated.or_else(|| profile.setting(setting)?.load_ohm).map(Load::Ohm)
    };
    for setting in profile.setting.iter().filter(|setting| !setting.limit.is_empty()) {
        let (id, load) = (setting.id.as_str(), own(&setting.id, None));
        capture(StepKind::Setting, (id, 0), id.to_owned(), id, None, load, "");
    }
    for curve in &profile.curve {
        for (k, ohm) in curve.loads_ohm.iter().enumerate() {
            let id = format!("{}-{}ohm", curve.id, plain(*ohm));
            let load = Some(Load::Ohm(*ohm));
            capture(StepKind::Curve, (&curve.id, k), id, &curve.setting, curve.dial, load, "");
        }
    }
    for ladder in &profile.ladder {
        let load = own(&ladder.setting, ladder.load_ohm);
        for (k, dial) in ladder.dials.iter().enumerate() {
            let id = format!("{}-{}", ladder.id, plain(*dial));
            let group = (ladder.id.as_str(), k);
            capture(StepKind::Ladder, group, id, &ladder.setting, Some(*dial), load, "");
        }
    }
    for repeat in &profile.repeat {
        let load = own(&repeat.setting, repeat.load_ohm);
        for k in 0..repeat.count {
            let id = format!("{}-{}", repeat.id, k + 1);
            let more = format!(", activation {} of {}", k + 1, repeat.count);
            capture(StepKind::Repeat, (&repeat.id, k), id, &repeat.setting, None, load, &more);
        }
    }
    for timing in &profile.timing {
        let (id, load) = (timing.id.clone(), own(&timing.setting, timing.load_ohm));
        let more = ", with the switch on a third channel";
        capture(StepKind::Timing, (&timing.id, 0), id, &timing.setting, None, load, more);
    }
    for leakage in &profile.hf_leakage {
        let (id, more) = (leakage.id.clone(), format!(", {}", leakage.path));
        let load = Some(Load::Ohm(leakage.load_ohm));
        let group = (leakage.id.as_str(), 0);
        capture(StepKind::HfLeakage, group, id, &leakage.setting, leakage.dial, load, &more);
    }
    for open in &profile.open_circuit {
        for (k, dial) in open.dials.iter().enumerate() {
            let id = format!("{}-{}", open.id, plain(*dial));
            let (group, load) = ((open.id.as_str(), k), Some(Load::Open));
            capture(StepKind::OpenCircuit, group, id, &open.setting, Some(*dial), load, "");
        }
    }
    all.extend(profile.manual.iter().map(|manual| Step {
        id: manual.id.clone(),
        group: manual.id.clone(),
        kind: StepKind::Manual,
        index: 0,
        setting: None,
        dial: None,
        load: None,
        what: manual.what.clone(),
        answer: Some(manual.takes()),
    }));
    all
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
    // Leakage needs another wiring than all others.
    let wiring = |step: &Step| match step.kind {
        StepKind::Manual => 0,
        StepKind::HfLeakage => 2,
        StepKind::OpenCircuit => 3,
        _ => 1,
    };
    order.sort_by(|a, b| {
        let place = wiring(a).cmp(&wiring(b)).then(load(a).total_cmp(&load(b)));
        place
            .then_with(|| a.setting.cmp(&b.setting))
            .then_with(|| a.dial.unwrap_or(0.0).total_cmp(&b.dial.unwrap_or(0.0)))
            .then_with(|| a.group.cmp(&b.group))
            .then(a.index.cmp(&b.index))
    });
    order
}
