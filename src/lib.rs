#![doc = include_str!("../README.md")]
#![cfg_attr(test, allow(clippy::unwrap_used))]

// What most users of the library need.
pub use analysis::{Run, Settings, measure, measure_capture};
pub use check::check;
pub use job::Job;
pub use measures::{Measure, MeasureSet, Reason};
pub use recording::{Observer, Recording, Unobserved};
pub use result::{Form, Measurement};
pub use sheet::Sheet;
pub use units::SampleRate;
pub use verification::Profile;

pub mod analysis;
#[cfg(feature = "archive")]
pub mod archive;
pub mod card;
pub mod check;
#[cfg(feature = "cli")]
#[doc(hidden)]
pub mod cli;
pub mod convert;
#[doc(hidden)]
pub mod demo;
pub mod estimate;
pub mod explain;
pub mod export;
pub mod flag;
pub mod ingest;
pub mod job;
pub mod measures;
pub mod profile;
pub mod recording;
pub mod report;
pub mod result;
pub mod sheet;
pub mod synth;
pub mod synthetic;
pub mod term;
pub mod trace;
pub mod uncertainty;
pub mod units;
pub mod verification;

// Parts of the machine: open to the tests, the benches and the fuzzers, and not promised to anyone.
#[doc(hidden)]
pub mod condition;
#[doc(hidden)]
pub mod digest;
#[doc(hidden)]
pub mod files;
#[doc(hidden)]
pub mod keyfile;
#[doc(hidden)]
pub mod numeric;
#[doc(hidden)]
pub mod segment;
