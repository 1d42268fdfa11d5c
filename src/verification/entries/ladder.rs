//! `[[ladder]]`: power over the dial at one load.

use super::{Entry, Facts, Fault, INTO_LOAD, Profile, StepKind, Table, dial};
use crate::check::Judged;
use crate::measures::Measure;
use crate::result::Part;
use crate::units::{Unit, for_people};
use crate::verification::judge::{Bench, group, line, series};
use crate::verification::ladder;
use crate::verification::result::{GroupResult, Line};
use crate::verification::step::{CaptureNeed, Load, Planned, Step, plain};
use crate::verification::unjudged::Unjudged;
use serde::Deserialize;

/// `[[ladder]]`: power over the dial at one load.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ladder {
    /// Identifier.
    pub id: String,
    /// Whether its captures serve no other step, and no other capture serves it.
    #[serde(default)]
    pub own_capture: bool,
    /// Setting of the profile whose output it is.
    pub setting: String,
    /// Part of the record the power is taken over.
    #[serde(rename = "in")]
    pub part: Option<Part>,
    /// Load, ohm; the setting's if left out.
    pub load_ohm: Option<f64>,
    /// Numbers on the dial, rising.
    pub dials: Vec<f64>,
    /// Expected power at each of them, W.
    pub expected_w: Option<Vec<f64>>,
    /// Tolerance around it.
    pub tolerance: Option<String>,
    /// Whether the power must never rise when the dial is lowered; yes if left out.
    pub monotonic: Option<bool>,
    /// Largest power at the lowest number, W.
    pub lowest_max_w: Option<f64>,
    /// The same as a share of `rated_w`; the smaller of both counts.
    pub lowest_share: Option<f64>,
    /// Rated power, W.
    pub rated_w: Option<f64>,
}

impl Ladder {
    /// Most power at the lowest number, W.
    #[must_use]
    pub fn lowest_limit_w(&self) -> Option<f64> {
        let share = self.lowest_share.zip(self.rated_w).map(|(share, rated)| share * rated);
        match (self.lowest_max_w, share) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }
}

pub(super) const FACTS: Facts = Facts { title: "power over dial", ..INTO_LOAD };

impl Ladder {
    /// What is wanted at a number on the dial, in words.
    fn wanted(&self, index: usize) -> String {
        let power = self.expected_w.as_ref().and_then(|powers| powers.get(index));
        let of_power = power
            .zip(self.tolerance.as_ref())
            .map(|(watt, tolerance)| format!("{} ± {tolerance}", for_people(*watt, Unit::Watt)));
        let lowest = self.lowest_limit_w().filter(|_| index == 0);
        let lowest = lowest.map(|watt| format!("at most {}", for_people(watt, Unit::Watt)));
        let rises =
            (index > 0 && self.monotonic.unwrap_or(true)).then(|| "no less than before".into());
        [of_power, lowest, rises].into_iter().flatten().collect::<Vec<_>>().join("; ")
    }
}

impl Entry for Ladder {
    fn id(&self) -> &str {
        &self.id
    }

    fn check(&self, at: &Table, profile: &Profile) -> Result<(), Fault> {
        at.setting(profile, &self.setting)?;
        at.rising("dials", &self.dials, f64::NEG_INFINITY)?;
        at.load(profile, &self.setting, self.load_ohm)?;
        let (expected, tolerance) = (&self.expected_w, &self.tolerance);
        at.expected("expected_w", expected.as_deref(), tolerance, &self.dials, Unit::Watt)?;
        at.positive("lowest_max_w", self.lowest_max_w)?;
        at.positive("lowest_share", self.lowest_share)?;
        at.positive("rated_w", self.rated_w)?;
        if self.lowest_share.is_some() != self.rated_w.is_some() {
            return at.fault("lowest_share", "give lowest_share and rated_w together");
        }
        if expected.is_none() && self.monotonic == Some(false) && self.lowest_limit_w().is_none() {
            return at.fault("id", "nothing is judged: give expected_w, a limit, or monotonic");
        }
        Ok(())
    }

    fn steps(&self, profile: &Profile) -> Vec<Step> {
        let load = profile.load_of(&self.setting, self.load_ohm);
        let one = |(index, dial): (usize, &f64)| {
            let id = format!("{}-{}", self.id, plain(*dial));
            Planned {
                kind: StepKind::Ladder,
                group: &self.id,
                index,
                id,
                setting: &self.setting,
                dial: Some(*dial),
                load,
                more: "",
                capture: if self.own_capture { CaptureNeed::Own } else { CaptureNeed::Any },
                wanted: self.wanted(index),
                power_w: self.expected_w.as_ref().and_then(|w| w.get(index)).copied(),
            }
            .step(profile)
        };
        self.dials.iter().enumerate().map(one).collect()
    }

    fn judge(&self, bench: &Bench<'_>) -> Option<GroupResult> {
        let part = bench.part(&self.setting, self.part);
        let expected = self.expected_w.as_deref();
        let steps: Vec<&Step> = bench.steps_of(&self.id).collect();
        let (mut lines, points, band) =
            dial::over_dial(bench, &steps, (Measure::Power, part), expected, &self.tolerance);
        if self.monotonic.unwrap_or(true) {
            for pair in steps.windows(2) {
                let [low, high] = pair else { continue };
                let of = |step: &Step| {
                    bench.number(&step.id, Measure::Power, bench.output_of(&step.id, part))
                };
                let (shared, same_load) = bench.shared(pair);
                let found = of(low).and_then(|low| {
                    ladder::rise(low, of(high)?, shared, same_load).ok_or(Unjudged::NoUncertainty)
                });
                let found = found.as_ref().map_err(Clone::clone);
                let judged = Judged::of(found, None, (Some(0.0), None), bench.rule());
                let judged = bench.in_doubt(judged, pair, Measure::Power, part);
                let dial = |step: &Step| step.dial.unwrap_or_default();
                let what = format!("rise from {} to {}", dial(low), dial(high));
                let measure = format!("rise to {}", dial(high));
                let of = vec![low.id.clone(), high.id.clone()];
                lines.push(Line { of, ..line(None, &measure, what, "W", judged) });
            }
        }
        if let (Some(limit), Some(step)) = (self.lowest_limit_w(), steps.first()) {
            let part = bench.output_of(&step.id, part);
            let judged =
                bench.judge_one(&step.id, (Measure::Power, part), None, (None, Some(limit)));
            let what = format!("power at the lowest number, {}", step.dial.unwrap_or_default());
            lines.push(line(Some(&step.id), "lowest_w", what, "W", judged));
        }
        let load = steps.first().and_then(|step| step.load);
        let load = match load {
            Some(Load::Ohm(ohm)) => format!(" into {ohm} Ω"),
            _ => String::new(),
        };
        let title = format!("{}: power over dial{load}", bench.mode(&self.setting));
        let series = series(("dial", ""), ("power", "W"), band, None, points);
        Some(group(&self.id, StepKind::Ladder, title, lines, Some(series)))
    }
}
