//! Mathematics on slices: no files, no settings, no words of the trade.

pub mod crest;
pub mod delay;
pub mod envelope;
pub mod moments;
pub mod order;
pub mod quantum;
pub mod sinefit;
pub mod spectrum;
pub mod state;
pub mod student;
