//! What each number is computed from, and how.
//!
//! [`stats::IntervalStats`] holds what one pass over an interval leaves; a measure is a pure
//! function of it, one row of [`catalog::MEASURES`]. Statistics of phases merge into those of
//! kinds, cycles and the whole record.

pub mod bursts;
pub mod carrier;
pub mod catalog;
pub mod clipping;
pub mod drift;
mod onset;
mod set;
mod sliding;
pub mod stats;
mod survey;

pub use set::MeasureSet;
pub use sliding::largest_1s;
pub use survey::{Budget, Neighbours, SurveyInput, Surveyed, survey};
