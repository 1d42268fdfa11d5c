//! Mathematics on slices: no files, no settings, no words of the trade.

pub mod chart;
pub mod crest;
pub mod delay;
pub mod envelope;
pub mod fold;
pub mod moments;
pub mod order;
pub mod period;
pub mod quantum;
pub mod regression;
pub mod runs;
pub mod sinefit;
pub mod smooth;
pub mod spectrum;
pub mod state;
pub mod student;
pub mod thin;
