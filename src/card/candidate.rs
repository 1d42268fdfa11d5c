//! A setting that may come near to another: the dial at which it comes nearest, and how well that is known.

use super::distance::{Axis, Coordinate, coordinates, distance, same_axis};
use super::nearest::{Agreement, Match, NEAR, Uncompared, WhyNot};
use super::{Card, SettingCard, apart, each_once};
use crate::digest::Sha256;
use crate::flag::Code;
use crate::measures::Measure;
use crate::numeric::moments::mean_and_deviation;
use crate::numeric::student::NORMAL_K;
use crate::verification::{KeptMeasure, Load};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::collections::BTreeMap;

/// Fewest quantities in common.
const FEWEST: usize = 2;

/// Share by which the power may turn back before the dial is said not to go one way.
const TURNED: f64 = 0.02;

/// Multiples up to which a quantity agrees.
const AGREES: f64 = 2.0;

/// One axis over the dial: logarithms at ascending dials.
struct Course<'a> {
    axis: Axis,
    wanted: Coordinate<'a>,
    /// ln of the dial (the dial itself where it has a 0), and the coordinate there.
    knots: Vec<(f64, Coordinate<'a>)>,
}

/// The axes that a setting shares with what is wanted.
pub(super) struct Candidate<'a> {
    card: &'a Card,
    setting: &'a SettingCard,
    courses: Vec<Course<'a>>,
    /// How a dial goes into interpolation.
    logarithmic: bool,
    /// Every place on the dial where something was captured.
    places: Vec<f64>,
    /// Wanted, but not there.
    lacking: Vec<Axis>,
}

/// Errors of one draw: each of mean 0 and deviation 1.
pub(super) trait Errors {
    /// ln of (value as drawn / value as measured).
    fn of(&mut self, coordinate: &Coordinate<'_>) -> f64;
}

/// No errors.
pub(super) struct AsMeasured;

impl Errors for AsMeasured {
    fn of(&mut self, _: &Coordinate<'_>) -> f64 {
        0.0
    }
}

/// Errors as the uncertainties have them: what captures share they share here.
pub(super) struct Drawn<'a> {
    dice: &'a mut ChaCha8Rng,
    /// By what is shared: instruments or load, and which of their errors.
    shared: BTreeMap<(Sha256, u8), f64>,
    /// By the place of the capture and of the value in memory, and which error.
    own: BTreeMap<(usize, usize, u8), f64>,
}

impl<'a> Drawn<'a> {
    /// New errors.
    pub(super) fn with(dice: &'a mut ChaCha8Rng) -> Self {
        Self { dice, shared: BTreeMap::new(), own: BTreeMap::new() }
    }

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
pub(super) struct Place {
    /// Place as it goes into interpolation; none where there is no dial.
    at: Option<f64>,
    pub distance: f64,
    at_end: bool,
}

impl<'a> Candidate<'a> {
    /// The axes that a setting shares with what is wanted, with the law of its dial that its captures follow.
    pub(super) fn of(
        wanted: &[Coordinate<'a>],
        target: &SettingCard,
        card: &'a Card,
        setting: &'a SettingCard,
    ) -> Result<(Self, Option<Self>), WhyNot> {
        if setting.points.is_empty() {
            return Err(WhyNot::NotCaptured);
        }
        if setting.kinds() != target.kinds() {
            return Err(WhyNot::OtherPhases);
        }
        let dials = setting.dials();
        let of_law = |logarithmic| Self::by_law(wanted, card, setting, &dials, logarithmic);
        if dials.iter().any(|dial| *dial <= 0.0) {
            return Ok((of_law(false)?, None));
        }
        let (power_law, exponential) = (of_law(true)?, of_law(false)?);
        // Three dials tell which law they follow; two do not.
        Ok(if exponential.misses() < power_law.misses() {
            (exponential, Some(power_law))
        } else {
            (power_law, Some(exponential))
        })
    }

    fn by_law(
        wanted: &[Coordinate<'a>],
        card: &'a Card,
        setting: &'a SettingCard,
        dials: &[f64],
        logarithmic: bool,
    ) -> Result<Self, WhyNot> {
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
                let Some(course) = courses.iter_mut().find(same) else { continue };
                let at = dial.map_or(0.0, place);
                // Of several loads within 3 % the one next to what is wanted.
                let off = |load: Load| apart(course.axis.load, load).unwrap_or(f64::INFINITY);
                match course.knots.last() {
                    Some((last, held)) if *last == at => {
                        if off(found.axis.load) < off(held.axis.load) {
                            course.knots.pop();
                            course.knots.push((at, found));
                        }
                    }
                    _ => course.knots.push((at, found)),
                }
            }
        }
        let lacking =
            courses.iter().filter(|one| one.knots.is_empty()).map(|one| one.axis).collect();
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
        Ok(Self { card, setting, courses, logarithmic, places, lacking })
    }

