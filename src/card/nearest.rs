//! The settings and dials of some units that come nearest to a setting of another.

use super::distance::{Axis, Coordinate, coordinates, distance, same_axis};
use super::{Card, SettingCard};
use crate::digest::Sha256;
use crate::measures::Measure;
use crate::numeric::moments::mean_and_deviation;
use crate::result::{Form, Part};
use crate::verification::{KeptMeasure, Load};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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
}

impl WhyNot {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::OtherPhases => "its phases are of other kinds or in another order",
            Self::OtherLoads => "it was captured on other loads only",
            Self::TooLittle => "fewer than two quantities were measured on both",
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
    /// Expanded uncertainty of it (95 %); left out at an end of the dial and where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dial_expanded_uncertainty: Option<f64>,
    /// Whether the nearest dial is the lowest or highest that was captured: beyond it nothing is known.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub at_end: bool,
    /// Distance.
    pub distance: f64,
    /// Whether it is near: within three times what repeated measurements vary.
    pub near: bool,
    /// Each quantity.
    pub quantities: Vec<Agreement>,
}

/// One quantity of a match.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Agreement {
    /// The measure.
    pub measure: Measure,
    /// Part of the record.
    #[serde(rename = "in")]
    pub part: Part,
    /// Load.
    pub load: Load,
    /// Value that is wanted, and that of the match at its dial.
    pub values: (f64, f64),
    /// ln of their ratio over the scale of the quantity.
    pub multiples: f64,
    /// Whether that is below two.
    pub agrees: bool,
}

/// Distance up to which a setting is near.
pub const NEAR: f64 = 3.0;
/// Multiples up to which a quantity agrees.
const AGREES: f64 = 2.0;
/// Fewest quantities in common.
const FEWEST: usize = 2;
/// Draws from the uncertainties, and settings that are drawn for.
const DRAWS: usize = 400;
const DRAWN_FOR: usize = 5;
/// Coverage factor of a normal distribution at 95 %.
const NORMAL_K: f64 = 1.959_963_984_540_054;

/// One axis over the dial: logarithms at ascending dials.
struct Course<'a> {
    axis: Axis,
    wanted: Coordinate<'a>,
    /// ln of the dial (the dial itself where it has a 0), and the coordinate there.
    knots: Vec<(f64, Coordinate<'a>)>,
}

/// The axes that a setting shares with what is wanted.
struct Candidate<'a> {
    card: &'a Card,
    setting: &'a SettingCard,
    courses: Vec<Course<'a>>,
    /// How a dial goes into interpolation.
    logarithmic: bool,
    /// Every place on the dial where something was captured.
    places: Vec<f64>,
}

/// Errors of one draw: each of mean 0 and deviation 1.
trait Errors {
    /// ln of (value as drawn / value as measured).
    fn of(&mut self, coordinate: &Coordinate<'_>) -> f64;
}

/// No errors.
struct AsMeasured;

impl Errors for AsMeasured {
    fn of(&mut self, _: &Coordinate<'_>) -> f64 {
        0.0
    }
}

/// Errors as the uncertainties have them: what captures share they share here.
struct Drawn<'a> {
    dice: &'a mut ChaCha8Rng,
    /// By what is shared: instruments or load, and which of their errors.
    shared: BTreeMap<(Sha256, u8), f64>,
    /// By the place of the capture and of the value in memory, and which error.
    own: BTreeMap<(usize, usize, u8), f64>,
}

impl Drawn<'_> {
    fn shared(&mut self, key: Option<Sha256>, of: &Coordinate<'_>, which: u8) -> f64 {
        let dice = &mut *self.dice;
        let mut draw = || StandardNormal.sample(dice);
        match key {
            Some(key) => *self.shared.entry((key, which)).or_insert_with(draw),
            // Without a key nothing is known to be shared but within the capture.
            None => {
                let place = std::ptr::from_ref(of.point) as usize;
                *self.own.entry((place, 0, which)).or_insert_with(&mut draw)
            }
        }
    }
}

