//! Input quantities: an estimate, and how the truth may lie about it.

use crate::estimate::BudgetLine;
use crate::numeric::student;
use crate::term::Term;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution as _, StandardNormal, StudentT};
use statrs::distribution::{ContinuousCDF, Normal};

/// Shape of a distribution.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Distribution {
    /// Normal; with few degrees of freedom, Student's t (JCGM 101, 6.4.9).
    Normal,
    /// Equally likely between two limits.
    Rectangular,
    /// Sum of two equal rectangular ones.
    Triangular,
    /// A sine sampled at random (U-shaped).
    Arcsine,
}

impl Distribution {
    /// Name for people and files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Rectangular => "rectangular",
            Self::Triangular => "triangular",
            Self::Arcsine => "arcsine",
        }
    }

    /// Half-width over standard deviation (JCGM 100, 4.3.7 to 4.3.9); 1 for the normal one, which
    /// has no half-width.
    #[must_use]
    pub fn divisor(self) -> f64 {
        match self {
            Self::Normal => 1.0,
            Self::Rectangular => 3_f64.sqrt(),
            Self::Triangular => 6_f64.sqrt(),
            Self::Arcsine => std::f64::consts::SQRT_2,
        }
    }
}

/// One input quantity of a measurement model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Input {
    /// Which term of the model of a measure it is, where it is one.
    pub term: Option<Term>,
    /// What it stands for.
    pub name: &'static str,
    /// Symbol of its unit; empty for a ratio.
    pub unit: &'static str,
    /// Best estimate.
    pub estimate: f64,
    /// How the truth is distributed about it.
    pub distribution: Distribution,
    /// Standard uncertainty; 0 where the input is exact.
    pub standard_uncertainty: f64,
    /// Degrees of freedom of the standard uncertainty; infinity where there is no doubt about it.
    pub degrees_of_freedom: f64,
}

impl Input {
    /// Known exactly.
    #[must_use]
    pub fn exact(name: &'static str, unit: &'static str, estimate: f64) -> Self {
        Self::normal(name, unit, estimate, 0.0)
    }

    /// Normal with a standard uncertainty.
    #[must_use]
    pub fn normal(name: &'static str, unit: &'static str, estimate: f64, u: f64) -> Self {
        Self {
            term: None,
            name,
            unit,
            estimate,
            distribution: Distribution::Normal,
            standard_uncertainty: u,
            degrees_of_freedom: f64::INFINITY,
        }
    }

    /// Between `estimate - half` and `estimate + half`.
    #[must_use]
    pub fn within(
        name: &'static str,
        unit: &'static str,
        estimate: f64,
        half: f64,
        distribution: Distribution,
    ) -> Self {
        let u = half / distribution.divisor();
        Self { distribution, ..Self::normal(name, unit, estimate, u) }
    }

    /// The same with degrees of freedom.
    #[must_use]
    pub fn with_freedom(self, degrees_of_freedom: f64) -> Self {
        Self { degrees_of_freedom, ..self }
    }

    /// A value drawn from the distribution.
    pub(super) fn draw(&self, random: &mut ChaCha12Rng) -> f64 {
        let u = self.standard_uncertainty;
        if u == 0.0 {
            return self.estimate;
        }
        let uniform = |random: &mut ChaCha12Rng| -> f64 {
            rand_distr::Uniform::new_inclusive(-1.0, 1.0).map_or(0.0, |range| range.sample(random))
        };
        let standard = match self.distribution {
            Distribution::Normal if self.degrees_of_freedom < 1e6 => {
                StudentT::new(self.degrees_of_freedom).map_or(0.0, |t| t.sample(random))
            }
            Distribution::Normal => StandardNormal.sample(random),
            Distribution::Rectangular => self.distribution.divisor() * uniform(random),
            Distribution::Triangular => {
                self.distribution.divisor() * 0.5 * (uniform(random) + uniform(random))
            }
            Distribution::Arcsine => {
                self.distribution.divisor() * (std::f64::consts::PI * uniform(random)).sin()
            }
        };
        self.estimate + u * standard
    }

    /// The value that stands as far out as the standard normal value `z`: for inputs that are
    /// correlated (a normal copula; for normal inputs the multivariate normal of JCGM 101, 6.4.8).
    pub(super) fn at_normal(&self, z: f64) -> f64 {
        let share = || Normal::standard().cdf(z).clamp(1e-16, 1.0 - 1e-16);
        let standard = match self.distribution {
            Distribution::Normal if self.degrees_of_freedom < 1e6 => {
                student::quantile(share(), self.degrees_of_freedom).unwrap_or(z)
            }
            Distribution::Normal => z,
            Distribution::Rectangular => self.distribution.divisor() * (2.0 * share() - 1.0),
            Distribution::Triangular => {
                let p = share();
                let lower = (2.0 * p.min(1.0 - p)).sqrt() - 1.0;
                self.distribution.divisor() * if p < 0.5 { lower } else { -lower }
            }
            Distribution::Arcsine => {
                -self.distribution.divisor() * (std::f64::consts::PI * share()).cos()
            }
        };
        self.estimate + self.standard_uncertainty * standard
    }

    /// Its line of a budget.
    pub(super) fn line(&self, sensitivity: f64, share: f64) -> BudgetLine {
        BudgetLine {
            term: self.term,
            input: self.name.into(),
            unit: self.unit.into(),
            estimate: self.estimate,
            distribution: match self.distribution {
                Distribution::Normal if self.degrees_of_freedom < 1e6 => "t".into(),
                other => other.name().into(),
            },
            standard_uncertainty: self.standard_uncertainty,
            degrees_of_freedom: Some(self.degrees_of_freedom).filter(|df| df.is_finite()),
            sensitivity,
            contribution: (sensitivity * self.standard_uncertainty).abs(),
            share,
        }
    }
}
