//! A whole unit verified after its plan: steps to take, captures and readings to verdicts.
//!
//! Pure: nothing here reads a file or knows the time.

mod compare;
mod curve;
mod judge;
mod ladder;
mod manual;
mod outcome;
mod result;
mod single;
mod spread;
mod step;

pub use compare::{Change, ChangeRow, changes};
pub use judge::{Evidence, Found, judge};
pub use manual::{Reading, ReadingFault, Settled, settle};
pub use outcome::{CaptureOutcome, Drift, Number, SwitchTimes};
pub use result::{
    Counts, CurvePoint, GroupKind, GroupResult, JobFacts, JobResult, Line, Person, PlanFacts,
    Series, SourceFit, StepResult, StepState, UnitFacts, Waveform,
};
pub use step::{Load, Step, StepKind, order_of_work, part_of, steps};

use crate::estimate::{Coverage, Estimate};
use crate::numeric::student;

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
