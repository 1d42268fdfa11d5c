//! Uncertainty of every measure: budgets after JCGM 100, simulation after JCGM 101.
//!
//! A measure is a function of [`crate::term::Term`]s (scales, load, delay, noise, edges, ...), written
//! once for plain and for dual numbers. The terms' distributions come from the sheet
//! ([`known::Knowledge`]) and from the samples ([`inputs::Conditions`] and the interval's statistics);
//! [`budget`] propagates them linearly, [`montecarlo`] by drawing.

pub mod budget;
pub mod correlation;
pub mod input;
pub mod inputs;
pub mod known;
pub mod model;
pub mod montecarlo;

pub use inputs::Conditions;
pub use known::Knowledge;
pub use montecarlo::Draws;

use crate::estimate::Estimate;
use crate::measures::stats::IntervalStats;
use crate::measures::{Measure, MeasureSet};
use crate::term::{Term, TermSet};
use budget::{Budget, propagate};
use inputs::{InputGatherer, Inputs};
use model::MeasureModel;
use rayon::iter::{IntoParallelRefMutIterator, ParallelIterator};

/// What is wanted beside the uncertainty itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Extras {
    /// The lines of each budget.
    pub budget: bool,
    /// A simulation, with this seed.
    pub monte_carlo: Option<(Draws, u64)>,
}

/// Below this share of the value a sensitivity is rounding.
const NO_SENSITIVITY: f64 = 1e-9;

/// Phase between voltage and current up to which an unknown delay is no large doubt, rad: at 5 degrees,
/// as much of a delay once more takes 1.1 % off the power.
const SMALL_PHASE: f64 = 0.087;

/// States the uncertainty of every measure of an interval. A simulation takes the threads of the pool it
/// is called in, and ends without a result where `stop` says so.
pub fn state(
    set: &mut MeasureSet,
    stats: &IntervalStats,
    conditions: &Conditions,
    extras: Extras,
    stop: &(dyn Fn() -> bool + Sync),
) {
    let one = |k: usize, measure: Measure, estimate: &mut Estimate| {
        let (model, inputs, budget) = state_one(measure, estimate, stats, conditions, extras);
        if let Some((draws, seed)) = extras.monte_carlo
            && budget.standard_uncertainty > 0.0
        {
            // Each measure has draws of its own.
            let run = (draws, seed.wrapping_add(k as u64));
            let correlation = &conditions.knowledge.correlation;
            estimate.monte_carlo =
                montecarlo::simulate(&model, &inputs.all, correlation, &budget, run, stop)
                    .map(Box::new);
        }
    };
    if extras.monte_carlo.is_none() {
        set.iter_mut().enumerate().for_each(|(k, (measure, estimate))| one(k, measure, estimate));
        return;
    }
    let mut all: Vec<_> = set.iter_mut().enumerate().collect();
    all.par_iter_mut().for_each(|(k, (measure, estimate))| one(*k, *measure, estimate));
}

/// States the uncertainty of one measure; gives what it was computed from.
fn state_one(
    measure: Measure,
    estimate: &mut Estimate,
    stats: &IntervalStats,
    conditions: &Conditions,
    extras: Extras,
) -> (MeasureModel, Inputs, Budget) {
    let model = MeasureModel::of(measure, estimate.value, stats);
    let inputs = InputGatherer { measure, model: &model, stats, conditions }.inputs();
    let budget = propagate(&model, &inputs.all, &conditions.knowledge.correlation);
    let matters = |term: &Term| {
        let slope = budget.sensitivities[*term as usize];
        let curved = *term == Term::Skew && budget::Model::curved(&model);
        curved
            || slope.abs() > NO_SENSITIVITY * (estimate.value.abs() + budget.standard_uncertainty)
    };
    let missing: TermSet = inputs.unknown.iter().filter(matters).collect();
    take(estimate, &budget, missing, extras);
    // A delay that nothing bounds rules the power of a load that is not next to a resistor.
    estimate.partial |= missing.contains(Term::Skew) && model.phase().abs() > SMALL_PHASE;
    (model, inputs, budget)
}

/// Writes a budget into an estimate.
fn take(estimate: &mut Estimate, budget: &Budget, missing: TermSet, extras: Extras) {
    estimate.missing_terms = missing;
    estimate.partial =
        missing.iter().any(|term| matches!(term, Term::GainV | Term::GainI | Term::Load));
    let u = budget.standard_uncertainty;
    // What is missing is never zero: without any term there is no uncertainty to state, nor without
    // the one that rules.
    let ruled = missing.contains(Term::Own);
    if !u.is_finite() || ruled || (u == 0.0 && !missing.is_empty()) {
        return;
    }
    estimate.standard_uncertainty = Some(u);
    estimate.coverage = Some(budget.coverage());
    if extras.budget {
        estimate.budget = Some(budget.lines.clone().into());
    }
}
