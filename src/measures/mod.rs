//! What each number is computed from, and how.
//!
//! [`stats::IntervalStats`] holds what one pass over an interval leaves; a measure is a pure
//! function of it, one row of [`catalog::MEASURES`]. Statistics of phases merge into those of
//! kinds, cycles and the whole record.

pub mod baseline;
pub mod bursts;
pub mod carrier;
pub mod catalog;
pub mod clipping;
mod close;
pub mod drift;
pub mod flat;
mod gaps;
mod look;
mod noise;
pub mod oddities;
mod onset;
pub mod pattern;
mod peaks;
mod reason;
mod ripple;
mod set;
mod sliding;
pub mod stats;
mod survey;
mod train;

pub use catalog::Measure;
pub use reason::Reason;
pub use set::MeasureSet;
pub use sliding::largest_1s;
pub use survey::{Neighbours, ReadBudget, SurveyInput, Surveyed, survey};