impl Errors for Drawn<'_> {
    fn of(&mut self, one: &Coordinate<'_>) -> f64 {
        let kept: &KeptMeasure = one.kept;
        let Some(whole) = kept.estimate.standard_uncertainty else { return 0.0 };
        let value = kept.estimate.value;
        let parts = (
            kept.own_uncertainty,
            kept.voltage_uncertainty,
            kept.current_uncertainty,
            kept.load_uncertainty,
        );
        let place = (std::ptr::from_ref(one.point) as usize, std::ptr::from_ref(kept) as usize, 0);
        let dice = &mut *self.dice;
        let own_error = *self.own.entry(place).or_insert_with(|| StandardNormal.sample(dice));
        let (Some(own), Some(voltage), Some(current), Some(load)) = parts else {
            return own_error * whole / value;
        };
        // Delay and clock: what is left of the whole.
        let rest = whole.powi(2) - own.powi(2) - voltage.powi(2) - current.powi(2) - load.powi(2);
        let instruments = one.point.instruments_key;
        let error = own_error * own
            + self.shared(instruments, one, 0) * voltage
            + self.shared(instruments, one, 1) * current
            + self.shared(instruments, one, 2) * rest.max(0.0).sqrt()
            + self.shared(one.point.load_key, one, 3) * load;
        error / value
    }
}

/// A course as drawn: ln of what is wanted, scale of the quantity, and (place on the dial, ln) of each knot.
type DrawnCourse = (f64, f64, Vec<(f64, f64)>);

/// Where on the dial, and how far.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Place {
    /// Place as it goes into interpolation; none where there is no dial.
    at: Option<f64>,
    distance: f64,
    at_end: bool,
}

