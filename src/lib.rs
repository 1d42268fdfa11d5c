#![doc = include_str!("../README.md")]
#![cfg_attr(test, allow(clippy::unwrap_used))]

pub mod check;
pub mod cli;
pub mod condition;
pub mod demo;
pub mod digest;
pub mod estimate;
pub mod export;
pub mod files;
pub mod flag;
pub mod ingest;
pub mod job;
pub mod keyfile;
pub mod measures;
pub mod numeric;
pub mod pipeline;
pub mod profile;
pub mod report;
pub mod result;
pub mod segment;
pub mod synth;
pub mod term;
pub mod trace;
pub mod uncertainty;
pub mod units;
pub mod verification;
