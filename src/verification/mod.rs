//! A whole unit verified after its plan: steps to take, captures and readings to verdicts.
//!
//! Pure: nothing here reads a file or knows the time.

mod compare;
mod curve;
mod entries;
mod fit;
mod from_table;
mod judge;
mod ladder;
mod outcome;
mod profile;
mod reading;
mod result;
mod seal;
mod single;
mod spread;
mod step;
mod timing;
mod unjudged;

pub use compare::{Change, ChangeRow, changes};
pub use entries::{
    Answer, Curve, Facts, HfLeakage, Ladder, Manual, Needs, OpenCircuit, Profile, Repeat, StepKind,
    Timing, Wiring,
};
pub use fit::{Asked, fit};
pub use from_table::plan_from_table;
pub use judge::{Evidence, Found, judge};
pub use outcome::{CaptureOutcome, Correlated, Drift, KeptMeasure, Missing, SwitchTimes};
pub use profile::{NoSetting, PlanHead};
pub use reading::{ManualReading, ReadingFault, Settled, settle};
pub use result::{
    Amendment, Counts, CurvePoint, GroupKind, GroupResult, JobFacts, JobResult, Line, Person,
    PlanFacts, ReportFacts, Series, SettingFacts, SourceFit, StepResult, StepState, UnitFacts,
    Waveform,
};
pub use step::{CaptureNeed, Expectation, Load, Step, order_of_work, part_of, steps};
pub use timing::{Stretch, times};

use crate::estimate::{Coverage, Estimate};
use crate::numeric::student;

/// A standard uncertainty and its degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Term {
    /// Standard uncertainty.
    pub u: f64,
    /// Degrees of freedom; infinity for a normal distribution.
    pub freedom: f64,
}

impl Term {
    /// One of a normal distribution.
    #[must_use]
    pub fn normal(u: f64) -> Self {
        Self { u, freedom: f64::INFINITY }
    }

    /// Both together, degrees of freedom by Welch-Satterthwaite (JCGM 100, G.4).
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        let square = self.u * self.u + other.u * other.u;
        let quartic = self.u.powi(4) / self.freedom + other.u.powi(4) / other.freedom;
        let freedom = if quartic > 0.0 { square * square / quartic } else { f64::INFINITY };
        Self { u: square.sqrt(), freedom }
    }

    /// The same times a factor.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self { u: self.u * factor.abs(), ..self }
    }
}

/// A value that is the largest or smallest of several comparisons: U holds for all `count` of them at
/// once (Bonferroni), so that it also holds where their values lie close together.
#[must_use]
pub fn estimate_of_several(value: f64, term: Term, count: usize) -> Option<Estimate> {
    let mut found = estimate(value, term.u, term.freedom)?;
    let level = 1.0 - 0.05 / count.max(1) as f64;
    let k = student::coverage_factor(level, term.freedom)?;
    found.coverage = found.coverage.map(|coverage| Coverage {
        expanded_uncertainty: k * term.u,
        coverage_factor: k,
        ..coverage
    });
    Some(found)
}

/// A value with a standard uncertainty and its degrees of freedom, stated at 95 %; `None` where it
/// is not a finite number.
#[must_use]
pub fn estimate(value: f64, u: f64, freedom: f64) -> Option<Estimate> {
    let mut found = Estimate::new(value)?;
    if u.is_finite() && u >= 0.0 {
        let k = student::coverage_factor(0.95, freedom)?;
        found.standard_uncertainty = Some(u);
        found.coverage = Some(Coverage {
            expanded_uncertainty: k * u,
            coverage_factor: k,
            degrees_of_freedom: Some(freedom).filter(|freedom| freedom.is_finite()),
        });
    }
    Some(found)
}
