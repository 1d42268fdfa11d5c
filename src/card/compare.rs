//! Two cards side by side: what differs by more than its uncertainty.

use super::quantity::part_of;
use super::{Card, Point, SettingCard, each_once, same_load};
use crate::flag::Code;
use crate::measures::Measure;
use crate::result::{Form, Part};
use crate::verification::{KeptMeasure, Load, Term, estimate};
use serde::{Deserialize, Serialize};

/// Two cards side by side.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// Form of this document.
    pub schema: Form,
    /// Name and day of the first.
    pub a: (String, Option<String>),
    /// Name and day of the second.
    pub b: (String, Option<String>),
    /// What both have measured.
    pub rows: Vec<Compared>,
    /// What only one of them has, or what is not to be compared.
    pub not_compared: Vec<String>,
}

/// One number of both cards.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// Settings of the first and the second.
    pub settings: (String, String),
    /// Numbers on the dial.
    pub dials: (Option<f64>, Option<f64>),
    /// Load.
    pub load: Load,
    /// Part of the record.
    #[serde(rename = "in")]
    pub part: Part,
    /// The measure.
    pub measure: Measure,
    /// Value of the first and of the second, in the unit of the measure.
    pub values: (f64, f64),
    /// The second less the first.
    pub difference: f64,
    /// Expanded uncertainty of the difference (95 %); what the instruments of both share counts once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expanded_uncertainty: Option<f64>,
    /// |difference| over that: above 1 it is more than chance.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub times: Option<f64>,
    /// Whether an uncertainty lacks a scale, the load or the clock.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub at_least: bool,
    /// Whether both were taken by the same instruments.
    pub same_instruments: bool,
    /// Flags of either.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub in_doubt: Vec<Code>,
}

/// What is compared of each part.
const COMPARED: [Measure; 8] = [
    Measure::Power,
    Measure::VoltagePeak,
    Measure::CrestFactor,
    Measure::DutyCycle,
    Measure::BurstRate,
    Measure::Fundamental,
    Measure::Duration,
    Measure::Energy,
];

/// Compares two cards: `pairs` of settings, or those of the same id.
#[must_use]
pub fn compare(a: &Card, b: &Card, pairs: &[(String, String)]) -> Comparison {
    let mut found = Comparison {
        schema: Form::Comparison,
        a: (a.name(), a.day.clone()),
        b: (b.name(), b.day.clone()),
        rows: Vec::new(),
        not_compared: Vec::new(),
    };
    let same: Vec<(String, String)>;
    let pairs = if pairs.is_empty() {
        same = a.settings.iter().map(|one| (one.id.clone(), one.id.clone())).collect();
        for one in b.settings.iter().filter(|one| a.setting(&one.id).is_none()) {
            found.not_compared.push(format!("{}: only {} has it", one.id, b.name()));
        }
        &same
    } else {
        pairs
    };
    let one_model = a.unit.model == b.unit.model;
    for (first, second) in pairs {
        match (a.setting(first), b.setting(second)) {
            (Some(first), Some(second)) => settings(first, second, one_model, &mut found),
            (None, _) => found.not_compared.push(format!("{first}: {} does not have it", a.name())),
            (_, None) => {
                found.not_compared.push(format!("{second}: {} does not have it", b.name()))
            }
        }
    }
    found
}

fn settings(a: &SettingCard, b: &SettingCard, one_model: bool, found: &mut Comparison) {
    if a.kinds() != b.kinds() {
        found.not_compared.push(format!(
            "{} and {}: their phases are of other kinds or in another order",
            a.id, b.id
        ));
        return;
    }
    // Numbers on the dials of two models say nothing of each other.
    let partner = |dial: Option<f64>| match one_model {
        true => Some(dial),
        false => (dial == a.dial).then_some(b.dial),
    };
    let (mut any, mut alone) = (false, Vec::new());
    for first in a.distinct() {
        let Some(dial) = partner(first.dial) else { continue };
        match b.point(dial, first.load) {
            Some(second) => {
                any = true;
                points((a, first), (b, second), found);
            }
            None => alone.push(first.step.as_str()),
        }
    }
    only("first", &alone, found);
    let taken = |second: &Point| {
        a.distinct().any(|first| {
            partner(first.dial) == Some(second.dial) && same_load(first.load, second.load)
        })
    };
    let of_b = b.distinct().filter(|second| (one_model || second.dial == b.dial) && !taken(second));
    let alone: Vec<&str> = of_b.map(|second| second.step.as_str()).collect();
    only("second", &alone, found);
    if !any {
        found.not_compared.push(format!("{} and {}: no dial and load in common", a.id, b.id));
    }
}