    /// Root mean square of what a straight line between its neighbours misses of each inner knot, in scales; 0
    /// where there are none.
    fn misses(&self) -> f64 {
        let (mut sum, mut count) = (0.0, 0_u32);
        for course in &self.courses {
            for three in course.knots.windows(3) {
                let ln = |k: usize| three[k].1.kept.estimate.value.ln();
                let share = (three[1].0 - three[0].0) / (three[2].0 - three[0].0);
                let between = ln(0) + share * (ln(2) - ln(0));
                sum += ((ln(1) - between) / course.axis.quantity.scale()).powi(2);
                count += 1;
            }
        }
        if count > 0 { (sum / f64::from(count)).sqrt() } else { 0.0 }
    }

    /// Whether the power turns back somewhere along the dial.
    fn turns_back(&self) -> bool {
        let powers = self.courses.iter().filter(|one| one.axis.quantity.measure == Measure::Power);
        powers.into_iter().any(|course| {
            let ln = |k: usize| course.knots[k].1.kept.estimate.value.ln();
            let steps: Vec<f64> = (1..course.knots.len()).map(|k| ln(k) - ln(k - 1)).collect();
            steps.iter().any(|step| *step > TURNED) && steps.iter().any(|step| *step < -TURNED)
        })
    }

    /// Half of what the law of the dial between captures leaves open; `None` where nothing tells.
    fn between_laws(&self, other: Option<&Self>, place: &Place) -> Option<f64> {
        let dial = self.dial(place)?;
        let captured = self.setting.dials().iter().any(|own| (own / dial - 1.0).abs() < 1e-6);
        if captured {
            return Some(0.0);
        }
        let other = other?;
        let there = other.nearest(&mut AsMeasured).and_then(|place| other.dial(&place))?;
        // As far as the captures tell the laws apart, the other one need not be feared.
        let (own, others) = (self.misses(), other.misses());
        let weight = if others > 0.0 { (own / others).min(1.0) } else { 1.0 };
        Some(weight * (there - dial).abs())
    }

    /// The nearest place: between any two places the distance is a parabola of the dial.
    pub(super) fn nearest(&self, errors: &mut dyn Errors) -> Option<Place> {
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
            let lines: Vec<(f64, f64)> = drawn
                .iter()
                .filter_map(|(wanted, scale, knots)| {
                    let (a, b) = line(knots, from, to)?;
                    Some(((a - wanted) / scale, b / scale))
                })
                .collect();
            if lines.len() < FEWEST {
                return;
            }
            let slope: f64 = lines.iter().map(|(_, b)| b * b).sum();
            let lean: f64 = lines.iter().map(|(a, b)| a * b).sum();
            let at = if slope > 0.0 { (-lean / slope).clamp(from, to) } else { from };
            let square: f64 = lines.iter().map(|(a, b)| (a + b * at).powi(2)).sum();
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
    pub(super) fn told(
        &self,
        other: Option<&Self>,
        place: &Place,
        drawn: &[Place],
        of: &[Code],
    ) -> Match {
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
            let beside = |(at, _): &&(f64, Coordinate<'_>)| (at - place.at.unwrap_or(0.0)).abs();
            let near = course.knots.iter().min_by(|a, b| beside(a).total_cmp(&beside(b)))?;
            let multiples = (value - wanted.ln()) / course.axis.quantity.scale();
            Some(Agreement {
                measure: course.axis.quantity.measure,
                part: course.axis.part,
                load: course.axis.load,
                their_load: near.1.axis.load,
                values: (wanted, value.exp()),
                multiples,
                agrees: multiples.abs() < AGREES,
            })
        });
        let dials: Vec<f64> = drawn.iter().filter_map(|place| self.dial(place)).collect();
        let spread = mean_and_deviation(&dials).and_then(|(_, deviation)| deviation);
        let law = self.between_laws(other, place);
        // What lies between the laws is as likely anywhere in it.
        let expanded = spread
            .zip(law)
            .map(|(u, half)| NORMAL_K * u.hypot(half / 3_f64.sqrt()))
            .filter(|u| *u > 0.0 && !place.at_end);
        let of_courses = || self.courses.iter().flat_map(|course| &course.knots);
        let theirs = of_courses().flat_map(|(_, one)| one.point.doubts());
        let in_doubt = each_once(theirs.chain(of.iter().copied()));
        let at_least = of_courses().any(|(_, one)| one.kept.estimate.at_least())
            || self.courses.iter().any(|course| course.wanted.kept.estimate.at_least());
        Match {
            unit: self.card.name(),
            setting: self.setting.id.clone(),
            mode: self.setting.mode.clone(),
            dial,
            dial_expanded_uncertainty: expanded,
            at_least: at_least && expanded.is_some(),
            not_monotonic: self.turns_back(),
            in_doubt,
            at_end: place.at_end,
            distance: place.distance,
            near: place.distance <= NEAR,
            quantities: quantities.collect(),
            not_compared: self
                .lacking
                .iter()
                .map(|axis| Uncompared {
                    measure: axis.quantity.measure,
                    part: axis.part,
                    load: axis.load,
                })
                .collect(),
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
