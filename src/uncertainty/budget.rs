//! The law of propagation of uncertainty (JCGM 100, clause 5 and annex G).

use super::correlation::Correlation;
use super::input::{Distribution, Input};
use crate::estimate::{BudgetLine, Coverage};
use crate::numeric::student;
use nalgebra::SVector;
use num_dual::{Dual2SVec64, DualNum, DualSVec64, gradient, hessian};

/// Probability that a stated interval holds the value.
pub const PROBABILITY: f64 = 0.95;

/// Numbers that a model is written for: plain ones, and dual ones that carry derivatives.
pub trait Real: DualNum<Primitive = f64> + Copy {}
impl<D: DualNum<Primitive = f64> + Copy> Real for D {}

/// A measurement model of N inputs.
pub trait Model<const N: usize> {
    /// The value for these inputs.
    fn value<D: Real>(&self, x: &[D; N]) -> D;

    /// Whether terms of second order are looked at: needed where first derivatives vanish.
    fn curved(&self) -> bool {
        false
    }
}

/// A value with its standard uncertainty and how it comes about.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// The value.
    pub value: f64,
    /// Combined standard uncertainty.
    pub standard_uncertainty: f64,
    /// Effective degrees of freedom (Welch-Satterthwaite); infinity where no input limits them.
    pub degrees_of_freedom: f64,
    /// Partial derivatives by each input.
    pub sensitivities: Vec<f64>,
    /// One line for each input that is not exact, and one for terms of second order.
    pub lines: Vec<BudgetLine>,
    /// Lines that are not normal, for the coverage factor: half-widths of rectangular ones.
    flat: Vec<f64>,
}

/// Propagates the uncertainties of `inputs` through `model`, with exact derivatives by dual numbers.
#[must_use]
pub fn propagate<const N: usize, M: Model<N>>(
    model: &M,
    inputs: &[Input; N],
    correlation: &Correlation,
) -> Budget {
    let at = SVector::<f64, N>::from(inputs.map(|input| input.estimate));
    if model.curved() {
        let (value, slopes, curvature) = hessian(
            |x: SVector<Dual2SVec64<N>, N>| {
                let x: [Dual2SVec64<N>; N] = x.into();
                model.value(&x)
            },
            &at,
        );
        // JCGM 100, 5.1.2, note: one half of each squared second derivative.
        let mut second = 0.0;
        for (a, one) in inputs.iter().enumerate() {
            for (b, other) in inputs.iter().enumerate() {
                let u = one.standard_uncertainty * other.standard_uncertainty;
                second += 0.5 * (curvature[(a, b)] * u).powi(2);
            }
        }
        combine(value, inputs, slopes.as_slice(), correlation, second.sqrt())
    } else {
        let (value, slopes) = gradient(
            |x: SVector<DualSVec64<N>, N>| {
                let x: [DualSVec64<N>; N] = x.into();
                model.value(&x)
            },
            &at,
        );
        combine(value, inputs, slopes.as_slice(), correlation, 0.0)
    }
}

/// Combines uncertainties by known sensitivities; `second_order` is what curvature adds.
#[must_use]
pub fn combine(
    value: f64,
    inputs: &[Input],
    slopes: &[f64],
    correlation: &Correlation,
    second_order: f64,
) -> Budget {
    let part: Vec<f64> = inputs
        .iter()
        .zip(slopes)
        .map(|(input, slope)| slope * input.standard_uncertainty)
        .collect();
    let correlated = correlation.members();
    // Share of the variance of input a: its own, and half of what each correlation adds.
    let own: Vec<f64> = (0..part.len())
        .map(|a| {
            let beside: f64 = correlated
                .iter()
                .filter(|b| **b != a && **b < part.len())
                .map(|b| correlation.between(a, *b) * part[*b])
                .sum();
            part[a] * (part[a] + beside)
        })
        .collect();
    let second = second_order * second_order;
    // Where a slope is not finite, as that of a root at 0, there is no linear budget: NaN here, which
    // nothing is stated of. `max` would make a 0 of it.
    let first: f64 = own.iter().sum();
    let variance = if first < 0.0 { second } else { first + second };
    let u = variance.sqrt();
    let share = |own: f64| if variance > 0.0 { own / variance } else { 0.0 };
    let mut lines: Vec<BudgetLine> = (0..part.len())
        .filter(|k| part[*k] != 0.0)
        .map(|k| inputs[k].line(slopes[k], share(own[k])))
        .collect();
    // Below a thousandth of the uncertainty it is not worth a line.
    if second_order > 1e-3 * u {
        let curvature =
            Input::normal("curvature of the model (second order)", "", 0.0, second_order);
        lines.push(curvature.line(1.0, share(second)));
    }
    // Welch-Satterthwaite (JCGM 100, G.4.1) over groups: what is correlated stems from one set of
    // readings and counts once, with the fewest degrees of freedom.
    let mut rest = 0.0;
    for group in correlation.groups(part.len()) {
        let freedom =
            group.iter().map(|k| inputs[*k].degrees_of_freedom).fold(f64::INFINITY, f64::min);
        if freedom.is_finite() {
            let variance: f64 = group.iter().map(|k| own[*k]).sum();
            rest += variance * variance / freedom;
        }
    }
    let degrees_of_freedom = if rest > 0.0 { variance * variance / rest } else { f64::INFINITY };
    let mut flat: Vec<f64> = (0..part.len())
        .filter(|k| inputs[*k].distribution == Distribution::Rectangular)
        .map(|k| part[k].abs() * Distribution::Rectangular.divisor())
        .collect();
    flat.sort_by(|a, b| b.total_cmp(a));
    Budget {
        value,
        standard_uncertainty: u,
        degrees_of_freedom,
        sensitivities: slopes.to_vec(),
        lines,
        flat,
    }
}

impl Budget {
    /// Expanded uncertainty at 95 %.
    ///
    /// k is that of Student's t at the effective degrees of freedom; where one or two rectangular
    /// terms outweigh the rest by far, that of the trapezoid they make (EA-4/02, S9 and S10; from
    /// memory): 1.65 for one, 1.90 for two alike.
    #[must_use]
    pub fn coverage(&self) -> Coverage {
        let df = self.degrees_of_freedom;
        let usual = student::coverage_factor(PROBABILITY, df).unwrap_or(f64::MAX);
        let k = self.trapezoid().unwrap_or(usual);
        Coverage {
            expanded_uncertainty: k * self.standard_uncertainty,
            coverage_factor: k,
            degrees_of_freedom: Some(df).filter(|df| df.is_finite()),
        }
    }

    /// Coverage factor where the one or two widest rectangular terms rule: the others together are
    /// below three tenths of them.
    fn trapezoid(&self) -> Option<f64> {
        let variance = self.standard_uncertainty.powi(2);
        let rules = |halves: &[f64]| {
            let flat: f64 = halves.iter().map(|half| half * half / 3.0).sum();
            variance > 0.0 && variance - flat <= 0.09 * flat
        };
        let (one, two) = (self.flat.first().copied()?, self.flat.get(1).copied().unwrap_or(0.0));
        if !(rules(&[one]) || rules(&[one, two])) {
            return None;
        }
        // Trapezoid with top over base beta.
        let beta = if rules(&[one]) { 1.0 } else { (one - two) / (one + two) };
        let divisor = ((1.0 + beta * beta) / 6.0).sqrt();
        let p = PROBABILITY;
        Some(if p / (2.0 - p) < beta {
            p * (1.0 + beta) / 2.0 / divisor
        } else {
            (1.0 - ((1.0 - p) * (1.0 - beta * beta)).sqrt()) / divisor
        })
    }
}
