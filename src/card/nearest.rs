//! The settings and dials of some units that come nearest to a setting of another.

use super::candidate::{AsMeasured, Candidate, Drawn, Place};
use super::distance::coordinates;
use super::{Card, SettingCard};
use crate::flag::Code;
use crate::measures::Measure;
use crate::result::{Form, Part};
use crate::verification::Load;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use serde::{Deserialize, Serialize};

/// Settings that come near to one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Nearest {
    /// Form of this document.
    pub schema: Form,
    /// What was looked for.
    pub to: Wanted,
    /// What came nearest, nearest first.
    pub matches: Vec<Match>,
    /// Settings that can't be compared, and why.
    pub not_comparable: Vec<NotComparable>,
    /// Draws from the uncertainties.
    pub draws: usize,
    /// Share of draws in which another setting came first; left out where there is no uncertainty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rank_changes: Option<f64>,
}

/// A setting at a dial.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Wanted {
    /// The unit.
    pub unit: String,
    /// Its setting.
    pub setting: String,
    /// Number on the dial.
    pub dial: Option<f64>,
}

/// A setting that can't be compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NotComparable {
    /// The unit.
    pub unit: String,
    /// Its setting.
    pub setting: String,
    /// Why.
    pub reason: WhyNot,
}

/// Why two settings can't be compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WhyNot {
    /// Other kinds of phases, or in another order.
    OtherPhases,
    /// Captured on other loads only.
    OtherLoads,
    /// Fewer than two quantities in common.
    TooLittle,
    /// None of its captures counts.
    NotCaptured,
}

impl WhyNot {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::OtherPhases => "its phases are of other kinds or in another order",
            Self::OtherLoads => "it was captured on other loads only",
            Self::TooLittle => "fewer than two quantities were measured on both",
            Self::NotCaptured => "none of its captures counts",
        }
    }
}

/// A setting that can be compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Match {
    /// The unit.
    pub unit: String,
    /// Its setting.
    pub setting: String,
    /// The unit's own label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mode: Option<String>,
    /// Number on the dial that comes nearest, between those that were captured.
    pub dial: Option<f64>,
    /// Expanded uncertainty of it (95 %), what lies between captured dials included; left out at an end of the
    /// dial and where it is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dial_expanded_uncertainty: Option<f64>,
    /// Whether that lacks a scale, the load or the clock of a capture.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub at_least: bool,
    /// Whether the power does not go one way with the dial, so that other dials may come as near.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub not_monotonic: bool,
    /// Flags that put the captures of either in doubt.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub in_doubt: Vec<Code>,
    /// Whether the nearest dial is the lowest or highest that was captured: beyond it nothing is known.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub at_end: bool,
    /// Distance.
    pub distance: f64,
    /// Whether it is near: within three times what repeated measurements vary.
    pub near: bool,
    /// Each quantity.
    pub quantities: Vec<Agreement>,
    /// What was wanted but not measured there: it is not in the distance.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_compared: Vec<Uncompared>,
}

/// A quantity that only one of both has.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Uncompared {
    /// The measure.
    pub measure: Measure,
    /// Part of the record.
    #[serde(rename = "in")]
    pub part: Part,
    /// Load.
    pub load: Load,
}

/// One quantity of a match.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Agreement {
    /// The measure.
    pub measure: Measure,
    /// Part of the record.
    #[serde(rename = "in")]
    pub part: Part,
    /// Load of what is wanted.
    pub load: Load,
    /// Load of the match, the same within 3 %.
    pub their_load: Load,
    /// Value that is wanted, and that of the match at its dial.
    pub values: (f64, f64),
    /// ln of their ratio over the scale of the quantity.
    pub multiples: f64,
    /// Whether that is below two.
    pub agrees: bool,
}

/// Distance up to which a setting is near.
pub const NEAR: f64 = 3.0;
/// Draws from the uncertainties, and settings that are drawn for.
const DRAWS: usize = 400;
const DRAWN_FOR: usize = 100;
/// Distance beyond the first within which another might come first.
const AS_NEAR: f64 = 2.0;

/// Settings of `cards` in the order of their distance to `setting` of `of` at `dial`, each at the dial that
/// comes nearest. At most `most` are told.
#[must_use]
pub fn nearest(
    of: &Card,
    setting: &SettingCard,
    dial: Option<f64>,
    cards: &[&Card],
    most: usize,
) -> Nearest {
    let wanted = coordinates(setting, dial);
    let (mut ranked, mut not_comparable) = (Vec::new(), Vec::new());
    for card in cards {
        for candidate in &card.settings {
            let itself = card.is_same(of) && candidate.id == setting.id;
            if itself {
                continue;
            }
            let found = Candidate::of(&wanted, setting, card, candidate);
            let placed = found.and_then(|found| {
                let place = found.0.nearest(&mut AsMeasured).ok_or(WhyNot::TooLittle)?;
                Ok((found.0, place, found.1))
            });
            match placed {
                Ok(one) => ranked.push(one),
                Err(reason) => not_comparable.push(NotComparable {
                    unit: card.name(),
                    setting: candidate.id.clone(),
                    reason,
                }),
            }
        }
    }
    ranked.sort_by(|a, b| a.1.distance.total_cmp(&b.1.distance));
    // Whatever could come first as well is drawn for, shown or not.
    let first = ranked.first().map_or(0.0, |one| one.1.distance);
    let as_near = ranked.iter().filter(|one| one.1.distance <= first + AS_NEAR).count();
    let drawn_for = as_near.max(most).min(DRAWN_FOR).min(ranked.len());
    let mut dice = ChaCha8Rng::seed_from_u64(1);
    let mut drawn: Vec<Vec<Place>> = vec![Vec::new(); drawn_for];
    let mut changes = 0_usize;
    let known = wanted.iter().any(|one| one.kept.estimate.standard_uncertainty.is_some());
    if known && drawn_for > 0 {
        for _ in 0..DRAWS {
            let mut errors = Drawn::with(&mut dice);
            let places: Vec<Option<Place>> =
                ranked[..drawn_for].iter().map(|(one, ..)| one.nearest(&mut errors)).collect();
            let far = |place: &Option<Place>| place.map_or(f64::INFINITY, |place| place.distance);
            let first = places.iter().map(far).fold(f64::INFINITY, f64::min);
            changes += usize::from(far(&places[0]) > first);
            for (all, place) in drawn.iter_mut().zip(places) {
                all.extend(place);
            }
        }
    }
    let doubts: Vec<Code> = wanted.iter().flat_map(|one| one.point.doubts()).collect();
    let matches = ranked.iter().enumerate().take(most.max(1)).map(|(k, (one, place, other))| {
        let drawn = drawn.get(k).map_or(&[] as &[Place], Vec::as_slice);
        one.told(other.as_ref(), place, drawn, &doubts)
    });
    Nearest {
        schema: Form::Nearest,
        to: Wanted { unit: of.name(), setting: setting.id.clone(), dial },
        matches: matches.collect(),
        not_comparable,
        draws: if known { DRAWS } else { 0 },
        rank_changes: (known && drawn_for > 1).then(|| changes as f64 / DRAWS as f64),
    }
}

/// For each setting of one unit, at its own dial, what comes nearest among those of another.
#[must_use]
pub fn translation(of: &Card, to: &Card) -> Vec<Nearest> {
    let one = |setting: &SettingCard| {
        let dial = setting.own_dial();
        nearest(of, setting, dial, &[to], 3)
    };
    of.settings.iter().map(one).collect()
}