impl<'a> Candidate<'a> {
    fn of(
        wanted: &[Coordinate<'a>],
        target: &SettingCard,
        card: &'a Card,
        setting: &'a SettingCard,
    ) -> Result<Self, WhyNot> {
        if setting.kinds() != target.kinds() {
            return Err(WhyNot::OtherPhases);
        }
        let dials = setting.dials();
        let logarithmic = dials.iter().all(|dial| *dial > 0.0);
        let place = |dial: f64| if logarithmic { dial.ln() } else { dial };
        let mut courses: Vec<Course<'a>> = wanted
            .iter()
            .map(|one| Course { axis: one.axis, wanted: *one, knots: Vec::new() })
            .collect();
        let all: Vec<Option<f64>> =
            if dials.is_empty() { vec![None] } else { dials.iter().copied().map(Some).collect() };
        for dial in all {
            for found in coordinates(setting, dial) {
                let same = |course: &&mut Course<'_>| same_axis(&course.axis, &found.axis);
                if let Some(course) = courses.iter_mut().find(same) {
                    course.knots.push((dial.map_or(0.0, place), found));
                }
            }
        }
        courses.retain(|course| !course.knots.is_empty());
        if courses.is_empty() {
            return Err(WhyNot::OtherLoads);
        }
        if courses.len() < FEWEST {
            return Err(WhyNot::TooLittle);
        }
        let mut places: Vec<f64> =
            courses.iter().flat_map(|course| course.knots.iter().map(|(at, _)| *at)).collect();
        places.sort_by(f64::total_cmp);
        places.dedup();
        if dials.is_empty() {
            places.clear();
        }
        Ok(Self { card, setting, courses, logarithmic, places })
    }

    /// The nearest place: between any two places the distance is a parabola of the dial.
    fn nearest(&self, errors: &mut dyn Errors) -> Option<Place> {
        // As drawn: what is wanted, and each knot.
        let drawn: Vec<DrawnCourse> = self
            .courses
            .iter()
            .map(|course| {
                let mut ln = |one: &Coordinate<'_>| one.kept.estimate.value.ln() + errors.of(one);
                let wanted = ln(&course.wanted);
                let knots = course.knots.iter().map(|(at, one)| (*at, ln(one))).collect();
                (wanted, course.axis.quantity.scale(), knots)
            })
            .collect();
        if self.places.is_empty() {
            let all = drawn
                .iter()
                .filter_map(|(wanted, scale, knots)| Some((knots.first()?.1 - wanted, *scale)));
            return Some(Place { at: None, distance: distance(all)?, at_end: false });
        }
        let mut best: Option<Place> = None;
        let (first, last) = (self.places[0], self.places[self.places.len() - 1]);
        let mut look = |from: f64, to: f64| {
            // Each as a + b t over the stretch, where it is known there.
            let lines: Vec<(f64, f64, f64)> = drawn
                .iter()
                .filter_map(|(wanted, scale, knots)| {
                    let (a, b) = line(knots, from, to)?;
                    Some(((a - wanted) / scale, b / scale, *scale))
                })
                .collect();
            if lines.len() < FEWEST {
                return;
            }
            let slope: f64 = lines.iter().map(|(_, b, _)| b * b).sum();
            let lean: f64 = lines.iter().map(|(a, b, _)| a * b).sum();
            let at = if slope > 0.0 { (-lean / slope).clamp(from, to) } else { from };
            let square: f64 = lines.iter().map(|(a, b, _)| (a + b * at).powi(2)).sum();
            let distance = (square / lines.len() as f64).sqrt();
            if best.is_none_or(|best| distance < best.distance) {
                let at_end = first < last && (at <= first || at >= last);
                best = Some(Place { at: Some(at), distance, at_end });
            }
        };
        for pair in self.places.windows(2) {
            look(pair[0], pair[1]);
        }
        for place in &self.places {
            look(*place, *place);
        }
        best
    }

    fn dial(&self, place: &Place) -> Option<f64> {
        place.at.map(|at| if self.logarithmic { at.exp() } else { at })
    }

    /// The match at its nearest dial, with the uncertainty of that from some draws.
    fn told(&self, place: &Place, drawn: &[Place]) -> Match {
        let dial = self.dial(place).map(|dial| {
            // A dial that was captured reads as it was captured.
            let near = self.setting.dials().into_iter().find(|own| (own / dial - 1.0).abs() < 1e-9);
            near.unwrap_or(dial)
        });
        let quantities = self.courses.iter().filter_map(|course| {
            let knots: Vec<(f64, f64)> =
                course.knots.iter().map(|(at, one)| (*at, one.kept.estimate.value.ln())).collect();
            let value = match place.at {
                None => knots.first()?.1,
                Some(at) => {
                    let (a, b) = line(&knots, at, at)?;
                    a + b * at
                }
            };
            let wanted = course.wanted.kept.estimate.value;
            let multiples = (value - wanted.ln()) / course.axis.quantity.scale();
            Some(Agreement {
                measure: course.axis.quantity.measure,
                part: course.axis.part,
                load: course.axis.load,
                values: (wanted, value.exp()),
                multiples,
                agrees: multiples.abs() < AGREES,
            })
        });
        let dials: Vec<f64> = drawn.iter().filter_map(|place| self.dial(place)).collect();
        let spread = mean_and_deviation(&dials).and_then(|(_, deviation)| deviation);
        let expanded = spread.filter(|u| *u > 0.0 && !place.at_end).map(|u| NORMAL_K * u);
        Match {
            unit: self.card.name(),
            setting: self.setting.id.clone(),
            mode: self.setting.mode.clone(),
            dial,
            dial_expanded_uncertainty: expanded,
            at_end: place.at_end,
            distance: place.distance,
            near: place.distance <= NEAR,
            quantities: quantities.collect(),
        }
    }
}

/// Value a + b t of a course between `from` and `to`, where its knots reach over both.
fn line(knots: &[(f64, f64)], from: f64, to: f64) -> Option<(f64, f64)> {
    let hair = 1e-12;
    if let Some((_, value)) = knots.iter().find(|(at, _)| from == to && (at - from).abs() <= hair) {
        return Some((*value, 0.0));
    }
    let pair = knots.windows(2).find(|pair| pair[0].0 <= from + hair && pair[1].0 >= to - hair)?;
    let [(a, p), (b, q)] = [pair[0], pair[1]];
    let slope = (q - p) / (b - a);
    Some((p - slope * a, slope))
}

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
                let place = found.nearest(&mut AsMeasured).ok_or(WhyNot::TooLittle)?;
                Ok((found, place))
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
    ranked.truncate(most.max(1));
    let drawn_for = ranked.len().min(DRAWN_FOR);
    let mut dice = ChaCha8Rng::seed_from_u64(1);
    let mut drawn: Vec<Vec<Place>> = vec![Vec::new(); drawn_for];
    let mut changes = 0_usize;
    let known = wanted.iter().any(|one| one.kept.estimate.standard_uncertainty.is_some());
    if known && drawn_for > 0 {
        for _ in 0..DRAWS {
            let mut errors =
                Drawn { dice: &mut dice, shared: BTreeMap::new(), own: BTreeMap::new() };
            let places: Vec<Option<Place>> =
                ranked[..drawn_for].iter().map(|(one, _)| one.nearest(&mut errors)).collect();
            let far = |place: &Option<Place>| place.map_or(f64::INFINITY, |place| place.distance);
            let first = places.iter().map(far).fold(f64::INFINITY, f64::min);
            changes += usize::from(far(&places[0]) > first);
            for (all, place) in drawn.iter_mut().zip(places) {
                all.extend(place);
            }
        }
    }
    let matches = ranked
        .iter()
        .enumerate()
        .map(|(k, (one, place))| one.told(place, drawn.get(k).map_or(&[], Vec::as_slice)));
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
        let dial = setting.dial.or_else(|| setting.dials().last().copied());
        nearest(of, setting, dial, &[to], 3)
    };
    of.settings.iter().map(one).collect()
}
