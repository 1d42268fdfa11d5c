#![doc = include_str!("../README.md")]
#![cfg_attr(test, allow(clippy::unwrap_used))]

pub mod check;
pub mod condition;
pub mod export;
pub mod files;
pub mod ingest;
pub mod keyfile;
pub mod measures;
pub mod numeric;
pub mod pipeline;
pub mod profile;
pub mod result;
pub mod segment;
pub mod synth;
pub mod trace;
pub mod units;