/// Steps named at most.
const NAMED: usize = 3;

/// Tells what one of them alone has.
fn only(which: &str, steps: &[&str], found: &mut Comparison) {
    if steps.is_empty() {
        return;
    }
    let more = match steps.len().checked_sub(NAMED) {
        Some(more) if more > 0 => format!(" and {more} more"),
        _ => String::new(),
    };
    let named = steps.iter().take(NAMED).copied().collect::<Vec<_>>().join(", ");
    found.not_compared.push(format!("only the {which} was captured: {named}{more}"));
}

fn points(
    (of_a, a): (&SettingCard, &Point),
    (of_b, b): (&SettingCard, &Point),
    found: &mut Comparison,
) {
    let mut parts: Vec<Part> = of_a.kinds().into_iter().map(part_of).collect();
    if of_a.sequence.len() > 1 {
        parts.push(Part::Cycle);
    }
    if !a.is_loaded() {
        // Nothing connected: no power is drawn, and the peak is all that counts.
        parts = vec![Part::Whole];
    }
    let same_instruments = a.instruments_key.is_some() && a.instruments_key == b.instruments_key;
    let one_load = same_instruments && a.load_key.is_some() && a.load_key == b.load_key;
    for part in parts {
        for measure in COMPARED {
            // The length of what goes on while the switch is pressed is none of the setting; the crest
            // factor of an open output is none of a loaded one.
            let of_cycle = of_a.sequence.len() > 1;
            if !a.is_loaded() && measure != Measure::VoltagePeak
                || matches!(measure, Measure::Duration | Measure::Energy)
                    && !(of_cycle && a.has_whole_cycle() && b.has_whole_cycle())
                || part == Part::Rest && measure != Measure::Duration
            {
                continue;
            }
            let (Ok(first), Ok(second)) = (a.had(measure, part), b.had(measure, part)) else {
                continue;
            };
            let flags = a.flags.iter().chain(&b.flags);
            let in_doubt = each_once(flags.copied().filter(|code| code.touches(measure)));
            let difference = second.estimate.value - first.estimate.value;
            let term = combined((first, second), same_instruments, one_load);
            let told = term.and_then(|term| estimate(difference, term.u, term.freedom));
            let expanded = told.and_then(|told| told.expanded()).filter(|u| *u > 0.0);
            found.rows.push(Compared {
                settings: (of_a.id.clone(), of_b.id.clone()),
                dials: (a.dial, b.dial),
                load: a.load,
                part,
                measure,
                values: (first.estimate.value, second.estimate.value),
                difference,
                expanded_uncertainty: expanded,
                times: expanded.map(|u| difference.abs() / u),
                at_least: first.estimate.at_least() || second.estimate.at_least(),
                same_instruments,
                in_doubt,
            });
        }
    }
}

/// Uncertainty of the difference of two values. What is shared is a factor of both: it counts for the
/// difference alone.
fn combined(
    (a, b): (&KeptMeasure, &KeptMeasure),
    same_instruments: bool,
    one_load: bool,
) -> Option<Term> {
    let (own_a, own_b) = (a.term(same_instruments, one_load)?, b.term(same_instruments, one_load)?);
    let own = own_a.and(own_b);
    if !same_instruments || a.estimate.value == 0.0 {
        return Some(own);
    }
    let whole = a.estimate.standard_uncertainty?;
    let shared = (whole * whole - own_a.u * own_a.u).max(0.0).sqrt() / a.estimate.value.abs();
    let difference = b.estimate.value - a.estimate.value;
    Some(own.and(Term::normal(shared * difference.abs())))
}
